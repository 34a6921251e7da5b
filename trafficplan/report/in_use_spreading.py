"""Numbers of the spreading plan that are in use, with source and mark."""

from __future__ import annotations

from trafficplan.decide.heap import BESIDE_M, SHUTTLE_M
from trafficplan.decide.spread import LOAD_SHARES, ROUTES_KEPT, SAME_HEADING_DEG
from trafficplan.decide.spread_plan import STOP_RUT_M
from trafficplan.decide.weighing import LEFT_OUT
from trafficplan.report.use import InUse


def spreading() -> tuple[InUse, ...]:
    """Return the choices that stand behind a spreading plan."""
    shares = ", ".join(f"{100 * one:g}" for one in LOAD_SHARES)
    return (
        InUse("spreading", "loads that are tried", f"{shares} % of what is allowed", "no source", "ours"),
        InUse("spreading", "ways of driving tried with other loads", f"{ROUTES_KEPT}", "no source", "ours"),
        InUse("spreading", "two headings that count as one", f"under {SAME_HEADING_DEG:g} degrees apart", "no source", "ours"),
        InUse("spreading", "field left out that makes a way no alternative", f"{100 * LEFT_OUT:g} %", "no source", "ours"),
        InUse(
            "spreading", "rut at which work stops", f"{100 * STOP_RUT_M:g} cm", "common practice, no source",
            "common practice",
        ),
        InUse(
            "spreading", "loader's way at the heap", f"{SHUTTLE_M:g} m", "common practice, no source", "common practice"
        ),
        InUse("spreading", "lorries' straight way beside the heap", f"{BESIDE_M:g} m", "no source", "ours"),
    )  # fmt: skip
