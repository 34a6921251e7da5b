"""A spreading plan as JSON and in words on a terminal."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.spread_plan import FieldPlan, Share
from trafficplan.report.cautions import cautions_for


def alternative_of(one: Alternative) -> dict[str, Any]:
    """Return an alternative with units in its names."""
    return {
        "alternative": one.key,
        "words": one.words,
        "baseline": one.baseline,
        "recommended": one.recommended,
        "gateway": one.gateway,
        "heading_deg": one.heading_deg,
        "order": one.order,
        "fill": one.fill_words,
        "load_kg": round(one.load_kg, 1),
        "loads": one.loads,
        "size": one.size,
        "pressures": one.pressures_words or None,
        "overstress_likely_ha": round(one.deep_ha, 3),
        "overstress_likely_added_ha": round(one.deep_more_ha, 3),
        "lasting_expected_ha": round(one.lasting_ha, 3),
        "lasting_expected_added_ha": round(one.lasting_more_ha, 3),
        "wheeled_pct": round(one.wheeled_pct, 2),
        "traffic_t_km_ha": {zone: round(value, 2) for zone, value in one.traffic_t_km_ha.items()},
        "time_h": round(one.hours, 3),
        "way_km": round(one.km, 3),
        "road_km": round(one.road_km, 3),
        "field_efficiency_pct": round(100 * one.efficiency, 1),
        "way_without_work_pct": round(100 * one.idle_share, 1),
        "fuel_l": None if one.litres is None else round(one.litres, 1),
        "spread_ha": round(one.spread_ha, 3),
        "spread_twice_ha": round(one.overlap_ha, 3),
        "not_spread_ha": round(one.not_spread_ha, 3),
    }


def write_alternatives(path: Path, alternatives: Sequence[Alternative]) -> None:
    """Write the short list as a table; names of columns end with their unit."""
    rows = []
    for one in alternatives:
        row = alternative_of(one)
        zones = row.pop("traffic_t_km_ha")
        rows.append({**row, **{f"traffic_{zone}_t_km_ha": value for zone, value in zones.items()}})
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def field_of(plan: FieldPlan) -> dict[str, Any]:
    """Return one field's plan with units in its names."""
    return {
        "field": plan.field,
        "tried": plan.tried,
        "whole": plan.whole,
        "refused": [{"what": what, "count": count} for what, count in plan.refused],
        "reason": plan.reason,
        "alternatives": [alternative_of(one) for one in plan.alternatives],
        "if_it_smears": [alternative_of(one) | {"alternative": key} for key, one in plan.smears.items()],
        "not_spread": [{"why": one.why, "area_m2": round(one.area_m2, 1)} for one in plan.cab.unspread],
        "loads_kg": [round(one, 1) for one in plan.cab.loads_kg],
        "run_outs_m": [[round(x, 2), round(y, 2)] for x, y in plan.cab.run_outs],
    }


def result_of(plans: Sequence[FieldPlan], day: Sequence[Share], hours: float | None) -> dict[str, Any]:
    """Return the answer of `trafficplan spread --json`."""
    return {
        "fields": [field_of(one) for one in plans],
        "day": [
            {
                "field": one.field,
                "loads": one.loads,
                "of_loads": one.of_loads,
                "spread_ha": round(one.spread_ha, 3),
                "begin_h": round(one.begin_h, 3),
                "end_h": round(one.end_h, 3),
                "lasting_expected_pct": round(one.cost_pct, 2),
            }
            for one in day
        ],
        "hours_h": hours,
    }


def text_of(plans: Sequence[FieldPlan], day: Sequence[Share], hours: float | None, out: str | None) -> str:
    """Return the answer in words."""
    blocks = ["\n".join(_field_lines(one)) for one in plans]
    if len(plans) > 1 or hours is not None:
        blocks.append("\n".join(_day_lines(day, hours)))
    if out:
        blocks.append(f"Open {out}/spread.html; print {out}/sheet.html for the cab.")
    named = any(one.pressures_words for plan in plans for one in plan.alternatives)
    blocks.append("\n".join(one.text for one in cautions_for(situations(named))))
    return "\n\n".join(blocks)


def situations(named: bool) -> list[str]:
    """Return the situations whose cautions a spreading plan shows; `named`: pressures are named."""
    return ["spreading", "chance", "pressure" if named else "no_table"]


def _field_lines(plan: FieldPlan) -> list[str]:
    best = plan.advised
    lines = [f"{plan.field}, {plan.cab.outfit}: {headline(plan)}", plan.reason]
    if not plan.whole:
        lines.append("The search was cut short: the best so far is shown.")
    lines += ["", *table_lines(plan.alternatives)]
    if plan.smears and best.key in plan.smears:
        wet = plan.smears[best.key]
        lines.append(
            f"Moisture is not given: {plan.job.moisture_words}. Where the soil smears, {best.key} would add "
            f"{wet.lasting_more_ha:.2f} ha of expected lasting damage."
        )
    lines += [f"Not spread: {one.area_m2:.0f} m2, {one.why}." for one in plan.cab.unspread]
    lines.append(f"{plan.tried} ways were driven and judged, in {plan.seconds:.0f} s.")
    lines += [f"{count} could not be driven: {what}." for what, count in plan.refused]
    return lines


def headline(plan: FieldPlan) -> str:
    """Return what is to be done in one line."""
    best = plan.advised
    gate = f"{best.gateway}, " if best.gateway else ""
    return f"{gate}{best.loads} loads of {best.load_kg / 1e3:.1f} t, filled {best.fill_words}"


def table_lines(alternatives: Sequence[Alternative]) -> list[str]:
    """Return the short list as a table of plain text, what is done now first."""
    head = ("", "likely over", "expected", "wheeled", "headland", "gateway", "in-field", "time", "way", "fuel", "loads")
    unit = ("", "+ha deep", "+ha lasting", "%", "t km/ha", "t km/ha", "t km/ha", "h", "km", "l", "")
    rows: list[tuple[str, ...]] = [head, unit]
    for one in alternatives:
        zones = [f"{one.traffic_t_km_ha[zone]:.0f}" for zone in ("headland", "gateway", "infield")]
        mark = "now" if one.baseline else ""
        mark = f"{mark} advised".strip() if one.recommended else mark
        rows.append(
            (
                f"{one.key} {mark}".strip(), f"{one.deep_more_ha:.2f}", f"{one.lasting_more_ha:.2f}",
                f"{one.wheeled_pct:.1f}", *zones, f"{one.hours:.1f}", f"{one.km:.1f}",
                "-" if one.litres is None else f"{one.litres:.0f}", f"{one.loads}",
            )
        )  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    lines = ["  ".join(cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True)))
             for row in rows]  # fmt: skip
    return [*lines, *(f"{one.key}: {one.words}{_pressures(one)}" for one in alternatives)]


def _pressures(one: Alternative) -> str:
    return f"; {one.pressures_words}" if one.pressures_words else ""


def _day_lines(day: Sequence[Share], hours: float | None) -> list[str]:
    lines = ["Order of the fields, least expected lasting damage per hectare first:"]
    for one in day:
        part = f"{one.loads} of {one.of_loads} loads" if one.loads < one.of_loads else f"all {one.of_loads} loads"
        lines.append(
            f"  {one.field}: {part}, {one.spread_ha:.1f} ha, from {one.begin_h:.1f} to {one.end_h:.1f} h; "
            f"{one.cost_pct:.2f} % of what is spread"
        )
    left = [one.field for one in day if one.loads < one.of_loads]
    if hours is not None and left:
        lines.append(f"  In {hours:g} h not all fits: {', '.join(left)}.")
    return lines
