"""The day's water balance of a soil in layers, and the tension that follows from it.

FAO-56 (Allen et al. 1998): transpiration by a basal coefficient and what the roots can reach, evaporation from a surface
that dries in two stages, drainage above field capacity. Below it a wetter layer still seeps into a drier one beneath it:
without that, the ground under the plough would look dry far into autumn. Two layers are told, the top one and the deep
one; the deep layer's tension is that of its upper part, where the hand test is taken, and what lies below is a store.
No runoff, no ground water, no rise from below, no snow, no drains, no cracks. Each layer has one tension: its horizons
hold together what they hold at it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.names import Note
from trafficplan.soil.crops import WET_SURFACE, CropDays
from trafficplan.soil.retention import FIELD_CAPACITY_PA, WILTING_PA, HorizonWater, horizon_water, typical
from trafficplan.soil.unit import SoilUnit, from_top

Floats = NDArray[np.float64]

#: The upper part of the deep layer is this thick, and the deep layer ends here [m] (ours).
UNDER_M = 0.25
DEEP_TO_M = 1.0

#: Depth that dries from the surface [m] (FAO-56: 0.10 to 0.15; memory).
SURFACE_TO_M = 0.10

#: Water that evaporates from the surface at full pace [mm], by texture: middle of FAO-56, Table 19 (memory); the clay
#: loams, which it does not have, between their neighbours.
READILY_EVAPORABLE_MM = {
    "sand": 4.5,
    "loamy sand": 6.0,
    "sandy loam": 8.0,
    "loam": 9.0,
    "silt loam": 9.5,
    "silt": 9.5,
    "sandy clay loam": 9.0,
    "clay loam": 9.5,
    "silty clay loam": 9.5,
    "silty clay": 10.0,
    "sandy clay": 9.5,
    "clay": 10.0,
}

#: Share of the water above field capacity that drains in a day, by conductivity of the slowest horizon of the layer:
#: (from mm/h, days in which nine tenths drain). One to three days, ours.
DRAINS_IN_DAYS = ((40.0, 1.0), (5.0, 2.0), (0.0, 3.0))

#: Share of the water that would even out a wetter top layer and a drier deep one that seeps down in a day (ours).
SEEPS_IN_A_DAY = 0.1

#: Share of the roots above a share of their depth: 40, 30, 20 and 10 % by quarters (common practice of irrigation).
ROOTS = ((0.0, 0.25, 0.5, 0.75, 1.0), (0.0, 0.4, 0.7, 0.9, 1.0))

#: Tensions at which a layer's water is tabulated [Pa], from wet to dry.
_GRID_PA = np.geomspace(1e2, 1e7, 121)


@dataclass(frozen=True)
class Stores:
    """Soil units as stores of water in layers from the top down; arrays (layers, units) unless said otherwise.

    Attributes
    ----------
    keys : the units
    ends_m : depth at which each layer ends: top, deep, and the store below
    storage_mm : (layers, units, tensions) water held at each of `tension_pa`
    field_mm, wilting_mm, saturated_mm : water at field capacity, wilting point and saturation
    drains : share of what is above field capacity that drains in a day
    evaporable_mm, readily_mm : (units,) water that can evaporate from the surface, and the part at full pace
    """

    keys: tuple[str, ...]
    ends_m: tuple[float, ...]
    tension_pa: Floats
    storage_mm: Floats
    field_mm: Floats
    wilting_mm: Floats
    saturated_mm: Floats
    drains: Floats
    evaporable_mm: Floats
    readily_mm: Floats


@dataclass(frozen=True)
class Balance:
    """The water of some soil units day by day.

    Attributes
    ----------
    water_mm : (days + 1, layers, units) water in the layers at the end of each day; the first is the start
    tension_pa : (days, layers, units) tension of the day: the wetter of its morning and its evening
    evaporated_mm, drawn_mm, drained_mm, standing_mm : (days, units) from the surface, by roots, out below, and what the
        whole soil could not take (no runoff is reckoned: it stands or runs off)
    """

    water_mm: Floats
    tension_pa: Floats
    evaporated_mm: Floats
    drawn_mm: Floats
    drained_mm: Floats
    standing_mm: Floats


def stores_of(units: Sequence[SoilUnit], top_m: float) -> tuple[Stores, tuple[Note, ...]]:
    """Return soil units as stores of water, and what was assumed of them.

    Parameters
    ----------
    top_m : depth at which the top layer ends [m]

    Raises
    ------
    InputError : when a unit has no horizon
    """
    made = [_store_of(unit, top_m) for unit in units]
    notes = tuple(dict.fromkeys(note for one in made for note in one[-1]))
    storage, levels, drains, surface = (np.stack([one[:4][i] for one in made], axis=-1) for i in range(4))
    return Stores(
        keys=tuple(unit.key for unit in units),
        ends_m=_ends(top_m),
        tension_pa=_GRID_PA,
        storage_mm=np.moveaxis(storage, -1, 1),
        field_mm=levels[0],
        wilting_mm=levels[1],
        saturated_mm=levels[2],
        drains=drains,
        evaporable_mm=surface[0],
        readily_mm=surface[1],
    ), notes


@lru_cache(maxsize=4096)
def _store_of(unit: SoilUnit, top_m: float) -> tuple[Floats, Floats, Floats, Floats, tuple[Note, ...]]:
    """Return one unit's storage (layers, tensions), levels (3, layers), drains (layers,), surface (2,) and notes."""
    parts, notes = _parts(unit)
    storage, levels, drains = [], [], []
    for low, high in pairwise((0.0, *_ends(top_m))):
        slices = [(one, min(end, high) - max(start, low)) for start, end, one in parts]
        inside = [(one, thick) for one, thick in slices if thick > 1e-9]
        storage.append(_held(inside, _GRID_PA))
        levels.append(_held(inside, np.array([FIELD_CAPACITY_PA, WILTING_PA, 0.0])))
        drains.append(drain_share(min(one.conductivity_mm_h for one, _ in inside)))
    first = parts[0][2]
    field, wilting = first.curve.water_at([FIELD_CAPACITY_PA, WILTING_PA]) * (1.0 - first.stones)
    evaporable = 1e3 * (field - 0.5 * wilting) * SURFACE_TO_M
    texture = min(unit.horizons, key=lambda horizon: horizon.bottom_m).texture.strip().lower()
    typical(texture, f"soil unit {unit.key}")
    surface = np.array([evaporable, min(READILY_EVAPORABLE_MM[texture], 0.6 * evaporable)])
    return np.array(storage), np.array(levels).T, np.array(drains), surface, tuple(notes)


def _ends(top_m: float) -> tuple[float, float, float]:
    """Return the depth at which each layer ends [m]."""
    return top_m, min(top_m + UNDER_M, 0.5 * (top_m + DEEP_TO_M)), DEEP_TO_M


def _parts(unit: SoilUnit) -> tuple[list[tuple[float, float, HorizonWater]], list[Note]]:
    """Return the horizons of a unit as (start, end, store), from the surface to the end of the deep layer."""
    ordered = from_top(unit)
    parts: list[tuple[float, float, HorizonWater]] = []
    notes: list[Note] = []
    start = 0.0
    for i, horizon in enumerate(ordered):
        store, more = horizon_water(horizon, i == 0, f"soil unit {unit.key}")
        notes += more
        end = max(horizon.bottom_m, DEEP_TO_M) if i == len(ordered) - 1 else horizon.bottom_m
        parts.append((start, end, store))
        start = end
    return parts, notes


def _held(slices: Sequence[tuple[HorizonWater, float]], tension_pa: Floats) -> Floats:
    """Return the water that slices of horizons hold together at some tensions [mm]."""
    return np.asarray(sum(1e3 * thick * (1.0 - one.stones) * one.curve.water_at(tension_pa) for one, thick in slices))


def drain_share(conductivity_mm_h: float) -> float:
    """Return the share of the water above field capacity that drains in a day: nine tenths in one to three days.

    Examples
    --------
    >>> round(drain_share(100.0), 2), round(drain_share(1.0), 2)
    (0.9, 0.54)
    """
    days = next(days for least, days in DRAINS_IN_DAYS if conductivity_mm_h >= least)
    return float(1.0 - 0.1 ** (1.0 / days))


def stress_allen_1998(depleted_mm: ArrayLike, whole_mm: ArrayLike, easy: float) -> Floats:
    """Return the share of its demand that a crop can draw (FAO-56 eq. 84): 1 while the easy water lasts, then falling.

    Parameters
    ----------
    depleted_mm : water missing from field capacity in the root zone
    whole_mm : water between field capacity and wilting point there
    easy : share of it that is drawn without stress

    Examples
    --------
    >>> float(stress_allen_1998(100.0, 160.0, 0.4))
    0.625
    """
    whole = np.maximum(np.asarray(whole_mm, dtype=np.float64), 1e-9)
    left = (whole - np.asarray(depleted_mm, dtype=np.float64)) / ((1.0 - easy) * whole)
    return np.clip(left, 0.0, 1.0)


def surface_drying_allen_1998(dried_mm: ArrayLike, evaporable_mm: ArrayLike, readily_mm: ArrayLike) -> Floats:
    """Return the share of its full pace at which a surface evaporates (FAO-56 eq. 74): 1, then falling to 0."""
    dried, whole, easy = (np.asarray(one, dtype=np.float64) for one in (dried_mm, evaporable_mm, readily_mm))
    return np.clip((whole - dried) / np.maximum(whole - easy, 1e-9), 0.0, 1.0)


def daily_balance(
    stores: Stores, rain_mm: Floats, et0_mm: Floats, crop: CropDays, start_mm: Floats | None = None
) -> Balance:
    """Return the water of all units day by day.

    Parameters
    ----------
    rain_mm, et0_mm : (days,); NaN counts as nothing, so that a day without weather leaves the roots and the surface alone
    crop : what grows, of the same days
    start_mm : (layers, units) water at the start; None: field capacity
    """
    days, units = len(rain_mm), len(stores.keys)
    water = np.empty((days + 1, len(stores.ends_m), units))
    water[0] = stores.field_mm if start_mm is None else start_mm
    flows = np.zeros((4, days, units))
    rain, et0 = np.nan_to_num(rain_mm, nan=0.0), np.nan_to_num(et0_mm, nan=0.0)
    dried = np.zeros(units)
    for day in range(days):
        now = water[day].copy()
        now[0] += rain[day]
        dried = np.maximum(dried - rain[day], 0.0)
        flows[0, day], dried = _evaporate(stores, crop, day, et0[day], now[0], dried)
        now[0] -= flows[0, day]
        drawn = _draw(stores, crop, day, et0[day], now)
        now -= drawn
        flows[1, day] = drawn.sum(axis=0)
        flows[2, day], flows[3, day] = _drain(stores, now)
        # what evaporated from water that was about to drain left no dry surface: none is drier than its layer's deficit
        dried = np.minimum(dried, np.maximum(stores.field_mm[0] - now[0], 0.0) / _bare(crop, day))
        water[day + 1] = now
    return Balance(water, _tensions(stores, water), *flows)


def _evaporate(
    stores: Stores, crop: CropDays, day: int, et0: float, top: Floats, dried: Floats
) -> tuple[Floats, Floats]:
    """Return what evaporates from the surface (units,), and how far it has dried since [mm] (FAO-56 eq. 71)."""
    kcb, bare = float(crop.kcb[day]), _bare(crop, day)
    most = max(WET_SURFACE, kcb + 0.05)
    pace = surface_drying_allen_1998(dried, stores.evaporable_mm, stores.readily_mm)
    lost = np.minimum(np.minimum(pace * (most - kcb), bare * most) * et0, bare * (stores.evaporable_mm - dried))
    lost = np.clip(lost, 0.0, np.maximum(top - stores.storage_mm[0, :, -1], 0.0))
    return lost, np.minimum(dried + lost / bare, stores.evaporable_mm)


def _bare(crop: CropDays, day: int) -> float:
    """Return the share of the ground that a crop leaves to the sun."""
    return max(1.0 - float(crop.shade[day]), 0.01)


def _draw(stores: Stores, crop: CropDays, day: int, et0: float, now: Floats) -> Floats:
    """Return what roots draw from the layers, (layers, units) [mm]."""
    ends = np.asarray(stores.ends_m)
    root, kcb = min(float(crop.root_m[day]), float(ends[-1])), float(crop.kcb[day])
    if root <= 0.0 or kcb <= 0.0 or et0 <= 0.0:
        return np.zeros(now.shape)
    starts = np.concatenate([[0.0], ends[:-1]])
    reached = np.clip((root - starts) / (ends - starts), 0.0, 1.0)[:, None]
    holds = stores.field_mm - stores.wilting_mm
    missing = np.clip(stores.field_mm - now, 0.0, holds)
    demand = (
        kcb * et0 * stress_allen_1998((reached * missing).sum(axis=0), (reached * holds).sum(axis=0), crop.depletion)
    )
    roots = np.diff(np.interp(np.concatenate([[0.0], ends]) / root, *ROOTS))[:, None]
    weight = roots * np.clip((now - stores.wilting_mm) / holds, 0.0, 1.0)
    parts = weight / np.maximum(weight.sum(axis=0), 1e-12)
    return np.asarray(np.minimum(parts * demand, np.maximum(now - stores.wilting_mm, 0.0)))


def _drain(stores: Stores, now: Floats) -> tuple[Floats, Floats]:
    """Let the layers drain, in place; return what leaves below and what the soil cannot take, (units,) each [mm].

    From the bottom up, so that each layer has room for what comes: a layer that cannot drain holds back the one above.
    """
    field, full = stores.field_mm, stores.saturated_mm
    holds = field - stores.wilting_mm
    last = len(now) - 1
    out = stores.drains[last] * np.maximum(now[last] - field[last], 0.0)
    now[last] -= out
    for layer in range(last - 1, -1, -1):
        over = np.maximum(now[layer] - full[layer], 0.0)
        down = over + stores.drains[layer] * np.maximum(now[layer] - over - field[layer], 0.0)
        upper, lower = (now[layer : layer + 2] - stores.wilting_mm[layer : layer + 2]) / holds[layer : layer + 2]
        uneven = np.clip(np.minimum(upper, 1.0) - np.maximum(lower, 0.0), 0.0, 1.0)
        down = np.maximum(down, SEEPS_IN_A_DAY * uneven / (1.0 / holds[layer] + 1.0 / holds[layer + 1]))
        down = np.minimum(down, np.maximum(full[layer + 1] - now[layer + 1], 0.0))
        now[layer] -= down
        now[layer + 1] += down
    standing = np.maximum(now[0] - full[0], 0.0)
    now[0] -= standing
    return out, standing


def _tensions(stores: Stores, water_mm: Floats) -> Floats:
    """Return the tension of each day, (days, layers, units): the wetter of its morning and its evening [Pa]."""
    logs = np.log(stores.tension_pa)
    found = np.empty(water_mm.shape)
    for layer in range(water_mm.shape[1]):
        for u in range(water_mm.shape[2]):
            held = stores.storage_mm[layer, u, ::-1]
            found[:, layer, u] = np.interp(water_mm[:, layer, u], held, logs[::-1])
    return np.asarray(np.exp(np.minimum(found[:-1], found[1:])))
