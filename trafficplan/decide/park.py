"""Where to leave a loaded trailer: candidate places, each kept to its limits and judged by what it draws to it.

A place draws three things: the trailer's own way in and out, once per load; all trips of the outfit that it serves; and
the weight that stands there. The first two are driven and judged on top of the season before their day; the last is
statics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon

from trafficplan.assess.score import Score
from trafficplan.chain import Plan
from trafficplan.decide.park_stands import Standing, soil_under, standing
from trafficplan.decide.park_time import Refills, refills_of, waiting_s
from trafficplan.decide.trip import Hitch, hitch_load
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.farm.distances import notes_of
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.ground import corridor
from trafficplan.farm.operation import Operation
from trafficplan.farm.water import moistures_of
from trafficplan.machines.outfit import Outfit
from trafficplan.names import HAUL, ROAD, Note
from trafficplan.routes import parking_limits as limits
from trafficplan.routes.build import passes_of
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.laid import lay
from trafficplan.routes.parking import Bodies, Spot, bodies_of, outline, spots
from trafficplan.routes.parking_limits import Limit
from trafficplan.routes.parking_way import Roads, Trip, drive_of, loads_of, trip_to
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import headland_width, polygons_of, working_width
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import GRAVITY
from trafficplan.whatif import Before, judge

Floats = NDArray[np.float64]

#: A hitch load below this counts as near zero: the trailer may tip back when it is uncoupled [N] (ours).
LEAST_HITCH_N = 300 * GRAVITY
#: Between the trailer's side and the middle of the outfit that comes alongside [m] (ours).
ALONGSIDE_M = 2.5
#: Ground from which tipping is warned of (rise over run), and a line that is near when a body is raised [m] (ours).
SLOPING, NEAR_LINE_M = 0.02, 30.0


@dataclass(frozen=True)
class ParkJob:
    """What is asked.

    Attributes
    ----------
    farm, field : as read; the outfits of both operations are the farm's
    trailer : the outfit that is parked, power unit and all
    operation : the job of the outfit that is served: rate, change ("empties": the trailer brings, "fills": it takes),
        day, moisture, drive
    plan : cell and depths
    need_kg : product of the whole job; trailer_kg : product of one trailer load
    uncoupled : it is left standing without its power unit
    count : places to look at
    pad_m : sides of what lies under the jack stand [m]
    stay_s : how long it stands each time, or None: as long as the job takes
    tension_pa : of the top and the deep layer, of the wettest soil under the field
    notes : what was assumed of the question
    """

    farm: Farm
    field: Field
    trailer: Outfit
    operation: Operation
    plan: Plan
    need_kg: float
    trailer_kg: float
    uncoupled: bool
    count: int
    pad_m: tuple[float, float]
    stay_s: float | None = None
    tension_pa: tuple[float, float] = (defaults.MOISTURE_PA, defaults.MOISTURE_PA)
    notes: tuple[Note, ...] = ()

    @property
    def minute_m2(self) -> float:
        """Lasting damage that weighs as much as a minute [m2]."""
        return defaults.number("minute_m2", self.farm.defaults)

    @property
    def fills(self) -> bool:
        """Whether the trailer is filled by the outfit that it serves (harvest), and leaves loaded."""
        return self.operation.change == "fills"

    @property
    def served(self) -> Outfit:
        """The outfit that is served."""
        return self.farm.outfits[self.operation.outfit]


@dataclass(frozen=True)
class Candidate:
    """One place with the way to it and its limits.

    Attributes
    ----------
    number : from 1, in the order found
    limits : every limit that was looked at
    trip : None where it cannot be driven to; then `problem` says why
    """

    number: int
    spot: Spot
    trip: Trip | None
    stands: MultiPolygon
    limits: tuple[Limit, ...]
    problem: str = ""

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


@dataclass(frozen=True)
class Weighed:
    """What one place does.

    Attributes
    ----------
    score : of both jobs on top of the season before
    served, brings : drives of the outfit that is served, and of the trailer
    refills : when and how much is moved over
    wait_s : how long the served outfit waits for the trailer in all
    minutes : of both outfits, driving, moving over and waiting
    km : of both outfits
    lasting_m2 : expected ground with lasting damage that is added [m2]
    likely_m2 : ground with a chance of at least 0.5 that is added [m2]
    trips : refills (or unloadings); trailer_trips : trailer loads
    drawn_t_km : traffic that the place draws on the field: trips of the served outfit, and the trailer's own way
    crossed_m2 : ground of the field under the wheels of these trips; crossings : of the mean place of it
    visits : passes at the place itself
    stands : what the standing weight does; None outside the field
    """

    candidate: Candidate
    score: Score
    served: Drive
    brings: Drive
    refills: Refills
    wait_s: float
    minutes: float
    km: float
    lasting_m2: float
    likely_m2: float
    trips: int
    trailer_trips: int
    drawn_t_km: float
    crossed_m2: float
    crossings: float
    visits: int
    stands: Standing | None

    def worth_m2(self, minute_m2: float) -> float:
        """Return lasting damage and time as one number: expected m2, a minute counting as so many."""
        return self.lasting_m2 + minute_m2 * self.minutes


@dataclass(frozen=True)
class Uncoupling:
    """Whether the trailer may be left without its power unit: hitch load while its load changes, and why not."""

    allowed: bool
    hitch: Hitch | None
    why: str


def uncoupling(job: ParkJob) -> tuple[Uncoupling, tuple[Note, ...]]:
    """Return whether the trailer may be uncoupled: refused where the hitch load comes near zero or below while the load
    changes.
    """
    found = hitch_load(job.trailer, job.trailer_kg, job.farm.defaults)
    if found is None:
        return Uncoupling(False, None, "the outfit draws nothing that could be left"), ()
    hitch, note = found
    if hitch.least_n < 0:
        return Uncoupling(False, hitch, "the trailer would tip back"), (note,)
    if hitch.least_n < LEAST_HITCH_N:
        return Uncoupling(False, hitch, "that is near zero: the trailer may tip back"), (note,)
    return Uncoupling(True, hitch, ""), (note,)


def warnings_at(job: ParkJob, candidate: Candidate) -> tuple[Note, ...]:
    """Return why a body should not be raised at a place (ground that slopes, soft soil, a line nearby), and that a
    track may be too narrow.
    """
    reasons = []
    for limit in candidate.limits:
        if limit.what.startswith("slope") and limit.found >= 100 * SLOPING:
            reasons.append(f"the ground slopes by {limit.found:.1f} %")
        if limit.what.startswith("distance to overhead line") and limit.found < NEAR_LINE_M:
            reasons.append(
                f"{limit.what.removeprefix('distance to ')} is {limit.found:.0f} m away; its height is not known"
            )
    if candidate.spot.on_field and moisture_word(job.tension_pa[0]) == "smears":
        reasons.append("the soil is soft: it smears")
    where = f"place {candidate.number}, {candidate.spot.words}"
    notes = []
    if reasons:
        notes.append(Note("warned", f"tipping or raising a body at {where}", "do not", "; ".join(reasons)))
    if candidate.spot.kind == "hard track":
        why = "others have to get past, and the outfit that comes alongside needs room"
        notes.append(Note("warned", f"width of the track at {where}", "not known", why))
    return tuple(notes)


def bring(job: ParkJob) -> Operation:
    """Return the trailer's own operation: at road pressure, because it came by road."""
    pressures = {axle.key: axle.track_pa for axle in job.trailer.axles()}
    return replace(
        job.operation, key=f"{job.operation.key} trailer", job="trailer", outfit=job.trailer.key, rate_kg_m2=None,
        load_kg=None, change="constant", pressures_pa=pressures, width_m=None, till_depth_m=0.0, runs_at_depth_m=0.0,
    )  # fmt: skip


def roads_of(job: ParkJob, lines: Sequence[LineString] = ()) -> Roads:
    """Return the ways of the trailer on and around the field."""
    bodies, _ = bodies_of(job.trailer)
    return Roads(job.field, job.trailer, bodies, job.farm.tracks, job.farm.places, lines or job.field.tramlines)


def candidates(job: ParkJob) -> tuple[tuple[Candidate, ...], tuple[Note, ...]]:
    """Return the places to look at, each with its limits, and what was assumed for them."""
    bodies, notes = bodies_of(job.trailer)
    lines = job.field.tramlines or _swaths(job)
    roads = roads_of(job, lines)
    found = spots(job.field, bodies, job.farm.tracks, job.farm.places, job.count, lines)
    listed = tuple(_candidate(job, roads, bodies, number, spot) for number, spot in enumerate(found, 1))
    used = [
        (place.kind, place.key)
        for one in listed
        for limit, place in limits.distance_limits(one.stands, job.farm.places, job.farm.defaults)
        if limit.found < limit.needed
    ]
    more = list(notes_of(used, job.farm.defaults))
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


def _runs(drive: Drive, leg: int) -> list[Floats]:
    """Return the unbroken stretches of a drive on one leg."""
    on = np.flatnonzero(drive.leg[:-1] == leg)
    groups = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1) if len(on) else []
    return [drive.xy[group[0] : group[-1] + 2] for group in groups]


def _candidate(job: ParkJob, roads: Roads, bodies: Bodies, number: int, spot: Spot) -> Candidate:
    gross = job.trailer_kg + sum(axle.empty_n for axle in job.trailer.axles()) / GRAVITY
    stands = outline(spot.pose, bodies)
    fixed = (
        *(limit for limit, _ in limits.distance_limits(stands, job.farm.places, job.farm.defaults)),
        *limits.ground_limit(stands, spot),
        *limits.slope_limit(stands, job.farm.elevation, job.farm.defaults),
        *limits.bearing_limits(stands, job.farm.places, gross),
        *(limits.passage_limits(stands, job.field) if spot.on_field else ()),
    )
    try:
        trip = trip_to(roads, spot)
    except InputError as error:
        return Candidate(number, spot, None, stands, fixed, error.problems[0].sentence())
    spot = replace(spot, pose=trip.pose)
    once = drive_of(roads, trip, [(0.0, 0.0)], "way")
    way = list(limits.way_limits(once, job.farm.tracks, job.farm.places, gross))
    way.append(Limit("turns that do not fit on the way", trip.turns_outside, 0.0, "turns", at_most=True))
    if trip.entrance is not None:
        inward = (float(trip.entrance.inward[0]), float(trip.entrance.inward[1]))
        gate = replace(
            trip.entrance.gateway, x=float(trip.entrance.gateway_xy[0]), y=float(trip.entrance.gateway_xy[1])
        )
        try:
            way.append(limits.gateway_limit(once, job.trailer, bodies, gate, inward))
        except InputError as error:
            return Candidate(number, spot, None, stands, fixed, error.problems[0].sentence())
    return Candidate(number, spot, trip, outline(trip.pose, bodies), (*fixed, *way))


def fill_xy(job: ParkJob, candidate: Candidate) -> tuple[float, float]:
    """Return where the served outfit stands to be filled or to unload: beside the trailer, on its side to the middle of
    the field; on a track or in a yard at the trailer itself.
    """
    spot = candidate.spot
    if not spot.on_field:
        return spot.pose.x, spot.pose.y
    aside = bodies_of(job.trailer)[0].width_m / 2 + ALONGSIDE_M
    middle = job.field.polygon.centroid
    sides = [spot.pose.along(1.0, left) for left in (aside, -aside)]
    inner = [one for one in sides if job.field.polygon.buffer(-2.0).covers(shapely.Point(one))] or sides
    return min(inner, key=lambda one: float(np.hypot(one[0] - middle.x, one[1] - middle.y)))


def drives(job: ParkJob, candidate: Candidate) -> tuple[Drive, Drive]:
    """Return the drives of the served outfit and of the trailer.

    Raises
    ------
    InputError : the served outfit cannot be driven
    """
    seconds = 60.0 * defaults.number("fill_min", job.farm.defaults)
    choice = Choice(fill_xy=fill_xy(job, candidate), fill_s=seconds)
    served = plan_drive(job.field, job.operation, job.served, job.farm.tracks, job.farm.places, choice)
    assert candidate.trip is not None
    loads = loads_of(job.need_kg, job.trailer_kg, job.fills)
    return served, drive_of(roads_of(job), candidate.trip, loads, bring(job).key)


def weigh(job: ParkJob, before: Before, candidate: Candidate) -> Weighed | InputError:
    """Return what a place does, or why its job cannot be driven."""
    try:
        served, brings = drives(job, candidate)
        return weighed(job, before, candidate, served, brings)
    except InputError as error:
        return error


def weighed(job: ParkJob, before: Before, candidate: Candidate, served: Drive, brings: Drive) -> Weighed:
    """Return what a place does with these drives."""
    own = bring(job)
    score = judge(job.farm, before, [(own, brings), (job.operation, served)])
    refills = refills_of(served, job.fills)
    wait = waiting_s(refills, job.trailer_kg, away_s(job, candidate), 1)
    seconds = float(served.time_s[-1]) + wait + float(brings.time_s[-1])
    crossed, length_area = _crossed(job, served, brings)
    return Weighed(
        candidate=candidate,
        score=score,
        served=served,
        brings=brings,
        refills=refills,
        wait_s=wait,
        minutes=seconds / 60,
        km=(_length(served) + _length(brings)) / 1e3,
        lasting_m2=score.lasting_more_ha * 1e4,
        likely_m2=score.deep_more_ha * 1e4,
        trips=len(refills.times_s),
        trailer_trips=brings.trips,
        drawn_t_km=drawn_t_km(job, served, brings),
        crossed_m2=crossed,
        crossings=length_area / crossed if crossed > 0 else 0.0,
        visits=2 * (len(refills.times_s) + brings.trips) if candidate.spot.on_field else 0,
        stands=stands_at(job, candidate) if candidate.spot.on_field else None,
    )  # fmt: skip


def stands_at(job: ParkJob, candidate: Candidate) -> Standing:
    """Return what the standing weight does to the soil beneath a place on the field."""
    unit = soil_under(job.farm, candidate.spot.pose)
    (tension,), _ = moistures_of(job.farm, job.operation, (unit.key,))
    return standing(
        job.trailer, unit, job.field.tillage_depth_m, job.trailer_kg, tension, job.pad_m, job.uncoupled,
        job.farm.defaults,
    )  # fmt: skip


def away_s(job: ParkJob, candidate: Candidate) -> float:
    """Return how long the trailer is away to be emptied or loaded and come back [s]."""
    assert candidate.trip is not None
    trailer = job.trailer
    way = candidate.trip.road_m / trailer.track_m_s + candidate.trip.field_m / trailer.field_m_s
    return way + 60.0 * defaults.number("trailer_turn_min", job.farm.defaults)


def drawn_t_km(job: ParkJob, served: Drive, brings: Drive) -> float:
    """Return the traffic that the place draws on the field [t km]: load x way of every axle on haul legs of the served
    outfit, and on the trailer's whole way in the field.
    """
    total = 0.0
    for drive, outfit, operation, legs in (
        (served, job.served, job.operation, (HAUL,)),
        (brings, job.trailer, bring(job), None),
    ):
        for one in passes_of(drive, outfit, operation, 0):
            if len(one.xy) < 2:
                continue
            steps = np.hypot(*np.diff(one.xy, axis=0).T)
            chosen = np.isin(one.leg[:-1], legs) if legs is not None else one.leg[:-1] != ROAD
            mean = (one.load_n[:-1] + one.load_n[1:]) / 2 / GRAVITY
            total += float((steps * mean)[chosen].sum()) / 1e6
    return total


def _crossed(job: ParkJob, served: Drive, brings: Drive) -> tuple[float, float]:
    """Return the field's ground under the trips [m2], and the sum of what every trip covers [m2]."""
    whole, parts = 0.0, []
    for drive, outfit, legs in ((served, job.served, (HAUL,)), (brings, job.trailer, (3, 4))):
        half = max(abs(wheel.offset_m) + wheel.tyre.width_m / 2 for axle in outfit.axles() for wheel in axle.wheels)
        inside = [LineString(run) for leg in legs for run in _runs(drive, leg) if len(run) > 1]
        whole += 2 * half * sum(line.length for line in inside)
        if inside:
            parts.append(corridor(inside, half, job.field))
    return (float(shapely.union_all(parts).area) if parts else 0.0), whole


def _length(drive: Drive) -> float:
    return float(np.hypot(*np.diff(drive.xy, axis=0).T).sum())


def ranked(found: Sequence[Weighed], minute_m2: float) -> list[Weighed]:
    """Return places, the best first: least lasting damage and time together, fewer crossings where these are alike."""
    return sorted(found, key=lambda one: (round(one.worth_m2(minute_m2), 3), one.visits, one.candidate.number))


def nearest_miss(listed: Sequence[Candidate]) -> Candidate | None:
    """Return the refused place that misses its limits by the least; None where none is refused."""
    refused = [one for one in listed if not one.legal]
    return min(refused, key=lambda one: (one.missing, one.number), default=None)


def word_of(job: ParkJob) -> str:
    """Return the hand-test word of the deep layer."""
    return moisture_word(job.tension_pa[1])
