"""Recorded fixes made fit for use: order, outliers, standing still, jumps; and what a log holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from trafficplan.farm.operation import Log
from trafficplan.names import Note

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

JUMP_M = 30.0  # a longer step between two fixes is not counted as driven
JUMP_M_S = 15.0  # nor is a faster one
PAUSE_S = 10.0  # a longer silence is a pause
STILL_M = 0.3  # moves shorter than this while standing are the receiver's noise
STILL_M_S = 0.25  # standing: slower than this
OUTLIER = 3.0  # a fix is an outlier when the way over it is so many times the way past it, and over 15 m longer


@dataclass(frozen=True)
class LogFacts:
    """What a log holds, in file order and before any cleaning.

    Attributes
    ----------
    fixes : records; path_m : length along the fixes [m]
    sensor_m : distance by the log's own sensor [m], or None; mass_kg : flow summed [kg], or None
    hours : between the first and last record
    jumps : steps over 30 m or faster than 15 m/s; pauses : silences over 10 s
    out_of_order : records stamped before the one before them; repeated : stamped alike
    share_used : share of the fixes that cleaning keeps
    """

    fixes: int
    path_m: float
    sensor_m: float | None
    mass_kg: float | None
    hours: float
    jumps: int
    pauses: int
    out_of_order: int
    repeated: int
    share_used: float


@dataclass(frozen=True)
class Fixes:
    """Clean fixes in order of time.

    Attributes
    ----------
    xy : (n, 2) [m]; time_s : (n,); flow_kg : (n,) mass of each record or None; load_kg : (n,) or None
    step_m : (n,) sensor distance of each record or None; speed_m_s : (n,) or None
    working : (n,) 1 in work, 0 out of it, NaN where not told, or None; width_m : (n,) working width or None
    cut : (n,) the step that starts at this fix was not driven as recorded (a jump)
    notes : repairs, with counts and shares
    """

    xy: Floats
    time_s: Floats
    flow_kg: Floats | None
    load_kg: Floats | None
    step_m: Floats | None
    speed_m_s: Floats | None
    cut: Bools
    notes: tuple[Note, ...]
    working: Floats | None = None
    width_m: Floats | None = None


def steps(x: Floats, y: Floats) -> Floats:
    """Return the distances from fix to fix [m]."""
    return np.asarray(np.hypot(np.diff(x), np.diff(y)))


def record_seconds(log: Log) -> Floats:
    """Return the length of each record [s]: as recorded, else the usual time between two fixes."""
    if log.record_s is not None:
        return log.record_s
    between = np.diff(log.time_s)
    between = between[(between > 0.0) & np.isfinite(between)]
    return np.full(len(log.x), float(np.median(between)) if len(between) else 1.0)


def log_facts(log: Log) -> LogFacts:
    """Return what a log holds: lengths, mass, jumps, pauses, and the share of fixes that is used."""
    step, between = steps(log.x, log.y), np.diff(log.time_s)
    path = float(np.nansum(step))
    mass = None
    if log.flow_kg_s is not None:
        mass = float(np.nansum(log.flow_kg_s * record_seconds(log)))
    time = log.time_s[np.isfinite(log.time_s)]
    with np.errstate(invalid="ignore"):
        fast = (step / np.maximum(between, 1.0) > JUMP_M_S) & (between > 0.0)
        jumps = int(((step > JUMP_M) | fast).sum())
        pauses, back, same = (
            int((between > PAUSE_S).sum()),
            int((between < 0.0).sum()),
            int((between == 0.0).sum()),
        )
    return LogFacts(
        fixes=len(log.x),
        path_m=path,
        sensor_m=float(np.nansum(log.step_m)) if log.step_m is not None else None,
        mass_kg=mass,
        hours=float(np.ptp(time) / 3600.0) if len(time) else 0.0,
        jumps=jumps,
        pauses=pauses,
        out_of_order=back,
        repeated=same,
        share_used=len(clean(log).xy) / len(log.x) if len(log.x) else 0.0,
    )


def clean(log: Log) -> Fixes:
    """Return the fixes in order of time, without repeats, outliers and noise while standing, jumps marked.

    Mass and sensor distance of records that are left out are added to the record before: nothing recorded is
    lost.
    """
    notes: list[Note] = list(log.notes)
    time, order = _in_order(log, notes)
    x, y, time = log.x[order], log.y[order], time[order]
    flow = None
    if log.flow_kg_s is not None:
        flow = np.nan_to_num(log.flow_kg_s * record_seconds(log))[order]
    keep = np.isfinite(x) & np.isfinite(y)
    _tell(notes, log, "fixes without a position", int((~keep).sum()), len(x), "left out")
    repeated = np.concatenate([[False], (np.diff(time) == 0.0)]) & keep
    _tell(notes, log, "repeated time stamps", int(repeated.sum()), len(x), "merged with the first")
    keep &= ~repeated
    wild = _outliers(x, y, keep)
    _tell(notes, log, "single fixes far off the way", int(wild.sum()), len(x), "left out")
    keep &= ~wild
    still = _standing(x, y, time, keep)
    _tell(
        notes,
        log,
        "fixes while standing still",
        int(still.sum()),
        len(x),
        f"moves under {STILL_M} m left out",
    )
    keep &= ~still
    step, between = steps(x[keep], y[keep]), np.diff(time[keep])
    cut = np.append((step > JUMP_M) | (step / np.maximum(between, 1e-3) > JUMP_M_S), False)
    _tell(
        notes,
        log,
        f"jumps over {JUMP_M:.0f} m or {JUMP_M_S:.0f} m/s",
        int(cut.sum()),
        len(x),
        "not counted as driven; the tank goes on",
    )
    pauses = between > PAUSE_S
    if pauses.any():
        notes.append(
            Note(
                "warned",
                f"log {log.key}: pauses over {PAUSE_S:.0f} s",
                f"{int(pauses.sum())}",
                f"{between[pauses].sum() / 60.0:.0f} min without a record",
                "",
            )
        )
    step_m = _gathered(None if log.step_m is None else np.nan_to_num(log.step_m)[order], keep)
    return Fixes(
        np.column_stack([x[keep], y[keep]]),
        time[keep],
        _gathered(flow, keep),
        None if log.load_kg is None else log.load_kg[order][keep],
        step_m,
        None if log.speed_m_s is None else log.speed_m_s[order][keep],
        cut,
        tuple(notes),
        None if log.working is None else log.working[order][keep],
        None if log.width_m is None else log.width_m[order][keep],
    )


def _tell(notes: list[Note], log: Log, what: str, count: int, of: int, done: str) -> None:
    """Add a note of a repair with its count and share."""
    if count:
        notes.append(
            Note(
                "repaired",
                f"log {log.key}: {what}",
                f"{count} of {of} ({100.0 * count / of:.2f} %)",
                done,
                "",
            )
        )


def _in_order(log: Log, notes: list[Note]) -> tuple[Floats, NDArray[np.intp]]:
    """Return the time of each record and the order of time; records without a stamp keep their place."""
    time = log.time_s.astype(np.float64)
    missing = ~np.isfinite(time)
    if missing.all():
        notes.append(
            Note(
                "assumed",
                f"log {log.key}: time",
                "one record after the other",
                "it has no time stamps",
                "common practice, no source",
            )
        )
        time = np.cumsum(record_seconds(log))
    elif missing.any():
        _tell(
            notes,
            log,
            "records without a time stamp",
            int(missing.sum()),
            len(time),
            "time between neighbours",
        )
        place = np.arange(len(time))
        time = np.interp(place, place[~missing], time[~missing])
    back = int((np.diff(time) < 0.0).sum())
    _tell(notes, log, "time stamps out of order", back, len(time), "sorted by time")
    return time, np.argsort(time, kind="stable")


def _outliers(x: Floats, y: Floats, keep: Bools) -> Bools:
    """Mark single fixes that the way leaves for: far off, while the fixes before and after lie close
    together."""
    index = np.flatnonzero(keep)
    out = np.zeros(len(x), dtype=bool)
    if len(index) < 3:
        return out
    a, b, c = index[:-2], index[1:-1], index[2:]
    over = np.hypot(x[b] - x[a], y[b] - y[a]) + np.hypot(x[c] - x[b], y[c] - y[b])
    past = np.hypot(x[c] - x[a], y[c] - y[a])
    wild = (over > OUTLIER * past) & (over - past > JUMP_M / 2.0) & (past < JUMP_M)
    out[b[wild]] = True
    return out


def _standing(x: Floats, y: Floats, time: Floats, keep: Bools) -> Bools:
    """Mark fixes within 0.3 m of the last one that moved, while slower than 0.25 m/s."""
    out = np.zeros(len(x), dtype=bool)
    last = -1
    for i in np.flatnonzero(keep):
        if last >= 0:
            moved = float(np.hypot(x[i] - x[last], y[i] - y[last]))
            if moved < STILL_M and moved < STILL_M_S * max(time[i] - time[last], 1e-9):
                out[i] = True
                continue
        last = int(i)
    return out


def _gathered(values: Floats | None, keep: Bools) -> Floats | None:
    """Return values of the kept records; those left out are added to the kept one before (or the first)."""
    if values is None:
        return None
    group = np.maximum(np.cumsum(keep) - 1, 0)
    return np.asarray(np.bincount(group, weights=values, minlength=int(keep.sum())), dtype=np.float64)


def distance_outside(xy: Floats, ground: shapely.Geometry) -> Floats:
    """Return how far points lie outside a ground [m]; 0 inside."""
    return np.asarray(shapely.distance(shapely.points(xy), ground))
