"""Usual names of weather columns, as stations and services write them: understood when they carry their unit."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from trafficplan.inputs.column_units import Column, known_units
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.table import header_of

#: Our column -> words that it goes by elsewhere, in small letters with _ between words, without the unit.
_WORDS: Mapping[str, tuple[str, ...]] = {
    "rain_mm": ("rain", "rainfall", "rain_sum", "precipitation", "precipitation_sum", "precip", "prcp"),
    "et0_mm": (
        "et0",
        "eto",
        "et_0",
        "evapotranspiration",
        "reference_evapotranspiration",
        "et0_fao_evapotranspiration",
    ),
    "tmin_c": (
        "tmin",
        "t_min",
        "temp_min",
        "min_temp",
        "temperature_min",
        "minimum_temperature",
        "temperature_2m_min",
    ),
    "tmax_c": (
        "tmax",
        "t_max",
        "temp_max",
        "max_temp",
        "temperature_max",
        "maximum_temperature",
        "temperature_2m_max",
    ),
    "rh_pct": ("rh", "humidity", "relative_humidity", "rh_mean"),
    "wind_m_s": ("wind", "wind_speed", "windspeed", "wind_speed_2m"),
    "sun_h": ("sun", "sunshine", "sunshine_duration", "sun_hours"),
    "radiation_mj_m2": (
        "radiation",
        "solar_radiation",
        "global_radiation",
        "shortwave_radiation",
        "shortwave_radiation_sum",
    ),
}
_DATES = ("day", "time", "date_utc")

#: Units as written in headers, in small letters -> ours.
_UNITS: Mapping[str, str] = {
    "mm": "mm",
    "cm": "cm",
    "in": "in",
    "inch": "in",
    "inches": "in",
    "c": "C",
    "degc": "C",
    "deg_c": "C",
    "\u00b0c": "C",
    "f": "F",
    "degf": "F",
    "deg_f": "F",
    "\u00b0f": "F",
    "k": "K",
    "%": "%",
    "pct": "%",
    "percent": "%",
    "m/s": "m/s",
    "m_s": "m/s",
    "km/h": "km/h",
    "km_h": "km/h",
    "kmh": "km/h",
    "mph": "mph",
    "kn": "kn",
    "mj/m2": "MJ/m2",
    "mj_m2": "MJ/m2",
    "mj/m\u00b2": "MJ/m2",
    "kwh/m2": "kWh/m2",
    "kwh_m2": "kWh/m2",
    "wh/m2": "Wh/m2",
    "wh_m2": "Wh/m2",
    "j/cm2": "J/cm2",
    "j_cm2": "J/cm2",
    "w/m2": "W/m2",
    "w_m2": "W/m2",
    "h": "h",
    "hours": "h",
    "min": "min",
    "s": "s",
}


def usual_columns(ledger: Ledger, path: Path, told: Mapping[str, Column]) -> dict[str, Column] | None:
    """Return the mapping of farm.toml with usual names added; None where one has no unit (asked, not guessed)."""
    header = header_of(ledger, path) or []
    lower = [cell.lower() for cell in header]
    columns = dict(told)
    before = ledger.count()
    name = path.relative_to(ledger.folder).as_posix()
    if "date" not in lower and "date" not in columns:
        stamp = next((cell for cell in header if cell.lower() in _DATES), None)
        columns |= {"date": Column(stamp)} if stamp else {}
    for ours, words in _WORDS.items():
        if ours in lower or ours in columns:
            continue
        found = _found(header, words, known_units(ours))
        if found is None:
            continue
        column, unit = found
        if unit:
            columns[ours] = Column(column, unit)
            ledger.assumed(f"{name}: column {column}", f"{ours}, in {unit}", "a usual name with its unit", "its name")
        else:
            ledger.problem(
                "a weather column without its unit",
                name,
                column,
                f"{ours}, or a mapping with the unit",
                f'write in farm.toml, table columns.weather: {ours} = {{ column = "{column}", unit = "..." }}',
            )
    return columns if ledger.count() == before else None


def _found(header: Sequence[str], words: Sequence[str], units: Sequence[str]) -> tuple[str, str] | None:
    """Return the first column that has one of the words, and its unit ("" where the name has none that fits)."""
    for column in header:
        name = column.lower().strip()
        inner = re.fullmatch(r"(.*?)[\s_]*[(\[](.+?)[)\]]", name)
        if inner:
            word, unit = inner.group(1), _UNITS.get(inner.group(2).strip(), "")
        else:
            ending = next((one for one in sorted(_UNITS, key=len, reverse=True) if name.endswith(f"_{one}")), "")
            known = re.sub(r"[\s.-]+", "_", name)
            if known in words:
                ending = ""
            word, unit = name.removesuffix(f"_{ending}") if ending else name, _UNITS.get(ending, "")
        if re.sub(r"[\s.-]+", "_", word) in words:
            return column, unit if unit in units else ""
    return None
