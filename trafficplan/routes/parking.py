"""Places where a trailer may be left standing: along headlands, by gateways, on tramlines, in yards, on hard tracks.

A place is a pose of the outfit: the reference point of what is left standing, and the heading in which it was driven
there. What stands is drawn as rectangles, one per vehicle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.affinity import rotate, translate

from trafficplan.farm.field import FarmTrack, Field, Place
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.names import Note
from trafficplan.routes.access import inward_at
from trafficplan.routes.swaths import polygons_of

Floats = NDArray[np.float64]
Kind = Literal["headland", "gateway", "tramline", "yard", "hard track"]

#: Surfaces that count as hard.
HARD = ("asphalt", "gravel")
#: What a body reaches beyond its last axle, a tractor beyond its front axle, and the width of a body where its tyres
#: are narrower [m] (common practice, no source).
BEHIND_M, FRONT_M, BODY_WIDTH_M = 1.5, 1.5, 2.55
#: Free ground between what stands and the edge of the field, and the way kept clear inside and outside a gateway [m]
#: (ours).
CLEAR_M, PASSAGE_M, OUTSIDE_M = 1.0, 12.0, 20.0
#: Hard tracks and yards up to this far from the field are looked at [m] (ours).
NEAR_M = 400.0
#: How far from the middle of a yard a place is looked for, and how far it keeps from a track through the yard [m] (ours).
YARD_STEPS_M, BESIDE_TRACK_M = (-32.0, -24.0, -16.0, -8.0, 0.0, 8.0, 16.0, 24.0, 32.0), 2.5
#: Two places nearer to each other than this are one [m].
SAME_M = 6.0


@dataclass(frozen=True)
class Pose:
    """Where what is left standing stands: its reference point [m] and heading [rad, counter-clockwise from east]."""

    x: float
    y: float
    heading: float

    def along(self, ahead_m: float, left_m: float = 0.0) -> tuple[float, float]:
        """Return the point so far ahead and to the left of the reference point [m]."""
        c, s = math.cos(self.heading), math.sin(self.heading)
        return self.x + ahead_m * c - left_m * s, self.y + ahead_m * s + left_m * c


@dataclass(frozen=True)
class Body:
    """One vehicle of the standing outfit as a rectangle, measured along it from the pose's reference point.

    Attributes
    ----------
    key : of the vehicle
    front_m, rear_m : ends ahead of the reference point (behind is negative) [m]
    width_m : [m]
    left : it stays when the outfit is uncoupled
    at_m : the vehicle's own reference point ahead of that of the pose [m]
    """

    key: str
    front_m: float
    rear_m: float
    width_m: float
    left: bool
    at_m: float = 0.0


@dataclass(frozen=True)
class Bodies:
    """The standing outfit, front to back.

    Attributes
    ----------
    lag_m : from the powered vehicle's reference point back to the pose's reference point, in line [m]
    """

    parts: tuple[Body, ...]
    lag_m: float

    @property
    def length_m(self) -> float:
        """Length of the whole outfit [m]."""
        return max(one.front_m for one in self.parts) - min(one.rear_m for one in self.parts)

    @property
    def width_m(self) -> float:
        """Width of the widest part [m]."""
        return max(one.width_m for one in self.parts)

    @property
    def middle_m(self) -> float:
        """Middle of the whole outfit ahead of the pose's reference point [m]."""
        return (max(one.front_m for one in self.parts) + min(one.rear_m for one in self.parts)) / 2

    @property
    def left_length_m(self) -> float:
        """Length of what stays when uncoupled [m]."""
        stay = [one for one in self.parts if one.left]
        return max(one.front_m for one in stay) - min(one.rear_m for one in stay)


@dataclass(frozen=True)
class Spot:
    """One candidate place.

    Attributes
    ----------
    kind : of ground
    pose : of what is left standing
    words : where it is, for people
    gateway : key of the gateway beside it, or "" where none is
    on_field : it stands on the field's soil
    ground : ground it has to stand on [m]: the field, the yard; None: a track, whose width is not known
    line : the line it stands on, in the direction of the pose: a ring of the headland (opened opposite to it), a
        tramline, a way straight in, a track
    """

    kind: Kind
    pose: Pose
    words: str
    gateway: str
    on_field: bool
    ground: Polygon | MultiPolygon | None
    line: LineString


def bodies_of(outfit: Outfit) -> tuple[Bodies, tuple[Note, ...]]:
    """Return the standing outfit as rectangles, and what was assumed of its outline.

    The pose's reference point is that of the first drawn vehicle (what is left standing), or of the powered vehicle
    where the outfit draws none.
    """
    spans: list[tuple[str, float, float, float, bool, float]] = []
    here, hitch, drawn_at = 0.0, 0.0, None
    for vehicle in outfit.vehicles:
        if vehicle.kind != "powered":
            here = hitch - vehicle.drawbar_m
        drawn = vehicle.kind == "drawn"
        if drawn and drawn_at is None:
            drawn_at = here
        axles = [here - axle.behind_m for axle in vehicle.axles] or [here]
        front = hitch if vehicle.kind != "powered" else max(axles) + FRONT_M
        rear = min(axles) - (BEHIND_M if drawn or vehicle.kind == "carried" else 0.0)
        hitch = here - vehicle.hitch_behind_m
        spans.append((vehicle.key, front, rear if drawn else min(rear, hitch), _width(vehicle.axles), drawn, here))
    origin = 0.0 if drawn_at is None else drawn_at
    parts = tuple(
        Body(key, front - origin, rear - origin, width, left or drawn_at is None, at - origin)
        for key, front, rear, width, left, at in spans
    )
    found = Bodies(parts, -origin)
    note = Note(
        "assumed",
        f"outfit {outfit.key}: outline",
        f"{found.length_m:.1f} m long, {found.width_m:.2f} m wide",
        f"bodies reach {BEHIND_M:g} m behind their last axle and are at least {BODY_WIDTH_M:g} m wide",
        "common practice, no source",
    )
    return found, (note,)


def _width(axles: Sequence[Axle]) -> float:
    edges = [2 * (abs(wheel.offset_m) + wheel.tyre.width_m / 2) for axle in axles for wheel in axle.wheels]
    return max([BODY_WIDTH_M, *edges])


def outline(pose: Pose, bodies: Bodies, coupled: bool = True) -> MultiPolygon:
    """Return the ground of what stands, a rectangle per vehicle joined; uncoupled, only of what stays.

    Examples
    --------
    >>> trailer = Bodies((Body("trailer", 6.0, -2.0, 2.5, True),), 0.0)
    >>> outline(Pose(10.0, 0.0, 0.0), trailer).bounds
    (8.0, -1.25, 16.0, 1.25)
    """
    whole = shapely.union_all([rectangle(pose, one) for one in bodies.parts if coupled or one.left])
    return MultiPolygon(polygons_of(whole))  # vehicles touch and overlap: only their union is valid ground


def rectangle(pose: Pose, body: Body) -> Polygon:
    """Return one vehicle's rectangle; `pose` is that of the reference point that the body is measured from."""
    half = body.width_m / 2
    corners = [(body.rear_m, -half), (body.front_m, -half), (body.front_m, half), (body.rear_m, half)]
    return Polygon([pose.along(ahead, left) for ahead, left in corners])


def spots(
    field: Field,
    bodies: Bodies,
    tracks: Sequence[FarmTrack],
    places: Sequence[Place],
    count: int,
    swath_lines: Sequence[LineString] = (),
) -> tuple[Spot, ...]:
    """Return about `count` candidate places, evenly spread by kind of ground; legality is not looked at.

    Parameters
    ----------
    bodies : from `bodies_of`
    count : how many; outside the field come first, then the gateways, then headland and tramlines
    swath_lines : where the work goes, used where the field has no tramlines
    """
    outside = [*_yards(bodies, places, tracks), *_hard_tracks(field, bodies, tracks)]
    gates = list(_by_gateways(field, bodies))
    lines = list(field.tramlines) or list(swath_lines)
    most_outside = max(2, count // 4) if outside else 0
    kept = _spread(outside, most_outside) + _spread(gates, max(2, count // 4))
    left = max(0, count - len(kept))
    inside = list(_on_tramlines(field, bodies, lines, left // 3))
    along = list(_on_headland(field, bodies, left - len(inside)))
    return tuple(_apart([*kept, *along, *inside]))


def _spread(found: list[Spot], most: int) -> list[Spot]:
    """Return at most so many, evenly picked, the first among them."""
    if len(found) <= most:
        return found
    return [found[round(k * (len(found) - 1) / max(1, most - 1))] for k in range(most)]


def _apart(found: list[Spot]) -> Iterator[Spot]:
    kept: list[Spot] = []
    for one in found:
        if all(math.hypot(one.pose.x - other.pose.x, one.pose.y - other.pose.y) > SAME_M for other in kept):
            kept.append(one)
            yield one


def _pose_on(line: LineString, at_m: float, bodies: Bodies) -> Pose:
    """Return the pose whose middle lies on a line, in its direction, straight over the outfit's length."""
    half = min(bodies.length_m, line.length) / 2
    a, b = line.interpolate(max(0.0, at_m - half)), line.interpolate(min(line.length, at_m + half))
    heading = math.atan2(b.y - a.y, b.x - a.x)
    foot = Pose((a.x + b.x) / 2, (a.y + b.y) / 2, heading)
    return Pose(*foot.along(-bodies.middle_m), heading)


def _rings(field: Field, bodies: Bodies) -> Iterator[tuple[Polygon, LineString]]:
    """Yield each part of the field with the ring on which an outfit stands along its boundary."""
    for part in polygons_of(field.polygon):
        inner = part.buffer(-(CLEAR_M + bodies.width_m / 2), join_style="mitre")
        for piece in polygons_of(inner):
            if piece.exterior.length > 2 * bodies.length_m:
                yield part, LineString(piece.exterior.simplify(0.3).coords)


def _nearest_gate(field: Field, x: float, y: float) -> str:
    gates = sorted(field.gateways, key=lambda gate: math.hypot(gate.x - x, gate.y - y))
    return gates[0].key if gates else ""


def side_of(field: Field, x: float, y: float) -> str:
    """Return on which side of the field a point lies, in words.

    Examples
    --------
    >>> square = Field("A", shapely.box(0, 0, 100, 100), "", 0.25, None, (), ())
    >>> side_of(square, 95, 50), side_of(square, 50, 50), side_of(square, 5, 95)
    ('east', 'middle', 'north-west')
    """
    west, south, east, north = field.polygon.bounds
    across, up = (x - west) / (east - west) - 0.5, (y - south) / (north - south) - 0.5
    if max(abs(across), abs(up)) < 0.17:
        return "middle"
    parts = [("north" if up > 0 else "south", abs(up)), ("east" if across > 0 else "west", abs(across))]
    most = max(share for _, share in parts)
    return "-".join(name for name, share in parts if share > 0.6 * most)


def _on_headland(field: Field, bodies: Bodies, count: int) -> Iterator[Spot]:
    rings = list(_rings(field, bodies))
    whole = sum(ring.length for _, ring in rings)
    if whole <= 0 or count < 1:
        return
    step = whole / count
    start = step / 2
    for _, ring in rings:
        at = start
        while at < ring.length:
            line = _rolled(ring, _straight_near(ring, at, step / 2, bodies.length_m))
            pose = _pose_on(line, line.length / 2, bodies)
            words = f"headland, {side_of(field, pose.x, pose.y)}"
            yield Spot("headland", pose, words, _nearest_gate(field, pose.x, pose.y), True, field.polygon, line)
            at += step
        start = at - ring.length


def _straight_near(ring: LineString, at_m: float, reach_m: float, length_m: float) -> float:
    """Return the place on a ring nearest to one where the ring is straight over a length; that one if there is none."""
    for away in np.arange(0.0, reach_m, 2.0):
        for place in (at_m + away, at_m - away):
            a = ring.interpolate((place - length_m / 2) % ring.length)
            b = ring.interpolate((place + length_m / 2) % ring.length)
            if a.distance(b) > 0.995 * length_m:
                return float(place)
    return at_m


def _rolled(ring: LineString, at_m: float) -> LineString:
    """Return a closed ring that starts and ends half its length away from a place."""
    xy = np.asarray(ring.coords)[:, :2]
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    start = (at_m - ring.length / 2) % ring.length
    foot = ring.interpolate(start)
    first = int(np.searchsorted(s, start, side="right"))
    rest = [*xy[first:-1], *xy[:first]] if first < len(xy) else list(xy[:-1])
    return LineString([(foot.x, foot.y), *rest, (foot.x, foot.y)])


def _by_gateways(field: Field, bodies: Bodies) -> Iterator[Spot]:
    """Yield places inside each gateway: along the headland to its left and right, and straight ahead of it."""
    rings = list(_rings(field, bodies))
    for gate in field.gateways:
        point = Point(gate.x, gate.y)
        near = min(rings, key=lambda one: one[1].distance(point), default=None)
        if near is None:
            continue
        part, ring = near
        here = ring.project(point)
        away = gate.width_m / 2 + CLEAR_M + bodies.length_m / 2
        inward = inward_at(part, gate.x, gate.y)
        for way in (1.0, -1.0):
            line = _rolled(ring, (here + way * away) % ring.length)
            pose = _pose_on(line, line.length / 2, bodies)
            to = (pose.x - gate.x) * -inward[1] + (pose.y - gate.y) * inward[0]
            words = f"inside {gate.key}, {'left' if to > 0 else 'right'} of it"
            yield Spot("gateway", pose, words, gate.key, True, field.polygon, line)
        ahead = PASSAGE_M + CLEAR_M - min(one.rear_m for one in bodies.parts)
        pose = Pose(gate.x + ahead * inward[0], gate.y + ahead * inward[1], math.atan2(inward[1], inward[0]))
        front = ahead + max(one.front_m for one in bodies.parts)
        line = LineString([(gate.x, gate.y), (gate.x + front * inward[0], gate.y + front * inward[1])])
        yield Spot("gateway", pose, f"inside {gate.key}, straight ahead", gate.key, True, field.polygon, line)


def _on_tramlines(field: Field, bodies: Bodies, lines: Sequence[LineString], count: int) -> Iterator[Spot]:
    """Yield places on tramlines: at one end, in the middle and at the other end of some of them, evenly spread."""
    long = [line for line in lines if line.length > 3 * bodies.length_m]
    if not long or count < 1:
        return
    long.sort(key=lambda line: (round(line.centroid.x, 1), round(line.centroid.y, 1)))
    used = max(1, min(len(long), math.ceil(count / 3)))
    given = 0
    for k in range(used):
        line = long[round((k + 0.5) * len(long) / used - 0.5)]
        ends = bodies.length_m / 2 + 3.0
        for at in (line.length / 2, ends, line.length - ends):
            if given >= count:
                return
            pose = _pose_on(line, at, bodies)
            name = "tramline" if field.tramlines else "swath"
            words = f"on a {name}, {side_of(field, pose.x, pose.y)}"
            given += 1
            yield Spot("tramline", pose, words, _nearest_gate(field, pose.x, pose.y), True, field.polygon, line)


def _yards(bodies: Bodies, places: Sequence[Place], tracks: Sequence[FarmTrack]) -> Iterator[Spot]:
    """Yield one place in each yard, near its middle and along its longest side, off the tracks that run through it where
    there is room.
    """
    roads = shapely.union_all([track.line for track in tracks])
    for place in places:
        if place.kind != "yard" or not isinstance(place.shape, Polygon | MultiPolygon):
            continue
        part = polygons_of(place.shape)[0]
        xy = shapely.get_coordinates(shapely.minimum_rotated_rectangle(part))
        sides = np.diff(xy, axis=0)[:2]
        long = sides[int(np.argmax(np.hypot(*sides.T)))]
        middle = part.representative_point()
        heading = math.atan2(long[1], long[0])
        around = [(0.0, 0.0), *((a, b) for a in YARD_STEPS_M for b in YARD_STEPS_M)]
        options = []
        for turn in (0.0, math.pi / 2):
            for ahead, left in around:
                at = Pose(*Pose(middle.x, middle.y, heading).along(ahead, left), heading + turn)
                found = Pose(*at.along(-bodies.middle_m), at.heading)
                stands = outline(found, bodies)
                on_road = not roads.is_empty and stands.distance(roads) < BESIDE_TRACK_M
                options.append((not part.covers(stands), on_road, math.hypot(ahead, left), turn, ahead, left, found))
        pose = min(options, key=lambda one: one[:-1])[-1]
        heading = pose.heading
        line = LineString([pose.along(-bodies.length_m), pose.along(bodies.length_m)])
        yield Spot(
            "yard",
            pose,
            f"in the {place.key}" if "yard" in place.key.lower() else f"in the yard {place.key}",
            "",
            False,
            part,
            line,
        )


def _hard_tracks(field: Field, bodies: Bodies, tracks: Sequence[FarmTrack]) -> Iterator[Spot]:
    """Yield places on hard tracks near the field, nearest to a gateway first, about 60 m apart."""
    gates = [Point(gate.x, gate.y) for gate in field.gateways] or [field.polygon.centroid]
    clear = max([gate.width_m for gate in field.gateways], default=0.0) / 2 + CLEAR_M
    found: list[tuple[float, Spot]] = []
    for track in tracks:
        line = track.line
        if track.surface not in HARD or line.length < bodies.length_m + 2.0:
            continue
        half = bodies.length_m / 2 + 1.0
        steps = max(1, math.ceil((line.length - 2 * half) / 60.0))
        feet = [
            line.project(gate) + side * (bodies.length_m / 2 + clear)
            for gate in gates
            if line.distance(gate) <= NEAR_M
            for side in (-1, 1)
        ]  # beside the gateway, not in front of it
        ats = [half + k * (line.length - 2 * half) / steps for k in range(steps + 1)]
        for at in [min(max(foot, half), line.length - half) for foot in feet] + ats:
            pose = _pose_on(line, at, bodies)
            here = Point(pose.x, pose.y)
            if field.polygon.distance(here) > NEAR_M:
                continue
            words = f"on the hard track {track.key}"
            away = min(gate.distance(here) for gate in gates)
            found.append((away, Spot("hard track", pose, words, "", False, None, line)))
    yield from _apart([spot for _, spot in sorted(found, key=lambda one: (one[0], one[1].pose.x, one[1].pose.y))])


def turned(pose: Pose, bodies: Bodies) -> Pose:
    """Return the pose of the same ground with the outfit facing the other way."""
    x, y = pose.along(2 * bodies.middle_m)
    return Pose(x, y, math.atan2(-math.sin(pose.heading), -math.cos(pose.heading)))


def passage(x: float, y: float, inward: Floats, width_m: float, long_m: float = PASSAGE_M) -> Polygon:
    """Return the ground at a gateway that has to stay free, from the gateway along `inward`."""
    box = shapely.box(0.0, -width_m / 2, long_m, width_m / 2)
    return translate(rotate(box, math.degrees(math.atan2(inward[1], inward[0])), origin=(0, 0)), x, y)
