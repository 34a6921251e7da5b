"""Swaths, tramlines and headland rounds: where the work goes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.ops
from numpy.typing import NDArray
from shapely import LinearRing, LineString, MultiPolygon, Point, Polygon
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.turns import bulb_height

OVERHANG_M = 3.0  # an implement wider than twice this is folded or lifted clear when it turns at the fence
EDGE_M = 0.05  # strips may reach over the edge of the ground that may be worked by this much
SHARP = math.radians(30.0)  # corners that point into the field more sharply than this are swung round


@dataclass(frozen=True)
class Swath:
    """One stretch of work: its line, the number of the bout it belongs to, and its reach along the bouts
    [m]."""

    xy: NDArray[np.float64]
    bout: int
    start_m: float
    end_m: float


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """Return the polygons of a shape, largest first; slivers under 1 m2 are left out."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 1.0]
    return sorted(parts, key=lambda p: -p.area)


def working_width(operation: Operation, outfit: Outfit) -> float:
    """Return the working width of a job [m]: its own, else the outfit's."""
    return operation.width_m or outfit.width_m


def skip_step(width_m: float, radius_m: float, in_order: bool) -> int:
    """Return how many bouts on the next one lies (1 = the neighbour) so that no turn needs a bulb."""
    if in_order or width_m >= 2.0 * radius_m:
        return 1
    return math.ceil(2.0 * radius_m / width_m - 1e-9)


def turning_room(width_m: float, radius_m: float, step: int) -> float:
    """Return how wide a headland must be for turns [m]: their reach beyond the bouts and half the implement, 3 m at
    most (common practice, no source)."""
    return bulb_height(radius_m, step * width_m) + min(width_m / 2.0, OVERHANG_M)


def headland_width(field: Field, operation: Operation, outfit: Outfit) -> tuple[float, tuple[Note, ...]]:
    """Return the headland width [m] as given, or one bout or the turning room, the wider (common practice,
    no source).

    Turning room: how far the turn reaches beyond the bouts and half the implement, 3 m at most.
    """
    if field.headland_m is not None and field.headland_m > 0.0:
        return field.headland_m, ()
    width, radius = working_width(operation, outfit), outfit.radius_m
    step = skip_step(width, radius, operation.runs_at_depth_m > 0.0)
    wide = max(width, turning_room(width, radius, step))
    note = Note(
        "assumed",
        f"field {field.key}: headland width for {operation.job}",
        f"{wide:.1f} m",
        "no headland width is given: one bout or the turning room, the wider",
        "common practice, no source",
    )
    return wide, (note,)


def rounded(shape: Polygon | MultiPolygon, radius: float) -> Polygon | MultiPolygon:
    """Round every corner of a shape to the radius: opened, then closed."""
    opened = shape.buffer(-radius, quad_segs=24).buffer(2.0 * radius, quad_segs=24)
    return opened.buffer(-radius, quad_segs=24)


def _softened(outer: Polygon, room_m: float) -> Polygon:
    """Return the outline less a disc at each corner that points into the field: the outfit swings round
    those."""
    if room_m <= 0.0:
        return outer
    xy = np.asarray(outer.exterior.normalize().coords)[:-1]
    ahead, behind = np.roll(xy, -1, axis=0) - xy, xy - np.roll(xy, 1, axis=0)
    turn = np.arctan2(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0], (behind * ahead).sum(axis=1))
    if not LinearRing(xy).is_ccw:
        turn = -turn
    points = [Point(p).buffer(room_m) for p in xy[turn < -SHARP]]
    return max(polygons_of(outer.difference(shapely.union_all(points))), key=lambda p: p.area) if points else outer


def _round_hole(hole: Polygon, distance_m: float, radius: float) -> Polygon:
    """Return the nearest way round a hole that keeps `distance_m` away with no bend under the radius."""
    least = hole.buffer(distance_m * 0.98, quad_segs=24)
    offset = distance_m
    while True:
        way = rounded(hole.buffer(offset, join_style="mitre", mitre_limit=2.0), radius)
        if isinstance(way, Polygon) and way.covers(least):
            return Polygon(way.exterior)
        offset += 0.25


def headland_rounds(
    part: Polygon, width_m: float, rounds: int, radius: float
) -> tuple[list[list[NDArray[np.float64]]], list[list[NDArray[np.float64]]], BaseGeometry]:
    """Return outer rounds, rounds of each hole and the ground inside them.

    Outer rounds: one list per round, outermost first; hole rounds: one list per hole, nearest to it first. A
    closed round ends where it starts; one that meets another obstacle is cut there and is open. Corners are
    rounded to the radius, so the outermost metres of a corner stay unworked. Where the field is too narrow
    for a round it belongs to the ground inside.
    """
    outer = polygons_of(shapely.simplify(Polygon(part.exterior), 0.1))[0]
    outer = _softened(outer, 0.6 * max(0.0, radius - width_m / 2.0))
    holes = [h for ring in part.interiors for h in polygons_of(Polygon(ring).simplify(0.1))]
    blocked = shapely.union_all([h.buffer(0.45 * width_m) for h in holes]) if holes else Polygon()
    inside = outer.buffer(-0.45 * width_m)
    outer_rounds: list[list[NDArray[np.float64]]] = []
    narrow: list[BaseGeometry] = []
    for k in range(rounds):
        ring = rounded(outer.buffer(-(k + 0.5) * width_m, quad_segs=24, join_style="mitre"), radius)
        lines = [p.exterior for p in polygons_of(ring)]
        outer_rounds.append(_clipped(lines, None, blocked, 2.0 * radius))
        missed = outer.buffer(-k * width_m).difference(ring.buffer(width_m / 2.0))
        narrow += [p for p in polygons_of(missed.buffer(-0.3 * width_m)) if p.length > 4.0 * radius]
    hole_rounds, taken = [], []
    for hole in holes:
        others = shapely.union_all([h.buffer(0.45 * width_m) for h in holes if h is not hole])
        first = _round_hole(hole, width_m / 2.0, radius)
        ways = [first] + [first.buffer(k * width_m, quad_segs=24) for k in range(1, rounds)]
        hole_rounds.append([line for w in ways for line in _clipped([w.exterior], inside, others, 2.0 * radius)])
        taken.append(ways[-1].buffer(width_m / 2.0, quad_segs=4))
    inner: BaseGeometry = Polygon(part.exterior).buffer(-rounds * width_m)
    if narrow:
        inner = inner.union(shapely.union_all([p.buffer(0.3 * width_m) for p in narrow]).intersection(outer))
    if taken:
        inner = inner.difference(shapely.union_all(taken))
    return outer_rounds, [h for h in hole_rounds if h], inner


def _clipped(
    lines: list[LinearRing], inside: BaseGeometry | None, blocked: BaseGeometry, least_m: float
) -> list[NDArray[np.float64]]:
    """Return the stretches of rings inside one shape and outside another; a ring that is not cut stays
    closed."""
    kept: list[NDArray[np.float64]] = []
    for ring in lines:
        whole = LineString(ring.coords)
        line: BaseGeometry = whole
        if inside is not None:
            line = line.intersection(inside)
        if not blocked.is_empty:
            line = line.difference(blocked)
        if whole.length - line.length < 1e-6:
            kept.append(_tidy(whole))
            continue
        merged = shapely.line_merge(line) if line.geom_type == "MultiLineString" else line
        kept += [_tidy(p) for p in shapely.get_parts(merged) if p.geom_type == "LineString" and p.length > least_m]
    return kept


def _tidy(line: LineString) -> NDArray[np.float64]:
    """Return a line's vertices, nearly straight ones left out."""
    return np.asarray(shapely.simplify(line, 0.005).coords)[:, :2]


def best_heading(part: Polygon) -> float:
    """Return the direction of the bouts [rad, counter-clockwise from east]: along the longest edge.

    The sides of the least rectangle around the field and its own edges (simplified to 5 m) are compared by
    the number of turns that they need: the field's width across the direction.
    """
    edges = np.asarray(polygons_of(Polygon(part.exterior).simplify(5.0))[0].exterior.coords)
    box = np.asarray(polygons_of(part.minimum_rotated_rectangle)[0].exterior.coords)
    steps = np.concatenate([np.diff(box, axis=0)[:2], np.diff(edges, axis=0)])
    long = np.hypot(steps[:, 0], steps[:, 1])
    candidates = np.concatenate([steps[:2], steps[2:][long[2:] > 0.3 * long[2:].max()]])
    corners = np.asarray(part.exterior.coords)[:, :2]
    angles = np.arctan2(candidates[:, 1], candidates[:, 0])
    across = [np.ptp(corners @ np.array([-math.sin(a), math.cos(a)])) for a in angles]
    return float(angles[int(np.argmin(across))])


def swaths(
    inner: BaseGeometry, room: BaseGeometry, width_m: float, heading: float, least_m: float, within: bool = False
) -> list[Swath]:
    """Return the swaths of the ground inside the headland, bout by bout.

    Parameters
    ----------
    inner : ground to cover; room : ground on which the line itself may lie
    width_m : spacing of the bouts; they are spread so that both outer ones overlap the headland alike
    heading : direction of the bouts [rad, counter-clockwise from east]
    least_m : shorter ones are left out
    within : there is no headland around it: the outer bouts end with the ground
    """
    if inner.is_empty:
        return []
    turned, field = (rotate(s, -heading, origin=(0, 0), use_radians=True) for s in (inner, room))
    west, south, east, north = turned.bounds
    count = max(1, math.ceil((north - south) / width_m - 1e-6))
    apart = (north - south - width_m) / max(count - 1, 1) if within else width_m
    first = (south + north) / 2.0 - (count - 1) / 2.0 * apart
    shapely.prepare(turned)
    reach: list[list[tuple[float, float]]] = [[] for _ in range(count)]
    for side in (-0.49, 0.0, 0.49):
        ys = first + (np.arange(count) * (apart / width_m) + side) * width_m
        lines = shapely.linestrings([[(west - 1.0, y), (east + 1.0, y)] for y in ys])
        parts, index = shapely.get_parts(shapely.intersection(lines, turned), return_index=True)
        for (x0, _, x1, _), i in zip(shapely.bounds(parts), index, strict=True):
            if x1 - x0 > 0.1:
                reach[i].append((x0, x1))
    out: list[Swath] = []
    lines = [
        LineString([(x0, first + i * apart), (x1, first + i * apart)])
        for i in range(count)
        for x0, x1 in _merged(reach[i])
    ]
    clipped = shapely.intersection(np.array(lines, dtype=object), field)
    cos, sin = math.cos(heading), math.sin(heading)
    for part in shapely.get_parts(clipped):
        if part.geom_type != "LineString" or part.length < least_m:
            continue
        (x0, y), (x1, _) = part.coords[0], part.coords[-1]
        xy = np.array([[x * cos - y * sin, x * sin + y * cos] for x in (x0, x1)])
        out.append(Swath(xy, round((y - first) / apart) if count > 1 else 0, x0, x1))
    return out


def inside_only(laid: list[Swath], ground: BaseGeometry, width_m: float, least_m: float) -> list[Swath]:
    """Return the stretches of straight swaths over whose whole width the ground reaches; shorter ones are left out."""
    out: list[Swath] = []
    ground = ground.buffer(EDGE_M)
    for swath in laid:
        a, b = swath.xy[0], swath.xy[-1]
        length = float(np.hypot(*(b - a)))
        along = (b - a) / length
        beside = np.array([-along[1], along[0]]) * width_m
        lines = shapely.linestrings([[a + k * beside, b + k * beside] for k in (-0.5, -0.25, 0.0, 0.25, 0.5)])
        kept = [(0.0, length)]
        for k, line in zip((-0.5, -0.25, 0.0, 0.25, 0.5), lines, strict=True):
            found = shapely.get_parts(line.intersection(ground))
            parts = [p for p in found if p.geom_type == "LineString" and not p.is_empty]  # outside: an empty line
            spans = [tuple(sorted((np.asarray(p.coords)[[0, -1]] - a - k * beside) @ along)) for p in parts]
            kept = [(max(x, u), min(y, v)) for x, y in kept for u, v in spans if min(y, v) > max(x, u)]
        for low, high in kept:
            if high - low >= least_m:
                xy = np.array([a + low * along, a + high * along])
                out.append(Swath(xy, swath.bout, swath.start_m + low, swath.start_m + high))
    return out


def with_turning_room(laid: list[Swath], part: Polygon, room_m: float) -> list[Swath]:
    """Return swaths shortened where their end is nearer than `room_m` to the boundary ahead."""
    if not laid:
        return []
    ends = np.array([[s.xy[0], s.xy[-1]] for s in laid])
    along = np.array([[s.xy[0] - s.xy[1], s.xy[-1] - s.xy[-2]] for s in laid])
    along /= np.hypot(along[..., 0], along[..., 1])[..., None]
    ahead = shapely.linestrings(np.stack([ends, ends + room_m * along], axis=2))
    gap = shapely.distance(shapely.points(ends), shapely.intersection(ahead, part.boundary))
    short = np.where(np.isnan(gap), 0.0, room_m - gap)
    out = []
    for swath, (at_start, at_end) in zip(laid, short.tolist(), strict=True):
        line = LineString(swath.xy)
        if line.length - at_start - at_end < room_m:
            continue
        if at_start > 0.0 or at_end > 0.0:
            kept = shapely.ops.substring(line, at_start, line.length - at_end)
            xy = np.asarray(kept.coords)[:, :2]
            swath = Swath(xy, swath.bout, swath.start_m + at_start, swath.end_m - at_end)
        out.append(swath)
    return out


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the union of spans."""
    out: list[tuple[float, float]] = []
    for low, high in sorted(spans):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], high))
        else:
            out.append((low, high))
    return out


def along_tramlines(tramlines: tuple[LineString, ...], inner: BaseGeometry, least_m: float) -> list[Swath]:
    """Return the stretches of the tramlines inside the headland, sorted by neighbourhood (curved ones
    too)."""
    pieces: list[tuple[LineString, int]] = []
    for number, line in enumerate(_neighbours(tramlines)):
        clipped = shapely.get_parts(line.intersection(inner))
        pieces += [(p, number) for p in clipped if p.geom_type == "LineString" and p.length >= least_m]
    if not pieces:
        return []
    long = max(pieces, key=lambda p: p[0].length)[0]
    ends = np.asarray(long.coords)[[0, -1], :2]
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    out = []
    for line, number in pieces:
        xy = np.asarray(line.coords)[:, :2]
        if (xy[-1] - xy[0]) @ along < 0.0:
            xy = xy[::-1]
        out.append(Swath(xy, number, float(xy[0] @ along), float(xy[-1] @ along)))
    return sorted(out, key=lambda s: (s.bout, s.start_m))


def _neighbours(lines: tuple[LineString, ...]) -> list[LineString]:
    """Return lines so that each follows its nearest one, from an outermost one on."""
    if len(lines) < 3:
        return list(lines)
    array = np.array(lines, dtype=object)
    middle = shapely.line_interpolate_point(array, 0.5, normalized=True)
    apart = shapely.distance(array[:, None], array[None, :]) + 0.01 * shapely.distance(middle[:, None], middle[None, :])
    order = [int(np.argmax(apart.mean(axis=1)))]
    left = set(range(len(lines))) - set(order)
    while left:
        order.append(min(left, key=lambda i: (apart[order[-1], i], i)))
        left.remove(order[-1])
    return [lines[i] for i in order]
