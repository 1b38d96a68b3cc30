"""Scenes to make masks of, and what the masks must be, by numpy, scikit-image and rasterio.

python scenes.py make FOLDER           writes the scenes
python scenes.py expect FOLDER OUT     compares the masks in OUT with our own; JSON on standard output

The scenes are cut from a six-band Landsat-7 scene that comes with Debian's package r-cran-stars (bands 1 to 5 and 7).
Dates, quality bits and noise are made up here.
"""

import json
import os
import sys

import numpy as np
import rasterio
from rasterio.transform import Affine
from skimage.filters import threshold_otsu

SCENE = "/usr/lib/R/site-library/stars/tif/L7_ETMs.tif"
GREEN, NIR, SWIR = 1, 3, 4


def bands():
    """The six bands as float64 and the profile of the file."""
    with rasterio.open(SCENE) as source:
        return source.read().astype(float), source.profile


def quality(rows, cols):
    """Quality bits: bit 3 in one rectangle, bits 5-6 = 3 in another, = 1 (not high) in a third."""
    bits = np.zeros((rows, cols), np.uint16)
    bits[20:80, 30:200] |= 1 << 3
    bits[150:220, 100:300] |= 3 << 5
    bits[240:300, 20:120] |= 1 << 5
    return bits


def later(cells):
    """A second scene of the month: green and short-wave infrared change places on the left."""
    cells = cells.copy()
    left = cells[:, :, :150].copy()
    cells[GREEN, :, :150], cells[SWIR, :, :150] = left[SWIR], left[GREEN]
    return cells


def flat(rows, cols):
    """Two bands whose difference has one hump, all of it dry."""
    random = np.random.default_rng(20)
    green = np.clip(random.normal(60, 4, (rows, cols)), 1, 254).round()
    swir = np.clip(random.normal(90, 4, (rows, cols)), 1, 254).round()
    return green, swir


def write(path, cells, profile, **changes):
    """Writes bands, (count, rows, cols)."""
    os.makedirs(os.path.dirname(path), exist_ok=True)
    cells = np.asarray(cells)
    facts = {k: profile[k] for k in ("crs", "transform", "driver")}
    facts |= {"count": cells.shape[0], "height": cells.shape[1], "width": cells.shape[2], "dtype": "uint8"} | changes
    with rasterio.open(path, "w", **facts) as out:
        out.write(cells.astype(facts["dtype"]))


def make(folder):
    """All scenes."""
    cells, profile = bands()
    _, rows, cols = cells.shape
    at = lambda *names: os.path.join(folder, *names)  # noqa: E731
    for band, name in [(GREEN, "B2"), (NIR, "B4"), (SWIR, "B5")]:
        write(at("single", f"L7_20000115_{name}.tif"), cells[band : band + 1], profile)
    write(at("single", "L7_20000115_QA.tif"), [quality(rows, cols)], profile, dtype="uint16")
    write(at("month", "S_20000115.tif"), cells, profile)
    # the later scene starts 40 rows down and 25 columns in: it lies on a grid of its own
    moved = profile["transform"] * Affine.translation(25, 40)
    write(at("month", "S_20000120.tif"), later(cells)[:, 40:, 25:], profile, transform=moved)
    write(at("flat", "S_20000310.tif"), flat(rows, cols), profile)
    far = profile["transform"] * Affine.translation(100000, 0)
    write(at("far", "S_20000115.tif"), cells, profile, transform=far)
    cloudy = np.full((rows, cols), 1 << 3)
    write(at("cloud", "S_20000420.tif"), [cells[GREEN], cells[SWIR], cloudy], profile)


def index(a, b):
    """Normalised difference as stored, NaN where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (a - b) / (a + b)
    return np.where(a + b > 0, value, np.nan).astype(np.float32).astype(float)


def mask(value, threshold):
    """1 above the threshold, 0 below, 255 where there is no value."""
    return np.where(np.isnan(value), 255, value > threshold).astype(np.uint8)


def otsu(value):
    """Otsu's threshold of the finite values, by scikit-image."""
    return float(threshold_otsu(value[np.isfinite(value)], nbins=256))


def majority(masks):
    """The state most scenes show; a tie is wet."""
    masks = np.array(masks)
    seen, wet = (masks != 255).sum(0), (masks == 1).sum(0)
    return np.where(seen == 0, 255, 2 * wet >= seen).astype(np.uint8)


def blocks(cells):
    """Means of 2 x 2 cells; what is left over at the right and bottom is dropped."""
    rows, cols = cells.shape[0] // 2 * 2, cells.shape[1] // 2 * 2
    return cells[:rows, :cols].reshape(rows // 2, 2, cols // 2, 2).mean((1, 3))


def expected(name):
    """Mask of each month (as file name) and thresholds of the scenes in order, for one case."""
    cells, _ = bands()
    _, rows, cols = cells.shape
    if name == "single":
        value = index(cells[GREEN], cells[SWIR])
        bits = quality(rows, cols)
        value[(bits >> 3 & 1 == 1) | (bits >> 5 & 3 == 3)] = np.nan
        threshold = otsu(value)
        return {"water_2000-01.tif": mask(value, threshold)}, [threshold]
    if name == "ratio":
        with np.errstate(divide="ignore"):
            value = (cells[GREEN] / cells[NIR]).astype(np.float32).astype(float)
        value[cells[NIR] <= 0] = np.nan
        return {"water_2000-01.tif": mask(value, 1.25)}, [1.25]
    if name == "month":
        second = np.full_like(cells, np.nan)
        second[:, 40:, 25:] = later(cells)[:, 40:, 25:]
        masks = [mask(index(c[GREEN], c[SWIR]), 0.05) for c in (cells, second)]
        return {"water_2000-01.tif": majority(masks)}, [0.05, 0.05]
    if name == "coarse":
        value = index(blocks(cells[GREEN]), blocks(cells[NIR]))
        threshold = otsu(value)
        return {"water_2000-01.tif": mask(value, threshold)}, [threshold]
    if name == "flat":
        return {"water_2000-03.tif": mask(index(*flat(rows, cols)), -0.1)}, [-0.1]
    raise SystemExit(f"no case {name}")


def main():
    """Command line."""
    task, *arguments = sys.argv[1:]
    if task == "make":
        make(arguments[0])
        return
    name, out = arguments
    masks, thresholds = expected(name)
    facts = {"thresholds": thresholds, "months": {}}
    for file, ours in masks.items():
        with rasterio.open(os.path.join(out, file)) as source:
            theirs, no_data = source.read(1), source.nodata
        facts["months"][file] = {
            "same_size": theirs.shape == ours.shape,
            "different": int((theirs != ours).sum()) if theirs.shape == ours.shape else -1,
            "no_data": no_data,
            "wet": int((ours == 1).sum()),
            "dry": int((ours == 0).sum()),
            "not_seen": int((ours == 255).sum()),
        }
    json.dump(facts, sys.stdout)


if __name__ == "__main__":
    main()
