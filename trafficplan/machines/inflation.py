"""Inflation pressure hot and cold, and what the letters IF and VF in front of a size promise.

Tables and limits are about cold gauge pressure. Nothing here advises a pressure: the maker's table does.
"""

from __future__ import annotations

import math
import re
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.errors import InputError, Problem

Floats = NDArray[np.float64]

ATMOSPHERE_PA = 101_325.0  # standard atmosphere (exact)
ZERO_CELSIUS_K = 273.15

#: Temperature of a cold tyre where none is told [degrees C]; ours.
COLD_CELSIUS = 20.0

#: Temperatures of air in a tyre that are no slip of the pen [degrees C]; ours.
CELSIUS_RANGE = (-40.0, 120.0)

#: Load at the same pressure, and pressure at the same load, as a factor to the standard radial tyre (trade
#: press, explaining the tyre and rim standard).
IMPROVED_FLEXION: dict[str, tuple[float, float]] = {"IF": (1.20, 0.80), "VF": (1.40, 0.60)}

NEVER_BLEED = "Never let air out of a hot tyre: cold, it would be too low. Check and set tyres cold."


def hot_pressure_gas_law(cold_pa: ArrayLike, hot_celsius: ArrayLike, cold_celsius: ArrayLike = COLD_CELSIUS) -> Floats:
    """Return the gauge pressure [Pa] of a warmed tyre that read `cold_pa` cold.

    Absolute pressure goes with absolute temperature at equal volume; the tyre's own stretch is not in it.

    Raises
    ------
    InputError : when a temperature is outside `CELSIUS_RANGE`

    Examples
    --------
    >>> round(float(hot_pressure_gas_law(160e3, 50.0)) / 1e3, 1)
    186.7
    """
    hot, cold = _kelvin(hot_celsius), _kelvin(cold_celsius)
    return np.asarray((np.asarray(cold_pa, dtype=np.float64) + ATMOSPHERE_PA) * hot / cold - ATMOSPHERE_PA)


def cold_pressure_gas_law(
    gauge_pa: ArrayLike, gauge_celsius: ArrayLike, cold_celsius: ArrayLike = COLD_CELSIUS
) -> Floats:
    """Return the cold gauge pressure [Pa] of a tyre that reads `gauge_pa` at `gauge_celsius`.

    The inverse of `hot_pressure_gas_law`, with the same errors.

    Examples
    --------
    >>> round(float(cold_pressure_gas_law(186.7e3, 50.0)) / 1e3, 1)
    160.0
    """
    return hot_pressure_gas_law(gauge_pa, cold_celsius, gauge_celsius)


def _kelvin(celsius: ArrayLike) -> Floats:
    value = np.asarray(celsius, dtype=np.float64)
    low, high = CELSIUS_RANGE
    if not np.all((value >= low) & (value <= high)):
        raise InputError(
            Problem(
                "a temperature that no tyre has",
                "gauge temperature",
                ", ".join(f"{one:g}" for one in value.reshape(-1)),
                f"{low:g} to {high:g} degrees C",
                "give degrees Celsius of the air in the tyre",
            )
        )
    return np.asarray(value + ZERO_CELSIUS_K)


def flexion_of(code: str) -> Literal["IF", "VF"] | None:
    """Return the letters IF or VF of a size code, or None.

    Examples
    --------
    >>> flexion_of("VF 710/70R42"), flexion_of("710/70R42")
    ('VF', None)
    """
    match = re.match(r"\s*(IF|VF)\b|\s*(IF|VF)(?=\d)", code.upper())
    if match is None:
        return None
    return "IF" if "IF" in match.groups() else "VF"


def vf_if_exponent(letters: str) -> float:
    """Return the exponent e of load ~ pressure^e that the promise of IF or VF implies.

    Context only, never a pressure: the maker's own table counts.

    Raises
    ------
    KeyError : for other letters

    Examples
    --------
    >>> round(vf_if_exponent("VF"), 3), round(vf_if_exponent("IF"), 3)
    (0.659, 0.817)
    """
    load, pressure = IMPROVED_FLEXION[letters]
    return math.log(load) / math.log(1.0 / pressure)
