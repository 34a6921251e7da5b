"""Fuel of a drive for rolling and pulling, from the load on board at every stretch. What a power take-off asks is left out."""

from __future__ import annotations

import numpy as np

from trafficplan.decide.rolling import cone_of, rolling
from trafficplan.decide.trip import AxleLoad
from trafficplan.farm.operation import Operation
from trafficplan.machines.loads import axle_loads
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD
from trafficplan.routes.build import field_pressure
from trafficplan.routes.passes import Drive

#: States of the body between empty and full at which rolling is computed; fuel is linear between.
STATES = 5


def litres(outfit: Outfit, operation: Operation, drive: Drive, tension_pa: tuple[float, float]) -> float | None:
    """Return the fuel of a drive for rolling and pulling [l], standing left out; None where wheels would slip too much.

    Parameters
    ----------
    operation : for the field pressures; tension_pa : of the top and the deep layer

    Notes
    -----
    Brixius 1987 (ASABE D497) by `rolling`; 0.27 l/kWh at the engine (memory).
    """
    if len(drive.xy) < 2:
        return 0.0
    steps = np.hypot(*np.diff(drive.xy, axis=0).T)
    board = (drive.load_kg[:-1] + drive.load_kg[1:]) / 2
    on_road = drive.leg[:-1] == ROAD
    total = 0.0
    for on_soil, speed in ((True, outfit.field_m_s), (False, outfit.track_m_s)):
        chosen = on_road != on_soil
        if not chosen.any():
            continue
        states = np.linspace(0.0, max(float(board.max()), 1.0), STATES)
        rates = [_per_hour(outfit, operation, float(load), on_soil, speed, tension_pa[0]) for load in states]
        if any(rate is None for rate in rates):
            return None
        per_hour = np.interp(board[chosen], states, np.array(rates, dtype=np.float64))
        total += float((per_hour * steps[chosen]).sum()) / speed / 3600
    return total


def _per_hour(
    outfit: Outfit, operation: Operation, load_kg: float, on_soil: bool, speed_m_s: float, tension_pa: float
) -> float | None:
    """Return litres per hour of the outfit rolling with a load, or None where 30 % slip does not pull it."""
    weights = axle_loads(outfit, load_kg)
    axles = [(vehicle, axle) for vehicle in outfit.vehicles for axle in vehicle.axles]
    loads = [
        AxleLoad(axle, vehicle.kind, float(weight), 0.0, load_kg)
        for (vehicle, axle), weight in zip(axles, weights, strict=True)
    ]
    pressures = [field_pressure(axle, operation) if on_soil else axle.track_pa for _, axle in axles]
    references = [axle.track_pa for _, axle in axles]
    return rolling(loads, pressures, references, cone_of(tension_pa, on_soil), 0.0, speed_m_s).litres_per_h
