"""Units of columns: what our column is in, what the file's column is in, and the way from one to the other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trafficplan.inputs.record import as_number
from trafficplan.units import FACTORS


@dataclass(frozen=True)
class Column:
    """One column of a file: its name there ("": the same as ours) and its unit ("": the same as ours)."""

    name: str = ""
    unit: str = ""


#: Ending of our column names -> its unit; the longest fitting one counts.
_ENDINGS: dict[str, str] = {
    "_m": "m",
    "_mm": "mm",
    "_cm": "cm",
    "_kg": "kg",
    "_t": "t",
    "_bar": "bar",
    "_kpa": "kPa",
    "_pct": "%",
    "_g_cm3": "g/cm3",
    "_mj_m2": "MJ/m2",
    "_km_h": "km/h",
    "_m_s": "m/s",
    "_c": "C",
    "_h": "h",
    "_deg": "degrees",
}

#: Units of one kind -> size in the kind's first unit; lengths, masses and so on are exact by definition.
_KINDS: tuple[Mapping[str, float], ...] = (
    {name: FACTORS[name] for name in ("m", "mm", "cm", "km", "in", "ft")},
    {name: FACTORS[name] for name in ("kg", "t", "g", "lb")},
    {**{name: FACTORS[name] for name in ("Pa", "kPa", "bar", "psi")}, "MPa": 1e6, "hPa": 100.0},
    {name: FACTORS[name] for name in ("m/s", "km/h", "mph", "kn")},
    {"%": 1.0, "fraction": 100.0, "g/kg": 0.1, "permille": 0.1, "mg/kg": 1e-4},
    {"g/cm3": 1.0, "t/m3": 1.0, "kg/m3": 1e-3, "kg/dm3": 1.0, "cg/cm3": 0.01},
    {name: FACTORS[name] for name in ("h", "min", "s")},
    {"MJ/m2": 1.0, "kWh/m2": 3.6, "Wh/m2": 3.6e-3, "J/cm2": 0.01, "W/m2": 0.0864},
    {"degrees": 1.0},
)


def unit_of(ours: str) -> str:
    """Return the unit of one of our columns by its name, or "".

    Examples
    --------
    >>> unit_of("density_g_cm3"), unit_of("tillage_depth_m"), unit_of("wind_m_s"), unit_of("crop")
    ('g/cm3', 'm', 'm/s', '')
    """
    fitting = [ending for ending in _ENDINGS if ours.endswith(ending)]
    return _ENDINGS[max(fitting, key=len)] if fitting else ""


def known_units(ours: str) -> tuple[str, ...]:
    """Return the units that a file's column may be in, or () where ours has no unit."""
    unit = unit_of(ours)
    if unit == "C":
        return ("C", "F", "K")
    return next((tuple(kind) for kind in _KINDS if unit in kind), ())


def change_of(ours: str, unit: str) -> tuple[float, float]:
    """Return factor and summand that turn a value in `unit` into our column's unit.

    Examples
    --------
    >>> change_of("tillage_depth_m", "cm"), change_of("tmax_c", "F")[0]
    ((0.01, 0.0), 0.5555555555555556)
    """
    own = unit_of(ours)
    if own == "C":
        return {"C": (1.0, 0.0), "F": (5 / 9, -160 / 9), "K": (1.0, -273.15)}[unit]
    kind = next(kind for kind in _KINDS if own in kind)
    return kind[unit] / kind[own], 0.0


def in_our_units(values: dict[str, object], columns: Mapping[str, Column]) -> dict[str, object]:
    """Return the values of one row with those in another unit converted; what is no number stays as it is."""
    for ours, form in columns.items():
        if form.unit and ours in values:
            number = as_number(str(values[ours]).strip())
            if number is not None:
                factor, summand = change_of(ours, form.unit)
                values[ours] = round(number * factor + summand, 12)
    return values
