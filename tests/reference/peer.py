"""The benchmark's job as a script: numpy, scipy and rasterio, vectorised over cells, windowed, each file read once per window.

    python peer.py STUDY.toml --out DIR [--processes N] [--window CELLS]

For studies such as `lentic demo --million-cells` writes: one climate, years of twelve masks on the grid, bounds, one response to a
fall of the water table, no yearly measures. It computes what docs/methods.md says of water history, response, drawdown, suitability,
change, areas and patches, and writes GeoTIFF files and tables that `bench_compare.py` holds against a run. It leaves out what the
program does besides: spells, limiting factors, quality of the fit, neighbours and zones of patches, volumes, droughts, the page.
Water of cells ever wet is kept between the passes as packed bits; layers over the grid lie in flat files, so memory stays bounded.
"""

import argparse
import json
import os
import resource
import shutil
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
import rasterio
from rasterio.windows import Window
from scipy.ndimage import binary_dilation, distance_transform_edt, label
from scipy.special import expit, ndtr

from climate import Climate, scenario_climate
from inputs import Study
from regression import design_matrix, serial_weight
from response import MINIMUM_CELLS, SAMPLE, SEARCH_SD, split_mix
from study import DEGRADED, DEGRADED_BY, GAINED, KEPT, LOST, NOT_ASSESSED, OUTSIDE, SPLITS
from suitability import WATER_LIMIT_MONTHS, score
from water import MINIMUM_TREND_YEARS, MINIMUM_YEAR_MONTHS
from weather import read_weather

BLOCK = 2000  # cells fitted at a time: their months stay in the processor's cache


class Job:
    """What every process knows: the study, its grid, the designs of the cases, and the flat files."""

    def __init__(self, path, work, window):
        self.study, self.work, self.window = Study(path), work, window
        study, text = self.study, self.study.text
        self.shape, self.cell = study.grid.shape, study.grid.cell
        self.cases = [{"name": "baseline"}] + study.scenarios
        self.names = [case["name"] for case in self.cases]
        self.rule = text["inundation"]
        self.g = self.rule["logits_per_metre"]
        weather = read_weather(study)
        (record,) = weather.records
        climate = Climate(study, record, text["climate"]["months"])
        self.at = np.flatnonzero(np.isin(study.baseline, climate.design))
        self.months = study.baseline[self.at]
        z = [climate.z(*scenario_climate(case)) for case in self.cases]
        base = scenario_climate({})
        self.z = [z[0] if case.get("cause") == "climate" or same(scenario_climate(case), base) else own
                  for case, own in zip(self.cases, z)]  # fmt: skip
        self.x = [design_matrix(self.months, own) for own in self.z]
        months = self.months % 12
        self.year = 1 / np.bincount(months, minlength=12)[months]  # weights of the mean of each calendar month
        self.fall_m = [case.get("drawdown_m", 0.0) for case in self.cases]
        rows, cols = self.shape
        self.windows = [
            (row, col, min(window, rows - row), min(window, cols - col))
            for row in range(0, rows, window)
            for col in range(0, cols, window)
        ]
        self.opened, self.flats = {}, {}

    def layer(self, name, window):
        """Cells of a layer in a window as float64, NaN for none."""
        if name not in self.opened:
            self.opened[name] = rasterio.open(self.study.path(self.study.text["layers"][name]["file"]))
        row, col, rows, cols = window
        source = self.opened[name]
        values = source.read(1, window=Window(col, row, cols, rows)).astype(float)
        values[values == source.nodata] = np.nan
        return values

    def water(self, window):
        """The masks of a window, (months, cells) uint8."""
        row, col, rows, cols = window
        out = np.empty((len(self.study.baseline), rows * cols), np.uint8)
        if "water" not in self.opened:
            files = [file for ((file, _),) in self.study.water_files()[::12]]
            self.opened["water"] = [rasterio.open(file) for file in files]
        for year, source in enumerate(self.opened["water"]):
            read = source.read(window=Window(col, row, cols, rows))
            out[12 * year : 12 * year + 12] = read.reshape(12, -1)
        return out

    def flat(self, name, dtype=np.float32):
        """A layer over the grid in a flat file."""
        if name not in self.flats:
            path = os.path.join(self.work, name)
            mode = "r+" if os.path.exists(path) else "w+"
            self.flats[name] = np.memmap(path, dtype, mode, shape=self.shape)
        return self.flats[name]


def same(a, b):
    """Whether two changes of climate are one."""
    return all((one == other).all() for one, other in zip(a, b))


JOB = None


def begin(*arguments):
    """Prepares a process."""
    global JOB
    JOB = Job(*arguments)


# ---------------------------------------------------------------- first pass: the record


def fill_gaps(rate):
    """(12, n) with each missing month the mean of the nearest known before and after, round the year, in place."""
    gaps = np.flatnonzero(np.isnan(rate).any(axis=0))
    if not gaps.size:
        return
    known = ~np.isnan(rate[:, gaps])
    before, after = rate[:, gaps].copy(), rate[:, gaps].copy()
    for _ in range(11):
        before = np.where(np.isnan(before), np.roll(before, 1, axis=0), before)
        after = np.where(np.isnan(after), np.roll(after, -1, axis=0), after)
    rate[:, gaps] = np.where(known, rate[:, gaps], (before + after) / 2)


def trend(years, yearly, counted):
    """Theil-Sen slope per decade and Mann-Kendall p of (years, n) values, those not counted left out."""
    values = np.where(counted, yearly, np.nan)
    n, count = values.shape[1], counted.sum(axis=0)
    slopes = np.empty((n, len(years) * (len(years) - 1) // 2))
    s, equal, at = np.zeros(n), np.ones(values.shape), 0
    for i in range(len(years) - 1):
        difference = values[i + 1 :] - values[i]
        s += np.nansum(np.sign(difference), axis=0)
        ties = difference == 0
        equal[i] += ties.sum(axis=0)
        equal[i + 1 :] += ties
        slopes[:, at : at + len(difference)] = (difference / (years[i + 1 :] - years[i])[:, None]).T
        at += len(difference)
    slopes.sort(axis=1)  # pairs with a year not counted go last
    pairs = count * (count - 1) // 2
    cells = np.arange(n)
    low, high = np.maximum(pairs - 1, 0) // 2, np.maximum(pairs, 1) // 2
    slope = 5 * (slopes[cells, low] + slopes[cells, np.minimum(high, slopes.shape[1] - 1)])
    tied = np.where(counted, (equal - 1) * (2 * equal + 5), 0).sum(axis=0)
    variance = (count * (count - 1) * (2 * count + 5) - tied) / 18
    z = np.where(s == 0, 0.0, (s - np.sign(s)) / np.sqrt(np.where(variance > 0, variance, 1)))
    return slope, 2 * ndtr(-np.abs(z))


def record(index):
    """Measures of the record of a window; bits of its wet cells are kept. Returns a sample for the priors."""
    job, window = JOB, JOB.windows[index]
    row, col, rows, cols = window
    masks = job.water(window)
    months = job.study.baseline
    years = np.unique(months // 12)
    seen = masks != 255
    wet_cells = np.flatnonzero((masks == 1).any(axis=0))
    by_month = seen.reshape(len(years), 12, -1)
    seen_m = by_month.sum(axis=0, dtype=np.uint8)
    seen_y = by_month.sum(axis=1, dtype=np.uint8)
    observed = seen_y.sum(axis=0, dtype=np.uint16)
    assessed = observed >= job.rule.get("minimum_months", 24)
    assessed &= (seen_m > 0).sum(axis=0) >= job.rule.get("minimum_calendar_months", 6)
    counted = seen_y >= MINIMUM_YEAR_MONTHS
    enough = counted.sum(axis=0)

    def everywhere(known, value):
        return np.where(assessed & known, value, np.nan).astype(np.float32)

    hydroperiod, frequency = everywhere(True, 0.0), everywhere(True, 0.0)
    recurrence = everywhere(enough > 0, 0.0)
    slope = everywhere(enough >= MINIMUM_TREND_YEARS, 0.0)
    p = everywhere(enough >= MINIMUM_TREND_YEARS, 1.0)
    ever_dry = (masks == 0).any(axis=0)

    own = wet_cells[assessed[wet_cells]]
    wet, seen = masks[:, own] == 1, seen[:, own]
    del masks
    by_month, wet_by_month = (a.reshape(len(years), 12, -1) for a in (seen, wet))
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = wet_by_month.sum(axis=0) / seen_m[:, own]
    expected = np.einsum("ymn,mn->yn", by_month, np.nan_to_num(rate), optimize=False)
    fill_gaps(rate)
    months_a_year = rate.sum(axis=0)
    hydroperiod[own] = months_a_year
    share = wet.sum(axis=0) / observed[own]
    frequency[own] = share
    wet_y = wet_by_month.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        recurrence[own] = (counted[:, own] & (wet_y > 0)).sum(axis=0) / enough[own]
        yearly = 12 * (wet_y - expected) / seen_y[:, own] + months_a_year
    yearly = np.round(np.clip(yearly, 0, 12), 9)
    long = enough[own] >= MINIMUM_TREND_YEARS
    slope[own], p[own] = np.nan, np.nan
    for start in range(0, int(long.sum()), BLOCK):
        part = np.flatnonzero(long)[start : start + BLOCK]
        slope[own[part]], p[own[part]] = trend(years.astype(float), yearly[:, part], counted[:, own[part]])

    here = np.s_[row : row + rows, col : col + cols]
    for name, values in (
        ("hydroperiod_observed", hydroperiod), ("inundation_frequency", frequency), ("recurrence", recurrence),
        ("trend_slope", slope), ("trend_p", p),
    ):  # fmt: skip
        job.flat(name)[here] = values.reshape(rows, cols)
    job.flat("ever_dry", np.uint8)[here] = ever_dry.reshape(rows, cols)
    bits = np.packbits(np.concatenate([seen, wet]), axis=0)
    group = job.layer("wetland_class", window).ravel()[own]
    np.savez(
        os.path.join(job.work, f"wet_{index}.npz"), own=own, bits=bits, group=group,
        never_dry=~ever_dry[own], middle=(share >= 0.1) & (share <= 0.9),
    )  # fmt: skip
    middle = np.flatnonzero((share >= 0.1) & (share <= 0.9))
    seed = np.array(job.study.text["study"].get("seed", 1), np.uint64)
    at = own[middle]
    rank = split_mix(
        split_mix(split_mix(seed) ^ (row + at // cols).astype(np.uint64)) ^ (col + at % cols).astype(np.uint64)
    )
    sample = []
    for code in np.unique(group[middle]):
        of_group = np.flatnonzero(group[middle] == code)
        first = of_group[np.argsort(rank[of_group])][:SAMPLE]
        sample.append((code, rank[first], bits[:, middle[first]]))
    return sample


def unpack(bits, count, at):
    """Seen and wet, (cells, months) bool, at some months, from packed bits."""
    both = np.unpackbits(bits, axis=0, count=2 * count).view(bool).T
    return both[:, :count][:, at], both[:, count:][:, at]


# ---------------------------------------------------------------- response


def newton(x, seen, wet, mean, sd, weight, free):
    """Penalised maximum likelihood of many cells at once by Newton's method; those that have arrived leave."""
    free = list(free)
    x, mean, precision = x[:, free], mean[free], sd[free] ** -2.0
    k = len(free)
    pairs = (x[:, :, None] * x[:, None, :]).reshape(len(x), k * k)
    beta = np.tile(mean, (len(wet), 1))
    cells, y, n = np.arange(len(wet)), wet.astype(float), seen.astype(float)

    def posterior(b, y, n):
        eta = b @ x.T
        fit = np.sum(y * eta - n * np.logaddexp(0, eta), axis=1)
        return weight * fit - 0.5 * np.sum((b - mean) ** 2 * precision, axis=1)

    for _ in range(200):
        b = beta[cells]
        p = expit(b @ x.T)
        gradient = weight * ((y - n * p) @ x) - (b - mean) * precision
        bend = weight * ((n * p * (1 - p)) @ pairs).reshape(-1, k, k) + np.diag(precision)
        step = np.linalg.solve(bend, gradient[:, :, None])[:, :, 0]
        size = np.ones(len(b))
        far = np.flatnonzero(np.abs(step @ x.T).max(axis=1) > 1.7)  # only a step this far can overshoot
        if far.size:
            before, part = posterior(b[far], y[far], n[far]), np.ones(far.size)
            for _ in range(60):
                worse = posterior(b[far] + part[:, None] * step[far], y[far], n[far]) < before
                if not worse.any():
                    break
                part[worse] /= 2
            size[far] = part
        beta[cells] = b + size[:, None] * step
        going = (np.sum(step * gradient, axis=1) > 1e-12) | (size < 1)
        if not going.any():
            return beta
        cells, y, n = cells[going], y[going], n[going]
    raise ValueError("a response did not converge")


def priors(job, samples):
    """{group: (prior mean, weight)} from free fits of the sample, and that of all cells (None)."""
    months, zero = len(job.study.baseline), np.zeros(4)
    groups, beta, residuals, seen_at = [], [], [], []
    for code in sorted({part[0] for sample in samples for part in sample}):
        own = [part for sample in samples for part in sample if part[0] == code]
        rank = np.concatenate([part[1] for part in own])
        first = np.sort(np.argsort(rank)[:SAMPLE])
        seen, wet = unpack(np.concatenate([part[2] for part in own], axis=1)[:, first], months, job.at)
        for start in range(0, len(first), BLOCK):
            part = slice(start, start + BLOCK)
            fitted = newton(job.x[0], seen[part], wet[part], zero, SEARCH_SD, 1.0, range(4))
            p = np.clip(expit(fitted @ job.x[0].T), 1e-6, 1 - 1e-6)
            beta.append(fitted)
            residuals.append((wet[part] - p) / np.sqrt(p * (1 - p)))
        seen_at.append(seen)
        groups.append(np.full(len(first), code))
    groups, beta = np.concatenate(groups), np.concatenate(beta)
    residuals, seen = np.concatenate(residuals), np.concatenate(seen_at)

    def of(cells):
        mean = np.median(beta[cells], axis=0)
        mean[0] = 0
        return mean, serial_weight(residuals[cells], seen[cells], job.months)[0]

    out = {None: of(np.ones(len(groups), bool))}
    for code in np.unique(groups):
        own = groups == code
        out[code] = of(own) if own.sum() >= MINIMUM_CELLS else out[None]
    return out


def fit(index, prior):
    """Coefficients and covariances of the wet cells of a window, kept; returns sums by pool for its line."""
    job = JOB
    kept = np.load(os.path.join(job.work, f"wet_{index}.npz"))
    own, group = kept["own"], kept["group"]
    sd = job.rule.get("prior", {})
    sd = np.array([sd.get("intercept_sd", 10.0), sd.get("index_sd", 0.5), *[sd.get("season_sd", 1.0)] * 2])
    x, bits = job.x[0], kept["bits"]
    pairs = (x[:, :, None] * x[:, None, :]).reshape(len(x), 16)
    beta, spread = np.empty((len(own), 4)), np.zeros((len(own), 4, 4))
    falls = np.array([job.z[0] - z for z in job.z]).T
    mean_fall = np.empty((len(own), len(job.cases)))
    for code in np.unique(group):
        mean, weight = prior.get(code, prior[None])
        cells = np.flatnonzero(group == code)
        for start in range(0, len(cells), BLOCK):
            part = cells[start : start + BLOCK]
            seen, wet = unpack(bits[:, part], len(job.study.baseline), job.at)
            found = newton(x, seen, wet, mean, sd, weight, range(4))
            held = np.flatnonzero(found[:, 1] < 0)
            if held.size:
                found[held] = 0
                found[np.ix_(held, [0, 2, 3])] = newton(x, seen[held], wet[held], mean, sd, weight, (0, 2, 3))
            p = expit(found @ x.T)
            bend = weight * ((seen * p * (1 - p)) @ pairs).reshape(-1, 4, 4) + np.diag(sd**-2.0)
            inverse = np.linalg.inv(bend)
            if held.size:
                rest = np.ix_(held, [0, 2, 3], [0, 2, 3])
                inverse[held], small = 0, np.linalg.inv(bend[rest])
                inverse[rest] = small
            beta[part], spread[part] = found, inverse
            wet = wet.astype(float)
            mean_fall[part] = (wet @ falls) / np.maximum(wet.sum(axis=1), 1)[:, None]
    np.savez(os.path.join(job.work, f"fit_{index}.npz"), beta=beta, spread=spread, mean_fall=mean_fall)
    pool, ground = (job.layer(name, job.windows[index]).ravel()[own] for name in ("pools", "ground"))
    use = kept["middle"] & ~np.isnan(ground) & ~np.isnan(pool)
    codes, at = np.unique(pool[use].astype(int), return_inverse=True)
    sums = [np.bincount(at, w, len(codes)) for w in (None, ground[use], beta[use, 0])]
    return codes, *sums


def answer(index, lines):
    """Hydroperiod with its standard deviation and depth of a window in every case."""
    job, window = JOB, JOB.windows[index]
    row, col, rows, cols = window
    kept = np.load(os.path.join(job.work, f"wet_{index}.npz"))
    fitted = np.load(os.path.join(job.work, f"fit_{index}.npz"))
    own, beta, spread, mean_fall = kept["own"], fitted["beta"], fitted["spread"], fitted["mean_fall"]
    pool, ground = (job.layer(name, window).ravel()[own] for name in ("pools", "ground"))
    codes, level = lines
    at = np.minimum(np.searchsorted(codes, np.nan_to_num(pool, nan=-1)), len(codes) - 1)
    level = np.where(codes[at] == pool, level[at] - job.g * ground, np.nan)
    reserve = np.nan_to_num(np.maximum(level - beta[:, 0], 0.0))
    depth = job.layer("depth", window).astype(np.float32)
    here = np.s_[row : row + rows, col : col + cols]
    dry = np.where(np.isnan(job.flat("hydroperiod_observed")[here]), np.nan, 0.0).astype(np.float32).ravel()
    for case, name in enumerate(job.names):
        fall = job.fall_m[case]
        assert fall >= 0, "a rise is not in this script"
        change = np.full(len(own), -job.g * fall)
        deep = kept["never_dry"] & (fall > 0)
        change[deep] = np.minimum(0.0, reserve[deep] + change[deep])
        moved = beta.copy()
        moved[:, 0] += change
        months, sd = np.empty(len(own)), np.empty(len(own))
        x = job.x[case]
        for start in range(0, len(own), BLOCK):
            part = slice(start, start + BLOCK)
            p = expit(moved[part] @ x.T)
            months[part] = p @ job.year
            slope = (p * (1 - p)) @ (job.year[:, None] * x)
            sd[part] = np.sqrt(np.einsum("ci,cij,cj->c", slope, spread[part], slope))
        for target, values, empty in (("hydroperiod_", months, dry), ("sd_", sd, np.full_like(dry, np.nan))):
            out = empty.copy()
            out[own] = values
            job.flat(target + name)[here] = out.reshape(rows, cols)
        lower = np.full(rows * cols, max(0.0, fall))
        lower[own] = np.maximum(0.0, beta[:, 1] * mean_fall[:, case] / job.g + fall)
        job.flat("depth_" + name)[here] = np.maximum(depth - lower.astype(np.float32).reshape(rows, cols), 0)


# ---------------------------------------------------------------- second pass: habitat


def disc_counts(cells, reach, radius_cells):
    """Cells of a bool array within the disc about every cell, by running sums along the rows."""
    rows, cols = cells.shape
    padded = np.zeros((rows + 2 * reach, cols + 2 * reach + 1), np.int32)
    np.cumsum(np.pad(cells, reach), axis=1, out=padded[:, 1:])
    out = np.zeros(cells.shape, np.int32)
    for down in range(-reach, reach + 1):
        half = int(np.floor(np.sqrt(radius_cells**2 - down**2) + 1e-9))
        line = padded[reach + down : reach + down + rows]
        out += line[:, reach + half + 1 : reach + half + 1 + cols] - line[:, reach - half : reach - half + cols]
    return out


class Scorer:
    """Suitability of a window with its margin; what does not change from case to case is measured once."""

    def __init__(self, job, outer, inner):
        self.job, self.outer, self.inner, self.known = job, outer, inner, {}
        text = job.study.text
        self.requisites = text["requisites"]
        self.weights = np.array([r.get("weight", 1.0) for r in self.requisites.values()])
        self.weights /= self.weights.sum()
        self.limit = job.rule.get("water_limit_months", WATER_LIMIT_MONTHS)
        self.barrier = np.zeros(inner_shape(inner), bool)
        for name in text["suitability"].get("barriers", []):
            values = job.layer(name, outer)[inner]
            self.barrier |= ~np.isnan(values) & (values != 0)

    def suitability(self, hydroperiod, depth):
        """Suitability of the inner window, float32, of water over the outer one."""
        scores, wide = {}, {}
        self.water = {}
        for name, requisite in self.requisites.items():
            reach = any(r.get("near", {}).get("requisite") == name for r in self.requisites.values())
            part = np.s_[:, :] if reach else self.inner
            rows = [self.score(v, hydroperiod, depth, part) for v in requisite["variables"]]
            weights = np.array([v.get("weight", 1.0) for v in requisite["variables"]])
            wide[name] = mean(requisite["combine"], rows, weights / weights.sum())
            scores[name] = wide[name][self.inner] if reach else wide[name]
        for name, requisite in self.requisites.items():
            if "near" in requisite:
                near = requisite["near"]
                target = wide[near["requisite"]] >= near.get("at_least", 0.5)
                far = distance(target, self.job.cell)[self.inner]
                scores[name] = scores[name] * (far <= near["within_m"] * (1 + 1e-12))
        out = mean(self.job.study.text["suitability"]["combine"], list(scores.values()), self.weights)
        out[self.barrier & ~np.isnan(out)] = 0.0
        return out.astype(np.float32)

    def score(self, variable, hydroperiod, depth, part):
        """Score of a variable over a part of the outer window."""
        kind, curve = variable["measure"], variable["curve"]
        if kind == "hydroperiod":
            return score(curve, hydroperiod[part], {})
        if kind == "depth":
            return score(curve, depth[part], {})
        if kind == "distance to water":
            if "far" not in self.water:
                self.water["far"] = distance(hydroperiod >= self.limit, self.job.cell)
            return score(curve, np.minimum(self.water["far"][part], variable["limit_m"]), {})
        if kind == "share of water":
            known, target = ~np.isnan(hydroperiod), hydroperiod >= self.limit
            return score(curve, self.share(target, known, variable["radius_m"])[part], {})
        if variable["name"] not in self.known:
            values = self.job.layer(variable["layer"], self.outer)
            known, target = ~np.isnan(values), np.isin(values, variable.get("classes", []))
            legend = self.job.study.legend(variable["layer"])
            if kind == "share of class":
                values = self.share(target, known, variable["radius_m"])
            elif kind == "distance to class":
                values = np.minimum(distance(target, self.job.cell), variable["limit_m"])
            self.known[variable["name"]] = score(curve, values[part], legend)
        return self.known[variable["name"]]

    def share(self, target, known, radius):
        """Target cells over known cells in the disc; NaN where under half of it is known."""
        in_cells = radius / self.job.cell
        reach = int(np.floor(in_cells + 1e-9))
        side = np.arange(-reach, reach + 1) ** 2
        full = int((side[:, None] + side <= in_cells**2 + 1e-9).sum())
        counted = disc_counts(known, reach, in_cells)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(2 * counted >= full, disc_counts(target & known, reach, in_cells) / counted, np.nan)


def inner_shape(inner):
    """Rows and columns of a pair of slices."""
    return tuple(s.stop - s.start for s in inner)


def mean(rule, scores, weights):
    """Weighted mean of scores that must all be there."""
    if rule == "arithmetic mean":
        return sum(w * s for w, s in zip(weights, scores))
    assert rule == "geometric mean"
    with np.errstate(divide="ignore"):
        return np.exp(sum(w * np.log(s) for w, s in zip(weights, scores)))


def distance(target, cell):
    """Metres to the nearest target, very far without one."""
    if not target.any():
        return np.full(target.shape, 1e9)
    return distance_transform_edt(~target) * cell


def reaches(study):
    """Cells that the farthest measure of a study looks beyond a window."""
    far = 0.0
    for requisite in study.text["requisites"].values():
        near = requisite.get("near", {}).get("within_m", 0.0)
        for variable in requisite["variables"]:
            far = max(far, variable.get("limit_m", 0.0), variable.get("radius_m", 0.0), near)
    return int(np.ceil(far / study.grid.cell)) + 1


def habitat(index):
    """Suitability and change of a window; returns counts of cells by class of each layer and by what became of them."""
    job = JOB
    row, col, rows, cols = window = job.windows[index]
    reach = reaches(job.study)
    top, left = max(row - reach, 0), max(col - reach, 0)
    bottom, right = min(row + rows + reach, job.shape[0]), min(col + cols + reach, job.shape[1])
    outer = (top, left, bottom - top, right - left)
    inner = (slice(row - top, row - top + rows), slice(col - left, col - left + cols))
    wide, here = np.s_[top:bottom, left:right], np.s_[row : row + rows, col : col + cols]
    scorer = Scorer(job, outer, inner)
    suitability = []
    for name in job.names:
        hydroperiod, depth = (job.flat(kind + name)[wide].astype(float) for kind in ("hydroperiod_", "depth_"))
        found = scorer.suitability(hydroperiod, depth)
        job.flat("suitability_" + name)[here] = found
        suitability.append(found)
    observed = job.flat("hydroperiod_observed")[wide].astype(float)
    depth = job.flat("depth_baseline")[wide].astype(float)
    job.flat("suitability_observed")[here] = scorer.suitability(observed, depth)
    compared = ~np.isnan(suitability).any(axis=0)
    threshold = np.float32(job.study.text["suitability"]["threshold"])
    is_habitat = [compared & (s >= threshold) for s in suitability]
    before = is_habitat[0]
    ever_dry = job.flat("ever_dry", np.uint8)[here] > 0
    layers = {role: job.layer(job.study.role(role), window) for role in SPLITS}
    counts = {}
    for case, name in enumerate(job.names):
        after = is_habitat[case]
        degraded = before & after
        degraded &= suitability[0].astype(float) - suitability[case].astype(float) >= DEGRADED_BY
        if case:
            change = np.full(compared.shape, NOT_ASSESSED, np.uint8)
            change[compared] = OUTSIDE
            change[before & after] = KEPT
            change[degraded] = DEGRADED
            change[before & ~after] = LOST
            change[~before & after] = GAINED
            job.flat("change_" + name, np.uint8)[here] = change
        job.flat("habitat_" + name, np.uint8)[here] = after
        job.flat("compared", np.uint8)[here] = compared
        kind = before + 2 * after + 4 * degraded + 8 * compared + 16 * (before & ~ever_dry)
        for role, values in layers.items():
            codes = np.nan_to_num(values, nan=255).astype(int)
            counts[name, role] = np.bincount((32 * codes + kind).ravel(), minlength=32 * 256)
    return counts


# ---------------------------------------------------------------- tables and files


def losses(counts, cell_ha):
    """Columns of areas from counts by what became of cells, (32,)."""
    kind = np.arange(32)

    def area(where):
        return float(counts[where].sum()) * cell_ha

    before, after, degraded, compared = ((kind & bit) > 0 for bit in (1, 2, 4, 8))
    baseline, lost = area(before), area(before & ~after)
    return {
        "baseline_ha": baseline,
        "habitat_ha": area(after),
        "kept_ha": area(before & after),
        "degraded_ha": area(degraded),
        "lost_ha": lost,
        "gained_ha": area(after & ~before),
        "lost_percent": 100 * lost / baseline if baseline > 0 else np.nan,
        "not_assessed_ha": area(~compared),
        "prior_only_ha": area((kind & 16) > 0),
    }


def patches(job, name):
    """Patches of a case, one row each."""
    section, cell = job.study.text["patches"], job.cell
    habitat, compared = job.flat("habitat_" + name, np.uint8) > 0, job.flat("compared", np.uint8) > 0
    structure = np.ones((3, 3)) if section.get("neighbours", 8) == 8 else None
    labels, count = label(habitat, structure)
    cells = np.flatnonzero(labels)
    own = labels.ravel()[cells]
    cell_ha = cell**2 / 1e4
    area = np.bincount(own, minlength=count + 1) * cell_ha
    kept = area >= section.get("minimum_ha", 0) * (1 - 1e-12)
    kept[0] = False
    number = np.where(kept, np.cumsum(kept), 0)[own]
    cells, own, n = cells[number > 0], number[number > 0], int(kept.sum())
    other = np.pad(compared & ~habitat, 1)
    row, col = np.divmod(cells, job.shape[1])
    sides = sum(other[row + 1 + dr, col + 1 + dc].astype(int) for dr, dc in ((-1, 0), (1, 0), (0, -1), (0, 1)))
    edge = section["edge_m"] / cell
    side = np.arange(-int(edge), int(edge) + 1)
    disc = side[:, None] ** 2 + side**2 <= edge**2
    core = ~binary_dilation(other, disc)[row + 1, col + 1]
    grid = job.study.grid

    def total(values):
        return np.bincount(own, values, n + 1)[1:]

    size = total(None)
    return pd.DataFrame({
        "scenario": name,
        "patch": np.arange(1, n + 1),
        "area_ha": size * cell_ha,
        "core_ha": total(core) * cell_ha,
        "perimeter_m": total(sides) * cell,
        "mean_suitability": total(job.flat("suitability_" + name)[row, col].astype(float)) / size,
        "mean_hydroperiod_months": total(job.flat("hydroperiod_" + name)[row, col].astype(float)) / size,
        "centroid_x": total(grid.x()[col]) / size,
        "centroid_y": total(grid.y()[row]) / size,
    })  # fmt: skip


def write(job, out, name, flats, threads):
    """Flat files as the bands of a GeoTIFF, window by window."""
    first = job.flat(flats[0], np.uint8 if name.startswith("change_") else np.float32)
    profile = {
        "driver": "GTiff", "height": job.shape[0], "width": job.shape[1], "count": len(flats), "dtype": first.dtype,
        "crs": job.study.grid.crs, "transform": job.study.grid.transform(), "tiled": True, "blockxsize": 512,
        "blockysize": 512, "compress": "deflate", "interleave": "band", "num_threads": threads,
        "nodata": 255 if first.dtype == np.uint8 else np.nan, "predictor": 1 if first.dtype == np.uint8 else 3,
    }  # fmt: skip
    with rasterio.open(os.path.join(out, name + ".tif"), "w", **profile) as target:
        for row in range(0, job.shape[0], 512):
            rows = min(512, job.shape[0] - row)
            for band, flat in enumerate(flats, 1):
                values = job.flat(flat, first.dtype)[row : row + rows]
                target.write(values, band, window=Window(0, row, job.shape[1], rows))


def run(path, out, processes, window):
    """The whole job; returns seconds by stage."""
    begun, times = time.perf_counter(), {}

    def lap(stage):
        times[stage] = round(time.perf_counter() - begun - sum(times.values()), 3)

    os.makedirs(out, exist_ok=True)
    work = tempfile.mkdtemp(prefix="work-", dir=out)
    try:
        begin(path, work, window)
        job = JOB
        cases = [kind + name for name in job.names for kind in ("hydroperiod_", "sd_", "depth_", "suitability_")]
        cases += ["hydroperiod_observed", "inundation_frequency", "recurrence", "trend_slope", "trend_p"]
        for name in [*cases, "suitability_observed"]:
            job.flat(name)
        for name in ["ever_dry", "compared"] + [k + n for k in ("habitat_", "change_") for n in job.names]:
            job.flat(name, np.uint8)
        numbers = range(len(job.windows))
        with ProcessPoolExecutor(processes, initializer=begin, initargs=(path, work, window)) as pool:
            each = pool.map if processes > 1 else map
            samples = list(each(record, numbers))
            lap("record")
            prior = priors(job, samples)
            lap("priors")
            sums = list(each(fit, numbers, [prior] * len(numbers)))
            codes = np.unique(np.concatenate([part[0] for part in sums]))
            total = np.zeros((3, len(codes)))
            for own, *parts in sums:
                total[:, np.searchsorted(codes, own)] += parts
            lap("fit")
            lines = codes, total[2] / total[0] + job.g * total[1] / total[0]
            list(each(answer, numbers, [lines] * len(numbers)))
            lap("scenarios")
            counts = {}
            for part in each(habitat, numbers):
                for key, found in part.items():
                    counts[key] = counts.get(key, 0) + found
            lap("habitat")
            found = list(each(patch_table, job.names))
        lap("patches")
        tables(job, out, counts, found)
        files = {name: [name] for name in ("hydroperiod_observed", "inundation_frequency", "recurrence")}
        files["water_trend"] = ["trend_slope", "trend_p"]
        files["suitability_observed"] = ["suitability_observed"]
        for name in job.names:
            files["hydroperiod_" + name] = ["hydroperiod_" + name, "sd_" + name]
            files["suitability_" + name] = ["suitability_" + name]
            if name != "baseline":
                files["change_" + name] = ["change_" + name]
        for name, flats in files.items():
            write(job, out, name, flats, processes)
        lap("writing")
    finally:
        shutil.rmtree(work)
    return times


def patch_table(name):
    """As `patches`, in a process."""
    return patches(JOB, name)


def tables(job, out, counts, found):
    """Areas by case and by class, and patches, as CSV."""
    cell_ha = job.cell**2 / 1e4
    rows = []
    for name, table in zip(job.names, found):
        row = {"scenario": name, **losses(counts[name, "zones"].reshape(256, 32).sum(axis=0), cell_ha)}
        row |= {"patches": len(table), "mean_patch_ha": table["area_ha"].mean()}
        del row["baseline_ha"], row["prior_only_ha"]
        rows.append(row)
    pd.DataFrame(rows).to_csv(os.path.join(out, "habitat_area.csv"), index=False)
    pd.concat(found).to_csv(os.path.join(out, "patches.csv"), index=False)
    for role in SPLITS:
        rows = []
        for name in job.names:
            for code, own in enumerate(counts[name, role].reshape(256, 32)):
                if own.any():
                    rows.append({"scenario": name, "code": "" if code == 255 else code, **losses(own, cell_ha)})
        name = "habitat_loss_by_" + ("zone" if role == "zones" else role)
        pd.DataFrame(rows).to_csv(os.path.join(out, name + ".csv"), index=False)


def main():
    """Command line; prints the seconds of every stage as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("study")
    parser.add_argument("--out", required=True)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--window", type=int, default=512)
    arguments = parser.parse_args()
    times = run(arguments.study, arguments.out, arguments.processes, arguments.window)
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(json.dumps({"stages": times, "peak_kib": peak}))


if __name__ == "__main__":
    main()
