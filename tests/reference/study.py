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

import patches
import water
import years
from climate import Climate
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
        self.water = water.measure(study, history)
        climate = Climate(study) if "climate" in study.text else None
        self.response = Response(study, climate, history, self.water)
        model = Model(study)
        self.years = years.Years(study, climate, history, self.response)
        self.spells = years.spells(study, history, self.water["assessed"])
        layer = study.role("depth")
        depth = study.layer(layer) if layer else None
        self.names = ["baseline"] + [s["name"] for s in study.scenarios]
        self.hydroperiod, self.suitability, self.drawn, self.raised = {}, {}, {}, {}
        for name, scenario in zip(self.names, [{}] + study.scenarios):
            hydroperiod, new_depth = self.response.scenario(scenario, depth)
            self.drawn[name] = self.years.drawn(scenario)
            if name == "baseline":
                volumes = self.volumes(new_depth)
            self.suitability[name] = model.suitability(
                hydroperiod, new_depth, scenario.get("land_cover"), self.drawn[name],
                scenario.get("water_quality"), self.dilution(volumes, self.volumes(new_depth)),
            )  # fmt: skip
            self.raised[name] = model.raised()
            self.hydroperiod[name] = hydroperiod
        self.barrier, self.model = model.barrier, model
        measures = {v["measure"] for r in model.requisites.values() for v in r["variables"]}
        self.follows_depth = bool(measures & {"depth", "water quality"})
        self.suitability_observed = model.suitability(
            self.water["hydroperiod"], depth, years=self.years.recorded()
        )
        self.compared = study.inside.copy()
        for name in self.names:
            self.compared &= ~np.isnan(self.suitability[name])
        # As 32-bit float, like the suitability it is held against.
        self.threshold = np.float32(study.text["suitability"]["threshold"])
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

    def volumes(self, depth):
        """{pool code: water held, cubic metres}; empty without depths or pools."""
        pools = self.study.role("pools")
        if depth is None or pools is None:
            return {}
        area = 1e4 * self.study.grid.cell_areas_ha()[:, None]
        layer = self.study.layer(pools)
        return {c: np.nansum(np.where(layer == c, depth * area, 0)) for c in np.unique(layer[~np.isnan(layer)])}

    @staticmethod
    def dilution(before, after):
        """{pool code: factor on concentrations}, min(V0 / V, 10)."""
        factor = {c: min(v / after[c], 10.0) if after[c] > 0 else 10.0 for c, v in before.items() if v > 0}
        return {c: float(np.float32(f)) for c, f in factor.items()}

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
        for name in self.names:
            out[f"hydroperiod_{name}"] = cut(self.hydroperiod[name])
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
        rows = []
        for name in self.names:
            row = {"scenario": name, **self.loss(name, self.study.inside)}
            del row["baseline_ha"], row["prior_only_ha"]
            row["patches"] = len(found[name])
            row["mean_patch_ha"] = found[name]["area_ha"].mean()
            rows.append(row)
        out = {"habitat_area": pd.DataFrame(rows), "patches": pd.concat(found.values())}
        for role in SPLITS:
            layer = self.study.role(role)
            if layer:
                name = "habitat_loss_by_" + ("zone" if role == "zones" else role)
                out[name] = self.split(layer)
        return out

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
