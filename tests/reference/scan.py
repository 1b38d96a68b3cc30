"""Looks through every byte of a folder for what leads to a place.

    scan.py FACTS.json

FACTS names the folder and what was planted: places (metres and degrees), identifiers, tags, names and checksums of inputs, the step
of generalisation. Prints, by kind, what was found and where. Knows nothing of how the files came about.
"""

import base64
import json
import math
import re
import sqlite3
import struct
import sys
import zlib
from pathlib import Path

import numpy as np
import pyarrow.parquet as parquet
import rasterio

NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
DIGITS = re.compile(r"(?<![\w.,])\d{8,}(?![\w])")
BLOB = re.compile(r"[A-Za-z0-9+/]{60,}={0,2}")
# checksums, of which any seven figures may look like anything; they are looked for by name
CHECKSUM = re.compile(r"\b[0-9a-f]{64}\b")
DEGREE_M = 111_320.0


class Scan:
    def __init__(self, facts):
        self.folder = Path(facts["folder"])
        self.step = facts["step_m"]
        self.metres = np.array(facts["metres"])
        self.degrees = np.array(facts["degrees"])
        self.decimals = facts["decimals"]
        self.words = {kind: facts[kind] for kind in ("identifier", "tag", "path", "checksum")}
        self.least_ha = facts["least_ha"]
        self.found = {}

    def say(self, kind, where, what):
        self.found.setdefault(kind, []).append(f"{where}: {what}")

    # ---- numbers ----

    def fine_metres(self, value):
        """Near a planted coordinate, and no edge or middle of a square."""
        near = np.any(np.abs(self.metres - value) <= self.step)
        halves = value / (self.step / 2.0)
        return near and abs(halves - round(halves)) > 1e-6

    def fine_degrees(self, value, coordinate, most=math.inf):
        near = np.any(np.abs(self.degrees[:, coordinate] - value) <= min(self.step, most) / DEGREE_M)
        scaled = value * 10.0**self.decimals
        return near and abs(scaled - round(scaled)) > 1e-6

    def number(self, where, value, text):
        if self.fine_metres(value):
            self.say("coordinate in metres", where, text)
        # degrees are small numbers: one alone is taken for a place if it leads to within a kilometre of it
        if self.fine_degrees(value, 0, 1000.0) or self.fine_degrees(value, 1, 1000.0):
            self.say("coordinate in degrees", where, text)

    def numbers(self, where, values):
        """Cells of a raster or column."""
        values = np.asarray(values, dtype=float).ravel()
        values = np.unique(values[np.isfinite(values)])
        for value in values[(np.abs(values) > 1.0)]:
            self.number(where, float(value), repr(float(value)))

    def text(self, where, text):
        last = None
        words_of = text
        text = CHECKSUM.sub(" ", text)
        for match in NUMBER.finditer(text):
            value = float(match[0].replace(",", "."))
            self.number(where, value, match[0])
            # farther off, and south and west written without a sign, as a pair in either order
            if last is not None and match.start() - last[1] < 40:
                pair = (-abs(last[0]), -abs(value))
                for one, other in (pair, pair[::-1]):
                    if self.fine_degrees(one, 0) and self.fine_degrees(other, 1):
                        self.say("coordinate in degrees", where, f"{last[0]} {value}")
            last = (value, match.end())
        for match in DIGITS.finditer(text):
            # the decimal point left out
            if self.fine_metres(float(match[0][:7])):
                self.say("digits of a coordinate", where, match[0])
        for kind, words in self.words.items():
            for word in words:
                if word in words_of:
                    self.say(kind, where, word)

    # ---- files ----

    def raw(self, where, data):
        self.text(where, data.decode("utf-8", errors="ignore"))
        self.text(where, data.decode("latin-1"))
        for start in (b"\x78\x01", b"\x78\x9c", b"\x78\xda"):
            at = data.find(start)
            while at >= 0:
                try:
                    self.text(f"{where} (unpacked at {at})", zlib.decompressobj().decompress(data[at:]).decode("latin-1"))
                except zlib.error:
                    pass
                at = data.find(start, at + 1)

    def page(self, where, text):
        for size in re.findall(r'"(?:pixel|cell)_m":\s*([\d.]+)', text):
            # 0 where an edition has no grid
            if 0 < float(size) < self.step - 1e-6:
                self.say("fine pixel", where, f"{size} m")
        for match in BLOB.finditer(text):
            packed = match[0] + "=" * (-len(match[0]) % 4)
            try:
                data = base64.b64decode(packed, validate=True)
            except ValueError:
                continue
            name = f"{where} (picture at {match.start()})"
            if data.startswith(b"\x89PNG"):
                # pixels are codes of colours; what else a picture may hold stands in its other parts
                self.parts(name, data)
            else:
                self.raw(name, data)

    def parts(self, where, data):
        at = 8
        while at + 8 <= len(data):
            (length,) = struct.unpack(">I", data[at : at + 4])
            if data[at + 4 : at + 8] not in (b"IDAT", b"PLTE"):
                self.raw(where, data[at + 4 : at + 8 + length])
            at += 12 + length

    def raster(self, where, path):
        with rasterio.open(path) as source:
            for size in source.res:
                if size < self.step - 1e-6:
                    self.say("fine pixel", where, f"{size} m")
            for value in (*source.transform[:6], *source.bounds):
                self.number(where, float(value), repr(value))
            for band in range(0, source.count + 1):
                self.text(where, json.dumps(source.tags(band)))
            self.text(where, json.dumps([source.descriptions, source.units], ensure_ascii=False))
            for band in range(1, source.count + 1):
                self.numbers(where, source.read(band))

    def table(self, where, path):
        table = parquet.read_table(path)
        self.text(where, str(table.schema) + str(parquet.read_metadata(path).metadata))
        for name in table.column_names:
            column = table.column(name).to_pylist()
            self.text(where, "\n".join(str(cell) for cell in column if cell is not None))

        if path.stem == "patches":
            small = [area for area in table.column("area_ha").to_pylist() if area < self.least_ha]
            if small:
                self.say("small patch", where, f"{small} ha")

    def database(self, where, path):
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        names = [row[0] for row in connection.execute("select name from sqlite_master where type = 'table'")]
        for name in names:
            for row in connection.execute(f'select * from "{name}"'):
                for cell in row:
                    if isinstance(cell, bytes):
                        for offset in range(8):
                            count = (len(cell) - offset) // 8
                            self.numbers(where, np.frombuffer(cell, "<f8", count, offset))
                    elif cell is not None:
                        self.text(where, str(cell))

    def file(self, path):
        where = str(path.relative_to(self.folder))
        self.text("name of a file", where)
        data = path.read_bytes()
        if path.suffix in (".tif", ".parquet", ".gpkg"):
            # packed cells look like anything, so of these only words, and their content by a reader
            for kind, words in self.words.items():
                for word in words:
                    if word.encode() in data:
                        self.say(kind, where, word)
            {".tif": self.raster, ".parquet": self.table, ".gpkg": self.database}[path.suffix](where, path)
            return
        if path.suffix == ".png":
            self.parts(where, data)
            return
        text = data.decode("utf-8")
        # pictures are looked at by themselves
        self.text(where, BLOB.sub(lambda match: match[0] if len(match[0]) <= 64 else " ", text))
        self.page(where, text)

    def all(self):
        files = sorted(path for path in self.folder.rglob("*") if path.is_file())
        for path in files:
            self.file(path)
        return {"files": len(files), "found": self.found}


if __name__ == "__main__":
    told = Scan(json.loads(Path(sys.argv[1]).read_text())).all()
    told["found"] = {kind: sorted(set(found))[:5] for kind, found in told["found"].items()}
    print(json.dumps(told, ensure_ascii=False))
