"""Traffic laid down exactly: load x path length along the filaments of each wheel, in whole grams x metres.

A filament's deposit in a cell is the difference of one rounded running sum at the cell's edges. The differences
telescope, so the sum over cells is load x path length whatever the order, the tiles or the threads. The running sum
is that of the axle centre's path: a filament on the outside of a bend carries no more than one on the inside.
"""

from __future__ import annotations

import math

from trafficplan.compiled import njit
from trafficplan.traffic.lanes import read_f64, read_u32, write_u32
from trafficplan.traffic.segments import DU, DV, LENGTH, LOAD0, LOAD1, SKEW0, SKEW1, WORK0, WORK1, U, V

Place = tuple[int, int, int, int]

#: Changes smaller than this along a filament count as none [cells].
STILL = 1e-9


@njit(cache=True, nogil=True, error_model="numpy")
def _clip(q: float, inverse: float, low: float, high: float, t0: float, t1: float) -> tuple[float, float]:
    """Shorten [t0, t1] to where q + t / inverse lies between two cell lines (inverse 0: it stays at q)."""
    if inverse == 0.0:
        return (t0, t1) if low <= q < high else (1.0, 0.0)
    one, two = (low - q) * inverse, (high - q) * inverse
    return max(t0, min(one, two)), min(t1, max(one, two))


@njit(cache=True, nogil=True, error_model="numpy")
def _cell_at(q: float, delta: float, inverse: float, t: float, low: int, high: int) -> int:
    """Return the row or column in [low, high) that a filament is in just after t."""
    at = int(math.floor(q + delta * t))
    if inverse != 0.0:
        step = 1 if delta > 0.0 else -1
        ahead = 1 if delta > 0.0 else 0
        while (at + ahead - q) * inverse <= t:
            at += step
        while (at + 1 - ahead - q) * inverse > t:
            at -= step
    return min(max(at, low), high - 1)


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(
    qu: float,
    qv: float,
    du: float,
    dv: float,
    begin: float,
    end: float,
    slope: float,
    place: Place,
    traffic: int,
) -> None:
    """Deposit along one filament; the running sum is begin + (end - begin) t (slope + t (1 - slope))."""
    r0, r1, c0, c1 = place
    iu = 1.0 / du if abs(du) >= STILL else 0.0
    iv = 1.0 / dv if abs(dv) >= STILL else 0.0
    t0, t1 = _clip(qu, iu, c0, c1, 0.0, 1.0)
    t0, t1 = _clip(qv, iv, r0, r1, t0, t1)
    if t0 >= t1:
        return
    col, row = _cell_at(qu, du, iu, t0, c0, c1), _cell_at(qv, dv, iv, t0, r0, r1)
    su, sv = (1 if du > 0.0 else -1), (1 if dv > 0.0 else -1)
    au, av = (1 if du > 0.0 else 0), (1 if dv > 0.0 else 0)
    tu = (col + au - qu) * iu if iu != 0.0 else math.inf
    tv = (row + av - qv) * iv if iv != 0.0 else math.inf
    both, bend = (end - begin) * slope, (end - begin) * (1.0 - slope)
    before = math.floor(begin + t0 * (both + t0 * bend) + 0.5)
    wide = c1 - c0
    at = (row - r0) * wide + col - c0
    while True:
        t = min(tu, tv, t1)
        done = end if t >= 1.0 else begin + t * (both + t * bend)
        after = math.floor(done + 0.5)
        if after > before:
            write_u32(traffic, at, read_u32(traffic, at) + after - before)
            before = after
        if t >= t1:
            return
        if tu <= tv:
            col += su
            at += su
            tu = (col + au - qu) * iu
        else:
            row += sv
            at += sv * wide
            tv = (row + av - qv) * iv


@njit(cache=True, nogil=True, error_model="numpy")
def lay_traffic(f: int, place: Place, filaments: int, count: int, traffic: int) -> None:
    """Lay one segment's load x length along the filaments of its wheels (f, filaments, traffic: addresses)."""
    share = 1.0 / max(count, 1)
    both = read_f64(f, LOAD0) + read_f64(f, LOAD1)
    slope = 2.0 * read_f64(f, LOAD0) / both if both > 0.0 else 1.0
    begin, end = read_f64(f, WORK0) * share, read_f64(f, WORK1) * share
    u, v, du, dv = read_f64(f, U), read_f64(f, V), read_f64(f, DU), read_f64(f, DV)
    for i in range(count):
        side = read_f64(filaments, i)
        start = read_f64(f, SKEW0) * side
        length = read_f64(f, LENGTH) + read_f64(f, SKEW1) * side - start
        qu, qv = u + du * start + dv * side, v + dv * start - du * side
        _lay(qu, qv, du * length, dv * length, begin, end, slope, place, traffic)
