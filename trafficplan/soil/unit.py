"""A soil unit of the map and what it is on one day, as plain data in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trafficplan.errors import InputError, Problem


@dataclass(frozen=True)
class Horizon:
    """One horizon: depths [m], USDA texture class, and what else is known of it.

    `sand`, `silt`, `clay` are mass fractions 0..1 (silt 2-50 um); `organic` is % mass; `density_kg_m3` bulk
    density; `stones` volume fraction; `strength_pa` measured precompression stress; `cores` how many cores
    it was measured on; `state` "pan" for a plough pan, "tilled" for a layer known to be loose, else
    "settled".
    """

    top_m: float
    bottom_m: float
    texture: str
    sand: float | None = None
    silt: float | None = None
    clay: float | None = None
    organic: float | None = None
    density_kg_m3: float | None = None
    stones: float | None = None
    strength_pa: float | None = None
    cores: int = 0
    state: Literal["settled", "tilled", "pan"] = "settled"


@dataclass(frozen=True)
class SoilUnit:
    """A soil of the map: its horizons from the surface down, and whether it cracks and swells."""

    key: str
    title: str
    horizons: tuple[Horizon, ...]
    swelling: bool = False


def from_top(unit: SoilUnit) -> list[Horizon]:
    """Return the horizons of a unit from the surface down.

    Raises
    ------
    InputError : when it has none
    """
    if not unit.horizons:
        raise InputError(
            Problem(
                "a soil unit has no horizon",
                f"soil unit {unit.key}",
                "no rows",
                "at least one horizon with a texture",
                "add it to the horizon table",
            )
        )
    return sorted(unit.horizons, key=lambda horizon: horizon.bottom_m)


@dataclass(frozen=True)
class SoilDay:
    """A soil unit on one day, by depth; all arrays have the shape of `depths_m`.

    Attributes
    ----------
    depths_m : [m]
    tension_pa : soil water tension [Pa]
    strength_pa : median precompression stress [Pa]
    spread : standard deviation of ln strength (with model error), for the chance of overstress
    nu : concentration factor of Froehlich (-)
    """

    depths_m: NDArray[np.float64]
    tension_pa: NDArray[np.float64]
    strength_pa: NDArray[np.float64]
    spread: NDArray[np.float64]
    nu: NDArray[np.float64]
