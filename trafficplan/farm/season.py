"""The order of the season, scenarios laid over it, and the tillage that comes next."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Change, Operation, Scenario
from trafficplan.names import Note

#: How long a tilled layer counts as fresh and weak (ours; common practice, no source).
FRESH = dt.timedelta(days=60)


def order(operations: Iterable[Operation]) -> tuple[Operation, ...]:
    """Return the operations by day, start time (none given: before all others of its day), and row."""
    return tuple(sorted(operations, key=lambda one: (one.day, one.start or dt.time.min, one.row)))


def selects(change: Change, operation: Operation) -> bool:
    """Tell whether a change is meant for an operation: every selector that is given must name it."""
    return (
        (not change.operations or operation.key in change.operations)
        and (not change.jobs or operation.job in change.jobs)
        and (not change.outfits or operation.outfit in change.outfits)
        and (not change.fields or operation.field in change.fields)
    )


def apply_scenario(farm: Farm, scenario: Scenario) -> tuple[Operation, ...]:
    """Return the operations of the farm with the scenario's changes laid over them, in their new order.

    Changes act one after the other on what the earlier ones left, but select by the operations as they are in
    operations.csv. Another outfit brings its own capacity, width and pressures with it: the row's load, width
    and pressures are dropped unless the change gives new ones. Another day drops the row's moisture where the farm has
    weather: the water balance knows the new day.
    """
    changed = []
    for original in farm.operations:
        operation = original
        for change in scenario.changes:
            if selects(change, original):
                operation = _changed(farm, operation, change)
        changed.append(operation)
    return order(changed)


def _changed(farm: Farm, operation: Operation, change: Change) -> Operation:
    if change.outfit is not None and change.outfit != operation.outfit:
        operation = replace(operation, outfit=change.outfit, load_kg=None, width_m=None, pressures_pa={})
    if change.load_kg is not None:
        operation = replace(operation, load_kg=change.load_kg)
    if change.load_factor is not None:
        full = farm.outfits[operation.outfit].capacity_kg if operation.load_kg is None else operation.load_kg
        operation = replace(operation, load_kg=full * change.load_factor)
    if change.pressures_pa:
        kept = {} if "*" in change.pressures_pa else operation.pressures_pa
        operation = replace(operation, pressures_pa={**kept, **change.pressures_pa})
    moved = change.day is not None and change.day != operation.day
    if moved and farm.weather is not None:  # what was felt by hand on the old day says nothing of the new one
        operation = replace(operation, moisture=None)
    return replace(
        operation,
        moisture=change.moisture or operation.moisture,
        day=change.day or operation.day,
        gateway=change.gateway or operation.gateway,
        drive=change.drive or operation.drive,
        width_m=change.width_m or operation.width_m,
        heading_deg=operation.heading_deg if change.heading_deg is None else change.heading_deg,
    )


def next_tillage_depth(field: Field, operations: Sequence[Operation], after: Operation) -> float:
    """Return the depth [m] of the next tillage in the field after an operation, else the field's own.

    Parameters
    ----------
    operations : the season in order
    after : one of them; its own tillage counts too, for it follows its wheels

    Notes
    -----
    The field's own `tillage_depth_m` is the tillage that regularly follows; 0: nothing is repairable.
    """
    place = operations.index(after)
    for operation in operations[place:]:
        if operation.field == field.key and operation.till_depth_m > 0:
            return operation.till_depth_m
    return 0.0 if math.isnan(field.tillage_depth_m) else field.tillage_depth_m


def tillage_depth(field: Field, operations: Iterable[Operation]) -> tuple[float, Note | None]:
    """Return the field's tillage depth [m], and the Note where it was not given (NaN).

    Not given: the deepest tillage among the field's operations; 0 (nothing is repairable) without one.
    """
    if not math.isnan(field.tillage_depth_m):
        return field.tillage_depth_m, None
    depth = max((one.till_depth_m for one in operations if one.field == field.key), default=0.0)
    why = (
        "not given; the deepest tillage among the field's operations"
        if depth > 0
        else "not given and no operation tills the field: no damage counts as repairable"
    )
    return depth, Note("assumed", f"field {field.key}: tillage depth", f"{depth:g} m", why, "operations.csv")
