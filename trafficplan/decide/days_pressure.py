"""Pressures of a calendar: whether the tables allow those it was made with, and what the lowest they allow would change."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from trafficplan.decide.candidates import SAME_PA
from trafficplan.decide.days import FieldDays, field_days
from trafficplan.decide.days_load import StressTable, set_to
from trafficplan.decide.pressure import AxleRows, Question, rows_of
from trafficplan.decide.trip import STEEPEST, Leg
from trafficplan.farm.elevation import slopes_within
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.machines.outfit import Outfit
from trafficplan.machines.tyre_table import NoPressure
from trafficplan.names import DEPTHS, Note
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.units import BAR


@dataclass(frozen=True)
class LetDown:
    """The calendar at the lowest field pressures that the owner's tyre tables allow with the full load.

    Attributes
    ----------
    pressures_pa : axle -> pressure, of those that come down; they hold for every smaller load too
    all_trip : whether one of them cannot change under way: it is then the pressure of the whole trip
    found : the calendar at them
    """

    pressures_pa: Mapping[str, float]
    all_trip: bool
    found: FieldDays


def let_down(
    farm: Farm,
    field: Field,
    before: FieldDays,
    tables: dict[tuple[object, ...], StressTable] | None = None,
) -> LetDown | None:
    """Return the calendar of a field with the pressures let down; None where no axle may come down.

    None too where the field is so steep that no lowest pressure is named.
    """
    if _steepest(farm, field) > STEEPEST:
        return None
    rows = {one.axle.key: one for one in _rows(farm, before.outfit, before.load_kg)}
    lower = {
        key: one.field_pa
        for key, one in rows.items()
        if one.field_pa is not None and one.axle.field_pa - one.field_pa > SAME_PA
    }
    if not lower:
        return None
    first, last = (one.astype("datetime64[D]").astype(dt.date) for one in before.days[[0, -1]])
    outfit = set_to(before.outfit, lower)
    found = field_days(farm, field, outfit, before.load_kg, before.limit, first, last, before.job, tables)
    return LetDown(lower, any(not rows[key].can_change() for key in lower), found)


def under_table(farm: Farm, outfit: Outfit, load_kg: float) -> tuple[Note, ...]:
    """Return a warning for every axle whose pressure in the field is under its table for the load, or that has no row."""
    notes = []
    for one in _rows(farm, outfit, load_kg):
        what = f"outfit {outfit.key}, axle {one.axle.key}: pressure in the field"
        row = one.rows["field"]
        if isinstance(row, NoPressure):
            if row.reason in ("load", "speed"):
                why = f"its tyre table has no row for the wheel's {row.reason} with {load_kg / 1e3:g} t on board: do not drive it"
                notes.append(Note("warned", what, f"{one.axle.field_pa / BAR:.2g} bar", why, "tyre_tables.csv"))
        elif row.pressure_pa - one.axle.field_pa > SAME_PA:
            why = f"its tyre table asks for {row.pressure_pa / BAR:.2g} bar with {load_kg / 1e3:g} t on board"
            notes.append(Note("warned", what, f"{one.axle.field_pa / BAR:.2g} bar is too low", why, "tyre_tables.csv"))
    return tuple(notes)


def _rows(farm: Farm, outfit: Outfit, load_kg: float) -> tuple[AxleRows, ...]:
    """Return what the tables say of an outfit's axles, on moist ground."""
    legs = (Leg("field", outfit.field_m_s, True), Leg("track", outfit.track_m_s, False))
    moist = HAND_TEST["moulds"]
    tills = any(one.outfit == outfit.key and one.till_depth_m > 0 for one in farm.operations)
    return rows_of(
        Question(
            outfit, farm.tyre_tables, load_kg, legs, tuple(farm.soil_units.values()), np.array(DEPTHS), 0.2, 0.0,
            DEPTHS[2], (moist, moist), tills=tills,
        )
    )  # fmt: skip


def _steepest(farm: Farm, field: Field) -> float:
    if farm.elevation is None:
        return 0.0
    slopes = slopes_within(farm.elevation, field.polygon)
    return float(slopes.max()) if len(slopes) else 0.0
