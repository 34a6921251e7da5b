"""How large each load is: as large as allowed, all alike, or so that it ends where the way out is short."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

LEAST_SHARE = 0.5  # a load that is to end at a headland is at least this share of the longest one that does
CLOSE_M = 0.01  # a load that lasts to within this of a line's end ends there


class Ahead(NamedTuple):
    """A line of work still to come: its length, the way from its end to where loads leave the field [m], bout or
    round."""

    length_m: float
    out_m: float
    bout: bool


def metres_per_load(load_kg: float, rate_kg_m2: float, width_m: float) -> float:
    """Return how long a load lasts [m]: load / (rate x width).

    Examples
    --------
    >>> round(metres_per_load(12000.0, 3.0, 12.0), 1)  # 12 t at 30 t/ha and 12 m
    333.3
    """
    return load_kg / (rate_kg_m2 * width_m)


def balanced(full_kg: float, need_kg: float) -> float:
    """Return the size of equal loads [kg], as few as full ones would be.

    Examples
    --------
    >>> balanced(9000.0, 20000.0)
    6666.666666666667
    """
    return need_kg / max(1, math.ceil(need_kg / full_kg - 1e-9))


def to_headland(full_m: float, ahead: Iterable[Ahead]) -> float:
    """Return how long a load lasts that ends with a line [m].

    Among the ends of lines that a full load reaches, and half of the longest such stretch, the one with the least way
    out per metre of work. A round may be left anywhere: it lies on the headland. A bout that no load lasts for is
    begun with what is on board all the same.

    Parameters
    ----------
    full_m : work that a full load lasts for [m]
    ahead : the lines to come, in order; the first may be the rest of one
    """
    ends: list[tuple[float, float]] = []
    reach = 0.0
    for line in ahead:
        reach += line.length_m
        if reach > full_m + CLOSE_M:
            if not line.bout or line.length_m > full_m + CLOSE_M:
                ends.append((full_m, line.out_m))
            break
        ends.append((reach, line.out_m))
    if not ends:
        return full_m
    longest = ends[-1][0]
    return min((out / work, -work) for work, out in ends if work >= LEAST_SHARE * longest)[1] * -1.0
