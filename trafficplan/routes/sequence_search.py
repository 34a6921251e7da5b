"""Compiled search for the order of bouts: what an order costs at best, and which order costs least.

A bout k has the ends 2 k and 2 k + 1; "end" 2 n is where the outfit stands at first. An order of n bouts is judged by
its *states*: after each bout, for each side by which the outfit may leave it, the few best pairs of cost and product on
board. So direction, filling before the hopper is empty and the end by which the outfit comes back after a run-out are
chosen exactly (up to `KEPT` pairs) for each order, and only the order itself is searched. Product is counted in metres
of work that it lasts for.

Arrays that stand for a job, shared by all functions here:
length (n,) work on each bout; way (2 n + 1, 2 n) from leaving by one end to coming in by another; fill (2 n + 1,) from
each end to the fill point, and back; last (2 n,) from each end out [all m];
job (5,): capacity [m of work], 1 if part loads are allowed, weight of a full metre, 1 if the load grows, 1 if with part
loads no load is to run out inside a bout that a full one is enough for.

States: cost, board and how are (n + 1, 2, KEPT), count (n + 1, 2); row i is after i bouts. `how` packs the step that led
there: ((((side before * KEPT) + pair before) * 2 + end) * 2 + filled before) * 2 + back by the far end.

Compiled code that calls each other stays in this one file: a stored compilation does not notice changes in another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trafficplan.compiled import njit

KEPT = 6  # pairs of cost and product kept per bout and side
KEPT_TRIED = 3  # of them while orders are searched
EMPTY_M = 0.01  # less work than this is none
GAIN_M = 1e-6  # an order that costs less by more than this is better
MOVED = 3  # bouts moved together at most
KINDS = 5 + 8 * MOVED  # kinds of change
SPAN = 24  # places among which stretches are changed by chance
ROW_STEPS = 16  # what the states of one bout take besides their steps, counted in steps


@njit(cache=True)
def _share(board: float, capacity: float, fills: bool) -> float:
    """Return how full the hopper is, 0 to 1; where it fills, `board` is the room that is left."""
    return 1.0 - board / capacity if fills else board / capacity


@njit(cache=True)
def bout_cost(
    length: float, near: float, far: float, board: float, need: float, by_far: bool, job: NDArray
) -> tuple[float, float]:
    """Return what one bout costs from coming in to leaving [m], and the product left after it [m].

    The outfit comes in by the end `near` metres from the fill point and always drives on to the other end, `far` from
    it; if it ran empty on the way it goes to the fill point and comes back by the end it came in at first, the last
    time by the other if `by_far`, drives over what is done and goes on. Work costs only by the load carried over it.
    """
    capacity, weight, fills = job[0], job[2], job[3] > 0.0
    cost, left, ahead = 0.0, length, 0.0
    while True:
        last = board >= left - EMPTY_M
        work = left if last else board
        after = max(board - work, 0.0)
        behind = length - ahead - work
        cost += ahead + behind
        if weight > 0.0:
            full, end = _share(board, capacity, fills), _share(after, capacity, fills)
            cost += weight * (full * ahead + 0.5 * (full + end) * work + end * behind)
        if last:
            return cost, after
        left -= work
        need -= work
        board = capacity if fills else min(capacity, need)
        turned = by_far and board >= left - EMPTY_M
        ahead = 0.0 if turned else length - left
        back = far if turned else near
        cost += far + back
        if weight > 0.0:
            cost += weight * (_share(after, capacity, fills) * far + _share(board, capacity, fills) * back)


@njit(cache=True)
def advance(
    length: NDArray, way: NDArray, fill: NDArray, job: NDArray,
    cost: NDArray, board: NDArray, count: NDArray, how: NDArray, row: int, bout: int, before: int, left: float,
) -> int:  # fmt: skip
    """Write the states of a row from those of the row before; returns how many steps were tried.

    `before` is the bout before (n at the start), `left` the work not yet done before this bout [m].
    """
    capacity, part, weight, fills = job[0], job[1] > 0.0, job[2], job[3] > 0.0
    kept = cost.shape[2]
    full = capacity if fills else min(capacity, left)
    long, tried = length[bout], ROW_STEPS
    n0, n1 = 0, 0
    for side in range(2):
        here = 2 * before + side
        for k in range(count[row - 1, side]):
            c, b = cost[row - 1, side, k], board[row - 1, side, k]
            empty = b <= EMPTY_M
            for step in range(4):
                enter, refill = step % 2, step // 2
                if (refill == 0 and empty) or (refill == 1 and not empty and (not part or b >= full)):
                    continue
                entry = 2 * bout + enter
                if refill == 1:
                    load, direct = full, fill[here] + fill[entry]
                    if weight > 0.0:
                        direct += weight * (
                            _share(b, capacity, fills) * fill[here] + _share(full, capacity, fills) * fill[entry]
                        )
                else:
                    load, direct = b, way[here, entry]
                    if weight > 0.0:
                        direct *= 1.0 + weight * _share(b, capacity, fills)
                once = load >= long - EMPTY_M
                if not once and part and job[4] > 0.0 and full >= long - EMPTY_M:
                    continue
                for by_far in range(1 if once else 2):
                    if once and weight == 0.0:
                        total, after = c + direct, max(load - long, 0.0)
                    else:
                        own, after = bout_cost(
                            long, fill[entry], fill[2 * bout + 1 - enter], load, left, by_far == 1, job
                        )
                        total = c + direct + own
                    tried += 1
                    out = enter if by_far == 1 else 1 - enter
                    n = n1 if out == 1 else n0
                    place = -1
                    for j in range(n):
                        if cost[row, out, j] <= total + GAIN_M and board[row, out, j] >= after - EMPTY_M:
                            place = -2
                            break
                        if place < 0 and total <= cost[row, out, j] and after >= board[row, out, j]:
                            place = j
                    if place == -2:
                        continue
                    if place == -1:
                        if n < kept:
                            place = n
                            if out == 1:
                                n1 += 1
                            else:
                                n0 += 1
                        else:
                            place = 0
                            for j in range(1, n):
                                if cost[row, out, j] > cost[row, out, place]:
                                    place = j
                            if cost[row, out, place] <= total:
                                continue
                    cost[row, out, place], board[row, out, place] = total, after
                    how[row, out, place] = ((((side * kept) + k) * 2 + enter) * 2 + refill) * 2 + by_far
    count[row, 0], count[row, 1] = n0, n1
    return tried


@njit(cache=True)
def final(last: NDArray, job: NDArray, cost: NDArray, board: NDArray, count: NDArray, bout: int) -> tuple[float, int]:
    """Return the least cost with the way out, and which pair it is: side * KEPT + pair."""
    row, kept = cost.shape[0] - 1, cost.shape[2]
    best, pair = np.inf, 0
    for side in range(2):
        for k in range(count[row, side]):
            way = last[2 * bout + side]
            if job[2] > 0.0:
                way *= 1.0 + job[2] * _share(board[row, side, k], job[0], job[3] > 0.0)
            if cost[row, side, k] + way < best:
                best, pair = cost[row, side, k] + way, side * kept + k
    return best, pair


@njit(cache=True)
def judge(
    length: NDArray, way: NDArray, fill: NDArray, last: NDArray, job: NDArray, order: NDArray, on_board: float,
    cost: NDArray, board: NDArray, count: NDArray, how: NDArray,
) -> tuple[float, int]:  # fmt: skip
    """Write all states of an order; returns its cost and the pair it ends with."""
    cost[0, 0, 0], board[0, 0, 0] = 0.0, on_board
    count[0, 0], count[0, 1] = 1, 0
    left, before = length.sum(), len(order)
    for i in range(len(order)):
        advance(length, way, fill, job, cost, board, count, how, i + 1, order[i], before, left)
        before = order[i]
        left -= length[before]
    return final(last, job, cost, board, count, before)


@njit(cache=True)
def to_go(
    length: NDArray, way: NDArray, fill: NDArray, last: NDArray, job: NDArray, order: NDArray,
    board: NDArray, count: NDArray, ahead: NDArray,
) -> int:  # fmt: skip
    """Write what each state of an order still costs until the end at most; returns the steps tried.

    A state with more on board than one whose rest is known costs no more than that.
    """
    n, kept, tried, left = len(order), board.shape[2], 0, 0.0
    own_cost, own_board = np.zeros((2, 2, kept)), np.zeros((2, 2, kept))
    own_count, how = np.zeros((2, 2), np.int64), np.zeros((2, 2, kept), np.int64)
    for row in range(n, -1, -1):
        bout = order[row] if row < n else 0
        before = order[row - 1] if row > 0 else n
        left += length[bout] if row < n else 0.0
        for side in range(2):
            for k in range(count[row, side]):
                if row == n:
                    ahead[row, side, k] = last[2 * before + side]
                    if job[2] > 0.0:
                        ahead[row, side, k] *= 1.0 + job[2] * _share(board[row, side, k], job[0], job[3] > 0.0)
                    continue
                own_count[0, side], own_count[0, 1 - side] = 1, 0
                own_board[0, side, 0] = board[row, side, k]
                tried += advance(length, way, fill, job, own_cost, own_board, own_count, how, 1, bout, before, left)
                ahead[row, side, k] = _with_rest(own_cost, own_board, own_count, 1, board, count, ahead, row + 1)
    return tried


@njit(cache=True)
def _with_rest(
    cost: NDArray, board: NDArray, count: NDArray, row: int, board2: NDArray, count2: NDArray, ahead: NDArray, row2: int
) -> float:
    """Return the least cost until the end from the states of a row, by the known rest of those (2) with no more on
    board."""
    least = np.inf
    for side in range(2):
        for k in range(count[row, side]):
            for j in range(count2[row2, side]):
                if board2[row2, side, j] <= board[row, side, k] + EMPTY_M:
                    least = min(least, cost[row, side, k] + ahead[row2, side, j])
    return least


@njit(cache=True)
def _trial(
    length: NDArray, way: NDArray, fill: NDArray, last: NDArray, job: NDArray, trial: NDArray, order: NDArray,
    low: int, high: int, left: float, best: float,
    cost: NDArray, board: NDArray, count: NDArray, how: NDArray,
    cost2: NDArray, board2: NDArray, count2: NDArray, ahead: NDArray,
) -> tuple[float, int]:  # fmt: skip
    """Return what an order that differs from the known one (states 2) at low <= place < high costs at most, and how
    many steps were tried; inf as soon as it is no less than `best`."""
    n, tried = len(order), 0
    kept = cost.shape[2]
    for side in range(2):
        count[low, side] = count2[low, side]
        for k in range(kept):
            cost[low, side, k], board[low, side, k] = cost2[low, side, k], board2[low, side, k]
    before = order[low - 1] if low > 0 else n
    for i in range(low, min(high + 1, n)):
        bout = trial[i] if i < high else order[i]
        tried += advance(length, way, fill, job, cost, board, count, how, i + 1, bout, before, left)
        before = bout
        left -= length[bout]
        least = np.inf
        for side in range(2):
            for k in range(count[i + 1, side]):
                least = min(least, cost[i + 1, side, k])
        if least >= best - GAIN_M:
            return np.inf, tried
    if high < n:
        return _with_rest(cost, board, count, high + 1, board2, count2, ahead, high + 1), tried
    return final(last, job, cost, board, count, before)[0], tried


@njit(cache=True)
def _moved(order: NDArray, trial: NDArray, i: int, size: int, j: int, turned: bool) -> tuple[int, int]:
    """Write the order with `size` bouts from place i on put before place j (turned round or not); returns the changed
    places."""
    start = j if j < i else j - size
    if j < i:
        for k in range(j, i):
            trial[k + size] = order[k]
    else:
        for k in range(i + size, j):
            trial[k - size] = order[k]
    for k in range(size):
        trial[start + k] = order[i + size - 1 - k] if turned else order[i + k]
    return min(i, j), max(i + size, j)


@njit(cache=True)
def _changed(order: NDArray, trial: NDArray, i: int, p: int, kind: int) -> tuple[int, int]:
    """Write one changed order that brings the bout at place i beside the one at place p; returns the changed places,
    0, 0 where there is no such change.

    Kinds: 0 to 3 a stretch reversed, 4 swapped, then up to `MOVED` bouts that start or end with it put before or after
    the other, turned round or not.
    """
    n = len(order)
    if kind < 4:
        if kind < 2:  # i ends up right before or right after p
            low, high = (i, p) if i < p else (p + 1, i + 1)
        else:
            low, high = (i + 1, p + 1) if i < p else (p, i)
        if kind % 2 == 1:
            low, high = min(i, p), max(i, p) + 1
        if high - low < 2 or (kind == 3):
            return 0, 0
        for k in range(low, high):
            trial[k] = order[low + high - 1 - k]
        return low, high
    low, high = min(i, p), max(i, p) + 1
    if kind == 4:
        for k in range(low, high):
            trial[k] = order[k]
        trial[low], trial[high - 1] = order[high - 1], order[low]
        return low, high
    kind -= 5
    turned, after, ends, size = kind % 2 == 1, kind // 2 % 2, kind // 4 % 2 == 1, kind // 8 + 1
    if size == 1 and (turned or ends):
        return 0, 0
    start = i - size + 1 if ends else i
    to = p + after
    if start < 0 or start + size > n or start <= to <= start + size:
        return 0, 0
    return _moved(order, trial, start, size, to, turned)


@njit(cache=True)
def _swap_stretches(order: NDArray, trial: NDArray, lot: int) -> tuple[int, int, int, int]:
    """Write the order with two stretches side by side, somewhere in it, changed round; returns the ends of both and the
    next number of the series of chance."""
    n = len(order)
    span = min(n, SPAN)
    lot = (lot * 1103515245 + 12345) % 2147483648
    first = (lot >> 8) % (n - span + 1)
    low, high, total = n, 0, 0
    for _ in range(3):
        lot = (lot * 1103515245 + 12345) % 2147483648
        cut = first + (lot >> 8) % (span + 1)
        low, high, total = min(low, cut), max(high, cut), total + cut
    middle = total - low - high
    for k in range(n):
        trial[k] = order[k]
    for k in range(middle, high):
        trial[low + k - middle] = order[k]
    for k in range(low, middle):
        trial[high - middle + k] = order[k]
    return low, low + high - middle, high, lot


@njit(cache=True)
def _wait(queue: NDArray, waiting: NDArray, order: NDArray, place: int) -> None:
    """Put the bout at a place in the queue of those to be moved; the first two numbers of it are head and length."""
    n = len(order)
    if 0 <= place < n and not waiting[order[place]]:
        waiting[order[place]] = True
        queue[2 + (queue[0] + queue[1]) % n] = order[place]
        queue[1] += 1


@njit(cache=True)
def _nearer(join: NDArray, order: NDArray, trial: NDArray, low: int, high: int) -> bool:
    """Tell whether the bouts of a changed order lie nearer to each other, loads left aside."""
    n, gain = len(order), 0.0
    for i in range(low, min(high + 1, n)):
        before = order[i - 1] if i > 0 else n
        gain += join[before, order[i]]
        if i > low:
            before = trial[i - 1]
        gain -= join[before, trial[i] if i < high else order[i]]
    return gain > GAIN_M


@njit(cache=True)
def improve(
    length: NDArray, way: NDArray, fill: NDArray, last: NDArray, job: NDArray, near: NDArray, join: NDArray,
    order: NDArray, on_board: float, rounds: int, budget: int,
) -> tuple[float, int]:  # fmt: skip
    """Better an order in place until no change helps or the budget of steps is used; then, for so many rounds, change a
    stretch of it by chance and better again. Returns its cost and the steps used.

    near (n, m): the bouts to which each may be moved; join (n + 1, n): least way from each (n: the start) to each. In
    each round first only changes that bring bouts nearer to each other are tried, then all.
    """
    n = len(order)
    shape = (n + 1, 2, KEPT_TRIED if job[1] > 0.0 else 1)
    cost, board, how, count = (
        np.empty(shape),
        np.empty(shape),
        np.empty(shape, np.int64),
        np.zeros((n + 1, 2), np.int64),
    )
    cost2, board2, how2, count2, ahead = cost.copy(), board.copy(), how.copy(), count.copy(), cost.copy()
    trial, old, left, place = order.copy(), order.copy(), np.empty(n + 1), np.empty(n, np.int64)
    champion, touched = order.copy(), np.zeros(6, np.int64)
    queue, waiting = np.zeros(n + 2, np.int64), np.zeros(n, np.bool_)
    best, least, lot, used, turn, bout, number, low, high = np.inf, np.inf, 12345, 0, 0, -1, 0, 0, 0
    stale, tried_out, whole = True, False, True
    while used < budget or stale:
        if stale:  # all that is known of an order
            found = judge(length, way, fill, last, job, order, on_board, cost2, board2, count2, how2)[0]
            used += 2 * to_go(length, way, fill, last, job, order, board2, count2, ahead)
            if tried_out and found >= best - GAIN_M:  # a heavier load cost more than was known
                order[low:high] = old[low:high]
                tried_out = False
                continue
            if tried_out:
                number = 0
                for k in (low - 1, low, high - 1, high):
                    _wait(queue, waiting, order, k)
            left[0] = length.sum()
            for k in range(n):
                place[order[k]] = k
                left[k + 1] = left[k] - length[order[k]]
            best, stale, tried_out = found, False, False
            if best < least - GAIN_M:
                least = best
                champion[:] = order
        if bout < 0 and queue[1] == 0:  # the next pass or round
            if turn == 2 * rounds + 2:
                break
            if turn > 0 and turn % 2 == 0:
                if n < 4:
                    break
                touched[0], touched[2], touched[4], lot = _swap_stretches(champion, order, lot)
                whole = False
                for k in range(0, 6, 2):
                    touched[k + 1] = touched[k] - 1
            for k in range(n if whole else 6):
                _wait(queue, waiting, order, k if whole else touched[k])
            stale = turn > 0 and turn % 2 == 0
            turn += 1
            continue
        if bout < 0:
            bout, number = queue[2 + queue[0]], 0
            queue[0], queue[1] = (queue[0] + 1) % n, queue[1] - 1
            waiting[bout] = False
        while number < near.shape[1] * KINDS and used < budget:
            low, high = _changed(order, trial, place[bout], place[near[bout, number // KINDS]], number % KINDS)
            number += 1
            if high == 0 or (turn % 2 == 1 and not _nearer(join, order, trial, low, high)):
                continue
            found, tried = _trial(
                length, way, fill, last, job, trial, order, low, high, left[low], best,
                cost, board, count, how, cost2, board2, count2, ahead,
            )  # fmt: skip
            used += tried
            if found < best - GAIN_M:
                old[low:high] = order[low:high]
                order[low:high] = trial[low:high]
                stale = tried_out = True
                break
        if not stale:
            bout = -1
    order[:] = champion
    return least, used
