"""A maker's table for one tyre, as typed in by its owner, and the law of reading it.

A row counts at or below its load and its speed: a wheel takes the row of the next heavier load and the next
faster speed. Nothing is read between rows and nothing beyond them. There is no bonus for low speed while
pulling hard: the caller asks with the speed that the table must have then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

#: What each tyre of a dual or a triple carries, as a share of its table (memory: standard of the US Tire and
#: Rim Association).
DUAL_SHARE, TRIPLE_SHARE = 0.88, 0.82

#: Rounding that is forgiven when a load or a speed is exactly that of a row (relative).
_EXACT = 1.0 + 1e-6


@dataclass(frozen=True)
class TyreRow:
    """One row: the load that one tyre carries at a speed [kg, m/s] with a cold pressure [Pa]."""

    load_kg: float
    speed_m_s: float
    pressure_pa: float


@dataclass(frozen=True)
class TyreTable:
    """All rows of a tyre by its size code, ordered by speed and load; typed in by its owner."""

    tyre: str
    rows: tuple[TyreRow, ...]


@dataclass(frozen=True)
class NoPressure:
    """Why a table gives no pressure.

    Attributes
    ----------
    reason : "no_table", "load" (over the last row at this speed or faster), "speed" (over the last row), or
        "stability" (the person's own least pressure is above every row)
    asked, most : what was asked for and the most that the table has [kg, m/s or Pa]; 0 without a table
    """

    reason: Literal["no_table", "load", "speed", "stability"]
    asked: float = 0.0
    most: float = 0.0


def lowest_pressure(table: TyreTable, load_kg: float, speed_m_s: float) -> TyreRow | NoPressure:
    """Return the row that a tyre must be read from: next heavier load, next faster speed.

    Parameters
    ----------
    table : one row is enough; it counts at or below its load and speed
    load_kg : load on this one tyre [kg]; of a dual, its load divided by `multiple_share`
    speed_m_s : speed [m/s]

    Returns
    -------
    The row of the lowest pressure among those that carry the load at the speed; else the reason.

    Examples
    --------
    >>> one = TyreTable("x", (TyreRow(3000.0, 10.0, 160e3),))
    >>> lowest_pressure(one, 2500.0, 8.0).pressure_pa
    160000.0
    >>> lowest_pressure(one, 3001.0, 8.0).reason
    'load'
    """
    fast = [row for row in table.rows if row.speed_m_s * _EXACT >= speed_m_s]
    if not fast:
        return NoPressure("speed", speed_m_s, max((row.speed_m_s for row in table.rows), default=0.0))
    strong = [row for row in fast if row.load_kg * _EXACT >= load_kg]
    if not strong:
        return NoPressure("load", load_kg, max(row.load_kg for row in fast))
    return min(strong, key=lambda row: (row.pressure_pa, row.speed_m_s, row.load_kg))


def multiple_share(wheels_on_a_side: int) -> float:
    """Return the share of its table that each tyre carries: single 1, dual 0.88, triple or more 0.82.

    Examples
    --------
    >>> multiple_share(1), multiple_share(2), multiple_share(3)
    (1.0, 0.88, 0.82)
    """
    if wheels_on_a_side <= 1:
        return 1.0
    return DUAL_SHARE if wheels_on_a_side == 2 else TRIPLE_SHARE


def table_of(tables: Mapping[str, TyreTable], code: str) -> TyreTable | None:
    """Return the table of a size code; only blanks, capitals and decimal commas may differ."""
    wanted = _plain(code)
    return next((table for key, table in tables.items() if _plain(key) == wanted), None)


def _plain(code: str) -> str:
    return "".join(code.upper().replace(",", ".").split())
