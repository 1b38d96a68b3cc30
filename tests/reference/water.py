"""Water history: what was seen wet, month by month, and the measures counted from it.

A history is an int8 array (months, rows, columns): 1 wet, 0 dry, -1 not observed.
"""

import numpy as np
import rasterio
from scipy.stats import norm

from inputs import StudyError, onto_grid, read_band

MINIMUM_YEAR_MONTHS = 6
MINIMUM_TREND_YEARS = 8


def read_history(study):
    """The water history of the baseline, (months, rows, columns)."""
    layer = study.text["layers"][study.role("water")]
    holds = layer.get("holds", "mask")
    wet_at = layer.get("wet_at", {"fraction": 0.5}.get(holds, 0.0))
    out = np.full((len(study.baseline), *study.grid.shape), -1, np.int8)
    for month, files in enumerate(study.water_files()):
        wet, seen = np.zeros(study.grid.shape, int), np.zeros(study.grid.shape, int)
        for path, band in files:
            with rasterio.open(path) as source:
                values = read_band(source, band, layer)
                for code in layer.get("unobserved", []):
                    values[values == code] = np.nan
                if holds == "mask" and not np.isin(values[~np.isnan(values)], (0, 1)).all():
                    raise StudyError(f"{path}: a mask holds 0, 1 and no data only")
                values = onto_grid(study.grid, source, values, holds == "mask")
            values = values * layer.get("scale", 1)
            known = ~np.isnan(values)
            is_wet = {
                "mask": values == 1,
                "fraction": values >= wet_at,
                "depth": values > wet_at,
            }[holds]
            seen += known
            wet += known & is_wet
        # The majority of observations; a tie is wet.
        out[month] = np.where(seen == 0, -1, 2 * wet >= seen)
    return out


def fill_round_the_year(values):
    """(12, n) with each missing month the mean of the nearest known before and after, circular."""
    filled = values.copy()
    for m in range(12):
        for cell in np.flatnonzero(np.isnan(values[m])):
            known = np.flatnonzero(~np.isnan(values[:, cell]))
            if known.size:
                before = known[np.argmin((m - known) % 12)]
                after = known[np.argmin((known - m) % 12)]
                filled[m, cell] = (values[before, cell] + values[after, cell]) / 2
    return filled


def mann_kendall(values):
    """(S, Z, p) of Mann (1945) and Kendall (1975), tie-corrected, continuity of 1 in Z."""
    n = len(values)
    i, j = np.triu_indices(n, 1)
    s = np.sum(np.sign(values[j] - values[i]))
    _, ties = np.unique(values, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18
    z = 0.0 if s == 0 else (s - np.sign(s)) / np.sqrt(variance)
    return s, z, 2 * norm.sf(abs(z))


def theil_sen(times, values):
    """Median of the slopes of all pairs of different times (Sen 1968)."""
    i, j = np.triu_indices(len(times), 1)
    return np.median((values[j] - values[i]) / (times[j] - times[i]))


def measure(study, history):
    """Measures by name, each (rows, columns) float64 with NaN where the water is not assessed.

    hydroperiod (months per year), frequency, recurrence, slope (months per decade), p; and the
    bool arrays assessed, ever_wet, ever_dry.
    """
    rule = study.text.get("inundation", {})
    months, shape = study.baseline, study.grid.shape
    flat = history.reshape(len(months), -1)
    observed, wet = flat >= 0, flat == 1
    calendar = months % 12
    seen_m = np.array([observed[calendar == m].sum(axis=0) for m in range(12)])
    wet_m = np.array([wet[calendar == m].sum(axis=0) for m in range(12)])
    assessed = (observed.sum(axis=0) >= rule.get("minimum_months", 24)) & (
        (seen_m > 0).sum(axis=0) >= rule.get("minimum_calendar_months", 6)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(seen_m > 0, wet_m / seen_m, np.nan)
        frequency = wet.sum(axis=0) / observed.sum(axis=0)
    hydroperiod = fill_round_the_year(rate).sum(axis=0)

    years = np.unique(months // 12)
    seen_y = np.array([observed[months // 12 == y].sum(axis=0) for y in years])
    wet_y = np.array([wet[months // 12 == y].sum(axis=0) for y in years])
    counted = seen_y >= MINIMUM_YEAR_MONTHS
    with np.errstate(invalid="ignore", divide="ignore"):
        recurrence = np.where(
            counted.any(axis=0), (counted & (wet_y > 0)).sum(axis=0) / counted.sum(axis=0), np.nan
        )
    slope, p = np.full(flat.shape[1], np.nan), np.full(flat.shape[1], np.nan)
    for cell in np.flatnonzero(assessed & (counted.sum(axis=0) >= MINIMUM_TREND_YEARS)):
        if not wet[:, cell].any():
            slope[cell], p[cell] = 0.0, 1.0  # every year equal
            continue
        yearly = []
        for y, year in enumerate(years):
            if counted[y, cell]:
                seen = (months // 12 == year) & observed[:, cell]
                expected = rate[calendar[seen], cell].sum()
                yearly.append(12 * (wet_y[y, cell] - expected) / seen.sum() + hydroperiod[cell])
        # Rounded, so that years equal on paper are ties whatever the order of the sums.
        yearly = np.round(np.clip(yearly, 0, 12), 9)
        slope[cell] = 10 * theil_sen(years[counted[:, cell]].astype(float), yearly)
        p[cell] = mann_kendall(yearly)[2]

    def on_grid(values):
        return np.where(assessed, values, np.nan).reshape(shape)

    return {
        "hydroperiod": on_grid(hydroperiod),
        "frequency": on_grid(frequency),
        "recurrence": on_grid(recurrence),
        "slope": on_grid(slope),
        "p": on_grid(p),
        "assessed": assessed.reshape(shape),
        "ever_wet": wet.any(axis=0).reshape(shape),
        "ever_dry": (observed & ~wet).any(axis=0).reshape(shape),
    }
