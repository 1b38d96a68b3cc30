"""The monthly weather of a study: one series, one for each zone, or rasters on a grid of their own."""

import csv
import glob
import re
from collections import namedtuple

import numpy as np
import rasterio
import rasterio.warp
from rasterio.crs import CRS

from inputs import StudyError, centres_in_source, month_index, nearest, read_band

SERIES = ("precipitation", "temperature", "temperature_min", "temperature_max", "anomaly")
# A climate: its name, month indices, values by key of [climate], degrees north.
Record = namedtuple("Record", "name months series latitude")
# All of them; of_cell holds a position among them for every cell (flat), -1 for none.
Weather = namedtuple("Weather", "records of_cell grid")


def read_weather(study):
    """The weather of every climate, as `Weather`."""
    section = study.text["climate"]
    written = {name: section[name] for name in SERIES if name in section}
    if section["index"] == "given":
        written.pop("precipitation", None)
    if any("layer" in source for source in written.values()):
        return of_grid(study, section, written)
    if any("zone_column" in source for source in written.values()):
        return of_zones(study, section, written)
    latitude = section.get("latitude", study.grid.latitude())
    columns = {name: read_column(study, source, None) for name, source in written.items()}
    cells = study.grid.rows * study.grid.cols
    return Weather([record("all", columns, latitude)], np.zeros(cells, int), False)


def record(name, columns, latitude):
    """A `Record` over the months that all the columns (dictionaries by month) have."""
    first = max(min(column) for column in columns.values())
    last = min(max(column) for column in columns.values())
    months = np.arange(first, last + 1)
    for key, column in columns.items():
        missing = [m for m in months if m not in column]
        if missing:
            raise StudyError(f"{name}: no {key} for month index {missing[0]}")
    series = {key: np.array([column[m] for m in months]) for key, column in columns.items()}
    return Record(name, months, series, latitude)


def read_column(study, source, zone):
    """Values by month index of a CSV column; of a zone where the source is one by zone."""
    with open(study.path(source["file"]), newline="", encoding="utf-8-sig") as file:
        rows = [{k.strip(): v.strip() for k, v in r.items()} for r in csv.DictReader(file)]
    if "zone_column" in source:
        rows = [r for r in rows if int(r[source["zone_column"]]) == zone]
    found = {}
    for row in rows:
        if row[source["column"]] == "":
            continue
        month = int(row["year"]) * 12 + int(row["month"]) - 1
        if month in found:
            raise StudyError(f"{source['file']}: a month stands twice")
        found[month] = float(row[source["column"]])
    return found


def geographic(crs, x, y):
    """Degrees north of points."""
    return np.array(rasterio.warp.transform(crs, CRS.from_epsg(4326), x, y)[1])


def of_zones(study, section, written):
    """Each zone on the grid with its series; day length at the latitude of its centroid."""
    name = section.get("zones", study.role("zones"))
    zones, legend = study.layer(name), study.legend(name)
    x, y = np.meshgrid(study.grid.x(), study.grid.y())
    records, of_cell = [], np.full(zones.size, -1)
    for code in np.unique(zones[~np.isnan(zones)]).astype(int):
        own = zones == code
        centre = geographic(study.grid.crs, [x[own].mean()], [y[own].mean()])[0]
        columns = {key: read_column(study, source, code) for key, source in written.items()}
        title = legend.get(code, {}).get("name", str(code))
        of_cell[own.ravel()] = len(records)
        records.append(record(title, columns, section.get("latitude", centre)))
    return Weather(records, of_cell, False)


def rasters(study, layer):
    """(month index, path, band) of every raster of a monthly layer."""
    if "first_month" in layer:
        path, first = study.path(layer["file"]), month_index(layer["first_month"])
        with rasterio.open(path) as source:
            return [(first + band, path, band + 1) for band in range(source.count)]
    pattern = study.path(layer["files"])
    places = {"{year}": "(?P<year>[0-9]{4})", "{month}": "(?P<month>[0-9]{2})"}
    expression = re.escape(pattern)
    for brace, digits in places.items():
        expression = expression.replace(re.escape(brace), digits)
    found = []
    for path in sorted(glob.glob(re.sub(r"\{[a-z]+\}", "*", pattern))):
        match = re.fullmatch(expression, path)
        if match and "month" in match.groupdict():
            month = int(match["year"]) * 12 + int(match["month"]) - 1
            found.append((month, path, layer.get("band", 1)))
        elif match:
            found += [(int(match["year"]) * 12 + m, path, m + 1) for m in range(12)]
    return found


def of_grid(study, section, written):
    """Each cell of the climate rasters that holds the centre of a study cell and has all its months."""
    values, place = {}, None
    for key, source in written.items():
        if "layer" not in source:
            continue
        layer, stack = study.text["layers"][source["layer"]], {}
        for month, path, band in rasters(study, layer):
            with rasterio.open(path) as raster:
                cells = read_band(raster, band, layer) * layer.get("scale", 1)
                stack[month] = cells.astype(np.float32).astype(float)
                if place is None:
                    place = raster.transform, raster.crs, cells.shape
                    u, v = centres_in_source(study.grid, raster)
        values[key] = stack
    transform, crs, shape = place
    number = nearest(np.arange(shape[0] * shape[1], dtype=float).reshape(shape), u, v).ravel()
    whole = {
        key: read_column(study, source, None)
        for key, source in written.items()
        if "layer" not in source
    }
    touched = np.unique(number[~np.isnan(number)]).astype(int)
    records, of_cell = [], np.full(number.size, -1)
    for cell in touched:
        row, col = divmod(int(cell), shape[1])
        columns = {key: {m: v[row, col] for m, v in stack.items()} for key, stack in values.items()}
        x, y = transform * (col + 0.5, row + 0.5)
        latitude = section.get("latitude", geographic(crs, [x], [y])[0])
        found = record(f"row {row + 1} column {col + 1}", columns | whole, latitude)
        if any(np.isnan(series).any() for series in found.series.values()):
            continue
        of_cell[number == cell] = len(records)
        records.append(found)
    return Weather(records, of_cell, True)
