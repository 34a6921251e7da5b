"""Who shares in the lasting damage of a field, where it is concentrated, and what loosening would reach.

Everything starts from the stored layer `lasting`: chance of overstress below tillage depth in steps of 0.0001. The
chance of a place is that of its highest ratio, so the layer of a season is, cell by cell, the highest of the layers that
its operations leave alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import ZONE_CODES, Area, Ground, burn
from trafficplan.names import LAYERS, depth_tag

Counts = NDArray[np.int64]
Stored = NDArray[np.uint16]

#: Stored values of `lasting`: 0 to 10,000.
MOST = round(1 / LAYERS["lasting"].scale)
#: Chance from which people are told that lasting damage is likely.
LIKELY = MOST // 2
#: Steps of 0.1 in which hectares by chance are told.
STEPS = 10
#: Share of the area that counts as its worst part.
WORST_SHARE = 0.1
#: Soil known to about plus or minus half: factors of its strength for the ends of a range (ours).
STRENGTHS = (1 / 1.5, 1.0, 1.5)
#: Usual spread of the strength [ln], for the ends of a range.
SPREAD = 0.5
#: Depth that a deep loosener reaches [m] (common practice, no source).
LOOSENED_M = 0.45


@dataclass(frozen=True)
class Concentration:
    """How the damage lies: shares of its sum over the ground (chance x area).

    Attributes
    ----------
    worst_share : share of the damage on the worst 10 % of the area
    edge_share, edge_area_share : on headlands and gateways, and their share of the area
    """

    worst_share: float
    edge_share: float
    edge_area_share: float


def counts_by_zone(lasting: Stored, ground: Ground) -> dict[str, Counts]:
    """Return zone -> (10001,) cells per stored chance: headland, gateway, infield."""
    return {zone: counts_of(lasting[ground.zone == code]) for zone, code in ZONE_CODES.items()}


def counts_of(lasting: Stored) -> Counts:
    """Return (10001,) cells per stored chance of some cells.

    Examples
    --------
    >>> counts_of(np.array([0, 10000, 10000], np.uint16))[[0, 10000]].tolist()
    [1, 2]
    """
    return np.bincount(np.minimum(lasting, MOST), minlength=MOST + 1)


def likely_ha(counts: Counts, cell_ha: float) -> float:
    """Return the hectares with a chance of at least 0.5.

    Examples
    --------
    >>> likely_ha(np.bincount([0, 4999, 5000, 9000], minlength=10001), 0.25)
    0.5
    """
    return float(counts[LIKELY:].sum()) * cell_ha


@cache
def _chances(strength: float) -> NDArray[np.float64]:
    """Return the chance of each stored value if the soil were `strength` times as strong as assumed."""
    chance = np.arange(MOST + 1) / MOST
    if strength == 1.0:
        return chance
    with np.errstate(divide="ignore"):
        moved = ndtr(ndtri(chance) - np.log(strength) / SPREAD)
    moved[0] = 0.0
    return np.asarray(moved)


def expected_ha(counts: Counts, cell_ha: float, strength: float = 1.0) -> float:
    """Return the expected hectares of lasting damage: sum over cells of chance x area.

    Parameters
    ----------
    strength : how many times as strong as assumed the soil is

    Examples
    --------
    >>> round(expected_ha(np.bincount([0, 4000, 5000, 9000], minlength=10001), 1.0), 6)
    1.8
    """
    return float((counts * _chances(strength)).sum()) * cell_ha


def steps_of_chance(counts: Counts, cell_ha: float) -> tuple[float, ...]:
    """Return hectares by chance in steps of 0.1: 0 to below 0.1, ..., 0.9 to 1.

    Examples
    --------
    >>> steps_of_chance(np.bincount([0, 999, 1000, 10000], minlength=10001), 1.0)
    (2.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
    """
    each = np.append(counts[:-1].reshape(STEPS, -1).sum(axis=1), 0)
    each[STEPS - 1] += counts[MOST]
    return tuple(float(n) * cell_ha for n in each[:STEPS])


def concentration(counts: Mapping[str, Counts]) -> Concentration:
    """Return how concentrated the damage is; zones as in `counts_by_zone`, added up over any fields of one cell size."""
    every = np.asarray(sum(counts.values()))
    total = float((every * np.arange(MOST + 1)).sum())
    cells = int(every.sum())
    if total == 0.0 or cells == 0:
        return Concentration(0.0, 0.0, _edge(counts, np.ones(MOST + 1)) / max(cells, 1))
    left, worst = WORST_SHARE * cells, 0.0
    for value in np.flatnonzero(every)[::-1]:
        taken = min(left, float(every[value]))
        worst, left = worst + taken * float(value), left - taken
        if left <= 0:
            break
    values = np.arange(MOST + 1, dtype=np.float64)
    return Concentration(worst / total, _edge(counts, values) / total, _edge(counts, np.ones(MOST + 1)) / cells)


def _edge(counts: Mapping[str, Counts], values: NDArray[np.float64]) -> float:
    return float(sum((counts[zone] * values).sum() for zone in ("headland", "gateway")))


@dataclass(frozen=True)
class Share:
    """One operation's part in the likely damage of a field.

    Attributes
    ----------
    own_ha : where it alone would have been enough
    alone_ha : of these, where no other operation would have been
    shared_ha : of these, where others would have been too
    shared_with : (index of the other operation, hectares), the largest first
    """

    own_ha: float
    alone_ha: float
    shared_ha: float
    shared_with: tuple[tuple[int, float], ...]


def shares(own: Sequence[Stored], cell_ha: float) -> tuple[Share, ...]:
    """Return each operation's part in the ground where lasting damage is likely.

    Parameters
    ----------
    own : one (cells,) layer per operation: the chance that it leaves alone

    Examples
    --------
    >>> [(one.alone_ha, one.shared_ha) for one in shares([np.array([9000, 6000]), np.array([0, 6000])], 1.0)]
    [(1.0, 1.0), (0.0, 1.0)]
    """
    enough = np.array([layer >= LIKELY for layer in own], dtype=bool)
    if not len(enough):
        return ()
    causes = enough.sum(axis=0)
    out = []
    for i, mine in enumerate(enough):
        both = (enough & mine).sum(axis=1) * cell_ha
        others = sorted(((j, float(ha)) for j, ha in enumerate(both) if j != i and ha > 0), key=lambda one: -one[1])
        alone = float((mine & (causes == 1)).sum()) * cell_ha
        out.append(
            Share(float(mine.sum()) * cell_ha, alone, float((mine & (causes > 1)).sum()) * cell_ha, tuple(others))
        )
    return tuple(out)


@dataclass(frozen=True)
class Loosening:
    """What deep loosening would reach of the ground where lasting damage is likely [ha].

    `reached_ha`: overstressed above the loosener's depth only; `beyond_ha`: below it too, where nothing mends it.
    """

    reached_ha: float
    beyond_ha: float


def loosening(
    arrays: Mapping[str, NDArray[Any]], ground: Ground, grid: Grid, depths_m: Sequence[float], deep_from_m: float
) -> Loosening:
    """Return what a deep loosener would reach, from the stored ratios below tillage depth."""
    likely = (arrays["lasting"] >= LIKELY) & ground.inside
    over = np.zeros(likely.shape, dtype=bool)
    for depth in depths_m:
        if depth > max(deep_from_m, LOOSENED_M) + 1e-9:
            over |= arrays[f"ratio_{depth_tag(depth)}"] * np.float32(LAYERS["ratio"].scale) >= 1.0
    beyond = float((likely & over).sum()) * grid.cell_ha
    return Loosening(float(likely.sum()) * grid.cell_ha - beyond, beyond)


@dataclass(frozen=True)
class Mended:
    """What tillage made good of the season [ha]: ground over its strength above tillage depth, and that tilled after."""

    over_ha: float
    tilled_after_ha: float


def mended(
    arrays: Mapping[str, NDArray[Any]], ground: Ground, grid: Grid, depths_m: Sequence[float], deep_from_m: float
) -> Mended:
    """Return what the season's tillage mended: the compaction index stands at 0 again where it was tilled after."""
    over, left = np.zeros(ground.inside.shape, dtype=bool), np.zeros(ground.inside.shape, dtype=bool)
    for depth in depths_m:
        if depth <= deep_from_m + 1e-9:
            tag = depth_tag(depth)
            over |= arrays[f"ratio_{tag}"] * np.float32(LAYERS["ratio"].scale) > 1.0
            left |= arrays[f"compaction_{tag}"] > 0
    over &= ground.inside
    return Mended(float(over.sum()) * grid.cell_ha, float((over & ~left).sum()) * grid.cell_ha)


@dataclass(frozen=True)
class Worn:
    """Ground that was worn out or loosened before the season [ha]: all of it, and with likely lasting damage of this one."""

    area_ha: float
    likely_ha: float


def worn(lasting: Stored, ground: Ground, grid: Grid, places: Sequence[Area]) -> Worn:
    """Return the ground of a field that lies on places told apart, from its stored chance."""
    cells = burn(((place, 1) for place in places), grid).astype(bool) & ground.inside
    return Worn(float(cells.sum()) * grid.cell_ha, float((cells & (lasting >= LIKELY)).sum()) * grid.cell_ha)


@dataclass(frozen=True)
class Lanes:
    """Ground that wheels covered in a field [ha]: once or more, each operation added up, and with shared lanes.

    `shared_ha`: if all operations whose working width is that of the narrowest, or a whole multiple of it, had run in
    the wheel marks of the one that marks most.
    """

    wheeled_ha: float
    covered_ha: float
    shared_ha: float


def lanes(marks: Sequence[NDArray[np.uint16]], widths_m: Sequence[float], cell_ha: float) -> Lanes:
    """Return how much wheel marks overlap.

    Parameters
    ----------
    marks : one (cells,) array per operation: its 4 x 4 sub-cells that a wheel touched
    widths_m : working width of each
    """
    if not len(marks):
        return Lanes(0.0, 0.0, 0.0)
    each = [_bits(mark) for mark in marks]
    least = min(widths_m)
    fits = [abs(width / least - round(width / least)) < 0.02 for width in widths_m]
    widest = max((i for i, fit in enumerate(fits) if fit), key=lambda i: each[i])
    kept = [mark for i, mark in enumerate(marks) if not fits[i] or i == widest]
    sixteenth = cell_ha / 16
    return Lanes(
        _bits(np.bitwise_or.reduce(np.asarray(marks), axis=0)) * sixteenth,
        sum(each) * sixteenth,
        _bits(np.bitwise_or.reduce(np.asarray(kept), axis=0)) * sixteenth,
    )


def _bits(marks: NDArray[np.uint16]) -> int:
    return int(np.bitwise_count(marks).sum(dtype=np.int64))
