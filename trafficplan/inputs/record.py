"""One row, feature or table whose values are checked one by one; each complaint knows its place."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.units import PSI

_TRUE = {"yes", "true", "1", "y"}
_FALSE = {"no", "false", "0", "n", ""}


@dataclass(frozen=True)
class Record:
    """Values of one row or feature by our column name, and the words that say where it is."""

    ledger: Ledger
    where: str
    values: Mapping[str, object]

    def place(self, column: str) -> str:
        """Return where a value stands, for a message."""
        return f"{self.where}, column {column}"

    def problem(self, column: str, what: str, found: object, needed: str, mend: str) -> None:
        """Record a problem with one column."""
        self.ledger.problem(what, self.place(column), str(found), needed, mend)

    def has(self, column: str) -> bool:
        """Tell whether the column holds a value."""
        return _clean(self.values.get(column)) != ""

    def text(self, column: str, needed: str = "", *, required: bool = False) -> str:
        """Return a text, "" where empty; a missing required one is a problem."""
        value = _clean(self.values.get(column))
        if required and not value:
            self.problem(column, "a value is missing", "nothing", needed or "a value", f"fill in {column}")
        return value

    def number(self, column: str, low: float, high: float, unit: str, *, required: bool = False) -> float | None:
        """Return a number within [low, high], or None (a problem, unless empty and not required)."""
        value = _clean(self.values.get(column))
        needed = f"a number from {low:g} to {high:g} {unit}".rstrip()
        if not value:
            if required:
                self.problem(column, "a number is missing", "nothing", needed, f"fill in {column}")
            return None
        number = as_number(value)
        if number is None:
            self.problem(column, "not a number", value, needed, number_mend(value, unit))
            return None
        if not low <= number <= high:
            self.problem(
                column,
                "number out of range",
                f"{number:g} {unit}".rstrip(),
                needed,
                range_mend(number, low, high, unit),
            )
            return None
        return number

    def choice(self, column: str, allowed: Collection[str]) -> str:
        """Return one of the allowed words, or "" where empty."""
        value = _clean(self.values.get(column))
        if not value:
            return ""
        for word in allowed:
            if value.lower() == word.lower():
                return word
        near = nearest(value, allowed)
        self.problem(
            column,
            "unknown word",
            value,
            f"one of {listed(allowed)}",
            f"write {near}" if near else "use one of these words",
        )
        return ""

    def flag(self, column: str) -> bool:
        """Return yes or no; empty is no."""
        value = _clean(self.values.get(column)).lower()
        if value not in _TRUE | _FALSE:
            self.problem(column, "not yes or no", value, "yes or no", "write yes or no")
        return value in _TRUE

    def date(self, column: str, *, required: bool = False) -> dt.date | None:
        """Return a day written YYYY-MM-DD."""
        value = _clean(self.values.get(column))
        if not value:
            if required:
                self.problem(column, "a date is missing", "nothing", "a date as YYYY-MM-DD", f"fill in {column}")
            return None
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
            self.problem(
                column,
                "not a date",
                value,
                "a date as YYYY-MM-DD",
                "write year, month and day as in 2026-04-30",
            )
            return None
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            self.problem(column, "a date that does not exist", value, "a day of the calendar", "check month and day")
            return None

    def time(self, column: str) -> dt.time | None:
        """Return a time of day written HH:MM, or None where empty."""
        value = _clean(self.values.get(column))
        if not value:
            return None
        try:
            if not re.fullmatch(r"\d{1,2}:\d{2}", value):
                raise ValueError(value)
            return dt.time(int(value.split(":")[0]), int(value.split(":")[1]))
        except ValueError:
            self.problem(column, "not a time of day", value, "a time as HH:MM", "write hours and minutes as in 07:30")
            return None


def _clean(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()


def as_number(text: str) -> float | None:
    """Return a finite number written with a decimal point, or None.

    Examples
    --------
    >>> as_number("1.5"), as_number("1,5"), as_number("nan")
    (1.5, None, None)
    """
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
        return None
    number = float(text)
    return number if math.isfinite(number) else None


#: A number with marks of thousands: spaces, apostrophes, points or commas between groups of three digits.
_THOUSANDS = re.compile("([+-]?\\d{1,3})([ '\u2019\u00a0\u202f.,])(\\d{3}(?:\\2\\d{3})*)(?:[.,](\\d+))?")


def number_mend(value: str, unit: str) -> str:
    """Say how to write a number that was not understood; what a mark means is asked, never decided.

    Examples
    --------
    >>> number_mend("0,25", "m"), number_mend("12 000", "kg"), number_mend("1.234,5", "kg")
    ('write a decimal point: 0.25', 'write 12000, without marks of thousands', 'write 1234.5, without marks of thousands')
    >>> number_mend("1,200", "kg")
    'write 1200 if the comma marks thousands, 1.200 if it is a decimal comma'
    """
    marked = _THOUSANDS.fullmatch(value)
    if marked:
        first, mark, rest, decimals = marked.groups()
        plain = f"{first}{rest.replace(mark, '')}{f'.{decimals}' if decimals else ''}"
        if mark == "," and len(rest) == 3 and not decimals:
            return f"write {plain} if the comma marks thousands, {value.replace(',', '.')} if it is a decimal comma"
        return f"write {plain}, without marks of thousands"
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return f"write a decimal point: {value.replace(',', '.')}"
    bare = re.match(r"[+-]?\d+(\.\d+)?", value)
    if bare and value[bare.end() :].strip():
        return f"write the number alone, in {unit}" if unit else "write the number alone"
    return "write a number, or leave the place empty where it may be unknown"


#: Unit asked for -> (unit that may have been meant, its size in the unit asked for).
_MIX_UPS: dict[str, tuple[tuple[str, float], ...]] = {
    "t": (("kg", 0.001),),
    "bar": (("psi", PSI / 1e5), ("kPa", 0.01)),
    "m": (("cm", 0.01), ("mm", 0.001)),
    "g/cm3": (("kg/m3", 0.001),),
    "t/m3": (("kg/m3", 0.001),),
    "kPa": (("Pa", 0.001),),
}


def range_mend(number: float, low: float, high: float, unit: str) -> str:
    """Say how to mend a number out of range; a likely mix-up of units is asked about, never applied.

    Examples
    --------
    >>> range_mend(1400.0, 0.1, 2.65, "g/cm3")
    'if 1400 was meant in kg/m3, write 1.4 (g/cm3)'
    """
    if number < low <= -number <= high:
        return "remove the minus sign"
    if unit == "%" and low > 0 and 0 < number < low:
        return "write percent, not a fraction"
    if number <= high:
        return "check the value and its unit"
    meant = [
        f"if {number:g} was meant in {other}, write {number * size:.3g} ({unit})"
        for other, size in _MIX_UPS.get(unit, ())
        if low <= number * size <= high
    ]
    return "; ".join(meant) if meant else "check the value and its unit"
