"""What is certain of a population: growth, stages, elasticities; groups, their room and drought years (docs/methods.md,
Population). The courses themselves are drawn, and have no counterpart here."""

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

import patches
from climate import replayed_years, runs, scenario_climate

DENSITIES = ("low", "best", "high")


def stay_and_grow(p, d):
    """Crouse, Crowder and Caswell (1987)."""
    if p == 1:
        return (d - 1) / d, 1 / d
    return (1 - p ** (d - 1)) / (1 - p**d) * p, p**d * (1 - p) / (1 - p**d)


def stages(section):
    """One dictionary of numbers for each stage."""
    out, last = [], len(section["stages"]) - 1
    for at, stage in enumerate(section["stages"]):
        if "survival" in stage:
            stay, grow = stay_and_grow(stage["survival"], stage["years"]) if "years" in stage else (stage["survival"], 0)
        else:
            stay, grow = stage.get("stay", 0.0), stage.get("grow", 0.0)
        out.append({
            "stage": stage["name"], "stay": stay, "grow": 0.0 if at == last else grow,
            "offspring": stage.get("offspring", 0.0), "moves": stage.get("moves", 0.0),
            "drought_survival": stage.get("drought_survival", 1.0),
            "drought_offspring": stage.get("drought_offspring", 1.0),
        })  # fmt: skip
    return out


def matrix(rows, drought):
    """n(t + 1) = A n(t)."""
    a = np.zeros((len(rows), len(rows)))
    for j, s in enumerate(rows):
        lives, bears = (s["drought_survival"], s["drought_offspring"]) if drought else (1.0, 1.0)
        a[0, j] += s["offspring"] * bears
        a[j, j] += s["stay"] * lives
        if j + 1 < len(rows):
            a[j + 1, j] += s["grow"] * lives
    return a


def growth(a):
    """(lambda, stable structure, reproductive values, elasticities, damping) by numpy.linalg.eig."""
    values, right = np.linalg.eig(a)
    at = np.argmax(values.real)
    other, left = np.linalg.eig(a.T)
    w, v = np.abs(right[:, at].real), np.abs(left[:, np.argmax(other.real)].real)
    w, v, lam = w / w.sum(), v / v[0], values[at].real
    sizes = np.sort(np.abs(values))
    return lam, w, v, np.outer(v, w) * a / lam / (v @ w), lam / sizes[-2]


class Populations:
    """Of a `study.Result`."""

    def __init__(self, result):
        self.result, self.section = result, result.study.text["population"]
        self.rows = stages(self.section)
        self.kinds = [("ordinary", False)]
        if any(s["drought_survival"] != 1 or s["drought_offspring"] != 1 for s in self.rows):
            self.kinds.append(("drought", True))
        rule = result.study.text.get("patches", {})
        found = {n: patches.find(result.habitat[n], rule, result.areas_ha) for n in result.names}
        self.labels = {n: labels for n, (labels, _) in found.items()}
        self.counts = {n: count for n, (_, count) in found.items()}

    def rates(self):
        """The tables population_growth, population_stages and population_elasticities."""
        heads, shares = [], []
        for kind, drought in self.kinds:
            a = matrix(self.rows, drought)
            lam, w, v, e, damping = growth(a)
            heads.append({"years": kind, "lambda": lam, "percent_per_year": 100 * (lam - 1), "damping": damping})
            if not drought:
                stable = [s | {"stable_share": x, "reproductive_value": y} for s, x, y in zip(self.rows, w, v)]
            for j, s in enumerate(self.rows):
                for rate, i in (("offspring", 0), ("stay", j), ("grow", j + 1)):
                    if i < len(a) and a[i, j] > 0 and not (rate == "offspring" and j == 0):
                        shares.append({"years": kind, "stage": s["stage"], "rate": rate, "value": a[i, j], "elasticity": e[i, j]})
        return {
            "population_growth": pd.DataFrame(heads),
            "population_stages": pd.DataFrame(stable),
            "population_elasticities": pd.DataFrame(shares),
        }

    def drought_share(self, scenario):
        """Share of the water years of a scenario whose mean index lies at the level or under; NaN without a climate."""
        result = self.result
        if result.climates is None:
            return np.nan
        climates = result.climates
        areas = np.where(result.study.inside, result.areas_ha[:, None], 0.0).ravel()
        changes, total, weight = scenario_climate(scenario), 0.0, 0.0
        for at, each in enumerate(climates.each):
            own = areas[climates.of_cell == at].sum() if len(climates.each) > 1 else 1.0
            index = each.table(*changes)[:, 1] if own > 0 else np.nan
            total = total + own * np.nan_to_num(index)
            weight = weight + own * ~np.isnan(index)
        with np.errstate(invalid="ignore"):
            index, months = total / weight, climates.each[0].months
        starts, replayed = result.study.water_year_starts - 1, replayed_years(scenario)
        baseline = result.study.baseline
        parts = [(months >= baseline[0]) & (months <= baseline[-1])]
        if replayed is not None:
            spans = [(12 * a + starts, 12 * b + starts + 12) for a, b in runs(replayed)]
            parts = [(months >= first) & (months < end) for first, end in spans]
        dry = []
        for part in parts:
            year = (months[part] - starts) // 12
            for y in np.unique(year):
                values = index[part][year == y]
                if len(values) == 12 and np.sum(~np.isnan(values)) >= 6:
                    dry.append(np.nanmean(values) <= self.section.get("drought_at", -1.0))
        return np.mean(dry) if dry else np.nan

    def near(self, name):
        """Pairs of patches of a scenario between which animals move: within the distance, or by their least-cost way."""
        if "dispersal_m" not in self.section:
            p = self.result.connection[name].p
            return {(int(a) + 1, int(b) + 1) for a, b in zip(*np.nonzero(np.triu(p >= 0.1)))}
        labels, grid, pairs = self.labels[name], self.result.study.grid, set()
        x, y = np.meshgrid(grid.x(), grid.y())
        trees = {n: cKDTree(np.column_stack([x[labels == n], y[labels == n]])) for n in range(1, self.counts[name] + 1)}
        for a in trees:
            for b in trees:
                if a < b and trees[a].query(trees[b].data)[0].min() <= self.section["dispersal_m"] * (1 + 1e-12):
                    pairs.add((a, b))
        return pairs

    def groups(self, name):
        """Sets of ("now" or "then", patch), in the order of the table: joined by shared cells and by movement."""
        nodes = [("now", n) for n in range(1, self.counts["baseline"] + 1)]
        edges = [(("now", a), ("now", b)) for a, b in self.near("baseline")]
        if name != "baseline":
            nodes += [("then", n) for n in range(1, self.counts[name] + 1)]
            edges += [(("then", a), ("then", b)) for a, b in self.near(name)]
            both = (self.labels["baseline"] > 0) & (self.labels[name] > 0)
            shared = set(zip(self.labels["baseline"][both], self.labels[name][both]))
            edges += [(("now", a), ("then", b)) for a, b in shared]
        groups = [{node} for node in nodes]
        for a, b in edges:
            one, other = next(g for g in groups if a in g), next(g for g in groups if b in g)
            if one is not other:
                one |= other
                groups.remove(other)
        order = {node: at for at, node in enumerate(nodes)}
        return sorted(groups, key=lambda g: min(order[node] for node in g))

    def room(self, name, numbers):
        """Hectares times mean suitability."""
        total, areas = 0.0, np.broadcast_to(self.result.areas_ha[:, None], self.result.study.grid.shape)
        for n in numbers:
            where = self.labels[name] == n
            total += areas[where].sum() * self.result.suitability[name][where].astype(float).mean()
        return total

    def outcomes(self):
        """The certain columns of the table population."""
        study, rows = self.result.study, []
        end = study.baseline[-1] // 12
        longest = max([s["horizon"] - end for s in study.scenarios if s.get("horizon", end) > end], default=None)
        today = self.drought_share({})
        for name, scenario in zip(self.result.names, [{}] + study.scenarios):
            if name == "baseline":
                years = self.section.get("years", longest)
            else:
                years = scenario["horizon"] - end if scenario.get("horizon", end) > end else self.section.get("years")
            if years is None:
                continue
            later = "now" if name == "baseline" else "then"
            members = self.groups(name)
            sets = [[sorted(n for when, n in g if when == end_) for end_ in ("now", later)] for g in members]
            rooms = [(self.room("baseline", now), self.room(name, then)) for now, then in sets]
            shares = {"drought_share_now": today, "drought_share_then": self.drought_share(scenario)}
            for density in DENSITIES:
                head = {"scenario": name, "density": density, "years": years, **shares}
                per_ha = self.section["density_per_ha"][density]
                rows.append(head | {
                    "group": "all", "first_patch": np.nan, "patches_now": np.nan, "patches_then": np.nan,
                    "room_now": per_ha * sum(r[0] for r in rooms), "room_then": per_ha * sum(r[1] for r in rooms),
                })  # fmt: skip
                for at, ((now, then), room) in enumerate(zip(sets, rooms)):
                    if density == "best":
                        rows.append(head | {
                            "group": str(at + 1), "first_patch": now[0] if now else np.nan,
                            "patches_now": len(now), "patches_then": len(then),
                            "room_now": per_ha * room[0], "room_then": per_ha * room[1],
                        })  # fmt: skip
        return pd.DataFrame(rows)

    def tables(self):
        """All of them by name."""
        return {"population": self.outcomes()} | self.rates()
