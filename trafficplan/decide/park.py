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
from shapely import LineString

from trafficplan.assess.score import Score
from trafficplan.decide.park_job import ParkJob, bring
from trafficplan.decide.park_place import Candidate, front_limits, own_gateways, roads_of, served_limits, warnings_at
from trafficplan.decide.park_stands import Standing, heap_standing, soil_under, standing
from trafficplan.decide.park_time import Refills, refills_of, scaled, waiting_s
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.farm.ground import corridor
from trafficplan.farm.water import moistures_of
from trafficplan.names import HAUL, ROAD, Note
from trafficplan.routes.build import passes_of
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.parking_heap import middle_m
from trafficplan.routes.parking_way import drive_of, loads_of
from trafficplan.routes.passes import Drive
from trafficplan.units import GRAVITY
from trafficplan.whatif import Before, judge

Floats = NDArray[np.float64]

#: Between the trailer's side and the middle of the outfit that comes alongside [m] (ours).
ALONGSIDE_M = 2.5


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
    warnings : what is warned of at the place
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
    warnings: tuple[Note, ...] = ()

    def worth_m2(self, minute_m2: float) -> float:
        """Return lasting damage and time as one number: expected m2, a minute counting as so many."""
        return self.lasting_m2 + minute_m2 * self.minutes


def _runs(drive: Drive, leg: int) -> list[Floats]:
    """Return the unbroken stretches of a drive on one leg."""
    on = np.flatnonzero(drive.leg[:-1] == leg)
    groups = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1) if len(on) else []
    return [drive.xy[group[0] : group[-1] + 2] for group in groups]


def fill_xy(job: ParkJob, candidate: Candidate) -> tuple[float, float]:
    """Return where the served outfit stands to be filled or to unload: beside the trailer or the middle of the heap, on
    its side to the middle of the field; on a track or in a yard at what stands itself.
    """
    spot = candidate.spot
    bodies, _ = job.bodies()
    lies = middle_m(bodies)
    if not spot.on_field:
        return spot.pose.along(lies or 0.0)
    aside = bodies.width_m / 2 + ALONGSIDE_M
    middle = job.field.polygon.centroid
    sides = [spot.pose.along(1.0 if lies is None else lies, left) for left in (aside, -aside)]
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
    operation = replace(job.operation, gateway=candidate.gateway or job.operation.gateway)
    served = plan_drive(job.field, operation, job.served, job.farm.tracks, job.farm.places, choice)
    assert candidate.trip is not None
    loads = loads_of(job.need_kg, job.trailer_kg, job.fills)
    return served, drive_of(roads_of(job), candidate.trip, loads, bring(job).key)


def weigh(job: ParkJob, before: Before, candidate: Candidate) -> Weighed | InputError:
    """Return what a place does, or why its job cannot be driven; a place outside the field is served by the job's
    gateway or by the one beside it, whichever is better.
    """
    found: list[Weighed] = []
    problem: InputError | None = None
    for gateway in _gateways(job, candidate):
        try:
            one = replace(candidate, gateway=gateway)
            found.append(weighed(job, before, one, *drives(job, one)))
        except InputError as error:
            problem = problem or error
    if not found:
        assert problem is not None
        return problem
    return min(found, key=lambda one: (not one.candidate.legal, round(one.worth_m2(job.minute_m2), 3)))


def _gateways(job: ParkJob, candidate: Candidate) -> list[str | None]:
    """Return the gateways that a place is tried by; None: the job's own."""
    if candidate.spot.on_field or not job.field.gateways:
        return [candidate.gateway]
    x, y = candidate.spot.pose.x, candidate.spot.pose.y
    near = min(job.field.gateways, key=lambda gate: (np.hypot(gate.x - x, gate.y - y), gate.key)).key
    return [None] if near in own_gateways(job) else [None, near]


def weighed(job: ParkJob, before: Before, candidate: Candidate, served: Drive, brings: Drive) -> Weighed:
    """Return what a place does with these drives."""
    own = bring(job)
    score = judge(job.farm, before, [(own, brings), (job.operation, served)])
    refills = scaled(refills_of(served, job.fills), job.need_kg)
    candidate = replace(
        candidate, limits=(*candidate.limits, *served_limits(job, served), *front_limits(job, candidate))
    )
    wait = 0.0 if job.heap is not None else waiting_s(refills, job.trailer_kg, away_s(job, candidate), 1)
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
        warnings=warnings_at(job, candidate, served),
    )  # fmt: skip


def stands_at(job: ParkJob, candidate: Candidate) -> Standing:
    """Return what the standing weight does to the soil beneath a place on the field."""
    unit = soil_under(job.farm, candidate.spot.pose)
    (tension,), _ = moistures_of(job.farm, job.operation, (unit.key,))
    if job.heap is not None:
        return heap_standing(job.heap, job.need_kg, unit, job.field.tillage_depth_m, tension)
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
