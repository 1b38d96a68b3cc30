"""What drying costs: drying ladder, response surface, fates of patches."""

import numpy as np
import pandas as pd

import patches
from connection import Connection

NEVER, NOT_COMPARED = 254, 255
# Half, with room for the rounding of sums: areas may stand at exactly half.
HALF = 0.5 * (1 - 1e-12)


def step_column(ladder):
    """Name of the column of steps, and its scenario by step."""
    if "drawdown_m" in ladder:
        return "drawdown_m", ladder["drawdown_m"], lambda step: {"drawdown_m": step}
    steps = ladder.get("precipitation_loss", list(range(0, 61, 5)))
    return "precipitation_loss_percent", steps, lambda step: {"precipitation": -step}


def found_patches(result, habitat):
    """Patch numbers (rows, columns) and how many."""
    return patches.find(habitat, result.study.text.get("patches", {}), result.areas_ha)


class Variants:
    """Variants of a study, each found once."""

    def __init__(self, result):
        self.result, self.found, self.near = result, {}, []

    def whole(self, scenario):
        """(habitat, hydroperiod, depth), each (rows, columns)."""
        key = repr(sorted(scenario.items()))
        if key not in self.found:
            values, *water = self.result.variant({"name": "variant", **scenario})
            habitat = self.result.compared & (values >= self.result.threshold)
            self.near.append(np.abs(values.astype(float) - float(self.result.threshold)) < 1e-5)
            self.found[key] = (habitat, *water)
        return self.found[key]

    def habitat(self, scenario):
        """Habitat (rows, columns); without a change, that of the baseline."""
        scenario = {key: value for key, value in scenario.items() if np.ndim(value) or value != 0}
        return self.whole(scenario)[0] if scenario else self.result.habitat["baseline"]


def variants(result):
    """The variants of a result, kept with it."""
    if not hasattr(result, "variants"):
        result.variants = Variants(result)
    return result.variants


def margin(result):
    """Codes of the drying margin, (rows, columns); None without a ladder."""
    ladder = result.study.text.get("drying_ladder")
    if ladder is None:
        return None
    _, steps, scenario = step_column(ladder)
    code = np.where(result.compared, NEVER, NOT_COMPARED)
    for at in reversed(range(len(steps))):
        code[result.compared & ~variants(result).habitat(scenario(steps[at]))] = at
    return code


def ladder_tables(result, ladder):
    """Tables drying_margin and patch_margins."""
    column, steps, scenario = step_column(ladder)
    today, code = result.habitat["baseline"], margin(result)
    labels, count = found_patches(result, today)
    areas = [result.area(labels == patch) for patch in range(1, count + 1)]
    rows, shares = [], []
    for at, step in enumerate(steps):
        here = variants(result).habitat(scenario(step))
        kept = here & today
        shares.append([result.area(kept & (labels == p + 1)) / areas[p] for p in range(count)])
        rows.append({
            "step": at, column: step, "habitat_ha": result.area(here), "kept_ha": result.area(kept),
            "kept_percent": 100 * result.area(kept) / result.area(today) if today.any() else np.nan,
            "gained_ha": result.area(here & ~today),
            "first_failing_ha": result.area(today & (code == at)),
            "returned_ha": result.area(kept & (code < at)),
            "never_failed_ha": result.area(today & (code > at)),
        })  # fmt: skip
    of_patches = []
    for patch in range(count):
        fails = [step for step, of_step in zip(steps, shares) if of_step[patch] < HALF]
        of_patches.append({
            "patch": patch + 1, "area_ha": areas[patch], column: fails[0] if fails else np.nan,
            "kept_at_last": shares[-1][patch],
        })  # fmt: skip
    return {"drying_margin": pd.DataFrame(rows), "patch_margins": pd.DataFrame(of_patches)}


def surface_table(result, surface):
    """Table response_surface."""
    rows, today = [], result.habitat["baseline"]
    for warmth in surface.get("temperature_c", [0, 1, 2, 3, 4]):
        for rain in surface.get("precipitation", [-40, -30, -20, -10, 0, 10]):
            here = variants(result).habitat({"precipitation": rain, "temperature_c": warmth})
            before, kept = result.area(today), result.area(here & today)
            rows.append({
                "precipitation_percent": rain, "temperature_c": warmth, "habitat_ha": result.area(here),
                "kept_ha": kept, "lost_ha": before - kept, "gained_ha": result.area(here & ~today),
                "lost_percent": 100 * (before - kept) / before if before > 0 else np.nan,
            })  # fmt: skip
    return pd.DataFrame(rows)


def fate_tables(result):
    """Tables patch_fates and patch_origins."""
    found = {n: found_patches(result, result.habitat[n]) for n in result.names}
    before, count = found["baseline"]
    fates, origins = [], []
    for name in result.names[1:]:
        after, new = found[name]
        shared = np.zeros((count + 1, new + 1))
        np.add.at(shared, (before.ravel(), after.ravel()), 1)
        of_old = shared[1:, 1:] / shared[1:].sum(axis=1, keepdims=True)
        for patch in range(count):
            kept, parts = of_old[patch].sum(), int((of_old[patch] >= 0.1).sum())
            fate = "lost" if kept < 0.05 else "split" if parts >= 2 else "shrunk" if kept < 0.9 else "kept"
            fates.append({
                "scenario": name, "patch": str(patch + 1), "area_ha": result.area(before == patch + 1),
                "fate": fate, "kept_share": kept, "parts": parts,
                "largest_part": 1 + np.argmax(of_old[patch]) if kept > 0 else np.nan,
            })  # fmt: skip
        for patch in range(new):
            own = shared[1:, patch + 1]
            joined = int((of_old[:, patch] >= 0.1).sum())
            origins.append({
                "scenario": name, "patch": str(patch + 1), "area_ha": result.area(after == patch + 1),
                "origin": "new" if own.sum() == 0 else "merged" if joined >= 2 else "from one",
                "from_patches_share": own.sum() / shared[:, patch + 1].sum(), "joined": joined,
            })  # fmt: skip
    columns = ["scenario", "patch", "area_ha"]
    return {
        "patch_fates": pd.DataFrame(fates, columns=columns + ["fate", "kept_share", "parts", "largest_part"]),
        "patch_origins": pd.DataFrame(origins, columns=columns + ["origin", "from_patches_share", "joined"]),
    }


def has_both(scenario):
    """Whether a scenario changes the climate and lowers the water table besides."""
    climate = any(key in scenario for key in ("precipitation", "temperature_c", "index_shift", "replay"))
    return climate and "drawdown_m" in scenario and scenario.get("cause") != "climate"


def cause_table(result):
    """Table loss_attribution; None without a scenario that has both causes."""
    rows, before = [], result.habitat["baseline"]
    for scenario in filter(has_both, result.study.scenarios):
        of_climate = ("precipitation", "temperature_c", "index_shift", "replay")
        climate = {key: scenario[key] for key in of_climate if key in scenario}
        drawdown = {"drawdown_m": scenario["drawdown_m"]}
        lost = [before & ~variants(result).whole(part)[0] for part in (climate, drawdown, climate | drawdown)]
        c, a, both = lost
        areas = [result.area(x) for x in lost]
        rows.append({
            "scenario": scenario["name"], "climate_ha": areas[0], "abstraction_ha": areas[1],
            "both_ha": areas[2], "interaction_ha": areas[2] - areas[0] - areas[1],
            "only_climate_ha": result.area(both & c & ~a), "only_abstraction_ha": result.area(both & a & ~c),
            "either_ha": result.area(both & a & c), "only_together_ha": result.area(both & ~a & ~c),
            "scenario_ha": result.area(before & ~result.habitat[scenario["name"]]),
        })  # fmt: skip
    return pd.DataFrame(rows) if rows else None


def refuge_table(result):
    """Table refuges, and the codes of the raster."""
    stays = np.all(list(result.habitat.values()), axis=0)
    lowest = np.min([result.suitability[n] for n in result.names], axis=0)
    labels, _ = found_patches(result, stays)
    codes = np.where(result.compared, (labels > 0).astype(int), NOT_COMPARED)
    table = patches.describe(
        result.study, "refuges", stays, result.compared, lowest, result.hydroperiod["baseline"], result.areas_ha
    )
    extra, text = [], result.study.text
    if "crossing" in text.get("patches", {}):
        ways = Connection(result.study, {}, labels, table, result.area(result.compared))
        table["share_by_removal_percent"] = ways.columns["share_by_removal_percent"]
        extra.append("share_by_removal_percent")
    if "drying_ladder" in text:
        column, steps, _ = step_column(text["drying_ladder"])
        code, fails = margin(result), []
        for refuge in range(1, len(table) + 1):
            own = code[labels == refuge]
            fails.append(next((s for at, s in enumerate(steps) if (own > at).sum() * 2 < len(own)), np.nan))
        table[column] = fails
        extra.append(column)
    table = table.rename(columns={"patch": "refuge", "mean_suitability": "mean_lowest_suitability"})
    table["refuge"] = table["refuge"].astype(str)
    table = table.sort_values("area_ha", ascending=False, kind="stable")
    columns = ["refuge", "area_ha", "mean_lowest_suitability", "mean_hydroperiod_months", "zone"]
    return table[columns + ["centroid_x", "centroid_y", "cut"] + extra], codes


def scaled(value, share):
    """A change of which a share has come about: a number or one for each month."""
    return [share * v for v in value] if isinstance(value, list) else share * value


def ways(result):
    """{scenario name: (years, habitat at each)} of the scenarios that go evenly to a horizon."""
    every, out = result.study.text["habitat_over_time"].get("every_years", 5), {}
    end = int(result.study.baseline[-1] // 12)
    for scenario in result.study.scenarios:
        at_once = any(key in scenario for key in ("replay", "land_cover", "water_quality"))
        if "horizon" not in scenario or at_once:
            continue
        horizon = scenario["horizon"]
        years = list(range(end, horizon, every)) + [horizon]
        found = [result.habitat["baseline"]]
        for year in years[1:-1]:
            share = (year - end) / (horizon - end)
            part = {key: value for key, value in scenario.items() if key not in ("name", "title")}
            for key in ("precipitation", "temperature_c", "index_shift"):
                if key in part:
                    part[key] = scaled(part[key], share)
            found.append(variants(result).whole(part | {"drawdown_share": share})[0])
        out[scenario["name"]] = (years, found + [result.habitat[scenario["name"]]])
    return out


def time_codes(result):
    """{scenario name: codes of the raster time_of_loss}."""
    out = {}
    for name, (years, found) in ways(result).items():
        code = np.where(result.compared, NEVER, NOT_COMPARED)
        for at in reversed(range(len(years))):
            code[result.compared & ~found[at]] = at
        out[name] = code
    return out


def past_rows(result):
    """Rows of habitat_by_year by the water seen in each year."""
    response, months = result.response, result.study.baseline
    flat, shape = result.history.reshape(len(months), -1), result.study.grid.shape
    layer = result.study.role("depth")
    depth = result.study.layer(layer) if layer else None
    usual, calendar = result.water["hydroperiod"].ravel(), months % 12
    with np.errstate(invalid="ignore"):
        rate = np.array([(flat[calendar == m] == 1).sum(axis=0) / (flat[calendar == m] >= 0).sum(axis=0) for m in range(12)])
    rows, before = [], result.habitat["baseline"]
    for year, drawn in result.years.by_year().items():
        own = months // 12 == year
        seen, wet = flat[own] >= 0, flat[own] == 1
        count = seen.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            expected = np.where(seen, rate[calendar[own]], 0).sum(axis=0)
            hydroperiod = np.clip(12 * (wet.sum(axis=0) - expected) / count + usual, 0, 12)
        hydroperiod = np.where(response.wet & response.assessed & (count >= 6), hydroperiod, np.nan)
        hydroperiod[response.assessed & ~response.wet] = 0.0
        hydroperiod = np.round(hydroperiod, 9).astype(np.float32).astype(float).reshape(shape)
        values = result.model.suitability(hydroperiod, depth, years=drawn)
        known = result.compared & ~np.isnan(values)
        share = result.area(before & known) / result.area(before) if before.any() else np.nan
        habitat = known & (values >= result.threshold)
        of_today, elsewhere = result.area(habitat & before), result.area(habitat & ~before)
        rows.append({
            "series": "past", "year": str(year),
            "habitat_ha": of_today / share + elsewhere if share >= 0.5 else np.nan,
            "kept_ha": np.nan, "first_lost_ha": np.nan, "habitat_seen_ha": of_today + elsewhere,
            "today_assessed_share": share,
        })  # fmt: skip
    return rows


def time_tables(result):
    """Tables habitat_by_year and patch_time_of_loss."""
    rows, lost, before = past_rows(result), [], result.habitat["baseline"]
    labels, count = found_patches(result, before)
    codes = time_codes(result)
    for name, (years, found) in ways(result).items():
        for at, year in enumerate(years):
            rows.append({
                "series": name, "year": str(year), "habitat_ha": result.area(found[at]),
                "kept_ha": result.area(found[at] & before),
                "first_lost_ha": result.area(before & (codes[name] == at)) if at else np.nan,
                "habitat_seen_ha": np.nan, "today_assessed_share": np.nan,
            })  # fmt: skip
        for patch in range(1, count + 1):
            own = labels == patch
            kept = [result.area(own & here) / result.area(own) for here in found]
            first = next((at for at, share in enumerate(kept) if share < HALF), None)
            lost.append({
                "scenario": name, "patch": str(patch), "area_ha": result.area(own),
                "after": years[first - 1] if first else np.nan, "by": years[first] if first else np.nan,
                "kept_at_horizon": kept[-1],
            })  # fmt: skip
    columns = ["scenario", "patch", "area_ha", "after", "by", "kept_at_horizon"]
    out = {"habitat_by_year": pd.DataFrame(rows)}
    if lost or ways(result):
        out["patch_time_of_loss"] = pd.DataFrame(lost, columns=columns)
    return out


def supply_tables(result, wanted):
    """Tables water_requirement and what_water_where."""
    kind = "precipitation" if "precipitation" in wanted else "rise_m"
    steps = wanted.get(kind, [0.1, 0.2, 0.3, 0.5, 0.8])
    column = "precipitation_percent" if kind == "precipitation" else kind
    before, study = result.habitat["baseline"], result.study
    labels, count = found_patches(result, before)
    zones_layer, depth_layer = study.role("zones"), study.role("depth")
    zones = study.layer(zones_layer) if zones_layer else np.full(study.grid.shape, np.nan)
    legend = study.legend(zones_layer) if zones_layer else {}
    parts = [(f"{legend.get(int(c), {}).get('name', int(c))}", zones == c) for c in np.unique(zones[~np.isnan(zones)])]
    parts.append(("none" if zones_layer else "whole study area", np.isnan(zones)))
    requirement, where = [], []
    for scenario in study.scenarios:
        if scenario["name"] not in wanted.get("scenarios", result.names):
            continue
        own = {key: value for key, value in scenario.items() if key not in ("name", "title")}
        found = [variants(result).whole(own)]
        for step in steps:
            if kind == "rise_m":
                more = own | {"rise_m": step}
            else:
                rain = own.get("precipitation", 0.0)
                more = own | {"precipitation": [r + step for r in rain] if isinstance(rain, list) else rain + step}
            found.append(variants(result).whole(more))
        lost = before & ~found[0][0]
        first = np.full(lost.shape, len(steps) + 1)
        for at in reversed(range(1, len(steps) + 1)):
            first[lost & found[at][0]] = at

        def held(at, cells, found=found):
            _, hydroperiod, depth = found[at]
            if depth is None:
                return np.nan
            known = cells & result.compared & (hydroperiod > 0) & ~np.isnan(depth)
            return 1e4 * float(np.where(known, depth, 0.0).sum(axis=1) @ result.areas_ha)

        for patch in range(1, count + 1):
            cells = labels == patch
            row = {
                "scenario": scenario["name"], "patch": str(patch), "area_ha": result.area(cells),
                "lost_ha": result.area(cells & lost),
                "restorable_ha": result.area(cells & lost & (first <= len(steps))),
            }  # fmt: skip
            for word, share in (("half", HALF), ("all", 1 - 1e-12)):
                at = next((
                    at for at in range(1, len(steps) + 1) if row["lost_ha"] > 0
                    and result.area(cells & lost & (first <= at)) >= share * row["lost_ha"]
                ), None)  # fmt: skip
                row[f"{word}_{column}"] = steps[at - 1] if at else np.nan
                if depth_layer:
                    row[f"{word}_volume_m3"] = held(at, cells) - held(0, cells) if at else np.nan
            requirement.append(row)
        for name, cells in parts:
            if not (lost & cells).any():
                continue
            for at, step in enumerate(steps, 1):
                row = {
                    "scenario": scenario["name"], "zone": name, column: str(float(step)),
                    "lost_ha": result.area(lost & cells), "restored_ha": result.area(lost & cells & found[at][0]),
                }  # fmt: skip
                unit = "ha_per_metre" if kind == "rise_m" else "ha_per_percent"
                row[unit] = row["restored_ha"] / step
                if depth_layer:
                    row["volume_m3"] = held(at, cells) - held(0, cells)
                    water = row["volume_m3"] if row["volume_m3"] > 0 else np.nan
                    row["ha_per_1000_m3"] = 1000 * row["restored_ha"] / water
                where.append(row)
    return {"water_requirement": pd.DataFrame(requirement), "what_water_where": pd.DataFrame(where)}


def patch_loss_table(result):
    """Table habitat_loss_by_patch."""
    labels, count = found_patches(result, result.habitat["baseline"])
    keep = ("baseline_ha", "kept_ha", "degraded_ha", "lost_ha", "lost_percent", "prior_only_ha")
    rows = []
    for name in result.names[1:]:
        for patch in range(1, count + 1):
            row = result.loss(name, labels == patch)
            rows.append({"scenario": name, "patch": str(patch)} | {key: row[key] for key in keep})
    return pd.DataFrame(rows, columns=["scenario", "patch", *keep]) if rows else None


def ensemble_table(result):
    """Table ensembles; None without any."""
    named = {}
    for scenario in result.study.scenarios:
        if "ensemble" in scenario:
            named.setdefault(scenario["ensemble"], []).append(scenario)
    rows, before = [], result.habitat["baseline"]
    for name in sorted(named):
        habitat = np.array([result.habitat[s["name"]] for s in named[name]])
        areas = [result.area(h) for h in habitat]
        lost = [100 * result.area(before & ~h) / result.area(before) for h in habitat]
        years = {s.get("horizon") for s in named[name]}
        row = {"ensemble": name, "horizon": years.pop() if len(years) == 1 else np.nan, "scenarios": len(areas)}
        for kind, unit, values in (("habitat", "ha", areas), ("lost", "percent", lost)):
            for word, q in (("least", 0.0), ("median", 0.5), ("most", 1.0)):
                row[f"{kind}_{word}_{unit}"] = np.quantile(values, q)
        row |= {"habitat_in_all_ha": result.area(habitat.all(axis=0)), "habitat_in_some_ha": result.area(habitat.any(axis=0))}
        rows.append(row)
    return pd.DataFrame(rows) if rows else None


def management_table(result):
    """Table management; None without a scenario that answers another."""
    study, area = result.study, result.areas_ha
    layer = study.role("depth")
    sections = {s["name"]: s for s in study.scenarios}
    known = result.compared & study.inside
    counted = study.inside.copy()
    for name in result.names:
        counted &= ~np.isnan(result.hydroperiod[name])
        if layer:
            counted &= ~np.isnan(result.depth[name])

    def held(name):
        wet = counted & (result.hydroperiod[name] > 0)
        return float(np.where(wet, result.depth[name], 0.0).sum(axis=1) @ area) * 1e4

    rows = []
    for scenario in study.scenarios:
        if "instead_of" not in scenario:
            continue
        name, other = scenario["name"], scenario["instead_of"]
        here, there = result.habitat[name], result.habitat[other]
        row = {"instead_of": other, "scenario": name}
        row |= {"saved_ha": result.area(here & ~there), "given_up_ha": result.area(there & ~here)}
        net = row["net_ha"] = row["saved_ha"] - row["given_up_ha"]
        falls = [result.response.whole_fall(s).reshape(study.grid.shape) for s in (sections[other], scenario)]
        rise = np.where(known, falls[0] - falls[1], 0.0)
        moved = np.nan_to_num(rise) != 0
        row["moved_ha"] = result.area(moved)
        total = np.where(moved, rise, 0.0).sum(axis=1) @ area
        row["rise_m"] = total / row["moved_ha"] if row["moved_ha"] > 0 else np.nan
        row["net_ha_per_metre"] = net / row["rise_m"] if abs(row["rise_m"]) > 1e-9 else np.nan
        if layer:
            row["volume_m3"] = held(name) - held(other)
            row["net_ha_per_1000_m3"] = 1000 * net / row["volume_m3"] if row["volume_m3"] > 0 else np.nan
        rows.append((result.names.index(other), -net, row))
    ranked, last = [], None
    for place, _, row in sorted(rows, key=lambda found: found[:2]):
        rank = rank + 1 if place == last else 1
        last = place
        ranked.append(row | {"rank": rank})
    return pd.DataFrame(ranked) if ranked else None


def tables(result):
    """All tables of what drying costs by name, but what_water_where, whose rows are ranked."""
    out, text = fate_tables(result), result.study.text
    if patch_loss_table(result) is not None:
        out["habitat_loss_by_patch"] = patch_loss_table(result)
    if "drying_ladder" in text:
        out |= ladder_tables(result, text["drying_ladder"])
    if "response_surface" in text:
        out["response_surface"] = surface_table(result, text["response_surface"])
    if cause_table(result) is not None:
        out["loss_attribution"] = cause_table(result)
    if len(result.names) > 1:
        out["refuges"] = refuge_table(result)[0]
    if ensemble_table(result) is not None:
        out["ensembles"] = ensemble_table(result)
    if management_table(result) is not None:
        out["management"] = management_table(result)
    if "habitat_over_time" in text:
        out |= time_tables(result)
    if "water_requirement" in text:
        out["water_requirement"] = supply_tables(result, text["water_requirement"])["water_requirement"]
    return out


def compare_codes(check, result, name, expected):
    """Holds a raster of codes of a run against this one; a cell whose suitability lies on the threshold in some variant may fall to
    either side."""
    found = check.read(name, result.study.grid)
    if found is None:
        return
    differ = found != expected
    near = np.any([np.zeros(expected.shape, bool)] + variants(result).near, axis=0)
    text = f"{name}: {int(differ.sum())} of {differ.size} cells differ, {int((differ & near).sum())} of "
    text += f"them on the threshold; {len(np.unique(expected))} codes"
    check.say(not (differ & ~near).any(), text)


def compare(check, result):
    """Holds the rasters of a run against this, cell by cell, and the ranked table by its rows."""
    text = result.study.text
    if "drying_ladder" in text:
        compare_codes(check, result, "drying_margin", margin(result))
    if len(result.names) > 1:
        compare_codes(check, result, "refuges", refuge_table(result)[1])
    if "habitat_over_time" in text:
        for name, codes in time_codes(result).items():
            compare_codes(check, result, f"time_of_loss_{name}", codes)
    if "water_requirement" in text:
        compare_ranked(check, supply_tables(result, text["water_requirement"])["what_water_where"])


def compare_ranked(check, expected):
    """Holds what_water_where against rows in another order, and its ranks against its own numbers."""
    found = pd.read_csv(f"{check.folder}/tables/what_water_where.csv", keep_default_na=False, na_values=[""])
    column = "rise_m" if "rise_m" in found else "precipitation_percent"
    unit = "ha_per_metre" if column == "rise_m" else "ha_per_percent"
    ranked = all(
        list(part["rank"]) == list(range(1, len(part) + 1)) and part[unit].is_monotonic_decreasing
        for _, part in found.groupby("scenario")
    )
    keys = ["scenario", "zone", column]
    found[column] = found[column].astype(float).astype(str)
    both = expected.merge(found, on=keys, suffixes=("", "_run"))
    worst = 0.0
    for name in expected.columns.drop(keys):
        # areas and volumes that cancel to about nothing are held against 1
        apart = np.abs(both[name] - both[name + "_run"]) / np.maximum(np.abs(both[name]), 1.0)
        same = both[name].isna() == both[name + "_run"].isna()
        worst = max(worst, apart.max(), 0.0 if same.all() else np.inf)
    ok = ranked and len(both) == len(expected) == len(found) and worst < 1e-6
    check.say(ok, f"what_water_where: {len(both)} of {len(found)} rows, ranked: {ranked}, largest difference {worst:.3g}")
