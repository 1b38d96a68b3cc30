"""Years one by one: what is counted in them, in the record and in years drawn from the fitted response.

Months of a cell are bool arrays (cells, months), wet or not. A year is a stretch of months (at, length, warm): position of the
first, how many, and a bool array of those in which warmth allows activity.
"""

import numpy as np

from climate import scenario_climate
from response import design_matrix, split_mix
from suitability import score
from scipy.special import expit

YEARLY = ("longest wet spell", "wet and warm months", "share of years with a spell")
GAP = 2


def stretches(variable, calendar, starts, temperature):
    """Years of a yearly variable over months of these calendar months (0 January); whole ones only."""
    if variable["measure"] == "share of years with a spell":
        first, last = variable["season"]
        length = (last - first) % 12 + 1
    else:
        first, length = starts, 12
    low, high = variable.get("window_c", (-np.inf, np.inf))
    out = []
    for at in range(len(calendar) - length + 1):
        if calendar[at] == first - 1:
            part = temperature[at : at + length]
            out.append((at, length, (part >= low) & (part <= high)))
    return out


def longest_run(wet):
    """Longest run of True along the months: (cells,)."""
    best, run = np.zeros(len(wet), int), np.zeros(len(wet), int)
    for month in wet.T:
        run = np.where(month, run + 1, 0)
        best = np.maximum(best, run)
    return best


def count(variable, wet, years):
    """What is counted in each year: (cells, years)."""
    out = np.zeros((len(wet), len(years)), int)
    for y, (at, length, warm) in enumerate(years):
        part = wet[:, at : at + length]
        if variable["measure"] == "wet and warm months":
            out[:, y] = (part & warm).sum(axis=1)
        else:
            out[:, y] = longest_run(part)
            if variable["measure"] == "share of years with a spell":
                out[:, y] = out[:, y] >= variable["spell_months"]
    return out


def draw(cell_hashes, realisation, first, p, lag1):
    """Wet months (cells, months) of one drawn series; `first` is the position of the first month on the axis."""
    key = split_mix(cell_hashes ^ np.uint64(realisation + 1))
    wet, number = np.zeros(p.shape, bool), None
    for t in range(p.shape[1]):
        h = split_mix(key ^ np.uint64(first + t))
        fresh = (h >> np.uint64(32)).astype(float) / 2**32
        keep = (h & np.uint64(0xFFFFFFFF)).astype(float) / 2**32 < lag1
        number = fresh if number is None else np.where(keep, number, fresh)
        wet[:, t] = number < p[:, t]
    return wet


def filled(history):
    """Wet months of a record (months, cells), gaps of at most two unobserved months between wet ones closed."""
    out = history == 1
    for cell in range(history.shape[1]):
        states = history[:, cell]
        wet = np.flatnonzero(states == 1)
        for a, b in zip(wet, wet[1:]):
            if 1 < b - a <= GAP + 1 and (states[a + 1 : b] == -1).all():
                out[a:b, cell] = True
    return out


class Years:
    """The yearly variables of a study in every case."""

    def __init__(self, study, climate, history, response):
        self.study, self.response = study, response
        self.variables = [
            v for r in study.text["requisites"].values() for v in r["variables"] if v["measure"] in YEARLY
        ]
        self.history = history.reshape(len(history), -1)
        self.temperature = None
        if any(v["measure"] == "wet and warm months" for v in self.variables):
            at = {m: t for m, t in zip(climate.months, climate.temperature)}
            self.temperature = np.array([at.get(m, np.nan) for m in study.baseline])
        self.starts = study.water_year_starts
        self.realisations = study.text.get("inundation", {}).get("realisations", 10)

    def warmth(self, scenario):
        """Temperature of the baseline months under a scenario."""
        if self.temperature is None:
            return np.full(len(self.study.baseline), np.nan)
        return self.temperature + scenario_climate(scenario)[1][self.study.baseline % 12]

    def means(self, variable, counts, counted):
        """(mean measure, mean score or None) over the years counted, rounded to 32-bit floats."""
        table = score(variable["curve"], np.arange(13.0), {})
        total = counted.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            measure = (counts * counted).sum(axis=1) / total
            scores = (table[counts] * counted).sum(axis=1) / total
        averaged = variable["measure"] != "share of years with a spell"
        if not averaged or variable.get("average", "score") == "measure":
            scores = None
        return measure, scores

    def on_grid(self, variable, cells, measure, scores, missing):
        """The variable over the whole grid: 0 months where there is no water; NaN where missing."""
        shape, table = self.study.grid.shape, score(variable["curve"], np.arange(13.0), {})

        def spread(values, dry):
            out = np.where(self.response.assessed, dry, np.nan)
            out[cells] = values
            out[missing] = np.nan
            return out.astype(np.float32).astype(float).reshape(shape)

        return spread(measure, 0.0), None if scores is None else spread(scores, table[0])

    def drawn(self, scenario):
        """{variable name: (measure, score or None)} of the case last computed by the response."""
        cells, beta, z = self.response.answered
        months, cols = self.response.months, self.study.grid.cols
        p = np.full((len(cells), months[-1] - months[0] + 1), np.nan)
        p[:, months - months[0]] = expit(beta @ design_matrix(months, z).T)
        known = np.flatnonzero(~np.isnan(p[0])) if len(cells) else np.array([0])
        for t in np.flatnonzero(np.isnan(p).all(axis=0)) if len(cells) else []:
            p[:, t] = (p[:, known[known < t].max()] + p[:, known[known > t].min()]) / 2
        first = months[0] - self.study.baseline[0]
        seed = np.array(self.study.text["study"].get("seed", 1), np.uint64)
        row, col = (cells // cols).astype(np.uint64), (cells % cols).astype(np.uint64)
        hashes = split_mix(split_mix(split_mix(seed) ^ row) ^ col)
        lag1 = np.array([self.response.prior[g][2] for g in self.response.group[cells]])
        calendar = np.arange(months[0], months[-1] + 1) % 12
        warmth = self.warmth(scenario)[first : first + len(calendar)]
        plans = [stretches(v, calendar, self.starts, warmth) for v in self.variables]
        counts = [[] for _ in self.variables]
        for realisation in range(self.realisations if self.variables else 0):
            wet = draw(hashes, realisation, first, p, lag1)
            for i, (variable, plan) in enumerate(zip(self.variables, plans)):
                counts[i].append(count(variable, wet, plan))
        out = {}
        for variable, found in zip(self.variables, counts):
            found = np.concatenate(found, axis=1)
            measure, scores = self.means(variable, found, np.ones(found.shape, bool))
            out[variable["name"]] = self.on_grid(
                variable, cells, measure, scores, self.response.unanswered
            )
        return out

    def recorded(self):
        """{variable name: (measure, score or None)} of the record, over years half observed or more."""
        cells = np.flatnonzero(self.response.wet)
        wet, seen = filled(self.history[:, cells]).T, (self.history[:, cells] >= 0).T
        calendar, out = self.study.baseline % 12, {}
        for variable in self.variables:
            plan = stretches(variable, calendar, self.starts, self.warmth({}))
            counted = np.array([2 * seen[:, a : a + n].sum(axis=1) >= n for a, n, _ in plan]).T
            counts = count(variable, wet, plan)
            measure, scores = self.means(variable, counts, counted.reshape(counts.shape))
            none = np.zeros(len(self.response.wet), bool)
            out[variable["name"]] = self.on_grid(variable, cells, measure, scores, none)
        return out


def spells(study, history, assessed):
    """Longest wet spell (mean of years), median month of drying, share of years that dried: (rows, columns) each."""
    flat, shape = history.reshape(len(history), -1), study.grid.shape
    out = np.full((3, flat.shape[1]), np.nan)
    wet, start = filled(flat), study.water_year_starts - 1
    years = [t for t in range(len(flat) - 11) if study.baseline[t] % 12 == start]
    for cell in np.flatnonzero(assessed.ravel()):
        lengths, ends = [], []
        for at in years:
            if (flat[at : at + 12, cell] >= 0).sum() < 6:
                continue
            year = wet[at : at + 12, cell]
            length = longest_run(year[None])[0]
            lengths.append(length)
            if length:
                last = max(e for e in range(length, 13) if year[e - length : e].all())
                following = at + last
                if following < len(flat) and flat[following, cell] == 0:
                    ends.append(last)
        if lengths:
            out[0, cell], out[2, cell] = np.mean(lengths), len(ends) / len(lengths)
        if ends:
            out[1, cell] = (start + sorted(ends)[(len(ends) - 1) // 2]) % 12 + 1
    return out.reshape(3, *shape)
