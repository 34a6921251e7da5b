"""Slow obvious answers for the order of bouts: all sequences one by one, and dynamic programming over sets of bouts.

A drive along a bout starts at one of its ends, goes over what is done there, works as far as the load lasts and goes on
to the other end. Costs are metres without work and `weight` x (load / capacity) x metres for all of the way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from trafficplan.routes.sequence import Tracks
from trafficplan.routes.turns import dubins_words

Ways = list[tuple[float, int, float]]


@dataclass(frozen=True)
class Case:
    """One job: tracks, capacity and start [m of work], whether part loads are allowed, weight, whether it fills, whether
    loads that could do a whole bout must."""

    tracks: Tracks
    capacity: float
    start: float
    part_loads: bool = False
    weight: float = 0.0
    fills: bool = False
    whole_bouts: bool = False

    def way(self, metres: float, board: float, work: float = 0.0) -> float:
        """Cost of some metres that start with `board`; `work` of them use it up."""
        cost = metres - work
        if self.weight:
            mean = (board - work / 2) / self.capacity
            cost += self.weight * metres * (1 - mean if self.fills else mean)
        return cost

    def new_load(self, need: float) -> float:
        return self.capacity if self.fills else min(self.capacity, need)


def along(
    case: Case, bout: int, end: int, board: float, need: float, done=(0.0, 0.0)
) -> Iterator[tuple[float, int, float]]:
    """Yield cost, end it leaves by and load left for each way of doing (the rest of) a bout from one of its ends."""
    length = case.tracks.length_m[bout]
    left = length - sum(done)
    work = min(board, left)
    if board >= left - 1e-2:
        work = left
    before, behind = done[end], length - done[end] - work
    after = max(board - work, 0.0)
    cost = case.way(before, board) + case.way(work, board, work) + case.way(behind, after)
    other = 1 - end
    if work == left:
        yield cost, other, after
        return
    done = (done[0] + work, done[1]) if end == 0 else (done[0], done[1] + work)
    load = case.new_load(need - work)
    fill = case.tracks.fill_m
    for back in (0, 1):
        trip = case.way(fill[2 * bout + other], after) + case.way(fill[2 * bout + back], load)
        for rest, leave, board_left in along(case, bout, back, load, need - work, done):
            yield cost + trip + rest, leave, board_left


def begun(
    case: Case, here: int, bout: int, board: float, need: float, known: dict[tuple[int, int, float], Ways]
) -> Iterator[tuple[float, int, float]]:
    """Yield cost, end it leaves by and load left for each way of doing the next bout from where the outfit is.

    `known` keeps what `along` told for the same need.
    """
    fill, turn = case.tracks.fill_m, case.tracks.turn_m
    for end in (0, 1):
        to = 2 * bout + end
        starts = []
        if board > 1e-2:
            starts.append((case.way(turn[here, to], board), board))
        if board <= 1e-2 or (case.part_loads and board < case.new_load(need)):
            load = case.new_load(need)
            starts.append((case.way(fill[here], board) + case.way(fill[to], load), load))
        for cost, load in starts:
            short = load < case.tracks.length_m[bout] - 1e-2 <= case.new_load(need) - 2e-2
            if case.whole_bouts and case.part_loads and short:
                continue
            if (bout, end, load) not in known:
                known[bout, end, load] = list(along(case, bout, end, load, need))
            for own, leave, left in known[bout, end, load]:
                yield cost + own, 2 * bout + leave, left


def by_all_sequences(case: Case) -> float:
    """Return the least cost over every order, direction, way back and part load, one by one."""
    n = len(case.tracks.length_m)
    total = float(case.tracks.length_m.sum())

    def rest(order: tuple[int, ...], here: int, board: float, need: float) -> float:
        if not order:
            return case.way(case.tracks.last_m[here], board)
        return min(
            cost + rest(order[1:], end, left, need - case.tracks.length_m[order[0]])
            for cost, end, left in begun(case, here, order[0], board, need, {})
        )

    return min(rest(order, 2 * n, case.start, total) for order in permutations(range(n)))


def by_sets(case: Case) -> float:
    """Return the least cost by dynamic programming over (set of done bouts, end, load left), no state left out."""
    n = len(case.tracks.length_m)
    lengths = case.tracks.length_m
    states: list[dict[tuple[int, float], float]] = [{} for _ in range(1 << n)]
    states[0][(2 * n, case.start)] = 0.0
    for done in range((1 << n) - 1):
        need = sum(lengths[k] for k in range(n) if not done >> k & 1)
        known: dict[tuple[int, int, float], Ways] = {}
        for (here, board), cost in states[done].items():
            for bout in range(n):
                if done >> bout & 1:
                    continue
                into = states[done | 1 << bout]
                for more, end, left in begun(case, here, bout, board, need, known):
                    key = (end, round(left, 6))
                    if cost + more < into.get(key, math.inf):
                        into[key] = cost + more
    return min(cost + case.way(case.tracks.last_m[end], board) for (end, board), cost in states[-1].items())


def parallel(
    lengths: list[float], width: float, radius: float, fill_xy: tuple[float, float], ends: list[float] | None = None
) -> Tracks:
    """Return bouts that run north from y = ends (0), `width` apart: turns of least radius on one side, ways round the
    outside or along a bout to the other side and to the fill point, where the job also starts and ends."""
    n = len(lengths)
    low = np.zeros(n) if ends is None else np.array(ends)
    x = np.repeat(np.arange(n) * width, 2)
    y = np.column_stack([low, low + lengths]).ravel()
    top, bottom = y[1::2].max() + width, y[::2].min() - width
    west, east = -width, (n - 1) * width + width

    def turn(a: int, b: int) -> float:
        if a % 2 == b % 2:
            out = math.pi / 2 if a % 2 else -math.pi / 2
            poses = [np.array([x[a], y[a], out]), np.array([x[b], y[b], -out])]
            return float(dubins_words(*poses, radius)[:, 3].min())
        round_side = min(x[a] + x[b] - 2 * west, 2 * east - x[a] - x[b])
        edge = [top if e % 2 else bottom for e in (a, b)]
        return float(round_side + abs(y[a] - edge[0]) + abs(y[b] - edge[1]) + top - bottom)

    def fill(a: int) -> float:
        edge = top if a % 2 else bottom
        side = min(abs(x[a] - s) + abs(s - fill_xy[0]) for s in (west, east)) if a % 2 else abs(x[a] - fill_xy[0])
        return float(side + abs(y[a] - edge) + abs(edge - fill_xy[1]))

    length = y[1::2] - y[::2]
    turns = np.array([[turn(a, b) for b in range(2 * n)] for a in range(2 * n)])
    fills = np.array([fill(a) for a in range(2 * n)])
    for bout in range(n):  # a way may also lead along a bout, done or not
        for end in (0, 1):
            near, far = 2 * bout + end, 2 * bout + 1 - end
            over = turns[:, near] + length[bout]
            turns = np.minimum(turns, over[:, None] + turns[far][None, :])
            fills = np.minimum(fills, over + fills[far])
    return Tracks(length, np.vstack([turns, fills]), np.append(fills, 0.0), fills)
