"""Compares a run folder with this reference.

    python compare.py STUDY.toml RUN_FOLDER

prints, per product, the largest difference and how many cells or values differ. Exit code 1 when
something differs by more than the tolerance, 2 when the comparison could not be made, else 0.
"""

import argparse
import os
import sqlite3
import sys

import numpy as np
import pandas as pd
import rasterio
from rasterio.errors import RasterioError

import costs
from inputs import StudyError, geopackage_geometry
from study import DEGRADED, DEGRADED_BY, GAINED, KEPT, LOST, Result
from suitability import pairwise_weights

RASTER_TOLERANCE = 1e-5
TABLE_TOLERANCE = 1e-6
# What counts as a tie of limiting factors: the last digits of the two programs may decide otherwise, so the code of the run
# has to follow from the rule under one of these.
TIES = (1e-9, 1e-7, 1e-6, 1e-5)
NOTHING, BARRIER, UNKNOWN = 0, 254, 255
# Text columns, and columns compared as text.
TEXT = {"scenario", "code", "name", "zone", "cut", "patch"}
TEXT |= {"quantity", "basis", "pool", "answers_to", "instead_of", "unit", "density", "group", "stage", "rate"}
TEXT |= {"fate", "origin", "climate", "month", "first_month", "last_month", "limited", "chosen"}
TEXT |= {"fate", "origin", "series", "year", "refuge", "ensemble", "climate", "month", "first_month", "last_month", "limited", "chosen"}
KEYS = {
    "habitat_area": ["scenario"],
    "patches": ["scenario", "patch"],
    "connection": ["scenario"],
    "drought_index": ["scenario", "climate", "month"],
    "drought_events": ["scenario", "climate", "first_month"],
    "index_choice": ["months"],
    "drawdown_curves": ["code"],
    "pool_levels": ["pool"],
    "drying_margin": ["step"],
    "patch_margins": ["patch"],
    "response_surface": ["precipitation_percent", "temperature_c"],
    "patch_fates": ["scenario", "patch"],
    "patch_origins": ["scenario", "patch"],
    "range_measures": ["scenario", "basis"],
    "range_reduction": ["scenario", "quantity", "basis"],
    "continuing_decline": ["scenario", "quantity", "basis"],
    "habitat_water_by_year": ["year"],
    "population": ["scenario", "density", "group"],
    "population_growth": ["years"],
    "population_stages": ["stage"],
    "population_elasticities": ["years", "stage", "rate"],
    "habitat_loss_by_patch": ["scenario", "patch"],
    "loss_attribution": ["scenario"],
    "refuges": ["refuge"],
    "ensembles": ["ensemble"],
    "management": ["scenario"],
    "habitat_by_year": ["series", "year"],
    "patch_time_of_loss": ["scenario", "patch"],
    "water_requirement": ["scenario", "patch"],
}
# Differences are relative, but absolute under this size: areas that cancel to about nothing; an index, whose unit is
# the standard deviation; coefficients, in logits.
FLOOR = {"drought_index": 1.0, "drought_events": 1.0, "drawdown_curves": 1.0}
# File and band of rasters whose file has another name or more than one band.
BANDS = {
    "trend_slope": ("water_trend", 1),
    "trend_p": ("water_trend", 2),
    "response_slope": ("response_to_drought", 2),
    "response_slope_sd": ("response_to_drought", 3),
    "longest_wet_spell": ("wet_spell_observed", 1),
    "month_of_drying": ("wet_spell_observed", 2),
    "years_that_dried": ("wet_spell_observed", 3),
}
# Only read where they exist: a table by class may leave out the baseline's own rows.
OPTIONAL_ROWS = ("habitat_loss_by_zone", "habitat_loss_by_wetland_class", "habitat_loss_by_land_cover")


class Comparison:
    """Collects findings and whether any of them is a failure."""

    def __init__(self, folder):
        self.folder, self.failed = folder, False

    def say(self, ok, text):
        """One line of the report."""
        self.failed |= not ok
        print(("ok    " if ok else "DIFFER ") + text)

    def read(self, name, grid, band=1, section="rasters"):
        """A band of a raster of the run as float64 with NaN for no data; None if it cannot be used."""
        path = os.path.join(self.folder, section, name + ".tif")
        if not os.path.exists(path):
            self.say(False, f"{name}: no file {path}")
            return None
        with rasterio.open(path) as source:
            if source.shape != grid.shape or not source.transform.almost_equals(
                grid.transform(), precision=1e-6
            ):
                self.say(False, f"{name}: another grid, {source.shape} {tuple(source.transform)[:6]}")
                return None
            if band > source.count:
                self.say(False, f"{name}: no band {band} in a file of {source.count}")
                return None
            values = source.read(band).astype(float)
            if source.dtypes[band - 1] != "uint8":
                values[source.read_masks(band) == 0] = np.nan
        return values

    def raster(self, name, expected, grid, file=None, band=1):
        """Compares floats; returns what the run holds, or None."""
        found = self.read(file or name, grid, band)
        if found is None:
            return None
        missing = np.isnan(found) != np.isnan(expected)
        difference = np.abs(found - expected)
        largest = np.nanmax(difference, initial=0.0)
        beyond = int(np.sum(difference > RASTER_TOLERANCE))
        text = f"{name}: largest difference {largest:.3g}, {beyond} cells beyond {RASTER_TOLERANCE}"
        text += f", {int(missing.sum())} cells known in one only"
        text += f", {int(np.sum(~np.isnan(expected)))} cells compared"
        if beyond:
            row, col = np.unravel_index(np.nanargmax(difference), difference.shape)
            text += f"; at row {row}, column {col}: run {found[row, col]:.9g}, here {expected[row, col]:.9g}"
        if missing.any():
            row, col = np.argwhere(missing)[0]
            text += f"; first at row {row}, column {col}: run {found[row, col]:.9g}"
        self.say(beyond == 0 and not missing.any(), text)
        return found

    def years(self, name, drawn, grid, has_fall):
        """Compares the yearly variables of a case with the bands kept for the explanation of cells."""
        band = 3 if has_fall else 2
        for variable, both in drawn.items():
            for kind, expected in zip(("measure", "score"), both):
                if expected is None:
                    continue
                found = self.read(f"water_{name}", grid, band, "cells")
                band += 1
                if found is None:
                    return
                known = ~np.isnan(expected)
                same = bool((np.isnan(found) == ~known).all())
                largest = np.nanmax(np.abs(found - expected), initial=0.0)
                text = f"{variable}_{kind}_{name}: largest difference {largest:.3g}, "
                text += f"{int(known.sum())} cells compared, {int(np.sum(found[known] > 0))} above 0"
                self.say(same and largest <= RASTER_TOLERANCE, text)

    def limits(self, name, result, grid):
        """Checks the limiting factors of a case cell by cell, and the areas of its table by the codes found."""
        found = self.read(f"limiting_factor_{name}", grid)
        if found is None:
            return
        compared, barrier = result.compared, result.model.barrier
        scores, raised = (np.array(rows) for rows in zip(*result.raised[name]))
        raised = np.where(np.isnan(scores), -np.inf, raised)
        suitability = result.suitability[name].astype(float)
        code = np.where(found == UNKNOWN, 0, found).astype(int)
        factor = compared & (found != BARRIER) & (found != NOTHING)
        right, alone = ~factor, 0
        for tie in TIES:
            tied = raised >= raised.max(axis=0) - tie
            lowest = np.where(tied, scores, np.inf).min(axis=0)
            fits = tied & (scores <= lowest + tie)
            right |= factor & (code == np.argmax(fits, axis=0) + 1)
            alone = int((factor & (tied.sum(axis=0) == 1)).sum())
        right &= (found == UNKNOWN) == ~compared
        right &= (found == BARRIER) == (compared & barrier)
        right &= ~((found == NOTHING) & (suitability < 1 - TIES[-1]))
        text = f"limiting_factor_{name}: {int((~right).sum())} of {right.size} cells differ, "
        self.say(right.all() and alone > 0, text + f"{alone} cells compared without a tie")
        path = os.path.join(self.folder, "tables", "limiting_factor.csv")
        rows = pd.read_csv(path)
        worst = 0.0
        for _, line in rows[rows["scenario"] == name].iterrows():
            here = compared & (found == line["code"])
            for column, where in (("habitat_ha", True), ("not_habitat_ha", False)):
                area = result.area(here & (result.habitat[name] == where))
                worst = max(worst, abs(area - line[column]))
        self.say(worst < 1e-6, f"limiting_factor table, {name}: areas differ by at most {worst:.3g} ha")

    def weights(self, model):
        """Compares the table of weights."""
        rows = pd.read_csv(os.path.join(self.folder, "tables", "weights.csv"), keep_default_na=False)
        expected = []
        total = sum(model.weights)
        for (name, requisite), weight in zip(model.requisites.items(), model.weights):
            expected.append((name, "", weight / total))
            own = [v.get("weight", 1.0) for v in requisite["variables"]]
            if "pairwise" in requisite:
                own = pairwise_weights(requisite["pairwise"], True)
            names = [v["name"] for v in requisite["variables"]]
            expected += [(name, v, w / sum(own)) for v, w in zip(names, own)]
        same = [(r, v) for r, v, _ in expected] == list(zip(rows["requisite"], rows["variable"]))
        apart = max(abs(w - x) for (_, _, w), x in zip(expected, rows["weight"])) if same else np.inf
        self.say(apart < 1e-9, f"weights: {len(rows)} rows, largest difference {apart:.3g}")

    def table(self, name, expected):
        """Compares a table by its key columns."""
        path = os.path.join(self.folder, "tables", name + ".csv")
        if not os.path.exists(path):
            self.say(False, f"{name}: no file {path}")
            return
        text_columns = dict.fromkeys(TEXT, str)
        found = pd.read_csv(path, dtype=text_columns, keep_default_na=False, na_values={
            c: [""] for c in expected.columns if c not in TEXT
        })  # fmt: skip
        absent = [c for c in expected.columns if c not in found.columns]
        if absent:
            self.say(False, f"{name}: no column {', '.join(absent)}")
            return
        keys = KEYS.get(name, ["scenario", "code"])
        here = expected.astype({c: str for c in expected.columns if c in TEXT})
        here = here.set_index(keys)
        found = found.set_index(keys)
        if name in OPTIONAL_ROWS and "baseline" not in found.index.get_level_values(0):
            here = here[here.index.get_level_values(0) != "baseline"]
        if list(here.index) != list(found.index):
            extra = [i for i in found.index if i not in here.index]
            lacking = [i for i in here.index if i not in found.index]
            order = "" if extra or lacking else ", same rows in another order"
            self.say(False, f"{name}: rows only in the run {extra[:5]}, only here {lacking[:5]}{order}")
            return
        worst, faults = 0.0, []
        for column in here.columns:
            for key, a, b in zip(here.index, here[column], found[column]):
                if column in TEXT:
                    if str(a).lower() != str(b).lower():
                        faults.append(f"{key} {column}: run {b}, here {a}")
                elif np.isnan(a) != np.isnan(b):
                    # The mean size of no patch may be written as nothing or as 0.
                    if not (column == "mean_patch_ha" and np.isnan(a) and b == 0):
                        faults.append(f"{key} {column}: run {b}, here {a}")
                elif not np.isnan(a):
                    relative = abs(a - b) / max(abs(a), abs(b), FLOOR.get(name, 1e-3))
                    worst = max(worst, relative)
                    if relative > TABLE_TOLERANCE:
                        faults.append(f"{key} {column}: run {b}, here {a}")
        text = f"{name}: {len(here)} rows, largest relative difference {worst:.3g}"
        if faults:
            text += f", {len(faults)} values differ: " + "; ".join(faults[:5])
        self.say(not faults, text)


    def paths(self, name, connection, grid):
        """Compares the lines of a scenario: which pairs, their costs, and the cost of each course itself."""
        path = os.path.join(self.folder, "vectors", "patches.gpkg")
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
            rows = base.execute(
                f'select from_patch, to_patch, cost_m, length_m, geom from "paths_{name}"'
            ).fetchall()
        must, may = connection.lines()
        found, faults = {row[:2] for row in rows}, []
        if len(found) != len(rows) or not must <= found <= may:
            faults.append(f"lacking {sorted(must - found)[:5]}, too many {sorted(found - may)[:5]}")
        for one, other, cost, length, blob in rows:
            points = np.array(geopackage_geometry(blob)["coordinates"])
            cells = cells_along(grid, points)
            ends = [connection.patches[tuple(cell)] for cell in (cells[0], cells[-1])]
            own = connection.cost_of(cells)
            along = np.hypot(*np.diff(points, axis=0).T).sum()
            expected = connection.cost[one - 1, other - 1]
            if ends != [one, other] or max(abs(own - expected), abs(cost - expected)) > 1e-6 * expected:
                faults.append(f"{one} to {other}: cost {cost}, course {own}, here {expected}")
            if abs(along - length) > 1e-6 * length:
                faults.append(f"{one} to {other}: length {length}, course {along}")
        text = f"paths_{name}: {len(rows)} rows"
        self.say(not faults, text + "".join("; " + fault for fault in faults[:5]))


def cells_along(grid, points):
    """Rows and columns of every cell of a line from centre to centre, in its order."""
    col = (points[:, 0] - grid.x()[0]) / grid.cell
    row = (grid.y()[0] - points[:, 1]) / grid.cell
    turns = np.rint(np.column_stack([row, col])).astype(int)
    cells = [turns[:1]]
    for a, b in zip(turns[:-1], turns[1:]):
        steps = np.abs(b - a).max()
        cells.append(a + np.outer(np.arange(1, steps + 1), np.sign(b - a)))
    return np.vstack(cells)


def take_run_side_of_ties(result, suitability, codes):
    """Where a suitability lies on the threshold, or a drop on 0.1, within the tolerance, 32-bit
    rounding decides; there the run's decision is taken over, so that tables can be compared.

    Returns cells per scenario that were decided otherwise here.
    """
    taken = {name: 0 for name in result.names}

    def adopt(name, ours, marginal, theirs):
        taken[name] += int(np.sum(marginal & (ours != theirs)))
        ours[marginal] = theirs[marginal]

    for name in result.names:
        if name in codes:
            theirs = np.isin(codes[name], (KEPT, DEGRADED, GAINED))
        elif name == "baseline" and codes:
            theirs = np.isin(next(iter(codes.values())), (KEPT, DEGRADED, LOST))
        elif name in suitability:
            theirs = suitability[name] >= result.threshold
        else:
            continue
        gap = np.abs(result.suitability[name].astype(float) - float(result.threshold))
        adopt(name, result.habitat[name], result.compared & (gap < RASTER_TOLERANCE), theirs)
    for name in codes:
        both = result.habitat["baseline"] & result.habitat[name]
        result.degraded[name] = both & (result.drop[name] >= DEGRADED_BY)
        tie = both & (np.abs(result.drop[name] - DEGRADED_BY) < RASTER_TOLERANCE)
        adopt(name, result.degraded[name], tie, codes[name] == DEGRADED)
    return taken


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("study")
    parser.add_argument("run_folder")
    arguments = parser.parse_args()
    result = Result(arguments.study)
    grid, check = result.study.grid, Comparison(arguments.run_folder)
    suitability, codes = {}, {}
    for name, expected in result.rasters().items():
        if name.startswith("change_"):
            found = check.read(name, grid)
            if found is not None:
                codes[name.removeprefix("change_")] = found
        elif name in BANDS:
            check.raster(name, expected, grid, *BANDS[name])
        elif name.startswith("hydroperiod_sd_"):
            check.raster(name, expected, grid, name.replace("_sd_", "_", 1), 2)
        else:
            found = check.raster(name, expected, grid)
            if found is not None and name.startswith("suitability_"):
                suitability[name.removeprefix("suitability_")] = found
    for name, count in take_run_side_of_ties(result, suitability, codes).items():
        if count:
            print(f"note  {name}: {count} cells on the threshold or on a drop of 0.1, run's side taken")
    for name, found in codes.items():
        expected = result.change(name)
        differ = found != expected
        text = f"change_{name}: {int(differ.sum())} of {differ.size} cells differ"
        if differ.any():
            row, col = np.argwhere(differ)[0]
            text += f"; first at row {row}, column {col}: run {found[row, col]:g}, here {expected[row, col]}"
        check.say(not differ.any(), text)
    for name, expected in result.tables().items():
        check.table(name, expected)
    for name, connection in result.connection.items():
        check.paths(name, connection, grid)
    costs.compare(check, result)
    for name in result.names:
        check.years(name, result.drawn[name], grid, name != "baseline" and result.follows_depth)
        check.limits(name, result, grid)
    check.weights(result.model)
    sys.exit(1 if check.failed else 0)


if __name__ == "__main__":
    try:
        main()
    except (StudyError, KeyError, OSError, ValueError, RasterioError) as problem:
        print(f"error: {problem!r}", file=sys.stderr)
        sys.exit(2)
