"""Holds a calibration against this reference: the same penalised point process fitted by scipy, its curves, and the maps.

    python calibration.py STUDY.toml RUN_FOLDER CALIBRATION_FOLDER

RUN_FOLDER holds a run of the same study. Prints a line per thing compared; exit code 1 when something differs.
"""

import argparse
import os
import sys
import tomllib

import numpy as np
import pandas as pd
import rasterio
from scipy.optimize import minimize
from scipy.stats import spearmanr

from accuracy import auc, skill
from inputs import Study, StudyError
from records import Check, prepare
from suitability import score

LEAST = 1e-4


def raw(term, x, low, high, at):
    """A term before centring."""
    u = (np.clip(x, low, high) - low) / (high - low)
    if term == "linear":
        return u
    if term == "quadratic":
        return u**2
    k = (at - low) / (high - low)
    return np.maximum(0, u - k) / (1 - k)


class Terms:
    """Rows of terms of places, made from a table of coefficients."""

    def __init__(self, table, names):
        self.table, self.names = table[table["term"] != "intercept"], names

    def raw(self, values):
        """Terms before centring, (places, terms)."""
        columns = []
        for row in self.table.itertuples():
            x = values[self.names.index(row.variable)]
            if row.term.startswith("class"):
                columns.append((x == row.at).astype(float))
            else:
                columns.append(raw(row.term, x, row.low, row.high, row.at))
        return np.column_stack(columns)

    def rows(self, values):
        """Terms as fitted."""
        return (self.raw(values) - self.table["mean"].values) / self.table["spread"].values


def fit(p, b, penalty):
    """Intercept and coefficients of the penalised point process, and the covariance, by scipy."""
    x = np.column_stack([np.ones(len(b)), b])
    sums = np.concatenate([[len(p)], p.sum(axis=0)])
    ridge = np.concatenate([[0.0], np.full(b.shape[1], penalty)])

    def value(beta):
        return np.exp(x @ beta).mean() - sums @ beta + 0.5 * ridge @ beta**2

    def slope(beta):
        return x.T @ np.exp(x @ beta) / len(x) - sums + ridge * beta

    def bend(beta):
        return (x * np.exp(x @ beta)[:, None]).T @ x / len(x) + np.diag(ridge)

    start = np.zeros(x.shape[1])
    start[0] = np.log(len(p))
    found = minimize(value, start, jac=slope, hess=bend, method="trust-exact", options={"gtol": 1e-9})
    beta = found.x
    for _ in range(3):  # the last digits, by plain Newton steps
        beta = beta - np.linalg.solve(bend(beta), slope(beta))
    assert np.abs(slope(beta)).max() < 1e-7, np.abs(slope(beta)).max()
    return beta, np.linalg.inv(bend(beta))


def gain(beta, p, b):
    """Sum over presences of ln(density / mean density of the ground)."""
    return np.sum(p @ beta[1:] - np.log(np.mean(np.exp(b @ beta[1:]))))


def knots(presences, low, high):
    """Where hinges begin: quartiles of the presences and thirds of the range, a fiftieth of the range apart."""
    span, out = high - low, []
    for knot in sorted([*np.quantile(presences, [0.25, 0.5, 0.75]), low + span / 3, low + 2 * span / 3]):
        if min(knot - low, high - knot, knot - out[-1] if out else span) >= span / 50:
            out.append(knot)
    return out


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("study")
    parser.add_argument("run")
    parser.add_argument("calibration")
    arguments = parser.parse_args()
    study, check = Study(arguments.study), Check()
    _, measures, drawn = prepare(study, arguments.run)
    folder = arguments.calibration

    def table(name):
        return pd.read_csv(os.path.join(folder, "tables", name + ".csv"))

    names = [v["name"] for _, v in measures.variables]
    at_p, at_b = measures.at(drawn.presences), measures.at(drawn.background)
    coefficients = table("coefficients")
    terms = Terms(coefficients, names)
    ground = terms.raw(at_b)
    check.near("means of terms", terms.table["mean"], ground.mean(axis=0), 1e-12)
    check.near("spreads of terms", terms.table["spread"], ground.std(axis=0), 1e-12)
    for name in dict.fromkeys(terms.table["variable"]):
        own = terms.table[(terms.table["variable"] == name) & (terms.table["term"] == "hinge")]
        values = at_p[names.index(name)]
        both = np.concatenate([values, at_b[names.index(name)]])
        if len(own):
            check.near(f"hinges of {name}", own["at"], knots(values, both.min(), both.max()))

    p, b = terms.rows(at_p), terms.rows(at_b)
    penalties = table("penalties")
    used = float(penalties.loc[penalties["used"] == "yes", "penalty"].iloc[0])
    check.say(used == penalties.loc[penalties["gain"].idxmax(), "penalty"], f"penalty {used} gains most")
    beta, covariance = fit(p, b, used)
    check.near("coefficients", coefficients["coefficient"], beta, 1e-6)
    check.near("standard errors", coefficients["standard_error"], np.sqrt(np.diag(covariance)), 1e-6)

    cross = table("cross_validation").set_index(["model", "part"])
    fold_p, fold_b = drawn.folds
    gains = dict.fromkeys((used, penalties["penalty"].max(), penalties["penalty"].min()), 0.0)
    for fold in range(5):
        inside_p, inside_b = fold_p == fold, fold_b == fold
        for penalty in gains:
            found, _ = fit(p[~inside_p], b[~inside_b], penalty)
            gains[penalty] += gain(found, p[inside_p], b[inside_b])
            if penalty == used:
                # equal places must stay ties, whatever the last bits of a product
                own = auc(*(np.round(x @ found[1:], 9) for x in (p[inside_p], b[inside_b])))
                row = cross.loc[("fitted", f"fold {fold + 1}")]
                check.near(f"AUC of fold {fold + 1}, fitted", row["auc"], own, 1e-9)
        row = cross.loc[("study", f"fold {fold + 1}")]
        said = skill(row["threshold"], drawn.p[inside_p], drawn.b[inside_b])
        check.near(f"fold {fold + 1}, study", row[["sensitivity", "specificity", "true_skill"]], said[:3])
        check.near(f"AUC of fold {fold + 1}, study", row["auc"], auc(drawn.p[inside_p], drawn.b[inside_b]))
    for penalty, total in gains.items():
        found = penalties.loc[penalties["penalty"] == penalty, "gain"]
        check.near(f"gain under penalty {penalty}", found, total / len(p), 1e-7)

    curves, tops = table("curves"), {}
    for name, own in curves.groupby("variable", sort=False):
        columns = np.flatnonzero(terms.table["variable"].values == name)
        values = [own["value"].values] * len(names)
        rows = terms.rows(values)[:, columns]
        response = rows @ beta[1:][columns]
        part = covariance[1:, 1:][np.ix_(columns, columns)]
        error = np.sqrt(np.einsum("ij,jk,ik->i", rows, part, rows))
        check.near(f"response to {name}", own["response"], response, 1e-6)
        check.near(f"its standard error, {name}", own["standard_error"], error, 1e-6)
        tops[name] = response.max()
        check.near(f"its score, {name}", own["score"], np.exp(response - tops[name]), 1e-6)
        meant = np.maximum(np.exp(response - tops[name]), LEAST)
        off = np.abs(own["score_in_fragment"] - meant) / np.maximum(meant, 0.01)
        check.say(off.max() < 0.06, f"the fragment keeps within {100 * off.max():.1f} % of {name}")

    with open(os.path.join(folder, "fragment.toml"), "rb") as file:
        fragment = tomllib.load(file)
    log, everywhere = np.zeros(study.grid.shape), measures.values
    variables = fragment["requisites"]["fitted"]["variables"]
    for variable in variables:
        s = score(variable["curve"], everywhere[names.index(variable["name"])], {})
        log += np.log(s)
    own = np.where(study.inside, np.exp(log / len(variables)), np.nan)
    own = np.where(measures.model.barrier & study.inside & ~np.isnan(own), 0.0, own)
    with rasterio.open(os.path.join(folder, "rasters", "suitability_fitted.tif")) as source:
        fitted = source.read(1).astype(float)
    with rasterio.open(os.path.join(folder, "rasters", "suitability_expert.tif")) as source:
        expert = source.read(1).astype(float)
    check.near("suitability_fitted by the fragment", fitted, own, 1e-6)
    with rasterio.open(os.path.join(arguments.run, "rasters", "suitability_baseline.tif")) as source:
        check.near("suitability_expert is the run's", expert, source.read(1).astype(float), 0.0)
    both = ~np.isnan(fitted) & ~np.isnan(expert)
    ranks = spearmanr(np.round(expert[both] * 1000), np.round(fitted[both] * 1000)).statistic
    compared = table("comparison").set_index("what")["value"]
    check.near("rank correlation", compared["rank correlation of suitability"], ranks, 1e-4)
    here = expert >= np.float32(compared["threshold of the study"])
    there = fitted >= np.float32(compared["threshold of the fit"])
    area = study.grid.cell_areas_ha()[:, None] * both
    for what, where in [("both", here & there), ("the study only", here & ~there),
                        ("the fit only", ~here & there), ("neither", ~here & ~there)]:  # fmt: skip
        check.near(f"habitat by {what}", compared[f"habitat by {what}"], area[where].sum(), 1e-6)
    sys.exit(1 if check.failed else 0)


if __name__ == "__main__":
    try:
        main()
    except (StudyError, KeyError, OSError, ValueError, AssertionError) as problem:
        print(f"error: {problem!r}", file=sys.stderr)
        sys.exit(2)
