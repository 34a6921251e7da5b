"""What a calendar says beyond fit or not: its days from best to worst, the coming ones, and what pressures would change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from trafficplan.decide.days import FieldDays
from trafficplan.decide.days_order import Degree, best_in, degrees, open_days, ranks_of, window_of
from trafficplan.decide.days_pressure import LetDown
from trafficplan.farm.operation import Operation
from trafficplan.report.days_words import (
    FIT,
    LIGHTER,
    Stretch,
    date_of,
    full_text,
    least_chance,
    load_text,
    span,
    stretches,
)
from trafficplan.report.words import count, say, say_chance, say_day
from trafficplan.units import BAR, KPA

#: Spells that are named of a degree.
_NAMED = 3

#: Tension from which strength is held [Pa], as told: pF 2.5, where the table of strength ends.
DRIEST_PA = 31.6e3


@dataclass(frozen=True)
class DegreeRow:
    """Equally good days as people read them: which, how many, the chance in words, the ratio, and the load that is fit."""

    days: str
    count: int
    chance: str
    ratio: str
    load: str


def degree_rows(found: FieldDays, units: str) -> tuple[DegreeRow, ...]:
    """Return the open days from best to worst."""
    return tuple(
        DegreeRow(_spells(found, one), one.days, degree_text(one), _ratio(one), _load(found, one, units))
        for one in degrees(found)
    )


def degree_text(one: Degree) -> str:
    """Return the chance of a degree in words and to the step: that of its worst day."""
    return say_chance(one.chance[1])


def _spells(found: FieldDays, one: Degree) -> str:
    named = ", ".join(span(found, *run) for run in one.runs[:_NAMED])
    more = len(one.runs) - _NAMED
    return f"{named} and {more} more spell{'' if more == 1 else 's'}" if more > 0 else named


def _ratio(one: Degree) -> str:
    low, high = (f"{end:.1f}" for end in one.ratio)
    return low if low == high else f"{low} to {high}"


def _load(found: FieldDays, one: Degree, units: str) -> str:
    if found.load_kg <= 0:
        return "fit" if one.fit_load_kg is not None else "not fit"
    if one.fit_load_kg is None:
        return "not even empty"
    if one.fit_load_kg[1] == 0:
        return "empty"
    low, high = (load_text(end, units) if end > 0 else "empty" for end in one.fit_load_kg)
    return low if low == high else f"{low} to {high}"


def best_line(found: FieldDays) -> str:
    """Return which days do least harm and which most, "" where all of them are fit or none is open."""
    found_degrees = degrees(found)
    if not found_degrees or not np.any(open_days(found) & (found.state != FIT)):
        return ""
    best, worst = found_degrees[0], found_degrees[-1]
    times = f"the wheels press {_ratio(best)} times what the worst soil below tillage is likely to bear"
    if len(found_degrees) == 1:
        return f"All open days are much alike: overstress {degree_text(best)}, {times}."
    return (
        f"Least harm: {_spells(found, best)} ({count(best.days, 'day')}): overstress {degree_text(best)}, {times}. "
        f"Most harm: {_spells(found, worst)}: {degree_text(worst)}, {_ratio(worst)} times."
    )


def dry_line(found: FieldDays) -> str:
    """Return that a dry calendar is too strict, where none of its days is fit and some are drier than the table tells of."""
    judged = np.nan_to_num(found.deep_pa)[np.arange(len(found.days)), found.soil]
    dry = open_days(found) & (judged > DRIEST_PA)
    if np.any(found.state == FIT) or not dry.any():
        return ""
    return (
        f"On {count(int(dry.sum()), 'day')} the soil below tillage is drier than {DRIEST_PA / KPA:.0f} kPa and counts as if it "
        "were not: dry ground that does not crack often bears more than is told here. Dig a hole and look."
    )


def let_down_line(found: FieldDays, down: LetDown | None, units: str) -> str:
    """Return what the lowest pressures of the tyre tables would change, "" where they change nothing that can be told."""
    if down is None or not np.any(open_days(found) & (found.state != FIT)):
        return ""
    bars = ", ".join(f"{key} {say('pressure', one / BAR, units)}" for key, one in down.pressures_pa.items())
    trip = "; set for the whole trip where it cannot be changed under way" if down.all_trip else ""
    head = f"At the lowest field pressures of the tyre tables ({bars}{trip})"
    before, after = _counts(found), _counts(down.found)
    if after != before:
        full, lighter = after
        most = float(np.nanmax(down.found.fit_load_kg[down.found.state == LIGHTER], initial=0.0))
        lightest = f", {count(lighter, 'day')} for a lighter load of up to {load_text(most, units)}" if lighter else ""
        return f"{head}: {count(full, 'day')} fit for {full_text(found, units)}{lightest}."
    least, lower = least_chance(found), least_chance(down.found)
    if least is None or lower is None:
        return ""
    if least[0] - lower[0] < 0.05:
        return f"{head}: no other days, and hardly less chance. Wheel load counts here: less load, or more wheels under it."
    return f"{head}: no other days, but the least chance is {say_chance(lower[0])} instead of {say_chance(least[0])}."


def _counts(found: FieldDays) -> tuple[int, int]:
    return int((found.state == FIT).sum()), int((found.state == LIGHTER).sum())


def ahead(found: FieldDays, forecast_from: np.datetime64 | None, units: str) -> tuple[Stretch, ...]:
    """Return the days of the forecast in words, days in a row with one state together; none without a forecast."""
    if forecast_from is None or forecast_from > found.days[-1]:
        return ()
    return stretches(found, units, max(0, int((forecast_from - found.days[0]).astype(np.int64))))


def ahead_line(found: FieldDays, forecast_from: np.datetime64 | None, units: str) -> str:
    """Return the days of the forecast in one line, "" without one."""
    parts = ahead(found, forecast_from, units)
    return "; ".join(f"{span(found, one.start, one.end)}: {one.text}" for one in parts)


def window_text(found: FieldDays, one: Operation) -> str:
    """Return the best days of an operation's own window, "" where its day may not move."""
    window = window_of(one)
    best = None if window is None else best_in(found, *window)
    if window is None or best is None:
        return ""
    days = f"its window ({say_day(window[0])} to {say_day(window[1])})"
    at = int((np.datetime64(one.day) - found.days[0]).astype(np.int64))
    if open_days(found)[at] and ranks_of(found)[at] <= ranks_of(found)[best.start]:
        return f"no day of {days} is better"
    return f"better within {days}: {span(found, best.start, best.end)}, overstress {say_chance(best.chance)}"


def degrees_as_data(found: FieldDays) -> list[dict[str, Any]]:
    """Return the open days from best to worst as plain data."""
    return [
        {
            "chance_least": round(one.chance[0], 3), "chance_most": round(one.chance[1], 3), "ratio_least": round(one.ratio[0], 3), "ratio_most": round(one.ratio[1], 3),
            "days": one.days,
            "fit_load_least_t": None if one.fit_load_kg is None else one.fit_load_kg[0] / 1e3,
            "fit_load_most_t": None if one.fit_load_kg is None else one.fit_load_kg[1] / 1e3,
            "spells": [
                {"first": date_of(found, start).isoformat(), "last": date_of(found, end).isoformat()}
                for start, end in one.runs
            ],
        }
        for one in degrees(found)
    ]  # fmt: skip


def let_down_as_data(down: LetDown | None) -> dict[str, Any] | None:
    """Return the calendar at the lowest pressures as plain data, or None."""
    if down is None:
        return None
    least = least_chance(down.found)
    return {
        "pressures_bar": {key: round(one / BAR, 3) for key, one in down.pressures_pa.items()},
        "whole_trip": down.all_trip,
        "fit_days": int((down.found.state == FIT).sum()),
        "lighter_days": int((down.found.state == LIGHTER).sum()),
        "least_chance": None if least is None else least[0],
    }
