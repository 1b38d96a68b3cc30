"""A Poisson regression of counts of trees by 5 m squares, with the area of each square as exposure, by statsmodels.

    python point_process.py FOLDER

reads FOLDER/trees.csv (x, y) and FOLDER/ground.csv (x, y, elev, grad), prints intercept, coefficients and their standard errors.
"""

import os
import sys

import numpy as np
import pandas as pd
import statsmodels.api as sm

STEP, WIDE, HIGH = 5.0, 1000.0, 500.0


def main():
    """Command line."""
    trees, ground = (pd.read_csv(os.path.join(sys.argv[1], n + ".csv")) for n in ("trees", "ground"))
    squares = ground.set_index(["x", "y"])
    # halves go up, as Rust rounds
    place = [tuple(np.floor(c / STEP + 0.5) * STEP) for c in trees[["x", "y"]].values]
    counts = pd.Series(place).value_counts().reindex(squares.index, fill_value=0)

    def side(at, end):
        return np.minimum(at + STEP / 2, end) - np.maximum(at - STEP / 2, 0)

    area = side(ground["x"].values, WIDE) * side(ground["y"].values, HIGH)
    terms = sm.add_constant(ground[["elev", "grad"]].values)
    model = sm.GLM(counts.values, terms, family=sm.families.Poisson(), exposure=area)
    fit = model.fit(tol=1e-14, maxiter=100)
    print(*(repr(float(v)) for v in (*fit.params, *fit.bse)))


if __name__ == "__main__":
    main()
