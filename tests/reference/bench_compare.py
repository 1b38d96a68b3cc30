"""Holds what peer.py wrote against a run of the same study.

    python bench_compare.py STUDY.toml PEER_FOLDER RUN_FOLDER

Rasters must agree to 1e-5, tables to 1e-6 of their size. Where a suitability lies on the threshold, or a drop on 0.1, within 1e-5,
32-bit rounding decides; such cells may differ, are counted, and are the slack that areas and patches have. Exit code 1 when
something differs by more, or nothing was compared.
"""

import argparse
import os
import sys

import numpy as np
import pandas as pd
import rasterio

from compare import RASTER_TOLERANCE, TABLE_TOLERANCE
from inputs import Study
from study import DEGRADED_BY

KEYS = {"habitat_area": ["scenario"], "patches": ["scenario", "patch"]}


def bands(path):
    """Every band as float64, NaN for no data (codes stay)."""
    with rasterio.open(path) as source:
        values = source.read().astype(float)
        if source.dtypes[0] != "uint8":
            values[source.read_masks() == 0] = np.nan
    return values


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    for name in ("study", "peer", "run"):
        parser.add_argument(name)
    arguments = parser.parse_args()
    study, failed = Study(arguments.study), False

    def say(ok, text):
        nonlocal failed
        failed |= not ok
        print(("ok    " if ok else "DIFFER ") + text)

    rasters = sorted(f for f in os.listdir(arguments.peer) if f.endswith(".tif"))
    suitability = {}
    for file in rasters:
        here = bands(os.path.join(arguments.peer, file))
        found = bands(os.path.join(arguments.run, "rasters", file))
        if file.startswith("suitability_"):
            suitability[file.removeprefix("suitability_")] = here[0]
        if file.startswith("change_"):
            continue
        apart = np.abs(here - found)
        missing = int((np.isnan(here) != np.isnan(found)).sum())
        beyond, known = int((apart > RASTER_TOLERANCE).sum()), int((~np.isnan(apart)).sum())
        text = f"{file}: {known} values, largest difference {np.nanmax(apart, initial=0.0):.3g}"
        say(not beyond and not missing and known > 0, f"{text}, {beyond} beyond, {missing} known in one only")
    threshold, ties = study.text["suitability"]["threshold"], 0
    for file in (f for f in rasters if f.startswith("change_")):
        here, found = (bands(p)[0] for p in (os.path.join(arguments.peer, file), os.path.join(arguments.run, "rasters", file)))
        tie = np.zeros(here.shape, bool)
        before, after = suitability["baseline.tif"], suitability[file.removeprefix("change_")]
        for gap in (before - threshold, after - threshold, before - after - DEGRADED_BY):
            tie |= np.abs(gap) < RASTER_TOLERANCE
        ties += int((tie & (here != found)).sum())
        differ = int((~tie & (here != found)).sum())
        codes = ", ".join(f"{int(c)}: {int(n)}" for c, n in zip(*np.unique(here, return_counts=True)))
        say(differ == 0 and (here == 3).any(), f"{file}: {differ} of {here.size} cells differ; cells by code {codes}")
    slack = ties * study.grid.cell**2 / 1e4
    if ties:
        print(f"note  {ties} cells on the threshold or on a drop of 0.1 were decided otherwise")
    for file in sorted(f for f in os.listdir(arguments.peer) if f.endswith(".csv")):
        name = file.removesuffix(".csv")
        keys = KEYS.get(name, ["scenario", "code"])
        one, two = (
            pd.read_csv(os.path.join(f, file), dtype={"code": str}, keep_default_na=False, na_values={}).set_index(keys)
            for f in (arguments.peer, os.path.join(arguments.run, "tables"))
        )
        two = two.loc[two.index.isin(one.index)]
        if ties and len(one) != len(two):
            print(f"note  {file}: {len(one)} rows and {len(two)}, with ties")
            continue
        if list(one.index) != list(two.index):
            say(False, f"{file}: other rows")
            continue
        columns = [c for c in one.columns if c in two.columns]
        lacking = [c for c in one.columns if c not in two.columns]
        a, b = (t[columns].apply(pd.to_numeric, errors="coerce").to_numpy() for t in (one, two))
        known = ~np.isnan(a)
        size = np.maximum(np.maximum(np.abs(a), np.abs(b)), 1e-3)
        allowed = TABLE_TOLERANCE * size + slack * (100 if ties else 1)
        wrong = int((np.abs(a - b) > allowed)[known].sum() + (np.isnan(a) != np.isnan(b)).sum())
        worst = np.max((np.abs(a - b) / size)[known], initial=0.0)
        text = f"{file}: {len(one)} rows, {len(columns)} columns, largest relative difference {worst:.3g}"
        say(not wrong and not lacking and len(one) > 0, text + (f", lacking {lacking}" if lacking else ""))
    say(len(rasters) > 10, f"{len(rasters)} rasters")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
