"""Layers of the tutorial: what can be worked out from one scene and an elevation model, and the rest made up.

    python3 make_layers.py SCENE ELEVATION STUDY_FOLDER

Real: open water (green against short-wave infrared, above 0: Xu 2006), green ground (near infrared against red), elevation.
Made up: which months low green ground is wet, and the climate that it follows.
"""

import math
import sys
from pathlib import Path

import numpy as np
import rasterio
from rasterio.warp import Resampling, reproject

FIRST, LAST = 2001, 2010
scene_file, elevation_file, folder = sys.argv[1], sys.argv[2], Path(sys.argv[3])

with rasterio.open(scene_file) as scene:
    bands = scene.read().astype(float)
    profile = {**scene.profile, "count": 1, "compress": "deflate", "interleave": "band"}
    ground = np.full(scene.shape, np.nan)
    with rasterio.open(elevation_file) as elevation:
        reproject(rasterio.band(elevation, 1), ground, dst_transform=scene.transform, dst_crs=scene.crs,
                  dst_nodata=np.nan, resampling=Resampling.bilinear)


def write(relative, cells, dtype, nodata):
    path = folder / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(path, "w", **{**profile, "dtype": dtype, "nodata": nodata}) as out:
        out.write(cells.astype(dtype), 1)


def difference(a, b):
    return np.where(a + b > 0, (a - b) / np.maximum(a + b, 1), 0)


_, green, red, near, short, _ = bands
open_water = difference(green, short) > 0
low_green = ~open_water & (difference(near, red) > 0.1) & (ground < 8)
write("layers/ground.tif", np.where(np.isnan(ground), -9999, ground), "float32", -9999)
write("layers/wetland_class.tif", np.where(open_water, 1, np.where(low_green, 2, 0)), "uint8", 255)

# made up: rain of dry and wet years in turn, from a year before the baseline on
months = [(year, month) for year in range(FIRST - 1, LAST + 1) for month in range(1, 13)]
rain, lines = [], ["year,month,precipitation_mm,temperature_c"]
for t, (year, month) in enumerate(months):
    season = math.cos(2 * math.pi * (month - 6) / 12)
    of_year = 1 + 0.35 * math.sin(1.7 * year) + 0.2 * math.cos(0.61 * year + 1)
    rain.append((110 + 80 * season) * of_year + (t * 29) % 17)
    lines.append(f"{year},{month},{rain[-1]:.1f},{25.5 - 1.5 * season + (t * 31) % 7 * 0.1:.1f}")
(folder / "climate").mkdir(exist_ok=True)
(folder / "climate" / "monthly.csv").write_text("\n".join(lines) + "\n")

# made up: low green ground is wet below a level that follows the rain of twelve months
rows, cols = np.indices(ground.shape)
sill = np.nan_to_num(ground, nan=99) + 1.5 * np.sin(rows / 7) * np.cos(cols / 9)
mean = sum(rain) / len(rain)
for t in range(12, len(months)):
    year, month = months[t]
    wetness = sum(rain[t - 11 : t + 1]) / 12 / mean - 1
    level = 4 + 6 * wetness + 0.8 * math.cos(2 * math.pi * (month - 7) / 12) + 0.8 * ((t * 53) % 23 / 23 - 0.5)
    write(f"water/water_{year}-{month:02}.tif", open_water | (low_green & (sill < level)), "uint8", 255)
print(f"{len(months) - 12} masks; open water {open_water.mean():.1%}, low green ground {low_green.mean():.1%} of the cells")
