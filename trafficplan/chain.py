"""The one file that knows the order of the steps: farm + operations + scenario -> Result."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.assess import limits, places, profiles, zones
from trafficplan.assess.stored import StoredLayers, chance_tables, store
from trafficplan.assess.summary import FieldSummary, OperationPart
from trafficplan.errors import InputError, Problem
from trafficplan.farm import defaults, season
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import Ground, corridor, lay_ground
from trafficplan.farm.operation import Operation, Scenario
from trafficplan.farm.water import moistures_of
from trafficplan.machines.outfit import Outfit
from trafficplan.names import DEPTHS, ENTRY, EXIT, HAUL, ROAD, Note
from trafficplan.routes.build import passes_of
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.logs import OUTSIDE_M, drive_from_log
from trafficplan.routes.passes import Drive, Pass
from trafficplan.routes.swaths import headland_width
from trafficplan.routes.written import drive_of_plan
from trafficplan.soil.day import soil_day
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import OperationEvents, SeasonLayers
from trafficplan.traffic.season import run_season

#: Drives of one field that are known already, by what decides them.
Drives = dict[tuple[object, ...], Drive]

#: Ground kept around the field so that traffic beside it is not lost [m].
MARGIN_M = 10.0
#: A log's fixes farther from the field's box than this belong to the road [m].
STRAY_M = 60.0
#: A load over this many times the outfit's capacity is a slip of the pen.
LOAD_MOST = 1.5
#: Soil units that one field may lie on.
UNITS_MOST = 60


@dataclass(frozen=True)
class Plan:
    """What is computed: cell [m], depths [m], first and last day (None = the whole season)."""

    cell: float = 0.5
    depths_m: tuple[float, ...] = DEPTHS
    first: dt.date | None = None
    last: dt.date | None = None


@dataclass(frozen=True)
class Loose:
    """Freshly tilled soil: depth [m] (0 = none) and the day of the tillage."""

    depth_m: float = 0.0
    since: dt.date | None = None


@dataclass(frozen=True)
class FieldSeason:
    """One field, one scenario, before stress: operations, drives, passes, ground and soils of each day.

    `loose` is how its last tillage left the field.
    """

    field: Field
    scenario: str
    grid: Grid
    ground: Ground
    depths_m: tuple[float, ...]
    deep_from_m: float
    operations: tuple[Operation, ...]
    drives: tuple[Drive, ...]
    events: tuple[OperationEvents, ...]
    notes: tuple[Note, ...]
    loose: Loose = Loose()


@dataclass(frozen=True)
class FieldResult:
    """One field under one scenario: its season as laid out, the stored layers and what people are told of them."""

    grid: Grid
    ground: Ground
    stored: StoredLayers
    summary: FieldSummary
    laid: FieldSeason


def operations_of(farm: Farm, scenario: Scenario, field: Field, plan: Plan) -> tuple[Operation, ...]:
    """Return the operations of one field in the order of the season, within the plan's days."""
    chosen = season.apply_scenario(farm, scenario)
    for operation in chosen:
        full = farm.outfits[operation.outfit].capacity_kg
        if operation.field == field.key and operation.load_kg and operation.load_kg > LOAD_MOST * full > 0:
            raise InputError(
                Problem(
                    "the load is far over what the outfit carries",
                    f"scenario {scenario.key}, operation {operation.key}",
                    f"{operation.load_kg / 1e3:.1f} t on {operation.outfit}",
                    f"at most {LOAD_MOST:g} times its {full / 1e3:.1f} t",
                    "give a smaller load or another outfit",
                )
            )
    return tuple(
        operation
        for operation in chosen
        if operation.field == field.key
        and (plan.first is None or operation.day >= plan.first)
        and (plan.last is None or operation.day <= plan.last)
    )


def drive_of(farm: Farm, field: Field, operation: Operation, known: Drives) -> Drive:
    """Return the drive of an operation: from its recorded track, from its plan, or planned.

    `known` remembers drives between scenarios: pressures, moisture and day change none.
    """
    outfit = farm.outfits[operation.outfit]
    what = (
        operation.key, operation.outfit, operation.drive, operation.rate_kg_m2, operation.load_kg, operation.change,
        operation.heading_deg, operation.gateway, operation.width_m, operation.runs_at_depth_m,
    )  # fmt: skip
    if what not in known:
        if operation.drive.startswith("track:"):
            log = farm.logs[operation.drive.removeprefix("track:")]
            known[what] = drive_from_log(log, field, operation, outfit)
        elif operation.drive.startswith("plan:"):
            known[what] = drive_of_plan(farm.plans[operation.drive.removeprefix("plan:")], operation, outfit)
        else:
            known[what] = plan_drive(field, operation, outfit, farm.tracks, farm.places)
    return known[what]


def soils_of(
    farm: Farm,
    units: Sequence[str],
    operation: Operation,
    depths_m: tuple[float, ...],
    tillage_m: float,
    tilled_m: float,
) -> tuple[tuple[SoilDay, ...], tuple[Note, ...]]:
    """Return each soil unit on the operation's day: its moisture as given, by the day's water balance, or assumed."""
    moistures, told = moistures_of(farm, operation, units)
    notes = list(told)
    days = []
    for unit, (top, deep) in zip(units, moistures, strict=True):
        day, more = soil_day(farm.soil_units[unit], np.asarray(depths_m), top, deep, tillage_m, tilled_m)
        days.append(day)
        notes.extend(more)
    return tuple(days), tuple(notes)


def _depths(plan: Plan, deep_from_m: float) -> tuple[float, ...]:
    """Return the asked depths and the one 5 cm below tillage (whole cm), where the plough's work ends."""
    extra = (math.ceil(round(deep_from_m * 100 + 5, 6)) / 100,) if deep_from_m > 0 else ()
    return tuple(sorted({*plan.depths_m, *extra}))


def _box(farm: Farm, field: Field, plan: Plan) -> Grid:
    """Return the grid around the field and the recorded fixes beside it: the same under every scenario."""
    west, south, east, north = field.polygon.bounds
    limit = (west - STRAY_M, south - STRAY_M, east + STRAY_M, north + STRAY_M)
    for operation in farm.operations:
        if operation.field != field.key or not operation.drive.startswith("track:"):
            continue
        log = farm.logs[operation.drive.removeprefix("track:")]
        near = (log.x > limit[0]) & (log.y > limit[1]) & (log.x < limit[2]) & (log.y < limit[3])
        if near.any():
            west, south = min(west, float(log.x[near].min())), min(south, float(log.y[near].min()))
            east, north = max(east, float(log.x[near].max())), max(north, float(log.y[near].max()))
    return Grid.around((west, south, east, north), plan.cell, farm.crs, MARGIN_M)


def _lines(drive: Drive, legs: tuple[int, ...]) -> list[LineString]:
    """Return the unbroken stretches of a drive that are in one of the legs."""
    keep = np.flatnonzero(np.isin(drive.leg[:-1], legs))
    groups = np.split(keep, np.flatnonzero(np.diff(keep) > 1) + 1) if len(keep) else []
    return [LineString(drive.xy[group[0] : group[-1] + 2]) for group in groups]


def _headland(farm: Farm, field: Field) -> float:
    """Return the width of the headland zone [m]: the widest that an operation of the farm's season turns on, the same
    under every scenario and on every day.
    """
    season_ops = [op for op in farm.operations if op.field == field.key]
    widths = [headland_width(field, op, farm.outfits[op.outfit])[0] for op in season_ops]
    return max(widths, default=field.headland_m or defaults.number("gateway_radius_m", farm.defaults))


def _half_width(outfit: Outfit) -> float:
    return max(abs(wheel.offset_m) + wheel.tyre.width_m / 2 for axle in outfit.axles() for wheel in axle.wheels)


def _ground(
    farm: Farm, field: Field, grid: Grid, routes: Sequence[Polygon | MultiPolygon]
) -> tuple[Ground, list[Note]]:
    """Return the field's ground on its grid; refuse ground without a soil, or with too many."""
    ground = lay_ground(
        field,
        farm.soil_map,
        grid,
        _headland(farm, field),
        defaults.number("gateway_radius_m", farm.defaults),
        routes,
    )
    if not ground.units:
        raise InputError(
            Problem(
                "no soil lies under the field",
                f"field {field.key}",
                "no polygon of the soil map touches it",
                "a soil map that covers the field",
                "extend the soil map, or check its coordinates",
            )
        )
    if len(ground.units) > UNITS_MOST:
        raise InputError(
            Problem(
                "too many soil units under one field",
                f"field {field.key}",
                f"{len(ground.units)} units",
                f"at most {UNITS_MOST}",
                "join units that are alike",
            )
        )
    if ground.gap_ha <= 0.01:
        return ground, []
    gap = f"field {field.key}: soil of {ground.gap_ha:.2f} ha without a soil polygon"
    return ground, [Note("assumed", gap, "the nearest mapped soil", "the soil map does not cover the field")]


def _events(
    farm: Farm,
    units: tuple[str, ...],
    operations: Sequence[Operation],
    drives: Sequence[Drive],
    passes: Sequence[tuple[Pass, ...]],
    depths: tuple[float, ...],
    deep_from: float,
    loose: Loose,
) -> tuple[tuple[OperationEvents, ...], list[Note], Loose]:
    """Return each operation with the soils of its day; a layer stays loose for a while after its tillage."""
    events: list[OperationEvents] = []
    notes: list[Note] = []
    for i, (operation, drive) in enumerate(zip(operations, drives, strict=True)):
        fresh = loose.since is not None and operation.day - loose.since <= season.FRESH
        tilled = loose.depth_m if fresh else 0.0
        soils, more = soils_of(farm, units, operation, depths, deep_from, tilled)
        notes += [*more, *drive.notes, *limits.pressure_notes(farm, operation, passes[i])]
        events.append(OperationEvents(passes[i], soils, operation.till_depth_m, drive.swept, drive.width_m))
        if operation.till_depth_m > 0:
            loose = Loose(max(operation.till_depth_m, tilled), operation.day)
    return tuple(events), notes, loose


def events_of(
    farm: Farm,
    laid: FieldSeason,
    operations: Sequence[Operation],
    drives: Sequence[Drive],
    passes: Sequence[tuple[Pass, ...]],
) -> tuple[tuple[OperationEvents, ...], list[Note]]:
    """Return operations that follow a season, with the soils of their days, as the kernel meets them."""
    events, notes, _ = _events(
        farm, laid.ground.units, operations, drives, passes, laid.depths_m, laid.deep_from_m, laid.loose
    )
    return events, notes


def prepare(farm: Farm, scenario: Scenario, field: Field, plan: Plan, known: Drives | None = None) -> FieldSeason:
    """Lay out one field's season: drives, passes, ground, soils; no stress yet.

    Raises
    ------
    InputError
        An operation cannot be driven.
    """
    operations = operations_of(farm, scenario, field, plan)
    surfaces = [note for op in operations if (note := limits.surface_note(op))]
    deep_from, note = season.tillage_depth(field, farm.operations)
    notes: list[Note] = [*surfaces, *([note] if note else [])]
    depths = _depths(plan, deep_from)
    remembered: Drives = {} if known is None else known
    drives = tuple(drive_of(farm, field, op, remembered) for op in operations)
    passes = [
        passes_of(drive, farm.outfits[op.outfit], op, i)
        for i, (drive, op) in enumerate(zip(drives, operations, strict=True))
    ]
    grid = _box(farm, field, plan)
    routes = [
        corridor(_lines(drive, (HAUL, ENTRY, EXIT)), _half_width(farm.outfits[op.outfit]), field)
        for drive, op in zip(drives, operations, strict=True)
    ]
    ground, more = _ground(farm, field, grid, routes)
    notes.extend(more)
    events, more, loose = _events(farm, ground.units, operations, drives, passes, depths, deep_from, Loose())
    notes.extend(more)
    return FieldSeason(
        field,
        scenario.key,
        grid,
        ground,
        depths,
        deep_from,
        operations,
        drives,
        events,
        tuple(dict.fromkeys(notes)),
        loose,
    )


def run_field(
    farm: Farm, scenario: Scenario, field: Field, plan: Plan, threads: int = 1, known: Drives | None = None
) -> FieldResult:
    """Compute one field under one scenario, from its operations to stored layers and summary."""
    try:
        laid = prepare(farm, scenario, field, plan, known)
    except InputError as error:
        if scenario.key == "base" or any(problem.where.startswith("scenario ") for problem in error.problems):
            raise
        named = [replace(problem, where=f"scenario {scenario.key}, {problem.where}") for problem in error.problems]
        raise InputError(named) from None
    # The layers of the kernel are named nowhere here: `summarise` lets go of them as soon as they are stored.
    return summarise(
        farm,
        laid,
        run_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events, threads=threads),
    )


def summarise(farm: Farm, laid: FieldSeason, layers: SeasonLayers) -> FieldResult:
    """Turn the state after the season into stored layers and the summary that people read."""
    field, grid, ground, depths = laid.field, laid.grid, laid.ground, laid.depths_m
    first_deep = int(np.searchsorted(depths, laid.deep_from_m + 1e-9))
    calm = laid.events[-1].soils if laid.events else untouched(farm, laid)
    chances = chance_tables(calm)
    stored = store(layers, ground, chances, first_deep)
    first_over, worst = layers.first_over, layers.worst
    del layers  # two thirds of the memory of a field
    rows = zones.zone_rows(laid.scenario, field.key, grid, ground, stored, chances, depths, laid.deep_from_m)
    summary = FieldSummary(
        scenario=laid.scenario,
        field=field,
        grid=grid,
        depths_m=depths,
        deep_from_m=laid.deep_from_m,
        rows=rows,
        zone_shapes=ground.shapes,
        steps_ha=zones.steps_ha(grid, ground, stored, depths, laid.deep_from_m),
        parts=_parts(laid, first_over, worst),
        worst=places.worst_places(field, grid, ground, stored, worst, laid.operations, depths, first_deep),
        drives={op.key: _drawn(drive) for op, drive in zip(laid.operations, laid.drives, strict=True)},
        crossings=_crossings(laid, defaults.number("gateway_radius_m", farm.defaults)),
        lasting_ha=float((stored.arrays["lasting"][ground.inside] >= 5000).sum()) * grid.cell_ha,
        wheeled_ha=float(stored.wheeled[ground.inside].sum()) / 16 * grid.cell_ha,
        profiles=profiles.wheel_profiles(laid.operations, laid.events, depths),
        notes=laid.notes,
    )
    return FieldResult(grid, ground, stored, summary, laid)


def untouched(farm: Farm, laid: FieldSeason) -> tuple[SoilDay, ...]:
    """Return the soils of a field in which nothing drove (only their spread is asked for)."""
    rest = defaults.MOISTURE_PA
    depths = np.asarray(laid.depths_m)
    return tuple(
        soil_day(farm.soil_units[unit], depths, rest, rest, laid.deep_from_m, 0.0)[0] for unit in laid.ground.units
    )


def _parts(laid: FieldSeason, first_over: NDArray[np.uint16], worst: NDArray[np.uint16]) -> tuple[OperationPart, ...]:
    """Return what each operation drove and what it added below tillage depth, in the order of the season."""
    inside, cell_ha = laid.ground.inside, laid.grid.cell_ha
    most = len(laid.operations) + 1
    added = np.bincount(first_over[inside], minlength=most) * cell_ha
    hardest = np.bincount(worst[inside & (first_over > 0)], minlength=most) * cell_ha
    parts = []
    for i, (operation, drive, event) in enumerate(zip(laid.operations, laid.drives, laid.events, strict=True)):
        steps = np.hypot(*np.diff(drive.xy, axis=0).T)
        parts.append(
            OperationPart(
                operation=operation.key,
                day=operation.day,
                job=operation.job,
                outfit=operation.outfit,
                trips=drive.trips,
                drive_km=float(steps.sum()) / 1e3,
                hours=_hours(drive.time_s),
                worked_ha=drive.worked_m2 / 1e4,
                traffic_t_km=sum(_traffic(one) for one in event.passes),
                added_deep_ha=float(added[i + 1]),
                worst_deep_ha=float(hardest[i + 1]),
            )
        )
    return tuple(parts)


def _hours(time_s: NDArray[np.float64]) -> float:
    return float(np.nanmax(time_s) - np.nanmin(time_s)) / 3600 if len(time_s) else 0.0


def _traffic(one: Pass) -> float:
    """Return load x path length of a pass inside and near the field [t km]."""
    if len(one.xy) < 2:
        return 0.0
    steps = np.hypot(*np.diff(one.xy, axis=0).T)
    mean = (one.load_n[:-1] + one.load_n[1:]) / 2 / 9.80665
    return float((steps * mean)[one.leg[:-1] != ROAD].sum()) / 1e6


def _drawn(drive: Drive) -> LineString:
    """Return the drive as people see it on a map: to half a metre."""
    if len(drive.xy) < 2:
        return LineString()
    line = LineString(drive.xy).simplify(0.5, preserve_topology=False)
    return line if isinstance(line, LineString) else LineString()


def _crossings(laid: FieldSeason, radius_m: float) -> dict[str, float]:
    """Return gateway -> how often an outfit was driven through: each change between road and field goes to the
    nearest gate in reach, and so does a drive's start or end in the field beside one.
    """
    gates = laid.field.gateways
    counts = {gate.key: 0.0 for gate in gates}
    for drive in laid.drives if gates else ():
        if len(drive.xy) < 2:
            continue
        on_road = drive.leg == ROAD
        changes = np.flatnonzero(np.diff(on_road[:-1].astype(np.int8))) + 1
        ends = [i for i in (0, len(drive.xy) - 1) if not on_road[min(i, len(drive.xy) - 2)]]
        for vertices, reach in ((changes, radius_m + OUTSIDE_M), (ends, radius_m)):
            for x, y in drive.xy[vertices]:
                away = [math.hypot(gate.x - x, gate.y - y) for gate in gates]
                if min(away) <= reach:
                    counts[gates[away.index(min(away))].key] += 1
    return counts
