"""The clock of a recorded log: missing, standing still, jumping, or the whole log written twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.inputs.recording import Floats, Recording, count_note, refused
from trafficplan.names import Note

#: A step between two fixes longer than this is a jump [m].
JUMP_M = 30.0
#: A clock that moves further than this between neighbours in place has jumped [s]; one hour, ours.
CLOCK_JUMP_S = 3600.0
#: Share of steps over 30 m that shows that rows are not in the order of driving; ours.
_SHUFFLED = 0.2
#: Share of fixes that move although the clock stands, from which on the stamps are spread; ours.
_STANDS = 0.05
#: The file's order is trusted above the clock when so few steps go back in time, most of them without a jump.
_FEW_BACK, _BACK_SHARE, _SMOOTH = 3, 0.01, 0.5


def mend_clock(recording: Recording, x: Floats, y: Floats) -> tuple[Recording, NDArray[np.bool_]]:
    """Return the recording with usable times, and which of its fixes to keep; x, y [m].

    A log without times is used in the order of the file, as long as neighbours in the file are neighbours on
    the ground. Rows written twice are left out. A clock that jumps while the outfit drives on is put together again.

    Raises
    ------
    InputError
        When neither times nor the order of the file tell the way that was driven.
    """
    time = recording.columns["time"].copy()
    where = recording.where
    notes: list[Note] = []
    known = np.isfinite(time)
    if known.sum() >= 2 and len(time) > 2 and np.ptp(time[known]) == 0.0:
        time[:] = np.nan
        why = "every fix bears the same one; the order of the file is used"
        notes.append(Note("assumed", f"{where}: time", "one stamp for all", why, "common practice, no source"))
        known[:] = False
    keep = _once(time, x, y)
    notes += count_note(where, "fixes that come twice", int((~keep).sum()), len(time), "counted once")
    if not known.any():
        _in_driving_order(where, x[keep], y[keep])
        if not notes or notes[0].what != f"{where}: time":
            why = "there is none; the order of the file is used, one fix after the other"
            notes.append(Note("assumed", f"{where}: time", "none", why, "common practice, no source"))
    else:
        time[keep], said = _steady(where, time[keep], x[keep], y[keep])
        notes += said
    columns = {**recording.columns, "time": time}
    return replace(recording, columns=columns, notes=(*recording.notes, *notes)), keep


def _once(time: Floats, x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Mark the first of rows that agree in time and place; without times, a second half equal to the first."""
    keep = np.ones(len(time), dtype=bool)
    known = np.flatnonzero(np.isfinite(time))
    if not len(known):
        half = len(x) // 2
        if len(x) % 2 == 0 and half > 2 and (x[:half] == x[half:]).all() and (y[:half] == y[half:]).all():
            keep[half:] = False
        return keep
    ranks = known[np.lexsort((known, y[known], x[known], time[known]))]
    a, b = ranks[:-1], ranks[1:]
    keep[b[(time[a] == time[b]) & (x[a] == x[b]) & (y[a] == y[b])]] = False
    return keep


def _in_driving_order(where: str, x: Floats, y: Floats) -> None:
    step = np.hypot(np.diff(x), np.diff(y))
    if len(step) and (step > JUMP_M).mean() > _SHUFFLED:
        raise refused(
            "a log without times whose rows are not in the order of driving",
            where,
            f"{int((step > JUMP_M).sum())} of {len(step)} steps over {JUMP_M:g} m",
            "times, or rows in the order of driving",
            "export the log again with its times",
        )


def _jumps(x: Floats, y: Floats) -> int:
    return int((np.hypot(np.diff(x), np.diff(y)) > JUMP_M).sum())


def _steady(where: str, time: Floats, x: Floats, y: Floats) -> tuple[Floats, list[Note]]:
    """Return times that grow along the way, where the file's order shows that the clock jumped or stood."""
    notes: list[Note] = []
    known = np.isfinite(time)
    if not known.all():
        place = np.arange(len(time))
        time = np.interp(place, place[known], time[known])
        why = "time between neighbours in the file"
        notes += count_note(where, "fixes without a time", int((~known).sum()), len(time), why)
    between = np.diff(time)
    usual = float(np.median(between[between > 0])) if (between > 0).any() else 1.0
    if (between < 0).any():
        ranks = np.argsort(time, kind="stable")
        smooth = np.hypot(np.diff(x), np.diff(y))[between < 0] <= JUMP_M
        few = (between < 0).sum() <= max(_FEW_BACK, _BACK_SHARE * len(time))
        if few and smooth.mean() >= _SMOOTH and _jumps(x, y) <= _jumps(x[ranks], y[ranks]):
            wrong = (between < 0) | (between > CLOCK_JUMP_S)
            time = time[0] + np.concatenate([[0.0], np.cumsum(np.where(wrong, usual, between))])
            why = "the outfit drove on in the order of the file; the usual time between fixes put there"
            notes += count_note(where, "jumps of the clock", int(wrong.sum()), len(time), why)
    return time, notes


def spread(recording: Recording, x: Floats, y: Floats) -> Recording:
    """Return the recording with equal stamps of moving fixes spread over the time to the next stamp."""
    time, where = recording.columns["time"], recording.where
    between = np.diff(time)
    same = between == 0.0
    moved = same & (np.hypot(np.diff(x), np.diff(y)) > 0.0)
    if not len(same) or moved.mean() <= _STANDS:
        return recording
    usual = float(np.median(between[between > 0])) if (between > 0).any() else 1.0
    first = np.concatenate([[True], ~same])
    starts = np.flatnonzero(first)
    group = np.cumsum(first) - 1
    size = np.bincount(group)
    until = np.append(np.maximum(np.diff(time[starts]), 0.0), usual)
    nth = np.arange(len(time)) - starts[group]
    why = "spread over the time to the next stamp"
    notes = count_note(where, "fixes under a clock that stands still", int(moved.sum()), len(time), why)
    columns = {**recording.columns, "time": np.asarray(time + nth / size[group] * until[group])}
    return replace(recording, columns=columns, notes=(*recording.notes, *notes))
