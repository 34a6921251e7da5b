"""Trips that nobody logged: what a recorded harvest left in vehicles that are in no log, and an estimate of their ways.

A harvester without a hopper fills trailers that run beside it. Where its log tells the mass and no other operation of
that field and day carries it away, those trailers drove and are missing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Operation
from trafficplan.farm.season import order
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.matching import Matched

#: Less mass than this is no trailer's load [kg].
LEAST_KG = 1000.0


@dataclass(frozen=True)
class Missing:
    """Vehicles that took a harvest away and are in no log.

    Attributes
    ----------
    beside : the operation beside which they ran
    mass_kg, worked_m2 : as its log recorded
    operation : the operation that was added for them, or "" where no outfit of the farm hauls
    loads : loads that the estimate takes
    """

    field: str
    day: dt.date
    beside: str
    mass_kg: float
    worked_m2: float
    operation: str
    loads: int


def with_unlogged(matched: Matched) -> tuple[Farm, tuple[Missing, ...], tuple[Note, ...]]:
    """Return the farm with an operation for each harvest that vehicles without a log took away.

    Notes
    -----
    Mass by the log, loads of 90 % of the capacity, a whole bout beside the harvester and out by the nearest gate: common
    practice, no source.
    """
    farm = matched.farm
    notes: list[Note] = []
    found: list[Missing] = []
    operations = list(farm.operations)
    hauler = hauling_outfit(farm)
    row = max((one.row for one in operations), default=1)
    for operation in farm.operations:
        outings = matched.by_operation.get(operation.key, ())
        mass = sum(one.mass_kg or 0.0 for one in outings)
        if mass < LEAST_KG or not _needs_trailers(farm, operation) or _hauled(farm, operation):
            continue
        worked = sum(one.worked_m2 for one in outings if not math.isnan(one.worked_m2))
        made = _haul(farm, operation, hauler, mass, worked, row + 1) if hauler and worked > 0 else None
        row += made is not None
        operations += [made] if made else []
        loads = math.ceil(mass / made.load_kg) if made and made.load_kg else 0
        found.append(
            Missing(operation.field, operation.day, operation.key, mass, worked, made.key if made else "", loads)
        )
        notes.append(_note(found[-1], hauler))
    return replace(farm, operations=order(operations)), tuple(found), tuple(notes)


def _needs_trailers(farm: Farm, operation: Operation) -> bool:
    """Tell whether an outfit has no body of its own for what it takes up."""
    return farm.outfits[operation.outfit].capacity_kg <= 0


def _hauled(farm: Farm, operation: Operation) -> bool:
    """Tell whether another operation of that field and day takes something up, or hauls by its name."""
    there = [one for one in farm.operations if (one.field, one.day) == (operation.field, operation.day)]
    return any(one.change == "fills" and farm.outfits[one.outfit].capacity_kg > 0 for one in there)


def hauling_outfit(farm: Farm) -> Outfit | None:
    """Return the farm's outfit for hauling a harvest: with a drawn body, and never one that spreads; None if unclear."""
    spreads = {one.outfit for one in farm.operations if one.change == "empties"}
    fills = {one.outfit for one in farm.operations if one.change == "fills"}
    bodies = [
        one
        for key, one in farm.outfits.items()
        if one.capacity_kg > 0 and key not in spreads and any(vehicle.kind == "drawn" for vehicle in one.vehicles)
    ]
    hauling = [one for one in bodies if one.key in fills] or bodies
    return hauling[0] if len(hauling) == 1 else None


def _haul(farm: Farm, beside: Operation, outfit: Outfit, mass_kg: float, worked_m2: float, row: int) -> Operation:
    share = defaults.number("haul_fill_share", farm.defaults)
    return Operation(
        key=f"hauled beside {beside.key}",
        row=row,
        day=beside.day,
        start=beside.start,
        field=beside.field,
        job="haulage, estimated",
        outfit=outfit.key,
        rate_kg_m2=mass_kg / worked_m2,
        load_kg=share * outfit.capacity_kg,
        change="fills",
        width_m=beside.width_m or farm.outfits[beside.outfit].width_m,
        moisture=beside.moisture,
        surface=beside.surface,
    )


def _note(one: Missing, hauler: Outfit | None) -> Note:
    what = f"field {one.field}, {one.day}: trailers beside {one.beside}"
    value = f"{one.mass_kg / 1e3:.0f} t left the field in vehicles that are in no log"
    if not one.operation:
        why = "no single outfit of the farm hauls: they are not in the maps; add it to outfits/ and to operations.csv"
        return Note("warned", what, value, why)
    assert hauler is not None
    why = (
        f"estimated: {one.loads} loads with {hauler.title or hauler.key}, along every bout and out by the nearest gate"
    )
    return Note("assumed", what, value, why, defaults.SOURCE)


def same_time(operations: Sequence[Operation]) -> tuple[Note, ...]:
    """Return warnings of one outfit that starts twice at the same time of one day: in two fields, or twice in one."""
    seen: dict[tuple[str, dt.date, dt.time], Operation] = {}
    notes = []
    for one in operations:
        if one.start is None:
            continue
        key = (one.outfit, one.day, one.start)
        if key in seen:
            first = seen[key]
            what = f"operations {first.key} and {one.key}: outfit {one.outfit}"
            twice = first.field == one.field
            place = f"twice in {one.field}" if twice else f"in {first.field} and {one.field}"
            why = "is one of them written twice? both are counted"
            why = why if twice else "it cannot be in two places at once; both are counted"
            notes.append(Note("warned", what, f"{place} on {one.day} at {one.start:%H:%M}", why))
        seen.setdefault(key, one)
    return tuple(notes)
