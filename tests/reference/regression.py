"""Penalised logistic regressions of wet months on the drought index and the season, many cells at once.

logit p(t) = a + b z(t) + c sin(2 pi m/12) + d cos(2 pi m/12). Coefficients are (cells, 4) arrays.
"""

import numpy as np
from scipy.special import expit

from inputs import StudyError
from water import fill_round_the_year


def design_matrix(months, z):
    """(months, 4): 1, z, sine and cosine of the calendar month."""
    angle = 2 * np.pi * (months % 12 + 1) / 12
    return np.column_stack([np.ones(len(months)), z, np.sin(angle), np.cos(angle)])


def objective(beta, x, y, weight, mean, precision):
    """Penalised negative log-likelihood of each cell."""
    eta = beta @ x.T
    loss = np.sum(weight * (np.logaddexp(0, eta) - y * eta), axis=1)
    return loss + 0.5 * np.sum(precision * (beta - mean) ** 2, axis=1)


def fit(x, y, weight, mean, sd, free=(0, 1, 2, 3)):
    """Coefficients (cells, 4) at the minimum of the objective; those not free are 0.

    x (months, 4); y and weight (cells, months), weight 0 where not seen; mean (cells, 4); sd (4,).
    Newton's method with halved steps, until the gradient is shorter than 1e-9.
    """
    free = list(free)
    out = np.zeros((len(y), 4))
    for start in range(0, len(y), 1000):  # blocks of cells, for memory only
        block = slice(start, start + 1000)
        out[block, free] = newton(
            x[:, free], y[block], weight[block], mean[block][:, free], sd[free] ** -2.0
        )
    return out


def newton(x, y, weight, mean, precision):
    """The minimum of the objective for a block of cells."""
    k = x.shape[1]
    pairs = (x[:, :, None] * x[:, None, :]).reshape(len(x), k * k)
    beta = mean.copy()
    value = objective(beta, x, y, weight, mean, precision)
    for _ in range(200):
        p = expit(beta @ x.T)
        gradient = (weight * (p - y)) @ x + precision * (beta - mean)
        if (np.linalg.norm(gradient, axis=1) < 1e-9).all():
            return beta
        hessian = ((weight * p * (1 - p)) @ pairs).reshape(-1, k, k) + np.diag(precision)
        step = np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
        scale = np.ones(len(y))
        for _ in range(60):
            trial = beta - scale[:, None] * step
            trial_value = objective(trial, x, y, weight, mean, precision)
            worse = trial_value > value + 1e-12 * (1 + np.abs(value))
            if not worse.any():
                break
            scale[worse] /= 2
        beta, value = trial, trial_value
    raise StudyError("a response did not converge")


def covariance(x, beta, weight, sd):
    """Inverse Hessian (cells, 4, 4) of the objective at its minimum; 0 in row and column of a b held at 0."""
    pairs = (x[:, :, None] * x[:, None, :]).reshape(len(x), 16)
    out = np.zeros((len(beta), 4, 4))
    for start in range(0, len(beta), 1000):
        block = slice(start, start + 1000)
        p = expit(beta[block] @ x.T)
        bend = ((weight[block] * p * (1 - p)) @ pairs).reshape(-1, 4, 4) + np.diag(sd**-2.0)
        out[block] = np.linalg.inv(bend)
        held = beta[block, 1] == 0
        rest = np.ix_(held, [0, 2, 3], [0, 2, 3])
        small = np.linalg.inv(bend[rest])
        out[block][held] = 0
        out[block][rest] = small
    return out


def serial_weight(residuals, seen, months):
    """(1/(1 + 2 sum r_j) held in [0.1, 1], r_1 held in [0, 1]), r_j the lag-j autocorrelation pooled over cells."""
    time = months - months[0]
    dense = np.zeros((len(residuals), time[-1] + 1))
    known = np.zeros(dense.shape, bool)
    known[:, time] = seen
    dense[:, time] = np.where(seen, residuals, 0)
    variance = np.sum(dense**2) / known.sum()
    total, first = 0.0, 0.0
    for lag in range(1, 13):
        pairs = np.sum(known[:, lag:] & known[:, :-lag])
        if pairs == 0:
            break
        r = np.sum(dense[:, lag:] * dense[:, :-lag]) / pairs / variance
        if lag == 1:
            first = min(max(r, 0.0), 1.0)
        if r <= 0:
            break
        total += r
    return min(max(1 / (1 + 2 * total), 0.1), 1.0), first


def fit_held(x, y, weight, mean, sd):
    """As `fit`, b not below 0: where it would be it is 0 and the others are fitted anew; with those cells."""
    beta = fit(x, y, weight, mean, sd)
    against = beta[:, 1] < 0
    if against.any():
        beta[against] = fit(x, y[against], weight[against], mean[against], sd, (0, 2, 3))
    return beta, against


def year(monthly, months):
    """Sum over calendar months of the mean of (cells, months) values over each one's months, (cells,)."""
    means = np.full((12, len(monthly)), np.nan)
    for m in range(12):
        if (months % 12 == m).any():
            means[m] = monthly[:, months % 12 == m].mean(axis=1)
    return fill_round_the_year(means).sum(axis=0)


def hydroperiod_sd(x, months, p, spread):
    """Standard deviation of the expected hydroperiod (cells,) by the delta method; p (cells, months), `spread`
    (cells, 4, 4)."""
    slope = np.column_stack([year(p * (1 - p) * x[:, k], months) for k in range(4)])
    return np.sqrt(np.einsum("ci,cij,cj->c", slope, spread, slope))


def brier_saved(p, seen, y, months):
    """1 - Brier score of p / that of each cell's calendar-month means, over the months seen; NaN where the
    means are never wrong."""
    own = np.sum(seen * (p - y) ** 2, axis=1)
    calendar = np.zeros(len(y))
    for m in range(12):
        at = months % 12 == m
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.sum(seen[:, at] * y[:, at], axis=1) / seen[:, at].sum(axis=1)
        calendar += np.sum(np.where(seen[:, at], (y[:, at] - mean[:, None]) ** 2, 0.0), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(calendar > 1e-12, 1 - own / calendar, np.nan)
