"""The calendars as one page that needs no network: the answer, cautions, a chart and a list of days per field."""

from __future__ import annotations

from typing import Any

import numpy as np

from trafficplan import __version__
from trafficplan.decide.days import FieldDays
from trafficplan.report.days_chart import days_chart
from trafficplan.report.days_result import ToldDays
from trafficplan.report.days_words import (
    CLOSED,
    FIT,
    LEAVE,
    LIGHTER,
    UNKNOWN,
    answer,
    chance_text,
    done_lines,
    least_chance,
    load_text,
    span,
    stretches,
    title,
    wheel_line,
)
from trafficplan.report.in_use_water import soil_water
from trafficplan.report.page import note_groups, packaged, template_environment

#: From so many calendars on their lists are closed when the page opens.
_MANY = 3


def render_days_page(told: ToldDays) -> str:
    """Return the page as text."""
    return (
        template_environment()
        .from_string(packaged("days_page.html"))
        .render(
            css=_css(),
            farm=told.farm,
            season=told.season,
            headline=headline(told),
            forecast=None if told.forecast_from is None else str(told.forecast_from),
            summary=[_summary(one, told.units) for one in told.fields],
            left_out=told.left_out,
            cautions=told.cautions,
            calendars=[_calendar(told, one, i) for i, one in enumerate(told.fields)],
            note_groups=note_groups(told.notes),
            in_use=list(soil_water()),
            version=__version__,
        )
    )


def _css() -> Any:
    from markupsafe import Markup

    return Markup(packaged("page.css"))


def headline(told: ToldDays) -> str:
    """Return the answer over all fields in one sentence."""
    fit = {one.field.key: int((one.state == FIT).sum()) for one in told.fields}
    some = {key: days for key, days in fit.items() if days}
    if not told.fields:
        return "No field has a calendar"
    if not some:
        best = min((least for one in told.fields if (least := least_chance(one))), default=None)
        lighter = sum(bool((one.state == LIGHTER).any()) for one in told.fields)
        if lighter:
            return f"No day allows the full load; {lighter} of {len(fit)} fields have days for a lighter one"
        return "No day keeps the limit" + (
            f": the least chance of overstress is {chance_text(best[0])}" if best else ""
        )
    low, high = min(some.values()), max(some.values())
    days = f"{low}" if low == high else f"{low} to {high}"
    allow = "allow the full load" if any(one.load_kg > 0 for one in told.fields) else "are fit"
    if len(fit) == 1:
        return f"{days} days {allow}"
    where = "every field" if len(some) == len(fit) else f"{len(some)} of {len(fit)} fields"
    return f"{days} days {allow} on {where}"


def _summary(found: FieldDays, units: str) -> dict[str, str]:
    count = [int((found.state == code).sum()) for code in range(int(UNKNOWN) + 1)]
    first = next((one for one in stretches(found, units) if one.state == FIT), None)
    least = least_chance(found)
    return {
        "field": found.field.key,
        "outfit": found.outfit.key + (f", {found.job}" if found.job and found.job != found.outfit.key else ""),
        "load": load_text(found.load_kg, units) if found.load_kg > 0 else "",
        "fit": str(count[FIT]),
        "lighter": str(count[LIGHTER]),
        "leave": str(count[LEAVE]),
        "closed": str(sum(count[code] for code in CLOSED)),
        "least": "" if least is None else chance_text(least[0]),
        "first": "" if first is None else span(found, first.start, first.end),
    }


def _calendar(told: ToldDays, found: FieldDays, number: int) -> dict[str, Any]:
    units = told.units
    return {
        "title": title(found, units),
        "answer": answer(found, units),
        "wheel": wheel_line(found, units),
        "soils": ", ".join(f"{u.key} {100 * share:.0f} %" for u, share in zip(found.units, found.shares, strict=True)),
        "chart": days_chart(found, f"days{number}", units, told.forecast_from),
        "done": done_lines(found, units),
        "open": len(told.fields) < _MANY,
        "rows": [
            {"days": span(found, one.start, one.end), "count": one.days, "state": one.state, "words": one.text,
             "chance": _chances(found, one.start, one.end)}
            for one in stretches(found, units)
        ],
    }  # fmt: skip


def _chances(found: FieldDays, start: int, end: int) -> str:
    values = found.chance_worst[start : end + 1]
    if np.isnan(values).all():
        return ""
    low, high = chance_text(float(np.nanmin(values))), chance_text(float(np.nanmax(values)))
    return low if low == high else f"{low} to {high}"
