"""What people saw after driving: rut, slip and surface at pressures that were tried."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Seen:
    """One row of seen.csv. It stands beside what is computed and changes none of it.

    Attributes
    ----------
    pressures_pa : axle key -> cold pressure [Pa]; key "*" stands for all axles
    rut_m, slip : depth of the rut [m] and slip (0..1), or None
    surface : what the surface looked like, in the person's words
    """

    day: dt.date
    field: str
    outfit: str
    pressures_pa: Mapping[str, float]
    rut_m: float | None = None
    slip: float | None = None
    surface: str = ""
