"""Ways inside a field: along the headland rounds, round obstacles, along the bouts, to the gateway."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import networkx as nx
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import LineString, Point, Polygon

from trafficplan.compiled import njit
from trafficplan.routes.bends import smooth_pieces
from trafficplan.routes.swaths import Swath

NODE_STEP_M = 10.0  # longest stretch between two nodes of a round
SAME_M = 0.5  # a place to stop at that is nearer than this to a node is that node
BRIDGE_M = 60.0  # rounds that lie further apart than this from each other are bridged by their nearest points


@dataclass
class Ways:
    """The ways inside one part of a field: nodes (n, 2), their graph, the node of the place to stop at (None: there
    is none in it), and what was found so far: shortest ways by start node, smooth pieces by both nodes and radius, trips
    from each end of the bouts to where loads leave the ways and back by radius, ways from each end to each by radius and
    reach of turns [m]."""

    xy: NDArray[np.float64]
    graph: nx.Graph
    tree: cKDTree
    weights: csr_array
    stop: int | None = None
    found: dict[int, tuple[NDArray[np.float64], NDArray[np.int32]]] = field(default_factory=dict)
    pieces: dict[tuple[int, int, float], list[NDArray[np.float64]]] = field(default_factory=dict)
    trips: dict[float, NDArray[np.float64]] = field(default_factory=dict)
    turns: dict[tuple[float, float], NDArray[np.float64]] = field(default_factory=dict)


def field_ways(
    part: Polygon,
    rounds: list[NDArray[np.float64]],
    bouts: list[Swath],
    gate: tuple[float, float],
    stop: tuple[float, float] | None = None,
) -> Ways:
    """Return the ways over headland rounds (one per ring: outer and holes), bouts and the gateway (node 0).

    Edges that would leave the field or cross an obstacle are left out; the headland is preferred to the
    bouts by counting these 1.2 times their length. A place to stop at (a heap, a trailer) is reached where a way
    passes nearest to it.
    """
    lines = [_nodes_along(ring) for ring in rounds]
    xy = np.concatenate([np.array([gate]), *lines, *[s.xy for s in bouts]])
    graph: nx.Graph = nx.Graph()
    graph.add_nodes_from(range(len(xy)))
    starts = np.array([1, *(1 + np.cumsum([len(line) for line in lines], dtype=np.int64))], dtype=np.int64)
    for start, line in zip(starts, lines, strict=False):
        for i in range(len(line) - 1):
            _edge(graph, xy, start + i, start + i + 1, 1.0)
        if math.hypot(*(line[0] - line[-1])) < 1e-6:
            _edge(graph, xy, start, start + len(line) - 1, 1.0)
    first_bout = int(starts[-1])
    ends = first_bout + np.cumsum([0] + [len(s.xy) for s in bouts])
    for first, after in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        for i in range(first, after - 1):
            _edge(graph, xy, i, i + 1, 1.2)
    _link(graph, xy, part, starts, np.unique(np.array([*ends[:-1], *(ends[1:] - 1)], dtype=np.int64)))
    node = None
    if stop is not None and graph.number_of_edges():
        xy, node = _stopped(graph, xy, stop)
    weights = nx.to_scipy_sparse_array(graph, nodelist=range(len(xy)), format="csr")
    return Ways(xy, graph, cKDTree(xy), weights, node)


def _stopped(graph: nx.Graph, xy: NDArray[np.float64], stop: tuple[float, float]) -> tuple[NDArray[np.float64], int]:
    """Add the point of the ways nearest to a place; returns all nodes and its own."""
    edges = [ends for ends in graph.edges if not graph.edges[ends].get("link")] or list(graph.edges)
    segments, here = shapely.linestrings(xy[np.array(edges)]), Point(stop)
    a, b = edges[int(np.argmin(shapely.distance(segments, here)))]
    along = xy[b] - xy[a]
    share = float(np.clip((np.array(stop) - xy[a]) @ along / max(float(along @ along), 1e-12), 0.0, 1.0))
    factor = graph.edges[a, b]["weight"] / max(math.hypot(*along), 1e-12)
    foot = xy[a] + share * along
    for end in (a, b):
        if math.hypot(*(xy[end] - foot)) < SAME_M:
            return xy, end
    node = len(xy)
    xy = np.concatenate([xy, [foot]])
    for end in (a, b):
        _edge(graph, xy, end, node, factor)
    return xy, node


def _nearest(among: NDArray[np.float64], points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return how far each point is from the nearest of others [m], and which that is."""
    apart, index = cKDTree(among).query(points)
    return np.asarray(apart), np.asarray(index)


def _nodes_along(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a line's vertices with long stretches divided."""
    return np.asarray(shapely.segmentize(LineString(ring), NODE_STEP_M).coords)[:, :2]


def _edge(graph: nx.Graph, xy: NDArray[np.float64], a: int, b: int, factor: float) -> None:
    graph.add_edge(a, b, weight=factor * math.hypot(*(xy[a] - xy[b])))


def _link(
    graph: nx.Graph, xy: NDArray[np.float64], part: Polygon, starts: NDArray[np.int64], bout_ends: NDArray[np.int64]
) -> None:
    """Link gateway and bout ends to the nearest node of the rounds, and the rounds to each other."""
    pairs: list[tuple[int, int]] = []
    first_bout = int(starts[-1])
    if first_bout > 1:
        near = cKDTree(xy[1:first_bout])
        ends = np.concatenate([[0], bout_ends])
        nearest = np.asarray(near.query(xy[ends], k=min(3, first_bout - 1))[1]).reshape(len(ends), -1)
        for end, nodes in zip(ends.tolist(), nearest.tolist(), strict=True):
            pairs += [(end, 1 + n) for n in nodes]
    for k, start in enumerate(starts[1:-1], 1):
        others = np.arange(1, start)
        apart, nearest = _nearest(xy[others], xy[start : starts[k + 1]])
        best = np.argsort(apart)[:1]
        pairs += [(int(start + i), int(others[nearest[i]])) for i in best]
        close = np.flatnonzero(apart < BRIDGE_M)[::2]
        pairs += [(int(start + i), int(others[nearest[i]])) for i in close]
    lines = shapely.linestrings(xy[np.array(pairs, dtype=np.int64).reshape(-1, 2)])
    allowed = np.asarray(shapely.covers(part.buffer(0.5), lines))
    for (a, b), inside in zip(pairs, allowed, strict=True):
        if inside:
            _edge(graph, xy, a, b, 1.05)
            graph.edges[a, b]["link"] = True
    _join_pieces(graph, xy)


def _join_pieces(graph: nx.Graph, xy: NDArray[np.float64]) -> None:
    """Link pieces of the ways that hang on nothing to the gateway's by their shortest gap, the nearest first."""
    pieces = sorted(nx.connected_components(graph), key=lambda nodes: 0 not in nodes)
    joined, apart = np.array(sorted(pieces[0])), [np.array(sorted(nodes)) for nodes in pieces[1:]]
    while apart:
        gaps = [_nearest(xy[joined], xy[nodes]) for nodes in apart]
        k = int(np.argmin([gap.min() for gap, _ in gaps]))
        i = int(np.argmin(gaps[k][0]))
        nodes = apart.pop(k)
        _edge(graph, xy, int(nodes[i]), int(joined[gaps[k][1][i]]), 3.0)
        joined = np.concatenate([joined, nodes])


def nearest_node(ways: Ways, point: NDArray[np.float64]) -> int:
    """Return the node nearest to a point."""
    return int(ways.tree.query(point)[1])


def _from(ways: Ways, node: int) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Return the distance to every node, and the node before each on the way from `node` (negative: none)."""
    if node not in ways.found:
        ways.found[node] = _shortest(ways.weights, node)
    return ways.found[node]


def _shortest(weights: csr_array, node: int) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    apart, before = dijkstra(weights, directed=False, indices=np.array([node]), return_predecessors=True)
    return apart[0], np.asarray(before[0], dtype=np.int32)


def way_length(ways: Ways, a: int, b: int) -> float:
    """Return the length of the shortest way between two nodes [m]; inf where there is none."""
    return float(_from(ways, b)[0][a])


def way_lengths(ways: Ways, nodes: Sequence[int]) -> NDArray[np.float64]:
    """Return how long the shortest ways between each two of some nodes are on the ground as (k, k) [m]; inf where there
    is none."""
    own, back = np.unique(nodes, return_inverse=True)
    apart, before = dijkstra(ways.weights, directed=False, indices=own, return_predecessors=True)
    order = np.argsort(apart, axis=1, kind="stable")
    return _on_ground(own, order, np.asarray(before, dtype=np.int64), ways.xy)[back][:, nodes]


@njit(cache=True)
def _on_ground(starts: NDArray, order: NDArray, before: NDArray, xy: NDArray) -> NDArray:
    """Return the length on the ground of the way from each start to each node: nodes by distance, and the node before
    each (negative: none)."""
    out = np.full(order.shape, np.inf)
    for i in range(len(starts)):
        out[i, starts[i]] = 0.0
        late = True
        while late:  # nodes as far as the one before them may come first
            late = False
            for node in order[i]:
                last = before[i, node]
                if last >= 0 and out[i, node] == np.inf:
                    out[i, node] = out[i, last] + math.hypot(xy[node, 0] - xy[last, 0], xy[node, 1] - xy[last, 1])
                    late = late or out[i, node] == np.inf
    return out


def way_line(ways: Ways, a: int, b: int) -> NDArray[np.float64]:
    """Return the shortest way from node a to node b as (n, 2).

    Steps at its ends that only link a bout or the gateway to a round are left out: turns join them instead.
    Empty where nothing is left or the nodes are not joined.
    """
    known, start = (a, b) if a in (0, ways.stop) else (b, a)
    before = _from(ways, known)[1]
    nodes = [start]
    while nodes[-1] != known and before[nodes[-1]] >= 0:
        nodes.append(int(before[nodes[-1]]))
    if nodes[-1] != known:
        return np.empty((0, 2))
    if known == a:
        nodes = nodes[::-1]
    edges = ways.graph.edges
    if len(nodes) > 1 and edges[nodes[-2], nodes[-1]].get("link"):
        nodes = nodes[:-1]
    if len(nodes) > 1 and edges[nodes[0], nodes[1]].get("link"):
        nodes = nodes[1:]
    return ways.xy[nodes] if len(nodes) > 1 else np.empty((0, 2))


def way_pieces(ways: Ways, a: int, b: int, radius: float) -> list[NDArray[np.float64]]:
    """Return the shortest way from node a to node b as pieces that bend no more sharply than the radius allows."""
    key = (a, b, radius)
    if key not in ways.pieces:
        line = way_line(ways, a, b)
        ways.pieces[key] = smooth_pieces(line, radius) if len(line) > 1 else []
    return ways.pieces[key]


def closed(xy: NDArray[np.float64]) -> bool:
    """Tell whether a line ends where it starts."""
    return len(xy) > 3 and math.hypot(*(xy[0] - xy[-1])) < 1e-6


def flattened(rounds: Sequence[Sequence[NDArray[np.float64]]]) -> Iterator[NDArray[np.float64]]:
    """Yield the lines of nested rounds in order."""
    for lines in rounds:
        yield from lines
