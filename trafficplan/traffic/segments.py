"""Paths to segments: simplified, mitred at their joints, flagged where the strip folds, binned to tiles.

Inside this folder positions are in cells: u to the right, v down, from the grid's outer corner. The normal of a
direction (du, dv) to its left is (dv, -du).

A segment is a row of `SEGMENT_F` floats and `SEGMENT_I` integers. Its cells are those whose centre lies within
`HALF` of its line, at or after its start plane (A0 u + B0 v >= C0) and before its end plane (A1 u + B1 v < C1).
Neighbours share the plane at their joint as the same three numbers, so every cell of the strip belongs to exactly
one of them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from trafficplan.compiled import njit
from trafficplan.traffic.lanes import read_f64
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SEGMENT_F = 19
U, V, DU, DV, A0, B0, C0, A1, B1, C1, HALF, SKEW0, SKEW1, LENGTH, WORK0, WORK1, LOAD0, LOAD1, CHAIN = range(SEGMENT_F)
SEGMENT_I = 5
KIND, OPERATION, SETUP, LEVEL, RUN = range(SEGMENT_I)
WHEELS, TILLAGE = 0, 1

#: A path may move this far across when it is simplified [m]; no stretch is longer than LONGEST_M; a bend of load
#: larger than this share of the pass's highest load stays a vertex. Ours.
ACROSS_M = 0.02
LONGEST_M = 12.0
LOAD_SHARE = 0.005
#: Stretches shorter than this are no movement [m].
SHORTEST_M = 1e-4

#: Axle loads are tabulated on a fixed ladder: LEVELS even steps in every doubling, whatever the season, so that more
#: load never falls on a lower level. Loads below LIGHTEST_N press on nothing (a lifted axle).
LEVELS = 32
LIGHTEST_N = 62.5
NO_LOAD = -(1 << 40)

#: Bends sharper than this are reversals: the strip ends square on both sides (cosine of 120 degrees).
REVERSAL = -0.5


@njit(cache=True, nogil=True)
def level_of(load_n: float) -> int:
    """Return the nearest step of the load ladder, or NO_LOAD."""
    if load_n < LIGHTEST_N:
        return NO_LOAD
    part, power = math.frexp(load_n)
    return power * LEVELS + int(math.floor((part - 0.5) * 2 * LEVELS + 0.5))


@njit(cache=True, nogil=True)
def load_of(level: int) -> float:
    """Return the load of a step of the ladder [N]."""
    power = level // LEVELS
    return math.ldexp(0.5 + (level - power * LEVELS) / (2.0 * LEVELS), power)


@njit(cache=True, nogil=True)
def _fits(u: Floats, v: Floats, load: Floats, i: int, j: int, across: float, load_room: float) -> bool:
    """Whether the chord from vertex i to j stands for all vertices between, in place, order and load."""
    du = u[j] - u[i]
    dv = v[j] - v[i]
    length = math.sqrt(du * du + dv * dv)
    if length == 0.0:
        return False
    last = 0.0
    for k in range(i + 1, j):
        along = ((u[k] - u[i]) * du + (v[k] - v[i]) * dv) / length
        aside = ((u[k] - u[i]) * dv - (v[k] - v[i]) * du) / length
        if along < last or along > length or abs(aside) > across:
            return False
        if abs(load[k] - load[i] - (load[j] - load[i]) * along / length) > load_room:
            return False
        last = along
    return True


@njit(cache=True, nogil=True)
def _kept(u: Floats, v: Floats, load: Floats, key: Ints, across: float, longest: float) -> Ints:
    """Return the vertices that stay, from the first on as far as each chord fits."""
    n = u.size
    room = LOAD_SHARE * max(0.0, load.max())
    kept = np.empty(n, np.int64)
    kept[0] = 0
    count = 1
    i = 0
    while i < n - 1:
        j = i + 1
        while j + 1 < n and key[j] == key[i]:
            if math.hypot(u[j + 1] - u[i], v[j + 1] - v[i]) > longest or not _fits(u, v, load, i, j + 1, across, room):
                break
            j += 1
        kept[count] = j
        count += 1
        i = j
    return kept[:count]


@njit(cache=True, nogil=True)
def _moving(u: Floats, v: Floats, kept: Ints, shortest: float) -> Ints:
    """Return which of the kept stretches move at all (index of their first vertex in `kept`)."""
    moving = np.empty(kept.size, np.int64)
    count = 0
    for i in range(kept.size - 1):
        if math.hypot(u[kept[i + 1]] - u[kept[i]], v[kept[i + 1]] - v[kept[i]]) >= shortest:
            moving[count] = i
            count += 1
    return moving[:count]


@njit(cache=True, nogil=True)
def _joints(pu: Floats, pv: Floats, half: float) -> tuple[Floats, Ints]:
    """Return per joint: end plane, start plane (a, b, c), both skews; and whether the strip folds there.

    Row k is the joint before stretch k; the first and last are square ends.
    """
    n = pu.size - 1
    planes = np.zeros((n + 1, 8))
    folds = np.zeros(n + 1, np.int64)
    for k in range(n + 1):
        before = max(k - 1, 0)
        after = min(k, n - 1)
        eu, ev = pu[before + 1] - pu[before], pv[before + 1] - pv[before]
        su, sv = pu[after + 1] - pu[after], pv[after + 1] - pv[after]
        before_len, after_len = math.hypot(eu, ev), math.hypot(su, sv)
        eu, ev, su, sv = eu / before_len, ev / before_len, su / after_len, sv / after_len
        if eu * su + ev * sv >= REVERSAL:
            mu, mv = eu + su, ev + sv
            at = mu * pu[k] + mv * pv[k]
            planes[k, 0], planes[k, 1], planes[k, 2] = mu, mv, at
            planes[k, 3], planes[k, 4], planes[k, 5] = mu, mv, at
            planes[k, 6] = -(mu * ev - mv * eu) / (mu * eu + mv * ev)
            planes[k, 7] = -(mu * sv - mv * su) / (mu * su + mv * sv)
            if 0 < k < n and half * abs(planes[k, 6]) > 0.5 * min(before_len, after_len):
                folds[k] = 1
        else:
            planes[k, 0], planes[k, 1], planes[k, 2] = eu, ev, eu * pu[k] + ev * pv[k]
            planes[k, 3], planes[k, 4], planes[k, 5] = su, sv, su * pu[k] + sv * pv[k]
            folds[k] = 1 if 0 < k < n else 0
    return planes, folds


@njit(cache=True, nogil=True)
def _share_done(t: float, load0: float, load1: float) -> float:
    """Return the share of load x length that is done at share t of a stretch."""
    both = load0 + load1
    if both <= 0.0:
        return t
    return t * (2.0 * load0 + (load1 - load0) * t) / both


@njit(cache=True, nogil=True)
def _pieces(
    pu: Floats,
    pv: Floats,
    loads: Floats,
    work: Floats,
    key: Ints,
    half: float,
    longest: float,
    setups: Ints,
    kind: int,
    operation: int,
) -> tuple[Floats, Ints, Floats]:
    """Return segment rows of the stretches with a key >= 0, and the chainages of folds."""
    n = pu.size - 1
    planes, folds = _joints(pu, pv, half)
    lengths = np.empty(n)
    parts = np.zeros(n, np.int64)
    count = 0
    for k in range(n):
        lengths[k] = math.hypot(pu[k + 1] - pu[k], pv[k + 1] - pv[k])
        if key[k] >= 0:
            parts[k] = max(1, int(math.ceil(lengths[k] / longest - 1e-9)))
            count += parts[k]
    F = np.zeros((count, SEGMENT_F))
    I = np.zeros((count, SEGMENT_I), np.int64)  # noqa: E741
    fold_at = np.empty(n + 1)
    n_folds = 0
    chain = 0.0
    row = 0
    for k in range(n):
        if folds[k] == 1:
            fold_at[n_folds] = chain
            n_folds += 1
        du, dv = (pu[k + 1] - pu[k]) / lengths[k], (pv[k + 1] - pv[k]) / lengths[k]
        m = parts[k]
        for j in range(m):
            t0, t1 = j / m, (j + 1) / m
            at0, at1 = lengths[k] * t0, lengths[k] * t1
            f = F[row]
            f[U], f[V], f[DU], f[DV] = pu[k] + du * at0, pv[k] + dv * at0, du, dv
            along = du * pu[k] + dv * pv[k]
            f[A0], f[B0], f[C0] = du, dv, along + at0
            f[A1], f[B1], f[C1] = du, dv, along + at1
            if j == 0:
                f[A0], f[B0], f[C0], f[SKEW0] = planes[k, 3], planes[k, 4], planes[k, 5], planes[k, 7]
            if j == m - 1:
                f[A1], f[B1], f[C1], f[SKEW1] = (
                    planes[k + 1, 0],
                    planes[k + 1, 1],
                    planes[k + 1, 2],
                    planes[k + 1, 6],
                )
            f[HALF], f[LENGTH], f[CHAIN] = half, at1 - at0, chain + at0
            step = loads[k, 1] - loads[k, 0]
            f[LOAD0], f[LOAD1] = loads[k, 0] + step * t0, loads[k, 0] + step * t1
            f[WORK0] = work[k] + (work[k + 1] - work[k]) * _share_done(t0, loads[k, 0], loads[k, 1])
            f[WORK1] = work[k] + (work[k + 1] - work[k]) * _share_done(t1, loads[k, 0], loads[k, 1])
            if j == m - 1:
                f[WORK1] = work[k + 1]
            I[row, KIND], I[row, OPERATION], I[row, SETUP] = kind, operation, setups[key[k]]
            I[row, LEVEL] = level_of(0.5 * (f[LOAD0] + f[LOAD1]))
            row += 1
        chain += lengths[k]
    return F, I, fold_at[:n_folds]


@njit(cache=True, nogil=True)
def _runs(F: Floats, I: Ints, folds: Floats, first_run: int) -> int:  # noqa: E741
    """Number the runs of segments within 2 x reach of path of a fold; return the next free number."""
    run = first_run
    j = 0
    open_run = False
    for i in range(F.shape[0]):
        room = 2.0 * F[i, HALF]
        start, end = F[i, CHAIN], F[i, CHAIN] + F[i, LENGTH]
        while j < folds.size and folds[j] + room < start:
            j += 1
        near = j < folds.size and folds[j] - room <= end
        joined = i > 0 and abs(F[i - 1, CHAIN] + F[i - 1, LENGTH] - start) <= 1e-6 * (1.0 + start)
        if near:
            if open_run and not joined:
                run += 1
            I[i, RUN] = run
        elif open_run:
            run += 1
        open_run = near
    return run + 1 if open_run else run


def path_segments(
    uv: Floats,
    load_n: Floats,
    key: Ints,
    half: float,
    cell: float,
    setups: Ints,
    kind: int,
    operation: int,
    first_run: int,
) -> tuple[Floats, Ints, int]:
    """Return the segments of one path (floats, integers) and the next free run number.

    Parameters
    ----------
    uv : (n, 2) path [cells]
    load_n : (n,) axle load [N], linear from vertex to vertex
    key : (n,) kind of the stretch that starts at a vertex: an index into `setups`, or -1 where nothing happens
    half : half width of the strip [cells]
    cell : cell size [m]
    """
    empty = np.zeros((0, SEGMENT_F)), np.zeros((0, SEGMENT_I), np.int64), first_run
    if len(uv) < 2:
        return empty
    u, v = np.ascontiguousarray(uv[:, 0]), np.ascontiguousarray(uv[:, 1])
    load = np.maximum(load_n, 0.0).astype(np.float64)
    key = np.ascontiguousarray(key, dtype=np.int64)
    step_m = np.hypot(np.diff(u), np.diff(v)) * cell
    done = np.concatenate([[0.0], np.cumsum(0.5 * (load[1:] + load[:-1]) * step_m)]) * (1e3 / GRAVITY)
    kept = _kept(u, v, load, key, ACROSS_M / cell, LONGEST_M / cell)
    moving = _moving(u, v, kept, SHORTEST_M / cell)
    if moving.size == 0:
        return empty
    first, last = kept[moving], kept[moving + 1]
    vertex = np.append(first, last[-1])
    F, I, folds = _pieces(  # noqa: E741
        u[vertex],
        v[vertex],
        np.column_stack([load[first], load[last]]),
        done[vertex],
        key[first],
        half,
        LONGEST_M / cell,
        setups,
        kind,
        operation,
    )
    if kind == TILLAGE:
        return F, I, first_run
    return F, I, int(_runs(F, I, folds, first_run))


@njit(cache=True, nogil=True)
def box_of(F: Floats, s: int) -> tuple[float, float, float, float]:
    """Return least and greatest u and v of a segment's mitred strip [cells]."""
    u0 = v0 = math.inf
    u1 = v1 = -math.inf
    for end in range(2):
        along = F[s, LENGTH] * end
        skew = F[s, SKEW1] if end else F[s, SKEW0]
        for side in range(2):
            lateral = F[s, HALF] if side else -F[s, HALF]
            far = along + skew * lateral
            u = F[s, U] + F[s, DU] * far + F[s, DV] * lateral
            v = F[s, V] + F[s, DV] * far - F[s, DU] * lateral
            u0, u1, v0, v1 = min(u0, u), max(u1, u), min(v0, v), max(v1, v)
    return u0, u1, v0, v1


@njit(cache=True, nogil=True)
def rows_of(f: int, r0: int, r1: int) -> tuple[int, int]:
    """Return first and one past last row in [r0, r1) that a segment's strip may touch (f: address of its floats)."""
    low = math.inf
    high = -math.inf
    du, dv, half = read_f64(f, DU), read_f64(f, DV), read_f64(f, HALF)
    for end in range(2):
        along = read_f64(f, LENGTH) * end
        skew = read_f64(f, SKEW0 + end)
        for lateral in (-half, half):
            v = read_f64(f, V) + dv * (along + skew * lateral) - du * lateral
            low, high = min(low, v), max(high, v)
    return max(r0, int(max(low, 0.0))), min(r1, int(max(high, -1.0)) + 1)


@njit(cache=True, nogil=True)
def bin_segments(F: Floats, rows: int, cols: int, tile: int) -> tuple[Ints, NDArray[np.int32]]:
    """Return the segments of each tile in order: tile t holds items[starts[t]:starts[t + 1]] (tiles row by row)."""
    wide = (cols + tile - 1) // tile
    high = (rows + tile - 1) // tile
    span = np.empty((F.shape[0], 4), np.int32)
    starts = np.zeros(wide * high + 1, np.int64)
    for s in range(F.shape[0]):
        u0, u1, v0, v1 = box_of(F, s)
        outside = u1 < 0 or v1 < 0 or u0 >= cols or v0 >= rows
        span[s, 0] = int(max(u0, 0.0)) // tile if not outside else 0
        span[s, 1] = int(min(u1, cols - 1.0)) // tile if not outside else -1
        span[s, 2] = int(max(v0, 0.0)) // tile if not outside else 0
        span[s, 3] = int(min(v1, rows - 1.0)) // tile if not outside else -1
        for r in range(span[s, 2], span[s, 3] + 1):
            for c in range(span[s, 0], span[s, 1] + 1):
                starts[r * wide + c + 1] += 1
    for t in range(wide * high):
        starts[t + 1] += starts[t]
    items = np.empty(starts[-1], np.int32)
    fill = starts.copy()
    for s in range(F.shape[0]):
        for r in range(span[s, 2], span[s, 3] + 1):
            for c in range(span[s, 0], span[s, 1] + 1):
                items[fill[r * wide + c]] = s
                fill[r * wide + c] += 1
    return starts, items
