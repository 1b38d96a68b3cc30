"""What rasterio, rio-cogeo and pandas say of the products of a run, as JSON on standard output: for every band of every
raster its kind, no data, unit and statistics recomputed from the cells; whether the file is a valid
cloud-optimised GeoTIFF; whether each table says the same as CSV and as Parquet.

python readback.py RUN_FOLDER
"""

import glob
import json
import os
import sys

import numpy as np
import pandas as pd
import rasterio
from rio_cogeo.cogeo import cog_validate


def band(source, index):
    """Facts of one band; statistics over its valid cells, in double precision."""
    cells = source.read(index)
    no_data = source.nodatavals[index - 1]
    valid = ~np.isnan(cells) if np.isnan(no_data) else cells != no_data
    # The file's own mask must say the same.
    assert ((source.read_masks(index) > 0) == valid).all()
    known = cells[valid].astype(float)
    facts = {
        "type": source.dtypes[index - 1],
        "no_data": None if np.isnan(no_data) else no_data,
        "unit": source.units[index - 1],
        "valid_percent": 100 * valid.mean(),
    }
    if known.size:
        facts |= {"minimum": known.min(), "maximum": known.max()}
        facts |= {"mean": known.mean(), "deviation": known.std(), "values": np.unique(known).tolist()[:256]}
    return facts


def raster(path):
    """Facts of one raster."""
    valid, errors, warnings = cog_validate(path, strict=True)
    with rasterio.open(path) as source:
        return {
            "cog": valid,
            "complaints": errors + warnings,
            "equal_area": "Equal_Area" in source.crs.to_wkt(),
            "size": [source.width, source.height],
            "side": source.res,
            "bands": [band(source, index) for index in source.indexes],
        }


def table(path):
    """Rows, columns, and how CSV and Parquet differ ("" if not)."""
    parquet = pd.read_parquet(path.replace(".csv", ".parquet"))
    # Text stays text ("no" is no missing value); empty fields are missing.
    text = {c: str for c in parquet.columns if not pd.api.types.is_numeric_dtype(parquet[c])}
    csv = pd.read_csv(path, dtype=text, keep_default_na=False, na_values=[""])
    differ = ""
    if list(csv.columns) != list(parquet.columns):
        differ = f"columns {list(csv.columns)} and {list(parquet.columns)}"
    elif len(csv) != len(parquet):
        differ = f"{len(csv)} and {len(parquet)} rows"
    else:
        for column in csv.columns:
            a, b = csv[column], parquet[column]
            # To the last bit: what is written as decimal text reads back as the same number.
            same = (a == b) | (a.isna() & b.isna())
            if not same.fillna(False).all():
                at = int(np.flatnonzero(~same.fillna(False))[0])
                differ = f"column {column}, row {at}: {a[at]!r} and {b[at]!r}"
    return {"rows": len(csv), "columns": list(csv.columns), "differ": differ}


def main():
    """Command line."""
    run = sys.argv[1]
    names = sorted(glob.glob(os.path.join(run, "rasters", "*.tif")))
    tables = sorted(glob.glob(os.path.join(run, "tables", "*.csv")))
    stem = lambda path: os.path.splitext(os.path.basename(path))[0]  # noqa: E731
    facts = {
        "rasters": {stem(path): raster(path) for path in names},
        "tables": {stem(path): table(path) for path in tables},
    }
    json.dump(facts, sys.stdout)


if __name__ == "__main__":
    main()
