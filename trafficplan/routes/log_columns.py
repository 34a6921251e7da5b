"""What a log itself tells of the work: when it worked, and how wide."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trafficplan.names import WORK, Note
from trafficplan.routes.fixes import Fixes, Floats


def state_of_work(key: str, fixes: Fixes) -> tuple[Floats | None, list[Note]]:
    """Return 1 in work and 0 out of it at each fix (NaN: not told), or None where the log does not tell.

    Told by the recorded state; without one by the recorded width, which is 0 while lifted. A state that is never
    in work tells nothing.
    """
    state, told = fixes.working, "state of work"
    if (state is None or not (state >= 0.5).any()) and fixes.width_m is not None and (fixes.width_m == 0.0).any():
        state, told = np.where(np.isnan(fixes.width_m), np.nan, fixes.width_m > 0.0), "working width, 0 while lifted"
    if state is None or not (state >= 0.5).any():
        return None, []
    value = f"as recorded: in work at {100.0 * float((state >= 0.5).mean()):.0f} % of the fixes"
    return state, [Note("assumed", f"log {key}: work or turn", value, f"the log has a {told}", "the log")]


def widths_along(key: str, fixes: Fixes, leg: NDArray[np.int8], usual_m: float) -> tuple[Floats, list[Note]]:
    """Return the working width at each fix [m]: as recorded, with a note, else `usual_m`."""
    recorded = fixes.width_m
    if recorded is None or not (recorded > 0.0).any():
        return np.full(len(leg), usual_m), []
    told = np.isfinite(recorded) & (recorded >= 0.0)
    in_work = recorded[(leg == WORK) & (recorded > 0.0)]
    there = in_work if len(in_work) else recorded[recorded > 0.0]
    value = f"{np.median(there):.2f} m ({there.min():.2f} to {there.max():.2f} m)"
    why = (
        f"recorded with the log; it replaces the {usual_m:.2f} m of the operation; tillage is laid with the mean width"
    )
    note = Note("assumed", f"log {key}: working width", value, why, "the log")
    return np.where(told, recorded, usual_m), [note]
