"""The plan as one printed page for the cab: an HTML file that needs no network."""

from __future__ import annotations

import math

from trafficplan import __version__
from trafficplan.decide.cab import CabPlan
from trafficplan.report.cab_words import (
    headline,
    load_rows,
    load_words,
    number_rows,
    pressure_rows,
    situations_of,
    source_words,
    title_words,
    unspread_rows,
    warnings_of,
)
from trafficplan.report.cautions import cautions_for
from trafficplan.report.page import packaged, template_environment
from trafficplan.report.plan_picture import plan_picture

#: Page less its margins, and what stands on it whatever the plan: headline, titles, rules [mm].
_PAGE_MM, _FIXED_MM = 279.0, 40.0
_WIDE_MM, _MOST_MM, _LEAST_MM = 186.0, 150.0, 72.0
#: Height of a row [mm]: of the tables, of the loads (four beside each other), of the small print.
_ROW_MM, _LOAD_MM, _SMALL_MM = 4.7, 3.45, 3.05
#: Letters of a line: of a reason, of a warning, of the small print (two columns).
_REASON_LETTERS, _WARNING_LETTERS, _SMALL_LETTERS = 48, 105, 62
#: Warnings that are told on the sheet; the plan's page has them all.
_MOST_WARNINGS = 3


def render_cab_sheet(plan: CabPlan) -> str:
    """Return the sheet as text: headline, pressures, order, map, loads, cautions, sources; A4, one page."""
    values: dict[str, object] = {
        "farm": plan.farm,
        "outfit": plan.outfit,
        "title": title_words(plan),
        "headline": headline(plan),
        "pressures": pressure_rows(plan),
        "numbers": number_rows(plan),
        "unspread": unspread_rows(plan),
        "load_words": load_words(plan),
        "warnings": warnings_of(plan.notes, plan.units)[:_MOST_WARNINGS],
        "cautions": [one.text for one in cautions_for(situations_of(plan))],
        "sources": source_words(plan, __version__),
    }
    loads = load_rows(plan)
    if _room(plan, len(loads)) < _LEAST_MM:  # too many for a page: the map has them all
        loads = []
    high = min(_MOST_MM, max(_LEAST_MM, _room(plan, len(loads))))
    values |= {"loads": loads, "map": plan_picture(plan, _WIDE_MM, high)}
    return template_environment().from_string(packaged("cab_sheet.html")).render(values)


def _room(plan: CabPlan, loads: int) -> float:
    """Return the height that is left for the map [mm], about, with so many rows of loads."""
    left = 1.0 + len(plan.axles) if plan.names_pressures() else 0.0
    reasons = unspread_rows(plan)
    left += 1.3 + sum(_lines(one, _REASON_LETTERS) for one in reasons) if reasons else 0.0
    right = sum(_lines(value, _REASON_LETTERS) for _, value in number_rows(plan))
    small = [one.text for one in cautions_for(situations_of(plan))]
    warned = sum(_lines(one, _WARNING_LETTERS) for one in warnings_of(plan.notes, plan.units)[:_MOST_WARNINGS])
    print_lines = sum(_lines(one, _SMALL_LETTERS) for one in small) / 2 + 0.2 * len(small) + 3
    tables = max(left, right) * _ROW_MM
    rows = math.ceil(loads / 4) * _LOAD_MM if loads else 2 * _LOAD_MM
    return _PAGE_MM - _FIXED_MM - tables - rows - warned * 4.6 - print_lines * _SMALL_MM


def _lines(text: str, letters: int) -> int:
    return max(1, math.ceil(len(text) / letters))
