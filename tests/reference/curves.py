"""How water differs from ground to ground within a pool, and what a fall of its level makes of a cell."""

import numpy as np
import pandas as pd
from scipy.ndimage import binary_dilation

from regression import fit_held

WET_CELLS = 30
BIN_M, BIN_CELLS = 0.05, 5
NEVER_WET = -10.0
BESIDE = 10  # percentile of the ground beside a pool
COLUMNS = [
    "lowest_m", "stands_at_m", "highest_m", "cells", "months_seen", "share_wet",
    "intercept", "slope_on_index", "season_sine", "season_cosine",
]  # fmt: skip


def bins(ground):
    """Slices of rising ground: at least 0.05 m and five cells each."""
    starts = [0]
    for i in range(len(ground)):
        if ground[i] - ground[starts[-1]] >= BIN_M and i - starts[-1] >= BIN_CELLS:
            starts.append(i)
    if len(starts) > 1 and len(ground) - starts[-1] < BIN_CELLS:
        starts.pop()
    return [slice(a, b) for a, b in zip(starts, starts[1:] + [len(ground)])]


class Curve:
    """The response of one pool: `ground` (knots,) rising, `beta` (knots, 4), and a row of the table for each knot."""

    def __init__(self, response, pool, code):
        r, ground = response, response.elevation
        known = r.assessed & ~np.isnan(ground) & r.study.inside.ravel()
        cells = np.flatnonzero(known & (pool == code))
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

    @staticmethod
    def dry(beta):
        """Coefficients of ground never wet, the others from elsewhere."""
        return np.array([NEVER_WET, *beta[1:]])

    def fitted(self, r, cells):
        """Coefficients of the months of these cells together."""
        codes, counts = np.unique(r.group[cells], return_counts=True)
        mean, weight = r.prior[codes[counts.argmax()]][:2]
        if not r.wet[cells].any():
            return self.dry(self.beta[-1] if self.beta else np.maximum(mean, [0, 0, -np.inf, -np.inf]))
        x, y, weights = [], [], []
        for climate, own in r.by_climate(cells):
            at, own = r.base.at[climate], cells[own]
            seen = r.seen[own][:, at].sum(axis=0)
            x.append(r.base.x[climate])
            y.append((r.y[own] * r.seen[own])[:, at].sum(axis=0) / np.maximum(seen, 1))
            weights.append(seen * weight / len(cells))
        mean = np.array([[0.0, *mean[1:]]])
        parts = (np.concatenate(part) for part in (x, y, weights))
        x, y, weights = parts
        return fit_held(x, y[None], weights[None], mean, r.sd)[0][0]

    def knot(self, ground, stands_at, beta, seen, share):
        """One more knot, from the ground of its cells."""
        self.ground.append(stands_at)
        self.beta.append(beta)
        self.rows.append((ground.min(), stands_at, ground.max(), len(ground), seen, share, *beta))

    def at(self, ground, g):
        """Coefficients (heights, 4); beyond the ends the intercept goes on with g."""
        ground = np.asarray(ground, float)
        out = np.column_stack([np.interp(ground, self.ground, b) for b in self.beta.T])
        out[:, 0] -= g * np.maximum(ground - self.ground[-1], 0)
        out[:, 0] += g * np.maximum(self.ground[0] - ground, 0)
        return out

    def passed(self, own, ground, h, g):
        """Responses (k, 4) a cell passes while the level falls by h; `own` is None for a cell never wet."""
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
    its own."""
    study = response.study
    name, given = study.role("pools"), study.text.get("inundation", {}).get("logits_per_metre")
    moves = any("drawdown_m" in scenario for scenario in study.scenarios)
    if name is None or study.role("ground") is None or given is not None or not moves:
        return {}
    pool = study.layer(name).ravel()
    wet = response.wet & ~np.isnan(response.elevation) & study.inside.ravel()
    codes, counts = np.unique(pool[wet & ~np.isnan(pool)], return_counts=True)
    return {code: Curve(response, pool, code) for code in codes[counts >= WET_CELLS]}


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
