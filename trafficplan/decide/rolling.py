"""Rolling resistance, slip, tractive efficiency and fuel of an outfit on soil at given pressures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trafficplan.decide.trip import AxleLoad
from trafficplan.machines.traction import mobility_brixius_1987, traction_brixius_1987
from trafficplan.soil.moisture import moisture_word

#: Cone index of the ground [Pa]: soft, tilled, firm and hard soil of ASAE D497 (memory); which hand-test word
#: stands for which is ours.
CONE_PA = {"smears": 450e3, "moulds": 900e3, "crumbles": 1200e3, "track": 1800e3}

#: Deflection of a tyre as a share of its section height, at its table's pressure for the load on the track
#: (memory: usual for radials); in inverse proportion to pressure and held to the range of Brixius (ours).
DEFLECTION, DEFLECTION_RANGE = 0.20, (0.10, 0.30)

#: A rubber track rolls as a wheel of this mobility number (ours: firm soil); Brixius does not hold for it.
TRACK_MOBILITY = 55.0

SLIP_MOST = 0.30
#: Slip from which the topsoil is sheared and smeared noticeably (memory).
SLIP_SHEARS = 0.15

#: Fuel per energy at the axles [l/kWh]: 0.27 l/kWh at the engine, 85 % of it reaches the axles (memory).
LITRES_PER_KWH = 0.27 / 0.85


@dataclass(frozen=True)
class Rolling:
    """How the outfit moves on one leg.

    Attributes
    ----------
    resistance_n : rolling resistance of each axle, front to back [N]
    pull_n : what the powered axles must pull: rolling of what is drawn, and the draft [N]
    slip : 0..0.30, or None where even 30 % does not pull it
    efficiency : tractive efficiency (-), or None
    litres_per_h : fuel for rolling and pulling alone, or None
    """

    resistance_n: tuple[float, ...]
    pull_n: float
    slip: float | None
    efficiency: float | None
    litres_per_h: float | None


def cone_of(tension_pa: float, on_soil: bool) -> float:
    """Return the cone index [Pa] of soil at a tension, or of the track."""
    return CONE_PA[moisture_word(tension_pa) if on_soil else "track"]


def mobility(load: AxleLoad, pressure_pa: float, reference_pa: float, cone_pa: float) -> float:
    """Return the mobility number of an axle's heaviest wheel.

    `reference_pa` is the table's pressure for the load on the track, where the tyre bends by `DEFLECTION`.
    """
    tyre = load.axle.wheels[0].tyre
    if tyre.kind == "track":
        return TRACK_MOBILITY
    bent = float(np.clip(DEFLECTION * reference_pa / pressure_pa, *DEFLECTION_RANGE))
    return float(mobility_brixius_1987(cone_pa, tyre.width_m, tyre.diameter_m, load.wheel_n(), bent))


def rolling(
    loads: Sequence[AxleLoad],
    pressures_pa: Sequence[float],
    references_pa: Sequence[float],
    cone_pa: float,
    draft_n: float,
    speed_m_s: float,
) -> Rolling:
    """Return resistance, slip, efficiency and fuel of an outfit; all axles of powered vehicles drive.

    Brixius 1987 (ASABE D497); not for slip above 30 %.
    """
    numbers = [mobility(load, p, ref, cone_pa) for load, p, ref in zip(loads, pressures_pa, references_pa, strict=True)]
    weights = np.array([load.load_n for load in loads])
    drives = np.array([load.kind == "powered" for load in loads])
    towed = np.asarray(traction_brixius_1987(np.array(numbers), 0.0).resistance) * weights
    pull = float(towed[~drives].sum()) + draft_n
    slip = _slip(np.array(numbers)[drives], weights[drives], pull) if drives.any() else None
    if slip is None:
        return Rolling(tuple(float(v) for v in towed), pull, None, None, None)
    at = traction_brixius_1987(np.array(numbers)[drives], slip)
    resistance = towed.copy()
    resistance[drives] = at.resistance * weights[drives]
    gross = float((at.gross * weights[drives]).sum())
    kw = gross * speed_m_s / (1.0 - slip) / 1e3
    efficiency = pull / gross * (1.0 - slip) if pull > 0 else None
    return Rolling(tuple(float(v) for v in resistance), pull, slip, efficiency, kw * LITRES_PER_KWH)


def _slip(numbers: np.ndarray, weights: np.ndarray, pull_n: float) -> float | None:
    def net(slip: float) -> float:
        return float((traction_brixius_1987(numbers, slip).net * weights).sum())

    if net(SLIP_MOST) < pull_n:
        return None
    low, high = 0.0, SLIP_MOST
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if net(middle) < pull_n else (low, middle)
    return high
