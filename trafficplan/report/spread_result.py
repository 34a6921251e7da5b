"""A spreading plan as JSON and in words on a terminal."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.spread_plan import FieldPlan, Share
from trafficplan.decide.trip import STEEPEST
from trafficplan.errors import Problem
from trafficplan.inputs.amounts import GALLON
from trafficplan.names import Note
from trafficplan.report.cab_words import mass_words, unspread_rows
from trafficplan.report.cautions import cautions_for
from trafficplan.report.words import QUANTITIES, count, say, say_day, unit_of


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


def result_of(
    plans: Sequence[FieldPlan],
    day: Sequence[Share],
    hours: float | None,
    unplanned: Sequence[str] = (),
    failed: Mapping[str, Sequence[Problem]] = MappingProxyType({}),
) -> dict[str, Any]:
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
        "unplanned": list(unplanned),
        "failed": {key: [problem.as_dict() for problem in problems] for key, problems in failed.items()},
    }


def reason(best: Alternative, base: Alternative, units: str = "metric") -> str:
    """Return in two sentences why one is advised over what is done now, and what it costs in time."""
    if best.baseline:
        return (
            "Nothing that was tried spares more than what is done now without taking more time than there is. "
            f"It adds {_area(base.lasting_more_ha, units)} of expected lasting damage and takes {base.hours:.1f} h."
        )
    sides = [
        _differs(best.lasting_more_ha - base.lasting_more_ha, units, "expected lasting damage"),
        _differs(best.deep_more_ha - base.deep_more_ha, units, "likely overstress below tillage depth"),
    ]
    parts = [side for side in sides if side] or ["as much expected lasting damage"]
    wheeled = best.wheeled_pct - base.wheeled_pct
    if abs(wheeled) >= 0.5:
        parts.append(f"{abs(wheeled):.1f} % {_more(wheeled)} of the field wheeled")
    than = "as" if parts[0].startswith("as much") else "than"
    first = f"{best.words[0].upper()}{best.words[1:]}: {parts[0]} {than} what is done now"
    rest = "".join(f", {part}" for part in parts[1:])
    minutes = round((best.hours - base.hours) * 60)
    cost = f"{count(abs(minutes), 'minute')} {_more(minutes)}" if minutes else "no more time"
    same = best.loads == base.loads
    loads = f"the same {count(best.loads, 'load')}" if same else f"{count(best.loads, 'load')} instead of {base.loads}"
    km = best.km - base.km
    way = f"{say('distance', abs(km), units)} {_more(km)} driving" if abs(km) >= 0.05 else "as much driving"
    return f"{first}{rest}. It takes {cost}, {loads} and {way}."


def _more(difference: float) -> str:
    return "more" if difference > 0 else "less"


def _differs(ha: float, units: str, what: str) -> str:
    """Return a difference in words, nothing where nobody would see it."""
    return (
        f"{_area(abs(ha), units)} {_more(ha)} {'' if what.startswith('expected') else 'of '}{what}"
        if abs(ha) >= 0.005
        else ""
    )


def _area(ha: float, units: str) -> str:
    return f"{ha * QUANTITIES['area'][units][0]:.2f} {unit_of('area', units)}"


def text_of(
    plans: Sequence[FieldPlan], day: Sequence[Share], hours: float | None, folders: Sequence[str],
    unplanned: Sequence[str] = (), failed: Mapping[str, Sequence[Problem]] = MappingProxyType({}), assumed: int = 0,
) -> str:  # fmt: skip
    """Return the answer in words.

    `folders`: where pages and sheets were written; `unplanned`: fields that an interrupt left out; `failed`: field -> why it
    cannot be driven; `assumed`: how many assumptions.
    """
    blocks = ["\n".join(_field_lines(one)) for one in plans]
    if unplanned:
        blocks.append(f"Stopped before anything was planned for: {', '.join(unplanned)}.")
    blocks += [
        f"{key} is not planned. {problem.sentence()}" for key, problems in failed.items() for problem in problems
    ]
    if len(plans) > 1 or hours is not None:
        blocks.append("\n".join(_day_lines(day, hours, plans[0].cab.units)))
    if assumed:
        blocks.append(f"{count(assumed, 'assumption')}: --json or --out tells {'it' if assumed == 1 else 'them'}.")
    if folders:
        blocks.append("\n".join(f"Open {one}/spread.html; print {one}/sheet.html for the cab." for one in folders))
    named = any(one.pressures_words for plan in plans for one in plan.alternatives)
    steep = any(plan.job.slope > STEEPEST for plan in plans)
    blocks.append("\n".join(one.text for one in cautions_for(situations(named, steep))))
    return "\n\n".join(blocks)


def situations(named: bool, steep: bool) -> list[str]:
    """Return the situations whose cautions a plan shows; `named`: pressures are; `steep`: too steep to name any."""
    return ["spreading", "chance", "pressure" if named else "slope" if steep else "no_table"]


def _field_lines(plan: FieldPlan) -> list[str]:
    best, units = plan.advised, plan.cab.units
    day = f", {say_day(plan.cab.day)} {plan.cab.day.year}" if plan.cab.day else ""
    lines = [f"{plan.field}{day}, {plan.cab.outfit}: {headline(plan)}", plan.reason]
    if not plan.whole:
        lines.append("The search was cut short: the best so far is shown.")
    lines += ["", *table_lines(plan.alternatives, units)]
    if plan.smears and best.key in plan.smears:
        wet = plan.smears[best.key]
        lines.append(
            f"Moisture is not given: {plan.job.moisture_words}. Where the soil smears, {best.key} would add "
            f"{_area(wet.lasting_more_ha, units)} of expected lasting damage."
        )
    lines += [f"Not spread: {one}." for one in unspread_rows(plan.cab)]
    lines += [f"{one.what}: {one.value}; {one.why}" for one in _warned(plan)]
    driven = "1 way was" if plan.tried == 1 else f"{plan.tried} ways were"
    lines.append(f"{driven} driven and judged, in {plan.seconds:.0f} s.")
    lines += [f"{count} could not be driven: {what}." for what, count in plan.refused]
    return lines


def _warned(plan: FieldPlan) -> list[Note]:
    """Return the warnings of the question and of the advised way; those of the season before stand in the JSON."""
    return [note for note in plan.cab.notes if note.kind != "assumed"]


def headline(plan: FieldPlan) -> str:
    """Return what is to be done in one line."""
    best = plan.advised
    gate = f"{best.gateway}, " if best.gateway else ""
    up_to = "up to " if plan.cab.load_kg - min(plan.cab.loads_kg, default=0.0) > 50.0 else ""
    load = mass_words(plan.cab.load_kg, plan.cab.units)
    return f"{gate}{count(best.loads, 'load')} of {up_to}{load}, filled {best.fill_words}"


def table_lines(alternatives: Sequence[Alternative], units: str = "metric") -> list[str]:
    """Return the short list as a table of plain text, what is done now first."""
    area, traffic, way = (QUANTITIES[one][units] for one in ("area", "traffic", "distance"))
    litres, fuel = (1.0, "l") if units == "metric" else (1e-3 / GALLON, "gal")
    head = ("", "likely over", "expected", "wheeled", "headland", "gateway", "in-field", "time", "way", "fuel", "loads")
    unit = ("", f"+{area[1]} deep", f"+{area[1]} lasting", "%", *[traffic[1]] * 3, "h", way[1], fuel, "")
    rows: list[tuple[str, ...]] = [head, unit]
    for one in alternatives:
        zones = [f"{one.traffic_t_km_ha[zone] * traffic[0]:.0f}" for zone in ("headland", "gateway", "infield")]
        mark = "now" if one.baseline else ""
        mark = f"{mark} advised".strip() if one.recommended else mark
        rows.append(
            (
                f"{one.key} {mark}".strip(), f"{one.deep_more_ha * area[0]:.2f}",
                f"{one.lasting_more_ha * area[0]:.2f}", f"{one.wheeled_pct:.1f}", *zones, f"{one.hours:.1f}",
                f"{one.km * way[0]:.1f}", "-" if one.litres is None else f"{one.litres * litres:.0f}", f"{one.loads}",
            )
        )  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    lines = ["  ".join(cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))).rstrip()
             for row in rows]  # fmt: skip
    return [*lines, *(f"{one.key}: {one.words}{_pressures(one)}" for one in alternatives)]


def _pressures(one: Alternative) -> str:
    return f"; {one.pressures_words}" if one.pressures_words else ""


def _day_lines(day: Sequence[Share], hours: float | None, units: str) -> list[str]:
    lines = [
        "Order of the fields, least expected lasting damage per area first:" if len(day) > 1 else "The time there is:"
    ]
    for one in day:
        part = (
            f"{one.loads} of {one.of_loads} loads" if one.loads < one.of_loads else f"all {count(one.of_loads, 'load')}"
        )
        lines.append(
            f"  {one.field}: {part}, {say('area', one.spread_ha, units)}, from {one.begin_h:.1f} to {one.end_h:.1f} h; "
            f"expected lasting damage on {one.cost_pct:.2f} % of what is spread"
        )
    left = [one.field for one in day if one.loads < one.of_loads]
    if hours is not None and left:
        lines.append(f"  In {hours:g} h not all fits: {', '.join(left)}.")
    return lines
