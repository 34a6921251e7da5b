"""The way of what is parked: from the yard to its place and back, once per load, with turns of the outfit's radius."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely.ops
from numpy.typing import NDArray
from shapely import LineString, Polygon

from trafficplan.farm.field import FarmTrack, Field, Place
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ENTRY, EXIT, ROAD
from trafficplan.routes.access import Entrance, entrances, track_network, way_over_tracks
from trafficplan.routes.bends import Ground, Run, ground_of, join_runs, length_of, smooth_pieces
from trafficplan.routes.fill import NOWHERE, road_home
from trafficplan.routes.haul import Ways, field_ways, nearest_node, way_length, way_line
from trafficplan.routes.parking import Bodies, Pose, Spot, turned
from trafficplan.routes.parking_heap import driving
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import Swath, headland_rounds

Floats = NDArray[np.float64]

#: Straight way before and after a place on a headland beyond the outfit's own length [m] (ours).
LEAD_M = 6.0
#: Vertices nearer to the next one are left out [m].
SAME_POINT_M = 1e-3


@dataclass(frozen=True)
class Part:
    """One part of a field as a trailer finds it from one gateway."""

    polygon: Polygon
    entrance: Entrance
    ground: Ground
    ways: Ways


@dataclass
class Roads:
    """The ways of one outfit on and around one field; parts are laid out once per gateway."""

    field: Field
    outfit: Outfit
    bodies: Bodies
    tracks: Sequence[FarmTrack]
    places: Sequence[Place]
    lines: Sequence[LineString]
    known: dict[str, tuple[Part, ...]] = dataclasses.field(default_factory=dict)
    plain: Roads | None = None

    def headland_only(self) -> Roads:
        """Return the same roads without the lines of the work: longer ways, wider turns."""
        if self.plain is None:
            self.plain = dataclasses.replace(self, lines=(), known={})
        return self.plain

    def parts(self, gateway: str) -> tuple[Part, ...]:
        """Return the parts of the field that a gateway ("": the nearest to the yard) opens into."""
        if gateway not in self.known:
            reached, _ = entrances(self.field, gateway or None, self.tracks, self.places)
            self.known[gateway] = tuple(
                self._part(polygon, entrance) for polygon, entrance in reached if entrance is not None
            )
        return self.known[gateway]

    def _part(self, polygon: Polygon, entrance: Entrance) -> Part:
        width, radius = 2 * (1.0 + driving(self.bodies).width_m / 2), self.outfit.radius_m
        outer, holes, _ = headland_rounds(polygon, width, 1, radius)
        rings = [*[line for lines in outer for line in lines], *[lines[0] for lines in holes if lines]]
        inside = [line for line in self.lines if polygon.buffer(1.0).covers(line)]
        bouts = [Swath(np.asarray(line.coords)[:, :2], k, 0.0, line.length) for k, line in enumerate(inside)]
        gate = entrance.gateway_xy
        ways = field_ways(polygon, rings, bouts, (float(gate[0]), float(gate[1])))
        return Part(polygon, entrance, ground_of(polygon), ways)


@dataclass(frozen=True)
class Trip:
    """One way to a place and back.

    Attributes
    ----------
    pose : of what is left standing, facing as it was driven there
    xy, leg : of the powered vehicle's reference point, as in Drive
    stop : vertex at which it stands
    turns_outside : turns of the outfit's least radius that do not fit where they have to stay
    road_m, field_m : length outside and inside the field, both ways
    entrance : how it enters the field; None for a place outside
    lead, leave : the line by which the place is reached, and left; empty outside the field
    """

    pose: Pose
    xy: Floats
    leg: NDArray[np.int8]
    stop: int
    turns_outside: int
    road_m: float
    field_m: float
    entrance: Entrance | None
    lead: Floats = dataclasses.field(default_factory=lambda: NOWHERE)
    leave: Floats = dataclasses.field(default_factory=lambda: NOWHERE)


def trip_to(roads: Roads, spot: Spot, gateway: str = "") -> Trip:
    """Return the way to a place and back, facing whichever way is shorter; along the headland alone where turns off the
    lines of the work do not fit.

    Parameters
    ----------
    gateway : key of the gateway to use; "": the nearest to the yard
    """
    if not spot.on_field:
        return _outside(roads, spot)
    parts = roads.parts(gateway)
    here = shapely.Point(spot.pose.x, spot.pose.y)
    part = min(parts, key=lambda one: one.polygon.distance(here))
    options = [_facing(roads, part, spot, back) for back in (False, True)]
    options.sort(key=lambda one: one[0])
    trips = []
    for _, pose, lead, leave in options:
        trip = _inside(roads, part, pose, lead, leave)
        if trip.turns_outside == 0:
            return trip
        trips.append(trip)
    best = min(trips, key=lambda one: one.turns_outside)
    if not roads.lines:
        return best
    other = trip_to(roads.headland_only(), spot, gateway)
    return other if other.turns_outside < best.turns_outside else best


def _facing(roads: Roads, part: Part, spot: Spot, back: bool) -> tuple[float, Pose, Floats, Floats]:
    """Return the length of the way in and out, the pose, and the line by which the place is reached and left."""
    bodies = roads.bodies
    pose = turned(spot.pose, bodies) if back else spot.pose
    line = spot.line.reverse() if back else spot.line
    ref = pose.along(bodies.lag_m)
    most = bodies.length_m + LEAD_M
    at = line.project(shapely.Point(ref))
    whole = spot.kind == "tramline"
    lead = shapely.ops.substring(line, 0.0 if whole else max(0.0, at - most), max(at, 0.5))
    leave = shapely.ops.substring(line, at, line.length if whole else min(line.length, at + LEAD_M))
    before = _ends(lead, ref, pose, most, True)
    after = _ends(leave, ref, pose, LEAD_M, False)
    ways = part.ways
    way = way_length(ways, 0, nearest_node(ways, before[0])) + way_length(ways, nearest_node(ways, after[-1]), 0)
    return way + length_of(before) + length_of(after), pose, before, after


def _ends(line: object, ref: tuple[float, float], pose: Pose, most: float, before: bool) -> Floats:
    """Return a line that ends (or starts) exactly at the standing place, straight there."""
    xy = np.asarray(line.coords)[:, :2] if isinstance(line, LineString) else np.empty((0, 2))
    along = np.array([math.cos(pose.heading), math.sin(pose.heading)])
    here = np.array(ref)
    step = here - (2.0 if before else -2.0) * along
    away = np.hypot(*(xy - here).T) if len(xy) else np.empty(0)
    kept = xy[away > 3.0] if len(xy) else xy
    if not len(kept):
        kept = np.array([here - most * along if before else here + most * along])
    return np.vstack([kept, step, here]) if before else np.vstack([here, step, kept])


def _inside(roads: Roads, part: Part, pose: Pose, lead: Floats, leave: Floats) -> Trip:
    """Return the way from the yard through the gateway to a pose and back."""
    ways, ground, radius = part.ways, part.ground, roads.outfit.radius_m
    runs: list[Run] = []
    _road(runs, part, True, roads)
    _way(runs, way_line(ways, 0, nearest_node(ways, lead[0])), ENTRY, radius, ground)
    _way(runs, lead, ENTRY, radius, ground, straight=True)
    _way(runs, leave, EXIT, radius, ground, straight=True)
    _way(runs, way_line(ways, nearest_node(ways, leave[-1]), 0), EXIT, radius, ground)
    _road(runs, part, False, roads)
    return dataclasses.replace(_trip(roads, runs, pose, part.entrance), lead=lead, leave=leave)


def trip_between(roads: Roads, first: Trip, then: Trip) -> tuple[Trip, int]:
    """Return the way to one place, from there straight to another one, and back; and the vertex of the second place.

    Both in one part of the field: over its ways. Otherwise, and where its turns do
    not fit, out of the gateway and over the farm tracks.
    """
    here, out = _part_of(roads, first), _part_of(roads, then)
    if here is None or out is None or not here.polygon.equals(out.polygon):
        return _over_the_tracks(roads, first, then)
    radius, ground, ways = roads.outfit.radius_m, here.ground, here.ways
    runs: list[Run] = []
    _road(runs, here, True, roads)
    _way(runs, way_line(ways, 0, nearest_node(ways, first.lead[0])), ENTRY, radius, ground)
    _way(runs, first.lead, ENTRY, radius, ground, straight=True)
    _way(runs, first.leave, EXIT, radius, ground, straight=True)
    between = way_line(ways, nearest_node(ways, first.leave[-1]), nearest_node(ways, then.lead[0]))
    _way(runs, between, ENTRY, radius, ground)
    _way(runs, then.lead, ENTRY, radius, ground, straight=True)
    _way(runs, then.leave, EXIT, radius, ground, straight=True)
    _way(runs, way_line(out.ways, nearest_node(out.ways, then.leave[-1]), 0), EXIT, radius, ground)
    _road(runs, out, False, roads)
    trip = _trip(roads, runs, first.pose, first.entrance)
    if trip.turns_outside:
        return _over_the_tracks(roads, first, then)
    ref = np.array(then.pose.along(roads.bodies.lag_m))
    away = np.hypot(*(trip.xy[trip.stop :] - ref).T)
    return trip, trip.stop + int(np.argmin(away))


def _part_of(roads: Roads, trip: Trip) -> Part | None:
    """Return the part of the field in which a trip ends, as it is found from the gateway that the trip goes by."""
    if trip.entrance is None:
        return None
    here = shapely.Point(trip.pose.x, trip.pose.y)
    return min(roads.parts(trip.entrance.gateway.key), key=lambda one: one.polygon.distance(here))


def _over_the_tracks(roads: Roads, first: Trip, then: Trip) -> tuple[Trip, int]:
    """Return the way to one place, out and over the farm tracks to another one, and back."""
    out = _on_road(first, first.stop)
    into = _off_road(then)
    a, b = first.xy[out], then.xy[into]
    found = way_over_tracks(track_network(roads.tracks), (a[0], a[1]), (b[0], b[1]), 0.0) if roads.tracks else None
    road = np.array([a, b]) if found is None or len(found) < 2 else found
    if float(np.hypot(*(b - a))) < SAME_POINT_M:  # by the same gateway
        road, out = road[:1], out - 1
    xy = np.concatenate([first.xy[: out + 1], road[1:-1], then.xy[into:]])
    leg = np.concatenate([first.leg[: out + 1], np.full(max(0, len(road) - 2), ROAD, dtype=np.int8), then.leg[into:]])
    step, on_road = np.hypot(*np.diff(xy, axis=0).T), leg[:-1] == ROAD
    trip = dataclasses.replace(
        first, xy=xy, leg=leg, road_m=float(step[on_road].sum()), field_m=float(step[~on_road].sum())
    )
    return trip, len(xy) - len(then.xy) + then.stop


def _on_road(trip: Trip, start: int) -> int:
    """Return the first vertex from `start` on where a trip is on the road again."""
    return start + int(np.argmax(np.append(trip.leg[start:-1] == ROAD, True)))


def _off_road(trip: Trip) -> int:
    """Return the first vertex of a trip off the road; the place itself where all of it is road."""
    return trip.stop if (trip.leg == ROAD).all() else int(np.argmax(trip.leg != ROAD))


def _road(runs: list[Run], part: Part, inbound: bool, roads: Roads) -> None:
    """Append the road, and a step through the gateway that is straight until the trailer is through, where it fits."""
    entrance, radius = part.entrance, roads.outfit.radius_m
    gate, inward = entrance.gateway_xy, entrance.inward
    step = np.array([gate, gate + (roads.bodies.lag_m + 2.0) * inward])
    if not part.polygon.buffer(0.5).covers(LineString(step)):
        step = np.array([gate, gate + 2.0 * inward])
    road = entrance.road if inbound else entrance.road[::-1]
    pieces = [Run(piece, ROAD, 0.0, 0.0, way=True, turn_leg=ROAD) for piece in smooth_pieces(road, radius)]
    if inbound:
        runs += [*pieces, Run(step, ENTRY, 0.0, 0.0, turn_leg=ROAD)]
    else:
        runs += [Run(step[::-1], EXIT, 0.0, 0.0, turn_leg=EXIT, ground=part.ground), *pieces]


def _way(runs: list[Run], xy: Floats, leg: int, radius: float, ground: Ground, straight: bool = False) -> None:
    if len(xy) < 2:
        return
    pieces = [xy] if straight else smooth_pieces(xy, radius)
    runs += [Run(piece, leg, 0.0, 0.0, way=not straight, turn_leg=leg, ground=ground) for piece in pieces]


def _trip(roads: Roads, runs: list[Run], pose: Pose, entrance: Entrance | None) -> Trip:
    line = join_runs(runs, roads.outfit.radius_m)
    xy = np.concatenate([piece[:-1] for piece in line.xy] + [line.xy[-1][-1:]])
    leg = np.concatenate([piece[:-1] for piece in line.leg] + [line.leg[-1][-1:]])
    kept = np.append(np.hypot(*np.diff(xy, axis=0).T) > SAME_POINT_M, True)
    xy, leg = xy[kept], leg[kept]
    ref = np.array(pose.along(roads.bodies.lag_m))
    step = np.hypot(*np.diff(xy, axis=0).T)
    on_road = leg[:-1] == ROAD
    return Trip(
        pose, xy, leg, int(np.argmin(np.hypot(*(xy - ref).T))), line.outside,
        float(step[on_road].sum()), float(step[~on_road].sum()), entrance,
    )  # fmt: skip


def _outside(roads: Roads, spot: Spot) -> Trip:
    """Return the way from the yard over the farm tracks to a place outside the field and back: all of it road."""
    ref = np.array(spot.pose.along(roads.bodies.lag_m))
    line = road_to_place(roads.tracks, roads.places, ref)
    if len(line) < 2:
        line = np.array([ref - [1.0, 0.0], ref])
    xy = np.concatenate([line, line[-2::-1]])
    leg = np.full(len(xy), ROAD, dtype=np.int8)
    return Trip(spot.pose, xy, leg, len(line) - 1, 0, 2 * length_of(line), 0.0, None)


def road_to_place(tracks: Sequence[FarmTrack], places: Sequence[Place], to: Floats) -> Floats:
    """Return the way over the farm tracks from the yard to a point, (n, 2) [m]; the point alone where no way is known."""
    line = road_home((float(to[0]), float(to[1])), tracks, places)
    return line[::-1] if len(line) > 1 else np.array([to])


def drive_of(roads: Roads, trip: Trip, loads_kg: Sequence[tuple[float, float]], key: str) -> Drive:
    """Return the drive of one trip per load, one behind the other.

    Parameters
    ----------
    loads_kg : product on board on the way in and on the way out, of each trip
    key : of the operation that drives it
    """
    xy = np.concatenate([trip.xy[:-1]] * len(loads_kg) + [trip.xy[-1:]])
    leg = np.concatenate([trip.leg[:-1]] * len(loads_kg) + [trip.leg[-1:]])
    count = len(trip.xy) - 1
    load = np.concatenate(
        [np.where(np.arange(count) < trip.stop, into, out) for into, out in loads_kg] + [np.array([loads_kg[-1][1]])]
    )
    return _driven(roads, xy, leg, load, key, len(loads_kg))


def drive_between(roads: Roads, first: Trip, then: Trip, loads_kg: tuple[float, float, float], key: str) -> Drive:
    """Return the drive of one load that stands at two places, one after the other.

    Parameters
    ----------
    loads_kg : product on board on the way in, between the places, and on the way out
    key : of the operation that drives it
    """
    trip, second = trip_between(roads, first, then)
    at = np.arange(len(trip.xy))
    load = np.where(at < trip.stop, loads_kg[0], np.where(at < second, loads_kg[1], loads_kg[2]))
    return _driven(roads, trip.xy, trip.leg, load, key, 1)


def _driven(roads: Roads, xy: Floats, leg: NDArray[np.int8], load: Floats, key: str, trips: int) -> Drive:
    xy, leg, load = _stopped(xy, leg, load)
    outfit = roads.outfit
    speed = np.where(leg[:-1] == ROAD, outfit.track_m_s, outfit.field_m_s)
    time = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T) / speed)])
    zero = np.zeros(len(xy), dtype=np.int8)
    return Drive(key, xy, time, load, leg, zero, outfit.width_m, trips, 0.0, 0.0)


def _stopped(xy: Floats, leg: NDArray[np.int8], load: Floats) -> tuple[Floats, NDArray[np.int8], Floats]:
    """Return the line with a second vertex 1 cm before each change of load, so that it changes there and not along
    the stretch before."""
    change = np.flatnonzero(np.abs(np.diff(load)) > 0) + 1
    pieces, legs, loads, last = [], [], [], 0
    for k in change:
        back = xy[k] - xy[k - 1]
        before = xy[k] - back * min(0.5, 0.01 / max(float(np.hypot(*back)), 1e-9))
        pieces += [xy[last:k], before[None]]
        legs += [leg[last:k], leg[k - 1 : k]]
        loads += [load[last:k], load[k - 1 : k]]
        last = int(k)
    pieces.append(xy[last:])
    legs.append(leg[last:])
    loads.append(load[last:])
    return np.concatenate(pieces), np.concatenate(legs), np.concatenate(loads)


def loads_of(need_kg: float, capacity_kg: float, fills: bool) -> tuple[tuple[float, float], ...]:
    """Return product on board on the way in and out of each trip: full but for the last; empty on the other way.

    Examples
    --------
    >>> loads_of(20e3, 8e3, fills=False)
    ((8000.0, 0.0), (8000.0, 0.0), (4000.0, 0.0))
    """
    count = max(1, math.ceil(need_kg / capacity_kg - 1e-9))
    sizes = [capacity_kg] * (count - 1) + [need_kg - (count - 1) * capacity_kg]
    return tuple((0.0, size) if fills else (size, 0.0) for size in sizes)
