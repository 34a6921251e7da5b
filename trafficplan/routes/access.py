"""Ways outside fields: from the yard over the farm tracks to a gateway, and which gateway is nearest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import networkx as nx
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon
from shapely.ops import nearest_points

from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.names import Note
from trafficplan.routes.swaths import polygons_of

SNAP_M = 2.0  # ends of tracks nearer than this are one junction
CORNER_M = 6.0  # a gateway nearer to a corner of the field is taken to be this far from it
SAME_M = 0.1  # a gateway moved less than this stands where it was drawn
APPROACH_M = 25.0  # length of the approach outside a gateway where no track leads to it
GATE_NEAR_M = 40.0  # a gateway further than this from a part of a field does not open into it


@dataclass(frozen=True)
class Entrance:
    """How one part of a field is reached.

    Attributes
    ----------
    gateway : the gateway used
    gateway_xy : (2,) its place on the boundary [m]
    inward : (2,) unit vector into the field
    road : (n, 2) from the yard (or the end of the approach) to the gateway
    """

    gateway: Gateway
    gateway_xy: NDArray[np.float64]
    inward: NDArray[np.float64]
    road: NDArray[np.float64]


def track_network(tracks: Sequence[FarmTrack]) -> nx.Graph:
    """Return the farm tracks as a graph; nodes are points rounded to 1 cm, crossings and near ends are
    junctions."""
    found: nx.Graph = _network(tuple(t.line.wkb for t in tracks)).copy()
    return found


@lru_cache(maxsize=8)
def _network(tracks: tuple[bytes, ...]) -> nx.Graph:
    """Return the network of lines given as WKB: the same tracks serve many drives."""
    graph: nx.Graph = nx.Graph()
    if not tracks:
        return graph
    alone = shapely.from_wkb(list(tracks))
    lines = shapely.union_all(alone)
    snapped = shapely.union_all([shapely.snap(line, lines, SNAP_M) for line in alone])
    for line in shapely.get_parts(snapped):
        points = [(round(x, 2), round(y, 2)) for x, y, *_ in line.coords]
        for a, b in zip(points[:-1], points[1:], strict=True):
            if a != b:
                graph.add_edge(a, b, weight=math.dist(a, b))
    return graph


def _onto(graph: nx.Graph, point: tuple[float, float]) -> tuple[float, float] | None:
    """Add a point to the network by its shortest link; returns its node."""
    edges = [e for e in graph.edges if "link" not in graph.edges[e]]
    if not edges:
        return None
    segments = shapely.linestrings([[a, b] for a, b in edges])
    here = Point(point)
    best = int(np.argmin(shapely.distance(segments, here)))
    foot = nearest_points(segments[best], here)[0]
    a, b = edges[best]
    middle, node = (round(foot.x, 2), round(foot.y, 2)), (round(point[0], 2), round(point[1], 2))
    for end in (a, b):
        if end != middle:
            graph.add_edge(end, middle, weight=math.dist(end, middle))
    if node != middle:
        graph.add_edge(node, middle, weight=math.dist(node, middle), link=True)
    return node


def yard_of(places: Sequence[Place]) -> tuple[float, float] | None:
    """Return a point in the yard, None where there is no yard."""
    yard = next((p for p in places if p.kind == "yard"), None)
    if yard is None:
        return None
    middle = yard.shape.representative_point()
    return middle.x, middle.y


def way_over_tracks(
    graph: nx.Graph, start: tuple[float, float], end: tuple[float, float], beside_m: float
) -> NDArray[np.float64] | None:
    """Return the shortest way over the tracks between two points beside them as (n, 2); None where there is none.

    A way stops on the track where its end lies beside it, within `beside_m`.
    """
    own = graph.copy()
    a, b = _onto(own, start), _onto(own, end)
    if a is None or b is None or not nx.has_path(own, a, b):
        return None
    line = np.array(nx.dijkstra_path(own, a, b))
    if len(line) > 2 and own.edges[tuple(line[-2]), tuple(line[-1])].get("link") and _step(line) <= beside_m:
        return line[:-1]
    return line


def _step(line: NDArray[np.float64]) -> float:
    """Return the length of the last step of a line [m]."""
    return float(np.hypot(*(line[-1] - line[-2])))


def _off_corners(part: Polygon, gate: Gateway) -> NDArray[np.float64]:
    """Return the place of a gateway on the boundary, at least 6 m from corners: an outfit cannot pass over
    one."""
    ring = np.asarray(part.exterior.simplify(1.0).coords)[:, :2]
    sides = [LineString(ends) for ends in np.stack([ring[:-1], ring[1:]], axis=1)]
    side = sides[int(np.argmin(shapely.distance(sides, Point(gate.x, gate.y))))]
    off = min(CORNER_M, side.length / 2.0)
    at = min(max(float(side.project(Point(gate.x, gate.y))), off), side.length - off)
    foot = nearest_points(part.exterior, side.interpolate(at))[0]
    return np.array([foot.x, foot.y])


def inward_at(part: Polygon, x: float, y: float) -> NDArray[np.float64]:
    """Return the unit vector into a polygon at the boundary point nearest to x, y."""
    ring = np.asarray(part.exterior.coords)[:, :2]
    segments = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1))
    i = int(np.argmin(shapely.distance(segments, Point(x, y))))
    along = (ring[i + 1] - ring[i]) / np.hypot(*(ring[i + 1] - ring[i]))
    normal = np.array([-along[1], along[0]])
    return normal if part.exterior.is_ccw else -normal


def entrances(
    field: Field, gateway: str | None, tracks: Sequence[FarmTrack], places: Sequence[Place]
) -> tuple[list[tuple[Polygon, Entrance | None]], tuple[Note, ...]]:
    """Return each part of the field with its entrance: the named gateway, else the nearest to the yard by
    the tracks.

    A part that no gateway opens into has none, unless the field has no gateway at all: then one is assumed
    where the part is nearest to the yard or the tracks.
    """
    graph = track_network(tracks)
    yard = next((p for p in places if p.kind == "yard"), None)
    parts, notes = polygons_of(field.polygon), []
    home = yard_of(places)
    if home is not None and graph:
        home = _onto(graph, home)
    elif graph:
        home = min(graph.nodes, key=lambda n: (-field.polygon.distance(Point(n)), n))
        notes.append(
            Note(
                "assumed",
                f"field {field.key}: start of the drive",
                "end of the farm tracks",
                "no yard is given",
                "common practice, no source",
            )
        )
    if gateway is not None and gateway not in {g.key for g in field.gateways}:
        notes.append(
            Note(
                "warned",
                f"field {field.key}: gateway {gateway}",
                "the nearest to the yard instead",
                "no gateway of this name opens into the field",
                "",
            )
        )
    target = yard.shape if yard is not None else shapely.union_all([t.line for t in tracks]) if tracks else None
    out: list[tuple[Polygon, Entrance | None]] = []
    for number, part in enumerate(parts):
        gates = _gates_of(part, parts, field)
        if gateway is not None and any(g.key == gateway for g in gates):
            gates = [g for g in gates if g.key == gateway]
        if not gates and not field.gateways:
            at = nearest_points(part.exterior, target)[0] if target is not None else Point(part.exterior.coords[0])
            gates = [Gateway(f"{field.key} {number + 1}", field.key, at.x, at.y, 6.0)]
            notes.append(
                Note(
                    "assumed",
                    f"field {field.key}: gateway",
                    f"at {at.x:.0f}, {at.y:.0f}",
                    "no gateway is given",
                    "common practice, no source",
                )
            )
        ways = [_entrance(part, gate, graph, home) for gate in gates]
        out.append((part, min(ways, key=lambda w: (w[0], w[1].gateway.key))[1] if ways else None))
    return out, tuple(notes)


def _gates_of(part: Polygon, parts: list[Polygon], field: Field) -> list[Gateway]:
    """Return the gateways that open into one part: those nearest to it among all parts."""
    near = []
    for gate in field.gateways:
        here = Point(gate.x, gate.y)
        apart = part.distance(here)
        if apart <= GATE_NEAR_M and apart <= min(p.distance(here) for p in parts) + 1e-9:
            near.append(gate)
    return near


def _entrance(
    part: Polygon, gate: Gateway, graph: nx.Graph, home: tuple[float, float] | None
) -> tuple[float, Entrance]:
    """Return the length of the way from home to a gateway [m] and the entrance."""
    here = _off_corners(part, gate)
    inward = inward_at(part, float(here[0]), float(here[1]))
    outside = here - APPROACH_M * inward
    if home is None:
        road = np.array([outside, here])
        return APPROACH_M, Entrance(gate, here, inward, road)
    line = np.array([home, tuple(here)])
    if graph:
        own = graph.copy()
        node = _onto(own, (float(here[0]), float(here[1])))
        if node is not None and nx.has_path(own, home, node):
            line = np.array(nx.dijkstra_path(own, home, node))
            line[-1] = here
            if math.dist(here, (gate.x, gate.y)) > SAME_M:
                # A track that ends at a gateway drawn in a corner leads to where outfits pass, not by the corner first.
                drawn = np.hypot(*(line[1:-1] - (gate.x, gate.y)).T) < SNAP_M
                line = np.delete(line, 1 + np.flatnonzero(drawn), axis=0)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    if length < APPROACH_M:
        line = np.array([outside, here])
    return length, Entrance(gate, here, inward, line)
