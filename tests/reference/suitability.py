"""From measures through curves and requisites to suitability. Arrays are (rows, columns)."""

import numpy as np
from scipy.ndimage import distance_transform_edt

from inputs import StudyError

WATER_LIMIT_MONTHS = 3.0
# Random index of Saaty (1980) by size of the comparison matrix.
RANDOM_INDEX = [0, 0, 0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49]


def slope_degrees(ground, cell):
    """Slope by Horn (1981), degrees; a missing neighbour is 2 x centre - opposite, else the centre for
    a side neighbour and the sum of its side neighbours - centre for a corner neighbour."""
    rows, cols = ground.shape
    padded = np.pad(ground, 1, constant_values=np.nan)

    def shifted(dr, dc):
        return padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + cols]

    def neighbour(dr, dc):
        value, opposite = shifted(dr, dc), shifted(-dr, -dc)
        if dr and dc:
            last = neighbour(dr, 0) + neighbour(0, dc) - ground
        else:
            last = ground
        guess = np.where(np.isnan(opposite), last, 2 * ground - opposite)
        return np.where(np.isnan(value), guess, value)

    east = neighbour(-1, 1) + 2 * neighbour(0, 1) + neighbour(1, 1)
    west = neighbour(-1, -1) + 2 * neighbour(0, -1) + neighbour(1, -1)
    north = neighbour(-1, -1) + 2 * neighbour(-1, 0) + neighbour(-1, 1)
    south = neighbour(1, -1) + 2 * neighbour(1, 0) + neighbour(1, 1)
    return np.degrees(np.arctan(np.hypot(east - west, north - south) / (8 * cell)))


def distance(target, cell, limit):
    """Metres from each cell centre to the nearest target centre, at most `limit`."""
    if not target.any():
        return np.full(target.shape, float(limit))
    return np.minimum(distance_transform_edt(~target) * cell, limit)


def share(target, known, cell, radius):
    """Target cells / known cells in the disc; NaN where under half of the full disc is known."""
    reach = int(np.floor(radius / cell + 1e-9))
    targets, counted, full = np.zeros(target.shape), np.zeros(target.shape), 0
    rows, cols = target.shape
    t, k = (np.pad(a.astype(float), reach) for a in (target & known, known))
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            if (dr * cell) ** 2 + (dc * cell) ** 2 <= radius**2:
                window = np.s_[reach + dr : reach + dr + rows, reach + dc : reach + dc + cols]
                targets += t[window]
                counted += k[window]
                full += 1
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(2 * counted >= full, targets / counted, np.nan)


def score(curve, x, legend):
    """Scores in [0, 1] of measures x by a curve section; NaN stays NaN."""
    if "points" in curve:
        at, to = np.array(curve["points"], float).T
        return np.where(np.isnan(x), np.nan, np.interp(x, at, to))
    if "trapezoid" in curve:
        a, b, c, d = curve["trapezoid"]
        out = np.where(np.isnan(x), np.nan, 0.0)
        out[(x >= b) & (x <= c)] = 1.0
        rise, fall = (x > a) & (x < b), (x > c) & (x < d)
        out[rise] = (x[rise] - a) / (b - a) if b > a else 1.0
        out[fall] = (d - x[fall]) / (d - c) if d > c else 1.0
        return out
    if "gaussian" in curve:
        best, spread = curve["gaussian"]["best"], curve["gaussian"]["spread"]
        return np.exp(-((x - best) ** 2) / (2 * spread**2))
    if "logistic" in curve:
        middle, steepness = curve["logistic"]["middle"], curve["logistic"]["steepness"]
        with np.errstate(over="ignore"):
            return 1 / (1 + np.exp(-steepness * (x - middle)))
    if "classes" in curve:
        table = {int(code): float(value) for code, value in curve["classes"].items()}
    else:
        rows = legend.items()
        table = {c: float(r[curve["legend"]]) for c, r in rows if r[curve["legend"]] != ""}
    out = np.full(x.shape, np.nan)
    for code in np.unique(x[~np.isnan(x)]):
        if int(code) not in table:
            raise StudyError(f"class {code:g} has no score")
        out[x == code] = table[int(code)]
    return out


def pairwise_weights(matrix, accept):
    """Principal eigenvector of a comparison matrix (Saaty 1980), sum 1."""
    matrix = np.array(matrix, float)
    n = len(matrix)
    values, vectors = np.linalg.eig(matrix)
    first = np.argmax(values.real)
    weights = np.abs(vectors[:, first].real)
    if n > 2:
        ratio = (values[first].real - n) / (n - 1) / RANDOM_INDEX[n]
        if ratio >= 0.10 and not accept:
            raise StudyError(f"consistency ratio {ratio:.3f}")
    return weights / weights.sum()


def combine(rule, scores, weights):
    """Combined score; a missing score leaves and the other weights are rescaled; all missing: NaN."""
    scores, weights = np.array(scores), np.array(weights, float)[:, None, None]
    there = ~np.isnan(scores)
    weight = np.where(there, weights, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = weight / weight.sum(axis=0)
        if rule == "arithmetic mean":
            out = np.sum(weight * np.where(there, scores, 0.0), axis=0)
        elif rule == "geometric mean":
            out = np.prod(np.where(weight > 0, np.where(there, scores, 1.0), 1.0) ** weight, axis=0)
        elif rule == "minimum":
            out = np.min(np.where(there, scores, np.inf), axis=0)
        else:
            out = np.prod(np.where(there, scores, 1.0), axis=0)
    return np.where(there.any(axis=0), out, np.nan)


class Model:
    """The study's requisites, ready to score a state of the water and the land."""

    def __init__(self, study):
        self.study = study
        self.rule = study.text["suitability"]
        self.requisites = study.text["requisites"]
        names = list(self.requisites)
        if "pairwise" in self.rule:
            found = pairwise_weights(
                self.rule["pairwise"], self.rule.get("accept_inconsistent", False)
            )
            given = dict(zip(self.rule.get("order", names), found))
            self.weights = [given[name] for name in names]
        else:
            self.weights = [self.requisites[name].get("weight", 1.0) for name in names]
        self.barrier = np.zeros(study.grid.shape, bool)
        for name in self.rule.get("barriers", []):
            self.barrier |= study.barrier(name)
        self.water_limit = study.text.get("inundation", {}).get(
            "water_limit_months", WATER_LIMIT_MONTHS
        )

    def measure(self, variable, hydroperiod, depth, land_cover, factors, dilution):
        """The measure of one variable that is not yearly."""
        study, cell, kind = self.study, self.study.grid.cell, variable["measure"]

        def layer():
            name = variable["layer"]
            # A scenario's land cover stands in for today's.
            if land_cover is not None and name == study.role("land_cover"):
                name = land_cover
            return study.layer(name)

        if kind in ("layer", "class"):
            return layer()
        if kind == "water quality":
            pools = study.layer(study.role("pools"))
            held = np.ones(study.grid.shape)
            for code, factor in dilution.items():
                held[pools == code] = factor
            value = layer() * factors.get(variable["layer"], 1.0) * held
            return value.astype(np.float32).astype(float)
        if kind == "hydroperiod":
            return hydroperiod
        if kind == "depth":
            return depth
        if kind == "slope":
            return slope_degrees(study.layer(study.role("ground")), cell)
        if kind.endswith("water"):
            known, target = ~np.isnan(hydroperiod), hydroperiod >= self.water_limit
        else:
            values = layer()
            known, target = ~np.isnan(values), np.isin(values, variable["classes"])
        if kind.startswith("distance"):
            return distance(target, cell, variable["limit_m"])
        return share(target, known, cell, variable["radius_m"])

    def near(self, requisite, scores):
        """Factor on a requisite's score by the nearness of another, whose scores are given; None without."""
        if "near" not in requisite:
            return None
        near, cell = requisite["near"], self.study.grid.cell
        target = scores[near["requisite"]] >= near.get("at_least", 0.5)
        limit = near["within_m"]
        if "curve" in near:
            return score(near["curve"], distance(target, cell, limit).astype(np.float32).astype(float), {})
        if not target.any():
            return np.zeros(target.shape)
        far = distance_transform_edt(~target) * cell
        return (far <= limit * (1 + 1e-12)).astype(float)

    def scores(self, hydroperiod, depth, land_cover, years, factors, dilution):
        """{variable name: scores}, NaN where the measure is missing."""
        out = {}
        for requisite in self.requisites.values():
            for variable in requisite["variables"]:
                legend = self.study.legend(variable["layer"]) if "layer" in variable else {}
                if variable["name"] in years:
                    x, scored = years[variable["name"]]
                else:
                    x = self.measure(variable, hydroperiod, depth, land_cover, factors, dilution)
                    scored = None
                out[variable["name"]] = score(variable["curve"], x, legend) if scored is None else scored
        return out

    def requisite(self, requisite, scores):
        """Score of a requisite without its nearness, NaN where it is not assessed."""
        assessed, rows = np.ones(self.study.grid.shape, bool), []
        for variable in requisite["variables"]:
            s = scores[variable["name"]]
            missing = variable.get("if_missing", "not assessed")
            if missing == "not assessed":
                assessed &= ~np.isnan(s)
            elif missing != "omit":
                s = np.where(np.isnan(s), float(missing), s)
            rows.append(s)
        if "pairwise" in requisite:
            weights = pairwise_weights(
                requisite["pairwise"], requisite.get("accept_inconsistent", False)
            )
        else:
            weights = [v.get("weight", 1.0) for v in requisite["variables"]]
        return np.where(assessed, combine(requisite["combine"], rows, weights), np.nan)

    def combined(self, requisites):
        """Suitability of requisites' scores, {name: scores}, as float64; NaN where one is not assessed."""
        rows = [requisites[name] for name in self.requisites]
        known = np.all([~np.isnan(row) for row in rows], axis=0)
        return np.where(known, combine(self.rule["combine"], rows, self.weights), np.nan)

    def suitability(self, hydroperiod, depth, land_cover=None, years=None, factors=None, dilution=None):
        """Suitability as float32, NaN where not assessed or outside the study area.

        Leaves what it was made of in `self.parts`: scores by variable, by requisite before and after nearness, factors of nearness.
        """
        scores = self.scores(hydroperiod, depth, land_cover, years or {}, factors or {}, dilution or {})
        own = {name: self.requisite(r, scores) for name, r in self.requisites.items()}
        done, nearness = {}, {}
        while len(done) < len(own):  # those that others must be near to come first
            for name, requisite in self.requisites.items():
                other = requisite.get("near", {}).get("requisite")
                if name not in done and (other is None or other in done):
                    nearness[name] = self.near(requisite, done)
                    factor = nearness[name]
                    done[name] = own[name] if factor is None else own[name] * factor
        self.parts = (scores, own, done, nearness)
        out = self.combined(done)
        out = np.where(self.barrier & ~np.isnan(out), 0.0, out)
        return np.where(self.study.inside, out, np.nan).astype(np.float32)

    def raised(self):
        """For each factor in the order of its code: (its score, suitability with that score alone at 1), by `self.parts`."""
        scores, own, done, nearness = self.parts
        out = []
        for name, requisite in self.requisites.items():
            factor = 1.0 if nearness[name] is None else nearness[name]
            for variable in requisite["variables"]:
                s = scores[variable["name"]]
                missing = variable.get("if_missing", "not assessed")
                if missing not in ("not assessed", "omit"):
                    s = np.where(np.isnan(s), float(missing), s)
                better = self.requisite(requisite, scores | {variable["name"]: np.where(np.isnan(s), s, 1.0)})
                out.append((s, self.combined(done | {name: better * factor})))
            if nearness[name] is not None:
                out.append((nearness[name], self.combined(done | {name: own[name]})))
        return out
