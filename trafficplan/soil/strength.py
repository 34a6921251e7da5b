"""Strength (precompression stress) of a soil layer by texture and moisture, from the one editable table
`strength.csv`.

The table holds the typical range at pF 1.8 and pF 2.5 for each of the twelve USDA classes, for a freshly
tilled layer and for a plough pan; every row says where it comes from. All of them are from memory and
indicative only: even the best published regression explains 39 % of the strength of subsoils (Schjoenning
et al. 2023), so no narrow band is defensible.
"""

from __future__ import annotations

import csv
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.errors import InputError, Problem
from trafficplan.soil.texture import TEXTURES

Floats = NDArray[np.float64]

#: What stands in Notes wherever the table was used.
TABLE_SOURCE = "memory: typical ranges by texture at pF 1.8 and 2.5, indicative only (strength.csv)"


@cache
def strength_table() -> dict[tuple[str, str], tuple[tuple[float, float, float], ...]]:
    """Return the table: (texture, state) -> rows of (pF, low [Pa], high [Pa]) by rising pF."""
    table: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    with (files("trafficplan.soil") / "strength.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            entry = (float(row["pf"]), 1e3 * float(row["low_kpa"]), 1e3 * float(row["high_kpa"]))
            table.setdefault((row["texture"], row["state"]), []).append(entry)
    return {key: tuple(sorted(rows)) for key, rows in table.items()}


def pf_of(tension_pa: ArrayLike) -> Floats:
    """Return pF: the common logarithm of soil water tension in hPa (nearly cm of water).

    Examples
    --------
    >>> float(pf_of(10_000.0))
    2.0
    """
    return np.log10(np.maximum(np.asarray(tension_pa, dtype=np.float64), 1.0) / 100.0)


def strength_range(texture: str, state: str, tension_pa: ArrayLike) -> tuple[Floats, Floats]:
    """Return the low and high end of the typical strength [Pa], shape of `tension_pa`.

    Linear in log tension between the rows of the table, held beyond them.

    Parameters
    ----------
    texture : one of the twelve USDA classes
    state : "settled", "tilled" or "pan" (of the last two the texture does not matter)
    tension_pa : soil water tension [Pa]

    Raises
    ------
    InputError : when the texture is not one of the twelve
    """
    rows = np.asarray(_rows(texture, state))
    pf = pf_of(tension_pa)
    return np.asarray(np.interp(pf, rows[:, 0], rows[:, 1])), np.asarray(np.interp(pf, rows[:, 0], rows[:, 2]))


def strength_median(texture: str, state: str, tension_pa: ArrayLike) -> Floats:
    """Return the median strength [Pa]: the geometric middle of each row's range, linear in log tension
    between rows.

    Parameters and errors as in `strength_range`.

    Examples
    --------
    >>> round(float(strength_median("loam", "settled", 5_000.0)) / 1e3, 1)
    56.6
    """
    rows = np.asarray(_rows(texture, state))
    return np.asarray(np.interp(pf_of(tension_pa), rows[:, 0], np.sqrt(rows[:, 1] * rows[:, 2])))


def _rows(texture: str, state: str) -> tuple[tuple[float, float, float], ...]:
    if state != "settled":
        return strength_table()["any", state]
    try:
        return strength_table()[texture.strip().lower(), state]
    except KeyError:
        near = get_close_matches(texture.strip().lower(), TEXTURES, n=1)
        mend = f"write {near[0]!r}" if near else "name a USDA class, or give sand and clay"
        raise InputError(Problem("unknown texture class", "soil", repr(texture), ", ".join(TEXTURES), mend)) from None
