"""Says what scipy makes of samples and of values at the points of a sensitivity design.

    python sampling.py QUESTIONS.json

`hypercubes`: lists of points; answers with their centred discrepancy, and the least and the largest of 60 Latin hypercubes and of 60
random samples of the same size by scipy.stats.qmc. `indices`: values by kind of point (`a`, `b`, and `mixed` by factor); answers
with first-order and total indices by scipy.stats.sobol_indices.
"""

import json
import sys

import numpy as np
from scipy.stats import qmc, sobol_indices


def hypercube(points):
    points = np.array(points)
    shape = points.shape
    discrepancy = lambda sample: float(qmc.discrepancy(sample, method="CD"))
    latin = [discrepancy(qmc.LatinHypercube(d=shape[1], rng=seed).random(shape[0])) for seed in range(60)]
    rng = np.random.default_rng(1)
    chance = [discrepancy(rng.random(shape)) for _ in range(60)]
    return {"own": discrepancy(points), "latin": [min(latin), max(latin)], "chance": [min(chance), max(chance)]}


def indices(values):
    a, b = np.array(values["a"])[None], np.array(values["b"])[None]
    mixed = np.array(values["mixed"])[:, None]
    found = sobol_indices(func={"f_A": a, "f_B": b, "f_AB": mixed}, n=a.shape[1])
    return {"first": found.first_order.ravel().tolist(), "total": found.total_order.ravel().tolist()}


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        questions = json.load(file)
    print(json.dumps({
        "hypercubes": [hypercube(points) for points in questions["hypercubes"]],
        "indices": [indices(values) for values in questions["indices"]],
    }))  # fmt: skip


if __name__ == "__main__":
    main()
