"""weather.csv: rain and evaporation by day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from trafficplan.errors import InputError, Problem
from trafficplan.farm.weather import Weather
from trafficplan.inputs.column_units import Column
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table
from trafficplan.inputs.weather_names import usual_columns
from trafficplan.names import Note

#: Column -> least and highest believed value, unit.
RANGES: dict[str, tuple[float, float, str]] = {
    "rain_mm": (0, 500, "mm"),
    "et0_mm": (0, 20, "mm"),
    "tmin_c": (-60, 50, "C"),
    "tmax_c": (-60, 60, "C"),
    "rh_pct": (1, 100, "%"),
    "wind_m_s": (0, 60, "m/s"),
    "sun_h": (0, 24, "h"),
    "radiation_mj_m2": (0, 50, "MJ/m2"),
}


def read_weather(ledger: Ledger, settings: Settings) -> Weather | None:
    """Return the weather by day, or None where the farm has none."""
    named = settings.files.weather
    if named is None and not (ledger.folder / "weather.csv").exists():
        return None
    path = inside(ledger, named or "weather.csv", "farm.toml, files, weather")
    if path is None:
        return None
    return _read(ledger, path, settings.columns.weather)


def read_forecast(path: Path) -> tuple[Weather, tuple[Note, ...]]:
    """Return the weather of a forecast, a file like weather.csv anywhere, and what was understood of it.

    Raises
    ------
    InputError
        There is no such file, or it is wrong.
    """
    if not path.is_file():
        needed = "a table of days like weather.csv"
        raise InputError(Problem("no such file", "option --forecast", str(path), needed, "check the path"))
    ledger = Ledger(path.resolve().parent)
    weather = _read(ledger, path.resolve(), {})
    if weather is None:
        none = Problem("a forecast without days", path.name, "no rows", "at least one day", "fill in the file")
        raise InputError(ledger.problems or none)
    return weather, tuple(ledger.notes)


def _read(ledger: Ledger, path: Path, told: Mapping[str, Column]) -> Weather | None:
    before = ledger.count()
    columns = usual_columns(ledger, path, told)
    if columns is None:
        return None
    rows = read_table(ledger, path, KNOWN["weather"], ("date", "rain_mm"), columns)
    none = bool(rows) and not any(_has_evaporation(record) for record in rows)
    if none:  # said once, not once a day
        ledger.problem(
            "no evaporation", path.relative_to(ledger.folder).as_posix(), f"none on all {len(rows)} days",
            "column et0_mm, or columns tmin_c and tmax_c", "add them: rain alone does not tell how the soil dries",
        )  # fmt: skip
    days: list[dt.date] = []
    values: dict[str, list[float]] = {column: [] for column in RANGES}
    for record in rows:
        day = record.date("date", required=True)
        if day is None:
            continue
        if days and day <= days[-1]:
            record.problem(
                "date",
                "a day out of order",
                str(day),
                f"a day after {days[-1]}",
                "sort the rows by date, each day once",
            )
        days.append(day)
        for column, (low, high, unit) in RANGES.items():
            number = record.number(column, low, high, unit, required=column == "rain_mm")
            values[column].append(np.nan if number is None else number)
        if not none:
            _evaporation(record)
    if ledger.count() > before or not days:
        return None
    missing = (days[-1] - days[0]).days + 1 - len(days)
    if missing:
        ledger.warned("weather: days missing", f"{missing} of {missing + len(days)}", "the series has holes")
    series_of = {column: np.array(series) for column, series in values.items()}
    return Weather(
        np.array(days, dtype="datetime64[D]"),
        series_of["rain_mm"],
        series_of["et0_mm"],
        series_of["tmin_c"],
        series_of["tmax_c"],
        series_of["rh_pct"],
        series_of["wind_m_s"],
        series_of["sun_h"],
        series_of["radiation_mj_m2"],
    )


def _has_evaporation(record: Record) -> bool:
    return record.has("et0_mm") or (record.has("tmin_c") and record.has("tmax_c"))


def _evaporation(record: Record) -> None:
    if record.has("et0_mm"):
        return
    if not _has_evaporation(record):
        record.problem(
            "et0_mm", "no evaporation", "nothing", "et0_mm, or tmin_c and tmax_c", "fill in one or the other"
        )
        return
    low, high = record.number("tmin_c", -60, 50, "C"), record.number("tmax_c", -60, 60, "C")
    if low is not None and high is not None and low > high:
        record.problem(
            "tmin_c",
            "the coldest is warmer than the warmest",
            f"{low:g} and {high:g} C",
            "tmin_c at most tmax_c",
            "swap the two",
        )
