"""Load on board along a recorded drive: from a recorded load, or from flow or rate in a tank that empties or
fills."""

from __future__ import annotations

import numpy as np

from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.fixes import Fixes, Floats

UNLOAD_PAUSE_S = 20.0  # standing as long as this with the tank more than a quarter changed is unloading or refilling
UNLOAD_SHARE = 0.25


def board_load(
    key: str, fixes: Fixes, worked_m2: Floats, standing_s: Floats, operation: Operation, outfit: Outfit
) -> tuple[Floats, Floats, int, list[Note]]:
    """Return the load at each fix on arrival and on leaving [kg], the number of loads, and notes.

    Parameters
    ----------
    key : of the log; fixes : clean
    worked_m2 : ground worked by each record; standing_s : how long the outfit stood at each fix [s]
    """
    full = operation.load_kg if operation.load_kg is not None else outfit.capacity_kg
    if fixes.load_kg is not None:
        load = np.nan_to_num(fixes.load_kg)
        jumps = np.abs(np.diff(load)) > UNLOAD_SHARE * max(full, float(load.max()), 1.0)
        return load, load, 1 + int(jumps.sum()), []
    if fixes.flow_kg is not None:
        change = fixes.flow_kg
    elif operation.rate_kg_m2 is not None:
        change = operation.rate_kg_m2 * worked_m2
    else:
        change = np.zeros(len(worked_m2))
    if operation.change == "constant" or full <= 0.0 or not change.any():
        constant = np.full(len(worked_m2), full)
        return constant, constant, 1, [_constant_note(key, full)]
    return _tank(key, change, standing_s, full, operation.change == "empties")


def _constant_note(key: str, full: float) -> Note:
    return Note(
        "assumed",
        f"log {key}: load",
        f"{full / 1e3:.1f} t all the way",
        "no load, flow or rate tells how it changes",
        "common practice, no source",
    )


def _tank(
    key: str, change: Floats, standing_s: Floats, full: float, empties: bool
) -> tuple[Floats, Floats, int, list[Note]]:
    """Return the load on arrival and on leaving each fix: `moved` counts what went in or out since the last
    stop."""
    arriving, leaving = np.empty(len(change)), np.empty(len(change))
    moved, stops, brimful = 0.0, 0, 0
    for i, amount in enumerate(change):
        moved += float(amount)
        over = moved >= full
        arriving[i] = min(moved, full)
        if over or (standing_s[i] >= UNLOAD_PAUSE_S and moved > UNLOAD_SHARE * full):
            brimful, stops = brimful + over, stops + (not over)
            leaving[i], moved = 0.0, max(moved - full, 0.0)
        else:
            leaving[i] = arriving[i]
    if empties:
        arriving, leaving = full - arriving, full - leaving
    words = ("refilled", "empty") if empties else ("unloaded", "full")
    note = Note(
        "assumed",
        f"log {key}: {words[0]}",
        f"{stops} times standing, {brimful} times because {words[1]}",
        f"the log does not say: standing over {UNLOAD_PAUSE_S:.0f} s with over a quarter moved, "
        f"or {full / 1e3:.1f} t reached",
        "common practice, no source",
    )
    return arriving, leaving, 1 + stops + brimful, [note]
