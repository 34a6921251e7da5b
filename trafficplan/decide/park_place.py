"""Candidate places for a parked trailer: the way to each, the limits that it keeps, and what is warned of there."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, MultiLineString, MultiPolygon

from trafficplan.decide.park_job import ParkJob
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.farm.distances import notes_of
from trafficplan.farm.field import Place
from trafficplan.names import HAUL, WORK, Note
from trafficplan.routes import parking_limits as limits
from trafficplan.routes.access import entrances
from trafficplan.routes.laid import lay
from trafficplan.routes.parking import BESIDE_TRACK_M, NEAR_M, Bodies, Spot, bodies_of, outline, spots
from trafficplan.routes.parking_heap import driving
from trafficplan.routes.parking_limits import Limit
from trafficplan.routes.parking_way import Roads, Trip, drive_of, trip_to
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import headland_width, polygons_of, working_width
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import GRAVITY

#: Ground from which tipping is warned of (rise over run), and a line that is near when a body is raised [m] (ours).
SLOPING, NEAR_LINE_M = 0.02, 30.0
#: Width of ground that a trailer's wheels cover, where two gateways are compared [m] (ours).
WHEELED_M = 1.2


@dataclass(frozen=True)
class Candidate:
    """One place with the way to it and its limits.

    Attributes
    ----------
    number : from 1, in the order found
    limits : every limit that was looked at
    trip : None where it cannot be driven to; then `problem` says why
    gateway : key of the gateway that both outfits go by; None: the job's own, else the nearest to the yard
    """

    number: int
    spot: Spot
    trip: Trip | None
    stands: MultiPolygon
    limits: tuple[Limit, ...]
    problem: str = ""
    gateway: str | None = None

    @property
    def legal(self) -> bool:
        """Whether it can be reached and keeps every limit."""
        return self.trip is not None and all(one.kept for one in self.limits)

    @property
    def failed(self) -> tuple[Limit, ...]:
        """The limits that it misses, the farthest missed first."""
        return tuple(sorted((one for one in self.limits if not one.kept), key=lambda one: -one.share))

    @property
    def missing(self) -> float:
        """By how much it misses its limits, as shares of them; 0 where it keeps all."""
        return sum(one.share for one in self.failed) + (1e3 if self.trip is None else 0.0)

    @property
    def words(self) -> str:
        """Where it is, and by which gateway, where that is not the job's own and not said yet."""
        by = "" if self.gateway is None or self.gateway in self.spot.words else f", by {self.gateway}"
        return f"{self.spot.words}{by}"


def roads_of(job: ParkJob, lines: Sequence[LineString] = ()) -> Roads:
    """Return the ways of the trailer on and around the field."""
    bodies, _ = job.bodies()
    return Roads(job.field, job.trailer, bodies, job.farm.tracks, job.farm.places, lines or job.field.tramlines)


def candidates(job: ParkJob) -> tuple[tuple[Candidate, ...], tuple[Note, ...]]:
    """Return the places to look at, each with its limits, and what was assumed for them."""
    bodies, notes = job.bodies()
    lines = job.field.tramlines or _swaths(job)
    roads = roads_of(job, lines)
    found = spots(job.field, bodies, job.farm.tracks, job.farm.places, job.count, lines)
    if job.heap is not None:
        found = tuple(one for one in found if one.kind != "hard track")  # others have to get past
    listed = tuple(_candidate(job, roads, bodies, number, spot) for number, spot in enumerate(found, 1))
    used = [
        (place.kind, place.key)
        for one in listed
        for limit, place in limits.distance_limits(one.stands, job.farm.places, job.farm.defaults)
        if limit.found < max(limit.needed, NEAR_M)
    ]
    more = list(notes_of(used, job.farm.defaults))
    if job.heap is not None and any(one.kind == "drain" for one in job.farm.places):
        more.append(defaults.note("heap_drain_m", f"field {job.field.key}", job.farm.defaults))
    if job.farm.elevation is not None:
        more.append(defaults.note("standing_slope_pct", f"field {job.field.key}", job.farm.defaults))
    return listed, (*notes, *more)


def _swaths(job: ParkJob) -> tuple[LineString, ...]:
    """Return the swaths of the job, where the field has no tramlines."""
    width, wide = working_width(job.operation, job.served), headland_width(job.field, job.operation, job.served)[0]
    laid = [
        lay(job.field, part, job.operation, width, wide, job.served.radius_m)[0]
        for part in polygons_of(job.field.polygon)
    ]
    return tuple(LineString(swath.xy) for one in laid for swath in one.swaths)


def gross_kg(job: ParkJob) -> float:
    """Return the mass of the loaded trailer, tractor and all [kg]."""
    return job.trailer_kg + sum(axle.empty_n for axle in job.trailer.axles()) / GRAVITY


def own_gateways(job: ParkJob) -> frozenset[str]:
    """Return the gateways that the job goes by where nothing else is said, one for each part of the field."""
    reached, _ = entrances(job.field, job.operation.gateway, job.farm.tracks, job.farm.places)
    return frozenset(entrance.gateway.key for _, entrance in reached if entrance is not None)


def _candidate(job: ParkJob, roads: Roads, bodies: Bodies, number: int, spot: Spot) -> Candidate:
    """Return a place with the way to it: by the job's gateway, or by the nearest one where that way is better."""
    own = _by(job, roads, bodies, number, spot, None)
    if not spot.on_field or not spot.gateway or spot.gateway in own_gateways(job):
        return own
    near = _by(job, roads, bodies, number, spot, spot.gateway)
    return min(own, near, key=lambda one: (not one.legal, _way_m2(job, one), one.gateway or ""))


def _way_m2(job: ParkJob, one: Candidate) -> float:
    """Return what the trailer's way comes to, before anything is driven: its minutes, and the ground of the field that it
    wheels once, as square metres.
    """
    trip = one.trip
    if trip is None:
        return np.inf
    seconds = trip.road_m / job.trailer.track_m_s + trip.field_m / job.trailer.field_m_s
    loads = math.ceil(job.need_kg / job.trailer_kg - 1e-9)
    return job.minute_m2 * seconds / 60 * loads + trip.field_m * WHEELED_M


def _by(job: ParkJob, roads: Roads, bodies: Bodies, number: int, spot: Spot, gateway: str | None) -> Candidate:
    places, gross = job.farm.places, gross_kg(job)
    trip, problem = None, ""
    try:
        trip = trip_to(roads, spot, gateway or job.operation.gateway or "")
        spot = replace(spot, pose=trip.pose)
    except InputError as error:
        problem = words_of(error)
    stands = outline(spot.pose, bodies)
    fixed = (
        *(limit for limit, _ in limits.distance_limits(stands, places, job.farm.defaults)),
        *limits.ground_limit(stands, spot),
        *limits.slope_limit(stands, job.farm.elevation, job.farm.defaults),
        *limits.bearing_limits(stands, places, gross if job.heap is None else max(gross, job.need_kg)),
        *(limits.drain_limits(stands, places, job.farm.defaults) if job.heap is not None else ()),
        *limits.passage_limits(stands, job.field, inside=spot.on_field),
    )
    if trip is None:
        return Candidate(number, spot, None, stands, fixed, problem, gateway)
    once = drive_of(roads, trip, [(0.0, 0.0)], "way")
    way = [*limits.way_limits(once, job.farm.tracks, places, gross, driving(bodies).width_m / 2)]
    way.append(Limit("turns that do not fit on the way", trip.turns_outside, 0.0, "turns", at_most=True))
    if trip.entrance is not None:
        inward = (float(trip.entrance.inward[0]), float(trip.entrance.inward[1]))
        x, y = float(trip.entrance.gateway_xy[0]), float(trip.entrance.gateway_xy[1])
        gate = replace(trip.entrance.gateway, x=x, y=y)
        try:
            way.append(limits.gateway_limit(once, job.trailer, driving(bodies), gate, inward))
        except InputError as error:
            return Candidate(number, spot, None, stands, fixed, words_of(error), gateway)
    return Candidate(number, spot, trip, stands, (*fixed, *way), "", gateway)


def words_of(error: InputError) -> str:
    """Return why a place cannot be driven to, without the advice that belongs to a wrong input."""
    told = error.problems[0]
    if told.what.startswith("no way leads"):
        return "no farm track leads from the gateway to it"
    return f"{told.what}: {told.found}"


def front_limits(job: ParkJob, candidate: Candidate | None) -> Iterator[Limit]:
    """Yield the width of the gateway that the served outfit takes: its own; with its front on where it is a harvester
    that unloads outside.

    Parameters
    ----------
    candidate : None: it drives to the yard
    """
    outside = candidate is None or not candidate.spot.on_field
    wide, what = bodies_of(job.served)[0].width_m, f"width of {job.served.key} through gateway"
    if outside and job.fills:
        wide, what = max(wide, working_width(job.operation, job.served)), f"working {what}"
    own = candidate.gateway if candidate is not None else None
    keys = {own} if own else own_gateways(job)
    for gate in job.field.gateways:
        if gate.key in keys:
            yield Limit(f"{what} {gate.key}", wide, gate.width_m, "m", at_most=True)


def served_limits(job: ParkJob, served: Drive) -> Iterator[Limit]:
    """Yield the limits of farm tracks and bridges that the served outfit crosses between field and trailer, with what
    it weighs there.
    """
    empty = sum(axle.empty_n for axle in job.served.axles()) / GRAVITY
    chosen = np.flatnonzero(served.leg[:-1] != WORK)
    held = [one for one in job.farm.tracks if one.max_kg is not None]
    bridges = [one for one in job.farm.places if one.kind == "bridge" and one.max_kg is not None]
    if not len(chosen) or not (held or bridges):
        return
    segments = shapely.linestrings(np.stack([served.xy[chosen], served.xy[chosen + 1]], axis=1))
    load = np.maximum(served.load_kg[chosen], served.load_kg[chosen + 1])
    for track in held:
        on = shapely.length(shapely.intersection(segments, track.line.buffer(0.5)))
        if on.sum() > limits.ALONG_M:
            mass = empty + float(load[on > 0].max())
            yield Limit(f"{job.served.key} on farm track {track.key}", mass, track.max_kg or 0.0, "kg", at_most=True)
    for bridge in bridges:
        over = shapely.intersects(segments, bridge.shape)
        if over.any():
            mass = empty + float(load[over].max())
            yield Limit(f"{job.served.key} over bridge {bridge.key}", mass, bridge.max_kg or 0.0, "kg", at_most=True)


def crossed_by(job: ParkJob, served: Drive) -> tuple[str, ...]:
    """Return the keep-outs and the water that the served outfit's trips over the field go through, no bridge there."""
    chosen = np.flatnonzero(served.leg[:-1] == HAUL)
    if not len(chosen):
        return ()
    way = MultiLineString(list(np.stack([served.xy[chosen], served.xy[chosen + 1]], axis=1)))
    bridges = [one.shape.buffer(limits.BRIDGE_M) for one in job.farm.places if one.kind == "bridge"]
    free = way.difference(shapely.union_all(bridges)) if bridges else way
    return tuple(
        f"{place.kind.replace('_', '-')} {place.key}"
        for place in job.farm.places
        if place.kind in ("keep_out", "watercourse") and free.intersects(place.shape)
    )


def tipping_at(job: ParkJob, candidate: Candidate) -> tuple[str, ...]:
    """Return why a body should not be raised at a place: ground that slopes, soft soil, a line nearby."""
    reasons = []
    hung = {f"overhead line {one.key}": one for one in job.farm.places if one.kind == "overhead_line"}
    for limit in candidate.limits:
        if limit.what.startswith("slope") and limit.found >= 100 * SLOPING:
            reasons.append(f"the ground slopes by {limit.found:.1f} %")
        if limit.what.startswith("distance to overhead line") and limit.found < NEAR_LINE_M:
            line = limit.what.removeprefix("distance to ")
            reasons.append(f"{line} is {limit.found:.0f} m away; {_height(hung[line])}")
    if candidate.spot.on_field and moisture_word(job.tension_pa[0]) == "smears":
        reasons.append("the soil is soft: it smears")
    return tuple(reasons)


def warnings_at(job: ParkJob, candidate: Candidate, served: Drive | None = None) -> tuple[Note, ...]:
    """Return what is warned of at a place: raising a body, a slope or a bridge that is not known, a narrow track, lines
    that are driven beneath, and what the trips of the served outfit go through.
    """
    where = f"at place {candidate.number}, {candidate.words}"
    found: list[tuple[str, str, str]] = []
    reasons = tipping_at(job, candidate)
    if reasons:
        found.append((f"tipping or raising a body {where}", "do not", "; ".join(reasons)))
    if job.farm.elevation is not None and not any(one.what.startswith("slope") for one in candidate.limits):
        found.append((f"slope {where}", "not known", "no heights there: look whether it is level"))
    near = [one.line for one in job.farm.tracks if one.line.distance(candidate.stands) < BESIDE_TRACK_M]
    if candidate.spot.kind == "hard track" or (candidate.spot.kind == "yard" and near):
        why = "others have to get past, and the outfit that comes alongside needs room"
        found.append((f"width of the track {where}", "not known", why))
    found += [
        (f"bridge {one.key} on the way {where}", "its limit is not known", "ask before it is crossed with a load")
        for one in _crossed(job, candidate, served, "bridge")
        if one.max_kg is None
    ]
    beneath = (
        "measure what drives there at its highest, body and spout down; how much air there must be, local rules say"
    )
    found += [
        (f"the way beneath overhead line {one.key} {where}", _height(one), beneath)
        for one in _crossed(job, candidate, served, "overhead_line")
    ]
    crossed = crossed_by(job, served) if served is not None else ()
    if crossed:
        why = "the planned way of the outfit that is served does not go round them"
        found.append((f"trips {where}", f"go through {', '.join(crossed)}", why))
    return tuple(Note("warned", what, value, why) for what, value, why in found)


def _height(line: Place) -> str:
    """Return in words how high an overhead line hangs."""
    return "its height is not known" if line.height_m is None else f"it hangs {line.height_m:g} m high by the map"


def _crossed(job: ParkJob, candidate: Candidate, served: Drive | None, kind: str) -> list[Place]:
    """Return the places of a kind that the trailer's way or the served outfit's trips cross."""
    places = [one for one in job.farm.places if one.kind == kind]
    if not places:
        return []
    lines = [] if candidate.trip is None else [candidate.trip.xy]
    if served is not None:
        away = served.leg[:-1] != WORK
        lines += [served.xy[[k, k + 1]] for k in np.flatnonzero(away)]
    way = MultiLineString([line for line in lines if len(line) > 1])
    return [one for one in places if way.intersects(one.shape)]


def nearest_miss(listed: Sequence[Candidate]) -> Candidate | None:
    """Return the refused place that misses its limits by the least; None where none is refused."""
    refused = [one for one in listed if not one.legal]
    return min(refused, key=lambda one: (one.missing, one.number), default=None)
