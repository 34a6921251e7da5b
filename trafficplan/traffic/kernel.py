"""The compiled kernel: tiles of cells take all segments of the season in order, in a scratch that stays in cache.

Everything about a cell follows from its absolute row and column, each cell belongs to one tile, and a tile meets
its segments in the order of the season: bytes do not depend on tiles or threads.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trafficplan.compiled import njit
from trafficplan.traffic.filaments import lay_traffic
from trafficplan.traffic.lanes import (
    LANES,
    bit_count,
    compact,
    highest_of,
    keep_highest,
    load_event,
    read_f32,
    read_f64,
    read_i64,
    read_u8,
    read_u16,
    read_u32,
    spread_count,
    spread_real,
    strip_mask,
    write_f32,
    write_f64,
    write_i64,
    write_u32,
)  # fmt: skip
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
    NO_LOAD,
    OPERATION,
    RUN,
    SEGMENT_F,
    SETUP,
    TILLAGE,
    U,
    V,
    rows_of,
)  # fmt: skip
from trafficplan.traffic.tables import STEP_M

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]
Place = tuple[int, int, int, int]

#: Class of cells outside the field: traffic and passes, no stress.
OUTSIDE = 255
#: Share of a step to the next row (column) by which the sample point of a cell moves right and down: irrational
#: (fractional parts of square roots of primes; of several sets tried, this one shows the least error of a strip's mean
#: over all headings: 0.3 % rms, 1.5 % at most), so that rows of cells do not beat with bouts.
RIGHT = (math.sqrt(2) - 1, math.sqrt(11) - 3)
DOWN = (math.sqrt(13) - 3, math.sqrt(17) - 4)
#: A cell's record: sixteenths touched, mask of sub-cells, first over, worst, highest deep ratio (as float).
RECORD = 5
TOUCHED, MASK, FIRST, WORST, TOP = range(RECORD)


@njit(cache=True, nogil=True, error_model="numpy")
def _span(f: int, v: float, i0: float, i1: float, iv: float, low: int, high: int) -> tuple[int, int]:
    """Return first and one past last column of a row (centre v) whose centres lie in a segment.

    i0, i1, iv: reciprocals of the column terms of the start plane, the end plane and the normal; 0 where there is none.
    """
    lo, hi = float(low), float(high)
    side = (v - read_f64(f, V)) * read_f64(f, DU)
    half = read_f64(f, HALF)
    if iv != 0.0:
        one = read_f64(f, U) + (side - half) * iv
        two = read_f64(f, U) + (side + half) * iv
        lo = max(lo, math.ceil(min(one, two) - 0.5))
        hi = min(hi, math.floor(max(one, two) - 0.5) + 1.0)
    elif abs(side) > half:
        return low, low
    rest = read_f64(f, C0) - read_f64(f, B0) * v
    edge = math.ceil(rest * i0 - 0.5)
    if i0 > 0.0:
        lo = max(lo, edge)
    elif i0 < 0.0:
        hi = min(hi, edge)
    elif rest > 0.0:
        return low, low
    rest = read_f64(f, C1) - read_f64(f, B1) * v
    edge = math.ceil(rest * i1 - 0.5)
    if i1 > 0.0:
        hi = min(hi, edge)
    elif i1 < 0.0:
        lo = max(lo, edge)
    elif rest <= 0.0:
        return low, low
    return (int(lo), int(hi)) if lo < hi else (low, low)


@njit(cache=True, nogil=True, error_model="numpy")
def _inverse(x: float, least: float) -> float:
    return 1.0 / x if abs(x) > least else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(state: int, record: int, lanes: int, deep: int, over: int, number: int) -> None:
    """Note the operation that gave the highest deep ratio of a cell, and the first that brought one over 1.

    `deep` holds 1 for each deep depth and 0 for the others; `over` says whether a deep depth is over 1.
    """
    top = highest_of(state + LANES * 4, deep)
    if lanes > LANES:
        top = max(top, highest_of(state + 5 * LANES * 4, deep + LANES * 4))
    if top > read_f32(record, TOP):
        write_f32(record, TOP, top)
        write_u32(record, WORST, number)
    if over and read_u32(record, FIRST) == 0:
        write_u32(record, FIRST, number)


@njit(cache=True, nogil=True, error_model="numpy")
def _touch(record: int, tracks: int, near: int, lateral: float, right: float, down: float) -> int:
    """Return the mask of sub-cells under wheels; `near` has a bit per wheel, `tracks` middle and half width."""
    mask = 0
    w = 0
    while near:
        if near & 1:
            middle = np.float32(lateral - read_f64(tracks, w))
            half = np.float32(read_f64(tracks, w + 1))
            mask |= strip_mask(middle, np.float32(right), np.float32(down), half)
        near >>= 1
        w += 2
    if record != 0 and mask != 0:
        write_u32(record, TOUCHED, read_u32(record, TOUCHED) + bit_count(mask))
        write_u32(record, MASK, read_u32(record, MASK) | mask)
    return mask


@njit(cache=True, nogil=True, error_model="numpy")
def _plain(
    f: int, place: Place, soil: int, shift: int, state: int, record: int, stress: int, bases: int, inverse: int,
    offsets: int, near: int, tracks: int, scale: float, lanes: int, deep: int, weight: int, number: int,
) -> int:  # fmt: skip
    """One event for every cell of a segment in the tile; return their number in the field. All ints but `place`,
    `offsets`, `lanes`, `deep` and `number` are addresses."""
    r0, r1, c0, c1 = place
    i0 = _inverse(read_f64(f, A0), 0.0)
    i1 = _inverse(read_f64(f, A1), 0.0)
    u, v, du, dv = read_f64(f, U), read_f64(f, V), read_f64(f, DU), read_f64(f, DV)
    iv = _inverse(dv, 1e-12)
    middle = float(offsets // 2)
    count = 0
    top, bottom = rows_of(f, r0, r1)
    for r in range(top, bottom):
        first, last = _span(f, r + 0.5, i0, i1, iv, c0, c1)
        start = (0.5 - u) * dv - (r + 0.5 - v) * du
        row = (r - r0) * (c1 - c0) - c0
        for c in range(first, last):
            k = row + c
            lateral = start + c * dv
            kind = read_u8(soil, k)
            if kind != OUTSIDE:
                x = (lateral + dv * read_f32(shift, 2 * k) - du * read_f32(shift, 2 * k + 1)) * scale + middle
                i = min(max(int(x), 0), offsets - 2)
                low = read_i64(bases, kind) + i * lanes
                part = np.float32(x - i)
                cell = state + k * lanes * 16
                over = 0
                more = 0
                for b in range(0, lanes, LANES):
                    at = cell + b * 16
                    weak = inverse + (kind * lanes + b) * 4
                    hit = load_event(at, stress, low + b, low + b + lanes, part, weak)
                    if hit & 255:
                        compact(at, stress, low + b, low + b + lanes, part, weak)
                    over |= (hit & 255) << b
                    more |= (hit >> 8) << b
                if more & deep:
                    _mark(cell, record + k * RECORD * 4, lanes, weight, over & deep, number)
                count += 1
            wheel = read_u16(near, int(lateral * scale + middle))
            if wheel:
                _touch(record + k * RECORD * 4, tracks, wheel, lateral, dv, -du)
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(
    k: int, soil: int, pending: int, visit: int, state: int, record: int, inverse: int, lanes: int, deep: int,
    weight: int, number: int,
) -> int:  # fmt: skip
    """Apply the pending visit of one cell and forget it; return 1 if the cell lies in the field."""
    mine = record + k * RECORD * 4
    mask = read_i64(visit, 2 * k + 1)
    write_u32(mine, TOUCHED, read_u32(mine, TOUCHED) + bit_count(mask))
    write_u32(mine, MASK, read_u32(mine, MASK) | mask)
    kind = read_u8(soil, k)
    part = np.float32(0.0)
    over = 0
    more = 0
    for b in range(0, lanes, LANES):
        low = k * lanes + b
        if kind != OUTSIDE:
            at = state + low * 16
            weak = inverse + (kind * lanes + b) * 4
            hit = load_event(at, pending, low, low, part, weak)
            if hit & 255:
                compact(at, pending, low, low, part, weak)
            over |= (hit & 255) << b
            more |= (hit >> 8) << b
        for d in range(LANES):
            write_f32(pending, low + d, part)
    if more & deep:
        _mark(state + k * lanes * 16, mine, lanes, weight, over & deep, number)
    write_f64(visit, 2 * k, -1.0)
    write_i64(visit, 2 * k + 1, 0)
    return 1 if kind != OUTSIDE else 0


@njit(cache=True, nogil=True, error_model="numpy")
def _folded(
    f: int, place: Place, soil: int, shift: int, state: int, record: int, stress: int, bases: int, inverse: int,
    offsets: int, near: int, tracks: int, scale: float, lanes: int, deep: int, weight: int, number: int, pending: int, visit: int,
    waiting: int, n_waiting: int,
) -> tuple[int, int]:  # fmt: skip
    """A segment near a fold: keep the highest stress of a visit per cell; a return after 2 x reach of path is new.

    `visit` holds the chainage of the last foot and the mask of sub-cells; -1 where nothing waits.
    """
    r0, r1, c0, c1 = place
    i0 = _inverse(read_f64(f, A0), 0.0)
    i1 = _inverse(read_f64(f, A1), 0.0)
    u, v, du, dv = read_f64(f, U), read_f64(f, V), read_f64(f, DU), read_f64(f, DV)
    iv = _inverse(dv, 1e-12)
    middle = float(offsets // 2)
    count = 0
    top, bottom = rows_of(f, r0, r1)
    for r in range(top, bottom):
        first, last = _span(f, r + 0.5, i0, i1, iv, c0, c1)
        start = (0.5 - u) * dv - (r + 0.5 - v) * du
        row = (r - r0) * (c1 - c0) - c0
        for c in range(first, last):
            k = row + c
            lateral = start + c * dv
            along = (c + 0.5 - u) * du + (r + 0.5 - v) * dv
            foot = read_f64(f, CHAIN) + min(max(along, 0.0), read_f64(f, LENGTH))
            before = read_f64(visit, 2 * k)
            if before < 0.0:
                write_u32(waiting, n_waiting, k)
                n_waiting += 1
            elif foot - before > 2.0 * read_f64(f, HALF):
                count += _settle(k, soil, pending, visit, state, record, inverse, lanes, deep, weight, number)
            write_f64(visit, 2 * k, foot)
            kind = read_u8(soil, k)
            if kind != OUTSIDE:
                x = (lateral + dv * read_f32(shift, 2 * k) - du * read_f32(shift, 2 * k + 1)) * scale + middle
                i = min(max(int(x), 0), offsets - 2)
                low = read_i64(bases, kind) + i * lanes
                for b in range(0, lanes, LANES):
                    highest = pending + (k * lanes + b) * 4
                    keep_highest(highest, stress, low + b, low + b + lanes, np.float32(x - i))
            wheel = read_u16(near, int(lateral * scale + middle))
            if wheel:
                mask = _touch(0, tracks, wheel, lateral, dv, -du)
                write_i64(visit, 2 * k + 1, read_i64(visit, 2 * k + 1) | mask)
    return n_waiting, count


@njit(cache=True, nogil=True, error_model="numpy")
def _till(f: int, place: Place, state: int, lanes: int, tilled: int) -> None:
    """Set M to 0 (exp(M) to 1) in the tilled depths of the cells of a swept segment."""
    r0, r1, c0, c1 = place
    i0 = _inverse(read_f64(f, A0), 0.0)
    i1 = _inverse(read_f64(f, A1), 0.0)
    iv = _inverse(read_f64(f, DV), 1e-12)
    top, bottom = rows_of(f, r0, r1)
    for r in range(top, bottom):
        first, last = _span(f, r + 0.5, i0, i1, iv, c0, c1)
        for c in range(first, last):
            cell = state + ((r - r0) * (c1 - c0) + c - c0) * lanes * 16
            for d in range(lanes):
                if (tilled >> d) & 1:
                    write_f32(cell, (d & -8) * 4 + 2 * LANES + (d & 7), np.float32(1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _start_tile(
    place: Place, soil_class: NDArray[np.uint8], soil: NDArray[np.uint8], shift: Floats32, state: Floats32
) -> None:
    """Copy the soil classes, place the sample points, and set the state of untouched soil."""
    r0, r1, c0, c1 = place
    k = 0
    for r in range(r0, r1):
        for c in range(c0, c1):
            soil[k] = soil_class[r, c]
            right = r * RIGHT[0] + c * RIGHT[1]
            down = r * DOWN[0] + c * DOWN[1]
            shift[2 * k] = right - math.floor(right) - 0.5
            shift[2 * k + 1] = down - math.floor(down) - 0.5
            k += 1
    state[:] = 0.0
    for at in range(2 * LANES, state.size, 4 * LANES):
        state[at : at + LANES] = 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def _resume_tile(
    place: Place, state: Floats32, lanes: int, record: NDArray[np.uint32], traffic: NDArray[np.uint32], deep: int,
    cells16: NDArray[np.uint16], out_traffic: NDArray[np.uint32], real: NDArray[np.float32],
    over: NDArray[np.uint16],
) -> None:  # fmt: skip
    """Take up the state of a tile as `_write_tile` left it (unused lanes hold untouched soil)."""
    r0, r1, c0, c1 = place
    wide = c1 - c0
    for r in range(r0, r1):
        for c in range(c0, c1):
            k = (r - r0) * wide + c - c0
            record[RECORD * k + TOUCHED] = cells16[0, r, c]
            record[RECORD * k + MASK] = cells16[1, r, c]
            record[RECORD * k + FIRST] = cells16[2, r, c]
            record[RECORD * k + WORST] = cells16[3, r, c]
            traffic[k] = out_traffic[r, c]
            top = np.float32(0.0)
            for d in range(over.shape[0]):
                at = k * lanes * 4 + (d & -8) * 4 + (d & 7)
                state[at] = real[0, d, r, c]
                state[at + LANES] = real[1, d, r, c]
                state[at + 2 * LANES] = real[2, d, r, c]
                state[at + 3 * LANES] = over[d, r, c]
                if (deep >> d) & 1:
                    top = max(top, real[1, d, r, c])
            write_f32(record.ctypes.data, RECORD * k + TOP, top)


@njit(cache=True, nogil=True, error_model="numpy")
def _write_tile(
    place: Place, state: Floats32, lanes: int, record: NDArray[np.uint32], traffic: NDArray[np.uint32],
    cells16: NDArray[np.uint16], out_traffic: NDArray[np.uint32], real: NDArray[np.float32],
    over: NDArray[np.uint16],
) -> None:  # fmt: skip
    """Write each layer of the tile once; `real` has planes of stress, ratio and exp(M) by depth."""
    r0, r1, c0, c1 = place
    wide = c1 - c0
    depths, rows, cols = over.shape
    for r in range(r0, r1):
        for c in range(c0, c1):
            k = (r - r0) * wide + c - c0
            cells16[0, r, c] = min(record[RECORD * k + TOUCHED], np.uint32(65535))
            cells16[1, r, c] = record[RECORD * k + MASK]
            cells16[2, r, c] = record[RECORD * k + FIRST]
            cells16[3, r, c] = record[RECORD * k + WORST]
            out_traffic[r, c] = traffic[k]
        eights = c0 + wide // LANES * LANES
        row = state.ctypes.data + (r - r0) * wide * lanes * 16
        for b in range(0, depths, LANES):
            for c in range(c0, eights, LANES):
                cell = row + (c - c0) * lanes * 16 + b * 16
                for group in range(3):
                    plane = real.ctypes.data + (((group * depths + b) * rows + r) * cols + c) * 4
                    spread_real(cell + group * LANES * 4, lanes * 16, plane, rows * cols * 4, depths - b)
                plane = over.ctypes.data + ((b * rows + r) * cols + c) * 2
                spread_count(cell + 3 * LANES * 4, lanes * 16, plane, rows * cols * 2, depths - b)
        for d in range(depths):
            at = ((r - r0) * wide + eights - c0) * lanes * 4 + (d & -8) * 4 + (d & 7)
            for c in range(eights, c1):
                real[0, d, r, c] = state[at]
                real[1, d, r, c] = state[at + LANES]
                real[2, d, r, c] = state[at + 2 * LANES]
                over[d, r, c] = np.uint16(state[at + 3 * LANES])
                at += lanes * 4


@njit(cache=True, nogil=True, error_model="numpy")
def run_tiles(
    tiles: Ints, tile: int, starts: Ints, items: NDArray[np.int32], F: Floats, I: Ints,  # noqa: E741
    soil_class: NDArray[np.uint8], cell: float, stress: Floats32, table_start: Ints, table_shape: Ints,
    near: NDArray[np.uint16], wheels: Floats, filaments: Floats, profile_of: Ints, inverse: Floats32, deep: int,
    weights: Floats32, tilled: Ints, soil: NDArray[np.uint8], shift: Floats32, state: Floats32, record: NDArray[np.uint32],
    traffic: NDArray[np.uint32], pending: Floats32, visit: Floats, waiting: NDArray[np.uint32], bases: Ints,
    cells16: NDArray[np.uint16], out_traffic: NDArray[np.uint32], real: NDArray[np.float32], over: NDArray[np.uint16],
    first: int, resumed: bool,
) -> int:  # fmt: skip
    """Run all segments over some tiles and write their part of the layers; return the events in the field.

    `first` operations came before those of the segments; `resumed`: the layers hold the state that these left behind.

    `profile_of` (operations, classes) points to table profiles; `inverse` (operations, classes, lanes) is 1 / strength;
    `soil` to `bases` are scratch of one tile, `visit` filled with -1, 0 and `pending` with 0.
    """
    rows, cols = soil_class.shape
    lanes = inverse.shape[2]
    at_f, at_soil, at_shift, at_state = F.ctypes.data, soil.ctypes.data, shift.ctypes.data, state.ctypes.data
    at_record, at_stress, at_bases = record.ctypes.data, stress.ctypes.data, bases.ctypes.data
    at_pending, at_visit, at_waiting = pending.ctypes.data, visit.ctypes.data, waiting.ctypes.data
    at_inverse, at_near, at_wheels = inverse.ctypes.data, near.ctypes.data, wheels.ctypes.data
    at_filaments, at_traffic, at_weight = filaments.ctypes.data, traffic.ctypes.data, weights.ctypes.data
    wide, scale = (cols + tile - 1) // tile, cell / STEP_M
    events = 0
    for t in tiles:
        place = ((t // wide) * tile, min(rows, (t // wide + 1) * tile),
                 (t % wide) * tile, min(cols, (t % wide + 1) * tile))  # fmt: skip
        _start_tile(place, soil_class, soil, shift, state)
        record[:] = 0
        traffic[:] = 0
        if resumed:
            _resume_tile(place, state, lanes, record, traffic, deep, cells16, out_traffic, real, over)
        run, operation, weak = 0, 0, at_inverse
        n_waiting: Any = np.int64(0)  # a typed zero: one signature of `_folded` instead of two
        for item in range(starts[t], starts[t + 1] + 1):
            s = items[item] if item < starts[t + 1] else -1
            if n_waiting > 0 and (s < 0 or I[s, RUN] != run):
                for i in range(n_waiting):
                    k = read_u32(at_waiting, i)
                    events += _settle(
                        k,
                        at_soil,
                        at_pending,
                        at_visit,
                        at_state,
                        at_record,
                        weak,
                        lanes,
                        deep,
                        at_weight,
                        first + operation + 1,
                    )
                n_waiting = 0
            if s < 0:
                break
            f = at_f + s * SEGMENT_F * 8
            operation, run = I[s, OPERATION], I[s, RUN]
            weak = at_inverse + operation * inverse.shape[1] * lanes * 4
            if I[s, KIND] == TILLAGE:
                _till(f, place, at_state, lanes, tilled[operation])
                continue
            u = I[s, SETUP]
            lay_traffic(f, place, at_filaments + u * filaments.shape[1] * 8, table_shape[u, 2], at_traffic)
            if I[s, LEVEL] == NO_LOAD:
                continue
            offsets = table_shape[u, 1]
            for kind in range(profile_of.shape[1]):
                above = (I[s, LEVEL] - table_shape[u, 0]) * offsets * lanes
                bases[kind] = table_start[u, profile_of[operation, kind]] + above
            at_tracks = at_wheels + u * wheels.shape[1] * 16
            at_bins = at_near + u * near.shape[1] * 2
            if run == 0:
                events += _plain(
                    f, place, at_soil, at_shift, at_state, at_record, at_stress, at_bases, weak, offsets, at_bins,
                    at_tracks, scale, lanes, deep, at_weight, first + operation + 1,
                )  # fmt: skip
            else:
                n_waiting, more = _folded(
                    f, place, at_soil, at_shift, at_state, at_record, at_stress, at_bases, weak, offsets, at_bins,
                    at_tracks, scale, lanes, deep, at_weight, first + operation + 1, at_pending, at_visit, at_waiting, n_waiting,
                )  # fmt: skip
                events += more
        _write_tile(place, state, lanes, record, traffic, cells16, out_traffic, real, over)
    return events
