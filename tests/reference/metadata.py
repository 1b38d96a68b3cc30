"""What validators of others say of the metadata of a run, as JSON: `metadata.py RUN`.

Nothing is fetched from a network. Where a validator would fetch a schema or context, it gets one that a package brings along:

- Frictionless data package and table schemas: frictionless, against the CSV files themselves.
- STAC item: pystac with its own copies of the STAC 1.1.0 schemas; the extensions (no copies in any package) by pystac's extension
  classes, and against what rasterio reads of the files.
- RO-Crate: roc-validator (RO-Crate 1.1 and Process Run Crate 0.5), with the context of the package rocrate in place of the address
  (version 1.3 of the RO-Crate context, which holds all terms of 1.1), and rocrate, which reads it.
- Citation File Format: the JSON schema 1.2.0 of the package cffconvert.
- Styles: XML, and colours against what rasterio reads of the rasters.
- Data dictionary: against the headers of the tables, the bands of the rasters, and the columns of the GeoPackages (sqlite3).
"""

import importlib.util
import json
import sqlite3
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import rasterio
import yaml

CONTEXT = "https://w3id.org/ro/crate/1.1/context"


def package_folder(name):
    return Path(importlib.util.find_spec(name).origin).parent


def tables(run):
    from frictionless import Package

    package = Package(str(run / "datapackage.json"))
    report = package.validate()
    errors = [str(e) for e in report.errors]
    checked = {}
    for task in report.tasks:
        errors += [f"{task.name}: {e.message}" for e in task.errors]
        checked[task.name] = task.stats.get("rows", 0)
    units = {}
    for resource in package.resources:
        schema = json.loads((run / "tables" / f"{resource.name}.schema.json").read_text())
        units[resource.name] = sum(1 for field in schema["fields"] if field["unit"])
    return {"valid": report.valid, "errors": errors, "rows": checked, "with_units": units}


def same(a, b):
    return a == b or (isinstance(a, float) and isinstance(b, float) and abs(a - b) <= 1e-9 * max(1.0, abs(b)))


def stac(run):
    import pystac
    from pystac.extensions.classification import ClassificationExtension
    from pystac.extensions.projection import ProjectionExtension
    from pystac.validation.stac_validator import JsonSchemaSTACValidator

    path = run / "rasters" / "stac-item.json"
    item = json.loads(path.read_text())
    errors = []
    schema = JsonSchemaSTACValidator().validate_core(item, pystac.STACObjectType.ITEM, "1.1.0", str(path))
    read = pystac.Item.from_file(str(path))
    projection = ProjectionExtension.ext(read)
    rasters = sorted(p.stem for p in (run / "rasters").glob("*.tif"))
    if sorted(read.assets) != rasters:
        errors.append(f"assets {sorted(read.assets)} are not the rasters {rasters}")
    for name, asset in read.assets.items():
        with rasterio.open(path.parent / asset.href.rsplit("/", 1)[-1]) as source:
            bands = item["assets"][name]["bands"]
            facts = [
                ("bands", len(bands), source.count),
                ("shape", list(projection.shape), [source.height, source.width]),
                ("transform", list(projection.transform), list(source.transform)[:6]),
                ("bbox", list(projection.bbox), list(source.bounds)),
                ("crs", rasterio.crs.CRS.from_wkt(projection.wkt2), source.crs),
                ("resolution", item["assets"][name]["raster:spatial_resolution"], source.res[0]),
            ]
            for at, band in enumerate(bands):
                cells = source.read(at + 1, masked=True)
                cells = np.ma.masked_invalid(cells) if cells.dtype.kind == "f" else cells
                no_data = source.nodatavals[at]
                facts += [
                    ("type", band["data_type"], source.dtypes[at]),
                    ("no data", band["nodata"], "nan" if np.isnan(no_data) else int(no_data)),
                    ("unit", band.get("unit"), source.units[at]),
                    ("description", band["description"], source.descriptions[at]),
                ]
                if cells.count():
                    found = band["statistics"]
                    facts += [
                        ("minimum", found["minimum"], float(cells.min())),
                        ("maximum", found["maximum"], float(cells.max())),
                        ("percent", round(found["valid_percent"], 6), round(100.0 * cells.count() / cells.size, 6)),
                    ]
                    if abs(found["mean"] - float(cells.astype("f8").mean())) > 1e-6 * max(1.0, abs(found["mean"])):
                        errors.append(f"{name}: mean {found['mean']} is {cells.astype('f8').mean()}")
                classes = band.get("classification:classes", [])
                tags = source.tags(at + 1)
                for entry in classes:
                    facts.append(("class", entry["title"], tags[f"class_{entry['value']}"]))
                    colour = "%02X%02X%02X" % source.colormap(at + 1)[entry["value"]][:3]
                    facts.append(("colour", entry["color_hint"], colour))
                present = {int(v) for v in np.unique(cells.compressed())} if classes else set()
                if not present <= {entry["value"] for entry in classes}:
                    errors.append(f"{name}: classes without a name: {present}")
            errors += [f"{name}: {what} is {mine}, rasterio reads {theirs}" for what, mine, theirs in facts if not same(mine, theirs)]
        classified = ClassificationExtension.ext(asset, add_if_missing=False)
        if classified is None:
            errors.append(f"{name}: no classification extension")
    west, south, east, north = item["bbox"]
    from pyproj import Transformer

    left, bottom, right, top = item["properties"]["proj:bbox"]
    carry = Transformer.from_crs(item["properties"]["proj:wkt2"], 4326, always_xy=True)
    lon, lat = carry.transform((left, right, left, right), (bottom, bottom, top, top))
    apart = max(abs(np.array([west - min(lon), east - max(lon), south - min(lat), north - max(lat)])))
    return {"schema": str(schema), "errors": errors, "assets": len(read.assets), "bbox_apart": float(apart)}


def with_local_context():
    """Gives everything that asks for the RO-Crate context the one of the package rocrate, and refuses all other addresses."""
    import requests

    text = (package_folder("rocrate") / "data" / "ro-crate.jsonld").read_text()

    def send(self, request, **_):
        if not request.url.startswith(CONTEXT):
            raise requests.ConnectionError(f"no network in tests: {request.url}")
        response = requests.Response()
        response.status_code = 200
        response._content = text.encode()
        response.headers["Content-Type"] = "application/ld+json"
        response.url = request.url
        response.request = request
        return response

    requests.Session.send = send


def crate(run):
    from rocrate.rocrate import ROCrate

    with_local_context()
    from rocrate_validator import services

    issues, passed = [], {}
    for profile in ("ro-crate-1.1", "process-run-crate-0.5"):
        result = services.validate({
            "rocrate_uri": str(run),
            "profile_identifier": profile,
            "requirement_severity": "REQUIRED",
            "no_cache": True,
        })
        passed[profile] = result.passed()
        issues += [f"{profile}: {issue.check.identifier}: {issue.message}" for issue in result.get_issues()]
    read = ROCrate(str(run))
    action = read.dereference("#run")
    parts = {entity.id for entity in read.root_dataset["hasPart"]}
    on_disk = {str(p.relative_to(run)) for p in run.rglob("*") if p.is_file()} - {"ro-crate-metadata.json"}
    return {
        "passed": passed,
        "issues": issues,
        "not_listed": sorted(on_disk - parts),
        "not_there": sorted(parts - on_disk),
        "instrument": action["instrument"]["name"],
        "objects": len(action["object"]),
        "results": len(action["result"]),
        "licence": getattr(read.root_dataset.get("license"), "id", None),
    }


def citation(path):
    schema = json.loads((package_folder("cffconvert") / "schemas" / "1.2.0" / "schema.json").read_text())
    # words only: a date is text to the schema
    text = yaml.load(Path(path).read_text(), Loader=yaml.BaseLoader)
    errors = [error.message for error in jsonschema.Draft7Validator(schema).iter_errors(text)]
    return {"errors": errors, "content": text}


def styles(run):
    errors, kinds = [], {}
    for raster in sorted((run / "rasters").glob("*.tif")):
        path = raster.with_suffix(".qml")
        if not path.is_file():
            errors.append(f"{raster.stem} has no style")
            continue
        root = ElementTree.parse(path).getroot()
        renderer = root.find("./pipe/rasterrenderer")
        kinds[raster.stem] = renderer.get("type")
        with rasterio.open(raster) as source:
            if renderer.get("type") == "paletted":
                entries = renderer.findall("./colorPalette/paletteEntry")
                colours = source.colormap(1)
                for entry in entries:
                    code = int(entry.get("value"))
                    if entry.get("color") != "#%02x%02x%02x" % colours[code][:3]:
                        errors.append(f"{raster.stem}: code {code} is {entry.get('color')}, in the raster {colours[code]}")
                    if entry.get("label") != source.tags(1)[f"class_{code}"]:
                        errors.append(f"{raster.stem}: code {code} is called {entry.get('label')}")
                present = {int(v) for v in np.unique(source.read(1, masked=True).compressed())}
                if not present <= {int(entry.get("value")) for entry in entries}:
                    errors.append(f"{raster.stem}: classes without a colour")
            else:
                shader = renderer.find("./rastershader/colorrampshader")
                values = [float(entry.get("value")) for entry in shader.findall("item")]
                low, high = float(shader.get("minimumValue")), float(shader.get("maximumValue"))
                if len(values) < 2 or values != sorted(values) or (values[0], values[-1]) != (low, high):
                    errors.append(f"{raster.stem}: the ramp runs over {values}")
    return {"errors": errors, "kinds": kinds}


def dictionary(run):
    told = pd.read_csv(run / "tables" / "data_dictionary.csv", dtype=str, keep_default_na=False)
    errors = []
    if (told["description"] == "").any():
        errors.append("a line has no description")
    expected = set()
    for path in (run / "tables").glob("*.csv"):
        expected |= {(f"tables/{path.name}", "", "column", name) for name in pd.read_csv(path, nrows=0).columns}
    for path in (run / "rasters").glob("*.tif"):
        with rasterio.open(path) as source:
            expected |= {(f"rasters/{path.name}", "", "band", str(n)) for n in source.indexes}
            classes = [tag.removeprefix("class_") for tag in source.tags(1) if tag.startswith("class_")]
            expected |= {(f"rasters/{path.name}", "", "class", code) for code in classes + ["nan" if np.isnan(source.nodata) else str(int(source.nodata))]}
    for path in (run / "vectors").glob("*.gpkg"):
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
            layers = [row[0] for row in base.execute("select table_name from gpkg_contents")]
            for layer in layers:
                fields = [row[1] for row in base.execute(f'pragma table_info("{layer}")') if row[1] not in ("fid", "geom")]
                expected |= {(f"vectors/{path.name}", layer, "field", field) for field in fields}
    found = set(map(tuple, told[["file", "layer", "part", "name"]].to_numpy()))
    errors += [f"not told of: {line}" for line in sorted(expected - found)]
    errors += [f"not there: {line}" for line in sorted(found - expected)]
    return {"errors": errors, "lines": len(told)}


def main():
    run = Path(sys.argv[1]).resolve()
    print(json.dumps({
        "tables": tables(run),
        "stac": stac(run),
        "citation": citation(run / "CITATION.cff"),
        "styles": styles(run),
        "dictionary": dictionary(run),
        # last, because it shuts the network out
        "crate": crate(run),
    }))


if __name__ == "__main__":
    if sys.argv[1] == "--citation":
        print(json.dumps(citation(sys.argv[2])))
    else:
        main()
