"""Years one by one: what is counted in them, in the record and in years drawn from the fitted response.

Months of a cell are bool arrays (cells, months), wet or not. A year is a stretch of months (at, length, warm): position
of the first, how many, and a bool array of those in which warmth allows activity.
"""

import numpy as np

from scipy.special import expit

from climate import scenario_climate
from response import split_mix
from suitability import score

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


def averages_scores(variable):
    """Whether the scores of the years are averaged, and not what is measured."""
    share = variable["measure"] == "share of years with a spell"
    return not share and variable.get("average", "score") == "score"


def mean_temperature(climate):
    """{month: mean temperature} of a climate; of the daily extremes their middle."""
    series = climate.series
    if "temperature" in series:
        return dict(zip(climate.months, series["temperature"]))
    return dict(zip(climate.months, (series["temperature_min"] + series["temperature_max"]) / 2))


class Years:
    """The yearly variables of a study in every case."""

    def __init__(self, study, climates, history, response):
        self.study, self.response = study, response
        self.variables = [
            v for r in study.text["requisites"].values() for v in r["variables"] if v["measure"] in YEARLY
        ]
        self.history = history.reshape(len(history), -1)
        self.temperature = None
        if any(v["measure"] == "wet and warm months" for v in self.variables):
            self.temperature = [mean_temperature(climate) for climate in climates.each]
            self.temperature += [self.temperature[place] for place, _ in response.levels]
        self.starts = study.water_year_starts
        self.realisations = study.text.get("inundation", {}).get("realisations", 10)

    def warmth(self, climate, months, scenario):
        """Temperature of months of the record under a scenario's change; NaN where it is not known."""
        if self.temperature is None:
            return np.full(len(months), np.nan)
        recorded = np.array([self.temperature[climate].get(m, np.nan) for m in months])
        return recorded + scenario_climate(scenario)[1][months % 12]

    def means(self, variable, counts, counted):
        """(mean measure, mean score or None) over the years counted."""
        table = score(variable["curve"], np.arange(13.0), {})
        total = counted.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            measure = (counts * counted).sum(axis=1) / total
            scores = (table[counts] * counted).sum(axis=1) / total
        return measure, scores if averages_scores(variable) else None

    def joined(self, parts, missing):
        """{variable name: (measure, score or None)} over the whole grid, from pairs of cells and what was found for
        each variable: 0 months where there is no water; NaN where missing."""
        out, shape = {}, self.study.grid.shape
        for v, variable in enumerate(self.variables):
            table = score(variable["curve"], np.arange(13.0), {})
            grids = []
            for which, dry in enumerate((0.0, table[0])):
                grid = np.where(self.response.assessed, dry, np.nan)
                for cells, found in parts:
                    grid[cells] = np.nan if found[v][which] is None else found[v][which]
                grid[missing] = np.nan
                grids.append(grid.astype(np.float32).astype(float).reshape(shape))
            out[variable["name"]] = (grids[0], grids[1] if averages_scores(variable) else None)
        return out

    def drawn(self, scenario):
        """{variable name: (measure, score or None)} of the case last computed by the response."""
        cells, beta, designs = self.response.answered
        parts = []
        for climate, own in self.response.by_climate(cells):
            found = self.drawn_of(climate, cells[own], beta[own], designs, scenario)
            parts.append((cells[own], found))
        return self.joined(parts, self.response.unanswered)

    def drawn_of(self, climate, cells, beta, designs, scenario):
        """(measure, score or None) of each variable for cells of one climate."""
        at, response = designs.at[climate], self.response
        first, length = at[0], at[-1] - at[0] + 1
        p = np.full((len(cells), length), np.nan)
        p[:, at - first] = expit(response.logits(beta, designs, climate, cells))
        for t in np.setdiff1d(np.arange(length), at - first):
            before, after = (at[at < first + t].max(), at[at > first + t].min())
            p[:, t] = (p[:, before - first] + p[:, after - first]) / 2
        lag1 = np.array([response.prior[g][2] for g in response.group[cells]])
        # Replayed months are those of the record, one after another whatever years they come from.
        months = designs.axis[first : first + length]
        warmth = self.warmth(climate, months, scenario)
        plans = [stretches(v, months % 12, self.starts, warmth) for v in self.variables]
        counts = [[] for _ in self.variables]
        for realisation in range(self.realisations if self.variables else 0):
            wet = draw(response.hashes(cells), realisation, first, p, lag1)
            for i, (variable, plan) in enumerate(zip(self.variables, plans)):
                counts[i].append(count(variable, wet, plan))
        counts = [np.concatenate(found, axis=1) for found in counts]
        return [
            self.means(variable, found, np.ones(found.shape, bool))
            for variable, found in zip(self.variables, counts)
        ]

    def by_year(self):
        """{calendar year: {variable name: (measure, score or None)}} by the record of each single year, named by the calendar year it
        begins in; NaN where less than half of it was seen, 0 months where water was never seen."""
        months, response = self.study.baseline, self.response
        everyone, shape = np.flatnonzero(response.wet), self.study.grid.shape
        dry = response.assessed & ~response.wet
        out = {int(year): {} for year in np.unique(months // 12)}
        tables = {v["name"]: score(v["curve"], np.arange(13.0), {}) for v in self.variables}
        for year in out:
            for variable in self.variables:
                both = [np.where(dry, 0.0, np.nan), np.where(dry, tables[variable["name"]][0], np.nan)]
                out[year][variable["name"]] = both
        for climate, own in response.by_climate(everyone):
            cells = everyone[own]
            wet, seen = filled(self.history[:, cells]).T, (self.history[:, cells] >= 0).T
            warmth = self.warmth(climate, months, {})
            for variable in self.variables:
                plan = stretches(variable, months % 12, self.starts, warmth)
                counts = count(variable, wet, plan)
                for y, (at, length, _) in enumerate(plan):
                    counted = 2 * seen[:, at : at + length].sum(axis=1) >= length
                    both = out[int(months[at] // 12)][variable["name"]]
                    both[0][cells[counted]] = counts[counted, y]
                    both[1][cells[counted]] = tables[variable["name"]][counts[counted, y]]
        for year in out:
            for variable in self.variables:
                both = [x.astype(np.float32).astype(float).reshape(shape) for x in out[year][variable["name"]]]
                out[year][variable["name"]] = (both[0], both[1] if averages_scores(variable) else None)
        return out

    def recorded(self):
        """{variable name: (measure, score or None)} of the record, over years half observed or more."""
        everyone, parts = np.flatnonzero(self.response.wet), []
        months = self.study.baseline
        for climate, own in self.response.by_climate(everyone):
            cells, found = everyone[own], []
            wet, seen = filled(self.history[:, cells]).T, (self.history[:, cells] >= 0).T
            warmth = self.warmth(climate, months, {})
            for variable in self.variables:
                plan = stretches(variable, months % 12, self.starts, warmth)
                counted = np.array([2 * seen[:, a : a + n].sum(axis=1) >= n for a, n, _ in plan]).T
                counts = count(variable, wet, plan)
                found.append(self.means(variable, counts, counted.reshape(counts.shape)))
            parts.append((cells, found))
        return self.joined(parts, np.zeros(len(self.response.wet), bool))


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
