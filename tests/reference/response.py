"""How water follows drought and drawdown: a penalised logistic regression per cell.

logit p(t) = a + b z(t) + c sin(2 pi m/12) + d cos(2 pi m/12). Coefficients are (cells, 4) arrays.
Observations are (cells, design months): y is 1 wet, 0 dry, with a bool array of what was seen.
"""

import numpy as np
from scipy.special import expit

from climate import scenario_climate
from inputs import StudyError
from water import fill_round_the_year

MINIMUM_CELLS = 30
MINIMUM_RELIEF_M = 0.3
MINIMUM_G = 1e-3
SAMPLE = 5000
SEARCH_SD = np.array([10.0, 5.0, 5.0, 5.0])


def split_mix(state):
    """One output of SplitMix64 (Steele, Lea and Flood 2014), on uint64 arrays."""
    with np.errstate(over="ignore"):
        z = state + np.uint64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return z ^ (z >> np.uint64(31))


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


class Response:
    """The fitted response of every cell of the grid (flat, in reading order)."""

    def __init__(self, study, climate, history, water):
        self.study, self.climate = study, climate
        section = study.text.get("inundation", {})
        driver = section.get("driver", "index" if climate else "season")
        self.answers = driver == "index"
        self.months = climate.design if self.answers else study.baseline
        self.z_base = climate.z() if self.answers else np.zeros(len(self.months))
        self.x = design_matrix(self.months, self.z_base)
        flat = history[np.isin(study.baseline, self.months)].reshape(len(self.months), -1).T
        self.seen, self.y = flat >= 0, (flat == 1).astype(float)
        self.assessed = water["assessed"].ravel()
        self.wet = water["ever_wet"].ravel() & self.assessed
        self.never_dry = self.wet & ~water["ever_dry"].ravel()
        frequency = water["frequency"].ravel()
        self.middle = (
            study.inside.ravel() & self.assessed & (frequency >= 0.1) & (frequency <= 0.9)
        )
        self.groups()
        self.fit_priors()
        self.fit_cells(section.get("prior", {}))
        self.find_lines(section.get("logits_per_metre"))

    def groups(self):
        """Group number of every cell: its class, or one more group where it has none."""
        name = self.study.text.get("inundation", {}).get("groups", self.study.role("wetland_class"))
        if name is None:
            self.group = np.zeros(self.study.grid.rows * self.study.grid.cols)
        else:
            self.group = np.where(
                np.isnan(self.study.layer(name)), np.inf, self.study.layer(name)
            ).ravel()

    def sample(self):
        """Cells behind the priors: of each group those with the smallest hash, at most SAMPLE."""
        cells = np.flatnonzero(self.middle)
        cols = self.study.grid.cols
        seed = np.array(self.study.text["study"].get("seed", 1), np.uint64)
        row, col = (cells // cols).astype(np.uint64), (cells % cols).astype(np.uint64)
        hashes = split_mix(split_mix(split_mix(seed) ^ row) ^ col)
        order = np.argsort(hashes, kind="stable")
        kept = [cells[order][self.group[cells[order]] == g][:SAMPLE] for g in np.unique(self.group)]
        return np.sort(np.concatenate(kept)).astype(int)

    def fit_priors(self):
        """Prior means and serial weight by group, from free fits of cells neither wet nor dry."""
        cells = self.sample()
        if cells.size == 0:
            raise StudyError("no cell with a frequency of 0.1 to 0.9: nothing to learn from")
        seen, y = self.seen[cells], self.y[cells]
        beta = fit(self.x, y, seen.astype(float), np.zeros((len(cells), 4)), SEARCH_SD)
        p = np.clip(expit(beta @ self.x.T), 1e-6, 1 - 1e-6)
        residuals = (y - p) / np.sqrt(p * (1 - p))
        everyone = (np.median(beta, axis=0), *serial_weight(residuals, seen, self.months))
        self.prior = {}
        for group in np.unique(self.group):
            own = self.group[cells] == group
            self.prior[group] = everyone
            if own.sum() >= MINIMUM_CELLS:
                self.prior[group] = (
                    np.median(beta[own], axis=0),
                    *serial_weight(residuals[own], seen[own], self.months),
                )

    def fit_cells(self, prior):
        """Coefficients of every assessed cell ever wet; NaN rows elsewhere."""
        cells = np.flatnonzero(self.wet)
        sd = np.array(
            [
                prior.get("intercept_sd", 10.0),
                prior.get("index_sd", 0.5),
                prior.get("season_sd", 1.0),
                prior.get("season_sd", 1.0),
            ]
        )
        mean = np.array([self.prior[g][0] for g in self.group[cells]]).reshape(-1, 4)
        mean[:, 0] = 0
        weight = self.seen[cells] * np.array([self.prior[g][1] for g in self.group[cells]])[:, None]
        beta = fit(self.x, self.y[cells], weight, mean, sd)
        against = beta[:, 1] < 0
        self.clamped = int(against.sum())
        if against.any():
            beta[against] = fit(
                self.x, self.y[cells][against], weight[against], mean[against], sd, (0, 2, 3)
            )
        self.beta = np.full((len(self.wet), 4), np.nan)
        self.beta[cells] = beta

    def find_lines(self, given):
        """g (logits per metre) and its line (intercept, slope) on elevation, for every cell."""
        count = len(self.wet)
        self.g, self.line = np.full(count, np.nan), np.full((count, 2), np.nan)
        ground = self.study.role("ground")
        self.elevation = (
            self.study.layer(ground).ravel() if ground else np.full(count, np.nan)
        )

        use = self.middle & ~np.isnan(self.elevation)
        name = self.study.role("pools")
        pool = self.study.layer(name).ravel() if name else np.full(count, np.nan)
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

    def expected(self, beta, z):
        """Hydroperiod (cells,), months per year, of coefficients under the z of a climate."""
        x = design_matrix(self.months, z)
        monthly = np.full((12, len(beta)), np.nan)
        p = expit(beta @ x.T)
        for m in range(12):
            if (self.months % 12 == m).any():
                monthly[m] = p[:, self.months % 12 == m].mean(axis=1)
        return fill_round_the_year(monthly).sum(axis=0)

    def drawdown(self, scenario):
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

    def scenario(self, scenario, depth):
        """(hydroperiod, depth) as (rows, columns) under a scenario ({}: the modelled baseline)."""
        z = self.z_base
        if self.answers and scenario.get("cause") != "climate":
            z = self.climate.z(*scenario_climate(scenario))
        fall = self.drawdown(scenario)
        moves = np.nan_to_num(fall, nan=1.0) != 0
        if moves.any() and np.isnan(self.g).all():
            raise StudyError(f"{scenario['name']}: no logits per metre for a drawdown")
        g = np.where(np.isnan(self.g), 0.0, self.g)  # not known: water does not answer

        hydroperiod = np.where(self.assessed, 0.0, np.nan)
        beta = self.beta.copy()
        rising = self.assessed & ~self.wet & (fall < 0)
        rising &= ~np.isnan(self.elevation) & ~np.isnan(self.line[:, 0])
        for cell in np.flatnonzero(rising):
            mean = self.prior[self.group[cell]][0]
            a = self.line[cell, 0] + self.line[cell, 1] * self.elevation[cell]
            beta[cell] = [a, max(mean[1], 0.0), mean[2], mean[3]]
        modelled = np.flatnonzero(self.wet | rising)
        lowered = beta[modelled].copy()
        change = np.where(moves, -g * fall, 0.0)
        level = self.line[:, 0] + self.line[:, 1] * self.elevation
        reserve = np.nan_to_num(np.maximum(level - beta[:, 0], 0.0))
        deep = self.never_dry & (fall > 0)
        change[deep] = np.minimum(0.0, reserve[deep] + change[deep])
        lowered[:, 0] += change[modelled]
        known = ~np.isnan(lowered[:, 0])
        hydroperiod[modelled[known]] = self.expected(lowered[known], z)
        hydroperiod[self.assessed & np.isnan(fall)] = np.nan
        # For years one by one: cells with an answer, their coefficients, the index; and cells without.
        self.answered = (modelled[known], lowered[known], z)
        self.unanswered = self.assessed & np.isnan(fall)
        shape = self.study.grid.shape
        if depth is None:
            return hydroperiod.reshape(shape), None

        held = depth.ravel()
        # Mean of z_base - z over the wet months each cell was seen in; none: no climate term.
        was_wet = self.y * self.seen
        count = was_wet.sum(axis=1)
        mean_fall = was_wet @ (self.z_base - z) / np.maximum(count, 1)
        b = np.nan_to_num(self.beta[:, 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            lower = np.maximum(0.0, b * mean_fall / self.g + fall)
        changed = np.maximum(held - lower, 0.0)
        out = np.where(np.isnan(self.g) & ~np.isnan(fall), held, changed)
        return hydroperiod.reshape(shape), out.reshape(shape)
