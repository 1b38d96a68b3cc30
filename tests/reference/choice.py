"""Which length of the drought index is taken: the one that best predicts years left out."""

import numpy as np
from scipy.special import expit

from climate import Climates
from regression import fit_held
from response import Designs, Observed

LENGTHS = (1, 2, 3, 6, 9, 12, 18, 24, 36, 48)
CELLS = 100
COLUMNS = ("months", "deviance", "skill", "cell_months", "chosen")


def choose(study, history, water):
    """(length of the index, rows of the table index_choice) of a study that leaves it to the data."""
    lengths = sorted(study.text["climate"].get("choose_from", LENGTHS))
    climates = {}
    for k in lengths:
        try:
            climates[k] = Climates(study, k)
        except Exception as problem:  # a length that cannot be fitted is left out of the choice
            if "without any index" not in str(problem):
                raise
    observed = Observed(study, next(iter(climates.values())), history, water)
    cells = spread(observed)
    designs = common_designs(study.baseline, climates)
    told = np.array([len(m) > 0 for m in next(iter(designs.values())).months])
    cells = cells[told[observed.climate_of[cells]]]
    scores = {k: left_out(observed, designs[k], cells, k) for k in climates}
    best = min(scores, key=lambda k: (round(scores[k][0], 9), k))
    rows = []
    for k in lengths:
        deviance, skill, count = scores.get(k, (np.nan, np.nan, np.nan))
        rows.append((k, deviance, skill, count, "yes" if k == best else "no"))
    return best, rows


def spread(observed):
    """At most CELLS cells of each group's sample, evenly spread over it."""
    sample, chosen = observed.sample(), []
    for group in np.unique(observed.group[sample]):
        own = sample[observed.group[sample] == group]
        chosen.append(own[:: max(-(-len(own) // CELLS), 1)])
    return np.sort(np.concatenate(chosen))


def common_designs(baseline, climates):
    """Designs by length, each climate's months those that every length has."""
    count = len(next(iter(climates.values())).each)
    months = []
    for c in range(count):
        common = baseline
        for one in climates.values():
            common = np.intersect1d(common, one.each[c].design)
        months.append(common)
    out = {}
    for k, one in climates.items():
        z = [climate.z()[np.isin(climate.design, m)] for climate, m in zip(one.each, months)]
        out[k] = Designs(baseline, [np.flatnonzero(np.isin(baseline, m)) for m in months], z)
    return out


def calendar_means(calendar, seen, y):
    """Share of wet months by calendar month, (cells, 12): of months seen; where one was not, of all."""
    wet, count = y * seen, np.zeros((len(y), 12))
    total = np.zeros((len(y), 12))
    for m in range(12):
        count[:, m] = seen[:, calendar == m].sum(axis=1)
        total[:, m] = wet[:, calendar == m].sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        overall = np.where(seen.any(axis=1), wet.sum(axis=1) / seen.sum(axis=1), 0.5)
        return np.where(count > 0, total / count, overall[:, None])


def left_out(observed, designs, cells, k):
    """(deviance, skill, predictions) of every year predicted from those not within ceil(k/12) years of it."""
    prior = observed.priors(designs, cells)
    mean, weight = observed.prior_of(prior, cells)
    predicted, climatology, wet = [], [], []
    for climate, own in observed.by_climate(cells):
        x, at, months = designs.x[climate], designs.at[climate], designs.months[climate]
        seen, y = observed.seen[cells[own]][:, at], observed.y[cells[own]][:, at]
        years = months // 12
        for year in range(years.min(), years.max() + 1):
            training = seen & (np.abs(years - year) > -(-k // 12))
            beta, _ = fit_held(x, y, training * weight[own][:, None], mean[own], observed.sd)
            means = calendar_means(months % 12, training, y)
            of_year = years == year
            known = seen[:, of_year]
            predicted.append(expit(beta @ x[of_year].T)[known])
            climatology.append(means[:, (months % 12)[of_year]][known])
            wet.append(y[:, of_year][known])
    p, c, wet = (np.concatenate(part) for part in (predicted, climatology, wet))
    held = np.clip(p, 1e-6, 1 - 1e-6)
    deviance = np.mean(-2 * np.log(np.where(wet == 1, held, 1 - held)))
    reference = np.mean((c - wet) ** 2)
    skill = 1 - np.mean((p - wet) ** 2) / reference if reference > 0 else np.nan
    return deviance, skill, len(p)
