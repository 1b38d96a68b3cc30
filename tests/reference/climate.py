"""Monthly climate, potential evapotranspiration, and the drought index that drives water."""

import calendar as dates
import csv

import numpy as np
from scipy.optimize import brentq
from scipy.special import digamma
from scipy.stats import gamma as gamma_distribution
from scipy.stats import norm

from inputs import StudyError

# Day of the year of the 15th of each month, 365 days.
MIDDLE_DAYS = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
LIMIT = 2.5  # beyond it the response's z is a straight line in the sum
MINIMUM_SUMS = 10


def day_length(latitude):
    """Hours of daylight on the 15th of each month, (12,); FAO-56 equations 24, 25 and 34."""
    phi = np.radians(latitude)
    declination = 0.409 * np.sin(2 * np.pi * MIDDLE_DAYS / 365 - 1.39)
    return 24 / np.pi * np.arccos(-np.tan(phi) * np.tan(declination))


def heat_index(normals):
    """Thornthwaite (1948) heat index of twelve mean monthly temperatures, degrees C."""
    return np.sum((np.maximum(normals, 0) / 5) ** 1.514)


def thornthwaite(months, temperature, normals, latitude):
    """Potential evapotranspiration, mm per month, of month indices and their mean temperatures.

    Thornthwaite (1948); from 26.5 degrees C the form of Willmott, Rowe & Mintz (1985).
    """
    index = heat_index(normals)
    a = 6.75e-7 * index**3 - 7.71e-5 * index**2 + 1.792e-2 * index + 0.49239
    hours = day_length(latitude)[months % 12]
    days = np.array([dates.monthrange(m // 12, m % 12 + 1)[1] for m in months])
    out = np.zeros(len(months))
    for i, t in enumerate(temperature):
        if t >= 26.5:
            out[i] = -415.85 + 32.24 * t - 0.43 * t**2
        elif t > 0 and index > 0:
            out[i] = 16 * (10 * t / index) ** a
    return out * hours / 12 * days / 30


class GammaIndex:
    """SPI of one calendar month: maximum likelihood gamma with a mass at zero."""

    def __init__(self, sums, zero):
        positive = sums[sums > 0]
        self.usable = len(positive) >= MINIMUM_SUMS and np.ptp(positive) > 0
        if not self.usable:
            return
        self.q = 1 - len(positive) / len(sums)
        self.at_zero = self.q if zero == "mass" else self.q / 2
        spread = np.log(positive.mean()) - np.log(positive).mean()
        self.shape = brentq(
            lambda k: np.log(k) - digamma(k) - spread, 1e-6, 1e9, xtol=1e-13, rtol=8.9e-16
        )
        self.fitted = gamma_distribution(self.shape, scale=positive.mean() / self.shape)

    def index(self, x):
        """Index of a sum, not limited."""
        if x <= 0:
            return norm.ppf(self.at_zero)
        upper = (1 - self.q) * self.fitted.sf(x)
        # From the nearer tail, so that a wet sum keeps its digits.
        return norm.isf(upper) if upper < 0.5 else norm.ppf(self.q + (1 - self.q) * self.fitted.cdf(x))

    def knot(self, z):
        """(sum, d index / d sum) where the index is z; None where the mass at zero hides it."""
        if norm.cdf(z) <= self.q:
            return None
        x = self.fitted.isf(norm.sf(z) / (1 - self.q))
        return x, (1 - self.q) * self.fitted.pdf(x) / norm.pdf(z)


class LogisticIndex:
    """SPEI of one calendar month: log-logistic by unbiased probability-weighted moments.

    Written as the generalised logistic distribution by L-moments (Hosking & Wallis 1997), which is
    the three-parameter log-logistic in other parameters.
    """

    def __init__(self, sums, _zero):
        x, n = np.sort(sums), len(sums)
        self.usable = n >= MINIMUM_SUMS and np.ptp(x) > 0
        if not self.usable:
            return
        rank = np.arange(n)
        b0, b1 = x.mean(), np.sum(rank * x) / (n * (n - 1))
        b2 = np.sum(rank * (rank - 1) * x) / (n * (n - 1) * (n - 2))
        l2, l3 = 2 * b1 - b0, 6 * b2 - 6 * b1 + b0
        self.k = -l3 / l2
        self.scale = l2 * np.sinc(self.k)
        bias = 0.0 if self.k == 0 else 1 / self.k - np.pi / np.sin(np.pi * self.k)
        self.place = b0 - self.scale * bias

    def reduced(self, x):
        """y with F = 1/(1 + exp(-y)); infinite beyond the support."""
        u = (x - self.place) / self.scale
        if self.k == 0:
            return u
        if 1 - self.k * u <= 0:
            return np.inf * np.sign(self.k)
        return -np.log1p(-self.k * u) / self.k

    def index(self, x):
        """Index of a sum, not limited; infinite beyond the support."""
        y = self.reduced(x)
        return norm.ppf(1 / (1 + np.exp(-y))) if y < 0 else norm.isf(1 / (1 + np.exp(y)))

    def knot(self, z):
        """(sum, d index / d sum) where the index is z."""
        y = np.log(norm.cdf(z) / norm.sf(z))
        x = self.place + self.scale * (y if self.k == 0 else -np.expm1(-self.k * y) / self.k)
        density = norm.cdf(z) * norm.sf(z) / (self.scale * np.exp(-self.k * y))
        return x, density / norm.pdf(z)


def response_z(fit, x):
    """The index inside [-2.5, 2.5], beyond it linear in the sum with the slope it has there."""
    z = fit.index(x)
    if -LIMIT <= z <= LIMIT:
        return z
    knot = fit.knot(np.copysign(LIMIT, z))
    return z if knot is None else np.copysign(LIMIT, z) + knot[1] * (x - knot[0])


class Climate:
    """The study's monthly series and index, and the z of the baseline and of any scenario."""

    def __init__(self, study):
        section = study.text["climate"]
        self.k, self.kind = section["months"], section["index"]
        self.months, self.precipitation = series(study, section["precipitation"])
        self.temperature = None
        if "temperature" in section:
            months, temperature = series(study, section["temperature"])
            wanted = dict(zip(months, temperature))
            missing = [m for m in self.months if m not in wanted]
            if missing:
                raise StudyError(f"no temperature for month index {missing[0]}")
            self.temperature = np.array([wanted[m] for m in self.months])
            in_reference = np.isin(self.months, study.reference)
            self.normals = np.array(
                [self.temperature[in_reference & (self.months % 12 == m)].mean() for m in range(12)]
            )
        self.latitude = section.get("latitude", study.grid.latitude())
        sums = self.sums(np.ones(12), np.zeros(12))
        kind = {"spi": GammaIndex, "spei": LogisticIndex}[self.kind]
        self.fits = []
        for m in range(12):
            at = [x for t, x in sums.items() if t in set(study.reference) and t % 12 == m]
            self.fits.append(kind(np.array(at), section.get("zero", "centre")))
        first = study.baseline[0]
        if min(sums) > first:
            # The first whole water year with sums.
            first = next(
                t for t in range(min(sums), min(sums) + 12) if t % 12 + 1 == study.water_year_starts
            )
        self.design = np.array(
            [t for t in study.baseline if t >= first and t in sums and self.fits[t % 12].usable]
        )

    def sums(self, factor, change):
        """k-month sums by the month they end in, under factors on P and changes of T by month."""
        balance = self.precipitation * factor[self.months % 12]
        if self.kind == "spei":
            balance = balance - thornthwaite(
                self.months,
                self.temperature + change[self.months % 12],
                self.normals + change,
                self.latitude,
            )
        return {
            self.months[i]: balance[i - self.k + 1 : i + 1].sum()
            for i in range(self.k - 1, len(self.months))
        }

    def z(self, factor=np.ones(12), change=np.zeros(12)):
        """z of each design month, (design months,)."""
        return self.z_of(self.design, factor, change)

    def z_of(self, months, factor, change):
        """z of any months with sums and an index, (months,)."""
        sums = self.sums(factor, change)
        return np.array([response_z(self.fits[t % 12], sums[t]) for t in months])

    def replay(self, years, starts, factor, change):
        """(months, z) of water years in this order, each from calendar month `starts` of its year on."""
        months = np.array([12 * year + starts - 1 + m for year in years for m in range(12)])
        months = months[[self.fits[t % 12].usable for t in months]]
        return months, self.z_of(months, factor, change)


def series(study, column):
    """(month indices, values) of a CSV column, in order of time and without gaps."""
    with open(study.path(column["file"]), newline="", encoding="utf-8-sig") as file:
        rows = [
            (int(r["year"]) * 12 + int(r["month"]) - 1, float(r[column["column"]]))
            for r in csv.DictReader(file)
        ]
    rows.sort()
    months = np.array([m for m, _ in rows])
    if not (np.diff(months) == 1).all():
        raise StudyError(f"{column['file']}: months missing or doubled")
    return months, np.array([v for _, v in rows])


def by_month(value, default):
    """Twelve numbers from one or twelve."""
    return np.broadcast_to(np.asarray(default if value is None else value, float), (12,))


def scenario_climate(scenario):
    """(factor on P, change of T) by calendar month of a scenario section."""
    return (
        1 + by_month(scenario.get("precipitation"), 0) / 100,
        by_month(scenario.get("temperature_c"), 0),
    )
