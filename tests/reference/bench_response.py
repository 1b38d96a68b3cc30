"""The fits of pipeline/habitat/benches/response.rs, the same cells, in vectorised numpy.

    python bench_response.py [CRITERION_FOLDER]

prints cells per second on one thread and the mean of all coefficients; with the folder of the harness's results, also the
time of the program's bench and the ratio.
"""

import json
import os
import sys
import time

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"  # before numpy: the program's bench runs on one thread too

import numpy as np  # noqa: E402

SEED, CELLS, MONTHS, GAPS = 7, 2000, 360, 0.15
STEP = np.uint64(0x9E3779B97F4A7C15)
REPEATS = 5
BLOCK = 100  # cells at a time: what stays in the cache; all at once takes twice the time


def split_mix(state):
    """One step of SplitMix64 (Steele et al. 2014), as in the program, so that the cells are the same."""
    z = state + STEP
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def draw(k):
    """Draws `k` of all cells, in [0, 1); `k` is a scalar or a row."""
    cells = np.arange(CELLS, dtype=np.uint64)[:, None]
    mixed = split_mix(split_mix(split_mix(np.array([SEED], np.uint64)) ^ cells) ^ np.uint64(k))
    return (mixed >> np.uint64(11)).astype(float) / 2.0**53


def simulate():
    """Design (months x 4), and observed and wet months (cells x months)."""
    t = np.arange(MONTHS)
    z = np.sin(t / 9.0) + 0.8 * np.cos(t / 23.0 + 1.0)
    angle = 2 * np.pi * (t % 12 + 1) / 12
    x = np.column_stack([np.ones(MONTHS), z, np.sin(angle), np.cos(angle)])
    u = draw(np.arange(4, dtype=np.uint64))
    beta = np.column_stack([4 * u[:, 0] - 2, 0.5 + u[:, 1], u[:, 2] - 0.5, u[:, 3] - 1.5])
    p = 1 / (1 + np.exp(-beta @ x.T))
    observed = draw(np.arange(4, 4 + 2 * MONTHS, 2, dtype=np.uint64)) >= GAPS
    wet = observed & (draw(np.arange(5, 5 + 2 * MONTHS, 2, dtype=np.uint64)) < p)
    return x, observed.astype(float), wet.astype(float)


def newton(x, trials, wet, mean, sd, weight=1.0, steps=50):
    """All cells at once: penalised maximum likelihood by Newton's method with step halving."""
    pairs = (x[:, :, None] * x[:, None, :]).reshape(len(x), 16)
    precision = 1 / np.square(sd)
    beta = np.tile(mean, (len(wet), 1))
    open_cells = np.arange(len(wet))

    def posterior(b, y, n):
        eta = b @ x.T
        fit = np.sum(y * eta - n * np.logaddexp(0, eta), axis=1)
        return weight * fit - 0.5 * np.sum(np.square(b - mean) * precision, axis=1)

    for _ in range(steps):
        b, y, n = beta[open_cells], wet[open_cells], trials[open_cells]
        p = 1 / (1 + np.exp(-b @ x.T))
        gradient = weight * ((y - n * p) @ x) - (b - mean) * precision
        bend = weight * ((n * p * (1 - p)) @ pairs).reshape(-1, 4, 4) + np.diag(precision)
        step = np.linalg.solve(bend, gradient[:, :, None])[:, :, 0]
        size = np.ones(len(b))
        # As in the program: only a step that moves some logit far can overshoot.
        far = np.abs(step @ x.T).max(axis=1) > 1.7
        if far.any():
            before = posterior(b[far], y[far], n[far])
            part = np.ones(far.sum())
            for _ in range(60):
                worse = posterior(b[far] + part[:, None] * step[far], y[far], n[far]) < before
                if not worse.any():
                    break
                part[worse] /= 2
            size[far] = part
        beta[open_cells] = b + size[:, None] * step
        rise = np.sum(step * gradient, axis=1)
        open_cells = open_cells[(rise > 1e-10) | (size < 1)]
        if not len(open_cells):
            break
    return beta


def weight_of(x, observed, wet, beta):
    """Weight of the likelihood by the autocorrelation of Pearson residuals (docs/methods.md)."""
    p = np.clip(1 / (1 + np.exp(-beta @ x.T)), 1e-6, 1 - 1e-6)
    e = np.where(observed > 0, (wet - p) / np.sqrt(p * (1 - p)), np.nan)
    total = 0.0
    for lag in range(1, 13):
        r = np.nanmean(e[:, lag:] * e[:, :-lag]) / np.nanmean(e * e)
        if not r > 0:
            break
        total += r
    return float(np.clip(1 / (1 + 2 * total), 0.1, 1))


def fit_cells(x, observed, wet, mean, weight):
    """The stage: fit, and where the slope on the index is below 0, fit again without it."""
    sd = np.array([10, 0.5, 1, 1.0])
    beta = newton(x, observed, wet, mean, sd, weight)
    below = beta[:, 1] < 0
    if below.any():
        held_mean, held_sd = mean.copy(), sd.copy()
        held_mean[1], held_sd[1] = 0, 1e-9
        beta[below] = newton(x, observed[below], wet[below], held_mean, held_sd, weight)
        beta[below, 1] = 0
    return beta


def main():
    x, observed, wet = simulate()
    wide = newton(x, observed, wet, np.zeros(4), np.array([10, 5, 5, 5.0]))
    share = wet.sum(axis=1) / observed.sum(axis=1)
    mean = np.median(wide, axis=0)
    mean[0] = 0
    weight = weight_of(x, observed, wet, wide)
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        blocks = [slice(at, at + BLOCK) for at in range(0, CELLS, BLOCK)]
        beta = np.concatenate([fit_cells(x, observed[b], wet[b], mean, weight) for b in blocks])
        times.append(time.perf_counter() - begun)
    numpy_seconds = min(times)
    print(f"numpy: mean coefficient {beta.mean():.9f}, weight {weight:.9f}, wet share {share.mean():.3f}")
    print(f"numpy: {CELLS / numpy_seconds:,.0f} cells per second (best of {REPEATS})")
    if len(sys.argv) > 1:
        path = os.path.join(sys.argv[1], "response", "fit_cell", "new", "estimates.json")
        with open(path, encoding="utf-8") as file:
            seconds = json.load(file)["median"]["point_estimate"] / 1e9
        print(f"lentic: {CELLS / seconds:,.0f} cells per second (median)")
        print(f"ratio: {numpy_seconds / seconds:.1f}")


if __name__ == "__main__":
    main()
