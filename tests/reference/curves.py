"""How water differs from ground to ground within a pool, and what a fall of its level makes of a cell."""

import numpy as np
import pandas as pd
from scipy.ndimage import binary_dilation

from regression import fit_held

WET_CELLS = 30
TENTHS = 1e4  # ground in tenths of a millimetre
BIN, BIN_CELLS = 500, 5
SURFACE_CELLS, SURFACE_SHARE, LASTING = 10, 5, 0.9
NEVER_WET = -10.0
BESIDE = 10  # percentile of the ground beside a pool
COLUMNS = [
    "lowest_m", "stands_at_m", "highest_m", "cells", "months_seen", "share_wet",
    "intercept", "slope_on_index", "season_sine", "season_cosine",
]  # fmt: skip


def tenths(ground):
    """Ground to the nearest tenth of a millimetre, in these; NaN stays."""
    return np.floor(TENTHS * ground + 0.5)


def surfaces(ground, lasting):
    """Which of these cells of a pool lie on ground as flat as a surface of water, bool; `lasting` says where water lasts."""
    out = np.zeros(len(ground), bool)
    for height in np.unique(ground):
        here = ground == height
        if here.sum() >= max(SURFACE_CELLS, len(ground) / SURFACE_SHARE) and lasting[here].mean() >= 0.5:
            out |= here
    return out


def bins(ground):
    """Slices of rising ground in tenths of a millimetre: at least 0.05 m and five cells each."""
    starts = [0]
    for i in range(len(ground)):
        if ground[i] - ground[starts[-1]] >= BIN and i - starts[-1] >= BIN_CELLS:
            starts.append(i)
    if len(starts) > 1 and len(ground) - starts[-1] < BIN_CELLS:
        starts.pop()
    return [slice(a, b) for a, b in zip(starts, starts[1:] + [len(ground)])]


class Curve:
    """The response of one pool: `ground` (knots,) rising, `beta` (knots, 4), and a row of the table for each knot."""

    def __init__(self, response, known, code):
        """`known`: cells that may take part, those on a surface of water not."""
        r, ground, pool = response, tenths(response.elevation), response.pool
        cells = np.flatnonzero(known & (pool == code) & ~r.surface)
        cells = cells[np.argsort(ground[cells], kind="stable")]  # equal ground in reading order
        self.ground, self.beta, self.rows = [], [], []
        for part in bins(ground[cells]):
            own = cells[part]
            beta = self.fitted(r, own)
            seen, wet = r.seen[own].sum(), (r.y[own] * r.seen[own]).sum()
            self.knot(ground[own], ground[own].mean(), beta, seen, wet / seen)
        around = binary_dilation((pool == code).reshape(r.study.grid.shape), np.ones((3, 3))).ravel()
        beside = ground[known & around & np.isnan(pool) & ~r.wet & (ground > ground[cells[-1]])]
        if beside.size:
            self.knot(beside, np.percentile(beside, BESIDE), self.dry(self.beta[-1]), np.nan, np.nan)
        self.ground, self.beta = np.array(self.ground), np.array(self.beta)

    def dry(self, beta):
        """Coefficients of ground never wet, the others from elsewhere; z of a level goes with steep slopes."""
        return np.array([NEVER_WET - beta[1] * self.highest_z, *beta[1:]])

    def fitted(self, r, cells):
        """Coefficients of the months of these cells together."""
        codes, counts = np.unique(r.group[cells], return_counts=True)
        group = codes[counts.argmax()]
        mean, weight = r.prior[group][:2]
        level = r.level_groups.get(group)
        self.highest_z = level.highest_z if level else 0.0
        if not r.wet[cells].any():
            return self.dry(self.beta[-1] if self.beta else np.maximum(mean, [0, 0, -np.inf, -np.inf]))
        x, y, weights = [], [], []
        for climate, own in r.by_climate(cells):
            at, own = r.base.at[climate], cells[own]
            seen = r.seen[own][:, at].sum(axis=0)
            x.append(r.base.x[climate])
            y.append((r.y[own] * r.seen[own])[:, at].sum(axis=0) / np.maximum(seen, 1))
            weights.append(seen * weight / len(cells))
        mean, sd = np.array([[0.0, *mean[1:]]]), r.sd
        if level:
            mean, sd = level.of_cells(tenths(r.elevation[cells]).mean(keepdims=True) / TENTHS, r.sd)
        x, y, weights = (np.concatenate(part) for part in (x, y, weights))
        return fit_held(x, y[None], weights[None], mean, sd)[0][0]

    def knot(self, ground, stands_at, beta, seen, share):
        """One more knot, from the ground of its cells."""
        self.ground.append(stands_at / TENTHS)
        self.beta.append(beta)
        low, high = ground.min() / TENTHS, ground.max() / TENTHS
        self.rows.append((low, stands_at / TENTHS, high, len(ground), seen, share, *beta))

    def at(self, ground, g):
        """Coefficients (heights, 4); beyond the ends the intercept goes on with g."""
        ground = np.asarray(ground, float)
        out = np.column_stack([np.interp(ground, self.ground, b) for b in self.beta.T])
        out[:, 0] -= g * np.maximum(ground - self.ground[-1], 0)
        out[:, 0] += g * np.maximum(self.ground[0] - ground, 0)
        return out

    def passed(self, own, ground, h, g):
        """Responses (k, 4) a cell passes while the level falls by h; `own` is None for a cell never wet."""
        ground = tenths(ground) / TENTHS
        low, high = sorted((ground, ground + h))
        knots = self.ground[(self.ground > low) & (self.ground < high)]
        there = self.at([low, *knots, high], g)
        if own is None:
            return there
        out = own + there - self.at([ground], g)
        between = []
        for one, other in zip(out, out[1:]):
            if one[1] * other[1] < 0:
                between.append(one + one[1] / (one[1] - other[1]) * (other - one))
        out = np.array([*out, *between])
        out[:, 1] = np.maximum(out[:, 1], 0)
        return out


def find(response):
    """{pool code: its curve}, where the study has pools, ground, a scenario that moves the water table, and no g of
    its own. Marks in `response.surface` which cells lie on a surface of water."""
    study = response.study
    name, given = study.role("pools"), study.text.get("inundation", {}).get("logits_per_metre")
    moves = any("drawdown_m" in scenario for scenario in study.scenarios)
    if name is None or study.role("ground") is None or given is not None or not moves:
        return {}
    r, pool = response, response.pool
    known = r.assessed & ~np.isnan(r.elevation) & study.inside.ravel()
    ground, out = tenths(r.elevation), {}
    seen = r.seen.sum(axis=1)
    lasting = (r.y * r.seen).sum(axis=1) > LASTING * seen
    for code in np.unique(pool[known & ~np.isnan(pool)]):
        own = np.flatnonzero(known & (pool == code))
        flat = np.unique(ground[own][surfaces(ground[own], lasting[own])])
        r.surface |= (pool == code) & np.isin(ground, flat)
        if (r.wet[own] & ~r.surface[own]).sum() >= WET_CELLS:
            out[code] = Curve(r, known, code)
    return out


def table(response, found):
    """The table drawdown_curves; None without a curve."""
    if not found:
        return None
    legend = response.study.legend(response.study.role("pools"))
    rows = [
        (str(int(code)), legend.get(int(code), {}).get("name", str(int(code))), *row)
        for code, curve in found.items()
        for row in curve.rows
    ]
    return pd.DataFrame(rows, columns=["code", "name", *COLUMNS])
