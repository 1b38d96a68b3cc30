"""Holds what a run says of records against this reference: which rows are used, and how suitability does at them, with
scikit-learn, scipy and numpy.

    python records.py STUDY.toml RUN_FOLDER

takes the maps of suitability and hydroperiod from the run (hydroperiod beyond the study area, where a run leaves no map, is
recomputed), everything else (records, layers, draws) from the study. Prints a line per thing compared; exit code 1 when
something differs, 2 when it could not be compared, else 0.
"""

import argparse
import math
import os
import sys

import numpy as np
import pandas as pd
import rasterio
from sklearn.metrics import confusion_matrix

import water
from accuracy import auc, best_threshold, boyce, hanley_mcneil, skill
from climate import Climates
from inputs import Study, StudyError
from record_rows import Records
from response import Response, split_mix
from suitability import Model, combine, pairwise_weights, score
from years import Years

TOLERANCE = 1e-9
FEW, FOLDS, DRAWS, PERMUTATIONS = 20, 5, 1000, 10
LEAST_BLOCK, BACKGROUND = 10, 10_000
# What sets one draw apart from another, in ASCII: back, fold, thre, boyc, perm.
BACK, FOLD, THRE, BOYC, PERM = 0x6261636B, 0x666F6C64, 0x74687265, 0x626F7963, 0x7065726D


def hash64(seed, a, b):
    """A number of 64 bits for (seed, a, b)."""
    state = split_mix(np.atleast_1d(np.asarray(seed, np.uint64)))
    return split_mix(split_mix(state ^ np.asarray(a, np.uint64)) ^ np.asarray(b, np.uint64))


def unit(bits):
    """The upper 53 bits as a number in [0, 1)."""
    return (bits >> np.uint64(11)).astype(float) / 2.0**53


# ---------------------------------------------------------------- draws


class Drawn:
    """Cells (n, 2) and scores of presences, absences and background of a map of suitability, and the folds."""

    def __init__(self, study, records, suitability, block_cells):
        self.seed = study.text["study"].get("seed", 1)
        section = records.section
        assessed = study.inside & ~np.isnan(suitability)
        cells = {s: [(r[2], r[3]) for r in records.kept if r[1] == s] for s in ("present", "absent")}
        self.not_assessed = [r[0] for r in records.kept if not assessed[r[2], r[3]]]
        keep = {s: [c for c in cells[s] if assessed[c]] for s in cells}
        self.presences, self.absences = (
            np.array(keep[s], int).reshape(-1, 2) for s in ("present", "absent")
        )
        effort = np.ones(assessed.shape)
        if "effort_layer" in section:
            effort = np.float32(study.layer(section["effort_layer"])).astype(float)
        rows, cols = np.nonzero(assessed & (np.nan_to_num(effort) > 0))
        u = unit(hash64(self.seed ^ BACK, rows, cols))
        key = -np.log1p(-u) / effort[rows, cols]
        first = np.sort(np.argsort(key, kind="stable")[: section.get("background", BACKGROUND)])
        self.background = np.column_stack([rows[first], cols[first]])
        # as they are stored
        self.p, self.b, self.a = (
            suitability[c[:, 0], c[:, 1]].astype(np.float32).astype(float)
            for c in (self.presences, self.background, self.absences)
        )
        self.part(block_cells)

    def part(self, block):
        """Folds of squares, for studies with records in five squares or more."""
        squares = [tuple(c) for c in self.presences // block]
        held = sorted(set(squares))
        self.groups = [[i for i, s in enumerate(squares) if s == h] for h in held]
        if len(held) < FOLDS:
            self.folds, self.groups = None, [[i] for i in range(len(squares))]
            return
        order = sorted(range(len(held)), key=lambda i: (-len(self.groups[i]), held[i]))
        filled, fold_of = [0] * FOLDS, {}
        for i in order:
            least = int(np.argmin(filled))
            filled[least] += len(self.groups[i])
            fold_of[held[i]] = least

        def fold(cell):
            square = tuple(int(v) for v in cell // block)
            if square in fold_of:
                return fold_of[square]
            return int(unit(hash64(self.seed ^ FOLD, *square))[0] * FOLDS)

        self.folds = tuple(
            np.array([fold(c) for c in cells]) for cells in (self.presences, self.background)
        )

    def ranges(self, purpose, statistic):
        """5th and 95th percentile of a statistic over draws of groups of presences."""
        values, n = [], len(self.groups)
        for draw in range(DRAWS):
            picks = (unit(hash64(self.seed ^ purpose, draw, np.arange(n))) * n).astype(int)
            value = statistic(self.p[np.concatenate([self.groups[i] for i in picks])])
            if value is not None:
                values.append(value)
        return np.quantile(values, [0.05, 0.95])


# ---------------------------------------------------------------- measures


class Measures:
    """What every variable measures in the baseline and its scores, (rows, columns), in the order of the study."""

    def __init__(self, study, hydroperiod, years):
        self.model = Model(study)
        depth = study.role("depth")
        depth = study.layer(depth) if depth else None
        self.study, self.variables, self.values, self.scores = study, [], [], []
        for name, requisite in study.text["requisites"].items():
            for variable in requisite["variables"]:
                if variable["name"] in years:
                    values, scores = years[variable["name"]]
                else:
                    values = self.model.measure(variable, hydroperiod, depth, None, {}, {})
                    scores = None
                self.variables.append((name, variable))
                # layers and measures are held in 32 bits
                self.values.append(np.float32(values).astype(float))
                legend = study.legend(variable["layer"]) if "layer" in variable else {}
                own = score(variable["curve"], self.values[-1], legend)
                self.scores.append(own if scores is None else scores)
        self.model.suitability(hydroperiod, depth, years=years)
        self.nearness = self.model.parts[3]

    def reach(self):
        """Cells the farthest variable looks."""
        limits = [v.get(k, 0.0) for _, v in self.variables for k in ("limit_m", "radius_m")]
        return max(1, math.ceil(max(limits) / self.study.grid.cell))

    def at(self, cells):
        """Values at cells, one array per variable."""
        return [v[cells[:, 0], cells[:, 1]] for v in self.values]

    def suitability(self, scores, cells):
        """Suitability of cells if their variables had these scores; what they are near to stays."""
        by_requisite, assessed = {}, np.ones(len(cells), bool)
        rows, cols = cells.T
        for (name, variable), s in zip(self.variables, scores):
            missing = variable.get("if_missing", "not assessed")
            if missing == "not assessed":
                assessed &= ~np.isnan(s)
            elif missing != "omit":
                s = np.where(np.isnan(s), float(missing), s)
            by_requisite.setdefault(name, []).append((variable, s))
        combined = []
        for name, parts in by_requisite.items():
            section = self.study.text["requisites"][name]
            if "pairwise" in section:
                weights = pairwise_weights(section["pairwise"], section.get("accept_inconsistent", False))
            else:
                weights = [v.get("weight", 1.0) for v, _ in parts]
            own = combine(section["combine"], [s[None, :] for _, s in parts], weights)[0]
            near = self.nearness[name]
            combined.append(own if near is None else own * near[rows, cols])
        by_weight = [c[None, :] for c in combined]
        out = combine(self.model.rule["combine"], by_weight, self.model.weights)[0]
        out = np.where(self.model.barrier[rows, cols], 0.0, out)
        return np.where(assessed, out, np.nan).astype(np.float32)


def outside(values, records):
    """How far values lie beyond their range at records, as a share of it; classes: 1 where none of the records is."""
    low, high = np.nanmin(records), np.nanmax(records)
    beyond = np.maximum(low - values, values - high)
    out = np.where(beyond > 0, beyond / (high - low) if high > low else 1.0, 0.0)
    return np.where(np.isnan(values), np.nan, out)


# ---------------------------------------------------------------- comparison


class Check:
    """Collects findings."""

    def __init__(self):
        self.failed = False

    def say(self, ok, text):
        """One line."""
        self.failed |= not bool(ok)
        print(("ok    " if ok else "DIFFER ") + text)

    def near(self, what, found, expected, tolerance=TOLERANCE):
        """Compares numbers; missing must be missing in both."""
        found = np.array(found, float).ravel()
        expected = np.array([np.nan if e is None else e for e in np.ravel(expected)], float)
        same = found.shape == expected.shape and (np.isnan(found) == np.isnan(expected)).all()
        off = np.nanmax(np.abs(found - expected), initial=0.0) if same else np.inf
        self.say(off <= tolerance, f"{what}: {len(expected)} values, largest difference {off:.3g}")


def run_raster(run, name, band=1):
    """A raster of the run, NaN for no data."""
    with rasterio.open(os.path.join(run, "rasters", name + ".tif")) as source:
        return source.read(band).astype(float)


def run_table(run, name):
    """A table of the run."""
    return pd.read_csv(os.path.join(run, "tables", name + ".csv"))


def prepare(study, run):
    """Records, measures and draws of a study, from maps of a run."""
    records = Records(study)
    history = water.read_history(study)
    measured = water.measure(study, history)
    climates = Climates(study) if "climate" in study.text else None
    response = Response(study, climates, history, measured)
    everywhere = response.scenario({}, None)[0]
    drawn = Years(study, climates, history, response).drawn({})
    hydroperiod = np.where(study.inside, run_raster(run, "hydroperiod_baseline"), everywhere)
    measures = Measures(study, hydroperiod, drawn)
    block = records.section.get("block_m")
    cells = max(measures.reach(), LEAST_BLOCK) if block is None else max(1, round(block / study.grid.cell))
    return records, measures, Drawn(study, records, run_raster(run, "suitability_baseline"), cells)


def check_rows(check, run, records, drawn):
    """Which rows are used."""
    aside = sorted(records.aside + [(line, "cell not assessed") for line in drawn.not_assessed])
    table = run_table(run, "records_set_aside")
    check.say(aside == list(zip(table["line"], table["reason"])), f"records_set_aside: {len(aside)} rows")
    kept = [r for r in records.kept if r[0] not in drawn.not_assessed]
    table = run_table(run, "records")
    same = [(r[0], r[1]) for r in kept] == list(zip(table["line"], table["status"]))
    check.say(same, f"records: {len(kept)} rows")
    check.say(len(kept) + len(aside) == records.rows, f"every one of {records.rows} rows is accounted for")
    if same:
        check.near("places of records", table[["x", "y"]], [r[5:7] for r in kept], 1e-3)
        check.near("their uncertainty", table["uncertainty_m"], [r[4] for r in kept])
        present = table[table["status"] == "present"]
        check.near("their suitability", present["suitability"], drawn.p)
        if drawn.folds:
            check.near("their folds", present["fold"], drawn.folds[0] + 1)


def check_validation(check, run, study, drawn, used):
    """Accuracy by fold, all together and against absences."""
    table = run_table(run, "validation").set_index("part")
    p, b = drawn.p, drawn.b
    hits, parts = np.zeros(4), 0
    for fold in range(FOLDS) if drawn.folds else []:
        test_p, test_b = (f == fold for f in drawn.folds)
        row, threshold = table.loc[f"fold {fold + 1}"], best_threshold(p[~test_p], b[~test_b])
        tp, tb = p[test_p], b[test_b]
        expected = [len(tp), len(tb), auc(tp, tb), hanley_mcneil(tp, tb), boyce(tp, tb)[0], threshold]
        expected += [*skill(threshold, tp, tb), np.mean(tp >= np.quantile(p[~test_p], 0.1))]
        columns = ["records", "others", "auc", "auc_standard_error", "boyce_index", "threshold"]
        columns += ["sensitivity", "specificity", "true_skill", "kappa", "reached_tenth_percentile"]
        check.near(f"validation fold {fold + 1}", row[columns], expected)
        said = np.concatenate([tp, tb]) >= threshold
        truth = np.repeat([1, 0], [len(tp), len(tb)])
        hits += confusion_matrix(truth, said.astype(int), labels=[0, 1]).ravel()
        parts += 1
    row = table.loc["all"]
    enough = len(p) >= FEW
    expected = [len(p), len(b), auc(p, b) if enough else None, hanley_mcneil(p, b) if enough else None]
    check.near("validation all", row[["records", "others", "auc", "auc_standard_error"]], expected)
    check.near("boyce index", row["boyce_index"], boyce(p, b)[0])
    low, high = drawn.ranges(BOYC, lambda drawn_p: boyce(drawn_p, b)[0])
    check.near("boyce range", row[["boyce_low", "boyce_high"]], [low, high])
    if parts:
        reject, false, miss, hit = hits
        check.near("sensitivity, specificity of all folds", row[["sensitivity", "specificity"]],
                   [hit / (hit + miss), reject / (reject + false)])  # fmt: skip
    if len(drawn.a) >= 5:
        row, threshold = table.loc["against absences"], np.float32(used)
        columns = ["others", "auc", "sensitivity", "specificity", "true_skill", "kappa"]
        expected = [len(drawn.a), auc(p, drawn.a), *skill(threshold, p, drawn.a)]
        check.near("validation against absences", row[columns], expected)
    curve = run_table(run, "boyce_curve")
    check.near("boyce_curve", curve[["suitability", "records", "background", "ratio"]], boyce(p, b)[1])


def thresholds(drawn):
    """Thresholds by rule: (value, low, high)."""
    p, b = drawn.p, drawn.b

    def tenth(scores):
        return np.quantile(scores, 0.1)

    found = {"tenth percentile of records": (tenth(p), *drawn.ranges(THRE, tenth))}
    if len(p) >= FEW:
        # fast, and the same as best_threshold, which checks it below
        background = np.sort(b)

        def best(scores):
            at, n = np.unique(scores, return_counts=True)
            reached = n[::-1].cumsum()[::-1]
            total = reached * len(b) + np.searchsorted(background, at, "left") * len(scores)
            return at[np.argmax(total)]

        assert best(p) == best_threshold(p, b)
        found["max sensitivity and specificity"] = (best(p), *drawn.ranges(THRE, best))
    return found


def by_rule(study, suitability, rule):
    """The threshold that the records of a study give a map of suitability."""
    drawn = Drawn(study, Records(study), suitability, LEAST_BLOCK)
    found = np.quantile(drawn.p, 0.1) if rule.startswith("tenth") else best_threshold(drawn.p, drawn.b)
    return float(found)


def check_thresholds(check, run, study, drawn):
    """The table of thresholds; gives the one used."""
    table = run_table(run, "thresholds").set_index("rule")
    for rule, expected in thresholds(drawn).items():
        row = table.loc[rule]
        check.near(f"threshold, {rule}", row[["threshold", "low", "high"]], expected)
        said = row[["sensitivity", "specificity", "true_skill", "kappa"]]
        check.near(f"its accuracy, {rule}", said, skill(np.float32(expected[0]), drawn.p, drawn.b))
    used = table[table["used"] == "yes"]
    written = study.text["suitability"]["threshold"]
    name = written if isinstance(written, str) else "set in the study"
    check.say(list(used.index) == [name], f"the threshold used is the one {name}")
    return float(used["threshold"].iloc[0])


def check_importance(check, run, measures, drawn):
    """Shuffles every variable as the run does."""
    cells = np.vstack([drawn.presences, drawn.background])
    values, n = [s[cells[:, 0], cells[:, 1]] for s in measures.scores], len(drawn.p)
    whole = auc(drawn.p, drawn.b)
    table, expected = run_table(run, "variable_importance"), []
    for variable in range(len(values)):
        areas = []
        for turn in range(PERMUTATIONS):
            stream = hash64(drawn.seed ^ PERM, variable, turn)
            order = np.argsort(hash64(stream, np.arange(len(cells)), 0), kind="stable")
            shuffled = [*values[:variable], values[variable][order], *values[variable + 1 :]]
            scores = measures.suitability(shuffled, cells).astype(float)
            areas.append(auc(scores[:n], scores[n:]))
        expected.append([np.mean(areas), whole - np.mean(areas), np.std(areas, ddof=1)])
    # suitability is recomputed here: its last bit decides ties
    check.near("variable_importance", table[["auc_shuffled", "fall", "fall_sd"]], expected, 1e-5)


def check_novelty(check, run, study, measures, drawn):
    """Novelty of the baseline."""
    layers = []
    for (_, variable), values in zip(measures.variables, measures.values):
        at = values[drawn.presences[:, 0], drawn.presences[:, 1]]
        if variable["measure"] == "class":
            new = np.where(np.isin(values, at), 0.0, 1.0)
            layers.append(np.where(np.isnan(values), np.nan, new))
        else:
            layers.append(outside(values, at))
    layers = np.where(study.inside, np.array(layers), np.nan)
    largest = np.nanmax(np.where(np.isnan(layers), -1.0, layers), axis=0)
    largest = np.where(largest < 0, np.nan, largest)
    found = run_raster(run, "novelty_baseline")
    check.near("novelty_baseline", found, largest, 1e-4)
    compared = ~np.isnan(run_raster(run, "suitability_baseline"))
    for change in [f for f in os.listdir(os.path.join(run, "rasters")) if f.startswith("change_") and f.endswith(".tif")]:
        compared &= run_raster(run, change.removesuffix(".tif")) != 255
    areas = study.grid.cell_areas_ha()[:, None] * compared
    table = run_table(run, "novelty")
    table = table[table["scenario"] == "baseline"]
    expected = [float(areas[largest > 0].sum()), *(float(areas[layer > 0].sum()) for layer in layers)]
    check.near("novelty, areas of the baseline", table["outside_ha"], expected, 1e-6)


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("study")
    parser.add_argument("run")
    arguments = parser.parse_args()
    study, run, check = Study(arguments.study), arguments.run, Check()
    records, measures, drawn = prepare(study, run)
    check_rows(check, run, records, drawn)
    used = check_thresholds(check, run, study, drawn)
    check_validation(check, run, study, drawn, used)
    if len(drawn.p) >= FEW:
        check_importance(check, run, measures, drawn)
    check_novelty(check, run, study, measures, drawn)
    sys.exit(1 if check.failed else 0)


if __name__ == "__main__":
    try:
        main()
    except (StudyError, KeyError, OSError, ValueError) as problem:
        print(f"error: {problem!r}", file=sys.stderr)
        sys.exit(2)
