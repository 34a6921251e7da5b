"""The compiled kernel: tiles of cells take all segments of the season in order in a scratch that stays in cache.

Everything about a cell follows from its absolute row and column, each cell belongs to one tile, and a tile meets its
segments in the order of the season: the bytes do not depend on tiles or threads.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from trafficplan.traffic.lanes import LANES, bit_count, compact, keep_highest, load_event, strip_mask
from trafficplan.traffic.segments import (
    A0,
    A1,
    B0,
    B1,
    C0,
    C1,
    CHAIN,
    DU,
    DV,
    HALF,
    KIND,
    LENGTH,
    LEVEL,
    LOAD0,
    LOAD1,
    NO_LOAD,
    OPERATION,
    RUN,
    SETUP,
    SKEW0,
    SKEW1,
    TILLAGE,
    WORK0,
    WORK1,
    U,
    V,
    box_of,
)
from trafficplan.traffic.tables import STEP_M

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]

#: Floats of state per cell and eight depths: highest stress | highest ratio | exp(M) | events over 1.
STATE = 4 * LANES
#: Class of cells outside the field: traffic and passes, no stress.
OUTSIDE = 255
#: Fractions of a (row, column) step by which the sample point of a cell moves right and down: irrational, so that
#: rows of cells do not beat with bouts (fractional parts of square roots of primes).
SAMPLE = (math.sqrt(2) - 1, math.sqrt(3) - 1, math.sqrt(5) - 2, math.sqrt(7) - 2)


@njit(cache=True, nogil=True)
def sample_shift(row: int, col: int) -> tuple[float, float]:
    """Return how far a cell's sample point lies right of and below its centre [cells], within half a cell."""
    right = row * SAMPLE[0] + col * SAMPLE[1]
    down = row * SAMPLE[2] + col * SAMPLE[3]
    return right - math.floor(right) - 0.5, down - math.floor(down) - 0.5


@njit(cache=True, nogil=True)
def _span(F: Floats, s: int, v: float, inverses: tuple[float, float, float], low: int, high: int) -> tuple[int, int]:
    """Return first and one past last column of a row (centre v) whose centres lie in a segment."""
    lo, hi = float(low), float(high)
    side = (v - F[s, V]) * F[s, DU]
    if abs(F[s, DV]) > 1e-12:
        one = F[s, U] + (side - F[s, HALF]) * inverses[2]
        two = F[s, U] + (side + F[s, HALF]) * inverses[2]
        lo = max(lo, math.ceil(min(one, two) - 0.5))
        hi = min(hi, math.floor(max(one, two) - 0.5) + 1.0)
    elif abs(side) > F[s, HALF]:
        return low, low
    rest = F[s, C0] - F[s, B0] * v
    if F[s, A0] == 0.0:
        if rest > 0.0:
            return low, low
    else:
        edge = math.ceil(rest * inverses[0] - 0.5)
        if F[s, A0] > 0.0:
            lo = max(lo, edge)
        else:
            hi = min(hi, edge)
    rest = F[s, C1] - F[s, B1] * v
    if F[s, A1] == 0.0:
        if rest <= 0.0:
            return low, low
    else:
        edge = math.ceil(rest * inverses[1] - 0.5)
        if F[s, A1] > 0.0:
            hi = min(hi, edge)
        else:
            lo = max(lo, edge)
    return (int(lo), int(hi)) if lo < hi else (low, low)


@njit(cache=True, nogil=True)
def _inverses(F: Floats, s: int) -> tuple[float, float, float]:
    return (
        1.0 / F[s, A0] if F[s, A0] != 0.0 else 0.0,
        1.0 / F[s, A1] if F[s, A1] != 0.0 else 0.0,
        1.0 / F[s, DV] if abs(F[s, DV]) > 1e-12 else 0.0,
    )


@njit(cache=True, nogil=True)
def _mark(
    state: Floats32, k: int, lanes: int, deep: int, over: int, marks: NDArray[np.uint16], worst: Floats32, number: int
) -> None:
    """Note the operation that gave the highest deep ratio of a cell, and the first that brought one over 1."""
    top = np.float32(0.0)
    for d in range(lanes):
        if (deep >> d) & 1:
            top = max(top, state[(k * lanes + (d & -8)) * 4 + LANES + (d & 7)])
    if top > worst[k]:
        worst[k] = top
        marks[2 * k + 1] = number
    if over & deep and marks[2 * k] == 0:
        marks[2 * k] = number


@njit(cache=True, nogil=True)
def _touch(tracks: Floats, near: int, lateral: float, across: float, down: float) -> int:
    """Return the mask of sub-cells that wheels touch; `near` has a bit per wheel, `tracks` middle and half width."""
    mask = 0
    w = 0
    while near:
        if near & 1:
            mask |= strip_mask(
                np.float32(lateral - tracks[w, 0]), np.float32(across), np.float32(down), np.float32(tracks[w, 1])
            )
        near >>= 1
        w += 1
    return mask


@njit(cache=True, nogil=True)
def _plain(
    F: Floats, s: int, place: tuple[int, int, int, int], soil: NDArray[np.uint8], shift: Floats32, state: Floats32,
    touched: NDArray[np.uint32], marks: NDArray[np.uint16], worst: Floats32, stress: Floats32, bases: Ints,
    inverse: Floats32, offsets: int, near: NDArray[np.uint16], tracks: Floats, scale: float, lanes: int, deep: int,
    operation: int,
) -> int:
    """One event for every cell of a segment in the tile; return their number in the field."""
    r0, r1, c0, c1 = place
    wide = c1 - c0
    inverses = _inverses(F, s)
    _, _, v0, v1 = box_of(F, s)
    middle = offsets // 2
    du, dv = F[s, DU], F[s, DV]
    count = 0
    for r in range(max(r0, int(max(v0, 0.0))), min(r1, int(max(v1, -1.0)) + 1)):
        first, last = _span(F, s, r + 0.5, inverses, c0, c1)
        start = (0.5 - F[s, U]) * dv - (r + 0.5 - F[s, V]) * du
        for c in range(first, last):
            k = (r - r0) * wide + c - c0
            lateral = start + c * dv
            kind = soil[k]
            if kind != OUTSIDE:
                x = (lateral + dv * shift[2 * k] - du * shift[2 * k + 1]) * scale + middle
                i = min(max(int(x), 0), offsets - 2)
                low = bases[kind] + i * lanes
                part = np.float32(x - i)
                over = 0
                more = 0
                for b in range(0, lanes, LANES):
                    at = 4 * (k * lanes + b)
                    row = kind * lanes + b
                    hit = load_event(state, at, stress, low + b, low + b + lanes, part, inverse, row)
                    if hit & 255:
                        compact(state, at, stress, low + b, low + b + lanes, part, inverse, row)
                    over |= (hit & 255) << b
                    more |= (hit >> 8) << b
                if more & deep:
                    _mark(state, k, lanes, deep, over, marks, worst, operation + 1)
                count += 1
            wheel = near[int(lateral * scale + middle)]
            if wheel:
                mask = _touch(tracks, wheel, lateral, dv, -du)
                touched[2 * k] += bit_count(mask)
                touched[2 * k + 1] |= mask
    return count


@njit(cache=True, nogil=True)
def _flush_cell(
    k: int, soil: NDArray[np.uint8], pending: Floats32, visit: Floats, state: Floats32, touched: NDArray[np.uint32],
    marks: NDArray[np.uint16], worst: Floats32, inverse: Floats32, lanes: int, deep: int, operation: int,
) -> int:
    """Apply the pending visit of one cell and forget it."""
    mask = int(visit[2 * k + 1])
    touched[2 * k] += bit_count(mask)
    touched[2 * k + 1] |= mask
    kind = soil[k]
    if kind != OUTSIDE:
        part = np.float32(0.0)
        over = 0
        more = 0
        for b in range(0, lanes, LANES):
            low, at, row = k * lanes + b, 4 * (k * lanes + b), kind * lanes + b
            hit = load_event(state, at, pending, low, low, part, inverse, row)
            if hit & 255:
                compact(state, at, pending, low, low, part, inverse, row)
            over |= (hit & 255) << b
            more |= (hit >> 8) << b
        if more & deep:
            _mark(state, k, lanes, deep, over, marks, worst, operation + 1)
    for d in range(lanes):
        pending[k * lanes + d] = 0.0
    visit[2 * k] = -1.0
    visit[2 * k + 1] = 0.0
    return 1 if kind != OUTSIDE else 0


@njit(cache=True, nogil=True)
def _folded(
    F: Floats, s: int, place: tuple[int, int, int, int], soil: NDArray[np.uint8], shift: Floats32, state: Floats32,
    touched: NDArray[np.uint32], marks: NDArray[np.uint16], worst: Floats32, stress: Floats32, bases: Ints,
    inverse: Floats32, offsets: int, near: NDArray[np.uint16], tracks: Floats, scale: float, lanes: int, deep: int,
    operation: int, pending: Floats32, visit: Floats, waiting: NDArray[np.int32], n_waiting: int,
) -> tuple[int, int]:
    """A segment near a fold: keep the highest stress of a visit per cell; a return after 2 x reach of path is new."""
    r0, r1, c0, c1 = place
    wide = c1 - c0
    inverses = _inverses(F, s)
    _, _, v0, v1 = box_of(F, s)
    middle = offsets // 2
    du, dv = F[s, DU], F[s, DV]
    count = 0
    for r in range(max(r0, int(max(v0, 0.0))), min(r1, int(max(v1, -1.0)) + 1)):
        first, last = _span(F, s, r + 0.5, inverses, c0, c1)
        start = (0.5 - F[s, U]) * dv - (r + 0.5 - F[s, V]) * du
        for c in range(first, last):
            k = (r - r0) * wide + c - c0
            lateral = start + c * dv
            along = (c + 0.5 - F[s, U]) * du + (r + 0.5 - F[s, V]) * dv
            foot = F[s, CHAIN] + min(max(along, 0.0), F[s, LENGTH])
            if visit[2 * k] < 0.0:
                waiting[n_waiting] = k
                n_waiting += 1
            elif foot - visit[2 * k] > 2.0 * F[s, HALF]:
                count += _flush_cell(
                    k, soil, pending, visit, state, touched, marks, worst, inverse, lanes, deep, operation
                )
            visit[2 * k] = foot
            kind = soil[k]
            if kind != OUTSIDE:
                x = (lateral + dv * shift[2 * k] - du * shift[2 * k + 1]) * scale + middle
                i = min(max(int(x), 0), offsets - 2)
                for b in range(0, lanes, LANES):
                    low = bases[kind] + i * lanes + b
                    keep_highest(pending, k * lanes + b, stress, low, low + lanes, np.float32(x - i))
            wheel = near[int(lateral * scale + middle)]
            if wheel:
                visit[2 * k + 1] = float(int(visit[2 * k + 1]) | _touch(tracks, wheel, lateral, dv, -du))
    return n_waiting, count


@njit(cache=True, nogil=True)
def _till(F: Floats, s: int, place: tuple[int, int, int, int], state: Floats32, lanes: int, tilled: int) -> None:
    """Set M to 0 (exp(M) to 1) in the tilled depths of the cells of a swept segment."""
    r0, r1, c0, c1 = place
    inverses = _inverses(F, s)
    _, _, v0, v1 = box_of(F, s)
    for r in range(max(r0, int(max(v0, 0.0))), min(r1, int(max(v1, -1.0)) + 1)):
        first, last = _span(F, s, r + 0.5, inverses, c0, c1)
        for c in range(first, last):
            k = (r - r0) * (c1 - c0) + c - c0
            for d in range(lanes):
                if (tilled >> d) & 1:
                    state[(k * lanes + (d & -8)) * 4 + 2 * LANES + (d & 7)] = 1.0


@njit(cache=True, nogil=True)
def _clip(q: float, delta: float, low: float, high: float, t0: float, t1: float) -> tuple[float, float]:
    """Shorten [t0, t1] to where q + t delta lies between two cell lines."""
    if abs(delta) < 1e-9:
        return (t0, t1) if low <= q < high else (1.0, 0.0)
    inverse = 1.0 / delta
    one, two = (low - q) * inverse, (high - q) * inverse
    return max(t0, min(one, two)), min(t1, max(one, two))


@njit(cache=True, nogil=True)
def _cell_at(q: float, delta: float, t: float, low: int, high: int) -> int:
    """Return the row or column in [low, high) that a filament is in just after t."""
    at = int(math.floor(q + delta * t))
    if abs(delta) >= 1e-9:
        inverse = 1.0 / delta
        step = 1 if delta > 0.0 else -1
        ahead = 1 if delta > 0.0 else 0
        while (at + ahead - q) * inverse <= t:
            at += step
        while (at + 1 - ahead - q) * inverse > t:
            at -= step
    return min(max(at, low), high - 1)


@njit(cache=True, nogil=True)
def _filament(
    qu: float, qv: float, du: float, dv: float, work: tuple[float, float, float, float],
    place: tuple[int, int, int, int], traffic: NDArray[np.uint32],
) -> None:
    """Deposit load x path length along one filament, whole grams x metres: cells get differences of one rounded sum.

    `work` = done before, done after, and the two terms of done(t) = before + a t + b t^2.
    """
    r0, r1, c0, c1 = place
    t0, t1 = _clip(qu, du, c0, c1, 0.0, 1.0)
    t0, t1 = _clip(qv, dv, r0, r1, t0, t1)
    if t0 >= t1:
        return
    col, row = _cell_at(qu, du, t0, c0, c1), _cell_at(qv, dv, t0, r0, r1)
    iu = 1.0 / du if abs(du) >= 1e-9 else 0.0
    iv = 1.0 / dv if abs(dv) >= 1e-9 else 0.0
    su, sv = (1 if du > 0.0 else -1), (1 if dv > 0.0 else -1)
    au, av = (1 if du > 0.0 else 0), (1 if dv > 0.0 else 0)
    tu = (col + au - qu) * iu if iu != 0.0 else math.inf
    tv = (row + av - qv) * iv if iv != 0.0 else math.inf
    before = math.floor(work[0] + t0 * (work[2] + t0 * work[3]) + 0.5)
    while True:
        t = min(tu, tv, t1)
        done = work[1] if t >= 1.0 else work[0] + t * (work[2] + t * work[3])
        after = math.floor(done + 0.5)
        traffic[(row - r0) * (c1 - c0) + col - c0] += np.uint32(max(after - before, 0.0))
        before = after
        if t >= t1:
            return
        if tu <= tv:
            col += su
            tu = (col + au - qu) * iu
        else:
            row += sv
            tv = (row + av - qv) * iv


@njit(cache=True, nogil=True)
def _traffic(
    F: Floats, s: int, place: tuple[int, int, int, int], filaments: Floats, count: int, traffic: NDArray[np.uint32]
) -> None:
    """Lay a segment's load along the filaments of its wheels."""
    share = 1.0 / max(count, 1)
    both = F[s, LOAD0] + F[s, LOAD1]
    begin, end = F[s, WORK0] * share, F[s, WORK1] * share
    slope = 2.0 * F[s, LOAD0] / both if both > 0.0 else 1.0
    work = (begin, end, (end - begin) * slope, (end - begin) * (1.0 - slope))
    du, dv = F[s, DU], F[s, DV]
    for i in range(count):
        side = filaments[i]
        start = F[s, SKEW0] * side
        length = F[s, LENGTH] + F[s, SKEW1] * side - start
        qu = F[s, U] + du * start + dv * side
        qv = F[s, V] + dv * start - du * side
        _filament(qu, qv, du * length, dv * length, work, place, traffic)


@njit(cache=True, nogil=True)
def _start_tile(
    place: tuple[int, int, int, int], soil_class: NDArray[np.uint8], soil: NDArray[np.uint8], shift: Floats32,
    state: Floats32, lanes: int,
) -> None:
    """Copy the soil classes, place the sample points, and set the state of untouched soil."""
    r0, r1, c0, c1 = place
    for r in range(r0, r1):
        for c in range(c0, c1):
            k = (r - r0) * (c1 - c0) + c - c0
            soil[k] = soil_class[r, c]
            right, down = sample_shift(r, c)
            shift[2 * k], shift[2 * k + 1] = right, down
    size = (r1 - r0) * (c1 - c0) * lanes * 4
    state[:size] = 0.0
    for at in range(2 * LANES, size, STATE):
        state[at : at + LANES] = 1.0


@njit(cache=True, nogil=True)
def _write_tile(
    place: tuple[int, int, int, int], state: Floats32, lanes: int, touched: NDArray[np.uint32],
    traffic: NDArray[np.uint32], marks: NDArray[np.uint16], cells16: NDArray[np.uint16],
    out_traffic: NDArray[np.uint32], out_real: NDArray[np.float32], out_over: NDArray[np.uint16],
) -> None:
    """Write each layer of the tile once; planes of `out_real` are stress, ratio and M by depth."""
    r0, r1, c0, c1 = place
    wide = c1 - c0
    for r in range(r0, r1):
        for c in range(c0, c1):
            k = (r - r0) * wide + c - c0
            cells16[0, r, c] = min(touched[2 * k], np.uint32(65535))
            cells16[1, r, c] = touched[2 * k + 1]
            cells16[2, r, c] = marks[2 * k]
            cells16[3, r, c] = marks[2 * k + 1]
            out_traffic[r, c] = traffic[k]
    for d in range(out_over.shape[0]):
        lane = (d & -8) * 4 + (d & 7)
        for r in range(r0, r1):
            at = (r - r0) * wide * lanes * 4 + lane
            for c in range(c0, c1):
                out_real[0, d, r, c] = state[at]
                out_real[1, d, r, c] = state[at + LANES]
                raised = state[at + 2 * LANES]
                out_real[2, d, r, c] = math.log(raised) if raised != 1.0 else 0.0
                out_over[d, r, c] = np.uint16(min(state[at + 3 * LANES], np.float32(65535.0)))
                at += lanes * 4


@njit(cache=True, nogil=True)
def run_tiles(
    tiles: Ints, tile: int, starts: Ints, items: NDArray[np.int32], F: Floats, I: Ints,  # noqa: E741
    soil_class: NDArray[np.uint8], cell: float, stress: Floats32, table_start: Ints, table_shape: Ints,
    near: NDArray[np.uint16], wheels: Floats, filaments: Floats, profile_of: Ints, inverse: Floats32, deep: int,
    tilled: Ints, lanes: int, cells16: NDArray[np.uint16], out_traffic: NDArray[np.uint32],
    out_real: NDArray[np.float32], out_over: NDArray[np.uint16],
) -> int:
    """Run all segments over some tiles and write their part of the layers; return the events in the field.

    `profile_of` (operations, classes) points to table profiles; `inverse` (operations, classes x lanes) is 1 / strength.
    """
    rows, cols = soil_class.shape
    size = tile * tile
    soil = np.empty(size, np.uint8)
    shift = np.empty(2 * size, np.float32)
    state = np.empty(size * 4 * lanes, np.float32)
    pending = np.zeros(size * lanes, np.float32)
    visit = np.zeros(2 * size)
    visit[::2] = -1.0
    waiting = np.empty(size, np.int32)
    touched = np.empty(2 * size, np.uint32)
    traffic = np.empty(size, np.uint32)
    marks = np.empty(2 * size, np.uint16)
    worst = np.empty(size, np.float32)
    bases = np.zeros(256, np.int64)
    wide = (cols + tile - 1) // tile
    scale = cell / STEP_M
    events = 0
    for t in tiles:
        place = (
            (t // wide) * tile, min(rows, (t // wide + 1) * tile), (t % wide) * tile, min(cols, (t % wide + 1) * tile)
        )
        _start_tile(place, soil_class, soil, shift, state, lanes)
        touched[:] = 0
        traffic[:] = 0
        marks[:] = 0
        worst[:] = 0.0
        n_waiting = 0
        run = 0
        operation = 0
        for item in range(starts[t], starts[t + 1] + 1):
            s = items[item] if item < starts[t + 1] else -1
            if n_waiting > 0 and (s < 0 or I[s, RUN] != run):
                for k in waiting[:n_waiting]:
                    events += _flush_cell(
                        k, soil, pending, visit, state, touched, marks, worst, inverse[operation], lanes, deep,
                        operation,
                    )
                n_waiting = 0
            if s < 0:
                break
            operation, run = I[s, OPERATION], I[s, RUN]
            if I[s, KIND] == TILLAGE:
                _till(F, s, place, state, lanes, tilled[operation])
                continue
            u = I[s, SETUP]
            _traffic(F, s, place, filaments[u], table_shape[u, 2], traffic)
            if I[s, LEVEL] == NO_LOAD:
                continue
            offsets = table_shape[u, 1]
            for kind in range(profile_of.shape[1]):
                base = table_start[u, profile_of[operation, kind]]
                bases[kind] = base + (I[s, LEVEL] - table_shape[u, 0]) * offsets * lanes
            if run == 0:
                events += _plain(
                    F, s, place, soil, shift, state, touched, marks, worst, stress, bases, inverse[operation],
                    offsets, near[u], wheels[u], scale, lanes, deep, operation,
                )
            else:
                n_waiting, more = _folded(
                    F, s, place, soil, shift, state, touched, marks, worst, stress, bases, inverse[operation],
                    offsets, near[u], wheels[u], scale, lanes, deep, operation, pending, visit, waiting, n_waiting,
                )
                events += more
        _write_tile(place, state, lanes, touched, traffic, marks, cells16, out_traffic, out_real, out_over)
    return events
