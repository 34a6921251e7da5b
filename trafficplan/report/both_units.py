"""Quantities inside sentences, for people who read US units: the US value beside the one that was given."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from trafficplan import units as factor
from trafficplan.names import Note

_MILE = 5280 * factor.FOOT
_POUND_ACRE = factor.ACRE / factor.POUND
#: Metric unit -> the US unit, and how many of it one is. Short tons (2000 lb), US gallons (231 cubic inches).
_GALLON = 231 * factor.INCH**3
BESIDE = {
    "mm": ("in", 1e-3 / factor.INCH),
    "cm": ("in", 1e-2 / factor.INCH),
    "m": ("ft", 1 / factor.FOOT),
    "km": ("miles", 1e3 / _MILE),
    "m2": ("sq ft", 1 / factor.FOOT**2),
    "ha": ("acres", factor.HECTARE / factor.ACRE),
    "kg": ("lb", 1 / factor.POUND),
    "t": ("lb", 1e3 / factor.POUND),
    "bar": ("psi", factor.BAR / factor.PSI),
    "kPa": ("psi", factor.KPA / factor.PSI),
    "km/h": ("mph", 1e3 / _MILE),
    "kg/ha": ("lb/acre", _POUND_ACRE / factor.HECTARE),
    "t/ha": ("tons/acre", 0.5 * _POUND_ACRE / factor.HECTARE),
    "m3/ha": ("gal/acre", factor.ACRE / factor.HECTARE / _GALLON),
    "l/ha": ("gal/acre", 1e-3 * factor.ACRE / factor.HECTARE / _GALLON),
    "kg/m3": ("lb/cu ft", factor.FOOT**3 / factor.POUND),
}
#: Metres below this are told in inches.
INCHES_BELOW_M = 0.6
_NUMBER = r"\d+(?:,\d{3})*(?:\.\d+)?"
_UNIT = "|".join(re.escape(unit) for unit in sorted(BESIDE, key=len, reverse=True))
#: One number, or several that share a unit ("0.1 to 10 m", "60 x 60 cm"), and what follows that may say it already.
_QUANTITY = re.compile(
    rf"(?<![\w.,/-])({_NUMBER}(?:(?:, | to | x | and | or |-){_NUMBER})*) ?({_UNIT})(?![\w/²³*]|\.\d| km\b)"
    rf"(?! \([\d.,]+ (?:psi|ft|in|lb))"
)


def in_both(text: str) -> str:
    """Return a text with the US value behind each metric quantity in it.

    Examples
    --------
    >>> in_both("12 m, kept from water"), in_both("1.2 bar (17 psi)"), in_both("0.1 to 10 m")
    ('12 m (39.4 ft), kept from water', '1.2 bar (17 psi)', '0.1 to 10 m (0.328 to 32.8 ft)')
    >>> in_both("two thirds (9.3 t)"), in_both("tilled to 0.2 m, antenna at 0 m")
    ('two thirds (9.3 t, 20,500 lb)', 'tilled to 0.2 m (7.87 in), antenna at 0 m')
    >>> in_both("25 x 25 cm at 4 km/h"), in_both("season 2026, mill-2m.csv, row 3")
    ('25 x 25 cm (9.84 x 9.84 in) at 4 km/h (2.49 mph)', 'season 2026, mill-2m.csv, row 3')
    """

    def both(match: re.Match[str]) -> str:
        unit, scale = BESIDE[match[2]]
        values = [float(one.replace(",", "")) for one in re.findall(_NUMBER, match[1])]
        if not any(values):
            return match[0]
        if unit == "ft" and max(values) < INCHES_BELOW_M:
            unit, scale = "in", 1 / factor.INCH
        there = re.sub(_NUMBER, lambda one: _three(float(one[0].replace(",", "")) * scale), match[1])
        within = text[: match.start()].endswith("(") and text[match.end() :].startswith(")")
        return f"{match[0]}, {there} {unit}" if within else f"{match[0]} ({there} {unit})"

    return _QUANTITY.sub(both, text)


def _three(value: float) -> str:
    """Return a number with three digits, as a person writes it."""
    rounded = float(f"{value:.3g}")
    return f"{rounded:,.0f}" if abs(rounded) >= 100 else f"{rounded:g}"


def notes_in(notes: Sequence[Note], units: str) -> list[Note]:
    """Return notes as people read them who have asked for these units."""
    if units != "us":
        return list(notes)
    return [replace(note, value=in_both(note.value), why=in_both(note.why)) for note in notes]


def lines_in(lines: Sequence[str], units: str) -> list[str]:
    """Return sentences as people read them who have asked for these units."""
    return [in_both(line) for line in lines] if units == "us" else list(lines)
