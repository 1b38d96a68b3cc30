"""The level of a pool from a balance of its water, in place of the drought index where it foretells years left out much better."""

import numpy as np
import pandas as pd
from scipy.optimize import nnls
from scipy.special import expit

import curves
from regression import design_matrix, fit, fit_held, serial_weight

CELLS, TRIAL_CELLS, SAMPLE = 30, 30, 100
BINS, CELLS_SEEN, SHARE_SEEN, BRIM = 100, 5, 0.2, 0.995
CAPACITIES_MM = (0, 25, 50, 75, 100, 150, 200)
BEFORE, SPREAD = np.array([1, 1, 0, 0, 0.0]), np.array([0.5, 0.5, 0.04, 10, 0.04])
PAIRS, ROUNDS, LEAST_ERROR_M, LEAST_AREA = 24, 3, 0.005, 0.1
STEPS, STEPS_OF_A_MONTH = 300, 3
EITHER_SIDE, YEARS, EDGE, AT_MOST = 3, 20, 1e-3, 2 / 3
LEAST_SPREAD_M, LEAST_SD = 0.01, 1e-3
SEARCH_SD = np.array([10.0, 5.0, 5.0, 5.0])
POOL_GROUP = -1e12  # groups that are pools: this plus the code
COLUMNS = [
    "pool", "name", "answers_to", "deviance_level", "deviance_index", "cells", "months_seen", "misfit_m", "brim_m", "mean_level_m",
    "level_sd_m", "soil_store_mm", "rain_share", "evaporation_share", "seepage_m", "catchment_share", "inflow_m", "steady_share",
]  # fmt: skip


def group_of(pool):
    return POOL_GROUP + pool


class Bed:
    """Volumes are metres of water over the whole pool; `ground` rises."""

    def __init__(self, ground, brim):
        self.heights = np.unique(np.append(ground[ground <= brim], brim))
        self.shares = np.searchsorted(ground, self.heights, side="right") / len(ground)
        self.held = np.concatenate([[0], np.cumsum(self.shares[:-1] * np.diff(self.heights))])
        self.full = self.held[-1]
        volumes = self.full * np.arange(STEPS + 1) / STEPS
        self.levels = np.interp(volumes, self.held, self.heights)
        self.areas = np.interp(self.levels, self.heights, self.shares)
        self.areas[0] = 0

    def share(self, level):
        return np.interp(level, self.heights, self.shares)

    def volume(self, level):
        return np.interp(level, self.heights, self.held)

    def run(self, rates, forcing):
        """Level at the end of each month."""
        rain, evaporation, seepage, runoff, inflow = rates
        p, e, q = forcing
        over_water = ((rain * p - evaporation * e - seepage) / STEPS_OF_A_MONTH).tolist()
        over_pool = ((runoff * q + inflow) / STEPS_OF_A_MONTH).tolist()
        areas, volume, out = self.areas.tolist(), self.full, []
        for water, pool in zip(over_water, over_pool):
            for _ in range(STEPS_OF_A_MONTH):
                x = volume / self.full * STEPS
                i = min(int(x), STEPS - 1)
                area = areas[i] + (x - i) * (areas[i + 1] - areas[i])
                volume = min(max(volume + area * water + pool, 0.0), self.full)
            out.append(volume)
        return np.interp(np.array(out) / self.full * STEPS, np.arange(STEPS + 1), self.levels)


def forcing(weather, capacity):
    """Rain, evapotranspiration and what the soil sheds (Thornthwaite & Mather 1955), metres a month."""
    held, shed = float(capacity), np.zeros(len(weather[0]))
    for t, gain in enumerate(weather[0] - weather[1]):
        if gain >= 0:
            shed[t] = max(held + gain - capacity, 0.0)
            held = min(held + gain, capacity)
        elif capacity:
            held *= np.exp(gain / capacity)
    return weather[0] / 1e3, weather[1] / 1e3, shed / 1e3


def month_levels(ground, seen, wet):
    """Level of each month: the height between bins of ground that leaves the fewest seen cells wrong, of equals the middle one."""
    order = np.argsort(ground, kind="stable")
    each, ends, number = max(1, -(-len(ground) // BINS)), [], np.zeros(len(ground), int)
    held = each
    for cell in order:
        if ends and (held < each or ends[-1][1] == ground[cell]):
            ends[-1][1] = ground[cell]
            held += 1
        else:
            ends.append([ground[cell], ground[cell]])
            held = 1
        number[cell] = len(ends) - 1
    ends = np.array(ends) / curves.TENTHS
    edges = np.concatenate([[ends[0, 0]], (ends[:-1, 1] + ends[1:, 0]) / 2, [ends[-1, 1]]])
    out = np.full(seen.shape[1], np.nan)
    for t in range(seen.shape[1]):
        if seen[:, t].sum() < max(CELLS_SEEN, SHARE_SEEN * len(ground)):
            continue
        known = np.bincount(number, seen[:, t], len(ends))
        under = np.bincount(number, wet[:, t] * seen[:, t], len(ends))
        wrong = np.concatenate([[0], np.cumsum(known - 2 * under)]) + under.sum()
        best = np.flatnonzero(wrong == wrong.min())
        out[t] = edges[best[len(best) // 2]]
    return out


class Level:
    """A pool's balance. Arrays by month follow the weather of the pool's climate."""

    def __init__(self, ground, seen, fitted, climate):
        self.climate, self.fitted = climate, fitted
        brim = np.percentile(seen[~np.isnan(seen)], 100 * BRIM)
        self.bed = Bed(ground, brim)
        self.seen = np.clip(seen, self.bed.heights[0], brim)
        self.capacity = None

    def fit(self, used):
        """Capacity and rates; False where too little is seen."""
        best = None
        for capacity in CAPACITIES_MM if self.capacity is None else [self.capacity]:
            drive = forcing(self.climate.weather(), capacity)
            rates = self.rates(drive, used)
            if rates is None:
                continue
            level = self.bed.run(rates, drive)
            misfit = np.nansum((level - self.seen)[self.fitted & used] ** 2)
            if best is None or misfit < best[0]:
                best = misfit, capacity, rates, level
        if best is None:
            return False
        _, capacity, self.found, level = best
        self.capacity = capacity
        self.mean, self.sd = level[self.fitted].mean(), level[self.fitted].std()
        return self.sd > 1e-4

    def rates(self, drive, used):
        known = self.fitted & used & (self.seen > self.bed.heights[0] + 0.02)
        pairs = known[1:] & known[:-1] & (self.seen[1:] < self.bed.heights[-1] - 0.01)
        at = np.flatnonzero(pairs) + 1
        if len(at) < PAIRS:
            return None
        area = (self.bed.share(self.seen[at - 1]) + self.bed.share(self.seen[at])) / 2
        per = 1 / np.maximum(area, LEAST_AREA)
        p, e, q = (values[at] for values in drive)
        x = np.column_stack([area * p, -area * e, -area, q, np.ones(len(at))]) * per[:, None]
        y = (self.bed.volume(self.seen[at]) - self.bed.volume(self.seen[at - 1])) * per
        rates = BEFORE
        for _ in range(ROUNDS):
            error = max(np.sqrt(np.mean((x @ rates - y) ** 2)), LEAST_ERROR_M)
            rows = np.vstack([x / error, np.diag(1 / SPREAD)])
            rates = nnls(rows, np.concatenate([y / error, BEFORE / SPREAD]))[0]
        return rates

    def levels(self, *changes):
        return self.bed.run(self.found, forcing(self.climate.weather(*changes), self.capacity))

    def z_of(self, months, factor=np.ones(12), change=np.zeros(12), _shift=None):
        """Standard deviations from the mean level, in any months of the series."""
        z = (self.levels(factor, change) - self.mean) / self.sd
        return z[months - self.climate.months[0]]

    def steady_share(self):
        p, _, q = forcing(self.climate.weather(), self.capacity)
        level, use = self.levels(), self.fitted
        weathered = np.sum((self.found[0] * self.bed.share(level) * p + self.found[3] * q)[use])
        steady = self.found[4] * use.sum()
        return steady / (steady + weathered) if steady > 0 else 0.0


class Group:
    """Priors of a pool's cells whose z is the level."""

    def __init__(self, r, cells, seen, x, at, level):
        y, seen = r.y[cells][:, at] * seen[:, at], seen[:, at]
        beta = fit(x, y, seen.astype(float), np.zeros((len(cells), 4)), SEARCH_SD)
        p = np.clip(expit(beta @ x.T), 1e-6, 1 - 1e-6)
        residuals = np.zeros((len(cells), len(r.study.baseline)))
        known = np.zeros(residuals.shape, bool)
        residuals[:, at], known[:, at] = (y - p) / np.sqrt(p * (1 - p)), seen
        self.prior = (np.median(beta, axis=0), *serial_weight(residuals, known, r.study.baseline))
        self.ground, b = None, self.prior[0][1]
        rising = beta[:, 1] > 0
        above = level.mean - level.sd * beta[rising, 0] / beta[rising, 1] - r.ground[cells[rising]]
        self.usable = b > 0
        if self.usable and len(above):
            middle = np.median(above)
            spread = max(1.4826 * np.median(np.abs(above - middle)), LEAST_SPREAD_M)
            per_m = b / level.sd
            self.ground = per_m, level.mean - middle, max(per_m * spread, LEAST_SD)
            self.highest_z = max(0.0, x[:, 1].max())

    def of_cells(self, ground, sd):
        """(means, sd) of cells that all have a known ground, or all have none (NaN)."""
        mean = np.tile(self.prior[0], (len(ground), 1))
        mean[:, 0] = 0
        if self.ground is not None and not np.isnan(ground).any():
            per_m, zero, own = self.ground
            mean[:, 0] = per_m * (zero - ground)
            sd = np.array([own, *sd[1:]])
        return mean, sd


def trial(r, level, cells, climate):
    """(deviance by the index, by the level) of months of these cells in years left out, or None."""
    base_at, base_x = r.base.at[climate], r.base.x[climate]
    months = r.study.baseline[base_at]
    years = np.unique(months // 12)
    if len(years) < YEARS:
        return None
    side = max(EITHER_SIDE, -(-r.climates.k // 12))
    sums, count = np.zeros(2), 0
    axis_years = r.study.baseline // 12
    series = level.climate.months
    for year in years:
        kept = np.abs(axis_years - year) > side
        used = np.isin(series, r.study.baseline[kept])
        own = Level.__new__(Level)
        own.__dict__ = dict(level.__dict__)
        if not own.fit(used):
            return None
        x = design_matrix(months, own.z_of(months))
        seen = r.seen[cells] & kept
        group = Group(r, cells, seen, x, base_at, own)
        if not group.usable:
            return None
        y = r.y[cells][:, base_at]
        trained = seen[:, base_at]
        mean, weight = r.prior_of(r.prior, cells)
        by_index = fit_held(base_x, y * trained, trained * weight[:, None], mean, r.sd)[0]
        mean, sd = group.of_cells(r.ground[cells], r.sd)
        by_level = fit_held(x, y * trained, trained * group.prior[1], mean, sd)[0]
        of_year = months // 12 == year
        watched = r.seen[cells][:, base_at][:, of_year]
        for k, (beta, rows) in enumerate(((by_index, base_x), (by_level, x))):
            p = np.clip(expit(beta @ rows[of_year].T), EDGE, 1 - EDGE)
            told = np.where(y[:, of_year] == 1, p, 1 - p)
            sums[k] -= 2 * np.sum(np.log(told) * watched)
        count += watched.sum()
    return sums / count if count else None


def wanted(r):
    study, section = r.study, r.study.text.get("inundation", {})
    roles = study.role("pools") and study.role("ground")
    if not (section.get("pool_levels", True) and r.answers and r.climates and roles):
        return False
    return all(climate.weather() is not None for climate in r.climates.each)


def find(r):
    """Gives cells of pools with a level that as their climate, and the pool as their group. Returns the rows of table pool_levels."""
    r.levels, rows = [], []
    if not wanted(r):
        return rows
    study, ground = r.study, curves.tenths(r.elevation)
    known = r.assessed & study.inside.ravel() & ~np.isnan(r.elevation) & ~np.isnan(r.pool)
    seen_months = r.seen.sum(axis=1)
    lasting = (r.y * r.seen).sum(axis=1) > curves.LASTING * seen_months
    legend, accepted = study.legend(study.role("pools")), []
    for code in np.unique(r.pool[known]):
        own = np.flatnonzero(known & (r.pool == code))
        sometimes = own[r.middle[own]]
        if len(sometimes) < CELLS or not 0 <= code < 2**30 or curves.surfaces(ground[own], lasting[own]).any():
            continue
        climates, counts = np.unique(r.climate_of[own], return_counts=True)
        place = climates[counts.argmax()]
        climate = r.climates.each[place]
        found = month_levels(ground[own], r.seen[own], r.y[own])
        seen = np.full(len(climate.months), np.nan)
        fitted = np.isin(climate.months, study.baseline[r.base.at[place]])
        inside = np.isin(study.baseline, climate.months)
        seen[study.baseline[inside] - climate.months[0]] = found[inside]
        name = legend.get(int(code), {}).get("name", str(int(code)))
        row = dict.fromkeys(COLUMNS, np.nan) | {
            "pool": str(int(code)), "name": name, "answers_to": "index", "cells": len(own), "months_seen": (~np.isnan(found)).sum(),
        }  # fmt: skip
        rows.append(row)
        level = Level(np.sort(ground[own]) / curves.TENTHS, seen, fitted, climate)
        if not level.fit(np.ones(len(seen), bool)):
            continue
        off = (level.levels() - level.seen)[fitted]
        row |= {
            "misfit_m": np.sqrt(np.nanmean(off**2)), "brim_m": level.bed.heights[-1], "mean_level_m": level.mean,
            "level_sd_m": level.sd, "soil_store_mm": level.capacity, "steady_share": level.steady_share(),
        }  # fmt: skip
        row |= dict(zip(COLUMNS[12:17], level.found))
        sampled = sometimes[np.argsort(r.hashes(sometimes), kind="stable")][:SAMPLE]
        both = trial(r, level, sampled[:TRIAL_CELLS], place)
        if both is None:
            continue
        row |= {"deviance_index": both[0], "deviance_level": both[1]}
        if both[1] > AT_MOST * both[0]:
            continue
        at = r.base.at[place]
        x = design_matrix(study.baseline[at], level.z_of(study.baseline[at]))
        sampled = np.sort(sampled)
        group = Group(r, sampled, r.seen[sampled], x, at, level)
        if group.usable and group.ground is not None:
            row["answers_to"] = "level"
            accepted.append((code, place, level, group, sampled))
    first = len(r.climates.each)
    taken = np.isin(r.pool, [code for code, *_ in accepted])
    r.sampled = r.sampled[~taken[r.sampled]]
    r.group, r.climate_of = r.group.copy(), r.climate_of.copy()
    for position, (code, place, level, group, sampled) in enumerate(accepted):
        cells = (r.pool == code) & (r.climate_of >= 0)
        r.group[r.pool == code], r.climate_of[cells] = group_of(code), first + position
        r.prior[group_of(code)] = group.prior
        r.level_groups[group_of(code)] = group
        r.sampled = np.concatenate([r.sampled, sampled])
        r.levels.append((place, level))
    r.sampled = np.sort(r.sampled)
    return rows


def table(rows):
    """The table pool_levels; None without a pool tried."""
    return pd.DataFrame(rows, columns=COLUMNS) if rows else None
