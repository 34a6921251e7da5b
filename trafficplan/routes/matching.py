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
import shapely
from numpy.typing import NDArray

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log, Operation
from trafficplan.farm.season import order
from trafficplan.names import Note
from trafficplan.routes.fixes import JUMP_M, JUMP_M_S, STILL_M_S, Bools, Floats, steps
from trafficplan.units import pressure_text

Ints = NDArray[np.intp]

BESIDE_M = 15.0  # a fix this near to a field that the outfit also enters belongs to it
SHORT_S = 60.0  # a visit to the neighbour shorter than this, between two of one field, is a turn over the boundary
NIGHT_S = 4 * 3600.0  # a longer absence from a field starts a new outing
FIELD_FASTEST_M_S = 5.0  # without a working flag or a flow, what is faster is transport
LEAST_WORK_M = 20.0  # less work than this in a field is no job
DATED_S = 1e8  # times above this are seconds since 1970
LEAST_DRIVEN_M = 30.0  # a shorter visit without work is the wobble of fixes at the boundary
SOURCE = "common practice, no source"


@dataclass(frozen=True)
class Outing:
    """What one log recorded in one field on one day; or, with field "", on the road and outside of every field.

    Attributes
    ----------
    outfit : key, or "" where neither the farm nor an operation says whose log it is
    day : in the farm's time zone, of its first fix; None where the log has no dates
    start_s, end_s : seconds as in the log
    first, last : its first and last fix, in the order of time
    work_m, transport_m : driven in work, and not in work; jumps are in neither
    jumped_m : steps over 30 m or 15 m/s, not driven as recorded
    moving_s, standing_s : time
    worked_m2 : distance in work x the width recorded, else the outfit's; NaN where neither is known
    mass_kg : flow summed, or None
    """

    log: str
    field: str
    outfit: str
    day: dt.date | None
    start_s: float
    end_s: float
    first: int
    last: int
    work_m: float
    transport_m: float
    jumped_m: float
    moving_s: float
    standing_s: float
    worked_m2: float
    mass_kg: float | None

    @property
    def works(self) -> bool:
        """Whether it is more than passing through."""
        return self.work_m >= LEAST_WORK_M


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


def field_of_fixes(fields: Sequence[Field], x: Floats, y: Floats) -> tuple[Ints, Bools]:
    """Return for each fix the field it lies in or within 15 m of (index; -1: none), and whether it lies inside.

    Examples
    --------
    >>> from shapely import box
    >>> one = Field("Park", box(0, 0, 100, 100), "", 0.2, None, (), ())
    >>> [part.tolist() for part in field_of_fixes([one], np.array([50.0, 110.0, 300.0]), np.array([50.0, 50.0, 50.0]))]
    [[0, 0, -1], [True, False, False]]
    """
    where = np.full(len(x), -1, dtype=np.intp)
    inside = np.zeros(len(x), dtype=bool)
    if not len(fields) or not len(x):
        return where, inside
    tree = shapely.STRtree([one.polygon for one in fields])
    points = np.asarray(shapely.points(x, y))
    fix, found = tree.query(points, predicate="intersects")
    where[fix], inside[fix] = found, True
    out = np.flatnonzero(~inside)
    beside, found = tree.query_nearest(points[out], max_distance=BESIDE_M, all_matches=False)
    where[out[beside]] = found
    return where, inside


@dataclass(frozen=True)
class _Fixes:
    """A log in the order of time: what each fix stands for is half of the step before and half of the one after."""

    log: Log
    order: Ints
    time: Floats
    x: Floats
    y: Floats
    along: Floats
    jumped: Floats
    seconds: Floats
    still: Bools


def _in_order(log: Log) -> _Fixes:
    usable = np.isfinite(log.x) & np.isfinite(log.y)
    rows = np.flatnonzero(usable)
    time = log.time_s[rows].astype(np.float64)
    missing = ~np.isfinite(time)
    if missing.all():
        time = np.arange(len(rows), dtype=np.float64)
    elif missing.any():
        time = np.interp(np.arange(len(rows)), np.flatnonzero(~missing), time[~missing])
    ranks = np.argsort(time, kind="stable")
    rows, time = rows[ranks], time[ranks]
    x, y = log.x[rows], log.y[rows]
    step, between = steps(x, y), np.diff(time)
    jump = (step > JUMP_M) | (step > JUMP_M_S * np.maximum(between, 1.0))
    along, jumped = _halves(np.where(jump, 0.0, step)), _halves(np.where(jump, step, 0.0))
    seconds = _halves(between)
    still = along < STILL_M_S * seconds
    return _Fixes(log, rows, time, x, y, along, jumped, seconds, still)


def _halves(step: Floats) -> Floats:
    """Return half of the step before and half of the step after each fix."""
    return np.asarray(np.append(step / 2, 0.0) + np.concatenate([[0.0], step / 2]))


def _working(fixes: _Fixes, inside: Bools) -> tuple[Bools, str]:
    """Return which fixes are in work, and by what that is known."""
    log, order = fixes.log, fixes.order
    if log.working is not None:
        return log.working[order] == 1, "the log's own working flag"
    if log.flow_kg_s is not None:
        flow = np.nan_to_num(log.flow_kg_s[order])
        usual = float(np.median(flow[flow > 0])) if (flow > 0).any() else np.inf
        return (flow > 0.05 * usual) & ~fixes.still, "flow"
    slow = fixes.along <= FIELD_FASTEST_M_S * np.maximum(fixes.seconds, 1e-9)
    return inside & slow & ~fixes.still, "place and speed alone"


def _settled(where: Ints, inside: Bools, working: Bools, fixes: _Fixes) -> Ints:
    """Return the field of each fix once turns over a boundary and roads beside a field are put right."""
    out = where.copy()
    runs = _runs(out)
    for (before, _), (start, end), (after, _) in zip(runs, runs[1:], runs[2:], strict=False):
        same = out[before] == out[after] and out[before] >= 0
        if same and fixes.time[end - 1] - fixes.time[start] <= SHORT_S and (out[start] >= 0 or end - start == 1):
            out[start:end] = out[before]
    for start, end in _runs(out):
        work, along = working[start:end], fixes.along[start:end]
        beside = not inside[start:end].any() and not work.any()
        brief = along.sum() < LEAST_DRIVEN_M and along[work].sum() < LEAST_WORK_M
        if out[start] >= 0 and (beside or brief):
            out[start:end] = -1
    return out


def _runs(values: Ints) -> list[tuple[int, int]]:
    """Return start and end of each run of equal values."""
    cuts = np.flatnonzero(np.diff(values)) + 1
    edges = [0, *cuts.tolist(), len(values)] if len(values) else []
    return list(zip(edges[:-1], edges[1:], strict=True))


def outings_of(farm: Farm, log: Log, outfit: str) -> tuple[list[Outing], list[Note]]:
    """Return the outings of a log: one per field and day, and one for everything outside of fields.

    Parameters
    ----------
    outfit : key of the outfit that recorded it, or ""
    """
    fields = list(farm.fields.values())
    fixes = _in_order(log)
    if len(fixes.x) < 2:
        return [], []
    where, inside = field_of_fixes(fields, fixes.x, fixes.y)
    working, by_what = _working(fixes, inside)
    where = _settled(where, inside, working, fixes)
    zone = zoneinfo.ZoneInfo(farm.timezone)
    found = []
    for index in np.unique(where):
        mine = np.flatnonzero(where == index)
        away = (np.diff(fixes.time[mine]) > NIGHT_S) & (index >= 0)
        for part in np.split(mine, np.flatnonzero(away) + 1):
            key = fields[index].key if index >= 0 else ""
            found.append(_outing(farm, fixes, part, working, key, outfit, zone))
    note = Note("assumed", f"log {log.key}: work or transport", "told apart", f"by {by_what}", SOURCE)
    return sorted(found, key=lambda one: (one.start_s, one.field)), [] if log.working is not None else [note]


def _outing(
    farm: Farm, fixes: _Fixes, part: Ints, working: Bools, field: str, outfit: str, zone: zoneinfo.ZoneInfo
) -> Outing:
    log, start = fixes.log, float(fixes.time[part[0]])
    work, along, still = working[part], fixes.along[part], fixes.still[part]
    seconds = fixes.seconds[part]
    width = log.width_m[fixes.order[part]] if log.width_m is not None else None
    if width is None and outfit:
        width = np.full(len(part), farm.outfits[outfit].width_m)
    mass = None
    if log.flow_kg_s is not None:
        record = log.record_s[fixes.order[part]] if log.record_s is not None else seconds
        mass = float(np.nansum(log.flow_kg_s[fixes.order[part]] * record))
    return Outing(
        log=log.key,
        field=field,
        outfit=outfit,
        day=dt.datetime.fromtimestamp(start, zone).date() if start > DATED_S else None,
        start_s=start,
        end_s=float(fixes.time[part[-1]]),
        first=int(part[0]),
        last=int(part[-1]),
        work_m=float(along[work].sum()),
        transport_m=float(along[~work].sum()),
        jumped_m=float(fixes.jumped[part].sum()),
        moving_s=float(seconds[~still].sum()),
        standing_s=float(seconds[still].sum()),
        worked_m2=float(np.nansum((along * width)[work])) if width is not None else float("nan"),
        mass_kg=mass,
    )


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
    for _, log in sorted(farm.logs.items()):
        found, said = outings_of(farm, log, outfit_of(farm, log))
        outings += found
        notes += said
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
        mine = _by_start(farm, operation, mine)
        if mine:
            chosen[operation.key] = mine
            taken |= {id(one) for one in mine}
            if not named:
                logs = ", ".join(sorted({one.log for one in mine}))
                why = "a log of its outfit, day and field counts more than the planned drive"
                notes.append(Note("assumed", f"operation {operation.key}: drive", f"as recorded in {logs}", why, ""))
    return {key: tuple(found) for key, found in chosen.items()}


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
        fixes = _in_order(farm.logs[key])
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
