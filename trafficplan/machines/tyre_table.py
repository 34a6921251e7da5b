"""A maker's table for one tyre: which cold pressure carries which load at which speed, as plain data."""

from __future__ import annotations

from dataclasses import dataclass


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
