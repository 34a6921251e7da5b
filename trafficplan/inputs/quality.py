"""How good a recorded log is, in one line."""

from __future__ import annotations

from typing import Any

import numpy as np

from trafficplan.farm.operation import Log
from trafficplan.inputs.clock import JUMP_M
from trafficplan.units import KM_H

#: A wait longer than this is a pause [s].
PAUSE_S = 10.0


def quality(log: Log) -> dict[str, Any]:
    """Return what to know of a log before trusting it, by name with its unit.

    `share_used_pct` of the file's records; `gaps` longer than 30 m and the longest; `pauses` over 10 s;
    `jitter_m`: how far a fix lies from the middle of its neighbours, median; speeds along the fixes: 5th
    percentile, median and 95th of the steps that move.
    """
    ranks = np.argsort(log.time_s, kind="stable") if np.isfinite(log.time_s).all() else np.arange(len(log.x))
    x, y, time = log.x[ranks], log.y[ranks], log.time_s[ranks]
    step, between = np.hypot(np.diff(x), np.diff(y)), np.diff(time)
    middle = np.hypot(x[1:-1] - (x[:-2] + x[2:]) / 2, y[1:-1] - (y[:-2] + y[2:]) / 2)
    fair = (between > 0) & (step > 0)
    speeds: list[float] = np.percentile(step[fair] / between[fair] / KM_H, [5, 50, 95]).tolist() if fair.any() else []
    known = time[np.isfinite(time)]
    return {
        "fixes": len(x),
        "share_used_pct": round(100.0 * len(x) / max(log.rows, len(x)), 2),
        "hours": round(float(np.ptp(known)) / 3600, 2) if len(known) else None,
        "length_km": round(float(step.sum()) / 1e3, 2),
        "gaps": int((step > JUMP_M).sum()),
        "longest_gap_m": round(float(step.max()), 1) if len(step) else 0.0,
        "pauses": int((between > PAUSE_S).sum()),
        "jitter_m": round(float(np.median(middle)), 3) if len(middle) else 0.0,
        "speed_km_h": [round(one, 1) for one in speeds],
        "columns": [
            name
            for name, column in (
                ("speed", log.speed_m_s),
                ("flow", log.flow_kg_s),
                ("load", log.load_kg),
                ("width", log.width_m),
                ("working", log.working),
                ("pressure", log.pressure_pa),
            )
            if column is not None
        ],
    }
