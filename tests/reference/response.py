"""How water follows drought and drawdown in every cell.

Observations are (cells, baseline months): y is 1 wet, 0 dry, with a bool array of what was seen. Each climate has
design months of its own; cells without a climate are not assessed.
"""

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

import curves
import levels
from climate import replayed_years, scenario_climate
from inputs import StudyError
from regression import (
    brier_saved, covariance, design_matrix, fit, fit_held, hydroperiod_sd, serial_weight, year,
)  # fmt: skip
from water import mann_kendall, theil_sen

MINIMUM_CELLS = 30
MINIMUM_RELIEF_M = 0.3
MINIMUM_G = 1e-3
SAMPLE = 5000
SEARCH_SD = np.array([10.0, 5.0, 5.0, 5.0])
QUALITY_CELLS = 300
SIGNIFICANT = 0.05
EDGE_MONTHS = 0.01  # a trend brings a mean hydroperiod no nearer to 0 or 12


def split_mix(state):
    """One output of SplitMix64 (Steele, Lea and Flood 2014), on uint64 arrays."""
    with np.errstate(over="ignore"):
        z = state + np.uint64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return z ^ (z >> np.uint64(31))


class Designs:
    """The months of each climate with the z of one case, by climate: their positions `at` on the axis of the case (the
    baseline, or the years replayed), the months themselves, z, and x."""

    def __init__(self, axis, at, z):
        self.axis, self.at, self.z = axis, at, z
        self.months = [axis[own] for own in at]
        self.x = [design_matrix(m, value) for m, value in zip(self.months, z)]

    def calendar_means(self, climate):
        """Mean z of each calendar month of a climate, (12,); NaN for one without design months."""
        calendar, z = self.months[climate] % 12, self.z[climate]
        return np.array([z[calendar == m].mean() if m in calendar else np.nan for m in range(12)])


class Observed:
    """What was seen of every cell of the grid (flat, in reading order), and its climate and group."""

    def __init__(self, study, climates, history, water):
        self.study, self.climates = study, climates
        section = study.text.get("inundation", {})
        driver = section.get("driver", "index" if climates else "season")
        self.answers = driver == "index"
        flat = history.reshape(len(study.baseline), -1).T
        self.seen, self.y = flat >= 0, (flat == 1).astype(float)
        if self.answers:
            self.climate_of = climates.of_cell
        else:
            self.climate_of = np.zeros(len(flat), int)
        self.assessed = water["assessed"].ravel() & (self.climate_of >= 0)
        self.wet = water["ever_wet"].ravel() & self.assessed
        self.never_dry = self.wet & ~water["ever_dry"].ravel()
        frequency = water["frequency"].ravel()
        self.middle = (
            study.inside.ravel() & self.assessed & (frequency >= 0.1) & (frequency <= 0.9)
        )
        prior = section.get("prior", {})
        self.sd = np.array(
            [
                prior.get("intercept_sd", 10.0),
                prior.get("index_sd", 0.5),
                prior.get("season_sd", 1.0),
                prior.get("season_sd", 1.0),
            ]
        )
        self.groups()

    def by_climate(self, cells):
        """Pairs of a climate and the positions among `cells` of those that have it."""
        for climate in np.unique(self.climate_of[cells]):
            yield climate, np.flatnonzero(self.climate_of[cells] == climate)

    def groups(self):
        """Group number of every cell: its class, or one more group where it has none."""
        name = self.study.text.get("inundation", {}).get("groups", self.study.role("wetland_class"))
        if name is None:
            self.group = np.zeros(self.study.grid.rows * self.study.grid.cols)
        else:
            self.group = np.where(
                np.isnan(self.study.layer(name)), np.inf, self.study.layer(name)
            ).ravel()

    def hashes(self, cells):
        """Hash of each of these cells under the study's seed."""
        cols = self.study.grid.cols
        seed = np.array(self.study.text["study"].get("seed", 1), np.uint64)
        row, col = (cells // cols).astype(np.uint64), (cells % cols).astype(np.uint64)
        return split_mix(split_mix(split_mix(seed) ^ row) ^ col)

    def sample(self):
        """Cells behind the priors: of each group those with the smallest hash, at most SAMPLE."""
        cells = np.flatnonzero(self.middle)
        order = np.argsort(self.hashes(cells), kind="stable")
        kept = [cells[order][self.group[cells[order]] == g][:SAMPLE] for g in np.unique(self.group)]
        return np.sort(np.concatenate(kept)).astype(int)

    def priors(self, designs, cells):
        """Prior mean, serial weight and lag-1 autocorrelation by group, from free fits of these cells."""
        if cells.size == 0:
            raise StudyError("no cell with a frequency of 0.1 to 0.9: nothing to learn from")
        beta = np.zeros((len(cells), 4))
        residuals = np.zeros((len(cells), len(self.study.baseline)))
        seen = np.zeros(residuals.shape, bool)
        for climate, own in self.by_climate(cells):
            x, at = designs.x[climate], designs.at[climate]
            own_seen, y = self.seen[cells[own]][:, at], self.y[cells[own]][:, at]
            beta[own] = fit(x, y, own_seen.astype(float), np.zeros((len(own), 4)), SEARCH_SD)
            p = np.clip(expit(beta[own] @ x.T), 1e-6, 1 - 1e-6)
            residuals[np.ix_(own, at)] = (y - p) / np.sqrt(p * (1 - p))
            seen[np.ix_(own, at)] = own_seen
        months = self.study.baseline
        everyone = (np.median(beta, axis=0), *serial_weight(residuals, seen, months))
        prior = {}
        for group in np.unique(self.group):
            own = self.group[cells] == group
            prior[group] = everyone
            if own.sum() >= MINIMUM_CELLS:
                prior[group] = (
                    np.median(beta[own], axis=0),
                    *serial_weight(residuals[own], seen[own], months),
                )
        return prior

    def prior_of(self, prior, cells):
        """(means, weights) of cells by the priors of their groups, the intercept about 0."""
        mean = np.array([prior[g][0] for g in self.group[cells]]).reshape(-1, 4)
        mean[:, 0] = 0
        return mean, np.array([prior[g][1] for g in self.group[cells]])


class Response(Observed):
    """The fitted response of every cell of the grid (flat, in reading order)."""

    def __init__(self, study, climates, history, water):
        super().__init__(study, climates, history, water)
        ground, pools = study.role("ground"), study.role("pools")
        nowhere = np.full(len(self.wet), np.nan)
        self.elevation = study.layer(ground).ravel() if ground else nowhere
        self.ground = curves.tenths(self.elevation) / curves.TENTHS
        self.pool = study.layer(pools).ravel() if pools else nowhere
        self.levels, self.level_groups = [], {}
        self.base = self.designs({})
        self.sampled = self.sample()
        self.classes = set(self.group[self.sampled])
        self.prior = self.priors(self.base, self.sampled)
        self.level_rows = levels.find(self)
        self.base = self.designs({})
        self.fit_cells()
        self.find_lines(study.text.get("inundation", {}).get("logits_per_metre"))
        self.surface = np.zeros(len(self.wet), bool)
        self.curves, self.passed = curves.find(self), {}

    def designs(self, scenario):
        """The designs of every climate in a scenario ({}: the record)."""
        baseline = self.study.baseline
        if not self.answers:
            return Designs(baseline, [np.arange(len(baseline))], [np.zeros(len(baseline))])
        each, changes = self.climates.each, scenario_climate(scenario)
        years = replayed_years(scenario)
        if years is None:
            at = [np.flatnonzero(np.isin(baseline, c.design)) for c in each]
            z = [c.z(*changes) for c in each]
            for place, level in self.levels:
                at.append(at[place])
                z.append(level.z_of(baseline[at[place]], *changes))
            return Designs(baseline, at, z)
        starts = self.study.water_year_starts
        axis = np.array([12 * year + starts - 1 + m for year in years for m in range(12)])
        at = [np.flatnonzero([c.fits[t % 12].usable for t in axis]) for c in each]
        z = [c.z_of(axis[own], *changes) for c, own in zip(each, at)]
        for place, level in self.levels:
            at.append(at[place])
            z.append(level.z_of(axis[at[place]], *changes))
        return Designs(axis, at, z)

    def by_prior(self, cells):
        """(climate, positions among `cells`, prior means, prior sd) of cells fitted alike; in a pool with a level those of known
        ground apart."""
        for climate, own in self.by_climate(cells):
            group = self.level_groups.get(self.group[cells[own[0]]])
            if group is None:
                yield climate, own, self.prior_of(self.prior, cells[own])[0], self.sd
                continue
            ground = self.ground[cells[own]]
            for part in (~np.isnan(ground), np.isnan(ground)):
                if part.any():
                    yield climate, own[part], *group.of_cells(ground[part], self.sd)

    def fit_cells(self):
        """Coefficients of every assessed cell ever wet, their covariance, and the share of the Brier score that they
        save; NaN elsewhere."""
        cells = np.flatnonzero(self.wet)
        weight = self.prior_of(self.prior, cells)[1]
        self.beta, self.clamped = np.full((len(self.wet), 4), np.nan), 0
        self.spread = np.full((len(self.wet), 4, 4), np.nan)
        self.brier_saved = np.full(len(self.wet), np.nan)
        for climate, own, mean, sd in self.by_prior(cells):
            x, at = self.base.x[climate], self.base.at[climate]
            seen, y = self.seen[cells[own]][:, at], self.y[cells[own]][:, at]
            weights = seen * weight[own][:, None]
            beta, held = fit_held(x, y, weights, mean, sd)
            self.beta[cells[own]] = beta
            self.clamped += int(held.sum())
            self.spread[cells[own]] = covariance(x, beta, weights, sd)
            months = self.base.months[climate]
            self.brier_saved[cells[own]] = brier_saved(expit(beta @ x.T), seen, y, months)

    def looked_at(self, group):
        """Cells on which the response of a group is judged: at most 300 of its sample, evenly spread."""
        cells = self.sampled[self.group[self.sampled] == group]
        return cells[:: max(1, -(-len(cells) // QUALITY_CELLS))]

    def residual_trend(self, group):
        """(months per decade, p, middle year) of observed minus modelled hydroperiod, over the design months of each
        cell's climate; None if too short."""
        cells = self.looked_at(group)
        seen, off = np.zeros((2, len(cells), len(self.study.baseline)))
        for climate, own in self.by_climate(cells):
            x, at = self.base.x[climate], self.base.at[climate]
            seen[np.ix_(own, at)] = self.seen[cells[own]][:, at]
            off[np.ix_(own, at)] = self.y[cells[own]][:, at] - expit(self.beta[cells[own]] @ x.T)
        off *= seen
        years, values = [], []
        for one in np.unique(self.study.baseline // 12):
            at = self.study.baseline // 12 == one
            count = seen[:, at].sum(axis=1)
            enough = count >= 6
            if enough.any():
                years.append(float(one))
                values.append(np.mean(12 * off[:, at].sum(axis=1)[enough] / count[enough]))
        if len(years) < 8:
            return None
        values = np.array(values)
        slope = 10 * theil_sen(np.array(years), values)
        return slope, mann_kendall(values)[2], np.mean(years)

    def carried(self, scenario):
        """Logits that the residual trend of its group adds to every cell, (cells,)."""
        out = np.zeros(len(self.wet))
        if not scenario.get("continue_trend"):
            return out
        groups = [g for g in np.unique(self.group) if len(self.looked_at(g))]
        trends = {g: trend for g in groups if (trend := self.residual_trend(g)) is not None}
        for group, trend in trends.items():
            cells = self.looked_at(group)
            if trend[1] * len(trends) >= SIGNIFICANT:
                continue

            def mean(logits, cells=cells):
                return self.expected(self.beta[cells] + [logits, 0, 0, 0], self.base, cells).mean()

            wanted = mean(0.0) + trend[0] * (scenario["horizon"] - trend[2]) / 10
            wanted = min(max(wanted, EDGE_MONTHS), 12 - EDGE_MONTHS)
            out[self.group == group] = brentq(lambda s: mean(s) - wanted, -60, 60, xtol=1e-12)
        return out

    def find_lines(self, given):
        """g (logits per metre) and its line (intercept, slope) on elevation, for every cell."""
        count = len(self.wet)
        self.g, self.line = np.full(count, np.nan), np.full((count, 2), np.nan)
        use = self.middle & ~np.isnan(self.elevation)
        pool = self.pool
        pooled = bool((use & ~np.isnan(pool)).any())
        sets = pool if pooled else np.zeros(count)  # without pools all cells are one set

        def shared(members):
            """g that the sets of these cells share, each about its own means."""
            cells = np.flatnonzero(use & members & ~np.isnan(sets))
            h, a, relief = self.elevation[cells].copy(), self.beta[cells, 0].copy(), 0.0
            for one in np.unique(sets[cells]):
                own = sets[cells] == one
                relief = max(relief, np.ptp(h[own]))
                h[own] -= h[own].mean()
                a[own] -= a[own].mean()
            least = 0.1 if relief >= MINIMUM_RELIEF_M else 0.5
            explained = np.sum(h * a) ** 2 >= least * np.sum(h**2) * np.sum(a**2)
            if len(cells) < MINIMUM_CELLS or not explained:
                return None
            g = -np.sum(h * a) / np.sum(h**2)
            return g if g >= MINIMUM_G else None

        # From the last resort to the first choice, each writing over the one before.
        everyone = np.ones(count, bool)
        if pooled and shared(everyone):
            self.g[:] = shared(everyone)
        for codes in (self.group, pool):
            for code in np.unique(codes[~np.isnan(codes)]):
                if shared(codes == code):
                    self.g[codes == code] = shared(codes == code)
        if given is not None:
            self.g[:] = given
        # Lines run through the means of the pool, or of the group where the study has no pools.
        for codes in (pool,) if pooled else (self.group,):
            for code in np.unique(codes[use & ~np.isnan(codes)]):
                own = use & (codes == code)
                here = (codes == code) & ~np.isnan(self.g)
                slope = -self.g[here]
                level = self.beta[own, 0].mean() - slope * self.elevation[own].mean()
                self.line[here] = np.column_stack([level, slope])
        for code, group in self.level_groups.items() if given is None else ():
            per_m, zero, _ = group.ground
            here = pool == code - levels.POOL_GROUP
            self.g[here], self.line[here] = per_m, [per_m * zero, -per_m]

    def logits(self, beta, designs, climate, cells):
        """Logits (cells, months) of one climate; for cells whose pool has a curve and whose level moves, those of the
        responses they passed."""
        x = designs.x[climate]
        out = beta @ x.T
        for i, cell in enumerate(cells):
            if cell in self.passed:
                bound, responses = self.passed[cell]
                out[i] = bound(responses @ x.T, axis=0)
        return out

    def expected(self, beta, designs, cells):
        """Hydroperiod (cells,), months per year, of coefficients of cells under designs."""
        out = np.zeros(len(cells))
        for climate, own in self.by_climate(cells):
            p = expit(self.logits(beta[own], designs, climate, cells[own]))
            out[own] = year(p, designs.months[climate])
        return out

    def expected_sd(self, beta, designs, cells):
        """Standard deviation of the hydroperiod (cells,) by the errors of each cell's own fit."""
        out = np.zeros(len(cells))
        for climate, own in self.by_climate(cells):
            x, months = designs.x[climate], designs.months[climate]
            p = expit(self.logits(beta[own], designs, climate, cells[own]))
            out[own] = hydroperiod_sd(x, months, p, self.spread[cells[own]])
        return out

    def drawdown(self, scenario):
        """Fall of the water table in every cell as far as it has come about, less what is supplied against it, metres."""
        return scenario.get("drawdown_share", 1.0) * self.whole_fall(scenario) - scenario.get("rise_m", 0.0)

    def whole_fall(self, scenario):
        """Fall of the water table in every cell, metres; NaN where its layer or the zones have no data."""
        fall, count = scenario.get("drawdown_m", 0.0), len(self.wet)
        if isinstance(fall, str):
            return self.study.layer(fall).ravel()
        if isinstance(fall, dict):
            zones = self.study.layer(self.study.role("zones")).ravel()
            out = np.where(np.isnan(zones), np.nan, 0.0)
            for code, metres in fall.items():
                out[zones == int(code)] = metres
            return out
        return np.full(count, float(fall))

    def curved(self, fall):
        """Cells whose answer to this fall a curve tells, (cells,) bool."""
        out = np.isin(self.pool, list(self.curves)) & ~np.isnan(self.elevation) & ~np.isnan(self.g)
        return out & self.assessed & ~self.surface & (np.nan_to_num(fall) != 0)

    def mean_falls_of_z(self, designs, replay):
        """Mean fall of z over the wet months each cell was seen in, (cells,); without any, 0. Replayed months have no
        partner: there the fall is that of the mean of the calendar month."""
        out = np.zeros(len(self.wet))
        everyone = np.flatnonzero(self.climate_of >= 0)
        for climate, own in self.by_climate(everyone):
            at, cells = self.base.at[climate], everyone[own]
            if replay:
                by_calendar = self.base.calendar_means(climate) - designs.calendar_means(climate)
                fall = np.nan_to_num(by_calendar)[self.base.months[climate] % 12]
            else:
                fall = self.base.z[climate] - designs.z[climate]
            was_wet = self.y[cells][:, at] * self.seen[cells][:, at]
            out[cells] = was_wet @ fall / np.maximum(was_wet.sum(axis=1), 1)
        return out

    def scenario(self, scenario, depth):
        """(hydroperiod, its standard deviation, depth) as (rows, columns) under a scenario ({}: the modelled
        baseline)."""
        self.passed = {}
        own_climate = scenario.get("cause") != "climate"
        designs = self.designs(scenario) if own_climate else self.base
        fall = self.drawdown(scenario)
        moves = np.nan_to_num(fall, nan=1.0) != 0
        if moves.any() and np.isnan(self.g).all():
            raise StudyError(f"{scenario['name']}: no logits per metre for a drawdown")
        known_g = ~np.isnan(self.g)
        trend = self.carried(scenario) * scenario.get("drawdown_share", 1.0)
        # A trend works as the fall that would bring it about, where it is known how water follows a fall.
        whole = np.where(known_g, fall - trend / np.where(known_g, self.g, 1.0), fall)
        g = np.where(known_g, self.g, 0.0)  # not known: water does not answer

        hydroperiod = np.where(self.assessed, 0.0, np.nan)
        spread = np.full(len(self.wet), np.nan)
        beta = self.beta.copy()
        rising = self.assessed & ~self.wet & (fall < 0)
        curved = self.curved(fall)
        rising &= ~np.isnan(self.elevation) & (~np.isnan(self.line[:, 0]) | curved)
        for cell in np.flatnonzero(rising & ~curved):
            mean = self.prior[self.group[cell]][0]
            a = self.line[cell, 0] + self.line[cell, 1] * self.elevation[cell]
            beta[cell] = [a, max(mean[1], 0.0), mean[2], mean[3]]
        change = np.where(known_g, -g * whole, trend)
        change[rising] = -g[rising] * fall[rising]
        level = self.line[:, 0] + self.line[:, 1] * self.elevation
        reserve = np.nan_to_num(np.maximum(level - beta[:, 0], 0.0))
        # A curve answers the fall, a line no more than the trend.
        by_line = np.where(curved, whole - fall, whole)
        change[curved & self.wet] = (-g * by_line)[curved & self.wet]
        deep = self.never_dry & (by_line > 0) & known_g
        change[deep] = np.minimum(0.0, reserve[deep] + change[deep])
        beta[:, 0] += change
        for cell in np.flatnonzero(curved & (self.wet | rising)):
            own = self.beta[cell] if self.wet[cell] else None
            curve, h = self.curves[self.pool[cell]], fall[cell]
            responses = curve.passed(own, self.elevation[cell], h, g[cell])
            if own is not None:
                responses[:, 0] += change[cell]
            self.passed[cell] = (np.min if h > 0 else np.max, responses)
            beta[cell] = responses[-1]
        modelled = np.flatnonzero((self.wet | rising) & ~np.isnan(beta[:, 0]))
        hydroperiod[modelled] = self.expected(beta[modelled], designs, modelled)
        fitted = np.flatnonzero(self.wet & ~np.isnan(beta[:, 0]))
        spread[fitted] = self.expected_sd(beta[fitted], designs, fitted)
        # For years one by one: cells with an answer, their coefficients and designs; and cells without.
        self.answered = (modelled, beta[modelled], designs)
        self.unanswered = self.assessed & np.isnan(fall)
        hydroperiod[self.unanswered] = np.nan
        shape = self.study.grid.shape
        if depth is None:
            return hydroperiod.reshape(shape), spread.reshape(shape), None

        held = depth.ravel()
        mean_fall = self.mean_falls_of_z(designs, own_climate and "replay" in scenario)
        b = np.nan_to_num(self.beta[:, 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            lower = np.maximum(0.0, b * mean_fall / self.g + np.where(self.wet, whole, fall))
        # Depths and falls are held as 32-bit floats.
        changed = np.maximum(held.astype(np.float32) - lower.astype(np.float32), 0).astype(float)
        out = np.where(np.isnan(self.g) & ~np.isnan(fall), held, changed)
        return hydroperiod.reshape(shape), spread.reshape(shape), out.reshape(shape)
