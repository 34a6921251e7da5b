"""What an axle's wheels do to the soil at a row of pressures: contact, stress with depth, depth reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.decide.trip import AxleLoad
from trafficplan.machines.contact import contact_area, upper_area
from trafficplan.machines.outfit import Axle
from trafficplan.soil.compaction import chance
from trafficplan.soil.stress import depth_reached, stress_quartic, stress_track
from trafficplan.soil.unit import SoilDay

Floats = NDArray[np.float64]

#: The stress that is followed downwards [Pa], and the depths at which a rubber track is searched for it [m].
REACH_PA = 50e3
_TRACK_DEPTHS = np.linspace(0.05, 3.0, 60)

#: The upper run stands beside the central one above this depth [m].
UPPER_TO_M = 0.6


@dataclass(frozen=True)
class Rungs:
    """An axle at n pressures and m depths; the heaviest wheel counts, its neighbours are added.

    Attributes
    ----------
    pressures_pa : (n,); without meaning for a rubber track
    area_m2, mean_pa : (n,) contact area and mean contact stress of the heaviest wheel
    stress_pa, upper_pa : (n, m) vertical stress, central and upper run (the higher of both above 0.6 m)
    reach_m : (n,) depth reached by 50 kPa under the heaviest wheel alone
    """

    pressures_pa: Floats
    area_m2: Floats
    mean_pa: Floats
    stress_pa: Floats
    upper_pa: Floats
    reach_m: Floats


def rungs(load: AxleLoad, pressures_pa: ArrayLike, depths_m: Floats, nu: Floats, tillage_m: float) -> Rungs:
    """Return what an axle does at each of some pressures.

    Parameters
    ----------
    load : the axle in its heaviest state
    pressures_pa : (n,) cold pressures [Pa]
    depths_m, nu : (m,) depths and their concentration factor (whole, 3 to 6)
    tillage_m : depth that divides top from deep; the depth reached takes the factor of the layer it ends in

    Examples
    --------
    >>> from trafficplan.decide.trip import AxleLoad
    >>> from trafficplan.machines.outfit import Axle, Wheel
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> axle = Axle("one wheel", 0.0, (Wheel(tyre_from_code("650/65R30.5"), 0.0),), 0.0, 58.84e3, 1e5, 1e5)
    >>> told = rungs(AxleLoad(axle, "drawn", 58.84e3, 0.0, 0.0), [100e3, 300e3], np.array([0.5]), np.array([5]), 0.25)
    >>> [round(float(stress) / 1e3) for stress in told.stress_pa[:, 0]]
    [90, 109]
    """
    pressures = np.atleast_1d(np.asarray(pressures_pa, dtype=np.float64))
    tyre = load.axle.wheels[0].tyre
    wheel = load.wheel_n()
    area = np.array(np.broadcast_to(contact_area(tyre, wheel, pressures), pressures.shape))
    mean = np.divide(wheel, area, out=np.zeros(pressures.shape), where=area > 0)
    wheels = np.broadcast_to(load.wheels_n(), (len(pressures), len(load.axle.wheels)))
    stress = axle_stress(load.axle, wheels, pressures, depths_m, nu)
    if tyre.kind == "track":
        return Rungs(pressures, area, mean, stress, stress, _reach_track(load, pressures, nu))
    high = axle_stress(load.axle, wheels, pressures, depths_m, nu, upper=True)
    upper = np.where(depths_m <= UPPER_TO_M, high, stress)
    deep = depth_reached(wheel, area, nu[-1], REACH_PA)
    top = depth_reached(wheel, area, nu[0], REACH_PA)
    return Rungs(pressures, area, mean, stress, np.maximum(stress, upper), np.where(deep < tillage_m, top, deep))


def axle_stress(
    axle: Axle, wheels_n: Floats, pressures_pa: Floats, depths_m: Floats, nu: Floats, upper: bool = False
) -> Floats:
    """Return the stress under the worst wheel of an axle's heavier side, all its wheels added, (n, m) [Pa].

    Parameters
    ----------
    wheels_n : (n, wheels) load of every wheel, in the order of the wheels
    pressures_pa : (n,) cold pressures
    depths_m, nu : (m,) depths and their concentration factor (whole, 3 to 6)
    upper : by the upper run of the contact area
    """
    wheels = axle.wheels
    places = np.array([wheel.offset_m for wheel in wheels])
    tyre = wheels[0].tyre
    targets = np.flatnonzero(places > 0) if len(wheels) > 1 else np.array([0])
    away = np.abs(places[targets][:, None] - places[None, :])  # (targets, wheels)
    if tyre.kind == "track":
        unit = [
            stress_track(1.0, tyre.width_m, tyre.track_length_m, tyre.rollers, distance, depths_m, nu)
            for distance in away.ravel()
        ]
        flat = np.reshape(unit, (*away.shape, len(depths_m)))
        return np.asarray(np.einsum("twm,nw->tnm", flat, wheels_n).max(axis=0))
    loads = wheels_n.T  # (wheels, n)
    area = (upper_area if upper else contact_area)(tyre, loads, pressures_pa[None, :])
    parts = stress_quartic(
        loads[None, :, :, None],
        area[None, :, :, None],
        away[:, :, None, None],
        depths_m[None, None, None, :],
        nu[None, None, None, :],
    )
    return np.asarray(parts.sum(axis=1).max(axis=0))


def _reach_track(load: AxleLoad, pressures: Floats, nu: Floats) -> Floats:
    tyre = load.axle.wheels[0].tyre
    wheel = load.wheel_n()
    profile = stress_track(
        wheel, tyre.width_m, tyre.track_length_m, tyre.rollers, 0.0, _TRACK_DEPTHS, np.full(60, nu[-1])
    )
    over = np.flatnonzero(profile > REACH_PA)
    if not len(over):
        return np.zeros(pressures.shape)
    last = int(over[-1])
    if last + 1 == len(_TRACK_DEPTHS):
        return np.full(pressures.shape, _TRACK_DEPTHS[-1])
    part = (profile[last] - REACH_PA) / (profile[last] - profile[last + 1])
    return np.full(pressures.shape, _TRACK_DEPTHS[last] + part * (_TRACK_DEPTHS[last + 1] - _TRACK_DEPTHS[last]))


def steps_between(low_pa: float, high_pa: float, most_pa: float, count: int = 12) -> Floats:
    """Return about `count` pressures from the lowest allowed upwards, in whole tenths of a bar.

    None is over `most_pa`.

    Examples
    --------
    >>> [round(float(p) / 1e5, 1) for p in steps_between(0.8e5, 2.4e5, 3.2e5, 4)]
    [0.8, 1.4, 2.0, 2.6]
    """
    step = max(0.1e5, np.ceil(round((high_pa - low_pa) / (count - 1) / 0.1e5, 6)) * 0.1e5)
    ladder = low_pa + step * np.arange(count)
    return np.asarray(ladder[ladder <= most_pa + 1.0])


def chances(stress_pa: Floats, day: SoilDay) -> Floats:
    """Return the chance of overstress, shape of `stress_pa` (..., m), on one soil of the day."""
    return np.asarray(chance(stress_pa / day.strength_pa, day.spread))
