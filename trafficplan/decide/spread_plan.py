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
from trafficplan.decide.trip import STEEPEST
from trafficplan.farm.operation import Moisture
from trafficplan.names import Note
from trafficplan.routes.build import field_pressure
from trafficplan.routes.passes import Drive
from trafficplan.routes.refused import part_left_out
from trafficplan.routes.swaths import polygons_of
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
    moisture, void_if = _moisture_words(job.tension_pa)
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
        load_kg=max(loads_kg(drive).tolist(), default=best.load_kg),
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
        moisture=moisture,
        void_if=void_if,
        stop_rut_m=STOP_RUT_M,
        boundary=field.polygon,
        tramlines=field.tramlines,
        swaths=swaths_of(drive),
        density_kg_m3=job.volume_density_kg_m3,
        steep=job.slope > STEEPEST,
        notes=tuple(dict.fromkeys([*job.notes, *best.notes, *_of_the_way(job, candidate, drive)])),
    )


def _moisture_words(tension_pa: tuple[float, float]) -> tuple[str, str]:
    """Return in hand-test words what the plan was made for, and what is too wet for it: judged below the topsoil.

    Examples
    --------
    >>> _moisture_words((15e3, 15e3)), _moisture_words((6e3, 19e3))
    (('moulds', 'smears'), ('smears on top and moulds below', 'smears below the topsoil'))
    """
    top, deep = (moisture_word(one) for one in tension_pa)
    wetter = [one for one, tension in HAND_TEST.items() if tension < HAND_TEST[deep]]
    void_if = max(wetter, key=lambda one: HAND_TEST[one]) if wetter else ""
    if top == deep:
        return deep, void_if
    return f"{top} on top and {deep} below", f"{void_if} below the topsoil" if void_if else ""


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
    """Return the pressures to set: those judged, raised where the tyre's own table asks for more; none without tables.

    An axle that cannot change on the way, or a plan of one pressure, has the same on the track.
    """
    rows = rows_of(question_of(job, candidate.operation.load_kg or job.full_kg))
    named = all(row.field_pa is not None and row.track_pa is not None for row in rows)
    found: list[CabAxle] = []
    for row in rows:
        field_pa = max(field_pressure(row.axle, candidate.operation), row.field_pa or 0.0)
        track_pa = max(row.axle.track_pa, row.track_pa or 0.0)
        let_down = bool(candidate.operation.pressures_pa)
        if let_down and (candidate.pressures.whole_trip or not row.can_change()):
            field_pa = track_pa = max(field_pa, row.track_pa or 0.0)
        found.append(CabAxle(row.axle.key, field_pa if named else None, track_pa if named else None, row.axle.adjust))
    return tuple(found)


def _unspread(job: SpreadJob, drive: Drive) -> tuple[Unspread, ...]:
    """Return the strips cut out, and what no bout covers."""
    spread = shapely.union_all([line.buffer(drive.width_m / 2, cap_style="flat") for line in swaths_of(drive)])
    ground = job.spread_on if job.spread_on is not None else job.field.polygon
    missed = ground.difference(spread)
    whole = [part for part in polygons_of(job.field.polygon) if part.intersection(spread).area < 1.0]
    rest: list[Unspread] = []
    for part in whole:
        left = MultiPolygon(_pieces(missed.intersection(part)))
        said = part_left_out(job.field, part, "").what
        why = next((note.why for note in drive.notes if note.what == said), "nothing of it is worked")
        if left.area >= 1.0:
            rest.append(Unspread(left, left.area, f"a part of the field: {why}"))
    if corners := _pieces(missed.difference(shapely.union_all(whole)) if whole else missed):
        shape = MultiPolygon(corners)
        rest.append(Unspread(shape, shape.area, "corners, edges and point rows that no bout reaches"))
    return (*job.strips, *rest)


def _pieces(shape: shapely.Geometry) -> list[Polygon]:
    """Return the pieces of ground of at least a square metre."""
    return [one for one in shapely.get_parts(shape) if isinstance(one, Polygon) and one.area >= 1.0]
