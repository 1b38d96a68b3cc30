"""Range measures, reductions and continuing decline (docs/methods.md, Range)."""

import numpy as np
import pandas as pd
from scipy.spatial import ConvexHull, QhullError, cKDTree

import patches
from record_rows import Records
from water import fill_round_the_year, mann_kendall, theil_sen

STEP, SQUARE, LARGE = 100.0, 20, 10_000.0
ALL, HOLDING = "all patches (habitat-based upper bound)", "patches with records"
YEAR_MONTHS, TREND_YEARS = 6, 8


def generation(section):
    """Years, or None."""
    if "years" in section:
        return section["years"]
    if "survival" in section:
        living = np.cumprod(np.r_[1.0, section["survival"][:-1]])
        born = living * np.array(section["offspring"])
        return float((np.arange(len(born)) * born).sum() / born.sum())
    if "adult_mortality" in section:
        return section["first_reproduction"] + 1 / section["adult_mortality"]
    if "z" in section:
        return section["first_reproduction"] + section["z"] * section["reproductive_years"]
    return None


def told_over(section):
    """Years over which a reduction is told."""
    years = generation(section.get("generation", {}))
    return min(max(10.0, 3 * years if years else 0.0), 100.0)


def hull_km2(points):
    """Area of the convex hull of (n, 2) metres; 0 for points on one line. For projections that keep areas."""
    if len(points) < 3:
        return 0.0
    try:
        return ConvexHull(points).volume / 1e6
    except QhullError:
        return 0.0


def occupancy_km2(points):
    """On squares from the origin, and the least over shifts by whole steps."""
    fine = np.unique(np.floor(points / STEP).astype(int), axis=0)

    def count(a, b):
        return len(np.unique((fine - (a, b)) // SQUARE, axis=0)) if len(fine) else 0

    least = min(count(a, b) for a in range(SQUARE) for b in range(SQUARE))
    return 4.0 * count(0, 0), 4.0 * least


class Ranges:
    """Of a `study.Result`."""

    def __init__(self, result):
        self.result, study = result, result.study
        self.section, grid = study.text["range"], study.grid
        x, y = np.meshgrid(grid.x(), grid.y())
        self.x, self.y = x, y
        self.areas = np.broadcast_to(result.areas_ha[:, None], grid.shape)
        rule = study.text.get("patches", {})
        self.labels, self.counts = {}, {}
        for name in result.names:
            self.labels[name], self.counts[name] = patches.find(result.habitat[name], rule, result.areas_ha)
        self.records = None
        if "records" in study.text:
            kept = Records(study).kept
            self.records = [r for r in kept if r[1] == "present"]
        self.holding = self.held()
        by = self.section.get("places")
        role = by or next((r for r in ("pools", "zones") if study.role(r)), None)
        self.places = study.layer(study.role(role)) if role else None

    def held(self):
        """Numbers of today's patches that hold a record."""
        labels, found = self.labels["baseline"], set()
        where = labels > 0
        if not self.records or not where.any():
            return found
        tree = cKDTree(np.column_stack([self.x[where], self.y[where]]))
        numbers = labels[where]
        for _, _, row, col, within, x, y in self.records:
            if labels[row, col]:
                found.add(labels[row, col])
                continue
            distance, at = tree.query([x, y])
            if distance <= within:
                found.add(numbers[at])
        return found

    def row(self, name, basis, records, chosen):
        """One row of the table of measures; `chosen` patch numbers or None."""
        labels, points = self.labels[name], []
        if records:
            points.append(np.array([r[5:7] for r in self.records]).reshape(-1, 2))
        if chosen is not None:
            where = np.isin(labels, sorted(chosen)) & (labels > 0)
            points.append(np.column_stack([self.x[where], self.y[where]]))
        points = np.vstack(points)
        hull, (occupied, least) = hull_km2(points), occupancy_km2(points)
        out = {
            "scenario": name, "basis": basis, "records": len(self.records) if records else np.nan,
            "patches": np.nan, "patch_area_ha": np.nan, "hull_km2": hull,
            "extent_of_occurrence_km2": max(hull, occupied), "area_of_occupancy_km2": occupied,
            "least_area_of_occupancy_km2": least, "places_by_threat": np.nan, "fragmented_percent": np.nan,
        }  # fmt: skip
        if chosen is not None and not records:
            self.of_patches(name, chosen, out)
        return out

    def of_patches(self, name, chosen, out):
        """Adds what is told of patches only."""
        labels = self.labels[name]
        members = {n: labels == n for n in range(1, self.counts[name] + 1)}
        area = {n: self.areas[at].sum() for n, at in members.items()}
        whole = sum(area[n] for n in chosen)
        out["patches"], out["patch_area_ha"] = len(chosen), whole
        if self.places is not None:
            places, alone = set(), 0
            for n in chosen:
                codes = self.places[members[n]]
                codes, counts = np.unique(codes[~np.isnan(codes)], return_counts=True)
                if codes.size:
                    places.add(codes[np.argmax(counts)])
                else:
                    alone += 1
            out["places_by_threat"] = len(places) + alone
        viable, limit = self.section.get("viable_patch_ha"), self.section.get("dispersal_m")
        if viable is not None and limit is not None and whole > 0:
            apart = 0.0
            for n in chosen:
                others = (labels > 0) & (labels != n)
                nearest = np.inf
                if others.any():
                    tree = cKDTree(np.column_stack([self.x[others], self.y[others]]))
                    nearest = tree.query(np.column_stack([self.x[members[n]], self.y[members[n]]]))[0].min()
                if area[n] < viable and nearest > limit:
                    apart += area[n]
            out["fragmented_percent"] = 100 * apart / whole

    def measures(self):
        """The table range_measures."""
        rows = []
        for name in self.result.names:
            first, labels = name == "baseline", self.labels[name]
            everything = set(range(1, self.counts[name] + 1))
            if self.records is not None:
                held = self.holding
                if not first:
                    shared = np.isin(self.labels["baseline"], sorted(held)) & (self.labels["baseline"] > 0)
                    held = set(labels[shared & (labels > 0)])
                if first:
                    rows.append(self.row(name, "records", True, None))
                rows.append(self.row(name, HOLDING, False, held))
            rows.append(self.row(name, ALL, False, everything))
            if first and self.records is not None:
                rows.append(self.row(name, "records and all patches", True, everything))
        return pd.DataFrame(rows)

    def water_ha(self, name):
        """Area of water, compared cells."""
        limit = self.result.study.text.get("inundation", {}).get("water_limit_months", 3.0)
        months = np.nan_to_num(self.result.hydroperiod[name].astype(np.float32), nan=-1)
        return self.result.area(self.result.compared & (months >= limit))

    def reductions(self, measures):
        """The table range_reduction."""
        result, rows, window = self.result, [], told_over(self.section)
        end = result.study.baseline[-1] // 12
        for scenario in result.study.scenarios:
            name = scenario["name"]
            between = scenario.get("horizon", end) - end
            if between <= 0 or "replay" in scenario:
                continue
            levels = [("habitat area", "compared cells", "ha", window, *(result.area(result.habitat[n]) for n in ("baseline", name)))]
            for basis in (HOLDING, ALL):
                of = measures[measures.basis == basis].set_index("scenario")
                if len(of) == 0:
                    continue
                for quantity, column in (
                    ("area of occupancy", "area_of_occupancy_km2"),
                    ("extent of occurrence", "extent_of_occurrence_km2"),
                ):
                    levels.append((quantity, basis, "km2", window, of[column]["baseline"], of[column][name]))
            levels.append(("area of water", "compared cells", "ha", 50.0, self.water_ha("baseline"), self.water_ha(name)))
            for quantity, basis, unit, over, now, then in levels:
                linear = exponential = yearly = np.nan
                if now > 0:
                    linear = 100 * (1 - max(0.0, now + (then - now) * over / between) / now)
                    exponential = 100 * (1 - (then / now) ** (over / between))
                    yearly = 100 * (1 - (then / now) ** (1 / between))
                rows.append({
                    "scenario": name, "quantity": quantity, "basis": basis, "unit": unit,
                    "baseline": now, "horizon": then, "years_between": between, "years_told": over,
                    "linear_percent": linear, "exponential_percent": exponential, "yearly_percent": yearly,
                })  # fmt: skip
        return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["scenario", "quantity", "basis"])

    def years(self):
        """The table habitat_water_by_year."""
        result = self.result
        months, history = result.study.baseline, result.history
        where = result.habitat["baseline"] & result.water["ever_wet"]
        flat, area = history[:, where], self.areas[where]
        observed, wet, calendar = flat >= 0, flat == 1, months % 12
        seen = np.array([observed[calendar == m].sum(axis=0) for m in range(12)])
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.array([wet[calendar == m].sum(axis=0) for m in range(12)]) / np.where(seen > 0, seen, np.nan)
        whole, rows = fill_round_the_year(rate).sum(axis=0), []
        for year in np.unique(months // 12):
            of = months // 12 == year
            n = observed[of].sum(axis=0)
            with np.errstate(invalid="ignore", divide="ignore"):
                expected = np.where(observed[of], rate[calendar[of]], 0.0).sum(axis=0)
                value = np.clip(12 * (wet[of].sum(axis=0) - expected) / n + whole, 0, 12)
            good = n >= YEAR_MONTHS
            if good.any():
                mean = (value[good] * area[good]).sum() / area[good].sum()
                rows.append({"year": int(year), "hydroperiod_months": mean, "seen_ha": area[good].sum()})
        return pd.DataFrame(rows, columns=["year", "hydroperiod_months", "seen_ha"])

    def declines(self, years, reductions):
        """The table continuing_decline."""
        rows, end = [], self.result.study.baseline[-1] // 12
        if len(years):
            last = years.year.iloc[-1]
            within = years[last - years.year < told_over(self.section)]
            if len(within) >= TREND_YEARS:
                values = np.round(within.hydroperiod_months.to_numpy(), 9)
                slope = theil_sen(within.year.to_numpy(float), values)
                rows.append({
                    "scenario": "baseline", "quantity": "hydroperiod of today's habitat", "basis": "water record",
                    "first_year": within.year.iloc[0], "last_year": last, "unit": "months per year",
                    "change_per_year": slope, "percent_per_year": 100 * slope / np.median(values),
                    "p": mann_kendall(values)[2],
                })  # fmt: skip
        for r in reductions.itertuples():
            change = (r.horizon - r.baseline) / r.years_between
            rows.append({
                "scenario": r.scenario, "quantity": r.quantity, "basis": r.basis, "first_year": end,
                "last_year": end + r.years_between, "unit": r.unit, "change_per_year": change,
                "percent_per_year": 100 * change / r.baseline if r.baseline > 0 else np.nan, "p": np.nan,
            })  # fmt: skip
        return pd.DataFrame(rows)

    def tables(self):
        """All of them by name."""
        measures, years = self.measures(), self.years()
        reductions = self.reductions(measures)
        return {
            "range_measures": measures,
            "range_reduction": reductions,
            "continuing_decline": self.declines(years, reductions),
            "habitat_water_by_year": years,
        }
