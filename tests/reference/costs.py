"""What drying costs: drying ladder, response surface, fates of patches."""

import numpy as np
import pandas as pd

import patches

NEVER, NOT_COMPARED = 254, 255


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
    """Habitat of variants, each found once."""

    def __init__(self, result):
        self.result, self.found, self.near = result, {}, {}

    def habitat(self, scenario):
        """Habitat (rows, columns); without a change, that of the baseline."""
        scenario = {key: float(value) for key, value in scenario.items() if value != 0}
        if not scenario:
            return self.result.habitat["baseline"]
        key = tuple(sorted(scenario.items()))
        if key not in self.found:
            values = self.result.variant({"name": "variant", **scenario})
            self.found[key] = self.result.compared & (values >= self.result.threshold)
            self.near[key] = np.abs(values.astype(float) - float(self.result.threshold)) < 1e-5
        return self.found[key]


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
        fails = [step for step, of_step in zip(steps, shares) if of_step[patch] < 0.5]
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


def tables(result):
    """All tables of what drying costs by name."""
    out, text = fate_tables(result), result.study.text
    if "drying_ladder" in text:
        out |= ladder_tables(result, text["drying_ladder"])
    if "response_surface" in text:
        out["response_surface"] = surface_table(result, text["response_surface"])
    return out


def compare(check, result):
    """Holds the drying margin of a run against this one, cell by cell; a cell whose suitability lies on the threshold at some step
    may fall to either side."""
    expected = margin(result)
    if expected is None:
        return
    found = check.read("drying_margin", result.study.grid)
    if found is None:
        return
    differ = found != expected
    near = np.any(list(result.variants.near.values()), axis=0)
    text = f"drying_margin: {int(differ.sum())} of {differ.size} cells differ, {int((differ & near).sum())} of "
    text += f"them on the threshold; {len(np.unique(expected))} codes"
    check.say(not (differ & ~near).any(), text)
