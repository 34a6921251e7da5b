"""What was asked of `trafficplan days`, checked and turned into calendars."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from trafficplan.cli.asked import known, plan_days, refuse, some_fields
from trafficplan.cli.asked_pressure import check_plates
from trafficplan.decide.days import FieldDays, field_days
from trafficplan.decide.days_load import StressTable, set_to
from trafficplan.decide.days_pressure import LetDown, let_down, under_table
from trafficplan.decide.trip import heaviest
from trafficplan.errors import InputError, Problem
from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Operation
from trafficplan.farm.weather import Weather, joined
from trafficplan.inputs.weather import read_forecast
from trafficplan.names import Note
from trafficplan.report.days_best import DRIEST_PA
from trafficplan.report.days_result import ToldDays, cautions_of
from trafficplan.soil.strength import TABLE_SOURCE
from trafficplan.units import KPA


@dataclass(frozen=True)
class _Task:
    """What one field is asked for: outfit with its pressures, load [kg], job, and whether it spreads."""

    outfit: str
    operation: Operation | None
    load_kg: float
    job: str


def calendars_of(farm: Farm, asked: Mapping[str, Any]) -> ToldDays:
    """Return the calendars that the options ask, field by field.

    Raises
    ------
    InputError
        An option is wrong, or the farm has no weather for any of the days.
    """
    notes: list[Note] = []
    farm, forecast_from = _with_forecast(farm, asked["forecast"], notes)
    first, last = _days(farm, asked["from"], asked["to"], forecast_from is not None)
    limit = _limit(farm, asked["limit"], notes)
    tables: dict[tuple[object, ...], StressTable] = {}
    found: list[FieldDays] = []
    left_out: list[tuple[str, str]] = []
    softer: list[LetDown | None] = []
    spreads, partly = False, False
    for key in some_fields(farm, asked["field"]):
        task = _task(farm, key, asked, notes)
        if task is None:
            left_out.append((key, _why(asked)))
            partly |= bool(asked["field"])
            continue
        outfit = farm.outfits[task.outfit]
        outfit = set_to(outfit, task.operation.pressures_pa) if task.operation else outfit
        check_plates(outfit, task.load_kg)
        try:
            one = field_days(farm, farm.fields[key], outfit, task.load_kg, limit, first, last, task.job, tables)
        except InputError as error:
            left_out.append((key, error.problems[0].what))
            partly = True
            continue
        spreads |= task.operation is not None and task.operation.change == "empties"
        found.append(one)
        softer.append(let_down(farm, farm.fields[key], one, tables))
        notes += [*_furrow(farm, task.outfit), *under_table(farm, outfit, task.load_kg)]
        notes += one.notes
    if not found:
        raise refuse("no field has a calendar", "--field", "; ".join(f"{key}: {why}" for key, why in left_out),
                      "a field with soil, and an outfit that does the job there",
                      "name other fields or another job" if asked["outfit"] else "name an outfit with --outfit")  # fmt: skip
    notes.append(
        Note("assumed", "pressures", "the outfit's own in the field", "not asked", "outfits/*.toml, operations.csv")
    )
    notes += [*_dry(found), *_unknown(found)]
    return ToldDays(
        farm.title, farm.season, farm.units, tuple(found), forecast_from, tuple(left_out), partly,
        tuple(dict.fromkeys(notes)), cautions_of(found, spreads, any(softer)), tuple(softer),
    )  # fmt: skip


def _with_forecast(farm: Farm, path: str | None, notes: list[Note]) -> tuple[Farm, np.datetime64 | None]:
    """Return the farm with a forecast after its weather, and the forecast's first day."""
    if path is None:
        return farm, None
    ahead, told = read_forecast(Path(path))
    notes += told
    if farm.weather is None:
        why = "the farm has no weather of its own; the soil's water begins with the forecast"
        notes.append(Note("warned", "weather", "forecast alone", why))
        return replace(farm, weather=ahead), ahead.days[0]
    last = farm.weather.days[-1]
    later = ahead.days[ahead.days > last]
    if not len(later):
        raise refuse("a forecast of the past", "--forecast", f"its last day is {ahead.days[-1]}",
                      f"days after {last}, where weather.csv ends", "take a newer forecast")  # fmt: skip
    notes += _overlap(farm.weather, ahead)
    return replace(farm, weather=joined(farm.weather, ahead)), later[0]


def _overlap(measured: Weather, ahead: Weather) -> list[Note]:
    """Return what became of the days of a forecast that lie before the end of the measured weather."""
    early = ahead.days[ahead.days <= measured.days[-1]]
    both = int(np.isin(early, measured.days).sum())
    before = int((early < measured.days[0]).sum())
    filled = len(early) - both - before
    told = (
        (both, "forecast: days that weather.csv has too", "left out", "measured counts"),
        (before, "forecast: days before weather.csv begins", "left out", "the balance begins with weather.csv"),
        (
            filled,
            "weather: holes",
            "taken from the forecast file",
            "weather.csv lacks them, the forecast file has them",
        ),
    )
    return [Note("assumed", what, f"{count} {value}", why) for count, what, value, why in told if count]


def _days(farm: Farm, start: str | None, end: str | None, forecast: bool) -> tuple[dt.date, dt.date]:
    """Return first and last day of the calendar: as asked, else the season's days that the weather has.

    A forecast is told to its end, over New Year too.
    """
    if farm.weather is None:
        raise InputError(
            Problem("no weather", "farm folder", "no weather.csv, or one without days", "rain and evaporation or temperatures by day",
                    "add weather.csv (docs/farm-folder.md), or give --forecast")
        )  # fmt: skip
    there = [one.astype(object) for one in (farm.weather.days[0], farm.weather.days[-1])]
    first, last = plan_days(start, end)
    if first is None or last is None:
        season_end = there[1] if forecast else dt.date(farm.season, 12, 31)
        year = max(dt.date(farm.season, 1, 1), there[0]), min(season_end, there[1])
        if year[0] > year[1] and first is None and last is None:
            raise InputError(
                Problem("weather of another year", "weather.csv", f"{there[0]} to {there[1]}",
                        f"days of the season {farm.season}", "add them, or name days with --from and --to")
            )  # fmt: skip
        first, last = first or min(year[0], last or year[0]), last or max(year[1], first or year[1])
    if (last - first).days > 3 * 366:
        raise refuse("too many days", "--from/--to", f"{first} to {last}", "at most three years", "name fewer days")
    if last < there[0] or first > there[1]:
        raise refuse("no weather for these days", "--from/--to", f"{first} to {last}",
                      f"days from {there[0]} to {there[1]}", "name other days, or give --forecast")  # fmt: skip
    return first, last


def _limit(farm: Farm, asked: float | None, notes: list[Note]) -> float:
    if asked is None:
        notes.append(defaults.note("go_chance", "go rule", farm.defaults))
        return defaults.number("go_chance", farm.defaults)
    low, high = defaults.DEFAULTS["go_chance"].low, defaults.DEFAULTS["go_chance"].high
    if not low <= asked <= high:
        raise refuse(
            "limit out of range", "--limit", asked, f"a chance from {low:g} to {high:g}", "write for example 0.5"
        )
    return asked


def _task(farm: Farm, field: str, asked: Mapping[str, Any], notes: list[Note]) -> _Task | None:
    """Return outfit, load and job for a field; None where it has no operation that tells them."""
    own = [one for one in farm.operations if one.field == field]
    if asked["job"] is not None:
        (job,) = known("--job", [asked["job"]], sorted({one.job for one in farm.operations}))
        own = [one for one in own if one.job == job]
    if asked["outfit"] is not None:
        (key,) = known("--outfit", [asked["outfit"]], farm.outfits)
        fits = [one for one in own if one.outfit == key]
        if asked["job"] is not None and not fits:
            return None
        return _Task(
            key, fits[0] if fits else None, _load(farm, key, fits[0] if fits else None, asked), _job(fits, asked)
        )
    if not own:
        return None
    movable = [one for one in own if (one.earliest or one.latest) and not one.fixed_because]
    lead = max(movable or own, key=lambda one: _wheel(farm, one))
    if asked["job"] is None:
        which = "operations whose day may move" if movable else "operations of the field"
        why = f"none named; the heaviest wheel among the {which}"
        notes.append(Note("assumed", f"field {field}: outfit", f"{lead.outfit} ({lead.job})", why, "operations.csv"))
    return _Task(lead.outfit, lead, _load(farm, lead.outfit, lead, asked), lead.job)


def _job(fits: list[Operation], asked: Mapping[str, Any]) -> str:
    return asked["job"] or (fits[0].job if fits else "")


def _wheel(farm: Farm, operation: Operation) -> float:
    outfit = farm.outfits[operation.outfit]
    load = outfit.capacity_kg if operation.load_kg is None else operation.load_kg
    return max(one.wheel_n() for one in heaviest(outfit, load, True, 0.0, 0.0))


def _load(farm: Farm, outfit: str, operation: Operation | None, asked: Mapping[str, Any]) -> float:
    capacity = farm.outfits[outfit].capacity_kg
    if asked["load_t"] is None:
        return capacity if operation is None or operation.load_kg is None else operation.load_kg
    load = float(asked["load_t"]) * 1e3
    most = 1.3 * capacity
    if not 0 <= load <= most:
        mend = "give tonnes, not kg" if load >= 1e5 else "check the load"
        raise refuse("more than the outfit holds" if load > 0 else "not a load", "--load", f"{load / 1e3:g} t",
                      f"0 to {most / 1e3:.1f} t (1.3 times the capacity of {outfit})", mend)  # fmt: skip
    return load


def _why(asked: Mapping[str, Any]) -> str:
    by = f" by {asked['outfit']}" if asked["outfit"] else ""
    return f"it has no operation {asked['job']}{by}" if asked["job"] else "it has no operation that names an outfit"


def _furrow(farm: Farm, outfit: str) -> list[Note]:
    furrow = max((one.runs_at_depth_m for one in farm.operations if one.outfit == outfit), default=0.0)
    if furrow <= 0:
        return []
    why = "its wheels on that side load the soil from there down; the calendar is for wheels on the land"
    return [Note("warned", f"outfit {outfit}: wheels in the open furrow", f"{furrow:g} m deep", why)]


def _dry(found: list[FieldDays]) -> list[Note]:
    """Return what holds for soil drier than the table of strength tells of."""
    if not any(np.nanmax(one.deep_pa, initial=0.0) > DRIEST_PA for one in found):
        return []
    value, why = (
        f"as at {DRIEST_PA / KPA:.0f} kPa",
        "the table ends there; dry soil that does not crack is often stronger",
    )
    return [Note("assumed", "strength of soil that is drier", value, why, TABLE_SOURCE)]


def _unknown(found: list[FieldDays]) -> list[Note]:
    days = sorted({str(day) for one in found for day in one.days[np.isnan(one.rain_mm)]})
    if not days:
        return []
    told = days[0] if len(days) == 1 else f"{len(days)} days from {days[0]} to {days[-1]}"
    return [Note("warned", "days without weather", told, "nothing is said of them")]
