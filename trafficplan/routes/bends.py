"""Runs joined to one continuous line: no bend tighter than the least radius anywhere.

A run is a smooth stretch of the drive. Between two runs lies a turn of least radius; runs that are only a
way (not work) may be shortened at their ends so that the turn becomes a plain bend instead of a loop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.names import TURN
from trafficplan.routes.turns import best_joint, rings_of, three_point

Rings = tuple[NDArray[np.float64], NDArray[np.int64]]

FENCE_M = 1.0  # vehicles keep this far from the boundary where a turn can
AS_SHORT_M = 0.5  # a turn that is longer than the shortest by more than this goes out of its way
SHORTENED = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)  # lengths tried when a way is shortened [radius]


class Ground(NamedTuple):
    """Ground of one part of a field for turns: well inside, and up to the boundary; open ground has no
    rings. An outfit that may reverse makes a three-point turn where the shortest turn ahead does not fit."""

    clear: Rings
    whole: Rings
    reversing: bool = False


@dataclass(frozen=True)
class Run:
    """One smooth stretch of a drive.

    Attributes
    ----------
    xy : (n, 2) [m]
    leg : code of names.LEGS
    start_kg, end_kg : product on board at its ends, linear along it
    way : it is only a way and may be shortened at its ends
    furrow : as in Drive
    turn_leg : leg of the turn that leads to it
    ground : where that turn must stay; None is open ground
    wait_s : time that the outfit stands before it
    """

    xy: NDArray[np.float64]
    leg: int
    start_kg: float
    end_kg: float
    way: bool = False
    furrow: int = 0
    turn_leg: int = TURN
    ground: Ground | None = None
    wait_s: float = 0.0


@dataclass
class Line:
    """The growing line of a drive, in pieces; before each of them the outfit stands for `wait_s`."""

    xy: list[NDArray[np.float64]] = field(default_factory=list)
    leg: list[NDArray[np.int8]] = field(default_factory=list)
    load_kg: list[NDArray[np.float64]] = field(default_factory=list)
    furrow: list[NDArray[np.int8]] = field(default_factory=list)
    wait_s: list[float] = field(default_factory=list)
    outside: int = 0
    reverses: bool = False


def ground_of(part: Polygon | MultiPolygon) -> Ground:
    """Return the ground for turns in one part of a field."""
    return Ground(rings_of(part.buffer(-FENCE_M)), rings_of(part.buffer(0.02)))


def lengths(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the way along a line at each vertex [m], from 0."""
    out = np.zeros(len(xy))
    step = xy[1:] - xy[:-1]
    np.cumsum(np.hypot(step[:, 0], step[:, 1]), out=out[1:])
    return out


def length_of(xy: NDArray[np.float64]) -> float:
    """Return the length of a line [m]."""
    step = xy[1:] - xy[:-1]
    return float(np.hypot(step[:, 0], step[:, 1]).sum())


def cut(xy: NDArray[np.float64], start_m: float, end_m: float) -> NDArray[np.float64]:
    """Return the stretch of a line between two distances along it [m]."""
    s = lengths(xy)
    inner = (s > start_m + 1e-6) & (s < end_m - 1e-6)
    out = np.empty((int(inner.sum()) + 2, 2))
    out[1:-1] = xy[inner]
    out[:: len(out) - 1, 0] = np.interp((start_m, end_m), s, xy[:, 0])
    out[:: len(out) - 1, 1] = np.interp((start_m, end_m), s, xy[:, 1])
    return out


def pose(xy: NDArray[np.float64], at_end: bool) -> NDArray[np.float64]:
    """Return the pose x, y, heading at the start or end of a line."""
    a, b = (xy[-2], xy[-1]) if at_end else (xy[0], xy[1])
    here = b if at_end else a
    return np.array([here[0], here[1], math.atan2(b[1] - a[1], b[0] - a[0])])


def joint(
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    limits: tuple[float, float],
    radius: float,
    ground: Ground | None,
) -> tuple[float, float, NDArray[np.float64], bool]:
    """Return the turn between two lines, how much each may be and is shortened [m], and whether it stays
    inside."""
    cuts = [_cuts(a, b, limit, radius) for limit in limits]
    grounds = (ground.clear, ground.whole) if ground is not None else (rings_of(None),)
    for ring_xy, ring_start in grounds:
        found = best_joint(a, b, cuts[0], cuts[1], radius, ring_xy, ring_start)
        if found[3]:
            break
    if ground is None or not ground.reversing:
        return found
    shortest = best_joint(a, b, cuts[0], cuts[1], radius, *rings_of(None))
    if found[3] and length_of(found[2]) <= length_of(shortest[2]) + AS_SHORT_M:
        return found
    for rings in grounds:
        turn = three_point(pose(a, True), pose(b, False), radius, *rings)
        if turn is not None and (not found[3] or turn[1] < length_of(found[2])):
            return 0.0, 0.0, turn[0], True
    return found


def _cuts(a: NDArray[np.float64], b: NDArray[np.float64], limit: float, radius: float) -> NDArray[np.float64]:
    """Return the lengths to try when a way is shortened: the plain bend's own tangent among them [m]."""
    if limit <= 0.0:
        return np.zeros(1)
    bend = abs((pose(b, False)[2] - pose(a, True)[2] + math.pi) % (2.0 * math.pi) - math.pi)
    tangent = radius * math.tan(min(bend, 2.6) / 2.0)
    return np.array(sorted({min(length, limit) for length in (*[share * radius for share in SHORTENED], tangent)}))


def smooth_pieces(xy: NDArray[np.float64], radius: float) -> list[NDArray[np.float64]]:
    """Split a line where it bends more sharply than the radius allows; pieces under 1 m between two corners
    go."""
    xy = np.asarray(shapely.simplify(LineString(xy), 0.02).coords)[:, :2]
    step = np.diff(xy, axis=0)
    long = np.hypot(step[:, 0], step[:, 1])
    bend = np.abs((np.diff(np.arctan2(step[:, 1], step[:, 0])) + np.pi) % (2.0 * np.pi) - np.pi)
    near = (np.minimum(long[:-1], 1.5) + np.minimum(long[1:], 1.5)) / 2.0
    corners = np.flatnonzero((bend > 1.25 * near / radius) & (bend > 0.03)) + 1
    edges = [0, *corners.tolist(), len(xy) - 1]
    pieces = [xy[i : j + 1] for i, j in zip(edges[:-1], edges[1:], strict=True)]
    kept = [p for p in pieces if length_of(p) >= 1.0]
    return kept or [xy]


@lru_cache(maxsize=4096)
def pieces_of(line: bytes, radius: float) -> tuple[NDArray[np.float64], ...]:
    """Return the smooth pieces of a line given as the bytes of its (n, 2) array: the same roads are driven often."""
    return tuple(smooth_pieces(np.frombuffer(line).reshape(-1, 2).copy(), radius))


def join_runs(runs: list[Run], radius: float) -> Line:
    """Join runs to one continuous line; counts the turns that left the ground they had to stay on."""
    line = Line()
    here, wait = runs[0].xy, runs[0].wait_s
    for run, nxt in zip(runs[:-1], runs[1:], strict=True):
        limit_a = 0.9 * length_of(here) if run.way else 0.0
        limit_b = 0.45 * length_of(nxt.xy) if nxt.way else 0.0
        touching = math.hypot(*(here[-1] - nxt.xy[0])) < 1e-6
        straight_on = touching and abs(math.sin((pose(here, True)[2] - pose(nxt.xy, False)[2]) / 2.0)) < 0.04
        if straight_on:
            _add(line, here, run, wait)
            here, wait = nxt.xy, nxt.wait_s
            continue
        short_a, short_b, turn, inside = joint(here, nxt.xy, (limit_a, limit_b), radius, nxt.ground)
        line.outside += not inside
        line.reverses |= nxt.ground is not None and nxt.ground.reversing
        if short_a > 0.0:
            here = cut(here, 0.0, length_of(here) - short_a)
        _add(line, here, run, wait)
        _add(line, turn, Run(turn, nxt.turn_leg, run.end_kg, nxt.start_kg), nxt.wait_s)
        here, wait = cut(nxt.xy, short_b, length_of(nxt.xy)) if short_b > 0.0 else nxt.xy, 0.0
    _add(line, here, runs[-1], wait)
    return line


def _add(line: Line, xy: NDArray[np.float64], run: Run, wait_s: float) -> None:
    """Append the stretch of a run that is left; its last vertex is left to the next one, which starts there."""
    if run.start_kg == run.end_kg:
        load = np.full(len(xy), run.start_kg)
    else:
        s = lengths(xy)
        load = run.start_kg + (run.end_kg - run.start_kg) * (s / s[-1] if s[-1] > 0.0 else s)
    line.xy.append(xy)
    line.leg.append(np.full(len(xy), run.leg, dtype=np.int8))
    line.load_kg.append(load)
    line.furrow.append(np.full(len(xy), run.furrow, dtype=np.int8))
    line.wait_s.append(wait_s)
