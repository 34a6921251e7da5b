"""A recorded log cut into outings: one per field and day, and the road; work, transport and standing told apart."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log
from trafficplan.names import Note
from trafficplan.routes.fixes import JUMP_M, JUMP_M_S, STILL_M_S, Bools, Floats, steps

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
class LogFixes:
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


def in_order(log: Log) -> LogFixes:
    """Return the fixes of a log that have a place, in the order of time."""
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
    return LogFixes(log, rows, time, x, y, along, jumped, seconds, still)


def _halves(step: Floats) -> Floats:
    """Return half of the step before and half of the step after each fix."""
    return np.asarray(np.append(step / 2, 0.0) + np.concatenate([[0.0], step / 2]))


def _working(fixes: LogFixes, inside: Bools) -> tuple[Bools, str]:
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


def _settled(where: Ints, inside: Bools, working: Bools, fixes: LogFixes) -> Ints:
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
    fixes = in_order(log)
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
    farm: Farm, fixes: LogFixes, part: Ints, working: Bools, field: str, outfit: str, zone: zoneinfo.ZoneInfo
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
