"""Expected numbers of tests/warp.rs, from general-purpose libraries.

Made with pyproj 3.7.2, numpy 2.4.6, scipy 1.17.1:  python reference.py
Source: 60 x 60 cells of 0.01 degree from 18.3 W, 30.7 S; value = 100 * row + col (bilinear: its square
root, so that the surface bends). Grid: Lambert azimuthal, cells as printed, centred on its origin.
"""

import numpy as np
from pyproj import Transformer
from scipy.ndimage import map_coordinates

LAEA = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m"
to_degrees = Transformer.from_crs(LAEA, "EPSG:4326", always_xy=True).transform
row, col = np.mgrid[0:60, 0:60]
codes = 100 * row + col


def pixels(x, y):
    lon, lat = to_degrees(x, y)
    return (lon + 18.3) / 0.01, (-30.7 - lat) / 0.01


def centres(cell, n):
    at = (np.arange(n) + 0.5 - n / 2) * cell
    return np.meshgrid(at, -at)


def show(name, values):
    print(name, np.array2string(np.asarray(values), separator=", ", max_line_width=100))


x, y = centres(700.0, 6)
u, v = pixels(x, y)
show("nearest 700 m", codes[np.floor(v).astype(int), np.floor(u).astype(int)])
show("bilinear 700 m", map_coordinates(np.sqrt(codes), [v - 0.5, u - 0.5], order=1).round(6))

# 3 km cells from n x n points inside each, placed by pyproj one by one: n = 6 is the rule of the crate
# (2.9 source cells per side), n = 200 nearly the exact area.
x, y = centres(3000.0, 4)
classes = (row // 4 + col // 5) % 3
for n in (6, 200):
    inner = (np.arange(n) + 0.5) / n - 0.5
    mean = np.zeros((4, 4))
    code = np.zeros((4, 4), dtype=int)
    lead = np.zeros((4, 4))
    for i in range(4):
        for j in range(4):
            px, py = np.meshgrid(x[i, j] + inner * 3000.0, y[i, j] - inner * 3000.0)
            u, v = pixels(px, py)
            r, c = np.floor(v).astype(int), np.floor(u).astype(int)
            mean[i, j] = np.sqrt(codes)[r, c].mean()
            shares = np.bincount(classes[r, c].ravel(), minlength=3) / n**2
            code[i, j] = shares.argmax()
            lead[i, j] = np.sort(shares)[-1] - np.sort(shares)[-2]
    show(f"mean 3 km, {n} x {n}", mean.round(5))
    show(f"majority 3 km of (row // 4 + col // 5) % 3, {n} x {n}", code)
    show("lead of the majority", lead.round(3))
