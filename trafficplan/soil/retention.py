"""Water that a soil holds at a tension, from what is known of its horizons.

Two published regressions. Woesten et al. 1999 gives the curve over the whole range, and with it the tension: every
number of the water balance comes from it. Saxton & Rawls 2006 gives density where none is known and how fast a soil
lets water through; its own curve is far too wet between 10 and 33 kPa (a line from 33 kPa to the entry of air).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.errors import InputError, Problem
from trafficplan.names import Note
from trafficplan.soil.unit import Horizon
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]

#: Tension at field capacity and at wilting point [Pa]. Field capacity is the European one of drained land (pF 1.8;
#: 6 to 10 kPa in use), not the 33 kPa of Saxton & Rawls.
FIELD_CAPACITY_PA = 6e3
WILTING_PA = 1500e3

#: Organic matter where none is known [% mass]: of the first horizon and of those below (ours).
ORGANIC_TOP, ORGANIC_BELOW = 2.5, 0.8

#: Sand and clay that stand for a texture class (mass fractions; Saxton & Rawls 2006, Table 3: found).
TYPICAL: dict[str, tuple[float, float]] = {
    "sand": (0.88, 0.05),
    "loamy sand": (0.80, 0.05),
    "sandy loam": (0.65, 0.10),
    "loam": (0.40, 0.20),
    "silt loam": (0.20, 0.15),
    "silt": (0.10, 0.05),
    "sandy clay loam": (0.60, 0.25),
    "clay loam": (0.30, 0.35),
    "silty clay loam": (0.10, 0.35),
    "silty clay": (0.10, 0.45),
    "sandy clay": (0.50, 0.40),
    "clay": (0.25, 0.50),
}

#: Ranges that the regressions are used within: clay and silt [% mass], organic matter [%], density [g/cm3]. Clay to
#: 60 % and organic matter to 8 % as in Saxton & Rawls 2006 (found); the others keep Woesten's terms finite (ours).
CLAY_RANGE, SILT_RANGE, ORGANIC_RANGE, DENSITY_RANGE = (1.0, 60.0), (2.0, 90.0), (0.1, 8.0), (0.9, 1.9)

#: Least water at wilting point, and least more of it at 33 kPa and again at saturation (volume fractions), where the
#: regression of Saxton & Rawls falls to nothing: sand almost without clay, clay with much organic matter (ours).
LEAST_WATER = 0.01

_PARTICLE_G_CM3 = 2.65
_PA_PER_CM = 10.0 * GRAVITY  # 1 cm of water


@dataclass(frozen=True)
class WaterContents:
    """Saxton & Rawls 2006: water at 1500 kPa, 33 kPa and saturation (volume fractions), conductivity, density.

    Attributes
    ----------
    conductivity_mm_h : when saturated
    density_g_cm3 : of the normal soil of that texture
    """

    wilting: float
    field_33: float
    saturated: float
    conductivity_mm_h: float
    density_g_cm3: float


def saxton_rawls_2006(sand: float, clay: float, organic_pct: float) -> WaterContents:
    """Return the water contents of a soil of normal density (Soil Sci. Soc. Am. J. 70:1569, Table 1).

    Parameters
    ----------
    sand, clay : mass fractions; clay to 0.60
    organic_pct : organic matter, % mass, to 8

    Notes
    -----
    At the corners of the triangle the regression gives no water or an order that cannot be; there LEAST_WATER holds.

    Examples
    --------
    >>> loam = saxton_rawls_2006(0.40, 0.20, 2.5)
    >>> round(100 * loam.wilting), round(100 * loam.field_33), round(100 * loam.saturated)
    (14, 28, 46)
    """
    S, C, OM = sand, clay, organic_pct
    t15 = -0.024 * S + 0.487 * C + 0.006 * OM + 0.005 * S * OM - 0.013 * C * OM + 0.068 * S * C + 0.031
    wilting = max(t15 + 0.14 * t15 - 0.02, LEAST_WATER)
    t33 = -0.251 * S + 0.195 * C + 0.011 * OM + 0.006 * S * OM - 0.027 * C * OM + 0.452 * S * C + 0.299
    field = max(t33 + 1.283 * t33**2 - 0.374 * t33 - 0.015, wilting + LEAST_WATER)
    ts = 0.278 * S + 0.034 * C + 0.022 * OM - 0.018 * S * OM - 0.027 * C * OM - 0.584 * S * C + 0.078
    saturated = max(field + ts + 0.636 * ts - 0.107 - 0.097 * S + 0.043, field + LEAST_WATER)
    slope = (np.log(1500.0) - np.log(33.0)) / (np.log(field) - np.log(wilting))
    conductivity = 1930.0 * (saturated - field) ** (3.0 - 1.0 / slope)
    return WaterContents(wilting, field, saturated, float(conductivity), (1.0 - saturated) * _PARTICLE_G_CM3)


@dataclass(frozen=True)
class Curve:
    """A retention curve of van Genuchten 1980: water (volume fraction) = rest + (saturated - rest) (1 + (a h)^n)^-m,
    m = 1 - 1/n.

    Attributes
    ----------
    alpha_pa : a [1/Pa]
    """

    saturated: float
    alpha_pa: float
    n: float
    rest: float = 0.01

    def water_at(self, tension_pa: ArrayLike) -> Floats:
        """Return the water content at a tension (volume fraction), shape of `tension_pa`."""
        scaled = (self.alpha_pa * np.maximum(np.asarray(tension_pa, dtype=np.float64), 0.0)) ** self.n
        return np.asarray(self.rest + (self.saturated - self.rest) * (1.0 + scaled) ** (1.0 / self.n - 1.0))

    def tension_at(self, water: ArrayLike) -> Floats:
        """Return the tension at a water content [Pa]; 0 at saturation and above.

        Examples
        --------
        >>> loam = woesten_1999(20, 40, 1.4, 2.5, topsoil=True)
        >>> round(float(loam.tension_at(loam.water_at(12e3))))
        12000
        """
        share = (np.asarray(water, dtype=np.float64) - self.rest) / (self.saturated - self.rest)
        inner = np.maximum(np.clip(share, 1e-6, 1.0) ** (-self.n / (self.n - 1.0)) - 1.0, 0.0)
        return np.asarray(inner ** (1.0 / self.n) / self.alpha_pa)


def woesten_1999(clay_pct: float, silt_pct: float, density_g_cm3: float, organic_pct: float, topsoil: bool) -> Curve:
    """Return the retention curve of a soil (Woesten et al. 1999, Geoderma 90:169, continuous regression).

    Parameters
    ----------
    clay_pct, silt_pct : % mass, silt of 2-50 um; above 0
    density_g_cm3 : dry bulk density
    organic_pct : organic matter, % mass, above 0
    topsoil : whether the horizon is the upper one

    Notes
    -----
    Published fit: R2 .76 of saturation, .54 of n, .20 of alpha. The rest, 0.01, is from memory.
    """
    c, s, D, OM, t = clay_pct, silt_pct, density_g_cm3, organic_pct, float(topsoil)
    ln_s, ln_OM = np.log(s), np.log(OM)
    saturated = (
        0.7919 + 0.001691 * c - 0.29619 * D - 0.000001491 * s**2 + 0.0000821 * OM**2 + 0.02427 / c + 0.01113 / s
        + 0.01472 * ln_s - 0.0000733 * OM * c - 0.000619 * D * c - 0.001183 * D * OM - 0.0001664 * t * s
    )  # fmt: skip
    ln_alpha = (
        -14.96 + 0.03135 * c + 0.0351 * s + 0.646 * OM + 15.29 * D - 0.192 * t - 4.671 * D**2 - 0.000781 * c**2
        - 0.00687 * OM**2 + 0.0449 / OM + 0.0663 * ln_s + 0.1482 * ln_OM - 0.04546 * D * s - 0.4852 * D * OM
        + 0.00673 * t * c
    )  # fmt: skip
    ln_n = (
        -25.23 - 0.02195 * c + 0.0074 * s - 0.194 * OM + 45.5 * D - 7.24 * D**2 + 0.0003658 * c**2 + 0.002885 * OM**2
        - 12.81 / D - 0.1524 / s - 0.01958 / OM - 0.2876 * ln_s - 0.0709 * ln_OM - 44.6 * np.log(D)
        - 0.02264 * D * c + 0.0896 * D * OM + 0.00718 * t * c
    )  # fmt: skip
    return Curve(float(saturated), float(np.exp(ln_alpha)) / _PA_PER_CM, 1.0 + float(np.exp(ln_n)))


@dataclass(frozen=True)
class HorizonWater:
    """A horizon as a store of water: its curve, how fast it lets water through, and the share of it that is stones."""

    curve: Curve
    conductivity_mm_h: float
    stones: float


def horizon_water(horizon: Horizon, first: bool, where: str) -> tuple[HorizonWater, tuple[Note, ...]]:
    """Return a horizon as a store of water, and what was assumed of it.

    Parameters
    ----------
    first : whether it is the uppermost
    where : the soil unit, for the notes ("soil unit terrace loam")
    """
    notes: list[Note] = []
    sand, clay, organic = _known(horizon, first, where, notes)
    norm = saxton_rawls_2006(sand, clay, organic)
    density = norm.density_g_cm3 if horizon.density_kg_m3 is None else horizon.density_kg_m3 / 1e3
    if horizon.density_kg_m3 is None:
        notes.append(_note(where, "density", "of a normal soil of its texture", "not given", "Saxton & Rawls 2006"))
    curve = woesten_1999(
        _within(100.0 * clay, CLAY_RANGE), _within(100.0 * (1.0 - sand - clay), SILT_RANGE),
        _within(density, DENSITY_RANGE), organic, first,
    )  # fmt: skip
    notes.append(
        _note(where, "water at a tension", "by texture, density and organic matter", "not measured",
              "Woesten et al. 1999")
    )  # fmt: skip
    return HorizonWater(curve, norm.conductivity_mm_h, horizon.stones or 0.0), tuple(dict.fromkeys(notes))


def _known(horizon: Horizon, first: bool, where: str, notes: list[Note]) -> tuple[float, float, float]:
    """Return sand and clay (fractions) and organic matter [%], within the ranges of the regressions."""
    if horizon.sand is not None and horizon.clay is not None:
        sand, clay = horizon.sand, horizon.clay
    else:
        sand, clay = typical(horizon.texture, where)
        value = f"middle of its texture class ({horizon.texture})"
        notes.append(_note(where, "sand and clay", value, "not given", "Saxton & Rawls 2006, Table 3"))
    organic = horizon.organic
    if organic is None:
        organic = ORGANIC_TOP if first else ORGANIC_BELOW
        value = f"{ORGANIC_TOP:g} % in the first horizon, {ORGANIC_BELOW:g} % below"
        notes.append(_note(where, "organic matter", value, "not given", "ours"))
    if organic > ORGANIC_RANGE[1] or clay > CLAY_RANGE[1] / 100.0:
        value = f"as with {CLAY_RANGE[1]:g} % clay and {ORGANIC_RANGE[1]:g} % organic matter at most"
        notes.append(_note(where, "water it holds", value, "beyond what the regressions were made for", "ours"))
    clay = min(clay, CLAY_RANGE[1] / 100.0)
    return min(sand, 1.0 - clay), clay, _within(organic, ORGANIC_RANGE)


def typical(texture: str, where: str) -> tuple[float, float]:
    """Return sand and clay that stand for a texture class (mass fractions).

    Raises
    ------
    InputError : when it is not one of the twelve
    """
    try:
        return TYPICAL[texture.strip().lower()]
    except KeyError:
        mend = "name a USDA class, or give sand and clay"
        raise InputError(Problem("unknown texture class", where, repr(texture), ", ".join(TYPICAL), mend)) from None


def _note(where: str, what: str, value: str, why: str, source: str) -> Note:
    return Note("assumed", f"{where}: {what}", value, why, source)


def _within(value: float, limits: tuple[float, float]) -> float:
    return min(max(value, limits[0]), limits[1])
