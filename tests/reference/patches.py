"""Habitat patches and their measures."""

import numpy as np
import pandas as pd
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree
from skimage.measure import label

COLUMNS = [
    "scenario", "patch", "area_ha", "core_ha", "perimeter_m", "mean_suitability",
    "mean_hydroperiod_months", "centroid_x", "centroid_y", "zone", "zone_share",
    "nearest_neighbour_m", "cut",
]  # fmt: skip


def find(habitat, section, areas_ha):
    """Patch numbers (rows, columns), 0 for none, in order of first cell; and how many."""
    found = label(habitat, connectivity=1 if section.get("neighbours", 8) == 4 else 2)
    cell_area = np.broadcast_to(areas_ha[:, None], habitat.shape)
    out, count = np.zeros(habitat.shape, int), 0
    codes, first = np.unique(found, return_index=True)
    for code in codes[np.argsort(first)]:
        # Relative slack: a minimum of whole cells must not fall to the rounding of a sum.
        if code and cell_area[found == code].sum() >= section.get("minimum_ha", 0) * (1 - 1e-12):
            count += 1
            out[found == code] = count
    return out, count


def describe(study, name, habitat, compared, suitability, hydroperiod, areas_ha):
    """Table of the patches of a scenario, one row each."""
    section, grid = study.text.get("patches", {}), study.grid
    patches, count = find(habitat, section, areas_ha)
    other = compared & ~habitat
    edge = section.get("edge_m", 0.0)
    # Without any non-habitat everything is core.
    far = distance_transform_edt(~other) * grid.cell if other.any() else np.inf * np.ones(grid.shape)
    padded_other = np.pad(other, 1)
    padded_compared = np.pad(compared, 1)
    sides, open_sides = np.zeros(grid.shape, int), np.zeros(grid.shape, int)
    for dr, dc in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        window = np.s_[1 + dr : 1 + dr + grid.rows, 1 + dc : 1 + dc + grid.cols]
        sides += padded_other[window]
        open_sides += ~padded_compared[window]
    zone_layer = study.role("zones")
    zones = study.layer(zone_layer) if zone_layer else np.full(grid.shape, np.nan)
    names = study.legend(zone_layer) if zone_layer else {}
    cell_area = np.broadcast_to(areas_ha[:, None], grid.shape)
    members = [np.nonzero(patches == n) for n in range(1, count + 1)]
    centres = [np.column_stack([grid.x()[c], grid.y()[r]]) for r, c in members]
    rows = []
    for n, at in enumerate(members):
        codes, counts = np.unique(zones[at][~np.isnan(zones[at])], return_counts=True)
        code = int(codes[np.argmax(counts)]) if codes.size else None
        nearest = np.nan
        if count > 1:
            others = np.vstack(centres[:n] + centres[n + 1 :])
            nearest = cKDTree(others).query(centres[n])[0].min()
        rows.append(
            {
                "scenario": name,
                "patch": n + 1,
                "area_ha": cell_area[at].sum(),
                "core_ha": cell_area[at][far[at] > edge].sum() if edge > 0 else np.nan,
                "perimeter_m": sides[at].sum() * grid.cell,
                "mean_suitability": suitability[at].astype(float).mean(),
                "mean_hydroperiod_months": hydroperiod[at].mean(),
                "centroid_x": centres[n][:, 0].mean(),
                "centroid_y": centres[n][:, 1].mean(),
                "zone": "" if code is None else names.get(code, {}).get("name", str(code)),
                "zone_share": counts.max() / len(at[0]) if codes.size else np.nan,
                "nearest_neighbour_m": nearest,
                "cut": "yes" if open_sides[at].sum() > 0 else "no",
            }
        )
    return pd.DataFrame(rows, columns=COLUMNS)
