"""Least-cost distances, connection of random graphs, and labels, by scikit-image, networkx and scipy.

    python crossing_oracle.py QUESTIONS.json

prints a JSON object with the answers to the questions of tests/tests/connection.rs.
"""

import itertools
import json
import math
import sys

import networkx as nx
import numpy as np
from scipy.ndimage import label
from skimage.graph import MCP_Geometric, route_through_array


def grid_graph(ground, cell):
    """Steps between eight neighbours; a diagonal only past cells that can be entered (networkx)."""
    rows, cols = ground.shape
    graph = nx.Graph()
    for r, c in itertools.product(range(rows), range(cols)):
        for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
            y, x = r + dr, c + dc
            if not (0 <= y < rows and 0 <= x < cols):
                continue
            around = [ground[r, c], ground[y, x], ground[r, x], ground[y, c]]
            if np.isfinite(around).all():
                cost = cell * math.hypot(dr, dc) * (ground[r, c] + ground[y, x]) / 2
                graph.add_edge((r, c), (y, x), weight=cost)
    return graph


def grid_costs(question):
    """Least cost between every two patches of a grid, None where there is no way."""
    ground = np.array([[np.inf if v is None else v for v in row] for row in question["ground"]])
    patches, cell = np.array(question["patches"]), question["cell_m"]
    numbers = range(1, patches.max() + 1)
    members = {n: [tuple(at) for at in np.argwhere(patches == n)] for n in numbers}
    graph = grid_graph(ground, cell)
    out = []
    for n in numbers:
        sources = [at for at in members[n] if at in graph]
        reached = nx.multi_source_dijkstra_path_length(graph, sources) if sources else {}
        for m in range(n + 1, patches.max() + 1):
            cost = min((reached.get(at, np.inf) for at in members[m]), default=np.inf)
            if members[n] and members[m] and np.isfinite(ground).all():
                # scikit-image knows no rule for corners of impassable ground, so only where there is none.
                images = MCP_Geometric(ground, fully_connected=True)
                costs = images.find_costs(members[n])[0]
                again = cell * min(costs[at] for at in members[m])
                assert math.isclose(cost, again, rel_tol=1e-12), (cost, again)
                if len(members[n]) == len(members[m]) == 1:
                    one = route_through_array(ground, members[n][0], members[m][0], geometric=True)
                    assert math.isclose(cost, cell * one[1], rel_tol=1e-12), (cost, one)
            out.append([n, m, None if np.isinf(cost) else cost])
    return out


def pairs(graph, weights):
    """Sum of a_i a_j p*_ij over ordered pairs of the nodes of a graph, and p* by node."""
    total, flows = 0.0, {}
    for node, reached in nx.all_pairs_dijkstra_path_length(graph, weight="length"):
        best = {other: math.exp(-length) for other, length in reached.items()}
        flows[node] = sum(weights[o] * p for o, p in best.items() if o != node)
        total += weights[node] * sum(weights[o] * p for o, p in best.items())
    return total, flows


def network(question):
    """Connection of a graph with every node removed in turn."""
    weights = question["weights"]
    graph = nx.Graph()
    graph.add_nodes_from(range(len(weights)))
    for a, b, p in question["links"]:
        length = -math.log(p)
        if a != b and length < graph.get_edge_data(a, b, {"length": np.inf})["length"]:
            graph.add_edge(a, b, length=length)
    total, flows = pairs(graph, weights)
    shares = []
    for node in range(len(weights)):
        without = graph.copy()
        without.remove_node(node)
        removal = 100 * (total - pairs(without, weights)[0]) / total
        within = 100 * weights[node] ** 2 / total
        flow = 200 * weights[node] * flows[node] / total
        shares.append([removal, within, flow, removal - within - flow])
    groups = [sorted(group) for group in nx.connected_components(graph)]
    return {"equivalent": math.sqrt(total), "shares": shares, "groups": sorted(groups)}


def labels(question):
    """Components of a mask numbered by first cell, by rows."""
    structure = np.ones((3, 3)) if question["corners"] else None
    found, count = label(np.array(question["mask"]), structure)
    first = [np.argmax(found == n) for n in range(1, count + 1)]
    rank = np.zeros(count + 1, int)
    rank[np.argsort(first) + 1] = np.arange(1, count + 1)
    return rank[found].tolist()


def main():
    """Command line."""
    with open(sys.argv[1], encoding="utf-8") as file:
        questions = json.load(file)
    answers = {
        "grids": [grid_costs(q) for q in questions["grids"]],
        "networks": [network(q) for q in questions["networks"]],
        "labels": [labels(q) for q in questions["labels"]],
    }
    json.dump(answers, sys.stdout)


if __name__ == "__main__":
    main()
