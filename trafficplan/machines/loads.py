"""Axle loads of an outfit for a given mass of product on board."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.machines.outfit import Outfit, Vehicle

Floats = NDArray[np.float64]


def axle_loads(outfit: Outfit, load_kg: ArrayLike) -> Floats:
    """Return the load of each axle [N], front to back: shape (number of axles, *shape of load_kg).

    The sum over axles is linear in the load, from the weighed empty to the weighed full outfit, and on
    beyond the capacity. Each axle is linear too where the body empties evenly. Where it empties from the
    front or from the rear, what is left stands at the other end: its centre of gravity moves along the body
    and shifts load between the axles by leverage (ours: the body is as long as the drawbar, or the
    wheelbase if it stands on a powered vehicle). Empty and full are met exactly. An axle that would be
    lifted carries nothing, and the others carry its share.

    Parameters
    ----------
    outfit : with `capacity_kg`, `empties` and the weighed axle loads
    load_kg : product on board [kg], any shape; without meaning if the outfit carries none

    Examples
    --------
    >>> from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> wheels = tuple(Wheel(tyre_from_code("650/65R38"), side) for side in (1.0, -1.0))
    >>> axles = Axle("front", -2.8, wheels, 40e3, 30e3, 1e5, 1e5), Axle("rear", 0.0, wheels, 50e3, 90e3, 1e5, 1e5)
    >>> outfit = Outfit("box", "Box", (Vehicle("tractor", "powered", axles),), capacity_kg=3000.0)
    >>> [round(float(load)) for load in axle_loads(outfit, 1500.0)]
    [35000, 70000]
    """
    load = np.asarray(load_kg, dtype=np.float64)
    axles = outfit.axles()
    each_axle = (len(axles),) + (1,) * load.ndim
    empty = np.array([axle.empty_n for axle in axles]).reshape(each_axle)
    full = np.array([axle.full_n for axle in axles]).reshape(each_axle)
    share = load / outfit.capacity_kg if outfit.capacity_kg > 0.0 else np.zeros(load.shape)
    loads = empty + (full - empty) * share
    if outfit.empties != "even":
        rearward = 1.0 if outfit.empties == "front" else -1.0
        product = (full - empty).sum() * share
        travel = 0.5 * rearward * np.clip(1.0 - share, 0.0, 1.0)
        loads = loads + product * travel * _leverage(outfit).reshape(each_axle)
    return _no_lifted_axle(np.asarray(loads))


def _leverage(outfit: Outfit) -> Floats:
    """Return what each axle gains, as part of the product's weight, when its centre moves back by one body
    length."""
    gains = np.zeros(len(outfit.axles()))
    carrier = max(range(len(outfit.vehicles)), key=lambda k: _gain(outfit.vehicles[k]))
    vehicle = outfit.vehicles[carrier]
    first = sum(len(before.axles) for before in outfit.vehicles[:carrier])
    if vehicle.kind == "powered":
        if len(vehicle.axles) > 1:
            gains[first], gains[first + len(vehicle.axles) - 1] = -1.0, 1.0
        return gains
    puller = next((k for k in range(carrier - 1, -1, -1) if outfit.vehicles[k].axles), None)
    if puller is None or not vehicle.axles:
        return gains
    gains[first : first + len(vehicle.axles)] = 1.0 / len(vehicle.axles)
    pulling = outfit.vehicles[puller]
    start = sum(len(before.axles) for before in outfit.vehicles[:puller])
    gains[start : start + len(pulling.axles)] = -_hitch_leverage(pulling)
    return gains


def _hitch_leverage(vehicle: Vehicle) -> Floats:
    """Return what each axle of a pulling vehicle carries of a load on its hitch (sum 1; the front axle is
    relieved)."""
    parts = np.full(len(vehicle.axles), 1.0 / len(vehicle.axles))
    wheelbase = vehicle.axles[-1].behind_m - vehicle.axles[0].behind_m
    if vehicle.kind == "powered" and wheelbase > 0.0:
        lever = (vehicle.hitch_behind_m - vehicle.axles[-1].behind_m) / wheelbase
        parts[:] = 0.0
        parts[0], parts[-1] = -lever, 1.0 + lever
    return parts


def _gain(vehicle: Vehicle) -> float:
    return sum(axle.full_n - axle.empty_n for axle in vehicle.axles)


def _no_lifted_axle(loads: Floats) -> Floats:
    """Set negative axle loads to zero and scale the others so that the sum stays."""
    standing = np.maximum(loads, 0.0)
    total = standing.sum(axis=0)
    kept = np.divide(np.maximum(loads.sum(axis=0), 0.0), total, out=np.ones_like(total), where=total > 0.0)
    return np.where((loads < 0.0).any(axis=0), standing * kept, loads)
