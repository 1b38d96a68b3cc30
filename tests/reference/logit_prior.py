"""Logistic regression with a normal prior, by statsmodels' likelihood and scipy's minimiser.

    python logit_prior.py MEAN SD WEIGHT < CELLS.csv

MEAN and SD are four numbers each, with commas. Standard input has a line per observed month: cell, four columns of the
design, state (0 or 1). Prints per cell: cell, four coefficients, and their covariance row by row: the inverse of the
Hessian of what is minimised, by statsmodels' own Hessian. The second coefficient is at least 0: where the free maximum
lies below, the maximum on the bound is given (the function is concave), and its row and column of the covariance are 0.
"""

import sys

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from statsmodels.discrete.discrete_model import Logit


def maximise(model, mean, sd, weight, free):
    """Maximum over the coefficients `free`, the others held at 0, and the inverse Hessian there."""

    def full(b):
        beta = np.zeros(4)
        beta[free] = b
        return beta

    def value(b):
        beta = full(b)
        return -weight * model.loglike(beta) + 0.5 * np.sum(np.square((beta - mean) / sd)[free])

    def slope(b):
        beta = full(b)
        return (-weight * model.score(beta) + (beta - mean) / np.square(sd))[free]

    def bend(b):
        full_bend = -weight * model.hessian(full(b)) + np.diag(1 / np.square(sd))
        return full_bend[np.ix_(free, free)]

    found = minimize(value, mean[free], jac=slope, method="BFGS")
    b = found.x
    for _ in range(20):
        b = b - np.linalg.solve(bend(b), slope(b))
    assert np.abs(slope(b)).max() < 1e-8, slope(b)
    assert value(b) <= found.fun + 1e-9
    spread = np.zeros((4, 4))
    spread[np.ix_(free, free)] = np.linalg.inv(bend(b))
    return full(b), spread


def main():
    mean, sd = (np.array([float(v) for v in text.split(",")]) for text in sys.argv[1:3])
    weight = float(sys.argv[3])
    months = pd.read_csv(sys.stdin, header=None).to_numpy(float)
    for cell in np.unique(months[:, 0]):
        own = months[months[:, 0] == cell]
        model = Logit(own[:, 5], own[:, 1:5])
        beta, spread = maximise(model, mean, sd, weight, np.arange(4))
        if beta[1] < 0:
            beta, spread = maximise(model, mean, sd, weight, np.array([0, 2, 3]))
        numbers = [*beta, *spread.ravel()]
        print(",".join([f"{cell:.0f}"] + [repr(float(number)) for number in numbers]))


if __name__ == "__main__":
    main()
