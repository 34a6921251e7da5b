"""What a place must keep to: distances, slope, firm bearing, room; each limit with what was found and by how much it
misses.

A limit that is hit exactly is kept. Distances are those of farm/distances.py; shapes are taken as they are drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon

from trafficplan.farm import defaults
from trafficplan.farm.distances import DISTANCE_KEYS, kept_m
from trafficplan.farm.elevation import Elevation, slopes_within
from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD
from trafficplan.routes.access import inward_at
from trafficplan.routes.follow import vehicle_paths
from trafficplan.routes.parking import OUTSIDE_M, PASSAGE_M, Bodies, Pose, Spot, passage, rectangle
from trafficplan.routes.passes import Drive

#: Limits are compared to this [m, %, kg]: far below what anybody measures, above what sums round off.
SAME = 1e-6
#: A track belongs to a way that runs along it for more than this [m].
ALONG_M = 1.0
#: Half the stretch of boundary that is looked at beside a gateway [m].
REACH_M = 20.0
#: Water is crossed by a bridge that is drawn no farther than this from the way [m].
BRIDGE_M = 5.0


@dataclass(frozen=True)
class Limit:
    """One limit of one place.

    Attributes
    ----------
    what : what is limited, with its place ("distance to watercourse Middle ditch")
    found, needed : the value, and the limit, in `unit` ("m", "%", "kg", "turns")
    at_most : the limit is a largest value; else a least one
    """

    what: str
    found: float
    needed: float
    unit: str
    at_most: bool = False

    @property
    def miss(self) -> float:
        """By how much it misses; not above 0: it is kept."""
        return self.found - self.needed if self.at_most else self.needed - self.found

    @property
    def kept(self) -> bool:
        """Return whether it is kept; hit exactly counts as kept."""
        return self.miss <= SAME

    @property
    def share(self) -> float:
        """By which part of the limit it misses, to compare misses of several kinds."""
        return max(0.0, self.miss) / max(abs(self.needed), 1.0)


def distance_limits(
    stands: MultiPolygon, places: Sequence[Place], given: Mapping[str, float | str] | None = None
) -> Iterator[tuple[Limit, Place]]:
    """Yield the distance from what stands to every place that asks for one, and the place; a keep-out asks for 0 m and
    not to be stood in.
    """
    for place in places:
        if place.kind not in DISTANCE_KEYS:
            continue
        needed = kept_m(place.kind, given)
        if place.kind == "keep_out":
            inside = float(shapely.intersection(stands, place.shape).area)
            yield Limit(f"ground inside keep-out {place.key}", inside, 0.0, "m2", at_most=True), place
            continue
        found = float(shapely.distance(stands, place.shape))
        yield Limit(f"distance to {place.kind.replace('_', ' ')} {place.key}", found, needed, "m"), place


def ground_limit(stands: MultiPolygon, spot: Spot) -> Iterator[Limit]:
    """Yield how far what stands reaches beyond the ground it has to stand on [m]."""
    if spot.ground is None:
        return
    corners = shapely.points(shapely.get_coordinates(stands))
    beyond = float(shapely.distance(corners, spot.ground).max())
    name = "field" if spot.on_field else "yard"
    yield Limit(f"reach beyond the edge of the {name}", beyond, 0.0, "m", at_most=True)


def slope_limit(
    stands: MultiPolygon, elevation: Elevation | None, given: Mapping[str, float | str] | None = None
) -> Iterator[Limit]:
    """Yield the steepest ground beneath what stands [%], where heights are known."""
    if elevation is None:
        return
    found = slopes_within(elevation, stands)
    if not len(found):  # narrower than a cell: the cells that it touches
        found = slopes_within(elevation, stands.buffer(elevation.cell_m))
    if len(found):
        steepest = 100 * float(found.max())
        yield Limit("slope of the ground", steepest, defaults.number("standing_slope_pct", given), "%", at_most=True)


def bearing_limits(stands: MultiPolygon, places: Sequence[Place], mass_kg: float) -> Iterator[Limit]:
    """Yield the limits of drains and bridges that what stands touches; one without a limit is not stood on."""
    for place in places:
        if place.kind not in ("drain", "bridge") or not stands.intersects(place.shape):
            continue
        most = 0.0 if place.max_kg is None else place.max_kg
        told = (
            f"{place.kind} {place.key}, whose limit is not known"
            if place.max_kg is None
            else f"{place.kind} {place.key}"
        )
        yield Limit(f"mass standing on {told}", mass_kg, most, "kg", at_most=True)


def drain_limits(
    stands: MultiPolygon, places: Sequence[Place], given: Mapping[str, float | str] | None = None
) -> Iterator[Limit]:
    """Yield the distance of a heap to each drain: what runs out of it shall not reach the water [m]."""
    for place in places:
        if place.kind == "drain":
            found = float(shapely.distance(stands, place.shape))
            yield Limit(f"distance to drain {place.key}", found, defaults.number("heap_drain_m", given), "m")


def passage_limits(stands: MultiPolygon, field: Field, inside: bool = True) -> Iterator[Limit]:
    """Yield the ground that what stands takes from the ways through the field's gateways [m2]: from the way in for a
    place on the field, from the way up to the gateway for one outside.
    """
    for gate in field.gateways:
        inward = inward_at(_part_at(field, gate), gate.x, gate.y)
        way = passage(gate.x, gate.y, inward if inside else -inward, gate.width_m, PASSAGE_M if inside else OUTSIDE_M)
        taken = float(stands.intersection(way).area)
        yield Limit(f"ground taken from the way through {gate.key}", taken, 0.0, "m2", at_most=True)


def _part_at(field: Field, gate: Gateway) -> Polygon:
    parts = [part for part in shapely.get_parts(field.polygon) if isinstance(part, Polygon)]
    return min(parts, key=lambda part: part.distance(Point(gate.x, gate.y)))


def way_limits(
    drive: Drive, tracks: Sequence[FarmTrack], places: Sequence[Place], mass_kg: float, half_m: float = 0.0
) -> Iterator[Limit]:
    """Yield what the trailer's way in and out meets: farm tracks and bridges with their limits, keep-outs and water.

    Parameters
    ----------
    half_m : half the width of what drives: so far a keep-out or a well lies beside the way at least [m]
    """
    if len(drive.xy) < 2:
        return
    line = LineString(drive.xy)
    for track in tracks:
        if track.max_kg is not None and line.intersection(track.line.buffer(0.5)).length > ALONG_M:
            yield Limit(f"mass on farm track {track.key}", mass_kg, track.max_kg, "kg", at_most=True)
    bridges = [place for place in places if place.kind == "bridge"]
    for place in places:
        if place.max_kg is not None and place.kind in ("bridge", "drain") and line.intersects(place.shape):
            yield Limit(f"mass over {place.kind} {place.key}", mass_kg, place.max_kg, "kg", at_most=True)
    over = [one.shape.buffer(BRIDGE_M) for one in bridges]
    inside_field = np.flatnonzero(drive.leg[:-1] != ROAD)  # a farm track has its own way over water
    if not len(inside_field):
        return
    way = MultiLineString(list(np.stack([drive.xy[inside_field], drive.xy[inside_field + 1]], axis=1)))
    for place in places:
        if place.kind not in ("keep_out", "watercourse", "well"):
            continue
        wide = half_m > 0 and place.kind != "watercourse"
        inside = way.intersection(place.shape.buffer(half_m - SAME) if wide else place.shape)
        free = inside.difference(shapely.union_all(over)) if over else inside
        length = free.length + (1.0 if free.geom_type.endswith("Point") and not free.is_empty else 0.0)
        yield Limit(f"way through {place.kind.replace('_', '-')} {place.key}", length, 0.0, "m", at_most=True)


def gateway_limit(drive: Drive, outfit: Outfit, bodies: Bodies, gate: Gateway, inward: tuple[float, float]) -> Limit:
    """Return the width of the gateway that the outfit sweeps on its way, trailers cutting in, beside what there is [m].

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    _, placed = vehicle_paths(drive, outfit)
    here, into = np.array([gate.x, gate.y]), np.array(inward)
    across = np.array([-into[1], into[0]])
    post = LineString([here - REACH_M * across, here + REACH_M * across])
    low, high = 0.0, 0.0
    for body, (path, heading) in zip(bodies.parts, placed, strict=True):
        own = replace(body, front_m=body.front_m - body.at_m, rear_m=body.rear_m - body.at_m)
        ahead, aside = (path - here) @ into, (path - here) @ across
        through = np.flatnonzero((np.diff(np.sign(ahead)) != 0) & (np.abs(aside[:-1]) < REACH_M / 2))
        for k in through:
            for step in (1, -1):
                i = int(k)
                while 0 <= i < len(path):
                    cut = rectangle(Pose(float(path[i, 0]), float(path[i, 1]), float(heading[i])), own).intersection(
                        post
                    )
                    if cut.is_empty:
                        break
                    sides = (shapely.get_coordinates(cut) - here) @ across
                    low, high = min(low, float(sides.min())), max(high, float(sides.max()))
                    i += step
    return Limit(f"width of gateway {gate.key}", gate.width_m, high - low, "m")
