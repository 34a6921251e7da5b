"""Several machines in one log: told apart by their names, or by where each fix can have come from."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.inputs.clock import JUMP_M
from trafficplan.inputs.recording import Floats, Recording
from trafficplan.names import Note

Indices = NDArray[np.intp]

#: Share of jumps (over 30 m and faster than any outfit) from which on more than one machine is looked for; ours.
_JUMPY = 0.05
_FASTEST_M_S = 25.0
_MOST_MACHINES = 6
#: Told apart when each machine has at least this share of the fixes, and so few of the jumps are left; ours.
_SHARE, _LEFT = 0.05, 0.1


def split_named(recording: Recording) -> list[tuple[Recording, Indices]]:
    """Return a recording per machine that the file names, with the places of its fixes."""
    everything = np.arange(len(recording.columns["x"]))
    if recording.machine is None:
        return [(recording, everything)]
    groups = [np.flatnonzero(recording.machine == index) for index in range(len(recording.machines))]
    names = _safe(recording.machines)
    named = [(name, group) for name, group in zip(names, groups, strict=True) if len(group) > 1]
    if len(named) < 2:
        return [(_taken(recording, group), group) for _, group in named] or [(recording, everything)]
    return [_part(recording, name, group, "named in the file") for name, group in named]


def split_by_place(recording: Recording, x: Floats, y: Floats) -> list[tuple[Recording, Indices]]:
    """Return a recording per machine, told apart by where each fix can have come from; x, y [m]."""
    groups = _by_continuity(recording.columns["time"], x, y)
    if len(groups) < 2:
        return [(recording, np.arange(len(x)))]
    told = "told apart by where each fix can have come from"
    return [_part(recording, str(index + 1), group, told) for index, group in enumerate(groups)]


def _safe(names: Sequence[str]) -> list[str]:
    """Return names that can be part of a key: letters, digits, space, dot and dash, each once.

    Examples
    --------
    >>> _safe(["a/b", "<b>", "a_b"])
    ['a_b 1', '_b_', 'a_b 3']
    """
    plain = [re.sub(r"[^\w .-]", "_", name.strip())[:40] or "unnamed" for name in names]
    return [f"{name} {i + 1}" if plain.count(name) > 1 else name for i, name in enumerate(plain)]


def _taken(recording: Recording, group: Indices) -> Recording:
    return replace(recording, columns={name: column[group] for name, column in recording.columns.items()}, machine=None)


def _part(recording: Recording, name: str, group: Indices, why: str) -> tuple[Recording, Indices]:
    note = Note("warned", f"{recording.where}: machine {name}", f"{len(group)} of {recording.rows} records", why)
    part = replace(
        _taken(recording, group),
        key=f"{recording.key}/{name}",
        where=f"{recording.where}, machine {name}",
        rows=len(group),
        notes=(*recording.notes, note),
    )
    return part, group


def _impossible(time: Floats, x: Floats, y: Floats) -> int:
    """Return how many steps no outfit can have driven."""
    step = np.hypot(np.diff(x), np.diff(y))
    return int(((step > JUMP_M) & (step > _FASTEST_M_S * np.maximum(np.diff(time), 1.0))).sum())


def _by_continuity(time: Floats, x: Floats, y: Floats) -> list[Indices]:
    """Return the fixes of each machine in order of the file, or one group when it is one machine."""
    everything = [np.arange(len(x))]
    usable = np.isfinite(time)
    ranks = np.argsort(time, kind="stable") if usable.all() else np.arange(len(x))
    clock = time[ranks] if usable.all() else np.arange(len(x), dtype=np.float64)
    before = _impossible(clock, x[ranks], y[ranks])
    if len(x) < 10 or before < _JUMPY * len(x):
        return everything
    machine = np.zeros(len(x), dtype=np.intp)
    last: list[tuple[float, float, float]] = []
    for i, (t, east, north) in enumerate(zip(clock.tolist(), x[ranks].tolist(), y[ranks].tolist(), strict=True)):
        off = [
            max(0.0, ((east - e) ** 2 + (north - n) ** 2) ** 0.5) / max(JUMP_M, _FASTEST_M_S * (t - s))
            for s, e, n in last
        ]
        nearest = int(np.argmin(off)) if off else -1
        if not off or (off[nearest] > 1.0 and len(last) < _MOST_MACHINES):
            last.append((t, east, north))
            nearest = len(last) - 1
        last[nearest] = (t, east, north)
        machine[ranks[i]] = nearest
    groups = [np.flatnonzero(machine == index) for index in range(len(last))]
    large = [group for group in groups if len(group) >= _SHARE * len(x)]
    order = {int(index): rank for rank, index in enumerate(ranks)}
    after = 0
    for group in large:
        mine = group[np.argsort([order[int(index)] for index in group], kind="stable")]
        after += _impossible(time[mine] if usable.all() else mine.astype(np.float64), x[mine], y[mine])
    return large if len(large) > 1 and after <= _LEFT * before else everything
