"""The study file, its grid and its layers, as whole arrays on the grid.

Layers are (rows, columns) float64 arrays, row 0 in the north, NaN where there is no data. Lengths
are metres. Anything the study leaves out takes the default stated in docs/methods.md.
"""

import csv
import glob
import json
import os
import re
import sqlite3
import struct
import tomllib

import numpy as np
import rasterio
import rasterio.features
import rasterio.warp
from pyproj import CRS as ProjCRS
from pyproj import Geod
from rasterio.crs import CRS

EQUAL_AREA_METHODS = (
    "Lambert Azimuthal Equal Area",
    "Lambert Azimuthal Equal Area (Spherical)",
    "Albers Equal Area",
    "Lambert Cylindrical Equal Area",
    "Lambert Cylindrical Equal Area (Spherical)",
    "Equal Earth",
    "Mollweide",
    "Sinusoidal",
)
ROLES = ("water", "ground", "depth", "zones", "wetland_class", "land_cover", "pools")


class StudyError(Exception):
    """Something in the study or its files this reference cannot work with."""


def month_index(text):
    """Months since year 0 of "1991-01"."""
    year, month = text.split("-")
    return int(year) * 12 + int(month) - 1


def calendar(month):
    """Calendar month 1 to 12 of a month index."""
    return month % 12 + 1


class Grid:
    """Square north-up cells: CRS, left, top, cell side in metres, rows, columns."""

    def __init__(self, crs, cell, left, bottom, right, top):
        self.crs, self.cell, self.left, self.top = crs, float(cell), float(left), float(top)
        # Whole cells, widened to the right and downwards; the small slack absorbs binary fractions.
        self.cols = int(np.ceil((right - left) / cell - 1e-9))
        self.rows = int(np.ceil((top - bottom) / cell - 1e-9))
        self.shape = (self.rows, self.cols)

    def x(self):
        """Cell-centre eastings, one per column."""
        return self.left + (np.arange(self.cols) + 0.5) * self.cell

    def y(self):
        """Cell-centre northings, one per row."""
        return self.top - (np.arange(self.rows) + 0.5) * self.cell

    def transform(self):
        """Affine transform of the grid."""
        return rasterio.Affine(self.cell, 0, self.left, 0, -self.cell, self.top)

    def latitude(self):
        """Latitude, degrees north, of the centre of the grid."""
        x = self.left + self.cols * self.cell / 2
        y = self.top - self.rows * self.cell / 2
        return rasterio.warp.transform(self.crs, CRS.from_epsg(4326), [x], [y])[1][0]

    def cell_areas_ha(self):
        """Area of one cell of each row, hectares: (rows,)."""
        operation = ProjCRS.from_user_input(self.crs.to_wkt()).coordinate_operation
        if operation is not None and operation.method_name in EQUAL_AREA_METHODS:
            return np.full(self.rows, self.cell**2 / 1e4)
        geod = Geod(ellps="WGS84")
        half = self.cell / 2
        middle = self.left + self.cols * self.cell / 2
        areas = []
        for y in self.y():
            xs = [middle - half, middle + half, middle + half, middle - half]
            ys = [y - half, y - half, y + half, y + half]
            lon, lat = rasterio.warp.transform(self.crs, CRS.from_epsg(4326), xs, ys)
            areas.append(abs(geod.polygon_area_perimeter(lon, lat)[0]) / 1e4)
        return np.array(areas)


def same_crs(a, b):
    """Whether two CRSs are one, also where one is a bare parameter string."""
    if a is None or b is None:
        return a is b
    if a == b:
        return True
    drop = ("no_defs", "type", "wktext")
    one = {k: v for k, v in a.to_dict().items() if k not in drop}
    two = {k: v for k, v in b.to_dict().items() if k not in drop}
    return bool(one) and one == two


# ---------------------------------------------------------------- rasters onto the grid


def overlap(n_grid, grid_start, grid_cell, n_source, source_start, source_cell):
    """Overlap lengths (n_grid, n_source) of two rows of cells, both counted in rising coordinate."""
    low = grid_start + np.arange(n_grid)[:, None] * grid_cell
    source = source_start + np.arange(n_source)[None, :] * source_cell
    length = np.minimum(low + grid_cell, source + source_cell) - np.maximum(low, source)
    return np.where(length > 1e-9 * grid_cell, length, 0.0)


def overlaps(grid, source):
    """Row and column overlap lengths between the grid and an open source of the same CRS."""
    t = source.transform
    if t.b or t.d or t.a <= 0 or t.e >= 0:
        raise StudyError(f"{source.name}: not north-up")
    # Rows count downwards: measure them from the top in falling northing.
    rows = overlap(grid.rows, -grid.top, grid.cell, source.height, -t.f, -t.e)
    cols = overlap(grid.cols, grid.left, grid.cell, source.width, t.c, t.a)
    return rows, cols


def read_band(source, band, layer):
    """One band as float64 with NaN for every kind of no data."""
    values = source.read(band).astype(float)
    values[source.read_masks(band) == 0] = np.nan
    for code in layer.get("no_data", []):
        values[values == code] = np.nan
    return values


def centres_in_source(grid, source):
    """Fractional source column and row of every grid cell's centre: two (rows, columns) arrays."""
    x, y = np.meshgrid(grid.x(), grid.y())
    if not same_crs(grid.crs, source.crs):
        xs, ys = rasterio.warp.transform(grid.crs, source.crs, x.ravel(), y.ravel())
        x, y = np.reshape(xs, grid.shape), np.reshape(ys, grid.shape)
    t = source.transform
    # Rounding keeps a centre that is a source centre free of neighbours of weight 1e-13.
    return np.round((x - t.c) / t.a, 9), np.round((y - t.f) / t.e, 9)


def nearest(values, u, v):
    """Value of the source cell each centre lies in; NaN outside."""
    col, row = np.floor(u).astype(int), np.floor(v).astype(int)
    inside = (col >= 0) & (row >= 0) & (col < values.shape[1]) & (row < values.shape[0])
    out = np.full(u.shape, np.nan)
    out[inside] = values[row[inside], col[inside]]
    return out


def bilinear(values, u, v):
    """Bilinear in the four nearest source centres; missing ones leave and the rest are rescaled."""
    total, weight = np.zeros(u.shape), np.zeros(u.shape)
    left, up = np.floor(u - 0.5), np.floor(v - 0.5)
    for dr in (0, 1):
        for dc in (0, 1):
            w = (1 - np.abs(u - 0.5 - left - dc)) * (1 - np.abs(v - 0.5 - up - dr))
            value = nearest(values, left + dc + 0.5, up + dr + 0.5)
            known = ~np.isnan(value) & (w > 0)
            total[known] += (w * value)[known]
            weight[known] += w[known]
    inside = (u >= 0) & (v >= 0) & (u <= values.shape[1]) & (v <= values.shape[0])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(inside & (weight > 0), total / weight, np.nan)


def onto_grid(grid, source, values, by_code):
    """Source values on the grid: codes by nearest or majority, numbers by bilinear or area mean and
    then rounded to 32-bit floats, as layers are held."""
    found = resampled(grid, source, values, by_code)
    return found if by_code else found.astype(np.float32).astype(float)


def resampled(grid, source, values, by_code):
    """As `onto_grid`, before rounding."""
    t = source.transform
    u, v = centres_in_source(grid, source)
    if not same_crs(grid.crs, source.crs):
        # Cell side of the source in grid metres, from the first to the last centre.
        span = np.hypot(u[-1, -1] - u[0, 0], v[-1, -1] - v[0, 0])
        if span > np.hypot(grid.rows - 1, grid.cols - 1) * 1.01:
            raise StudyError(f"{source.name}: finer than the grid and in another CRS")
        return nearest(values, u, v) if by_code else bilinear(values, u, v)
    finer = t.a < grid.cell * (1 - 1e-9) or -t.e < grid.cell * (1 - 1e-9)
    if not finer:
        return nearest(values, u, v) if by_code else bilinear(values, u, v)
    rows, cols = overlaps(grid, source)
    known = ~np.isnan(values)
    area = rows @ known @ cols.T
    enough = area >= 0.5 * grid.cell**2 * (1 - 1e-12)
    if not by_code:
        total = rows @ np.where(known, values, 0.0) @ cols.T
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(enough, total / area, np.nan)
    best, best_area = np.full(grid.shape, np.nan), np.zeros(grid.shape)
    for code in np.unique(values[known]):  # rising, so that a tie keeps the lowest
        covered = rows @ (values == code) @ cols.T
        better = covered > best_area * (1 + 1e-12)
        best[better], best_area[better] = code, covered[better]
    return np.where(enough, best, np.nan)


# ---------------------------------------------------------------- vectors


def geometries(path):
    """(CRS, list of GeoJSON-like geometries) of a GeoPackage or a GeoJSON file."""
    if path.lower().endswith((".json", ".geojson")):
        with open(path, encoding="utf-8") as file:
            document = json.load(file)
        return CRS.from_epsg(4326), [f["geometry"] for f in document["features"]]
    if not path.lower().endswith(".gpkg"):
        raise StudyError(f"{path}: this reference reads .gpkg and .geojson")
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
        table, column, srs = base.execute(
            "select table_name, column_name, srs_id from gpkg_geometry_columns"
        ).fetchone()
        (wkt,) = base.execute(
            "select definition from gpkg_spatial_ref_sys where srs_id = ?", (srs,)
        ).fetchone()
        blobs = [row[0] for row in base.execute(f'select "{column}" from "{table}"')]
    return CRS.from_wkt(wkt), [geopackage_geometry(b) for b in blobs if b]


def geopackage_geometry(blob):
    """Geometry of a GeoPackage blob (OGC 12-128r18, clause 2.1.3): header, then well-known binary."""
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    return well_known_binary(blob, 8 + envelope)[0]


def well_known_binary(data, at):
    """(geometry, next offset) of well-known binary (ISO 13249-3), extra ordinates dropped."""
    order = "<" if data[at] == 1 else ">"
    kind = struct.unpack_from(order + "I", data, at + 1)[0]
    has_z = bool(kind & 0x80000000) or (kind & 0xFFFF) // 1000 in (1, 3)
    has_m = bool(kind & 0x40000000) or (kind & 0xFFFF) // 1000 in (2, 3)
    size, kind, at = 2 + has_z + has_m, (kind & 0xFFFF) % 1000, at + 5

    def count(at):
        return struct.unpack_from(order + "I", data, at)[0], at + 4

    def points(n, at):
        flat = struct.unpack_from(f"{order}{n * size}d", data, at)
        return [list(flat[i : i + 2]) for i in range(0, n * size, size)], at + 8 * n * size

    if kind == 1:
        (point,), at = points(1, at)
        return {"type": "Point", "coordinates": point}, at
    if kind == 2:
        n, at = count(at)
        line, at = points(n, at)
        return {"type": "LineString", "coordinates": line}, at
    if kind == 3:
        rings, (n, at) = [], count(at)
        for _ in range(n):
            m, at = count(at)
            ring, at = points(m, at)
            rings.append(ring)
        return {"type": "Polygon", "coordinates": rings}, at
    if kind in (4, 5, 6):
        parts, (n, at) = [], count(at)
        for _ in range(n):
            part, at = well_known_binary(data, at)
            parts.append(part["coordinates"])
        name = {4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon"}[kind]
        return {"type": name, "coordinates": parts}, at
    raise StudyError(f"geometry kind {kind} is not read")


def polygons(crs, path):
    """Polygons of a vector file as lists of (n, 2) rings, in the CRS of the grid."""
    source, shapes = geometries(path)
    rings = []
    for shape in shapes:
        if not same_crs(crs, source):
            shape = rasterio.warp.transform_geom(source, crs, shape)
        parts = {"Polygon": lambda c: [c], "MultiPolygon": lambda c: c}[shape["type"]](
            shape["coordinates"]
        )
        rings += [[np.asarray(ring, float)[:, :2] for ring in part] for part in parts]
    return rings


def centres_inside(grid, parts):
    """Cells whose centre lies inside any of the polygons (even-odd over a polygon's rings)."""
    x, inside = grid.x(), np.zeros(grid.shape, bool)
    for rings in parts:
        odd = np.zeros(grid.shape, bool)
        for ring in rings:
            for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0)):
                if y0 == y1:
                    continue
                for row, y in enumerate(grid.y()):
                    if min(y0, y1) <= y < max(y0, y1):
                        odd[row] ^= x > x0 + (y - y0) * (x1 - x0) / (y1 - y0)
        inside |= odd
    return inside


# ---------------------------------------------------------------- the study


class Study:
    """A study file with its grid; `text` is the parsed TOML."""

    def __init__(self, path):
        self.folder = os.path.dirname(os.path.abspath(path))
        with open(path, "rb") as file:
            self.text = tomllib.load(file)
        section = self.text["grid"]
        crs = CRS.from_user_input(section["crs"])
        area = polygons(crs, self.path(section["area"])) if "area" in section else None
        if "bounds" in section:
            bounds = section["bounds"]
        else:
            points = np.vstack([ring for rings in area for ring in rings])
            bounds = [*points.min(axis=0), *points.max(axis=0)]
        self.grid = Grid(crs, section["cell_m"], *bounds)
        self.inside = (
            np.ones(self.grid.shape, bool) if area is None else centres_inside(self.grid, area)
        )
        self.scenarios = self.text.get("scenarios", [])
        period = self.text["period"]
        first, last = (month_index(m) for m in period["baseline"])
        self.baseline = np.arange(first, last + 1)
        first, last = (month_index(m) for m in period.get("reference", period["baseline"]))
        self.reference = np.arange(first, last + 1)
        self.water_year_starts = period.get("water_year_starts", 1)
        self.cache = {}

    def path(self, relative):
        """A path of the study file, which is relative to it."""
        return os.path.join(self.folder, relative)

    def role(self, role):
        """Name of the layer with this role, or None."""
        for name, layer in self.text["layers"].items():
            if layer.get("role", name if name in ROLES else None) == role:
                return name
        return None

    def layer(self, name):
        """A layer of one file on the grid, NaN for no data."""
        if name not in self.cache:
            layer = self.text["layers"][name]
            with rasterio.open(self.path(layer["file"])) as source:
                values = read_band(source, layer.get("band", 1), layer)
                by_code = layer["kind"] in ("class", "mask")
                self.cache[name] = onto_grid(self.grid, source, values, by_code)
            self.cache[name] = self.cache[name] * layer.get("scale", 1)
        return self.cache[name]

    def barrier(self, name):
        """Cells a barrier layer touches: a mask raster, or a vector burnt wherever it touches."""
        layer = self.text["layers"][name]
        path = self.path(layer["file"])
        if path.lower().endswith((".gpkg", ".json", ".geojson")):
            crs, shapes = geometries(path)
            if not same_crs(self.grid.crs, crs):
                shapes = [rasterio.warp.transform_geom(crs, self.grid.crs, s) for s in shapes]
            burnt = rasterio.features.rasterize(
                shapes, self.grid.shape, transform=self.grid.transform(), all_touched=True
            )
            return burnt > 0
        with rasterio.open(path) as source:
            if not same_crs(self.grid.crs, source.crs):
                raise StudyError(f"{path}: a barrier raster in another CRS")
            values = read_band(source, layer.get("band", 1), layer)
            rows, cols = overlaps(self.grid, source)
        return (rows @ (~np.isnan(values) & (values != 0)) @ cols.T) > 0

    def legend(self, name):
        """Rows of a layer's legend by code, {} where it has none."""
        layer = self.text["layers"][name]
        if "legend" not in layer:
            return {}
        with open(self.path(layer["legend"]), newline="", encoding="utf-8-sig") as file:
            rows = [{k.strip(): v.strip() for k, v in r.items()} for r in csv.DictReader(file)]
        return {int(row["code"]): row for row in rows}

    def water_files(self):
        """For each baseline month: list of (path, band)."""
        layer = self.text["layers"][self.role("water")]
        if "files" not in layer:
            raise StudyError("water: this reference reads a pattern of files")
        pattern = self.path(layer["files"])
        months = []
        for month in self.baseline:
            name = pattern.replace("{year}", f"{month // 12:04d}")
            name = name.replace("{month}", f"{calendar(month):02d}")
            if "{day}" in name:
                paths = sorted(glob.glob(re.sub(r"\{day\}", "[0-9][0-9]", name)))
            else:
                paths = [name] if os.path.exists(name) else []
            band = layer.get("band", 1) if "{month}" in pattern else calendar(month)
            months.append([(path, band) for path in paths])
        return months
