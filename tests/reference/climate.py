"""Monthly climate, potential evapotranspiration, and the drought index that drives water."""

import calendar as dates

import numpy as np
from scipy.optimize import brentq
from scipy.special import digamma
from scipy.stats import gamma as gamma_distribution
from scipy.stats import norm

from inputs import StudyError
from weather import read_weather

# Day of the year of the 15th of each month, 365 days.
MIDDLE_DAYS = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
LIMIT = 2.5  # beyond it the response's z is a straight line in the sum
SHOWN = 3.5  # the index shown stays within it
SHOWN_CLIMATES = 20  # more climate cells are shown as their mean
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


def radiation(latitude):
    """Radiation at the top of the atmosphere on the 15th, MJ m-2 per day, (12,); FAO-56 equation 21."""
    phi = np.radians(latitude)
    declination = 0.409 * np.sin(2 * np.pi * MIDDLE_DAYS / 365 - 1.39)
    sunset = np.arccos(-np.tan(phi) * np.tan(declination))
    nearness = 1 + 0.033 * np.cos(2 * np.pi * MIDDLE_DAYS / 365)
    daily = sunset * np.sin(phi) * np.sin(declination)
    daily = daily + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / np.pi * 0.0820 * nearness * daily


def hargreaves_samani(months, low, high, latitude):
    """Evapotranspiration, mm per month, from the monthly means of the daily extremes; FAO-56 equation 52."""
    days = np.array([dates.monthrange(m // 12, m % 12 + 1)[1] for m in months])
    water = 0.408 * radiation(latitude)[months % 12]
    daily = 0.0023 * ((low + high) / 2 + 17.8) * np.sqrt(high - low) * water
    return np.maximum(daily, 0) * days


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


class Standardised:
    """An index given as standard deviations."""

    usable = True

    def __init__(self, _sums, _zero):
        pass

    def index(self, x):
        """The number itself."""
        return x

    def knot(self, z):
        """(value, slope) where the index is z: a line of slope 1."""
        return z, 1.0


class Climate:
    """One monthly climate and its index of k months: its z in the record and in any scenario."""

    def __init__(self, study, record, k):
        section = study.text["climate"]
        self.k, self.kind, self.name = k, section["index"], record.name
        self.months, self.series, self.latitude = record.months, record.series, record.latitude
        in_reference = np.isin(self.months, study.reference)
        if "temperature" in self.series:
            warmth = self.series["temperature"]
            self.normals = np.array(
                [warmth[in_reference & (self.months % 12 == m)].mean() for m in range(12)]
            )
        given = {"standardised": Standardised, "percent of normal": GammaIndex}
        kind = {"spi": GammaIndex, "spei": LogisticIndex}.get(
            self.kind, given[section.get("scale_kind", "standardised")]
        )
        sums = self.sums(np.ones(12), np.zeros(12))
        reference = set(study.reference)
        self.fits = []
        for m in range(12):
            at = [x for t, x in sums.items() if t in reference and t % 12 == m]
            self.fits.append(kind(np.array(at), section.get("zero", "centre")))
        # A series of one value is no weather.
        varies = all(np.ptp(values) > 0 for values in self.series.values())
        self.usable = varies and any(fit.usable for fit in self.fits)
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
        """What the index is read from, by the month it ends in: k-month sums under factors on P and changes
        of T by month; the numbers themselves where the index is given."""
        if self.kind == "given":
            return dict(zip(self.months, self.series["anomaly"]))
        calendar = self.months % 12
        balance = self.series["precipitation"] * factor[calendar]
        if self.kind == "spei" and "temperature_min" in self.series:
            balance = balance - hargreaves_samani(
                self.months,
                self.series["temperature_min"] + change[calendar],
                self.series["temperature_max"] + change[calendar],
                self.latitude,
            )
        elif self.kind == "spei":
            warmth = self.series["temperature"] + change[calendar]
            balance = balance - thornthwaite(
                self.months, warmth, self.normals + change, self.latitude
            )
        return {
            self.months[i]: balance[i - self.k + 1 : i + 1].sum()
            for i in range(self.k - 1, len(self.months))
        }

    def weather(self, factor=np.ones(12), change=np.zeros(12)):
        """(rain, evapotranspiration), mm a month, whatever the index looks at; None without rain or temperature."""
        if "precipitation" not in self.series or not set(self.series) - {"precipitation", "anomaly"}:
            return None
        calendar = self.months % 12
        if "temperature_min" in self.series:
            low, high = (self.series[k] + change[calendar] for k in ("temperature_min", "temperature_max"))
            need = hargreaves_samani(self.months, low, high, self.latitude)
        else:
            warmth = self.series["temperature"] + change[calendar]
            need = thornthwaite(self.months, warmth, self.normals + change, self.latitude)
        return self.series["precipitation"] * factor[calendar], need

    def z(self, factor=np.ones(12), change=np.zeros(12), shift=np.zeros(12)):
        """z of each design month, (design months,)."""
        return self.z_of(self.design, factor, change, shift)

    def z_of(self, months, factor, change, shift):
        """z of any months with an index, (months,)."""
        sums = self.sums(factor, change)
        return np.array([response_z(self.fits[t % 12], sums[t]) + shift[t % 12] for t in months])

    def table(self, factor=np.ones(12), change=np.zeros(12), shift=np.zeros(12)):
        """(months, 4) of the record: sum (NaN if given), index shown, 1 if it was limited, z; NaN where none."""
        sums, out = self.sums(factor, change), np.full((len(self.months), 4), np.nan)
        out[:, 2] = 0
        for row, t in enumerate(self.months):
            if t not in sums:
                continue
            if self.kind != "given":
                out[row, 0] = sums[t]
            fit = self.fits[t % 12]
            if fit.usable:
                raw = fit.index(sums[t]) + shift[t % 12]
                out[row, 1] = np.clip(raw, -SHOWN, SHOWN)
                out[row, 2] = abs(raw) > SHOWN
                out[row, 3] = response_z(fit, sums[t]) + shift[t % 12]
        return out


class Climates:
    """Every climate of a study at an index length, and which cell has which."""

    def __init__(self, study, k=None):
        section = study.text["climate"]
        self.weather = read_weather(study)
        self.k = k or section["months"]
        every = [Climate(study, record, self.k) for record in self.weather.records]
        if not self.weather.grid and not all(climate.usable for climate in every):
            raise StudyError("a climate without any index")
        usable = np.array([climate.usable for climate in every])
        self.each = [climate for climate in every if climate.usable]
        # Position among those that have an index; -1 for a cell without climate.
        moved = np.append(np.where(usable, np.cumsum(usable) - 1, -1), -1)
        self.of_cell = moved[self.weather.of_cell]

    def shown(self, areas):
        """The climates as tables show them: (name, function of a scenario's changes to a table); many cells of a
        raster are shown as their mean by area (cells flat, 0 outside the study area)."""
        if not self.weather.grid or len(self.each) <= SHOWN_CLIMATES:
            return [(climate.name, climate.months, climate.table) for climate in self.each]
        weights = np.array([areas[self.of_cell == c].sum() for c in range(len(self.each))])

        def mean(*changes):
            tables = np.array([c.table(*changes) for c, w in zip(self.each, weights) if w > 0])
            w = weights[weights > 0][:, None, None]
            known = ~np.isnan(tables)
            with np.errstate(invalid="ignore", divide="ignore"):
                out = np.sum(w * np.where(known, tables, 0), 0) / np.sum(w * known, 0)
            out[:, 2] = tables[:, :, 2].max(axis=0)
            return out

        name = f"mean of {int((weights > 0).sum())} climate cells"
        return [(name, self.each[0].months, mean)]


def drought_events(index):
    """(first, last, severity, intensity, peak) of the droughts of an index with NaN for none: run theory
    (Yevjevich 1967), opened by -1 or less, closed by 0 or more, from where it fell below 0."""
    found, run = [], []
    for t, value in list(enumerate(index)) + [(len(index), 0.0)]:
        if value < 0:
            run.append(t)
        elif value >= 0:
            values = np.array([index[i] for i in run])
            if run and values.min() <= -1:
                found.append((run[0], run[-1], -values.sum(), -values.mean(), values.min()))
            run = []
    return found


def replayed_years(scenario):
    """Water years that a scenario replays, in order, each named by the year it begins in; None if it replays none."""
    if "replay" not in scenario:
        return None
    replay = scenario["replay"]
    return list(replay.get("years") or range(replay["from"], replay["to"] + 1))


def runs(years):
    """(first, last) year of each run of years that follow one another."""
    out = []
    for year in years:
        if out and year == out[-1][1] + 1:
            out[-1][1] = year
        else:
            out.append([year, year])
    return [tuple(run) for run in out]


def by_month(value, default):
    """Twelve numbers from one or twelve."""
    return np.broadcast_to(np.asarray(default if value is None else value, float), (12,))


def scenario_climate(scenario):
    """(factor on P, change of T, shift of a given index) by calendar month of a scenario section."""
    return (
        1 + by_month(scenario.get("precipitation"), 0) / 100,
        by_month(scenario.get("temperature_c"), 0),
        by_month(scenario.get("index_shift"), 0),
    )
