"""Planning one spreading job: ways of doing it, each driven and judged on top of the season before its day."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from trafficplan.assess.score import Score
from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.cab import Unspread
from trafficplan.decide.candidates import stop_minutes
from trafficplan.decide.fuel import litres
from trafficplan.decide.pressure import Question, pressures_for, rows_of
from trafficplan.decide.trip import Leg
from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.inputs.plans import as_written
from trafficplan.names import Note
from trafficplan.routes.build import field_pressure
from trafficplan.routes.choice import Choice, Order, Size
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import best_heading, polygons_of
from trafficplan.routes.tell import efficiency, idle_share, ways_m
from trafficplan.routes.written import drive_of_plan, plan_of
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import POUND, TONNE, pressure_text
from trafficplan.whatif import Before, judge

Area = Polygon | MultiPolygon

#: Loads that are tried, as shares of what is allowed (ours).
LOAD_SHARES = (1.0, 0.8, 0.6)
#: How many ways of driving go on to be tried with other loads and pressures (ours).
ROUTES_KEPT = 8
AS_GIVEN = "as in the outfit's file"
#: Two headings nearer than this are one [degrees] (ours).
SAME_HEADING_DEG = 15.0

ORDERS: Mapping[Order, str] = {
    "skip": "every few bouts on, so that turns need no bulb",
    "neighbouring": "one beside the other",
    "far first": "from the far end back to the gate",
    "near first": "from the gate to the far end",
    "shortest": "the order with the least way without work",
}
SIZES: Mapping[Size, str] = {
    "full": "full loads",
    "balanced": "loads all alike",
    "to headland": "loads end at the headland where they reach it",
}


@dataclass(frozen=True)
class Fill:
    """Where the outfit is filled: kind, place [m] (None: the yard, or by each gateway), words, time per load [s]."""

    kind: Literal["yard", "gateway", "trailer", "heap"]
    xy: tuple[float, float] | None
    words: str
    seconds: float


@dataclass(frozen=True)
class Pressures:
    """A set of field pressures by axle [Pa], and its words; empty: as in the outfit's file.

    `whole_trip`: the same pressures serve on the track.
    """

    words: str
    field_pa: Mapping[str, float] = field(default_factory=dict)
    whole_trip: bool = False


@dataclass(frozen=True)
class SpreadJob:
    """What is asked.

    Attributes
    ----------
    farm, field : as read; operation : outfit, rate, day, moisture, width, drive ("tramlines" or "swaths")
    gateways : keys that may be used; empty where the field has none
    full_kg : largest load that body and plates allow, or the one asked for
    load_fixed : the load was asked for: no other is tried
    spread_on : ground that may be spread; None: all of it
    units : soil units under the field
    tension_pa : of the top and the deep layer of the wettest soil under the field
    moisture_words : how that is known, such as "moulds" or "water balance of the day: ..."
    slope : steepest slope of the field, rise over run; above STEEPEST no pressure is let down
    volume_density_kg_m3 : density of the product where the rate was asked for as a volume, else None
    hour_ha : expected lasting damage that an hour is worth sparing [ha]
    also : jobs that come with it whatever the way it is driven: loader, lorries (operation and drive each)
    strips : ground that may not be spread, with reasons
    notes : what was assumed of the question
    """

    farm: Farm
    field: Field
    operation: Operation
    gateways: tuple[str, ...]
    fill: Fill
    full_kg: float
    load_fixed: bool
    spread_on: Area | None
    units: tuple[SoilUnit, ...]
    tension_pa: tuple[float, float]
    moisture_words: str
    slope: float = 0.0
    hour_ha: float = 0.1
    volume_density_kg_m3: float | None = None
    also: tuple[tuple[Operation, Drive], ...] = ()
    strips: tuple[Unspread, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """One way of doing the job: the operation and the choices of its drive, in words too."""

    key: str
    operation: Operation
    choice: Choice
    heading_words: str
    pressures: Pressures

    def words(self, units: str = "metric") -> str:
        """Return one line that tells it from the others; `units` as of the farm."""
        most = "" if self.choice.size == "full" else "at most "
        load = f"{most}{tons(self.operation.load_kg or 0.0, units)}, {SIZES[self.choice.size]}"
        gate = f"{self.operation.gateway}, " if self.operation.gateway else ""
        return f"{gate}{self.heading_words}, {ORDERS[self.choice.order]}, {load}"


def tons(kg: float, units: str) -> str:
    """Return a load to a tenth of the tons that people load by.

    Examples
    --------
    >>> tons(9000.0, "metric"), tons(9000.0, "us")
    ('9.0 t', '9.9 tons')
    """
    return f"{kg / (2000 * POUND):.1f} tons" if units == "us" else f"{kg / TONNE:.1f} t"


def baseline(job: SpreadJob) -> Candidate:
    """Return what is done without a plan: the first gateway, usual bouts, full loads, pressures as they are.

    Where a table asks for more than the outfit's file has, that is taken: nothing is compared below a table.
    """
    words, _ = headings(job)[0]
    pressures = pressure_sets(job, job.full_kg)[0]
    return _candidate(job, "A", words, None, "skip", job.gateways[0] if job.gateways else None, job.full_kg, "full",
                      pressures)  # fmt: skip


def routes(job: SpreadJob) -> list[Candidate]:
    """Return every way of driving, with full loads and the pressures as they are; the baseline comes first."""
    found = [baseline(job)]
    for gateway in job.gateways or (None,):
        for words, heading in headings(job):
            for order in ORDERS:
                one = _candidate(job, "", words, heading, order, gateway, job.full_kg, "full", found[0].pressures)
                if (one.operation, one.choice) != (found[0].operation, found[0].choice):
                    found.append(one)
    return _numbered(found)


def loads(job: SpreadJob, kept: Sequence[Candidate], first: int) -> list[Candidate]:
    """Return the ways of driving that were kept with other loads, sizes of load and pressures, numbered from `first`."""
    found = []
    shares = (1.0,) if job.load_fixed else LOAD_SHARES
    for route in kept:
        for share in shares:
            load = job.full_kg * share
            for size in SIZES:
                for pressures in pressure_sets(job, load):
                    if share == 1.0 and size == "full" and pressures == route.pressures:
                        continue
                    found.append(
                        _candidate(job, "", route.heading_words, route.operation.heading_deg, route.choice.order,
                                   route.operation.gateway, load, size, pressures)
                    )  # fmt: skip
    return _numbered(found, first)


def _numbered(candidates: Sequence[Candidate], first: int = 1) -> list[Candidate]:
    return [replace(one, key=f"{i}") for i, one in enumerate(candidates, first)]


def _candidate(
    job: SpreadJob, key: str, words: str, heading: float | None, order: Order, gateway: str | None, load: float,
    size: Size, pressures: Pressures,
) -> Candidate:  # fmt: skip
    operation = replace(
        job.operation, heading_deg=heading, gateway=gateway, load_kg=load,
        pressures_pa={**job.operation.pressures_pa, **pressures.field_pa},
    )  # fmt: skip
    choice = Choice(order, _fill_xy(job, gateway), job.fill.seconds, size, job.spread_on)
    return Candidate(key, operation, choice, words, pressures)


def _fill_xy(job: SpreadJob, gateway: str | None) -> tuple[float, float] | None:
    if job.fill.kind != "gateway":
        return job.fill.xy
    return next(((gate.x, gate.y) for gate in job.field.gateways if gate.key == gateway), None)


def headings(job: SpreadJob) -> list[tuple[str, float | None]]:
    """Return the headings to try: words, and degrees clockwise from grid north (None: as the drive takes by itself)."""
    if job.operation.drive == "tramlines" and job.field.tramlines:
        return [("along the tramlines", None)]
    if job.operation.heading_deg is not None:
        return [(f"heading {job.operation.heading_deg:.0f} degrees", job.operation.heading_deg)]
    long = (90.0 - math.degrees(best_heading(polygons_of(job.field.polygon)[0]))) % 180.0
    found: list[tuple[str, float | None]] = [("along the longest edge", None)]
    taken = [long]
    options = [("across the longest edge", (long + 90.0) % 180.0)]
    if (down := _downhill_deg(job)) is not None:
        options += [("along the slope", down % 180.0), ("across the slope", (down + 90.0) % 180.0)]
    options += [("along the tramlines", heading) for heading in _tramline_deg(job)]
    for words, heading in options:
        if all(abs((heading - other + 90.0) % 180.0 - 90.0) > SAME_HEADING_DEG for other in taken):
            found.append((words, round(heading, 1)))
            taken.append(heading)
    return found


def heading_deg(job: SpreadJob, candidate: Candidate) -> float | None:
    """Return the heading that a candidate drives, clockwise from grid north; None along the tramlines."""
    given = candidate.operation.heading_deg
    if given is not None or (candidate.operation.drive == "tramlines" and job.field.tramlines):
        return given
    return round((90.0 - math.degrees(best_heading(polygons_of(job.field.polygon)[0]))) % 180.0, 1)


def _tramline_deg(job: SpreadJob) -> list[float]:
    if not job.field.tramlines:
        return []
    longest = max(job.field.tramlines, key=lambda line: line.length)
    (x0, y0), (x1, y1) = longest.coords[0][:2], longest.coords[-1][:2]
    return [math.degrees(math.atan2(x1 - x0, y1 - y0)) % 180.0]


def _downhill_deg(job: SpreadJob) -> float | None:
    """Return the direction in which the field falls, by a plane through its heights; None on level ground."""
    elevation = job.farm.elevation
    if elevation is None:
        return None
    rows, cols = elevation.height_m.shape
    x = elevation.west + (np.arange(cols) + 0.5) * elevation.cell_m
    y = elevation.north - (np.arange(rows) + 0.5) * elevation.cell_m
    xs, ys = np.meshgrid(x, y)
    inside = shapely.contains_xy(job.field.polygon, xs, ys) & np.isfinite(elevation.height_m)
    if inside.sum() < 9:
        return None
    middle = job.field.polygon.centroid
    plane = np.column_stack([xs[inside] - middle.x, ys[inside] - middle.y, np.ones(int(inside.sum()))])
    east, north, _ = np.linalg.lstsq(plane, elevation.height_m[inside].astype(np.float64), rcond=None)[0]
    if math.hypot(east, north) < 0.01:
        return None
    return math.degrees(math.atan2(-east, -north)) % 360.0


def pressure_sets(job: SpreadJob, load_kg: float) -> list[Pressures]:
    """Return the pressures to try: as they are, and where the owner's tables name them the lowest in the field for
    this load and the one for the whole trip. None is below a table that has a row for it.
    """
    rows = rows_of(question_of(job, load_kg))
    raised = {
        one.axle.key: one.field_pa
        for one in rows
        if one.field_pa is not None and one.field_pa > field_pressure(one.axle, job.operation) + 1.0
    }
    found = [Pressures("raised to the tyres' tables", raised) if raised else Pressures(AS_GIVEN)]
    if any(one.field_pa is None for one in rows):
        return found
    axles = [one.axle.key for one in rows]
    for words, plan in (("let down for the field", "field"), ("one for the whole trip", "track")):
        pressures = dict(zip(axles, pressures_for(rows, plan), strict=True))  # type: ignore[arg-type]
        if all(pressures != other.field_pa for other in found):
            found.append(Pressures(words, pressures, plan == "track"))
    return found


def question_of(job: SpreadJob, load_kg: float) -> Question:
    """Return the job as a question about pressures."""
    outfit = job.farm.outfits[job.operation.outfit]
    legs = (Leg("field", outfit.field_m_s, True), Leg("track", outfit.track_m_s, False))
    tillage = job.field.tillage_depth_m if job.field.tillage_depth_m > 0 else 0.0
    judged = round(tillage + 0.05, 3) if tillage else 0.3
    return Question(
        outfit, job.farm.tyre_tables, load_kg, legs, job.units, np.array([0.2, judged, 0.5]), tillage, 0.0, judged,
        job.tension_pa, job.slope,
    )  # fmt: skip


def drive_of(job: SpreadJob, candidate: Candidate) -> Drive:
    """Return a candidate's drive, to the digits with which it would be written down.

    Raises
    ------
    InputError : it cannot be driven
    """
    outfit = job.farm.outfits[candidate.operation.outfit]
    drive = plan_drive(job.field, candidate.operation, outfit, job.farm.tracks, job.farm.places, candidate.choice)
    written = drive_of_plan(as_written(plan_of(drive, candidate.key)), candidate.operation, outfit)
    return replace(written, notes=drive.notes)


def judged(
    job: SpreadJob, before: Before, candidate: Candidate, known: dict[object, Drive] | None = None
) -> Alternative | InputError:
    """Return what a candidate asks of the driver and does to the soil, or why it cannot be driven.

    `known` remembers drives between candidates that differ in pressures only.
    """
    remembered = {} if known is None else known
    way = (candidate.operation.heading_deg, candidate.operation.gateway, candidate.operation.load_kg, candidate.choice)
    try:
        drive = remembered[way] if way in remembered else drive_of(job, candidate)
        remembered[way] = drive
        score = judge(job.farm, before, [(candidate.operation, drive), *job.also])
    except InputError as error:
        return error
    return _alternative(job, candidate, drive, score)


def _alternative(job: SpreadJob, candidate: Candidate, drive: Drive, score: Score) -> Alternative:
    way = ways_m(drive)
    outfit = job.farm.outfits[candidate.operation.outfit]
    worked = way.work * drive.width_m
    hours = float(drive.time_s[-1] - drive.time_s[0]) / 3600 if len(drive.time_s) else 0.0
    return Alternative(
        key=candidate.key,
        words=candidate.words(job.farm.units),
        heading_deg=heading_deg(job, candidate),
        order=ORDERS[candidate.choice.order],
        gateway=candidate.operation.gateway or "",
        fill_words=job.fill.words,
        load_kg=candidate.operation.load_kg or 0.0,
        loads=drive.trips,
        size=candidate.choice.size,
        pressures_words=pressures_words(job, candidate),
        deep_ha=score.deep_ha,
        deep_more_ha=score.deep_more_ha,
        lasting_ha=score.lasting_ha,
        lasting_more_ha=score.lasting_more_ha,
        wheeled_pct=score.job_wheeled_pct,
        traffic_t_km_ha=score.job_traffic_t_km_ha,
        hours=hours + _letting_down_h(job, candidate, drive),
        km=(way.work + way.turning + way.haul + way.road) / 1e3,
        road_km=way.road / 1e3,
        litres=litres(outfit, candidate.operation, drive, job.tension_pa),
        spread_ha=drive.worked_m2 / 1e4,
        overlap_ha=max(0.0, worked - drive.worked_m2) / 1e4,
        not_spread_ha=drive.unworked_m2 / 1e4,
        efficiency=efficiency(drive),
        idle_share=idle_share(drive),
        notes=drive.notes,
    )


def _letting_down_h(job: SpreadJob, candidate: Candidate, drive: Drive) -> float:
    """Return the hours that letting down and pumping up takes more than with the pressures of the outfit's file.

    Filled at the yard it is done for every load, filled in the field or at the gateway once.
    """
    if candidate.pressures.whole_trip:
        return 0.0
    axles = job.farm.outfits[candidate.operation.outfit].axles()
    pressures = {axle.key: field_pressure(axle, candidate.operation) for axle in axles}
    times = drive.trips if job.fill.kind == "yard" else min(1, drive.trips)
    return 2 * times * stop_minutes(axles, pressures) / 60


def pressures_words(job: SpreadJob, candidate: Candidate) -> str:
    """Return the field pressures in words; "" where the owner's tables name none: then none is printed."""
    rows = rows_of(question_of(job, candidate.operation.load_kg or job.full_kg))
    if any(one.field_pa is None for one in rows):
        return ""
    pressures = candidate.operation.pressures_pa
    parts = []
    for axle in job.farm.outfits[candidate.operation.outfit].axles():
        pressure = pressures.get(axle.key, pressures.get("*", axle.field_pa))
        parts.append(f"{axle.key} {pressure_text(pressure)}")
    return f"{candidate.pressures.words}: {', '.join(parts)}"
