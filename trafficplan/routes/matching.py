"""Recorded logs told apart by field and road, and matched to the operations that they belong to.

A day's log of one outfit crosses several fields and the road between them. Here it is cut into outings, one per field
and day, work, transport and standing are told apart, and each outing goes to the operation of that day, field and
outfit. What drove without an operation, and which operations have no log, is told both.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Log, Operation
from trafficplan.farm.season import order
from trafficplan.names import Note
from trafficplan.routes.copies import copies
from trafficplan.routes.outings import DATED_S, Ints, Outing, in_order, outings_of
from trafficplan.units import pressure_text


@dataclass(frozen=True)
class Matched:
    """A farm whose operations run along their own logs.

    Attributes
    ----------
    farm : with the parts of logs as drives, and an operation for each outing that had none but whose outfit is known
    outings : all, by log and time
    by_operation : operation -> its outings; only operations with a log
    without_operation : outings in fields that no operation accounts for
    added : operation key -> outing, for the operations that were added for them
    without_log : operations whose drive is planned because no log was found
    notes : what was assumed
    """

    farm: Farm
    outings: tuple[Outing, ...]
    by_operation: Mapping[str, tuple[Outing, ...]]
    without_operation: tuple[Outing, ...]
    added: Mapping[str, Outing]
    without_log: tuple[str, ...]
    notes: tuple[Note, ...]


def outfit_of(farm: Farm, log: Log) -> str:
    """Return the outfit that recorded a log: as farm.toml says, as its operations say, or as its name says; else "".

    Its name says it where it holds the key of just one outfit as a word.
    """
    if log.outfit:
        return log.outfit
    named = {one.outfit for one in farm.operations if one.drive == f"track:{log.key}"}
    if len(named) == 1:
        return named.pop()
    words = "".join(sign.lower() if sign.isalnum() else " " for sign in log.key)
    spelled = {key: "".join(sign.lower() if sign.isalnum() else " " for sign in key).strip() for key in farm.outfits}
    held = [key for key, text in spelled.items() if f" {text} " in f" {words} "]
    if len(held) == 1:
        return held[0]
    return next(iter(farm.outfits)) if len(farm.outfits) == 1 else ""


def match(farm: Farm, years: Collection[int] = ()) -> Matched:
    """Match all logs of a farm to its operations, by day (farm's time zone), field and outfit.

    Parameters
    ----------
    years : what drove in another year is told and left out of the maps; empty: every year counts

    An operation that names a log keeps to it; one that is only planned takes the log of its outfit, day and field. A
    log without a known outfit goes to the only operation of that day and field that has none.
    """
    notes: list[Note] = []
    outings: list[Outing] = []
    outfits = {key: outfit_of(farm, log) for key, log in farm.logs.items()}
    copied, said = copies(farm, outfits)
    notes += said
    for key, log in sorted(farm.logs.items()):
        if key in copied:
            continue
        found, more = outings_of(farm, log, outfits[key])
        outings += found
        notes += more
    chosen = _chosen(farm, outings, notes)
    taken = {id(one) for group in chosen.values() for one in group}
    rest = [one for one in outings if one.field and id(one) not in taken and one.work_m + one.transport_m > 0]
    made = _with_parts(farm, chosen, notes)
    made, added = _with_added(made, _of_years(rest, years, notes), notes)
    without_log = tuple(one.key for one in farm.operations if one.key not in chosen)
    return Matched(made, tuple(outings), chosen, tuple(rest), added, without_log, tuple(dict.fromkeys(notes)))


def _of_years(rest: Sequence[Outing], years: Collection[int], notes: list[Note]) -> list[Outing]:
    """Return the outings of some years; tell of the others, log by log."""
    other = [one for one in rest if years and one.day and one.day.year not in years]
    for log in dict.fromkeys(one.log for one in other):
        days = sorted({str(one.day) for one in other if one.log == log})
        value = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
        why = f"not of {', '.join(map(str, sorted(years)))}: left out"
        notes.append(Note("warned", f"log {log}: of another year", value, why))
    left_out = {id(one) for one in other}
    return [one for one in rest if id(one) not in left_out]


def _chosen(farm: Farm, outings: Sequence[Outing], notes: list[Note]) -> dict[str, tuple[Outing, ...]]:
    """Return the outings of each operation that has any."""
    chosen: dict[str, list[Outing]] = {}
    taken: set[int] = set()
    naming = [one for one in farm.operations if one.drive.startswith("track:")]
    others = [one for one in farm.operations if not one.drive.startswith("track:")]
    for operation in [*naming, *others]:
        named = operation.drive.removeprefix("track:") if operation.drive.startswith("track:") else ""
        there = [one for one in outings if one.field == operation.field and id(one) not in taken]
        if named:
            mine = [one for one in there if one.log == named]
            of_day = [one for one in mine if _on(one, operation.day)]
            mine = of_day or mine
        else:
            mine = [one for one in there if one.works and one.day and _on(one, operation.day)]
            rivals = [one.outfit for one in farm.operations if (one.field, one.day) == (operation.field, operation.day)]
            alone = len(set(rivals)) == 1
            mine = [one for one in mine if one.outfit == operation.outfit or (not one.outfit and alone)]
            mine = _in_turn(farm, operation, mine)
        mine = _by_start(farm, operation, mine)
        if mine:
            chosen[operation.key] = mine
            taken |= {id(one) for one in mine}
            if not named:
                logs = ", ".join(sorted({one.log for one in mine}))
                why = "a log of its outfit, day and field counts more than the planned drive"
                notes.append(Note("assumed", f"operation {operation.key}: drive", f"as recorded in {logs}", why, ""))
    notes += _twice(farm, chosen)
    return {key: tuple(found) for key, found in chosen.items()}


def _twins(farm: Farm, operation: Operation) -> list[Operation]:
    """Return the operations of one day, field and outfit, this one among them."""
    there = (operation.field, operation.day, operation.outfit)
    return [one for one in farm.operations if (one.field, one.day, one.outfit) == there]


def _in_turn(farm: Farm, operation: Operation, mine: list[Outing]) -> list[Outing]:
    """Leave logs to later operations of the same day, field and outfit: without start times each takes one in turn."""
    twins = [one for one in _twins(farm, operation) if not one.drive.startswith("track:")]
    if len(twins) < 2 or operation == twins[-1] or any(one.start for one in twins) or not mine:
        return mine
    first = min(mine, key=lambda one: one.start_s).log
    return [one for one in mine if one.log == first]


def _twice(farm: Farm, chosen: Mapping[str, Sequence[Outing]]) -> list[Note]:
    """Return warnings of operations that stay planned although a log of their day, field and outfit went to another."""
    notes = []
    for one in farm.operations:
        others = [other.key for other in _twins(farm, one) if other.key in chosen]
        if one.key not in chosen and others:
            why = f"the log of its day, field and outfit went to {', '.join(others)}: if it was one drive, it is counted twice"
            notes.append(
                Note("warned", f"operation {one.key}: drive", "planned", f"{why}; delete one, or give start_time")
            )
    return notes


def _on(one: Outing, day: dt.date) -> bool:
    """Tell whether an outing belongs to a day: an undated one to any."""
    return one.day is None or one.day == day


def _by_start(farm: Farm, operation: Operation, mine: list[Outing]) -> list[Outing]:
    """Leave outings to a later operation of the same day, field and outfit that had started before they ended."""
    later = [
        one.start
        for one in farm.operations
        if one.start and (one.field, one.day, one.outfit) == (operation.field, operation.day, operation.outfit)
        and one.start > (operation.start or dt.time.min)
    ]  # fmt: skip
    if not later:
        return mine
    zone = zoneinfo.ZoneInfo(farm.timezone)
    limit = dt.datetime.combine(operation.day, min(later), zone).timestamp()
    return [one for one in mine if one.start_s < DATED_S or 0.5 * (one.start_s + one.end_s) < limit]


def _with_parts(farm: Farm, chosen: Mapping[str, tuple[Outing, ...]], notes: list[Note]) -> Farm:
    """Return the farm with each matched operation along its part of the logs."""
    logs = dict(farm.logs)
    operations: list[Operation] = []
    for operation in farm.operations:
        groups = _apart(chosen.get(operation.key, ()))
        for number, group in enumerate(groups):
            part = _part(farm, group, operation.field)
            logs[part.key] = part
            key = operation.key if number == 0 else f"{operation.key} ({group[0].log})"
            named = operation.drive.startswith("track:")
            made = replace(operation, key=key, drive=f"track:{part.key}")
            operations.append(made if named else _as_recorded(made, part, notes))
        if not groups:
            operations.append(operation)
    return replace(farm, logs=logs, operations=tuple(operations))


def _apart(outings: Sequence[Outing]) -> list[list[Outing]]:
    """Return outings by machine: those that overlap in time cannot be one drive."""
    groups: list[list[Outing]] = []
    for one in sorted(outings, key=lambda each: each.start_s):
        free = [group for group in groups if group[-1].end_s <= one.start_s or group[-1].log == one.log]
        if free:
            free[0].append(one)
        else:
            groups.append([one])
    return groups


def _part(farm: Farm, outings: Sequence[Outing], field: str) -> Log:
    """Return the part of the logs that belongs to one operation, as a log of its own."""
    rows: dict[str, list[Outing]] = {}
    for one in outings:
        rows.setdefault(one.log, []).append(one)
    parts = []
    for key, mine in rows.items():
        fixes = in_order(farm.logs[key])
        whole = fixes.order[min(one.first for one in mine) : max(one.last for one in mine) + 1]
        parts.append(_taken(farm.logs[key], whole, f"{key}, {field} {mine[0].day or ''}".rstrip()))
    return parts[0] if len(parts) == 1 else _joined(parts)


_COLUMNS = (
    "time_s", "x", "y", "speed_m_s", "flow_kg_s", "load_kg", "step_m", "record_s", "width_m", "working",
    "pressure_pa", "tyre_celsius",
)  # fmt: skip


def _taken(log: Log, rows: Ints, key: str) -> Log:
    columns: dict[str, Any] = {
        name: None if getattr(log, name) is None else getattr(log, name)[rows] for name in _COLUMNS
    }
    return replace(log, key=key, rows=len(rows), **columns)


def _joined(parts: Sequence[Log]) -> Log:
    """Return logs one after the other; columns that one of them lacks are left out."""
    columns: dict[str, Any] = {}
    for name in _COLUMNS:
        each = [getattr(part, name) for part in parts]
        columns[name] = None if any(one is None for one in each) else np.concatenate(each)
    notes = tuple(dict.fromkeys(note for part in parts for note in part.notes))
    rows = sum(part.rows for part in parts)
    return replace(parts[0], key=" + ".join(part.key for part in parts), rows=rows, notes=notes, **columns)


def _as_recorded(operation: Operation, part: Log, notes: list[Note]) -> Operation:
    """Return the operation with the tyre pressure that its log recorded, which counts more than the one set.

    An operation that names its log has it already.
    """
    if part.pressure_pa is None or not np.isfinite(part.pressure_pa).any():
        return operation
    known = np.isfinite(part.pressure_pa)
    works = known & (part.working > 0) if part.working is not None else known
    median = float(np.median(part.pressure_pa[works if works.any() else known]))
    axle = part.pressure_axle
    whose = "for all axles" if axle == "*" else f"for the axle {axle}"
    why = f"recorded in its log: it counts more than the one set, {whose}"
    notes.append(Note("assumed", f"operation {operation.key}: tyre pressure", pressure_text(median), why, part.key))
    kept = {} if axle == "*" else dict(operation.pressures_pa)
    return replace(operation, pressures_pa={**kept, axle: median})


def _with_added(farm: Farm, rest: Sequence[Outing], notes: list[Note]) -> tuple[Farm, dict[str, Outing]]:
    """Return the farm with an operation for each outing that none accounts for, where its outfit is known."""
    logs, operations, added = dict(farm.logs), list(farm.operations), {}
    row = max((one.row for one in operations), default=1)
    for one in rest:
        what = f"log {one.log}: drove in {one.field} without an operation"
        value = f"{(one.work_m + one.transport_m) / 1e3:.2f} km" + (f" on {one.day}" if one.day else "")
        if not one.outfit or one.day is None:
            lacks = "whose outfit" if not one.outfit else "on which day"
            notes.append(Note("warned", what, value, f"it is not said {lacks}; it is not in the maps"))
            continue
        part = _part(farm, [one], one.field)
        row += 1
        job = "driven without an operation" if one.works else "passed through"
        key = f"log {part.key}"
        logs[part.key] = part
        added[key] = one
        made = Operation(key, row, one.day, None, one.field, job, one.outfit, drive=f"track:{part.key}")
        operations.append(_as_recorded(made, part, notes))
        notes.append(Note("warned", what, value, "counted as an operation of its own; loaded in full unless recorded"))
    return replace(farm, logs=logs, operations=order(operations)), added
