"""Pressures for the day's load: what the tables allow, what it does to the soil, and whether to go.

The tyre's own table is the law; without a row no pressure is named. A pressure is never set below the
person's own least one for stability, and axles that cannot change theirs get one for the whole trip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.ladder import Rungs, chances, rungs, steps_between
from trafficplan.decide.rolling import Rolling, cone_of, rolling
from trafficplan.decide.trip import STEEPEST, AxleLoad, Leg, heaviest
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.machines.tyre_table import (
    NoPressure,
    TyreRow,
    TyreTable,
    lowest_pressure,
    multiple_share,
    table_of,
)
from trafficplan.names import Note
from trafficplan.soil.day import soil_day
from trafficplan.soil.unit import SoilDay, SoilUnit
from trafficplan.units import GRAVITY, KM_H

Floats = NDArray[np.float64]

#: Pull over weight of the powered axles from which torque is high, and the speed whose rows count then (ours;
#: the raised loads at 10 km/h are not for sustained high torque: memory, UN R106).
HIGH_TORQUE, TORQUE_SPEED_M_S = 0.25, 30 * KM_H


@dataclass(frozen=True)
class Question:
    """Everything that the answer depends on.

    Attributes
    ----------
    outfit, tables : the outfit with its weighed loads, and the owner's tables by size code
    load_kg : product on board at the start
    legs : front to back in time; at least one
    units : soil units under the field
    depths_m : depths told, `judged_m` among them
    tillage_m, loose_m : depth of the tillage that follows (0: none); to which the soil lies freshly tilled
    judged_m : depth just below tillage, by which the answer is judged
    tension_pa : of the top and the deep layer
    slope : steepest side slope, rise over run
    draft_n : what the implement asks beside rolling
    tills : the outfit pulls through soil: high torque whatever the draft
    """

    outfit: Outfit
    tables: Mapping[str, TyreTable]
    load_kg: float
    legs: tuple[Leg, ...]
    units: tuple[SoilUnit, ...]
    depths_m: Floats
    tillage_m: float
    loose_m: float
    judged_m: float
    tension_pa: tuple[float, float]
    slope: float = 0.0
    draft_n: float = 0.0
    tills: bool = False


@dataclass(frozen=True)
class AxleRows:
    """What the tables say for one axle.

    Attributes
    ----------
    field, track : the axle in its heaviest state in the field and on the track
    rows : leg name -> row, or why there is none
    field_pa, track_pa, one_pa : pressure to set in the field, on the track, and as one for the whole trip;
        None where none may be named
    table_field_pa : what the table alone would allow in the field (stability may ask for more); of an axle that
        cannot change, on the whole trip
    derate : share of the table that each tyre carries (duals, triples)
    torque : read at the speed of high torque in the field
    """

    field: AxleLoad
    track: AxleLoad
    rows: Mapping[str, TyreRow | NoPressure]
    field_pa: float | None
    track_pa: float | None
    one_pa: float | None
    table_field_pa: float | None
    derate: float
    torque: bool = False

    @property
    def axle(self) -> Axle:
        """The axle itself."""
        return self.field.axle

    def can_change(self) -> bool:
        """Return whether its pressure can differ between field and track."""
        return self.axle.adjust != "none"


@dataclass(frozen=True)
class AxleFigures:
    """One axle at one pressure: wheel and stress, and the chance on the worst soil of the field.

    Attributes
    ----------
    rungs : with one pressure
    chance : (m,) by depth on the worst soil of each depth
    tilled, deep : highest chance down to the tillage depth, and from it on
    judged : chance just below tillage on the worst soil, and that soil's key
    """

    load: AxleLoad
    pressure_pa: float
    rungs: Rungs
    chance: Floats
    tilled: float
    deep: float
    judged: tuple[float, str]


@dataclass(frozen=True)
class Setting:
    """The whole outfit in the field at some pressures: figures by axle, and how it rolls."""

    axles: tuple[AxleFigures, ...]
    rolling: Rolling

    def governing(self) -> int:
        """Return the axle whose wheel reaches deepest."""
        return int(np.argmax([one.rungs.reach_m[0] for one in self.axles]))

    def stress_pa(self) -> Floats:
        """Return the highest stress of all axles by depth [Pa]."""
        return np.asarray(np.max([one.rungs.stress_pa[0] for one in self.axles], axis=0))

    def upper_pa(self) -> Floats:
        """Return the same by the upper run [Pa]."""
        return np.asarray(np.max([one.rungs.upper_pa[0] for one in self.axles], axis=0))

    def reach_m(self) -> float:
        """Return the depth reached by the governing wheel [m]."""
        return float(max(one.rungs.reach_m[0] for one in self.axles))

    def judged(self) -> tuple[float, str]:
        """Return the highest chance just below tillage among the axles, and its soil."""
        return max(one.judged for one in self.axles)


def days_of(question: Question) -> tuple[dict[str, SoilDay], tuple[Note, ...]]:
    """Return each soil unit on the day, and what was assumed of it."""
    days: dict[str, SoilDay] = {}
    notes: list[Note] = []
    for unit in question.units:
        days[unit.key], more = soil_day(
            unit, question.depths_m, *question.tension_pa, question.tillage_m, question.loose_m
        )
        notes.extend(more)
    return days, tuple(dict.fromkeys(notes))


def rows_of(question: Question) -> tuple[AxleRows, ...]:
    """Return what the tables say for every axle, front to back."""
    pull = {soil: pull_on(question, soil) for soil in (True, False)}
    field = heaviest(question.outfit, question.load_kg, True, pull[True], question.slope)
    track = heaviest(question.outfit, question.load_kg, False, pull[False], question.slope)
    powered = sum(one.load_n for one in field if one.kind == "powered")
    torque = question.tills or (powered > 0 and pull[True] > HIGH_TORQUE * powered)
    return tuple(_rows(question, *pair, torque) for pair in zip(field, track, strict=True))


def pull_on(question: Question, on_soil: bool) -> float:
    """Return the drawbar pull on a leg [N], at the pressures of the outfit's file."""
    loads = heaviest(question.outfit, question.load_kg, on_soil, 0.0, 0.0)
    pressures = [_given(one.axle, on_soil) for one in loads]
    cone = cone_of(question.tension_pa[0], on_soil)
    return rolling(loads, pressures, pressures, cone, question.draft_n if on_soil else 0.0, 1.0).pull_n


def _given(axle: Axle, on_soil: bool) -> float:
    return axle.field_pa if on_soil else axle.track_pa


def _rows(question: Question, field: AxleLoad, track: AxleLoad, torque: bool) -> AxleRows:
    axle = field.axle
    table = table_of(question.tables, axle.wheels[0].tyre.code)
    derate = multiple_share(field.wheels_on_a_side())
    rows: dict[str, TyreRow | NoPressure] = {}
    for leg in question.legs:
        load = field if leg.on_soil else track
        speed = leg.speed_m_s
        if leg.on_soil and torque and load.kind == "powered":
            speed = max(speed, TORQUE_SPEED_M_S)
        rows[leg.name] = (
            NoPressure("no_table")
            if table is None
            else lowest_pressure(table, load.wheel_n() / GRAVITY / derate, speed)
        )
    least = max(axle.least_field_pa or 0.0, axle.least_track_pa or 0.0)
    highest = max((row.pressure_pa for row in table.rows), default=0.0) if table else 0.0
    if table and least > highest:
        rows = {name: NoPressure("stability", least, highest) for name in rows}
    advised = axle.wheels[0].tyre.kind == "tyre" and not (question.slope > STEEPEST)
    table_field = _highest(question, rows, True) if advised else None
    table_track = _highest(question, rows, False) if advised else None
    field_pa = _at_least(table_field, axle.least_field_pa)
    track_pa = _at_least(table_track, axle.least_track_pa)
    known = [one for one in (field_pa, track_pa) if one is not None]
    legs = {leg.on_soil for leg in question.legs}
    one_pa = max(known) if len(known) == len(legs) else None
    if axle.adjust == "none":
        field_pa = track_pa = one_pa
        both = [one for one in (table_field, table_track) if one is not None]
        table_field = max(both) if one_pa is not None else None
    return AxleRows(
        field, track, rows, field_pa, track_pa, one_pa, table_field, derate, torque and field.kind == "powered"
    )


def _highest(question: Question, rows: Mapping[str, TyreRow | NoPressure], on_soil: bool) -> float | None:
    """Return the pressure that serves all legs of one kind of ground; None where a row is missing."""
    wanted = [rows[leg.name] for leg in question.legs if leg.on_soil == on_soil]
    found = [row.pressure_pa for row in wanted if isinstance(row, TyreRow)]
    return max(found) if found and len(found) == len(wanted) else None


def _at_least(pressure: float | None, least: float | None) -> float | None:
    return None if pressure is None else max(pressure, least or 0.0)


def pressures_for(rows: Sequence[AxleRows], plan: Literal["field", "track", "table", "given"]) -> list[float]:
    """Return a field pressure for every axle [Pa].

    Parameters
    ----------
    plan : "field" let down; "track" one for the whole trip; "table" let down without what stability asks;
        "given" as in the outfit's file, which also stands in, for the figures alone, where none may be named
    """
    picked: list[float] = []
    for one in rows:
        named = {
            "field": one.field_pa,
            "track": one.one_pa,
            "table": one.table_field_pa,
            "given": None,
        }[plan]
        picked.append(named or one.axle.field_pa)
    return picked


def setting(question: Question, rows: Sequence[AxleRows], pressures_pa: Sequence[float]) -> Setting:
    """Return what the outfit does in the field at some pressures, every axle in its heaviest state."""
    return setting_of(question, rows, [one.field for one in rows], pressures_pa)


def setting_of(
    question: Question, rows: Sequence[AxleRows], loads: Sequence[AxleLoad], pressures_pa: Sequence[float]
) -> Setting:
    """Return what the outfit does in the field with other axle loads than those of the rows."""
    days, _ = days_of(question)
    axles = tuple(figures(question, days, one, p) for one, p in zip(loads, pressures_pa, strict=True))
    references = [one.track_pa or one.axle.track_pa for one in rows]
    cone = cone_of(question.tension_pa[0], True)
    speed = next((leg.speed_m_s for leg in question.legs if leg.on_soil), question.outfit.field_m_s)
    return Setting(axles, rolling(loads, pressures_pa, references, cone, question.draft_n, speed))


def figures(question: Question, days: Mapping[str, SoilDay], load: AxleLoad, pressure_pa: float) -> AxleFigures:
    """Return one axle at one pressure on the field's soils."""
    depths = question.depths_m
    one = rungs(load, pressure_pa, depths, next(iter(days.values())).nu, question.tillage_m)
    by_soil = {key: chances(one.stress_pa[0], day) for key, day in days.items()}
    worst = np.max(list(by_soil.values()), axis=0)
    above = depths <= question.tillage_m + 1e-9
    place = int(np.argmin(np.abs(depths - question.judged_m)))
    soil = max(by_soil, key=lambda key: float(by_soil[key][place]))
    return AxleFigures(
        load,
        pressure_pa,
        one,
        worst,
        float(worst[above].max()) if above.any() else 0.0,
        float(worst[~above].max()),
        (float(worst[place]), soil),
    )


@dataclass(frozen=True)
class Ladder:
    """One axle at a row of pressures, from the lowest that its table allows in the field.

    Attributes
    ----------
    chance : (n, m) chance of overstress on the worst soil of each depth
    legs : for each pressure, the legs on which the table allows it
    """

    rows: AxleRows
    rungs: Rungs
    chance: Floats
    legs: tuple[tuple[str, ...], ...]


def ladder_of(question: Question, rows: AxleRows, days: Mapping[str, SoilDay]) -> Ladder | None:
    """Return an axle's ladder of pressures in its heaviest state; None where none may be named."""
    table = table_of(question.tables, rows.axle.wheels[0].tyre.code)
    low = rows.table_field_pa
    if table is None or low is None:
        return None
    high = max(rows.one_pa or low, rows.axle.track_pa, rows.axle.field_pa)
    steps = steps_between(low, high, max(row.pressure_pa for row in table.rows))
    found = rungs(rows.field, steps, question.depths_m, next(iter(days.values())).nu, question.tillage_m)
    chance = np.max([chances(found.stress_pa, day) for day in days.values()], axis=0)
    legs = tuple(
        tuple(name for name, row in rows.rows.items() if isinstance(row, TyreRow) and row.pressure_pa <= pressure + 1.0)
        for pressure in steps
    )
    return Ladder(rows, found, chance, legs)
