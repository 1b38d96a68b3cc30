"""Checks of the reference itself against published numbers, general-purpose libraries and sums done
by hand. Run it: python self_test.py
"""

import numpy as np
from scipy.optimize import minimize
from scipy.special import gamma as gamma_function
from scipy.stats import gamma, logistic, norm, theilslopes

import choice
import climate
import curves
import patches
import populations
import ranges
import regression
import response
import suitability
import water
import years as years_module
from inputs import bilinear, overlap


def close(found, expected, tolerance=1e-9):
    """Asserts that two arrays agree."""
    np.testing.assert_allclose(found, expected, rtol=tolerance, atol=tolerance)


def test_evapotranspiration():
    # FAO-56, example 10: 15 May at 22.9 degrees S, 10.9 hours of daylight.
    assert round(climate.day_length(-22.9)[4], 1) == 10.9
    # Thornthwaite (1948) constants worked through by hand for I = 100: 0.675 - 0.771 + 1.792 + 0.49239.
    normals = np.full(12, 5 * (100 / 12) ** (1 / 1.514))
    close(climate.heat_index(normals), 100)
    # April 2001 has 30 days: only the day length remains over 16 (10 T / I)^a.
    april = np.array([2001 * 12 + 3])
    t = normals[0]
    expected = 16 * (10 * t / 100) ** 2.18839 * climate.day_length(40.0)[3] / 12
    close(climate.thornthwaite(april, [t], normals, 40.0), [expected])
    # Willmott's form at 30 degrees C: -415.85 + 967.2 - 387 = 164.35 mm; frost gives 0.
    close(
        climate.thornthwaite(april, [30.0], normals, 40.0),
        [164.35 * climate.day_length(40.0)[3] / 12],
    )
    assert climate.thornthwaite(april, [-2.0], normals, 40.0)[0] == 0


def test_hargreaves_samani():
    # FAO-56, example 20: Lyon, 45 43 N, July, 26.6 and 14.8 degrees C: Ra 40.55 MJ, 5.0 mm a day.
    place = 45 + 43 / 60
    assert round(climate.radiation(place)[6], 2) == 40.55
    july = np.array([2001 * 12 + 6])
    found = climate.hargreaves_samani(july, np.array([14.8]), np.array([26.6]), place)
    close(found / 31, [5.0330553], 1e-7)
    # FAO-56, table 2.6: radiation on the 15th at 20 degrees S, printed to 0.1; the table's own rounding is 0.1.
    printed = [41.9, 40.0, 36.6, 31.3, 26.6, 24.1, 25.0, 28.9, 34.2, 38.6, 41.2, 42.1]
    assert np.abs(climate.radiation(-20.0) - printed).max() < 0.12
    frost = climate.hargreaves_samani(july, np.array([-40.0]), np.array([-30.0]), place)
    assert frost[0] == 0


def test_given_index():
    rng = np.random.default_rng(3)
    rain = np.append(rng.gamma(1.5, 40.0, 30), [0.0, 0.0])
    percent = 100 * rain / rain.mean()
    one, other = climate.GammaIndex(rain, "centre"), climate.GammaIndex(percent, "centre")
    # The distribution does not look at units: the index of the percentages is that of the rain.
    for x in (0.0, 7.0, 55.0, 400.0):
        y = 100 * x / rain.mean()
        close(climate.response_z(one, x), climate.response_z(other, y), 1e-8)
    as_it_is = climate.Standardised(None, None)
    for z in (-6.0, -2.5, 0.3, 4.0):
        close(climate.response_z(as_it_is, z), z)


def test_events():
    # The worked series of run theory, indices from 0: events at 1-4, 9-10 and 12-15; the run at 6 stays above -1.
    index = [0.5, -0.2, -1.3, -0.8, -0.1, 0.4, -0.6, -0.9, 0.3, -1.0, -1.0, 1.2, -0.4, -2.1, -1.7, -0.3]
    found = climate.drought_events(np.array(index))
    assert [(a, b) for a, b, *_ in found] == [(1, 4), (9, 10), (12, 15)]
    close([event[2] for event in found], [2.4, 2.0, 4.5])
    # A month without index neither opens nor closes.
    found = climate.drought_events(np.array([0.2, -1.5, np.nan, -0.5, 0.1]))
    close(found[0], [1, 3, 2.0, 1.0, -1.5])


def test_calendar_means():
    calendar = np.array([0, 1, 0, 1, 2])
    seen = np.array([[True, True, True, False, False], [False] * 5])
    y = np.array([[1.0, 0.0, 0.0, 1.0, 1.0], [1.0] * 5])
    found = choice.calendar_means(calendar, seen, y)
    # January 1 of 2, February 0 of 1, March never seen: 1 of 3 over all; nothing seen: a half.
    close(found[0, :3], [0.5, 0.0, 1 / 3])
    close(found[1], np.full(12, 0.5))


def test_index():
    rng = np.random.default_rng(7)
    sums = rng.gamma(2.0, 30.0, 40)
    fit = climate.GammaIndex(np.append(sums, [0.0] * 10), "centre")
    shape, _, scale = gamma.fit(sums, floc=0)  # scipy's own maximum likelihood
    close(fit.index(50.0), norm.ppf(0.2 + 0.8 * gamma.cdf(50.0, shape, scale=scale)), 1e-5)
    close(fit.index(0.0), norm.ppf(0.1))  # half of the mass of 10 zeros in 50
    assert fit.knot(-2.5) is None

    balance = rng.logistic(-20.0, 30.0, 30) + rng.gamma(1.0, 20.0, 30)
    fit = climate.LogisticIndex(balance, None)
    # The three-parameter log-logistic written out: F = 1/(1 + (alpha/(x - gamma))^beta), unbiased
    # moments of (1 - F).
    x, n = np.sort(balance), len(balance)
    i = np.arange(1, n + 1)
    w0, w1 = x.mean(), np.mean((n - i) / (n - 1) * x)
    w2 = np.mean((n - i) * (n - i - 1) / ((n - 1) * (n - 2)) * x)
    beta = (2 * w1 - w0) / (6 * w1 - w0 - 6 * w2)
    both = gamma_function(1 + 1 / beta) * gamma_function(1 - 1 / beta)
    alpha = (w0 - 2 * w1) * beta / both
    place = w0 - alpha * both
    for value in (-40.0, 10.0, 60.0):
        close(fit.index(value), norm.ppf(1 / (1 + (alpha / (value - place)) ** beta)), 1e-8)
    for z in (-2.5, 2.5):
        at, slope = fit.knot(z)
        close(fit.index(at), z, 1e-8)
        close(slope, (fit.index(at + 1e-4) - fit.index(at - 1e-4)) / 2e-4, 1e-5)
        close(climate.response_z(fit, at + np.sign(z) * 7), z + np.sign(z) * 7 * slope)
    # Beyond the support the line goes on.
    assert np.isfinite(climate.response_z(fit, -1e4)) and climate.response_z(fit, -1e4) < -2.5
    assert not climate.LogisticIndex(np.full(30, 4.0), None).usable
    assert not climate.GammaIndex(np.append(sums[:9], np.zeros(21)), "centre").usable


def test_trend():
    # Sen (1968), the example of seven points whose slope is 4 (also in scipy's test-suite).
    times = np.array([1.0, 2, 3, 4, 10, 12, 18])
    values = np.array([9.0, 15, 19, 20, 45, 55, 78])
    assert water.theil_sen(times, values) == 4
    close(water.theil_sen(times, values), theilslopes(values, times)[0])
    # By hand: 10 15 14 20 has S = 5 - 1 = 4, var = 4 x 3 x 13 / 18, Z = 3 / sqrt(var).
    s, z, p = water.mann_kendall(np.array([10.0, 15, 14, 20]))
    assert s == 4
    close(z, 3 / np.sqrt(156 / 18))
    close(p, 2 * norm.sf(z))
    # Ties by hand: 1 1 2: S = 2, var = (3 x 2 x 11 - 2 x 1 x 9) / 18 = 48 / 18.
    s, z, _ = water.mann_kendall(np.array([1.0, 1, 2]))
    assert s == 2
    close(z, 1 / np.sqrt(48 / 18))


def test_fill():
    year = np.full((12, 1), np.nan)
    year[[0, 4, 10], 0] = [0.8, 0.2, 0.4]
    filled = water.fill_round_the_year(year)[:, 0]
    close(filled, [0.8, 0.5, 0.5, 0.5, 0.2, 0.3, 0.3, 0.3, 0.3, 0.3, 0.4, 0.6])


def bend(beta, x, y, weight, mean, sd):
    """Second differences (4, 4) of the objective of one cell."""

    def value(step):
        return regression.objective((beta + step)[None], x, y[None], weight[None], mean, sd**-2.0)[0]

    h, unit = 1e-3, np.eye(4)
    return np.array(
        [
            [
                value(h * (a + b)) - value(h * (a - b)) - value(h * (b - a)) + value(-h * (a + b))
                for a in unit
            ]
            for b in unit
        ]
    ) / (4 * h * h)


def test_spread_of_hydroperiod():
    # The delta method against 200,000 draws of coefficients that hardly vary, so that the answer is straight.
    rng = np.random.default_rng(5)
    months = np.arange(2001 * 12, 2013 * 12)
    x = regression.design_matrix(months, rng.normal(size=len(months)))
    root = 0.01 * np.tril(rng.normal(size=(4, 4)))
    beta = np.array([0.2, 0.8, -0.5, 0.3])
    p = 1 / (1 + np.exp(-x @ beta))
    found = regression.hydroperiod_sd(x, months, p[None], (root @ root.T)[None])
    drawn = beta + rng.normal(size=(200_000, 4)) @ root.T
    hydroperiods = regression.year(1 / (1 + np.exp(-drawn @ x.T)), months)
    close(found / hydroperiods.std(), [1], 0.01)
    # By hand: January wet in 1 of 2 years, February in 2 of 2: the calendar is off by 2 x 0.25.
    jan_feb = np.array([24000, 24001, 24012, 24013])
    y, seen = np.array([[1.0, 1, 0, 1]]), np.ones((1, 4))
    close(regression.brier_saved(np.array([[0.8, 1, 0.1, 1]]), seen, y, jan_feb), [1 - 0.05 / 0.5])
    assert np.isnan(regression.brier_saved(y, seen, np.ones((1, 4)), jan_feb)[0])


def test_replays():
    given = {"replay": {"years": [2006, 2007, 2009, 2010, 2011, 2009, 2009]}}
    years = climate.replayed_years(given)
    assert climate.runs(years) == [(2006, 2007), (2009, 2011), (2009, 2009), (2009, 2009)]
    assert climate.replayed_years({"replay": {"from": 1998, "to": 2000}}) == [1998, 1999, 2000]
    assert climate.replayed_years({}) is None and climate.runs([]) == []
    # Replayed years stand one after another, so that a season runs over their seam.
    calendar = np.arange(24) % 12
    variable = {"measure": "share of years with a spell", "season": [11, 2], "spell_months": 4}
    plan = years_module.stretches(variable, calendar, 1, np.full(24, np.nan))
    assert [(at, n) for at, n, _ in plan] == [(10, 4)]


def test_fit():
    rng = np.random.default_rng(11)
    months = np.arange(2001 * 12, 2013 * 12)
    z = rng.normal(size=len(months))
    x = regression.design_matrix(months, z)
    y = (rng.random((3, len(months))) < 1 / (1 + np.exp(-(0.3 + z)))).astype(float)
    y[1], y[2] = 0, 1  # separable: only the prior holds these
    weight = 0.4 * (rng.random(y.shape) < 0.8)
    mean, sd = np.tile([0, 0.9, -0.2, 0.3], (3, 1)), np.array([10, 0.5, 1, 1])
    found = regression.fit(x, y, weight, mean, sd)
    for cell in range(3):
        expected = minimize(
            lambda b: regression.objective(
                b[None], x, y[cell : cell + 1], weight[cell : cell + 1], mean[:1], sd**-2.0
            )[0],
            mean[0],
            method="Nelder-Mead",
            options={"xatol": 1e-8, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000},
        )
        close(found[cell], expected.x, 1e-5)
    held = regression.fit(x, y, weight, mean, sd, (0, 2, 3))
    assert (held[:, 1] == 0).all()
    # Covariance: by central differences of the objective's slope; of a b held at 0 without its row and column.
    spread = regression.covariance(x, np.vstack([found[:1], held[:1]]), weight[[0, 0]], sd)
    close(np.linalg.inv(spread[0]), bend(found[0], x, y[0], weight[0], mean[0], sd), 1e-4)
    rest = np.ix_([0, 2, 3], [0, 2, 3])
    expected = bend(held[0], x, y[0], weight[0], mean[0], sd)[rest]
    close(np.linalg.inv(spread[1][rest]), expected, 1e-4)
    assert (spread[1][1] == 0).all() and (spread[1][:, 1] == 0).all()
    # One lag by hand: residuals 1 1 -1 -1: r_1 = (1 - 1 + 1)/3, r_2 = (-1 - 1)/2 stops the sum.
    residuals = np.array([[1.0, 1, -1, -1]])
    w, first = regression.serial_weight(residuals, np.ones((1, 4), bool), np.arange(4))
    close([w, first], [1 / (1 + 2 / 3), 1 / 3])
    # A month left out of the design keeps its place in time: r_1 = (1 x 1)/1, r_2 = -1.
    w, first = regression.serial_weight(residuals[:, :3], np.ones((1, 3), bool), np.array([0, 1, 3]))
    close([w, first], [1 / 3, 1])


def test_measures():
    # A plane falling 1 m per 10 m eastwards: arctan 0.1, on the sides and in the corners too, for what
    # a missing neighbour takes lies on the plane.
    plane = np.tile(-np.arange(5.0), (4, 1))
    close(suitability.slope_degrees(plane, 10.0), np.full((4, 5), np.degrees(np.arctan(0.1))))
    target = np.zeros((3, 4), bool)
    target[0, 0] = True
    close(
        suitability.distance(target, 30.0, 70.0)[:, :3],
        [[0, 30, 60], [30, 30 * 2**0.5, 30 * 5**0.5], [60, 30 * 5**0.5, 70]],
    )
    # A disc of one cell's radius has 5 cells; the corner sees 3 of them, with one target.
    close(suitability.share(target, np.ones((3, 4), bool), 30.0, 30.0)[0, :2], [1 / 3, 1 / 4])
    known = np.ones((3, 4), bool)
    known[0, 1] = False  # two known of five: under half
    assert np.isnan(suitability.share(target, known, 30.0, 30.0)[0, 0])


def test_scores():
    one = np.array([[10.0, 25, 50, 80, 100, 120, -5, np.nan]])
    curve = {"points": [[0, 0], [25, 1], [75, 1], [100, 0.2]]}
    close(suitability.score(curve, one, {}), [[0.4, 1, 1, 0.84, 0.2, 0.2, 0, np.nan]])
    close(
        suitability.score({"trapezoid": [2, 4, 6, 10]}, np.array([[1.0, 3, 5, 7, 10]]), {}),
        [[0, 0.5, 1, 0.75, 0]],
    )
    close(
        suitability.score({"gaussian": {"best": 3, "spread": 2}}, np.array([[5.0]]), {}),
        [[np.exp(-0.5)]],
    )
    close(
        suitability.score({"logistic": {"middle": 3, "steepness": -2}}, np.array([[4.0]]), {}),
        [[logistic.cdf(-2)]],
    )
    a, b = np.array([[0.4, 0.0, np.nan]]), np.array([[0.9, 0.5, 0.5]])
    close(suitability.combine("geometric mean", [a, b], [0.6, 0.4]), [[0.5532647469, 0, 0.5]], 1e-9)
    close(suitability.combine("arithmetic mean", [a, b], [3, 1]), [[0.525, 0.125, 0.5]])
    close(suitability.combine("product", [a, b], [3, 1]), [[0.36, 0, 0.5]])
    close(suitability.combine("minimum", [a, b], [3, 1]), [[0.4, 0, 0.5]])
    # Saaty (2008), table 4: weights .091 .218 .691.
    matrix = [[1, 1 / 3, 1 / 6], [3, 1, 1 / 4], [6, 4, 1]]
    close(suitability.pairwise_weights(matrix, False).round(3), [0.091, 0.218, 0.691])


def test_years():
    # Twelve even tosses: longest run at most 3 in 2872 of 4096 sequences (Schilling 1990; OEIS A000078, from memory).
    tosses = (np.arange(4096)[:, None] >> np.arange(12)) % 2 == 1
    assert (years_module.longest_run(tosses) <= 3).sum() == 2872
    # Draws: each month wet as often as its probability says, neighbours correlated by the share kept.
    hashes = response.split_mix(np.arange(20000, dtype=np.uint64))
    wet = years_module.draw(hashes, 0, 0, np.tile([0.3, 0.3, 0.7], (20000, 1)), 0.6)
    close(wet.mean(axis=0), [0.3, 0.3, 0.7], 0.02)
    close(np.corrcoef(wet[:, 0], wet[:, 1])[0, 1], 0.6, 0.03)
    # Gaps of one and two months between wet ones are closed, one of three is not.
    record = np.array([[1, -1, 1, -1, -1, 1, -1, -1, -1, 1, -1, 0]]).T
    assert (years_module.filled(record)[:, 0] == [1, 1, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0]).all()


def test_curves():
    # One cell every 2 cm: five to a bin, for the sixth lies 0.1 m above the first and the bin then holds five.
    ground = 200.0 * np.arange(43)
    assert [b.stop - b.start for b in curves.bins(ground)] == [5] * 7 + [8]
    close(curves.tenths(np.array([110.46, np.float32(110.46), -0.00006])), [1104600, 1104600, -1])
    height, lasting = np.where(np.arange(60) < 12, 0, np.arange(60)), np.arange(60) < 6
    assert curves.surfaces(height, lasting).sum() == 12
    assert not curves.surfaces(height[1:], lasting[1:]).any() and not curves.surfaces(height, lasting & (height > 0)).any()
    # Linear between 10 and 11 m, by g beyond; b passes 0 a third of the way and is held there.
    curve = curves.Curve.__new__(curves.Curve)
    curve.ground, curve.beta = np.array([10.0, 11.0]), np.array([[4, 1, 0.5, 0], [0, 0.25, 0.5, 1]])
    close(curve.at([9.5, 10.25, 11.5], 3.0), [[5.5, 1, 0.5, 0], [3, 0.8125, 0.5, 0.25], [-1.5, 0.25, 0.5, 1]])
    passed = curve.passed(np.array([5, 0.25, 0, 0]), 10.0, 1.5, 3.0)
    close(passed, [[5, 0.25, 0, 0], [1, 0, 0, 1], [-0.5, 0, 0, 1], [5 - 4 / 3, 0, 0, 1 / 3]])
    close(curve.passed(None, 11.0, -1.5, 3.0), [[5.5, 1, 0.5, 0], [4, 1, 0.5, 0], [0, 0.25, 0.5, 1]])


def test_patches():
    habitat = np.array([[0, 0, 1, 0], [1, 0, 0, 1], [1, 0, 0, 0]], bool)
    areas = np.full(3, 0.09)
    found, count = patches.find(habitat, {}, areas)
    assert count == 2 and found[0, 2] == found[1, 3] == 1 and found[2, 0] == 2
    assert patches.find(habitat, {"neighbours": 4}, areas)[1] == 3
    assert patches.find(habitat, {"neighbours": 4, "minimum_ha": 0.18}, areas)[1] == 1


def test_populations():
    # Crouse, Crowder and Caswell (1987), Ecology 68:1412-1423, tables 3 and 4: lambda 0.945, r -0.0565.
    a = np.diag([0, 0.7370, 0.6610, 0.6907, 0, 0, 0.8089]) + np.diag([0.6747, 0.0486, 0.0147, 0.0518, 0.8091, 0.8091], -1)
    a[0, 4:] = 127, 4, 80
    lam, w, v, e, _ = populations.growth(a)
    assert round(lam, 3) == 0.945 and round(np.log(lam), 4) == -0.0565
    close([w.sum(), e.sum(), v[0]], 1)
    close(populations.stay_and_grow(0.7857, 7), [0.7370, 0.0486], 2e-4)


def test_ranges():
    # Three corners of 3 by 4 km: 6 km2; they lie in three squares of 2 km, however those are shifted.
    corners = np.array([[100.0, 100.0], [3100.0, 100.0], [100.0, 4100.0]])
    close(ranges.hull_km2(corners), 6)
    assert ranges.occupancy_km2(corners) == (12.0, 12.0)
    assert ranges.hull_km2(corners[:2]) == 0 and ranges.hull_km2(np.array([[0.0, 0], [1, 1], [2, 2]])) == 0
    # IUCN guidelines 15.1, section 4.4: 18 + 1/0.04 and 18 + 0.29 x 40 years; three generations, at most 100 years.
    close(ranges.generation({"first_reproduction": 18, "adult_mortality": 0.04}), 43)
    close(ranges.generation({"first_reproduction": 18, "z": 0.29, "reproductive_years": 40}), 29.6)
    close(ranges.generation({"survival": [0.5, 0.5, 0.0], "offspring": [0, 2, 4]}), 1.5)
    assert ranges.told_over({"generation": {"years": 43}}) == 100 and ranges.told_over({}) == 10


def test_resampling():
    # Two source cells of 20 m under grid cells of 30 m: 20 + 10, then 10 + 20 of the next.
    close(overlap(2, 0.0, 30.0, 3, 0.0, 20.0), [[20, 10, 0], [0, 10, 20]])
    values = np.array([[0.0, 4.0], [np.nan, 4.0]])
    u, v = np.array([[0.5, 1.0, 1.0]]), np.array([[0.5, 0.5, 1.0]])
    # At a centre; half way; in the middle of four, one of them missing.
    close(bilinear(values, u, v), [[0, 2, 8 / 3]])
    assert np.isnan(bilinear(values, np.array([[2.1]]), np.array([[0.5]])))[0, 0]


if __name__ == "__main__":
    tests = [f for name, f in list(globals().items()) if name.startswith("test_")]
    for test in tests:
        test()
        print("ok   ", test.__name__)
