"""Fit days: for each day of a season, what an outfit would do below the plough, and how much it could carry.

Stress depends on load, pressure, moisture class and depth, not on the day: it is tabulated once for an outfit. Strength
follows the tension of each soil's deep layer by the water balance of the day. The chance is that of the heaviest state
of every axle, at the worst depth below tillage; a day is judged by the worst soil of the field.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.advice import LEAST_SHARE, LOAD_STEP_KG
from trafficplan.decide.ladder import axle_stress, rungs
from trafficplan.decide.pressure import Question, pull_on
from trafficplan.decide.trip import AxleLoad, Leg, heaviest
from trafficplan.errors import InputError, Problem
from trafficplan.farm import season
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.farm.water import FieldWater, notes_of, soil_shares, water_of
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.names import DEPTHS, Note
from trafficplan.soil.compaction import chance
from trafficplan.soil.day import TOP_M, concentration_factor, soil_day
from trafficplan.soil.moisture import HAND_TEST, WORD_LIMITS
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]

#: Least part of a field that a soil must cover to count.
LEAST_SOIL = 0.01

#: Rain of one day after which no reading of moisture counts [mm] (Swiss soil-moisture network: found).
HEAVY_RAIN_MM = 10.0

#: Tension of the top layer below which it counts as waterlogged [Pa]: water stands some 20 cm below its middle (ours).
WATERLOGGED_PA = 2e3

#: Days over which rain is added up for a reason (ours).
RAIN_DAYS = 5

#: Loads that are tried at most; the step grows with the load.
LOADS_MOST = 30

#: States of a day, from good to bad.
STATES = ("fit", "lighter", "leave", "heavy rain", "waterlogged", "frozen", "unknown")

_NUS = (4, 5, 6)
_WORDS = tuple(HAND_TEST)  # smears, moulds, crumbles


@dataclass(frozen=True)
class StressTable:
    """Highest stress under an outfit at each load, word of the top layer, concentration factor and depth.

    Attributes
    ----------
    loads_kg : (loads,) from empty to the load asked for
    depths_m : (depths,) below tillage
    stress_pa : (loads, words, factors, depths)
    axle, wheel_kg, pressure_pa : the axle whose wheel is heaviest at the full load, that wheel's load, its pressure
    reach_m : how deep 50 kPa reaches under it, by factor (4 dry, 5 moist, 6 wet); it needs no strength
    """

    loads_kg: Floats
    depths_m: Floats
    stress_pa: Floats
    axle: str
    wheel_kg: float
    pressure_pa: float
    reach_m: tuple[float, ...]


@dataclass(frozen=True)
class FieldDays:
    """One field, one outfit, day by day; arrays (days,) unless said otherwise.

    Attributes
    ----------
    load_kg, limit : the full load, and the most chance at which people go
    judged_m : shallowest depth below tillage
    units, shares : soils of the field and the share of its area on each
    state : index into STATES
    chance_worst, chance_mean : at the full load, on the worst soil and as the mean by area
    chance_empty : with nothing on board, on the worst soil
    soil : index of the worst soil
    fit_load_kg : heaviest load that keeps the limit on all soils; NaN: none, or the day is closed
    fit_share : share of the area on which the full load keeps the limit
    top_pa, deep_pa : (days, units) tension of the layers
    rain_mm, et0_mm : of the day
    """

    field: Field
    outfit: Outfit
    job: str
    load_kg: float
    limit: float
    tillage_m: float
    judged_m: float
    units: tuple[SoilUnit, ...]
    shares: tuple[float, ...]
    table: StressTable
    days: NDArray[np.datetime64]
    state: NDArray[np.int64]
    chance_worst: Floats
    chance_mean: Floats
    chance_empty: Floats
    soil: NDArray[np.int64]
    fit_load_kg: Floats
    fit_share: Floats
    top_pa: Floats
    deep_pa: Floats
    rain_mm: Floats
    et0_mm: Floats
    operations: tuple[Operation, ...]
    notes: tuple[Note, ...]

    def rain_before(self, at: int) -> float:
        """Return the rain of a day and the days before it, RAIN_DAYS in all [mm]."""
        return float(np.nansum(self.rain_mm[max(0, at - RAIN_DAYS + 1) : at + 1]))


def field_days(
    farm: Farm,
    field: Field,
    outfit: Outfit,
    load_kg: float,
    limit: float,
    first: dt.date,
    last: dt.date,
    job: str = "",
    tables: dict[tuple[object, ...], StressTable] | None = None,
) -> FieldDays:
    """Return what an outfit would have done in a field on each day.

    Parameters
    ----------
    outfit : with the pressures that it runs at in the field
    load_kg : product on board at the start, the most that is asked for
    limit : most chance below tillage at which people go
    first, last : days of the calendar; those without weather are `unknown`
    tables : remembers stress between fields

    Raises
    ------
    InputError : when the farm has no weather, or the field lies on no soil
    """
    water = _water(farm, field)
    shares = {key: share for key, share in soil_shares(farm, field).items() if share >= LEAST_SOIL}
    if not shares:
        raise InputError(
            Problem("no soil lies under the field", f"field {field.key}", "no polygon of the soil map touches it",
                    "a soil map that covers the field", "extend the soil map")
        )  # fmt: skip
    whole = sum(shares.values())
    units = tuple(farm.soil_units[key] for key in shares)
    tillage, note = season.tillage_depth(field, farm.operations)
    judged = round((tillage or TOP_M) + 0.05, 3)
    table = _table(farm, outfit, load_kg, judged, {} if tables is None else tables)
    days = np.arange(np.datetime64(first), np.datetime64(last) + 1, dtype="datetime64[D]")
    top, deep, rain, et0, mean = _of_days(water, days, [water.units.index(unit.key) for unit in units])
    chances, more = _chances(units, table, top, deep, tillage)
    area = np.array([share / whole for share in shares.values()])
    worst = np.nan_to_num(chances, nan=-1.0).argmax(axis=1)[:, -1]
    fits = np.all(chances <= limit, axis=1)  # (days, loads)
    known = ~np.isnan(rain)
    state, fit_load = _judge(table.loads_kg, fits, known, rain, top, mean)
    return FieldDays(
        field=field,
        outfit=outfit,
        job=job,
        load_kg=load_kg,
        limit=limit,
        tillage_m=tillage,
        judged_m=judged,
        units=units,
        shares=tuple(float(one) for one in area),
        table=table,
        days=days,
        state=state,
        chance_worst=np.where(known, chances[:, :, -1].max(axis=1), np.nan),
        chance_mean=np.where(known, chances[:, :, -1] @ area, np.nan),
        chance_empty=np.where(known, chances[:, :, 0].max(axis=1), np.nan),
        soil=worst,
        fit_load_kg=fit_load,
        fit_share=np.where(known, (chances[:, :, -1] <= limit) @ area, np.nan),
        top_pa=top,
        deep_pa=deep,
        rain_mm=rain,
        et0_mm=et0,
        operations=tuple(
            one
            for one in farm.operations
            if one.field == field.key and one.outfit == outfit.key and first <= one.day <= last
        ),
        notes=tuple(dict.fromkeys([*([note] if note else []), *notes_of(farm, field, list(shares)), *more])),
    )


def _water(farm: Farm, field: Field) -> FieldWater:
    water = water_of(farm, field)
    if water is None:
        raise InputError(
            Problem("no weather", f"field {field.key}", "no weather.csv", "rain and evaporation or temperatures by day",
                    "add weather.csv to the farm folder (docs/farm-folder.md)")
        )  # fmt: skip
    return water


def _of_days(water: FieldWater, days: NDArray[np.datetime64], columns: Sequence[int]) -> tuple[Floats, ...]:
    """Return top and deep tension (days, units), rain, evapotranspiration and temperature (days,); NaN: no weather."""
    at = (days - water.days[0]).astype(np.int64)
    inside = (at >= 0) & (at < len(water.days))
    inside[inside] = water.known[at[inside]]
    tension = np.full((len(days), 2, len(columns)), np.nan)
    tension[inside] = water.tension_pa[at[inside]][:, :, columns]
    singles = []
    for column in (water.rain_mm, water.et0_mm, water.mean_c):
        single = np.full(len(days), np.nan)
        single[inside] = column[at[inside]]
        singles.append(single)
    return (tension[:, 0], tension[:, 1], *singles)


def loads_up_to(load_kg: float) -> Floats:
    """Return the loads that are tried [kg]: empty, and from the least that is worth a trip to the full one.

    In half tonnes, or more where they would be many.

    Examples
    --------
    >>> loads_up_to(1800.0).tolist(), len(loads_up_to(0.0))
    ([0.0, 1000.0, 1500.0, 1800.0], 1)
    """
    step = LOAD_STEP_KG * max(1, math.ceil(load_kg / LOAD_STEP_KG / LOADS_MOST))
    steps = np.arange(0.0, load_kg, step)
    return np.unique([0.0, *steps[steps >= LEAST_SHARE * load_kg], load_kg])


def set_to(outfit: Outfit, pressures_pa: Mapping[str, float]) -> Outfit:
    """Return an outfit with the field pressures of an operation; key "*" stands for all axles."""
    if not pressures_pa:
        return outfit

    def one(axle: Axle) -> Axle:
        return replace(axle, field_pa=pressures_pa.get(axle.key, pressures_pa.get("*", axle.field_pa)))

    vehicles = tuple(replace(one_of, axles=tuple(one(axle) for axle in one_of.axles)) for one_of in outfit.vehicles)
    return replace(outfit, vehicles=vehicles)


def _table(
    farm: Farm, outfit: Outfit, load_kg: float, judged_m: float, kept: dict[tuple[object, ...], StressTable]
) -> StressTable:
    """Return the stress of an outfit, from those kept or new."""
    pressures = tuple(axle.field_pa for axle in outfit.axles())
    key = (outfit.key, pressures, load_kg, judged_m)
    if key not in kept:
        tills = any(one.outfit == outfit.key and one.till_depth_m > 0 for one in farm.operations)
        kept[key] = stress_table(outfit, load_kg, judged_m, tills)
    return kept[key]


def stress_table(outfit: Outfit, load_kg: float, judged_m: float, tills: bool = False) -> StressTable:
    """Return the stress of an outfit at its field pressures, for every load that is tried.

    The same axle states as for pressures: heaviest while the body empties, with what the pull puts on the rear axle.
    """
    depths = np.array(sorted({judged_m, *(depth for depth in DEPTHS if depth > judged_m)}))
    loads = loads_up_to(load_kg)
    legs = (Leg("field", outfit.field_m_s, True),)
    stress = np.empty((len(loads), len(_WORDS), len(_NUS), len(depths)))
    axles: tuple[AxleLoad, ...] = ()
    for w, word in enumerate(_WORDS):
        states = []
        for load in loads:
            tension = (HAND_TEST[word], HAND_TEST[word])
            question = Question(outfit, {}, float(load), legs, (), depths, 0.0, 0.0, judged_m, tension, tills=tills)
            axles = heaviest(outfit, float(load), True, pull_on(question, True), 0.0)
            states.append([one.wheels_n() for one in axles])
        for n, nu in enumerate(_NUS):
            parts = [
                axle_stress(
                    one.axle, np.array([state[a] for state in states]), np.full(len(loads), one.axle.field_pa), depths,
                    np.full(len(depths), nu),
                )
                for a, one in enumerate(axles)
            ]  # fmt: skip
            stress[:, w, n] = np.max(parts, axis=0)
    lead = max(axles, key=lambda one: one.wheel_n())
    reach = tuple(
        float(rungs(lead, [lead.axle.field_pa], depths, np.full(len(depths), nu), 0.0).reach_m[0]) for nu in _NUS
    )
    return StressTable(loads, depths, stress, lead.axle.key, lead.wheel_n() / GRAVITY, lead.axle.field_pa, reach)


def _chances(
    units: Sequence[SoilUnit], table: StressTable, top_pa: Floats, deep_pa: Floats, tillage_m: float
) -> tuple[Floats, tuple[Note, ...]]:
    """Return the chance of overstress at the worst depth below tillage, (days, units, loads); NaN without weather."""
    found = np.full((*deep_pa.shape, len(table.loads_kg)), np.nan)
    notes: list[Note] = []
    for u, unit in enumerate(units):
        known = np.flatnonzero(~np.isnan(deep_pa[:, u]))
        deep = deep_pa[known, u]
        strength, spread, more = _strength(unit, table.depths_m, deep, tillage_m)
        notes += more
        word = np.searchsorted(WORD_LIMITS, top_pa[known, u])
        word = np.where(top_pa[known, u] == WORD_LIMITS[0], 1, word)  # at the limit it moulds, as in moisture_word
        nu = concentration_factor(deep).astype(np.int64) - _NUS[0]
        stress = table.stress_pa[:, word, nu]  # (loads, days, depths)
        at_depth = chance(stress / strength[None], spread[None, None])
        found[known, u] = at_depth.max(axis=2).T
    return found, tuple(dict.fromkeys(notes))


def _strength(
    unit: SoilUnit, depths_m: Floats, deep_pa: Floats, tillage_m: float
) -> tuple[Floats, Floats, tuple[Note, ...]]:
    """Return the strength of a soil at some tensions, (tensions, depths), its spread (depths,), and what was assumed.

    Strength is straight in the logarithm of tension between few knots: looked up there, read in between.
    """
    knots = np.unique(
        np.concatenate([np.geomspace(1e2, 1e7, 41), 10.0 ** np.array([3.8, 4.5]), list(HAND_TEST.values())])
    )
    days = [soil_day(unit, depths_m, float(one), float(one), tillage_m, 0.0) for one in knots]
    rows = np.stack([day.strength_pa for day, _ in days])
    logs = np.log(np.clip(deep_pa, knots[0], knots[-1]))
    strength = np.stack([np.interp(logs, np.log(knots), rows[:, d]) for d in range(len(depths_m))], axis=-1)
    notes = tuple(dict.fromkeys(note for _, more in days for note in more))
    return strength, days[0][0].spread, notes


def _judge(
    loads_kg: Floats, fits: NDArray[np.bool_], known: NDArray[np.bool_], rain_mm: Floats, top_pa: Floats, mean_c: Floats
) -> tuple[NDArray[np.int64], Floats]:
    """Return the state of each day and the heaviest load that is fit on it [kg]."""
    worth = (loads_kg > 0) | (loads_kg[-1] == 0)
    place = np.where(fits & worth, np.arange(len(loads_kg)), -1).max(axis=1)
    state = np.where(place == len(loads_kg) - 1, 0, np.where(place >= 0, 1, 2))
    closed = (
        (rain_mm > HEAVY_RAIN_MM, 3),
        (np.nan_to_num(top_pa, nan=np.inf).min(axis=1) < WATERLOGGED_PA, 4),
        (mean_c < 0.0, 5),
        (~known, 6),
    )
    for where, code in closed:
        state = np.where(where, code, state)
    load = np.where((state < 2) & (place >= 0), loads_kg[place], np.nan)
    return state.astype(np.int64), load


def next_fit_day(
    farm: Farm,
    field: Field,
    operation: Operation,
    limit: float,
    tables: dict[tuple[object, ...], StressTable] | None = None,
) -> dt.date | None:
    """Return the first day from an operation's own on, within its window, on which it would be fit; None without one.

    Parameters
    ----------
    operation : its outfit, load and pressures count, and its own moisture on its own day. It is never moved where
        `fixed_because` says why, and not beyond `latest`; without `latest` its window is its own day.
    limit : most chance of overstress below tillage at which people go
    tables : remembers stress between operations

    Returns None too where the farm has no weather for any of these days.
    """
    latest = operation.latest or operation.day
    if operation.fixed_because or latest < operation.day or farm.weather is None:
        return None
    outfit = set_to(farm.outfits[operation.outfit], operation.pressures_pa)
    load = outfit.capacity_kg if operation.load_kg is None else operation.load_kg
    found = field_days(farm, field, outfit, load, limit, operation.day, latest, operation.job, tables)
    state = found.state.copy()
    if operation.moisture is not None and state[0] < 3:
        told = np.full((1, len(found.units)), 0.0)
        top, deep = told + operation.moisture.top_pa, told + operation.moisture.deep_pa
        chances, _ = _chances(found.units, found.table, top, deep, found.tillage_m)
        state[0] = 0 if np.all(chances[0, :, -1] <= limit) else 2
    fit = np.flatnonzero(state == 0)
    return operation.day + dt.timedelta(days=int(fit[0])) if len(fit) else None
