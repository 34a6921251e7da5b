"""The order and direction of bouts, and where loads run out, so that the way without work is least.

What is not work: turns, ways to the fill point and back, driving over a bout on which the load ran out, the way out.
An outfit that runs out inside a bout drives on to its end (it does not turn round between the ends), goes to the fill
point, comes back by either end and works the rest. Only the order is searched, from several plain orders on, by moving
bouts and reversing stretches; all else is chosen exactly for each order (`sequence_search`). The same input gives the
same answer: chance is a fixed series.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from trafficplan.routes.order import bout_order
from trafficplan.routes.sequence_search import EMPTY_M, KEPT, improve, judge

STEPS = 100_000  # steps tried for each bout at most: bounds the time
ROUNDS = 20  # changes by chance for each bout at most
NEAREST = 8  # bouts beside which each bout is tried
WIDEST_STEP = 8  # plain orders: over every so many bouts at most
BEST_STARTS = 3
MOST_IN_GROUP = 12


class Tracks(NamedTuple):
    """Bouts as lengths: bout k of n has the ends 2 k and 2 k + 1; "end" 2 n is where the outfit stands at first.

    Attributes
    ----------
    length_m : (n,) work on each bout [m]
    turn_m : (2 n + 1, 2 n) shortest way from leaving a bout by one end to coming in by another, along bouts too [m]
    fill_m : (2 n + 1,) way from each end to the fill point, and back [m]
    last_m : (2 n,) way from leaving by each end to where the job ends [m]
    """

    length_m: NDArray[np.float64]
    turn_m: NDArray[np.float64]
    fill_m: NDArray[np.float64]
    last_m: NDArray[np.float64]


class Visit(NamedTuple):
    """One drive along a bout: from its second end if `reversed`, after filling (or emptying) if `filled`, with so much
    work on it [m]."""

    bout: int
    reversed: bool
    filled: bool
    work_m: float


@dataclass(frozen=True)
class Sequence:
    """Visits in driving order: a bout on which the load runs out is visited again at once.

    Attributes
    ----------
    visits : in order
    idle_m : way without work [m]
    full_m : way of a full load that would be as much load x way as all loads carried, work included [m]
    cost_m : idle_m + weight x full_m [m]
    """

    visits: tuple[Visit, ...]
    idle_m: float
    full_m: float
    cost_m: float

    @property
    def order(self) -> list[tuple[int, bool]]:
        """Bouts in order, and whether each is first driven from its far end."""
        firsts = [v for i, v in enumerate(self.visits) if i == 0 or self.visits[i - 1].bout != v.bout]
        return [(v.bout, v.reversed) for v in firsts]


def best_sequence(
    tracks: Tracks,
    capacity_m: float,
    on_board_m: float | None = None,
    part_loads: bool = False,
    weight: float = 0.0,
    fills: bool = False,
    whole_bouts: bool = False,
    steps: int = STEPS,
) -> Sequence:
    """Return the sequence of bouts of least cost that was found.

    Parameters
    ----------
    tracks : bouts, and the ways between them
    capacity_m : metres of work that a full hopper lasts for; inf where the load does not change
    on_board_m : of this on board at first (where the load grows: room left); None: a full hopper (an empty one)
    part_loads : the outfit may go to the fill point between two bouts before the hopper is empty
    weight : what a metre with a full hopper costs besides the metre itself; a part of the load costs that part. With it
        the answer may be up to a few per cent from the best, as heavier loads are taken to be no worse, and on a bout
        that takes three loads or more all but the last visit come in by the same end
    fills : the load grows, and the fill point is where it is emptied
    whole_bouts : with part loads: no load runs out inside a bout that a full one is enough for
    steps : of the search for each bout at most

    Raises
    ------
    ValueError : no bouts, or a capacity of 0
    """
    n = len(tracks.length_m)
    if n == 0 or not capacity_m > 0.0:
        raise ValueError("a sequence needs bouts and a capacity above 0")
    on_board = capacity_m if on_board_m is None else on_board_m
    if np.isinf(capacity_m):
        weight = 0.0
    job = np.array([capacity_m, part_loads, weight, fills, whole_bouts], dtype=np.float64)
    tracks = _arrays(tracks)
    length, way, fill, last = tracks
    near, join = _joins(way)
    starts, states = [], _states(n)
    for order in _plain_orders(length, capacity_m):
        found, _ = judge(length, way, fill, last, job, order, on_board, *states)
        starts.append((found, order))
    starts.sort(key=lambda s: s[0])
    left = steps * n
    for number, (_, order) in enumerate(starts[:BEST_STARTS]):
        bettered = order.copy()
        left -= improve(
            length, way, fill, last, job, near, join, bettered, on_board, ROUNDS * n, left // (BEST_STARTS - number)
        )[1]
        starts.append((judge(length, way, fill, last, job, bettered, on_board, *states)[0], bettered))
    best_order = min(starts, key=lambda s: s[0])[1]
    visits = _visits(tracks, job, best_order, on_board)
    idle, full_way = walked(tracks, visits, capacity_m, on_board, fills)
    return Sequence(visits, idle, full_way, idle + weight * full_way)


def _joins(way: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the bouts nearest to each, and the least way from each (the last row: from the start) to each [m]."""
    n = way.shape[1] // 2
    join = np.vstack([way[: 2 * n].reshape(n, 2, n, 2).min(axis=(1, 3)), way[2 * n].reshape(n, 2).min(axis=1)])
    np.fill_diagonal(join, np.inf)
    near = np.argsort(join[:n], axis=1, kind="stable")[:, : min(NEAREST, n - 1)]
    return np.ascontiguousarray(near), join


def _plain_orders(length_m: NDArray[np.float64], capacity_m: float) -> list[NDArray[np.int64]]:
    """Return orders a driver might take: all bouts at once or group by group, in each group every so many bouts or to
    and fro over every so many, from either side and backwards."""
    n = len(length_m)
    groups = [[size] * (n // size) + [n % size] * (n % size > 0) for size in range(2, min(n, MOST_IN_GROUP + 1))]
    groups += [_by_load(length_m, capacity_m, 1), _by_load(length_m, capacity_m, 2)]
    laid = [(sizes, pattern, step) for sizes in groups for pattern in (bout_order, to_and_fro) for step in (1, 2, 3)]
    laid += [([n], pattern, step) for pattern in (bout_order, to_and_fro) for step in range(1, WIDEST_STEP + 1)]
    orders: dict[bytes, NDArray[np.int64]] = {}
    for sizes, pattern, step in laid:
        starts = np.cumsum([0, *sizes[:-1]])
        inside = {size: np.array(pattern(size, step), dtype=np.int64) for size in set(sizes)}
        order = np.concatenate([start + inside[size] for start, size in zip(starts, sizes, strict=True)])
        for one in (order, n - 1 - order, order[::-1], n - 1 - order[::-1]):
            orders[one.tobytes()] = np.ascontiguousarray(one)
    return list(orders.values())


def to_and_fro(count: int, step: int) -> list[int]:
    """Return the order of bouts over every so many to the far side, back over those beside them, and so on.

    Examples
    --------
    >>> to_and_fro(7, 3)
    [0, 3, 6, 4, 1, 2, 5]
    """
    return [k for start in range(step) for k in range(start, count, step)[:: -1 if start % 2 else 1]]


def _by_load(length_m: NDArray[np.float64], capacity_m: float, multiple: int) -> list[int]:
    """Return how many bouts one load after the other does whole, a multiple of so many where that is possible."""
    sizes, size, work = [], 0, 0.0
    for length in length_m:
        if size and work + length > capacity_m:
            over = size % multiple if size > multiple else 0
            sizes.append(size - over)
            size, work = over, over * float(length)
        size, work = size + 1, work + float(length)
    return [*sizes, size]


def _arrays(tracks: Tracks) -> Tracks:
    """Return tracks as the compiled search takes them."""
    return Tracks(*(np.ascontiguousarray(a, dtype=np.float64) for a in tracks))


def _states(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Return empty states of orders: cost, board, count, how."""
    shape = (n + 1, 2, KEPT)
    return np.zeros(shape), np.zeros(shape), np.zeros((n + 1, 2), np.int64), np.zeros(shape, np.int64)


def _visits(tracks: Tracks, job: NDArray[np.float64], order: NDArray[np.int64], on_board: float) -> tuple[Visit, ...]:
    """Return the visits of an order at its least cost."""
    n = len(order)
    states = _states(n)
    how = states[3]
    _, pair = judge(*tracks, job, order, on_board, *states)
    steps = []
    for row in range(n, 0, -1):
        packed = int(how[row, pair // KEPT, pair % KEPT])
        steps.append((int(order[row - 1]), packed // 4 % 2, packed // 2 % 2, packed % 2))
        pair = packed // 8
    visits: list[Visit] = []
    load, length, capacity = on_board, tracks.length_m, float(job[0])
    for bout, enter, filled, by_far in reversed(steps):
        left, load = float(length[bout]), capacity if filled else load
        visits.append(Visit(bout, enter == 1, filled == 1, min(load, left)))
        while load < left - EMPTY_M:
            left, load = left - load, capacity
            last = load >= left - EMPTY_M
            visits.append(Visit(bout, (enter == 1) != (last and by_far == 1), True, min(load, left)))
        load = max(load - left, 0.0)
    return tuple(visits)


def walked(
    tracks: Tracks, visits: tuple[Visit, ...], capacity_m: float, on_board_m: float, fills: bool = False
) -> tuple[float, float]:
    """Return the way without work, and load x way of all loads as way of a full one, of visits one after the other [m].

    Each visit goes right along its bout, over what is done, and works on as far as the load lasts.
    """
    idle = full_way = 0.0
    board, here, need = on_board_m, 2 * len(tracks.length_m), float(tracks.length_m.sum())
    done = np.zeros((len(tracks.length_m), 2))

    def drive(way_m: float, work_m: float = 0.0) -> None:
        nonlocal idle, full_way, board, need
        idle += way_m - work_m
        if np.isfinite(capacity_m):
            share = (board - work_m / 2.0) / capacity_m
            full_way += way_m * (1.0 - share if fills else share)
        board, need = max(board - work_m, 0.0), need - work_m

    for bout, backwards, filled, _ in visits:
        near, length = 2 * bout + backwards, float(tracks.length_m[bout])
        if filled:
            drive(float(tracks.fill_m[here]))
            board = capacity_m if fills else min(capacity_m, need)
            drive(float(tracks.fill_m[near]))
        else:
            drive(float(tracks.turn_m[here, near]))
        left = length - float(done[bout].sum())
        work = left if board >= left - EMPTY_M else board
        side = int(backwards)
        drive(float(done[bout, side]))
        drive(work, work)
        drive(length - float(done[bout, side]) - work)
        done[bout, side] += work
        here = 2 * bout + 1 - backwards
    drive(float(tracks.last_m[here]))
    return idle, full_way
