"""Numbers in use for the year's audit, with source and mark."""

from __future__ import annotations

from collections.abc import Iterator

from trafficplan.assess.share import LOOSENED_M, STRENGTHS, WORST_SHARE
from trafficplan.decide.audit import SOURCES
from trafficplan.decide.candidates import LOAD_FACTORS, NEAR_WIDTH, SAME_BOUT, SAME_PA
from trafficplan.decide.changes import ARRANGE_H, BY_FIELD, LEAST_HA, LEAST_PART, LONGER, MOST
from trafficplan.decide.loss import FIRST_LOSS, LASTING_LOSS
from trafficplan.report.use import InUse
from trafficplan.units import BAR

_PART = "audit"


def audit() -> Iterator[InUse]:
    """Yield the numbers of the year's audit."""
    value = f"worst {WORST_SHARE:.0%} of the area".replace("%", " %")
    yield InUse(_PART, "how concentrated", value, "no source", "ours")
    value = f"strength x {STRENGTHS[0]:.2f} to x {STRENGTHS[-1]:g}"
    yield InUse(_PART, "range of hectares spared", value, "strength known to about plus or minus half", "ours")
    yield InUse(_PART, "deep loosening reaches", f"{LOOSENED_M:g} m", "no source", "common practice")
    yield InUse(_PART, "how a drive is known", ", ".join(SOURCES), "set for this program", "ours")
    value = (
        f"loads of {' and '.join(f'{one:g}' for one in LOAD_FACTORS)} of the usual; pressures {SAME_PA / BAR:g} bar apart; "
        f"working widths up to {NEAR_WIDTH:g} times the narrowest, trailers only where bouts of what fills them go into the lanes (to "
        f"{SAME_BOUT:g}); {', '.join(BY_FIELD)} chosen field by field"
    )
    yield InUse(_PART, "changes that are tried", value, "set for this program", "ours")
    value = f"hectares spared per hour, {ARRANGE_H:g} h added to each; from {LEAST_HA:g} ha or {100 * LEAST_PART:g} % of the damage; the first {MOST}"
    yield InUse(_PART, "changes ranked", value, "set for this program", "ours")
    yield InUse(_PART, "real turns and trips", f"up to {LONGER:g} times as long as planned", "10-40 % longer", "memory")
    low, high = (f"{100 * one:g}" for one in FIRST_LOSS)
    yield InUse(
        _PART,
        "loss of yield in the first crops",
        f"{low} to {high} % on ground with lasting damage",
        "Alakukku & Elonen 1995 (barley, 5 % over four years); Penn State extension (10-12 t axles, about 15 %)",
        "found",
    )
    low, high = (f"{100 * one:g}" for one in LASTING_LOSS)
    yield InUse(
        _PART,
        "loss of yield each year while it lasts",
        f"{low} to {high} % on ground with lasting damage",
        "Hakansson & Reeder 1994 (2.5 %, memory); Penn State extension (3-5 % after ten years); RECARE Aarslev (5.7 %)",
        "memory",
    )
