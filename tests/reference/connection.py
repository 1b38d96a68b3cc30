"""Connection of patches: least-cost ways on a graph of all cells (scipy), best products over patches, and every
removal recomputed from scratch."""

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra

from inputs import StudyError

# What rounding may add to a cost at the limit, as a share of it.
SLACK = 1e-9
PATCH_COLUMNS = [
    "connected_group", "share_by_removal_percent", "within_percent", "flow_percent",
    "stepping_stone_percent", "removal_rank",
]  # fmt: skip


def factor(written):
    """A resistance as written in a study or legend."""
    return np.inf if written == "impassable" else float(written)


def resistance(study, land_cover=None):
    """Resistance of every cell, inf where it cannot be crossed, as 32-bit floats hold it."""
    section = study.text["patches"]["crossing"]
    name = section["layer"]
    if "legend" in section:
        table = {c: factor(row[section["legend"]]) for c, row in study.legend(name).items()}
    else:
        table = {int(code): factor(written) for code, written in section["resistance"].items()}
    if land_cover is not None and name == study.role("land_cover"):
        name = land_cover
    codes = study.layer(name)
    out = np.full(codes.shape, np.inf)
    for code in np.unique(codes[~np.isnan(codes)]):
        if int(code) not in table:
            raise StudyError(f"class {code:g} has no resistance")
        out[codes == code] = table[int(code)]
    for barrier, written in section.get("barriers", {}).items():
        out = np.where(study.barrier(barrier), np.maximum(out, factor(written)), out)
    return out.astype(np.float32).astype(float)


def cell_graph(ground, cell):
    """Steps between neighbouring cells and their costs, as a sparse matrix of one direction."""
    rows, cols = ground.shape
    number = np.arange(rows * cols).reshape(rows, cols)
    open_ = np.isfinite(ground)
    here, there, cost = [], [], []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        left, right = max(0, -dc), cols - max(0, dc)
        a = np.s_[: rows - dr, left:right]
        b = np.s_[dr:, left + dc : right + dc]
        crossed = open_[a] & open_[b]
        if dr and dc:
            crossed &= open_[: rows - dr, left + dc : right + dc] & open_[dr:, left:right]
        mean = (ground[a][crossed] + ground[b][crossed]) / 2
        here.append(number[a][crossed])
        there.append(number[b][crossed])
        cost.append(cell * np.hypot(dr, dc) * mean)
    here, there, cost = map(np.concatenate, (here, there, cost))
    return coo_matrix((cost, (here, there)), shape=(rows * cols, rows * cols)).tocsr()


def costs(ground, patches, count, cell):
    """Least cost between every two patches, inf where there is no way; 0 on the diagonal."""
    graph, flat = cell_graph(ground, cell), patches.ravel()
    members = [np.flatnonzero(flat == n) for n in range(1, count + 1)]
    out = np.zeros((count, count))
    for n, own in enumerate(members):
        reached = dijkstra(graph, directed=False, indices=own, min_only=True)
        out[n] = [reached[cells].min() for cells in members]
    return np.minimum(out, out.T)


def products(p):
    """Largest product over ways of a matrix of probabilities (0: no link)."""
    length = csr_matrix(np.where(p > 0, -np.log(np.where(p > 0, p, 1.0)), 0.0))
    best = np.exp(-dijkstra(length, directed=False))
    np.fill_diagonal(best, 1.0)
    return best


def pairs(a, p):
    """Sum of a_i a_j p*_ij over all ordered pairs."""
    return float(a @ products(p) @ a) if len(a) else 0.0


class Connection:
    """Connection of one scenario; areas in hectares."""

    def __init__(self, study, scenario, patches, table, assessed_ha):
        section = study.text["patches"]["crossing"]
        self.ground = resistance(study, scenario.get("land_cover"))
        self.patches, self.cell = patches, study.grid.cell
        area = table["area_ha"].to_numpy(float)
        weighted = section.get("weight", "area") == "area x suitability"
        a = area * table["mean_suitability"].to_numpy(float) if weighted else area
        count = len(a)
        self.cost = costs(self.ground, patches, count, self.cell)
        k = np.log(2) / section["effective_m"]
        within = self.cost <= section["limit_m"] * (1 + SLACK)
        self.p = np.where(within & ~np.eye(count, dtype=bool), np.exp(-k * self.cost), 0.0)
        best, total = products(self.p), pairs(a, self.p)
        groups, group = connected_components(csr_matrix(self.p > 0), directed=False)
        whole = 100 * np.ones(count)
        for n in range(count):
            rest = np.arange(count) != n
            whole[n] = 100 * (total - pairs(a[rest], self.p[np.ix_(rest, rest)])) / total
        within_part = 100 * a**2 / total if count else whole
        flow = 100 * 2 * a * (best @ a - a) / total if count else whole
        # Differences of large sums: what is nothing but rounding counts as nothing.
        stone = np.where(whole - within_part - flow > 1e-9, whole - within_part - flow, 0.0)
        order = np.lexsort((np.arange(count), -np.round(whole, 9)))
        rank = np.empty(count, int)
        rank[order] = np.arange(1, count + 1)
        self.columns = dict(zip(PATCH_COLUMNS, [group + 1, whole, within_part, flow, stone, rank]))
        self.row = {
            "patches": count,
            "assessed_ha": assessed_ha,
            "equivalent_connected_area_ha": np.sqrt(total),
            "probability_of_connectivity": total / assessed_ha**2,
            "effective_mesh_size_ha": (area**2).sum() / assessed_ha,
            "links": int((self.p > 0).sum()) // 2,
            "connected_groups": groups if count else 0,
            "largest_group_ha": max((area[group == g].sum() for g in range(groups)), default=0.0),
            "costliest_patch": order[0] + 1 if count else np.nan,
            "costliest_share_percent": whole[order[0]] if count else np.nan,
        }

    def lines(self):
        """Pairs of patches with a line: a set that must be there and one that may be, by how the link compares with the best
        other way (equal ones may go either way)."""
        must, may = set(), set()
        for i, j in zip(*np.nonzero(np.triu(self.p))):
            others = self.p.copy()
            others[i, j] = others[j, i] = 0.0
            other = products(others)[i, j]
            if self.p[i, j] > other * (1 - 1e-9):
                may.add((i + 1, j + 1))
            if self.p[i, j] > other * (1 + 1e-9):
                must.add((i + 1, j + 1))
        return must, may

    def cost_of(self, cells):
        """Cost of a course through cells (n, 2), step by step."""
        total = 0.0
        for (r, c), (y, x) in zip(cells[:-1], cells[1:]):
            beside = np.isfinite([self.ground[r, x], self.ground[y, c]]).all()
            assert max(abs(y - r), abs(x - c)) == 1 and beside, "no step to a neighbour"
            total += self.cell * np.hypot(y - r, x - c) * (self.ground[r, c] + self.ground[y, x]) / 2
        return total
