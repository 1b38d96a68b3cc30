"""Recomputes a whole study, slowly and plainly, from docs/methods.md.

    python study.py STUDY.toml --out DIR

writes DIR/*.npy, one per raster product, and DIR/*.csv, one per table.
"""

import argparse
import os
import sys

import numpy as np
import pandas as pd
from rasterio.errors import RasterioError

import costs
import curves
import levels
import patches
import populations
import ranges
import records
import water
import years
from choice import COLUMNS, choose
from climate import Climates, drought_events, replayed_years, runs, scenario_climate
from connection import Connection
from inputs import Study, StudyError
from response import Response
from suitability import Model

OUTSIDE, KEPT, DEGRADED, LOST, GAINED, NOT_ASSESSED = 0, 1, 2, 3, 4, 255
DEGRADED_BY = 0.1
SPLITS = ("zones", "wetland_class", "land_cover")


class Result:
    """Everything computed: the study, water measures, and products by scenario name."""

    def __init__(self, path):
        study = self.study = Study(path)
        history = water.read_history(study)
        self.history, self.water = history, water.measure(study, history)
        self.climates, self.choice = None, []
        if "climate" in study.text:
            k = study.text["climate"]["months"]
            if k == "choose":
                k, self.choice = choose(study, history, self.water)
            self.climates = Climates(study, k)
        self.response = Response(study, self.climates, history, self.water)
        self.years = years.Years(study, self.climates, history, self.response)
        self.spells = years.spells(study, history, self.water["assessed"])
        model = self.model = Model(study)
        layer = study.role("depth")
        depth = study.layer(layer) if layer else None
        self.names = ["baseline"] + [s["name"] for s in study.scenarios]
        self.hydroperiod, self.suitability, self.sd, self.depth = {}, {}, {}, {}
        self.drawn, self.raised = {}, {}
        for name, scenario in zip(self.names, [{}] + study.scenarios):
            hydroperiod, self.sd[name], new_depth = self.response.scenario(scenario, depth)
            self.depth[name] = new_depth
            self.drawn[name] = self.years.drawn(scenario)
            diluted = self.dilution(self.in_pools(self.depth["baseline"]), self.in_pools(new_depth))
            self.suitability[name] = model.suitability(
                hydroperiod, new_depth, scenario.get("land_cover"), self.drawn[name],
                scenario.get("water_quality"), diluted,
            )  # fmt: skip
            self.raised[name] = model.raised()
            self.hydroperiod[name] = hydroperiod
        self.follows_depth = bool(study.role("depth"))
        self.suitability_observed = model.suitability(
            self.water["hydroperiod"], depth, years=self.years.recorded()
        )
        self.compared = study.inside.copy()
        for name in self.names:
            self.compared &= ~np.isnan(self.suitability[name])
        threshold = study.text["suitability"]["threshold"]
        if isinstance(threshold, str):
            threshold = records.by_rule(study, self.suitability["baseline"], threshold)
        # As 32-bit float, like the suitability it is held against.
        self.threshold = np.float32(threshold)
        self.habitat = {
            n: self.compared & (self.suitability[n] >= self.threshold) for n in self.names
        }
        base = self.suitability["baseline"].astype(float)
        self.drop = {n: base - self.suitability[n].astype(float) for n in self.names[1:]}
        self.degraded = {
            n: self.habitat["baseline"] & self.habitat[n] & (self.drop[n] >= DEGRADED_BY)
            for n in self.names[1:]
        }
        self.areas_ha = study.grid.cell_areas_ha()

    def variant(self, scenario):
        """(suitability, hydroperiod, depth), each (rows, columns), under a scenario that need not be one of the study's."""
        layer = self.study.role("depth")
        depth = self.study.layer(layer) if layer else None
        hydroperiod, _, new_depth = self.response.scenario(scenario, depth)
        drawn = self.years.drawn(scenario)
        diluted = self.dilution(self.in_pools(self.depth["baseline"]), self.in_pools(new_depth))
        suitability = self.model.suitability(
            hydroperiod, new_depth, scenario.get("land_cover"), drawn, scenario.get("water_quality"), diluted
        )
        return suitability, hydroperiod, new_depth

    def in_pools(self, depth):
        """{pool code: water held, cubic metres}; empty without depths or pools."""
        pools = self.study.role("pools")
        if depth is None or pools is None:
            return {}
        layer, area = self.study.layer(pools), 1e4 * self.study.grid.cell_areas_ha()[:, None]
        codes = np.unique(layer[~np.isnan(layer)])
        return {c: np.nansum(np.where(layer == c, depth * area, 0)) for c in codes}

    @staticmethod
    def dilution(before, after):
        """{pool code: factor on concentrations}, min(V0 / V, 10)."""
        out = {}
        for code, volume in before.items():
            if volume > 0:
                factor = min(volume / after[code], 10.0) if after[code] > 0 else 10.0
                out[code] = float(np.float32(factor))
        return out

    def change(self, name):
        """Codes of change of a scenario, (rows, columns) uint8."""
        before, after = self.habitat["baseline"], self.habitat[name]
        out = np.full(before.shape, NOT_ASSESSED, np.uint8)
        out[self.compared] = OUTSIDE
        out[before & after] = KEPT
        out[before & after & self.degraded[name]] = DEGRADED
        out[before & ~after] = LOST
        out[~before & after] = GAINED
        return out

    def rasters(self):
        """Raster products by name; NaN (codes: 255) outside the study area."""
        inside, w = self.study.inside, self.water

        def cut(values):
            return np.where(inside, values, np.nan)

        out = {
            "hydroperiod_observed": cut(w["hydroperiod"]),
            "inundation_frequency": cut(w["frequency"]),
            "recurrence": cut(w["recurrence"]),
            "trend_slope": cut(w["slope"]),
            "trend_p": cut(w["p"]),
            "suitability_observed": self.suitability_observed,
            "longest_wet_spell": cut(self.spells[0]),
            "month_of_drying": cut(self.spells[1]),
            "years_that_dried": cut(self.spells[2]),
        }
        fitted = self.response
        slope_sd = np.sqrt(fitted.spread[:, 1, 1])
        slope_sd[slope_sd == 0] = np.nan  # held at 0
        shape = self.study.grid.shape
        out["response_slope"] = cut(fitted.beta[:, 1].reshape(shape))
        out["response_slope_sd"] = cut(slope_sd.reshape(shape))
        out["response_quality"] = cut(fitted.brier_saved.reshape(shape))
        for name in self.names:
            out[f"hydroperiod_{name}"] = cut(self.hydroperiod[name])
            out[f"hydroperiod_sd_{name}"] = cut(self.sd[name])
            out[f"suitability_{name}"] = self.suitability[name]
        for name in self.names[1:]:
            out[f"change_{name}"] = self.change(name)
        return out

    def area(self, cells):
        """Area of a bool array of cells, hectares."""
        return float(cells.sum(axis=1) @ self.areas_ha)

    def loss(self, name, where):
        """Areas of one scenario over some cells, as a dictionary of columns."""
        before = self.habitat["baseline"] & where
        after = self.habitat[name] & where
        baseline, lost = self.area(before), self.area(before & ~after)
        degraded = self.degraded.get(name, np.zeros(where.shape, bool))
        return {
            "baseline_ha": baseline,
            "habitat_ha": self.area(after),
            "kept_ha": self.area(before & after),
            "degraded_ha": self.area(before & after & degraded),
            "lost_ha": lost,
            "gained_ha": self.area(after & ~before),
            "lost_percent": 100 * lost / baseline if baseline > 0 else np.nan,
            "not_assessed_ha": self.area(where & ~self.compared),
            "prior_only_ha": self.area(before & ~self.water["ever_dry"]),
        }

    def tables(self):
        """Tables by name as data frames."""
        found = {
            name: patches.describe(
                self.study, name, self.habitat[name], self.compared,
                self.suitability[name], self.hydroperiod[name], self.areas_ha,
            )
            for name in self.names
        }  # fmt: skip
        self.connect(found)
        rows = []
        for name in self.names:
            row = {"scenario": name, **self.loss(name, self.study.inside)}
            del row["baseline_ha"], row["prior_only_ha"]
            row["patches"] = len(found[name])
            row["mean_patch_ha"] = found[name]["area_ha"].mean()
            if self.connection:
                key = "equivalent_connected_area_ha"
                row[key] = self.connection[name].row[key]
            rows.append(row)
        out = {"habitat_area": pd.DataFrame(rows), "patches": pd.concat(found.values())}
        if self.connection:
            rows = [{"scenario": name, **c.row} for name, c in self.connection.items()]
            today = rows[0]["equivalent_connected_area_ha"]
            for row in rows:
                now = row["equivalent_connected_area_ha"]
                known = row is not rows[0] and today > 0
                row["change_percent"] = 100 * (now / today - 1) if known else np.nan
            out["connection"] = pd.DataFrame(rows)
        for role in SPLITS:
            layer = self.study.role(role)
            if layer:
                name = "habitat_loss_by_" + ("zone" if role == "zones" else role)
                out[name] = self.split(layer)
        if self.climates:
            out |= self.droughts()
        if self.choice:
            out["index_choice"] = pd.DataFrame(self.choice, columns=COLUMNS)
        found = levels.table(self.response.level_rows)
        if found is not None:
            out["pool_levels"] = found
        found = curves.table(self.response, self.response.curves)
        if found is not None:
            out["drawdown_curves"] = found
        if self.study.role("depth"):
            out["volume"] = self.volume()
        if "range" in self.study.text:
            out |= ranges.Ranges(self).tables()
        if "population" in self.study.text:
            out |= populations.Populations(self).tables()
        return out | costs.tables(self)

    def connect(self, found):
        """Connection by scenario, where the study asks for it; its columns join the tables of patches."""
        self.connection = {}
        section = self.study.text.get("patches", {})
        if "crossing" not in section:
            return
        assessed = self.area(self.compared)
        for name, scenario in zip(self.names, [{}] + self.study.scenarios):
            labels, _ = patches.find(self.habitat[name], section, self.areas_ha)
            one = Connection(self.study, scenario, labels, found[name], assessed)
            found[name] = found[name].assign(**one.columns)
            self.connection[name] = one

    def droughts(self):
        """The tables drought_index and drought_events: the record and every scenario that changes the climate, or
        replays years: then each run of years by itself."""
        months_rows, events_rows = [], []
        areas = np.where(self.study.inside, self.areas_ha[:, None], 0.0).ravel()
        for name, months, table in self.climates.shown(areas):
            for scenario in [{"name": "baseline"}] + self.study.scenarios:
                changes = scenario_climate(scenario)
                changed = any((a != b).any() for a, b in zip(changes, scenario_climate({})))
                replayed = replayed_years(scenario)
                if scenario["name"] != "baseline" and not changed and replayed is None:
                    continue
                values, key = table(*changes), (scenario["name"], name)
                words = np.array([f"{m // 12:04d}-{m % 12 + 1:02d}" for m in months])
                starts = self.study.water_year_starts - 1
                parts = [slice(None)]
                if replayed is not None:
                    spans = [(12 * a + starts, 12 * b + starts + 12) for a, b in runs(replayed)]
                    parts = [(months >= first) & (months < end) for first, end in spans]
                for part in parts:
                    self.drought_rows(key, words[part], values[part], months_rows, events_rows)
        head = ["scenario", "climate"]
        index = ["month", "sum_mm", "index", "limited", "response_index"]
        event = ["first_month", "last_month", "duration_months", "severity", "intensity", "peak"]
        return {
            "drought_index": pd.DataFrame(months_rows, columns=head + index),
            "drought_events": pd.DataFrame(events_rows, columns=head + event),
        }

    @staticmethod
    def drought_rows(key, words, values, months_rows, events_rows):
        """Adds the rows of one part of a series: its months in words, and the columns of `Climate.table`."""
        for word, (total, index, limited, z) in zip(words, values):
            months_rows.append((*key, word, total, index, "yes" if limited else "no", z))
        for first, last, severity, intensity, peak in drought_events(values[:, 1]):
            row = (words[first], words[last], last - first + 1, severity, intensity, peak)
            events_rows.append((*key, *row))

    def volume(self):
        """Water by pool (else by zone, else as a whole): depth x area where hydroperiod is above 0, over the
        cells whose depth and hydroperiod are known in every scenario."""
        layer = self.study.role("pools") or self.study.role("zones")
        shape = self.study.grid.shape
        codes = self.study.layer(layer) if layer else np.full(shape, np.nan)
        legend = self.study.legend(layer) if layer else {}
        known, held = self.study.inside.copy(), {}
        for name in self.names:
            known &= ~np.isnan(self.depth[name]) & ~np.isnan(self.hydroperiod[name])
        for name in self.names:
            wet = known & (self.hydroperiod[name] > 0)
            held[name] = np.where(wet, self.depth[name], 0.0)
        parts = [
            (str(int(c)), legend.get(int(c), {}).get("name", str(int(c))), codes == c)
            for c in np.unique(codes[known & ~np.isnan(codes)])
        ]
        none = known & np.isnan(codes)
        if layer is None or any((held[n][none] > 0).any() for n in self.names):
            parts.append(("", "none" if layer else "whole study area", none))
        rows = []
        for name in self.names:
            for code, title, where in parts:
                volume = [
                    float((held[n] * where).sum(axis=1) @ self.areas_ha) * 1e4
                    for n in ("baseline", name)
                ]
                area = self.area(where & (held[name] > 0))
                rows.append({
                    "scenario": name, "code": code, "name": title, "volume_m3": volume[1],
                    "volume_share": volume[1] / volume[0] if volume[0] > 0 else np.nan,
                    "mean_depth_m": volume[1] / area / 1e4 if area > 0 else np.nan,
                    "wet_area_ha": area,
                })  # fmt: skip
        return pd.DataFrame(rows)

    def split(self, layer):
        """Loss by the classes of a layer, those with area in the study area."""
        values, legend, rows = self.study.layer(layer), self.study.legend(layer), []
        codes = np.unique(values[self.study.inside & ~np.isnan(values)]).astype(int)
        parts = [(str(c), legend.get(c, {}).get("name", str(c)), values == c) for c in codes]
        without = self.study.inside & np.isnan(values)
        if without.any():
            parts.append(("", "none", without))
        for name in self.names:
            for code, title, where in parts:
                row = {"scenario": name, "code": code, "name": title}
                rows.append(row | self.loss(name, where & self.study.inside))
        return pd.DataFrame(rows)


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("study")
    parser.add_argument("--out", required=True)
    arguments = parser.parse_args()
    os.makedirs(arguments.out, exist_ok=True)
    result = Result(arguments.study)
    for name, values in result.rasters().items():
        np.save(os.path.join(arguments.out, name + ".npy"), values)
    for name, table in result.tables().items():
        table.to_csv(os.path.join(arguments.out, name + ".csv"), index=False)


if __name__ == "__main__":
    try:
        main()
    except (StudyError, KeyError, OSError, ValueError, RasterioError) as problem:
        print(f"error: {problem!r}", file=sys.stderr)
        sys.exit(2)
