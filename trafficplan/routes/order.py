"""Which bout comes after which: blocks of bouts that lie side by side, and the order inside a block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from trafficplan.routes.swaths import Swath

SAME_M = 1.0  # ways that differ by less are alike
GAP_M = 80.0  # a bout that an obstacle interrupts for less than this is driven on behind it


@dataclass(frozen=True)
class Bout:
    """The swaths of one bout that are driven one after the other, round obstacles between them."""

    swaths: tuple[Swath, ...]

    @property
    def number(self) -> int:
        """Number of the bout."""
        return self.swaths[0].bout

    @property
    def span(self) -> tuple[float, float]:
        """Reach along the bouts [m]."""
        return self.swaths[0].start_m, self.swaths[-1].end_m


def bouts_of(swaths: Sequence[Swath], holes: list[Polygon], crossed: Polygon | None = None) -> list[Bout]:
    """Put swaths of one bout together where only an obstacle inside the field lies between them.

    Where ground may be crossed without work, swaths are also put together over it.
    """
    filled = shapely.union_all(holes) if holes else Polygon()
    groups: list[list[Swath]] = []
    for swath in sorted(swaths, key=lambda s: (s.bout, s.start_m)):
        last = groups[-1][-1] if groups else None
        gap = swath.start_m - last.end_m if last is not None and last.bout == swath.bout else GAP_M
        if last is not None and 0.0 <= gap < GAP_M and (crossed is not None or not filled.is_empty):
            between = shapely.linestrings([last.xy[-1], swath.xy[0]])
            if filled.buffer(1.0).intersects(between) or (crossed is not None and crossed.covers(between)):
                groups[-1].append(swath)
                continue
        groups.append([swath])
    return [Bout(tuple(g)) for g in groups]


def blocks_of(bouts: list[Bout]) -> list[list[Bout]]:
    """Return blocks of bouts side by side: a new block starts where the row of bouts splits or merges."""
    by_number: dict[int, list[Bout]] = {}
    for bout in bouts:
        by_number.setdefault(bout.number, []).append(bout)
    blocks: list[list[Bout]] = []
    open_blocks: list[list[Bout]] = []
    for number in sorted(by_number):
        row, still_open = by_number[number], []
        beside = [b for b in open_blocks if b[-1].number == number - 1]
        for bout in row:
            before = [b for b in beside if _side_by_side(b[-1], bout)]
            alone = len(before) == 1 and sum(_side_by_side(before[0][-1], other) for other in row) == 1
            if alone:
                before[0].append(bout)
                still_open.append(before[0])
            else:
                blocks.append([bout])
                still_open.append(blocks[-1])
        open_blocks = still_open
    return blocks


def _side_by_side(a: Bout, b: Bout) -> bool:
    """Tell whether two bouts share a part of their reach."""
    return min(a.span[1], b.span[1]) > max(a.span[0], b.span[0])


def bout_order(count: int, step: int) -> list[int]:
    """Return the order of bouts in a block so that the next one is `step` away or a little more.

    Blocks of twice the step are driven as step, 0, step + 1, 1, ...: each turn is step or step + 1 bouts
    wide. What is left over goes with the last block. Step 1 is the plain order.

    Examples
    --------
    >>> bout_order(6, 3)
    [3, 0, 4, 1, 5, 2]
    """
    if step <= 1 or count < 3:
        return list(range(count))
    order: list[int] = []
    start = 0
    while start < count:
        left = count - start
        size = left if left < 4 * step else 2 * step
        half = size // 2 if size < 4 * step else step
        for i in range(size - half):
            order.append(start + half + i)
            if i < half:
                order.append(start + i)
        start += size
    return order


def nearest_block(blocks: list[list[Bout]], here: np.ndarray, step: int) -> tuple[int, list[Bout]]:
    """Return the block whose first bout starts nearest to a point, and its bouts in driving order."""
    best: tuple[float, int, list[Bout]] | None = None
    for i, block in enumerate(blocks):
        order = bout_order(len(block), step)
        for bouts in ([block[k] for k in order], [block[len(block) - 1 - k] for k in order]):
            ends = [bouts[0].swaths[0].xy[0], bouts[0].swaths[-1].xy[-1]]
            apart = min(float(np.hypot(*(e - here))) for e in ends)
            if best is None or apart < best[0] - 1e-6:
                best = (apart, i, bouts)
    assert best is not None
    return best[1], best[2]


def by_distance(
    blocks: list[list[Bout]], step: int, out_m: Callable[[Bout], float], far_first: bool
) -> list[list[Bout]]:
    """Return blocks and their bouts from the far side back to where loads leave the field, or from there on.

    Parameters
    ----------
    step : how many bouts on the next one lies, as in `bout_order`
    out_m : way from a bout to where loads leave the field [m]
    """
    sign = -1.0 if far_first else 1.0
    out: list[list[Bout]] = []
    for block in sorted(blocks, key=lambda bouts: sign * sum(map(out_m, bouts)) / len(bouts)):
        from_end = sign * out_m(block[-1]) < sign * out_m(block[0]) - SAME_M
        seen = block[::-1] if from_end else block
        out.append([seen[k] for k in bout_order(len(seen), step)])
    return out


def foreseen(blocks: list[list[Bout]], here: NDArray[np.float64], step: int) -> list[list[Bout]]:
    """Return blocks and their bouts in the order of `nearest_block`, each left by the end it was not entered by."""
    left, out = list(blocks), []
    while left:
        i, bouts = nearest_block(left, here, step)
        left.pop(i)
        out.append(bouts)
        for bout in bouts:
            here = far_end(bout, here)
    return out


def far_end(bout: Bout, here: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the end of a bout that is farther from a point: where the outfit leaves it."""
    first, last = bout.swaths[0].xy[0], bout.swaths[-1].xy[-1]
    return np.asarray(last if np.hypot(*(first - here)) <= np.hypot(*(last - here)) else first)
