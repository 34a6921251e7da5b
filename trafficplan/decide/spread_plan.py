"""The finished plan of a spreading job: the short list, the one advised made ready for the cab, and a day of several fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely import MultiPolygon, Polygon

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.cab import CabAxle, CabPlan, Unspread, swaths_of
from trafficplan.decide.pressure import rows_of
from trafficplan.decide.spread import Candidate, SpreadJob, question_of
from trafficplan.farm.operation import Moisture
from trafficplan.names import Note
from trafficplan.routes.build import field_pressure
from trafficplan.routes.passes import Drive
from trafficplan.routes.tell import flattened_ha, loads_kg, run_outs, wheels_outside
from trafficplan.soil.moisture import HAND_TEST, moisture_word

#: Depth of ruts at which work stops (common practice, no source).
STOP_RUT_M = 0.08


@dataclass(frozen=True)
class FieldPlan:
    """The plan of one field.

    Attributes
    ----------
    job : what was asked
    alternatives : the short list, letters as keys; smears : the same ones where the soil smears, by letter
    candidates : of the short list, by letter
    reason : two sentences on why the advised one
    cab : the advised one for the cab
    tried, refused : how many were judged, and why others could not be driven (most frequent first)
    whole : False where an interrupt cut the search short
    seconds : how long the search took
    """

    job: SpreadJob
    alternatives: tuple[Alternative, ...]
    smears: dict[str, Alternative]
    candidates: dict[str, Candidate]
    reason: str
    cab: CabPlan
    tried: int
    refused: tuple[tuple[str, int], ...]
    whole: bool
    seconds: float
    notes: tuple[Note, ...]

    @property
    def field(self) -> str:
        """Name of the field."""
        return self.job.field.key

    @property
    def advised(self) -> Alternative:
        """The alternative that is advised."""
        return next(one for one in self.alternatives if one.recommended)

    @property
    def base(self) -> Alternative:
        """What is done without a plan."""
        return next(one for one in self.alternatives if one.baseline)


@dataclass(frozen=True)
class Share:
    """What of a field fits the day: loads and hectares of all of them, and when it is begun and done [h]."""

    field: str
    loads: int
    of_loads: int
    spread_ha: float
    begin_h: float
    end_h: float
    cost_pct: float


def day_of(plans: Sequence[FieldPlan], hours: float | None) -> tuple[Share, ...]:
    """Return the order of the fields, least expected lasting damage per hectare spread first, and what fits the hours."""
    shares: list[Share] = []
    now = 0.0
    for plan in sorted(plans, key=_cost):
        best = plan.advised
        left = float("inf") if hours is None else max(0.0, hours - now)
        part = 1.0 if best.hours <= left + 1e-9 else left / best.hours
        loads = best.loads if part >= 1.0 else int(part * best.loads)
        part = loads / best.loads if best.loads else 0.0
        end = now + part * best.hours
        shares.append(Share(plan.field, loads, best.loads, part * best.spread_ha, now, end, 100 * _cost(plan)))
        now = end
    return tuple(shares)


def _cost(plan: FieldPlan) -> float:
    best = plan.advised
    return best.lasting_more_ha / max(best.spread_ha, 1e-6)


def where_it_smears(candidate: Candidate) -> Candidate:
    """Return a candidate on soil that smears."""
    wet = Moisture(HAND_TEST["smears"], HAND_TEST["smears"], "smears")
    return replace(candidate, operation=replace(candidate.operation, moisture=wet))


def cab_plan(job: SpreadJob, candidate: Candidate, best: Alternative, drive: Drive) -> CabPlan:
    """Return the advised alternative with all that goes into the cab."""
    field, operation = job.field, candidate.operation
    gate = next((one for one in field.gateways if one.key == operation.gateway), None)
    word = moisture_word(job.tension_pa[1])
    wetter = [one for one, tension in HAND_TEST.items() if tension < HAND_TEST[word]]
    return CabPlan(
        farm=job.farm.title,
        field=field.key,
        job=operation.job,
        outfit=job.farm.outfits[operation.outfit].title,
        day=operation.day,
        units=job.farm.units,
        crs=job.farm.crs,
        gateway=operation.gateway or "",
        gate_xy=(gate.x, gate.y) if gate else None,
        fill_words=job.fill.words,
        fill_xy=candidate.choice.fill_xy,
        order=best.order,
        heading_deg=best.heading_deg,
        load_kg=best.load_kg,
        rate_kg_m2=operation.rate_kg_m2 or 0.0,
        width_m=drive.width_m,
        axles=_axles(job, candidate),
        drive=drive,
        run_outs=tuple((float(x), float(y)) for x, y in run_outs(drive)),
        loads_kg=tuple(float(one) for one in loads_kg(drive)),
        spread_m2=best.spread_ha * 1e4,
        unspread=_unspread(job, drive),
        hours=best.hours,
        litres=best.litres,
        moisture=word,
        void_if=max(wetter, key=lambda one: HAND_TEST[one]) if wetter else "",
        stop_rut_m=STOP_RUT_M,
        boundary=field.polygon,
        tramlines=field.tramlines,
        swaths=swaths_of(drive),
        density_kg_m3=job.volume_density_kg_m3,
        notes=tuple(dict.fromkeys([*best.notes, *_of_the_way(job, candidate, drive)])),
    )


def _of_the_way(job: SpreadJob, candidate: Candidate, drive: Drive) -> list[Note]:
    """Return what is to be said of the advised way: wheels that leave the field, crop that is flattened."""
    outfit = job.farm.outfits[candidate.operation.outfit]
    notes = list(wheels_outside(drive, outfit, job.field))
    if candidate.operation.drive == "tramlines" and job.field.tramlines:
        flat = flattened_ha(drive, job.field.tramlines, outfit)
        if flat >= 0.01:
            notes.append(Note("warned", f"field {job.field.key}: crop flattened", f"{flat:.2f} ha",
                              "wheels beside the tramlines: headland, turns, ways to the gateway"))  # fmt: skip
    return notes


def _axles(job: SpreadJob, candidate: Candidate) -> tuple[CabAxle, ...]:
    """Return the pressures to set: those judged, raised where the tyre's own table asks for more; none without tables."""
    rows = rows_of(question_of(job, candidate.operation.load_kg or job.full_kg))
    named = all(row.field_pa is not None and row.track_pa is not None for row in rows)
    return tuple(
        CabAxle(
            row.axle.key,
            max(field_pressure(row.axle, candidate.operation), row.field_pa or 0.0) if named else None,
            max(row.axle.track_pa, row.track_pa or 0.0) if named else None,
            row.axle.adjust,
        )
        for row in rows
    )


def _unspread(job: SpreadJob, drive: Drive) -> tuple[Unspread, ...]:
    """Return the strips cut out, and what no bout covers."""
    spread = shapely.union_all([line.buffer(drive.width_m / 2, cap_style="flat") for line in swaths_of(drive)])
    ground = job.spread_on if job.spread_on is not None else job.field.polygon
    missed = [
        one for one in shapely.get_parts(ground.difference(spread)) if isinstance(one, Polygon) and one.area >= 1.0
    ]
    rest: list[Unspread] = []
    if missed:
        shape = MultiPolygon(missed)
        rest = [Unspread(shape, shape.area, "corners and point rows that no bout reaches")]
    return (*job.strips, *rest)
