"""Sets the rasters of a small basin into rasters many times as large, written as COGs.

Usage: large_cogs.py BASIN OUT FIRST_MONTH. Around the basin lie values drawn at random from those that occur, so that nothing compresses away and
every block is real; the study never looks there. Prints the bytes of all files as JSON.
"""
import json
import sys
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import Affine

basin, out, first = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
SIDE, DOWN, RIGHT = 2048, 700, 900
random = np.random.default_rng(7)
picks = random.integers(0, 1 << 16, (SIDE, SIDE), dtype=np.uint16)

total = 0
names = sorted(basin.glob("layers/*.tif")) + [path for path in sorted(basin.glob("water/*.tif")) if path.stem[6:] >= first]
for path in names:
    with rasterio.open(path) as source:
        small, profile, transform = source.read(1), source.profile, source.transform
        scales, units = source.scales, source.units
    values = np.unique(small)
    large = values[picks % len(values)]
    rows, cols = small.shape
    large[DOWN:DOWN + rows, RIGHT:RIGHT + cols] = small
    target = out / path.relative_to(basin)
    target.parent.mkdir(parents=True, exist_ok=True)
    moved = transform * Affine.translation(-RIGHT, -DOWN)
    with rasterio.open(target, "w", driver="COG", width=SIDE, height=SIDE, count=1, dtype=large.dtype, crs=profile["crs"],
                       transform=moved, nodata=profile["nodata"], blocksize=256, compress="DEFLATE", level=1, overviews="NONE") as sink:
        sink.write(large, 1)
        sink.scales, sink.units = scales, units
    total += target.stat().st_size
print(json.dumps({"files": len(names), "bytes": total}))
