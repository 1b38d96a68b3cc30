"""The rasters and patches of a public edition, worked out again from the run with numpy and scipy.

    public.py FACTS.json

FACTS names the run, the edition, the step, the least area of a patch shown. Patches are found anew by labelling habitat cells. Prints the
largest differences, and how many squares hold withheld habitat only.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from scipy import ndimage

OUTSIDE, ASSESSED = 255, 0


def read(path, band=1):
    with rasterio.open(path) as source:
        return source.read(band), source.transform, source.nodata


def main(facts):
    run, public, step = Path(facts["run"]), Path(facts["public"]), facts["step_m"]
    record = json.loads((run / "run.json").read_text())
    threshold, cell = np.float32(record["study"]["threshold"]), record["grid"]["cell_m"]
    reason, fine, _ = read(run / "rasters/not_assessed.tif")
    inside, assessed = reason != OUTSIDE, reason == ASSESSED

    # squares from the origin of the reference system
    x = fine.c + (np.arange(reason.shape[1]) + 0.5) * fine.a
    y = fine.f + (np.arange(reason.shape[0]) + 0.5) * fine.e
    _, coarse, _ = read(public / "rasters/not_assessed.tif")
    told = {"edges": max(abs(v / step - round(v / step)) for v in (coarse.c, coarse.f))}
    shape = read(public / "rasters/not_assessed.tif")[0].shape
    column = np.floor(x / step).astype(int) - round(coarse.c / step)
    row = round(coarse.f / step) - 1 - np.floor(y / step).astype(int)
    square = row[:, None] * shape[1] + column[None, :]

    def count(mask, weights=None):
        weights = None if weights is None else weights[mask]
        return np.bincount(square[mask], weights=weights, minlength=shape[0] * shape[1]).reshape(shape)

    within = count(inside)

    def mean(sums, over, data):
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.floor(sums / over * 100 + 0.5) / 100
        values[(within < 0.5 * (step / cell) ** 2) | (data < 0.5 * within) | (over == 0)] = np.nan
        return values

    def differ(name, expected, band=1):
        found = read(public / f"rasters/{name}.tif", band)[0]
        same = np.isnan(found) == np.isnan(expected)
        return 1.0 if not same.all() else float(np.nanmax(np.abs(found - expected), initial=0.0))

    patches = pd.read_csv(public / "tables/patches.csv")
    hidden, lonely, worst, listed = {}, 0, 0.0, 0.0
    cases = ["baseline"] + sorted(p.stem[7:] for p in (run / "rasters").glob("change_*.tif"))
    for case in cases:
        suitability = read(run / f"rasters/suitability_{case}.tif")[0]
        habitat = assessed & (suitability >= threshold)
        labels, _ = ndimage.label(habitat, structure=np.ones((3, 3)))
        areas = np.bincount(labels.ravel())[1:] * cell**2 / 1e4
        real = np.flatnonzero(areas >= facts["minimum_ha"])
        order = sorted(real, key=lambda i: areas[i])
        small = sum(areas[i] < facts["least_ha"] for i in real)
        withheld = 0 if small == 0 else min(max(small, 3), len(order))
        shown = np.isin(labels, [i + 1 for i in order[withheld:]]) & habitat
        hidden[case] = habitat & ~shown
        over = count(assessed & ~hidden[case])
        share = mean(count(shown), over, count(assessed))
        worst = max(worst, differ(f"habitat_{case}", share))
        only = (count(hidden[case]) > 0) & (count(shown) == 0) & ~np.isnan(share)
        found = read(public / f"rasters/habitat_{case}.tif")[0]
        lonely += int(only.sum())
        assert (found[only] == 0).all(), case
        known = ~np.isnan(suitability)
        kept = known & ~hidden[case]
        sums = count(kept, suitability.astype(float))
        worst = max(worst, differ(f"suitability_{case}", mean(sums, count(kept), count(known))))
        # the table: one row for each patch shown, in the square its centroid lies in
        expected = sorted(
            (
                (np.floor(x[np.nonzero(labels == i + 1)[1]].mean() / step) + 0.5) * step,
                (np.floor(y[np.nonzero(labels == i + 1)[0]].mean() / step) + 0.5) * step,
                float(f"{areas[i]:.1e}"),
            )
            for i in order[withheld:]
        )
        rows = patches[patches["scenario"] == case]
        got = sorted(zip(rows["cell_x"], rows["cell_y"], rows["area_ha"]))
        listed = max(listed, 1.0 if len(got) != len(expected) else np.abs(np.subtract(got, expected)).max(initial=0.0))
    for case in cases[1:]:
        change = read(run / f"rasters/change_{case}.tif")[0]
        left_out = hidden["baseline"] | hidden[case]
        over = count(assessed) - count(left_out)
        with rasterio.open(public / f"rasters/change_{case}.tif") as source:
            names = source.descriptions
        for band, name in enumerate(names, 1):
            code = int(name.split("share of class ")[1].split(":")[0])
            share = mean(count((change == code) & ~left_out), over, count(assessed))
            worst = max(worst, differ(f"change_{case}", share, band))
    told |= {"rasters": worst, "patches": float(listed), "squares_of_withheld_only": lonely, "shown": len(patches)}
    told["squares_told"] = int((~np.isnan(read(public / "rasters/habitat_baseline.tif")[0])).sum())
    print(json.dumps(told))


if __name__ == "__main__":
    main(json.loads(Path(sys.argv[1]).read_text()))
