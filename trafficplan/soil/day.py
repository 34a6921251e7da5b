"""A soil unit on one day: tension, strength, its spread and the concentration factor, by depth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.names import Note
from trafficplan.soil.moisture import HAND_TEST, WORD_LIMITS
from trafficplan.soil.strength import TABLE_SOURCE, strength_median
from trafficplan.soil.unit import Horizon, SoilDay, SoilUnit, from_top

Floats = NDArray[np.float64]

#: Where no tillage follows, "top" moisture reaches down to here [m]; ours.
TOP_M = 0.25

#: Standard deviation of ln strength, model error included. Root sum of squares of field variation 0.15,
#: fitting method 0.28, texture class or regression 0.35 and stress model 0.25 is 0.53; cores of the field
#: itself take the third away. Rounded, ours.
SPREAD_USUAL = 0.5
SPREAD_TEXTURE_ONLY = 0.6
SPREAD_MEASURED = 0.4

#: Cores of the field itself from which the spread narrows.
CORES_ENOUGH = 10


def concentration_factor(tension_pa: ArrayLike) -> Floats:
    """Return Froehlich's concentration factor: 6 wet (below 10 kPa), 5 moist (to 20 kPa), 4 dry.

    Soehne 1953 (hard 4, normal 5, soft 6: memory); 5 fitted a sandy loam and 4 a clay in field tests, 6 is
    the conservative end.

    Examples
    --------
    >>> concentration_factor([5e3, 15e3, 33e3]).tolist()
    [6.0, 5.0, 4.0]
    """
    tension = np.asarray(tension_pa, dtype=np.float64)
    return np.where(tension < WORD_LIMITS[0], 6.0, np.where(tension <= WORD_LIMITS[1], 5.0, 4.0))


def soil_day(
    unit: SoilUnit,
    depths_m: ArrayLike,
    top_pa: float,
    deep_pa: float,
    tillage_depth_m: float,
    tilled_to_m: float,
) -> tuple[SoilDay, tuple[Note, ...]]:
    """Return the soil unit as it is on one day, at each depth, and what was assumed.

    Parameters
    ----------
    unit : the soil unit
    depths_m : depths below the surface, (n,) [m]
    top_pa, deep_pa : soil water tension down to and below the tillage depth [Pa]
    tillage_depth_m : depth of the regular tillage [m]; where there is none (0), `top_pa` counts down to
    0.25 m tilled_to_m : depth to which the soil lies freshly tilled that day [m]; 0 = nowhere

    Raises
    ------
    InputError : when the unit has no horizon, or a horizon's texture is unknown

    Notes
    -----
    A measured strength counts before every table row. A cracking and swelling soil gets no more strength
    when dry than when moist: dry, it moved more under wheels, not less, although its strength was 5-12
    times higher (Swedish clay loam, 7 Mg wheels).
    """
    depths = np.asarray(depths_m, dtype=np.float64).reshape(-1)
    notes: list[Note] = []
    tension = np.where(depths <= (tillage_depth_m or TOP_M), top_pa, deep_pa).astype(np.float64)
    strength = np.empty(depths.shape)
    spread = np.empty(depths.shape)
    for i, depth in enumerate(depths):
        horizon = _horizon_at(unit, float(depth), notes)
        state = "tilled" if depth <= tilled_to_m else horizon.state
        strength[i] = _strength(unit, horizon, state, float(tension[i]), notes)
        spread[i] = _spread(horizon)
    if tillage_depth_m <= 0.0 and top_pa != deep_pa:
        notes.append(
            Note(
                "assumed",
                "depth of top moisture where nothing is tilled",
                f"{TOP_M:.2f} m",
                "no tillage depth",
                "ours",
            )
        )
    day = SoilDay(depths, tension, strength, spread, concentration_factor(tension))
    return day, tuple(sorted(set(notes)))


def _horizon_at(unit: SoilUnit, depth_m: float, notes: list[Note]) -> Horizon:
    """Return the horizon at a depth: the first that reaches down to it, else the deepest with a Note."""
    ordered = from_top(unit)
    for horizon in ordered:
        if depth_m <= horizon.bottom_m + 1e-9:
            return horizon
    notes.append(
        Note(
            "assumed",
            f"soil unit {unit.key}: soil below {ordered[-1].bottom_m:.2f} m",
            f"as the deepest horizon ({ordered[-1].texture})",
            "the horizons end there",
            "ours",
        )
    )
    return ordered[-1]


def _strength(unit: SoilUnit, horizon: Horizon, state: str, tension_pa: float, notes: list[Note]) -> float:
    if horizon.strength_pa is not None:
        return horizon.strength_pa
    moist = HAND_TEST["moulds"]
    if unit.swelling and tension_pa > moist:
        notes.append(
            Note(
                "assumed",
                f"soil unit {unit.key}: strength when dry",
                "not above its moist strength",
                "the soil cracks and swells",
                "Swedish clay loam trials with 7 Mg wheels (abstract)",
            )
        )
        tension_pa = moist
    notes.append(
        Note(
            "assumed",
            f"soil unit {unit.key}: strength",
            "middle of the typical range by texture and moisture",
            "no measured strength",
            TABLE_SOURCE,
        )
    )
    return float(strength_median(horizon.texture, state, tension_pa))


def _spread(horizon: Horizon) -> float:
    if horizon.strength_pa is not None:
        return SPREAD_MEASURED if horizon.cores >= CORES_ENOUGH else SPREAD_USUAL
    known = (horizon.sand, horizon.clay, horizon.organic, horizon.density_kg_m3)
    return SPREAD_TEXTURE_ONLY if all(value is None for value in known) else SPREAD_USUAL
