"""Fit days as data (--json), as rows of a table, and as text for the terminal."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trafficplan.decide.days import STATES, FieldDays
from trafficplan.decide.days_pressure import LetDown
from trafficplan.names import Note, step_of
from trafficplan.report.both_units import notes_in
from trafficplan.report.cautions import Caution, cautions_for
from trafficplan.report.days_best import (
    ahead,
    best_line,
    degrees_as_data,
    dry_line,
    let_down_as_data,
    let_down_line,
    window_text,
)
from trafficplan.report.days_words import (
    CLOSED,
    FIT,
    LEAVE,
    LIGHTER,
    UNKNOWN,
    Stretch,
    answer,
    date_of,
    day_words,
    done_lines,
    least_chance,
    span,
    stretches,
    title,
    wheel_line,
)
from trafficplan.report.pressure_result import FULL_SCALE, unit_is_assumed
from trafficplan.report.words import count
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import BAR, KPA

#: Columns of days.csv in order.
COLUMNS = (
    "field", "outfit", "job", "load_t", "date", "state", "fit_load_t", "chance", "stress_ratio", "step", "chance_mean",
    "chance_empty", "fit_area_pct", "soil", "moisture_top", "moisture_deep", "tension_top_kpa", "tension_deep_kpa", "rain_mm", "et0_mm",
    "forecast", "words",
)  # fmt: skip


@dataclass(frozen=True)
class ToldDays:
    """All that is told: the calendars, who could not be told and why, and what was assumed.

    Attributes
    ----------
    forecast_from : first day of the forecast, or None
    left_out : fields without a calendar, with the reason
    partly : whether one of them was asked for by name, or failed
    softer : of each of `fields`, its calendar at the lowest pressures that the tables allow
    """

    farm: str
    season: int
    units: str
    fields: tuple[FieldDays, ...]
    forecast_from: np.datetime64 | None
    left_out: tuple[tuple[str, str], ...]
    partly: bool
    notes: tuple[Note, ...]
    cautions: tuple[Caution, ...]
    softer: tuple[LetDown | None, ...]


def cautions_of(fields: Sequence[FieldDays], spreads: bool, pressures: bool) -> tuple[Caution, ...]:
    """Return the cautions that apply to calendars; `pressures`: lower ones are named."""
    situations = {"chance"} | ({"spreading"} if spreads else set()) | ({"pressure"} if pressures else set())
    lowest = [least for one in fields if (least := least_chance(one))]
    assumed = all(unit_is_assumed(unit) for one in fields for unit in one.units)
    if lowest and assumed and min(least[0] for least in lowest) >= FULL_SCALE:
        situations.add("full_scale")
    return cautions_for(situations)


def result_of(told: ToldDays) -> dict[str, Any]:
    """Return the answer as plain data; names end with their unit."""
    return {
        "farm": told.farm,
        "season": told.season,
        "forecast_from": None if told.forecast_from is None else str(told.forecast_from),
        "states": list(STATES),
        "fields": [_field(told, one, down) for one, down in zip(told.fields, told.softer, strict=True)],
        "left_out": [{"field": key, "why": why} for key, why in told.left_out],
        "cautions": [one.text for one in told.cautions],
    }


def _field(told: ToldDays, found: FieldDays, down: LetDown | None) -> dict[str, Any]:
    least = least_chance(found)
    closed = int(np.isin(found.state, CLOSED).sum())
    counts = {name: int((found.state == code).sum()) for code, name in enumerate(STATES)}
    return {
        "field": found.field.key,
        "outfit": found.outfit.key,
        "job": found.job,
        "load_t": found.load_kg / 1e3,
        "limit_chance": found.limit,
        "answer": answer(found, told.units),
        "tillage_depth_m": found.tillage_m,
        "judged_depth_m": found.judged_m,
        "axle": found.table.axle,
        "wheel_load_kg": found.table.wheel_kg,
        "pressure_bar": round(found.table.pressure_pa / BAR, 3),
        "soils": [{"soil": u.key, "area_pct": 100 * share} for u, share in zip(found.units, found.shares, strict=True)],
        "fit_days": counts[STATES[FIT]],
        "lighter_days": counts[STATES[LIGHTER]],
        "leave_days": counts[STATES[LEAVE]],
        "closed_days": closed,
        "unknown_days": counts[STATES[UNKNOWN]],
        "least_chance": None if least is None else least[0],
        "best": best_line(found),
        "degrees": degrees_as_data(found),
        "let_down": let_down_as_data(down),
        "let_down_words": let_down_line(found, down, told.units),
        "dry_words": dry_line(found),
        "ahead": _stretches(found, ahead(found, told.forecast_from, told.units)),
        "stretches": _stretches(found, stretches(found, told.units)),
        "operations": [
            {"operation": one.key, "date": one.day.isoformat(), "job": one.job, "words": line,
             "window_words": window_text(found, one)}
            for one, line in zip(found.operations, done_lines(found, told.units), strict=True)
        ],
        "days": [{key: row[key] for key in COLUMNS[4:]} for row in _rows(told, found)],
    }  # fmt: skip


def _stretches(found: FieldDays, parts: Sequence[Stretch]) -> list[dict[str, Any]]:
    return [
        {"first": date_of(found, one.start).isoformat(), "last": date_of(found, one.end).isoformat(), "days": one.days,
         "state": STATES[one.state], "words": one.text}
        for one in parts
    ]  # fmt: skip


def _rows(told: ToldDays, found: FieldDays) -> list[dict[str, Any]]:
    """Return one row per day of one calendar; null where there is nothing to tell."""
    rows = []
    for i, day in enumerate(found.days):
        soil = int(found.soil[i])
        known = not np.isnan(found.chance_worst[i])
        top, deep = float(found.top_pa[i, soil]), float(found.deep_pa[i, soil])
        rows.append(
            {
                "field": found.field.key,
                "outfit": found.outfit.key,
                "job": found.job,
                "load_t": found.load_kg / 1e3,
                "date": str(day),
                "state": STATES[int(found.state[i])],
                "fit_load_t": _number(found.fit_load_kg[i] / 1e3, 3),
                "chance": _number(found.chance_worst[i], 3),
                "stress_ratio": _number(found.ratio_worst[i], 3),
                "step": step_of(float(found.ratio_worst[i])) if known else None,
                "chance_mean": _number(found.chance_mean[i], 3),
                "chance_empty": _number(found.chance_empty[i], 3),
                "fit_area_pct": _number(100 * found.fit_share[i], 1),
                "soil": found.units[soil].key if known else None,
                "moisture_top": moisture_word(top) if known else None,
                "moisture_deep": moisture_word(deep) if known else None,
                "tension_top_kpa": _number(top / KPA, 1),
                "tension_deep_kpa": _number(deep / KPA, 1),
                "rain_mm": _number(found.rain_mm[i], 1),
                "et0_mm": _number(found.et0_mm[i], 2),
                "forecast": bool(told.forecast_from is not None and day >= told.forecast_from),
                "words": day_words(found, i, told.units),
            }
        )
    return rows


def _number(value: float, decimals: int) -> float | None:
    return None if np.isnan(value) else round(float(value), decimals)


def table_of(told: ToldDays) -> str:
    """Return all days of all fields as CSV text."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for found in told.fields:
        for row in _rows(told, found):
            writer.writerow({key: "" if value is None else _cell(value) for key, value in row.items()})
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    # a text that a spreadsheet would take for a formula
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" else value


def text_of(told: ToldDays) -> str:
    """Return the answer for the terminal: one paragraph per field; its days where one field was asked for."""
    lines = []
    whole = len(told.fields) == 1
    for found, down in zip(told.fields, told.softer, strict=True):
        lines.append(title(found, told.units))
        for one in ahead(found, told.forecast_from, told.units):
            lines.append(f"  forecast {span(found, one.start, one.end)}: {one.text}")
        lines += [f"  {line}" for line in said_of(told, found, down)]
        lines += [f"  {wheel_line(found, told.units)}"]
        lines += [f"  on {line}" for line in done_of(told, found)]
        for one in stretches(found, told.units):
            if whole or one.state in (FIT, LIGHTER):
                lines.append(f"    {span(found, one.start, one.end):>16}  {count(one.days, 'day'):>8}  {one.text}")
        lines.append("")
    lines += [f"{key}: left out, {why}" for key, why in told.left_out]
    if told.forecast_from is not None:
        lines.append(f"From {told.forecast_from} on by the forecast.")
    assumed = sum(note.kind == "assumed" for note in told.notes)
    warned = [note for note in told.notes if note.kind != "assumed"]
    lines += [f"{note.what}: {note.value}; {note.why}" for note in notes_in(warned, told.units)]
    lines.append(f"{assumed} assumptions: --json or --out tells them.")
    lines += ["", *(one.text for one in told.cautions)]
    return "\n".join(lines)


def said_of(told: ToldDays, found: FieldDays, down: LetDown | None) -> list[str]:
    """Return the sentences of a field: the answer, its best days, what is too strict, and what pressures would change."""
    lines = (
        answer(found, told.units), best_line(found), dry_line(found), let_down_line(found, down, told.units)
    )  # fmt: skip
    return [line for line in lines if line]


def done_of(told: ToldDays, found: FieldDays) -> list[str]:
    """Return what was done with the outfit in the field, with the best days of its window."""
    windows = [window_text(found, one) for one in found.operations]
    lines = done_lines(found, told.units)
    return [f"{line}; {window}" if window else line for line, window in zip(lines, windows, strict=True)]
