"""Water indices of a Landsat 7 scene by rasterio, numpy and scikit-image, as JSON on standard output: on the scene's own cells
and averaged onto cells of 60 m that start at the same corner.

python landsat.py L7_ETMs.tif

Bands of the scene: 1 blue, 2 green, 3 red, 4 near infrared, 5 and 6 short-wave infrared (Landsat bands 1 to 5 and 7).
"""

import json
import sys

import numpy as np
import rasterio
from inputs import overlap
from skimage.filters import threshold_otsu

GREEN, NEAR_INFRARED, SHORT_WAVE = 2, 4, 5
SIDE = 60.0


def index(a, b):
    """(a - b) / (a + b), NaN where the sum is 0."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(a + b == 0, np.nan, (a - b) / (a + b))


def facts(bands):
    """Means of the bands; mean, Otsu threshold (256 bins) and share above it of both indices."""
    out = {"rows": bands[GREEN].shape[0], "cols": bands[GREEN].shape[1]}
    out["band_means"] = {str(b): float(v.mean()) for b, v in bands.items()}
    # McFeeters (1996); Xu (2006)
    for name, other in (("ndwi", NEAR_INFRARED), ("mndwi", SHORT_WAVE)):
        values = index(bands[GREEN], bands[other])
        values = values[~np.isnan(values)]
        threshold = float(threshold_otsu(values, nbins=256))
        out[name] = {
            "mean": float(values.mean()),
            "threshold": threshold,
            "wet_share": float((values > threshold).mean()),
            "above_zero": float((values > 0).mean()),
        }
    return out


def main():
    """Command line."""
    with rasterio.open(sys.argv[1]) as source:
        own = {b: source.read(b).astype(float) for b in (GREEN, NEAR_INFRARED, SHORT_WAVE)}
        t = source.transform
        # Whole cells of 60 m inside the scene.
        rows, cols = int(source.height * -t.e // SIDE), int(source.width * t.a // SIDE)
        down = overlap(rows, 0.0, SIDE, source.height, 0.0, -t.e)
        across = overlap(cols, 0.0, SIDE, source.width, 0.0, t.a)
    wide = {b: (down @ v @ across.T / SIDE**2).astype(np.float32).astype(float) for b, v in own.items()}
    place = {"left": t.c, "top": t.f, "side": t.a}
    json.dump({"place": place, "own": facts(own), "wide": facts(wide)}, sys.stdout)


if __name__ == "__main__":
    main()
