"""Fit days: for each day of a season, what an outfit would do below the plough, and how much it could carry.

Stress depends on load, pressure, moisture class and depth, not on the day: it is tabulated once for an outfit. Strength
follows the tension of each soil's deep layer by the water balance of the day. The chance is that of the heaviest state
of every axle, at the worst depth below tillage; a day is judged by the worst soil of the field.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.advice import LEAST_SHARE
from trafficplan.decide.days_load import NUS, StressTable, kept_table, set_to
from trafficplan.errors import InputError, Problem
from trafficplan.farm import season
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.farm.water import FieldWater, notes_of, soil_shares, water_of
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.soil.compaction import chance
from trafficplan.soil.day import TOP_M, concentration_factor, soil_day
from trafficplan.soil.moisture import HAND_TEST, WORD_LIMITS
from trafficplan.soil.unit import SoilUnit

Floats = NDArray[np.float64]

#: Least part of a field that a soil must cover to count.
LEAST_SOIL = 0.01

#: Rain of one day after which no reading of moisture counts [mm] (Swiss soil-moisture network: found).
HEAVY_RAIN_MM = 10.0

#: Tension of the top layer below which it counts as waterlogged [Pa]: water stands some 20 cm below its middle (ours).
WATERLOGGED_PA = 2e3

#: Days over which rain is added up for a reason (ours).
RAIN_DAYS = 5

#: States of a day, from good to bad.
STATES = ("fit", "lighter", "leave", "heavy rain", "waterlogged", "frozen", "unknown")


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
    ratio_worst : stress over strength there, at the depth where the chance is highest
    chance_empty : with nothing on board, on the worst soil
    soil : index of the worst soil
    fit_load_kg : heaviest load that keeps the limit on all soils, 0 where nothing may be on board, on `leave` days too
        little to be worth a trip; NaN: not even the empty outfit keeps it, or the day is closed
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
    ratio_worst: Floats
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
    tills = any(one.outfit == outfit.key and one.till_depth_m > 0 for one in farm.operations)
    table = kept_table(outfit, load_kg, judged, tills, {} if tables is None else tables)
    days = np.arange(np.datetime64(first), np.datetime64(last) + 1, dtype="datetime64[D]")
    top, deep, rain, et0, mean = _of_days(water, days, [water.units.index(unit.key) for unit in units])
    chances, ratios, more = _chances(units, table, top, deep, tillage)
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
        ratio_worst=np.where(known, ratios[np.arange(len(days)), worst], np.nan),
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


def _chances(
    units: Sequence[SoilUnit], table: StressTable, top_pa: Floats, deep_pa: Floats, tillage_m: float
) -> tuple[Floats, Floats, tuple[Note, ...]]:
    """Return the chance of overstress at the worst depth below tillage, (days, units, loads), and the stress ratio there
    with the full load, (days, units); NaN without weather.
    """
    ratios = np.full(deep_pa.shape, np.nan)
    found = np.full((*deep_pa.shape, len(table.loads_kg)), np.nan)
    notes: list[Note] = []
    for u, unit in enumerate(units):
        known = np.flatnonzero(~np.isnan(deep_pa[:, u]))
        deep = deep_pa[known, u]
        strength, spread, more = _strength(unit, table.depths_m, deep, tillage_m)
        notes += more
        word = np.searchsorted(WORD_LIMITS, top_pa[known, u])
        word = np.where(top_pa[known, u] == WORD_LIMITS[0], 1, word)  # at the limit it moulds, as in moisture_word
        nu = concentration_factor(deep).astype(np.int64) - NUS[0]
        stress = table.stress_pa[:, word, nu]  # (loads, days, depths)
        ratio = stress / strength[None]
        at_depth = chance(ratio, spread[None, None])
        found[known, u] = at_depth.max(axis=2).T
        deepest = at_depth[-1].argmax(axis=1)
        ratios[known, u] = ratio[-1, np.arange(len(known)), deepest]
    return found, ratios, tuple(dict.fromkeys(notes))


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
    place = np.where(fits, np.arange(len(loads_kg)), -1).max(axis=1)
    worth = (place >= 0) & (loads_kg[place] > 0) & (loads_kg[place] >= LEAST_SHARE * loads_kg[-1])
    state = np.where(place == len(loads_kg) - 1, 0, np.where(worth, 1, 2))
    closed = (
        (rain_mm > HEAVY_RAIN_MM, 3),
        (np.nan_to_num(top_pa, nan=np.inf).min(axis=1) < WATERLOGGED_PA, 4),
        (mean_c < 0.0, 5),
        (~known, 6),
    )
    for where, code in closed:
        state = np.where(where, code, state)
    load = np.where((state < 3) & (place >= 0), loads_kg[place], np.nan)
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
        chances, _, _ = _chances(found.units, found.table, top, deep, found.tillage_m)
        state[0] = 0 if np.all(chances[0, :, -1] <= limit) else 2
    fit = np.flatnonzero(state == 0)
    return operation.day + dt.timedelta(days=int(fit[0])) if len(fit) else None
