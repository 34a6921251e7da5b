"""Numbers in use for parking, with source and mark."""

from __future__ import annotations

from collections.abc import Iterator

from trafficplan.decide.park import ALONGSIDE_M
from trafficplan.decide.park_job import LEAST_HITCH_N
from trafficplan.decide.park_others import AMONG, PAIRS, SAME_END_M
from trafficplan.decide.park_place import NEAR_LINE_M, SLOPING, WHEELED_M
from trafficplan.decide.park_stands import BOARD_M, FOOT_M, STRIP_M
from trafficplan.decide.park_sure import AGAIN, LOADS
from trafficplan.decide.park_time import LEAST_KG
from trafficplan.report.use import InUse
from trafficplan.units import GRAVITY

_PART = "parking"


def parking() -> Iterator[InUse]:
    """Yield the numbers of parking."""
    value = f"under {LEAST_HITCH_N / GRAVITY:.0f} kg on the hitch while the load changes: not uncoupled"
    yield InUse(_PART, "hitch load near zero", value, "no source", "ours")
    value = f"foot {FOOT_M[0] * 100:.0f} x {FOOT_M[1] * 100:.0f} cm, board {BOARD_M[0] * 100:.0f} x {BOARD_M[1] * 100:.0f} cm"
    yield InUse(_PART, "jack stand", value, "common sizes, no source", "common practice")
    value = f"{ALONGSIDE_M:g} m from its side to the middle of the outfit that comes to it"
    yield InUse(_PART, "beside the trailer", value, "no source", "ours")
    value = f"ground from {100 * SLOPING:g} %, a line within {NEAR_LINE_M:g} m, soil that smears"
    yield InUse(_PART, "tipping is warned of", value, "no source", "ours")
    value = f"minutes, and {WHEELED_M:g} m2 for each metre of the trailer's way in the field"
    yield InUse(_PART, "two gateways compared", value, "no source", "ours")
    value = (
        f"{PAIRS} pairs among the best {AMONG} places; ends of a load within {SAME_END_M:g} m; changes of load from "
        f"{LEAST_KG:g} kg"
    )
    yield InUse(_PART, "moved once", value, "no source", "ours")
    value = f"the best {AGAIN} places on the field and the best outside; loads {', '.join(f'{one:g}' for one in LOADS)} of the load"
    yield InUse(_PART, "how sure", value, "no source", "ours")
    yield InUse(
        _PART, "stress beneath a pad or a heap", f"even load, Froehlich 1934 integrated over strips of up to {STRIP_M:g} m",
        "Newmark 1935; Fadum 1948 for a factor of 3", "found",
    )  # fmt: skip
