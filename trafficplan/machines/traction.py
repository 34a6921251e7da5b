"""Traction and rolling resistance of driven and towed wheels on soil, as ratios to the wheel load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Where Brixius holds: width / diameter, deflection / section height (ASAE D497.4), slip.
BRIXIUS_RANGE = {"width_to_diameter": (0.1, 0.7), "deflection_share": (0.10, 0.30), "slip": (0.0, 0.30)}


@dataclass(frozen=True)
class Traction:
    """Ratios to the wheel load: motion resistance, gross and net traction; and the tractive efficiency
    (-)."""

    resistance: Floats
    gross: Floats
    net: Floats
    efficiency: Floats


def mobility_brixius_1987(
    cone_index_pa: ArrayLike,
    width_m: ArrayLike,
    diameter_m: ArrayLike,
    load_n: ArrayLike,
    deflection_share: ArrayLike,
) -> Floats:
    """Return the mobility number Bn (-) of a bias or radial drive tyre.

    Brixius 1987 (ASAE paper 87-1622), ASABE D497; cone index [Pa], wheel load [N], deflection as a share of
    section height.
    """
    b, d = np.asarray(width_m, dtype=np.float64), np.asarray(diameter_m, dtype=np.float64)
    numeric = np.asarray(cone_index_pa, dtype=np.float64) * b * d / np.asarray(load_n, dtype=np.float64)
    return np.asarray(numeric * (1.0 + 5.0 * np.asarray(deflection_share)) / (1.0 + 3.0 * b / d))


def traction_brixius_1987(mobility: ArrayLike, slip: ArrayLike) -> Traction:
    """Return the traction ratios at a mobility number and a slip (0..1); slip 0 is a towed wheel.

    Brixius 1987 (ASAE paper 87-1622), ASABE D497. Fitted to drive tyres on cohesive-frictional soils: not
    for tracks, ice, sod or slip above 30 %.
    """
    Bn, s = np.asarray(mobility, dtype=np.float64), np.asarray(slip, dtype=np.float64)
    resistance = 1.0 / Bn + 0.04 + 0.5 * s / np.sqrt(Bn)
    gross = 0.88 * (1.0 - np.exp(-0.1 * Bn)) * (1.0 - np.exp(-7.5 * s)) + 0.04
    net = gross - resistance
    return Traction(resistance, gross, net, np.where(s > 0.0, net / gross * (1.0 - s), 0.0))


def numeric_wismer_luth_1974(
    cone_index_pa: ArrayLike, width_m: ArrayLike, diameter_m: ArrayLike, load_n: ArrayLike
) -> Floats:
    """Return the wheel numeric Cn (-) of Wismer & Luth 1974: cone index [Pa] x width x diameter / wheel
    load [N]."""
    area = np.asarray(width_m, dtype=np.float64) * np.asarray(diameter_m, dtype=np.float64)
    return np.asarray(np.asarray(cone_index_pa, dtype=np.float64) * area / np.asarray(load_n, dtype=np.float64))


def resistance_wismer_luth_1974(numeric: ArrayLike) -> Floats:
    """Return the motion resistance ratio (-) of a towed wheel, 1.2 / Cn + 0.04 (Wismer & Luth 1974)."""
    return np.asarray(1.2 / np.asarray(numeric, dtype=np.float64) + 0.04)


def gross_wismer_luth_1974(numeric: ArrayLike, slip: ArrayLike) -> Floats:
    """Return the gross traction ratio (-), 0.75 (1 - exp(-0.3 Cn s)) (Wismer & Luth 1974; constants from
    memory)."""
    exponent = -0.3 * np.asarray(numeric, dtype=np.float64) * np.asarray(slip, dtype=np.float64)
    return np.asarray(0.75 * (1.0 - np.exp(exponent)))
