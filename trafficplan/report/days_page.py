"""The calendars as one page that needs no network: the answer, cautions, a chart and a list of days per field."""

from __future__ import annotations

from typing import Any

import numpy as np

from trafficplan import __version__
from trafficplan.decide.days import FieldDays
from trafficplan.decide.days_pressure import LetDown
from trafficplan.report.days_best import ahead, degree_rows
from trafficplan.report.days_chart import days_chart
from trafficplan.report.days_result import ToldDays, done_of, said_of
from trafficplan.report.days_words import (
    CLOSED,
    FIT,
    LEAVE,
    LIGHTER,
    UNKNOWN,
    least_chance,
    load_text,
    span,
    stretches,
    title,
    wheel_line,
)
from trafficplan.report.in_use_water import soil_water
from trafficplan.report.page import note_groups, packaged, template_environment
from trafficplan.report.words import say_chance


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
            calendars=[
                _calendar(told, one, down, i)
                for i, (one, down) in enumerate(zip(told.fields, told.softer, strict=True))
            ],
            note_groups=note_groups(told.notes, told.units),
            in_use=list(soil_water()),
            version=__version__,
        )
    )


def _css() -> Any:
    from markupsafe import Markup

    return Markup(packaged("page.css"))


def headline(told: ToldDays) -> str:
    """Return the answer over all fields in one sentence."""
    if told.forecast_from is not None and (coming := _forecast_headline(told, told.forecast_from)):
        return coming
    fit = {one.field.key: int((one.state == FIT).sum()) for one in told.fields}
    some = {key: days for key, days in fit.items() if days}
    if not told.fields:
        return "No field has a calendar"
    if not some:
        best = min((least for one in told.fields if (least := least_chance(one))), default=None)
        lighter = sum(bool((one.state == LIGHTER).any()) for one in told.fields)
        if lighter:
            return f"No day allows the full load; {lighter} of {len(fit)} fields have days for a lighter one"
        return "No day is fit" + (f": at best overstress below tillage is {say_chance(best[0])}" if best else "")
    low, high = min(some.values()), max(some.values())
    days = f"{low}" if low == high else f"{low} to {high}"
    allow = "allow the full load" if any(one.load_kg > 0 for one in told.fields) else "are fit"
    if len(fit) == 1:
        return f"{days} days {allow}"
    where = "every field" if len(some) == len(fit) else f"{len(some)} of {len(fit)} fields"
    return f"{days} days {allow} on {where}"


def _forecast_headline(told: ToldDays, first: np.datetime64) -> str:
    """Return what the days of the forecast allow, over all fields; "" where no calendar reaches them."""
    states = [one.state[one.days >= first] for one in told.fields]
    days = max((len(one) for one in states), default=0)
    if not days:
        return ""
    fields = len(states)
    full = sum(bool((one == FIT).any()) for one in states)
    lighter = sum(bool((one == LIGHTER).any() and not (one == FIT).any()) for one in states)
    on = f"In the {days} days of the forecast" if days > 1 else "On the day of the forecast"
    if fields == 1:
        word = "a day is fit" if full else "a day allows a lighter load" if lighter else "no day is fit"
        return f"{on} {word}"
    less = f", {lighter} more with a lighter load" if lighter else ""
    return f"{on} {full} of {fields} fields have a fit day{less}"


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
        "least": "" if least is None else say_chance(least[0]),
        "first": "" if first is None else span(found, first.start, first.end),
    }


def _calendar(told: ToldDays, found: FieldDays, down: LetDown | None, number: int) -> dict[str, Any]:
    units = told.units
    return {
        "title": title(found, units),
        "said": said_of(told, found, down),
        "ahead": [
            {"days": span(found, one.start, one.end), "state": one.state, "words": one.text}
            for one in ahead(found, told.forecast_from, units)
        ],
        "degrees": degree_rows(found, units),
        "wheel": wheel_line(found, units),
        "soils": ", ".join(f"{u.key} {100 * share:.0f} %" for u, share in zip(found.units, found.shares, strict=True)),
        "chart": days_chart(found, f"days{number}", units, told.forecast_from),
        "done": done_of(told, found),
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
    low, high = (f"{min(round(float(one), 1), 0.9):.1f}" for one in (np.nanmin(values), np.nanmax(values)))
    more = " and more" if np.nanmax(values) >= 0.9 else ""
    return f"{low}{more}" if low == high else f"{low} to {high}{more}"
