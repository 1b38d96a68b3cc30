"""What a run whose study is full of hostile words says to readers of others: every XML, JSON and YAML file parses, nothing of the words became an
element, CSV cells give back, an apostrophe taken away, what Parquet holds (OWASP, "CSV Injection"), GeoPackages give texts by SQLite, and GPX
and the metadata of rasters are read.

    python hostile.py RUN WORDS.json      prints what was found as JSON; WORDS: words that must come back whole, by a name
"""

import csv
import json
import sqlite3
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pandas
import rasterio
import yaml

FORMULA = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def texts(value):
    """All words in a structure."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield str(key)
            yield from texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from texts(inner)


def of_xml(path):
    root = ET.parse(path).getroot()
    for element in root.iter():
        name = element.tag.rsplit("}", 1)[-1].lower()
        assert name not in ("script", "img", "iframe", "object", "foreignobject"), f"{path}: an element {name}"
        for key in element.attrib:
            assert not key.lower().startswith("on"), f"{path}: an attribute {key}"
        yield from (element.text or "", element.tail or "")
        yield from element.attrib.values()


def same_cell(text, value):
    """A cell of CSV and of Parquet."""
    if text == "":
        return value is None or value == "" or value != value
    if isinstance(value, str):
        if text == value:
            # what stands as it is must not run as a formula
            return not text.lstrip("'").startswith(FORMULA)
        return text == "'" + value and value.lstrip("'").startswith(FORMULA)
    return float(text) == value


def of_database(path):
    """All words in the tables of a GeoPackage: what its readers show. The tables are those that the standard and the layers make."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
        assert base.execute("pragma integrity_check").fetchall() == [("ok",)], path
        layers = [name for (name,) in base.execute("select table_name from gpkg_contents")]
        tables = {name for (name,) in base.execute("select name from sqlite_master where type = 'table'")}
        assert layers and set(layers) <= tables, f"{path}: {layers} {tables}"
        own = [name for name in tables if not name.startswith(("gpkg_", "rtree_", "sqlite_")) and name not in layers]
        assert not own, f"{path}: tables of nobody, {own}"
        for table in ["gpkg_contents", "gpkg_geometry_columns", *layers]:
            quoted = table.replace('"', '""')
            for row in base.execute(f'select * from "{quoted}"'):
                yield from (value for value in row if isinstance(value, str))


def of_raster(path):
    """Descriptions and metadata of a raster."""
    with rasterio.open(path) as source:
        yield from source.tags().values()
        for band in source.indexes:
            yield source.descriptions[band - 1] or ""
            yield from source.tags(band).values()


def main():
    run, words = Path(sys.argv[1]), json.loads(Path(sys.argv[2]).read_text())
    found, files, guarded, negative = {name: set() for name in words}, 0, 0, 0

    def look(path, all_texts):
        joined = list(all_texts)
        for name, word in words.items():
            if any(word in text for text in joined):
                found[name].add(str(path.relative_to(run)))

    for path in sorted(run.rglob("*")):
        kind = path.suffix
        if kind in (".qml", ".svg", ".xml", ".gpx"):
            look(path, of_xml(path))
        elif kind == ".json":
            look(path, texts(json.loads(path.read_text())))
        elif kind == ".gpkg":
            look(path, of_database(path))
        elif kind == ".tif":
            look(path, of_raster(path))
        elif kind == ".cff":
            look(path, texts(yaml.safe_load(path.read_text())))
        elif kind == ".csv":
            with open(path, newline="") as file:
                rows = list(csv.reader(file))
            parquet = path.with_suffix(".parquet")
            frame = pandas.read_parquet(parquet).astype(object) if parquet.exists() else None
            assert frame is None or (len(frame) == len(rows) - 1 and list(frame.columns) == rows[0]), path
            for at, row in enumerate(rows[1:]):
                for column, text in enumerate(row):
                    if frame is not None:
                        value = frame.iat[at, column]
                        assert same_cell(text, value), f"{path}, row {at}: {text!r} and {value!r}"
                    number = text.lstrip("-").replace(".", "", 1).replace("e-", "").isdigit()
                    assert number or not text.startswith(FORMULA), f"{path}: {text!r}"
                    guarded += text.startswith("'")
                    negative += number and text.startswith("-")
            look(path, (cell for row in rows for cell in row))
            look(path, texts(frame.to_dict("list")) if frame is not None else [])
        else:
            continue
        files += 1
    print(json.dumps({"files": files, "guarded": guarded, "negative": negative, "found": {n: sorted(f) for n, f in found.items()}}))


main()
