"""Members of uncertainty: a study whose curves, weights, threshold, response of water and numbers of scenarios are drawn
anew, after docs/methods.md. Computes single members of a study already computed, and compares them with the table of a run.

    python members.py STUDY.toml RUN MEMBERS

MEMBERS is how many of the first members are computed.
"""

import copy
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import gamma, norm

from compare import TABLE_TOLERANCE
from costs import found_patches
from inputs import Study
from records import hash64
from study import Result
from suitability import Model, pairwise_weights

SEED, COLUMN_SEED = 0x6D656D626572, 0x6C6174696E
WEIGHTED = ("arithmetic mean", "geometric mean")
DELTAS = ("precipitation", "temperature_c", "index_shift", "drawdown_percent")


def unit(bits):
    return (bits >> np.uint64(11)).astype(float) / 2.0**53


def hypercube(members, columns, seed):
    """(members, columns) Latin hypercube: in each column the parts by their hash, each with a place within."""
    out = np.empty((members, columns))
    parts = np.arange(members, dtype=np.uint64)
    for column in range(columns):
        own = hash64(seed, COLUMN_SEED, column)[0]
        order = np.argsort(hash64(own, 0, parts), kind="stable")
        place = unit(hash64(own, 1, parts)) + 0.5 / 2.0**53
        out[:, column] = (order + place[order]) / members
    return out


def triangular(low, high, u):
    """Quantile of a triangle with its peak at 0."""
    if low == high:
        return 0.0
    turn = -low / (high - low)
    if u <= turn:
        return low + np.sqrt((high - low) * -low * u)
    return high - np.sqrt((high - low) * high * (1 - u))


class Member:
    """Takes the numbers of a point in the order of the columns."""

    def __init__(self, study, point, groups):
        self.settings = {"curves": 0.1, "weights": 0.07, "threshold": 0.05, "response": True} | study.text["uncertainty"]
        # without a point numbers are only counted
        self.rest, self.taken = None if point is None else list(point), 0
        self.text = copy.deepcopy(study.text)
        if self.settings["curves"] > 0:
            for requisite in self.text["requisites"].values():
                for variable in requisite["variables"]:
                    legend = study.legend(variable["layer"]) if "legend" in variable["curve"] else {}
                    variable["curve"] = self.curve(variable["curve"], legend)
                if "curve" in requisite.get("near", {}):
                    requisite["near"]["curve"] = self.curve(requisite["near"]["curve"], {})
        if self.settings["weights"] > 0:
            self.weights()
        self.threshold = float(self.text["suitability"]["threshold"])
        if self.settings["threshold"] > 0:
            self.threshold += self.settings["threshold"] * (2 * self.take(1)[0] - 1)
        self.response = None
        if self.settings["response"]:
            self.response = norm.ppf(np.array(self.take(4 * groups))).reshape(groups, 4)
        self.scenarios = [self.scenario(s) for s in self.text.get("scenarios", [])]
        assert not self.rest, "all columns are used"

    def take(self, count):
        self.taken += count
        if self.rest is None:
            return [0.5] * count
        own, self.rest = self.rest[:count], self.rest[count:]
        return own

    def curve(self, curve, legend):
        """A curve with its break points moved."""
        by = self.settings["curves"]

        def moved(places, span):
            return sorted(x + by * span * (2 * u - 1) for x, u in zip(places, self.take(len(places))))

        if "points" in curve:
            at, to = zip(*curve["points"])
            return {"points": [list(p) for p in zip(moved(at, at[-1] - at[0]), to)]}
        if "trapezoid" in curve:
            corners = curve["trapezoid"]
            return {"trapezoid": moved(corners, corners[3] - corners[0])}
        if "gaussian" in curve:
            bell = curve["gaussian"]
            return {"gaussian": bell | {"best": moved([bell["best"]], 4 * bell["spread"])[0]}}
        if "logistic" in curve:
            rise = curve["logistic"]
            span = 2 * np.log(49) / abs(rise["steepness"])
            return {"logistic": rise | {"middle": moved([rise["middle"]], span)[0]}}
        if "classes" in curve:
            table = {int(code): float(value) for code, value in curve["classes"].items()}
        else:
            table = {c: float(r[curve["legend"]]) for c, r in legend.items() if r[curve["legend"]] != ""}
        out = {}
        for code, u in zip(sorted(table), self.take(len(table))):
            value = table[code]
            out[code] = value if value == 0 else min(max(value + by * (2 * u - 1), 0.0), 1.0)
        return {"classes": out}

    def weights(self):
        concentration = 0.25 / self.settings["weights"] ** 2 - 1

        def draw(weights):
            weights = np.array(weights, float) / np.sum(weights)
            drawn = gamma.ppf(np.array(self.take(len(weights))), concentration * weights)
            return list(drawn / drawn.sum())

        requisites = self.text["requisites"]
        for requisite in requisites.values():
            own = requisite["variables"]
            if requisite["combine"] in WEIGHTED and len(own) > 1:
                given = [v.get("weight", 1.0) for v in own]
                if "pairwise" in requisite:
                    given = pairwise_weights(requisite.pop("pairwise"), True)
                for variable, weight in zip(own, draw(given)):
                    variable["weight"] = float(weight)
        rule = self.text["suitability"]
        if rule["combine"] in WEIGHTED and len(requisites) > 1:
            given = [r.get("weight", 1.0) for r in requisites.values()]
            if "pairwise" in rule:
                order = rule.get("order", list(requisites))
                found = dict(zip(order, pairwise_weights(rule.pop("pairwise"), True)))
                given = [found[name] for name in requisites]
            for requisite, weight in zip(requisites.values(), draw(given)):
                requisite["weight"] = float(weight)

    def scenario(self, scenario):
        spread, out = scenario.get("spread", {}), dict(scenario)
        for name in DELTAS:
            low, high = spread.get(name, [0.0, 0.0])
            if low == high:
                continue
            off = triangular(low, high, self.take(1)[0])
            if name != "drawdown_percent":
                # 0 or one number or twelve; percent of rain no lower than -100
                months = np.broadcast_to(np.asarray(scenario.get(name, 0.0), float), 12) + off
                out[name] = [max(float(v), -100.0) if name == "precipitation" else float(v) for v in months]
            elif isinstance(scenario["drawdown_m"], dict):
                out["drawdown_m"] = {c: h * (1 + off / 100) for c, h in scenario["drawdown_m"].items()}
            else:
                out["drawdown_m"] = scenario["drawdown_m"] * (1 + off / 100)
        return out


def columns(study, groups):
    """Number of columns: what one member takes."""
    return Member(study, None, groups).taken


def groups_of(response):
    """Groups that have cells priors are learnt from, those without a code first."""
    return sorted(response.classes, key=lambda g: (np.isfinite(g), g))


def habitat(result, member, depth):
    """{case: habitat (rows, columns)} of a member."""
    study, response = copy.copy(result.study), result.response
    study.text = member.text
    model = Model(study)
    years = copy.copy(result.years)
    years.variables = [
        v for r in member.text["requisites"].values() for v in r["variables"]
        if v["name"] in {known["name"] for known in result.years.variables}
    ]  # fmt: skip
    given = response.beta
    if member.response is not None:
        codes = groups_of(response)
        beta = given.copy()
        for cell in np.flatnonzero(response.wet):
            spread = response.spread[cell]
            held = np.flatnonzero(np.diag(spread) > 0)
            if np.isnan(spread).any():
                continue
            root = np.zeros((4, 4))
            root[np.ix_(held, held)] = np.linalg.cholesky(spread[np.ix_(held, held)])
            place = codes.index(response.group[cell]) if response.group[cell] in codes else len(codes)
            place += response.group[cell] in response.level_groups  # all pools with a level have the last place
            beta[cell] += root.astype(np.float32).astype(float) @ member.response[place]
            beta[cell, 1] = max(beta[cell, 1], 0.0)
        response.beta = beta
    out = {}
    for name, scenario in zip(result.names, [{}] + member.scenarios):
        hydroperiod, _, new_depth = response.scenario(scenario, depth)
        drawn = years.drawn(scenario)
        diluted = result.dilution(result.in_pools(result.depth["baseline"]), result.in_pools(new_depth))
        suitability = model.suitability(
            hydroperiod, new_depth, scenario.get("land_cover"), drawn, scenario.get("water_quality"), diluted,
        )  # fmt: skip
        out[name] = result.compared & (suitability >= np.float32(member.threshold))
    response.beta = given
    return out


def main():
    study_path, run, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    result = Result(study_path)
    study, failed = result.study, False
    groups = len(groups_of(result.response)) + 1 + bool(result.response.levels)
    seed = np.uint64(study.text["study"].get("seed", 1)) ^ np.uint64(SEED)
    members = study.text["uncertainty"].get("members", 200)
    points = hypercube(members, columns(study, groups), seed)
    layer = study.role("depth")
    depth = study.layer(layer) if layer else None
    table = pd.read_csv(run / "tables" / "habitat_members.csv", dtype={"scenario": str})
    whole = count == members
    labels, patches = found_patches(result, result.habitat["baseline"]) if whole else (None, 0)
    left = {name: np.zeros((patches, count)) for name in result.names}
    for at in range(count):
        found = habitat(result, Member(study, points[at], groups), depth)
        for name in result.names:
            for patch in range(patches):
                left[name][patch, at] = result.area(found[name] & (labels == patch + 1))
            row = table[(table["scenario"] == name) & (table["member"] == at + 1)].iloc[0]
            before, after = found["baseline"], found[name]
            expected = {"habitat_ha": after, "lost_ha": before & ~after}
            for column, cells in expected.items():
                area = result.area(cells)
                off = abs(row[column] - area) / max(area, 1.0)
                failed |= not off <= TABLE_TOLERANCE
                print("ok   " if off <= TABLE_TOLERANCE else "FAIL ", f"member {at + 1}, {name}: {column} {row[column]} {area}")
    if whole:
        table = pd.read_csv(run / "tables" / "habitat_loss_by_patch.csv", dtype={"scenario": str})
        for name in result.names[1:]:
            rows = table[table["scenario"] == name].sort_values("patch")
            expected = dict(zip(("low_ha", "median_ha", "high_ha"), np.quantile(left[name], [0.05, 0.5, 0.95], axis=1)))
            half = left[name] >= 0.5 * rows["baseline_ha"].to_numpy()[:, None]
            expected["members_keeping_half"] = half.mean(axis=1)
            for column, values in expected.items():
                off = np.abs(rows[column].to_numpy() - values).max()
                failed |= not off <= TABLE_TOLERANCE
                print("ok   " if off <= TABLE_TOLERANCE else "FAIL ", f"patches, {name}: {column}, {len(rows)} rows, largest difference {off:.3g}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
