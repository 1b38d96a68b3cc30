"""A survey drawn by `lentic survey draw`, and areas corrected by `lentic survey correct`, done again another way, as JSON on
standard output.

Drawing: points of scipy's Halton sequence are tried one after the other from the start of each stratum, and kept where they
fall into it (acceptance sampling, Robertson et al. 2013), where the program computes the rank of every cell. Habitat comes from the
suitability rasters, where the program takes the change rasters. Correcting: the formulas of Olofsson et al. 2014 in numpy.

python survey.py RUN_FOLDER SURVEY_FOLDER [FILLED_TABLE]
"""

import json
import os
import sys
import tomllib
import xml.etree.ElementTree as ElementTree

import numpy as np
import pandas as pd
import rasterio
from pyproj import Transformer
from scipy.stats import qmc

NO_CLASS = 255
GPX = "{http://www.topografix.com/GPX/1/1}"


def read(run, name):
    """Cells and place of a raster."""
    with rasterio.open(os.path.join(run, "rasters", f"{name}.tif")) as source:
        return source.read(1), source.transform, source.crs


def class_map(run, name):
    """Codes of a map of classes, its place and reference system."""
    if not name.startswith("habitat_"):
        return read(run, name)
    with open(os.path.join(run, "run.json"), encoding="utf-8") as file:
        study = tomllib.loads(json.load(file)["study"]["text"])
    cases = ["baseline"] + [scenario["name"] for scenario in study.get("scenarios", [])]
    suitability = {}
    for case in cases:
        suitability[case], transform, crs = read(run, f"suitability_{case}")
    compared = np.all([~np.isnan(values) for values in suitability.values()], axis=0)
    habitat = suitability[name.removeprefix("habitat_")] >= np.float32(study["suitability"]["threshold"])
    return np.where(compared, habitat, NO_CLASS).astype(np.uint8), transform, crs


def mix(state):
    """One step of SplitMix64 (Steele et al. 2014)."""
    z = state + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def hashes(shape, seed):
    """The hash of every cell."""
    rows, cols = (index.astype(np.uint64) for index in np.indices(shape))
    with np.errstate(over="ignore"):
        return mix(mix(mix(np.full(shape, seed, np.uint64)) ^ rows) ^ cols)


def halton_cells(shape):
    """(row, column) of the points of the sequence on the smallest frame of 3^b rows and 2^a columns, twice round."""
    cols, rows = 1, 1
    while cols < shape[1]:
        cols *= 2
    while rows < shape[0]:
        rows *= 3
    points = qmc.Halton(d=2, scramble=False).random(2 * cols * rows)
    # thirds are not exact in binary: points on an edge may lie a little below it
    return np.floor(points[:, ::-1] * [rows, cols] + 1e-9).astype(int), cols * rows


def redrawn(codes, seed, wanted):
    """By stratum the cells that acceptance sampling keeps, in order."""
    cells, period = halton_cells(codes.shape)
    inside = (cells[:, 0] < codes.shape[0]) & (cells[:, 1] < codes.shape[1])
    code = np.full(len(cells), NO_CLASS)
    code[inside] = codes[tuple(cells[inside].T)]
    draws = hashes(codes.shape, seed)
    out = {}
    for stratum, number in wanted.items():
        least = np.where(codes == stratum, draws, np.iinfo(np.uint64).max).argmin()
        start = np.unravel_index(least, codes.shape)
        first = np.flatnonzero((cells == start).all(axis=1))[0]
        tried = np.arange(first, first + period)
        out[stratum] = cells[tried[code[tried] == stratum][:number]]
    return out


def drawing(run, survey):
    """What differs between the survey and its redrawing."""
    with open(os.path.join(survey, "survey.json"), encoding="utf-8") as file:
        record = json.load(file)
    table = pd.read_csv(os.path.join(survey, "survey.csv"))
    codes, transform, crs = class_map(run, record["map"])
    wanted = {stratum["code"]: stratum["points"] + stratum["reserve"] for stratum in record["strata"]}
    differ = []
    for stratum, cells in redrawn(codes, record["seed"], wanted).items():
        x = transform.c + transform.a * (cells[:, 1] + 0.5)
        y = transform.f + transform.e * (cells[:, 0] + 0.5)
        rows = table[table.stratum == stratum].sort_values("order")
        same = len(rows) == len(cells) and (rows.x == x).all() and (rows.y == y).all()
        if not same:
            differ.append(stratum)
    longitude, latitude = Transformer.from_crs(crs, 4326, always_xy=True).transform(table.x, table.y)
    found, counts = np.unique(codes[codes != NO_CLASS], return_counts=True)
    return {
        "differ": differ,
        "points": len(table),
        "strata": dict(zip(found.tolist(), counts.tolist())),
        "cells": dict(zip(table.stratum.tolist(), table.stratum_cells.tolist())),
        "degrees": float(
            max(abs(table.longitude - longitude).max(), abs(table.latitude - latitude).max())
        ),
        "empty": bool(table[["reference_class", "observer", "date", "note"]].isna().all(axis=None)),
        "waypoints": waypoints(os.path.join(survey, "survey.gpx"), table),
    }


def waypoints(path, table):
    """Facts of the GPX file, which must be well formed, of version 1.1, and agree with the table."""
    root = ElementTree.parse(path).getroot()
    assert root.tag == f"{GPX}gpx" and root.get("version") == "1.1" and root.get("creator")
    places = {row.id: row for row in table.itertuples()}
    found = root.findall(f"{GPX}wpt")
    names = []
    worst = 0.0
    for waypoint in found:
        # the order of the standard's schema: name comes before type
        parts = [child.tag.removeprefix(GPX) for child in waypoint]
        assert parts == ["name", "type"], parts
        name, kind = (child.text for child in waypoint)
        row = places[name]
        assert kind == ("reserve" if row.reserve == "yes" else "point")
        worst = max(worst, abs(float(waypoint.get("lon")) - row.longitude))
        worst = max(worst, abs(float(waypoint.get("lat")) - row.latitude))
        names.append(name)
    with open(path, encoding="utf-8") as file:
        text = file.read()
    blind = not any(name in text for name in table.stratum_name.unique())
    return {"number": len(set(names)), "sorted": names == sorted(names), "degrees": worst, "blind": blind}


def correcting(run, filled):
    """Areas and accuracies of the filled-in table, whose reference classes are codes."""
    table = pd.read_csv(filled).dropna(subset=["reference_class"])
    codes, transform, _ = class_map(run, table["map"].iloc[0])
    classes = sorted(set(codes[codes != NO_CLASS].tolist()) | set(table.reference_class.astype(int)))
    cells = np.array([(codes == code).sum() for code in classes], float)
    n = np.array(
        [[((table.stratum == i) & (table.reference_class == j)).sum() for j in classes] for i in classes],
        float,
    )
    weight, points = cells / cells.sum(), n.sum(axis=1)
    mean = np.divide(n, points[:, None], out=np.zeros_like(n), where=points[:, None] > 0)
    variance = mean * (1 - mean) / np.maximum(points - 1, 1)[:, None]
    shares = weight[:, None] * mean
    share, right = shares.sum(axis=0), np.diag(mean)
    producers = np.diag(shares) / share
    missed = (weight[:, None] * producers) ** 2 * variance
    np.fill_diagonal(missed, (weight * (1 - producers)) ** 2 * np.diag(variance))
    whole = cells.sum() * transform.a**2 / 1e4
    return {
        "classes": classes,
        "overall": [np.trace(shares), np.sqrt((weight**2 * np.diag(variance)).sum())],
        "area_ha": [whole * share, whole * np.sqrt((weight[:, None] ** 2 * variance).sum(axis=0))],
        "users": [right, np.sqrt(np.diag(variance))],
        "producers": [producers, np.sqrt(missed.sum(axis=0)) / share],
    }


def main():
    """Command line."""
    run, survey = sys.argv[1:3]
    facts = drawing(run, survey)
    if len(sys.argv) > 3:
        facts["corrected"] = correcting(run, sys.argv[3])
    json.dump(facts, sys.stdout, default=lambda value: np.asarray(value).tolist())


if __name__ == "__main__":
    main()
