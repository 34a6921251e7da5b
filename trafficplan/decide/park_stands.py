"""What standing does to the soil: stress beneath the wheels at rest and beneath the jack stand, and getting away again.

Static loads, with the stress of a passing wheel. Soil gives way further under a load of hours than under one of a
second: that is not in the model, and a place where it comes out near the limit is worse than it looks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from trafficplan.decide.ladder import chances, rungs
from trafficplan.decide.rolling import SLIP_SHEARS, cone_of, rolling
from trafficplan.decide.trip import AxleLoad, hitch_load
from trafficplan.farm.farm import Farm
from trafficplan.machines.loads import axle_loads
from trafficplan.machines.outfit import Outfit
from trafficplan.names import DEPTHS
from trafficplan.routes.parking import Pose
from trafficplan.routes.parking_heap import HEAP, Heap
from trafficplan.soil.day import TOP_M, soil_day
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.soil.stress import stress_rectangle
from trafficplan.soil.unit import SoilDay, SoilUnit
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]

#: Widest strip of evenly loaded ground that is integrated at once [m].
STRIP_M = 0.6
#: Foot of a jack stand without anything beneath it, and a board to put under it [m] (ours; common sizes).
FOOT_M, BOARD_M = (0.25, 0.25), (0.60, 0.60)


@dataclass(frozen=True)
class Stress:
    """Stress beneath one thing that stands, by depth, and the chance of overstress on the soil of the place.

    Attributes
    ----------
    what : axle, or jack stand
    load_n, area_m2 : on one wheel, or on the stand
    depths_m, stress_pa, chance : by depth
    judged : chance just below the tillage that follows
    """

    what: str
    load_n: float
    area_m2: float
    depths_m: Floats
    stress_pa: Floats
    chance: Floats
    judged: float


@dataclass(frozen=True)
class Standing:
    """What the standing weight does at one place.

    Attributes
    ----------
    soil : key of the soil unit
    judged_m : depth just below tillage
    wheels : one per axle that stands, heaviest state
    jack : beneath the jack stand; None where it stays coupled
    board : the same on a board of `BOARD_M`
    heap : beneath the middle of a heap, where one stands in place of the trailer (then there are no wheels)
    """

    soil: str
    judged_m: float
    wheels: tuple[Stress, ...]
    jack: Stress | None
    board: Stress | None
    heap: Stress | None = None

    def worst(self) -> Stress:
        """Return the one with the highest chance just below tillage."""
        every = [*self.wheels, *(one for one in (self.jack, self.heap) if one is not None)]
        return max(every, key=lambda one: one.judged)


def soil_under(farm: Farm, pose: Pose) -> SoilUnit:
    """Return the soil unit beneath a place, the nearest mapped one where none is."""
    here = shapely.Point(pose.x, pose.y)
    patch = min(farm.soil_map, key=lambda one: one.polygon.distance(here))
    return farm.soil_units[patch.unit]


def standing(
    outfit: Outfit,
    unit: SoilUnit,
    tillage_m: float,
    load_kg: float,
    tension_pa: tuple[float, float],
    pad_m: tuple[float, float],
    uncoupled: bool,
    given: Mapping[str, float | str] | None = None,
) -> Standing:
    """Return what an outfit that stands does to a soil.

    Parameters
    ----------
    tillage_m : depth of the tillage that regularly follows; not above 0 (or NaN): none
    load_kg : product on board, in the heaviest state
    tension_pa : of the top and the deep layer
    pad_m : sides of what lies under the jack stand [m]
    uncoupled : only what is drawn stands, on its wheels and the jack stand
    given : the farm's own defaults
    """
    tillage, judged, depths, day, place = _ground(unit, tillage_m, tension_pa)
    loads = axle_loads(outfit, load_kg)
    wheels = []
    at = 0
    for vehicle in outfit.vehicles:
        for axle in vehicle.axles:
            if not uncoupled or vehicle.kind == "drawn":
                one = AxleLoad(axle, vehicle.kind, float(loads[at]), 0.0, load_kg)
                found = rungs(one, axle.track_pa, depths, day.nu, tillage)
                wheels.append(
                    _stress(f"axle {axle.key}", one.wheel_n(), float(found.area_m2[0]), depths, found.stress_pa[0],
                            day, place)
                )  # fmt: skip
            at += 1
    hitch = hitch_load(outfit, load_kg, given)
    if not uncoupled or hitch is None:
        return Standing(unit.key, judged, tuple(wheels), None, None)
    most = max(hitch[0].most_n, 0.0)
    jack, board = (
        _stress("jack stand", most, size[0] * size[1], depths, pad_stress(most, size, depths, day.nu), day, place)
        for size in (pad_m, BOARD_M)
    )
    return Standing(unit.key, judged, tuple(wheels), jack, board)


def _ground(
    unit: SoilUnit, tillage_m: float, tension_pa: tuple[float, float]
) -> tuple[float, float, Floats, SoilDay, int]:
    """Return tillage depth, judged depth [m], all depths, the soil of the day and the place of the judged depth."""
    tillage = tillage_m if tillage_m > 0 else 0.0
    judged = round((tillage or TOP_M) + 0.05, 3)
    depths = np.array(sorted({*DEPTHS, judged}))
    day, _ = soil_day(unit, depths, *tension_pa, tillage, 0.0)
    return tillage, judged, depths, day, int(np.argmin(np.abs(depths - judged)))


def heap_standing(
    heap: Heap, mass_kg: float, unit: SoilUnit, tillage_m: float, tension_pa: tuple[float, float]
) -> Standing:
    """Return what a heap does to a soil: evenly loaded ground, stress beneath its middle.

    Parameters
    ----------
    mass_kg : all that lies there
    others : as of `standing`
    """
    _, judged, depths, day, place = _ground(unit, tillage_m, tension_pa)
    load = mass_kg * GRAVITY
    stress = pad_stress(load, (heap.length_m, heap.width_m), depths, day.nu)
    found = _stress(HEAP, load, heap.area_m2, depths, stress, day, place)
    return Standing(unit.key, judged, (), None, None, found)


def _stress(what: str, load: float, area: float, depths: Floats, stress: Floats, day: SoilDay, place: int) -> Stress:
    chance = chances(stress, day)
    return Stress(what, load, area, depths, np.asarray(stress), chance, float(chance[place]))


def pad_stress(load_n: float, pad_m: tuple[float, float], depths_m: Floats, nu: Floats) -> Floats:
    """Return the stress beneath the middle of an evenly loaded rectangular pad [Pa], shape of `depths_m`.

    Froehlich 1934 integrated over the pad; for a concentration factor of 3 it is four corners of Newmark (1935).

    Examples
    --------
    >>> pad = pad_stress(4.0, (2.0, 2.0), np.array([1.0]), np.array([3]))
    >>> round(float(pad[0]), 4)
    0.7009
    """
    # The integral across is numeric: wide ground is summed from strips, each no wider than a contact patch.
    across, along = min(pad_m), max(pad_m)
    count = math.ceil(across / STRIP_M - 1e-9)
    middles = ((np.arange(count) + 0.5) / count - 0.5)[:, None] * across
    strips = stress_rectangle(load_n / count, across / count, along, middles, 0.0, depths_m[None, :], nu[None, :])
    return np.asarray(strips.sum(axis=0))


@dataclass(frozen=True)
class Away:
    """Whether the loaded outfit gets away from where it stands.

    Attributes
    ----------
    word : hand-test word of the soil for which it is told
    slip : of the driven wheels (0..0.30), None where even 30 % does not move it
    """

    word: str
    slip: float | None

    @property
    def leaves(self) -> bool:
        """Whether it gets away without slip that shears the soil."""
        return self.slip is not None and self.slip <= SLIP_SHEARS


def get_away(outfit: Outfit, load_kg: float, word: str, grade: float = 0.0) -> Away:
    """Return how the loaded outfit gets away at road pressure on soil of a hand-test word.

    Parameters
    ----------
    grade : steepest way up, rise over run
    """
    loads = axle_loads(outfit, load_kg)
    axles = [(vehicle.kind, axle) for vehicle in outfit.vehicles for axle in vehicle.axles]
    states = [AxleLoad(axle, kind, float(n), 0.0, load_kg) for (kind, axle), n in zip(axles, loads, strict=True)]
    pressures = [axle.track_pa for _, axle in axles]
    uphill = float(loads.sum()) * grade
    moves = rolling(states, pressures, pressures, cone_of(HAND_TEST[word], True), uphill, outfit.field_m_s)
    return Away(word, moves.slip)


def wetter(word: str) -> str:
    """Return the hand-test word after a day's rain: one wetter; the wettest stays.

    Examples
    --------
    >>> wetter("crumbles"), wetter("smears")
    ('moulds', 'smears')
    """
    words = sorted(HAND_TEST, key=lambda one: HAND_TEST[one])
    return words[max(0, words.index(word) - 1)]
