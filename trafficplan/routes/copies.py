"""Logs that hold one drive twice: copies of a file, and machines that cannot have stood where another stood."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Log
from trafficplan.names import Note
from trafficplan.routes.outings import Outing

#: Two machines that are no farther from each other than this, in the middle, are one [m].
TOGETHER_M = 1.0
#: Two logs are compared when both drive for longer than this [s], at as many fixes as this.
BOTH_S, BOTH_FIXES = 60.0, 10
#: A log of which another holds so much of the time, in the same place, is a copy of it.
COPIED_PART = 0.9


def apart_m(one: Log, other: Log, start_s: float, end_s: float) -> float | None:
    """Return how far two machines were from each other in a span of time, in the middle [m]; None if too little is known.

    Examples
    --------
    >>> time, x = np.arange(0.0, 100.0, 2.0), np.arange(50.0)
    >>> apart_m(Log("a", time, x, x), Log("b", time, x + 3.0, x), 0.0, 100.0)
    3.0
    """
    fixes = np.isfinite(one.time_s) & np.isfinite(one.x) & (one.time_s >= start_s) & (one.time_s <= end_s)
    known = np.isfinite(other.time_s) & np.isfinite(other.x)
    if fixes.sum() < BOTH_FIXES or known.sum() < BOTH_FIXES:
        return None
    time, east, north = other.time_s[known], other.x[known], other.y[known]
    ranks = np.argsort(time, kind="stable")
    x = np.interp(one.time_s[fixes], time[ranks], east[ranks])
    y = np.interp(one.time_s[fixes], time[ranks], north[ranks])
    return float(np.median(np.hypot(one.x[fixes] - x, one.y[fixes] - y)))


def _span(log: Log) -> tuple[float, float]:
    known = log.time_s[np.isfinite(log.time_s)]
    return (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)


def copies(farm: Farm, outfits: Mapping[str, str]) -> tuple[dict[str, str], tuple[Note, ...]]:
    """Return the logs that are copies -> the log that is kept, and a warning of each.

    A copy is a log of the same outfit that another holds for nine tenths of its time, in the same place. One that an
    operation names as its drive is always kept, else the longer one.

    Parameters
    ----------
    outfits : log -> the outfit that recorded it, or ""
    """
    named = {one.drive.removeprefix("track:") for one in farm.operations if one.drive.startswith("track:")}
    spans = {key: _span(log) for key, log in farm.logs.items()}
    by_worth = sorted(
        farm.logs,
        key=lambda key: (key not in named, spans[key][0] - spans[key][1], -farm.logs[key].rows, len(key), key),
    )
    kept: list[str] = []
    found: dict[str, str] = {}
    for key in by_worth:
        start, end = spans[key]
        for other in kept if key not in named else ():
            first, last = max(start, spans[other][0]), min(end, spans[other][1])
            if outfits[key] != outfits[other] or last - first < max(BOTH_S, COPIED_PART * (end - start)):
                continue
            apart = apart_m(farm.logs[key], farm.logs[other], first, last)
            if apart is not None and apart < TOGETHER_M:
                found[key] = other
                break
        if key not in found:
            kept.append(key)
    why = "the same machine at the same time in the same place: a copy of one drive, counted once"
    return found, tuple(Note("warned", f"log {key}: left out", f"as log {found[key]}", why) for key in sorted(found))


def same_drive(farm: Farm, all_outings: Sequence[Outing]) -> tuple[Note, ...]:
    """Return warnings of two machines that stood in one place at one time: one drive under two names, or a wrong clock."""
    found = []
    together: dict[tuple[str, dt.date], list[Outing]] = {}
    for one in all_outings:
        if one.field and one.day:
            together.setdefault((one.field, one.day), []).append(one)
    for (field, day), outings in together.items():
        for one, other in itertools.combinations(outings, 2):
            start, end = max(one.start_s, other.start_s), min(one.end_s, other.end_s)
            if one.log == other.log or end - start <= BOTH_S:
                continue
            apart = apart_m(farm.logs[one.log], farm.logs[other.log], start, end)
            if apart is not None and apart < TOGETHER_M:
                what = f"field {field}, {day}: logs {one.log} and {other.log}"
                why = (
                    "two machines cannot stand in one place: one drive under two names, or a clock that is wrong; both are "
                    "counted"
                )
                found.append(Note("warned", what, f"{apart:.1f} m from each other all the while", why))
    return tuple(found)
