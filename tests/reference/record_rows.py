"""Which rows of a table of records are used, and why the others are not (docs/methods.md, Records)."""

import csv
import math

from pyproj import Transformer

from inputs import month_index

DATUMS = {"": None, "wgs84": "EPSG:4326", "wgs 84": "EPSG:4326", "epsg:4326": "EPSG:4326"}


def number(text):
    """A finite number, or None."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


class Records:
    """The table of records of a study: `kept` rows of (line, status, row, col, uncertainty, x, y), `aside` (line, reason)."""

    def __init__(self, study):
        self.section, grid = study.text["records"], study.grid
        with open(study.path(self.section["file"]), newline="", encoding="utf-8-sig") as file:
            rows = [{k: (v or "").strip() for k, v in row.items()} for row in csv.DictReader(file)]
        self.rows, self.aside, found = len(rows), [], []
        to_grid = Transformer.from_crs("EPSG:4326", grid.crs.to_wkt(), always_xy=True)
        most = self.section.get("maximum_uncertainty_m", max(100.0, grid.cell))

        def cell(x, y):
            if abs(x) > 180 or abs(y) > 90:
                return None
            east, north = to_grid.transform(x, y)
            col = math.floor((east - grid.left) / grid.cell)
            row = math.floor((grid.top - north) / grid.cell)
            inside = 0 <= row < grid.rows and 0 <= col < grid.cols
            return (row, col, east, north) if inside else None

        def judge(row):
            y, x = number(row["decimalLatitude"]), number(row["decimalLongitude"])
            if row["decimalLatitude"] == "" or row["decimalLongitude"] == "":
                return "no coordinates"
            if x is None or y is None:
                return "coordinates are not numbers"
            datum = row.get("geodeticDatum", "").lower()
            if datum not in DATUMS or (datum == "" and "crs" not in self.section):
                return "reference system not known"
            status, count = row.get("occurrenceStatus", "").lower(), number(row.get("individualCount", ""))
            if status == "":
                status = "absent" if count == 0 else "present"
            if status not in ("present", "absent") or (status == "present" and count == 0):
                return "status not understood"
            if status == "absent" and (count or 0) > 0:
                return "status not understood"
            place = cell(x, y)
            if place is None:
                if x == 0 or y == 0:
                    return "zero coordinates"
                if cell(y, x):
                    return "latitude and longitude swapped"
                if any(cell(a, b) for a, b in ((-x, y), (x, -y), (-x, -y))):
                    return "wrong sign of a coordinate"
                beyond = abs(x) > 180 or abs(y) > 90
                return "coordinates are not degrees" if beyond else "outside the study area"
            stated = row.get("coordinateUncertaintyInMeters", "")
            within = self.section.get("assumed_uncertainty_m") if stated == "" else number(stated)
            decimals = max(len(row[c].partition(".")[2]) for c in ("decimalLatitude", "decimalLongitude"))
            if within is None or within < 0 or within > most or 0.5 * 111_320 / 10**decimals > most:
                return "vague"
            reason = self.dated(row.get("eventDate", ""))
            if reason:
                return reason
            if not study.inside[place[:2]]:
                return "outside the study area"
            key = (round(y * 1e7), round(x * 1e7), row.get("eventDate", ""), status)
            return {"status": status, "place": place, "within": within, "key": key}

        seen = set()
        for line, row in enumerate(rows, start=2):
            out = judge(row)
            if isinstance(out, str):
                self.aside.append((line, out))
            elif out["key"] in seen:
                self.aside.append((line, "doubled"))
            else:
                seen.add(out["key"])
                found.append((line, out))
        # a finding before an absence, then the least vague, then the first
        found.sort(key=lambda f: (f[1]["status"] == "absent", f[1]["within"], f[0]))
        self.kept, taken = [], set()
        for line, out in found:
            if out["place"][:2] in taken:
                self.aside.append((line, "same cell as another record"))
            else:
                taken.add(out["place"][:2])
                row, col, x, y = out["place"]
                self.kept.append((line, out["status"], row, col, out["within"], x, y))
        self.kept.sort()

    def dated(self, date):
        """Why the date does not fit the months chosen; None if it does. Plain dates only."""
        first, last = self.section.get("from"), self.section.get("to")
        if first is None and last is None:
            return None
        parts = date.split("-")
        if not all(p.isdigit() for p in parts) or not 1 <= len(parts) <= 3:
            return "no date to tell the month by"
        low = month_index("-".join((parts + ["01"])[:2]))
        high = month_index("-".join((parts + ["12"])[:2]))
        early = first is not None and low < month_index(first)
        late = last is not None and high > month_index(last)
        return "outside the months used" if early or late else None
