"""The benchmark season, built from code: an irregular field, six outfits, ten operations, four soil classes.

Two headland rounds, then bouts of 12 m or 24 m joined by half-circle turns; trailed axles by a tractrix; loads that
empty or fill along the way. Path forms: planned (exact vertices) and recorded (a point each 2 m with 1 cm noise).
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray
from rasterio.features import rasterize

from trafficplan.farm.grid import Grid
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.names import HAUL, TURN, WORK
from trafficplan.routes.passes import Pass
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import OperationEvents

DEPTHS = (0.10, 0.20, 0.35, 0.50, 0.70, 1.00)
CELL = 0.5
KN = 1e3


@dataclass(frozen=True)
class Case:
    """One benchmark input: everything that `run_season` takes, and its path length."""

    grid: Grid
    soil_class: NDArray[np.uint8]
    depths_m: tuple[float, ...]
    deep_from_m: float
    operations: tuple[OperationEvents, ...]
    axle_km: float


def hectares() -> float:
    """Return the size asked for by TRAFFICPLAN_BENCH_HA (1 when unset)."""
    return float(os.environ.get("TRAFFICPLAN_BENCH_HA", "1"))


def field_of(ha: float) -> shapely.Polygon:
    """Return an irregular field of the given area."""
    angle = np.radians([10, 62, 95, 140, 200, 236, 290, 335])
    radius = np.array([1.15, 0.95, 1.25, 0.9, 1.1, 1.0, 1.2, 0.92])
    rough = shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    size = math.sqrt(ha * 1e4 / rough.area)
    return shapely.Polygon(np.asarray(rough.exterior.coords) * size + 3 * size)


def bouts(field: shapely.Polygon, width: float, degrees: float, rounds: int = 2) -> tuple[NDArray, NDArray]:
    """Return path and legs of one drive: headland rounds, then bouts joined by half circles."""
    parts: list[NDArray] = []
    legs: list[NDArray] = []
    for i in range(rounds):
        ring = field.buffer(-(i + 0.5) * width).simplify(0.05)
        if ring.is_empty or not isinstance(ring, shapely.Polygon):
            continue
        line = shapely.segmentize(ring.exterior.buffer(-5).buffer(5).exterior, 50.0)
        parts.append(np.asarray(line.coords))
        legs.append(np.full(len(parts[-1]), HAUL, np.int8))
    inner = field.buffer(-rounds * width)
    turn = math.radians(degrees)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    flat = shapely.transform(inner, lambda xy: xy @ spin)
    west, south, east, north = flat.bounds
    cuts = []
    for y in np.arange(south + 0.5 * width, north, width):
        cut = flat.intersection(shapely.LineString([(west - 1, y), (east + 1, y)]))
        if not cut.is_empty and cut.length > 2.0:
            cuts.append((y, cut.bounds[0], cut.bounds[2]))
    swing = np.linspace(-0.5, 0.5, 15) * math.pi
    for i, (y, x0, x1) in enumerate(cuts):
        side = 1.0 if i % 2 == 0 else -1.0
        ends = np.array([[x0, y], [x1, y]])[:: int(side)]
        parts.append(ends @ spin.T)
        legs.append(np.array([WORK, TURN], np.int8))
        if i + 1 < len(cuts):
            x = max(x1, cuts[i + 1][2]) if side > 0 else min(x0, cuts[i + 1][1])
            arc = np.column_stack([x + side * 0.5 * width * np.cos(swing), y + 0.5 * width * (1.0 + np.sin(swing))])
            parts.append(arc @ spin.T)
            legs.append(np.full(len(arc), TURN, np.int8))
    return np.vstack(parts), np.concatenate(legs)


@njit(cache=True)
def tractrix(xy: NDArray, behind: float) -> NDArray:
    """Return the path of an axle drawn on a pole of length `behind`."""
    out = np.empty_like(xy)
    hx, hy = xy[1, 0] - xy[0, 0], xy[1, 1] - xy[0, 1]
    size = math.hypot(hx, hy)
    out[0] = xy[0, 0] - hx / size * behind, xy[0, 1] - hy / size * behind
    for i in range(1, len(xy)):
        dx, dy = xy[i, 0] - out[i - 1, 0], xy[i, 1] - out[i - 1, 1]
        size = math.hypot(dx, dy)
        out[i] = xy[i, 0] - dx / size * behind, xy[i, 1] - dy / size * behind
    return out


def _tyre(width_mm: int, diameter: float) -> Tyre:
    return Tyre(f"{width_mm} mm", "tyre", width_mm / 1e3, diameter, 0.3 * diameter)


def _axle(
    key: str,
    behind: float,
    tyre: Tyre,
    offsets: tuple[float, ...],
    empty: float,
    full: float,
    pressure: float,
):
    wheels = tuple(Wheel(tyre, side * offset) for offset in offsets for side in (1, -1))
    return Axle(key, behind, wheels, empty * KN, full * KN, pressure, pressure)


def outfits() -> dict[str, tuple[tuple[Axle, ...], float]]:
    """Return six outfits: their axles front to back, and working width [m]."""
    f, r, t, n = _tyre(540, 1.4), _tyre(650, 1.8), _tyre(710, 1.6), _tyre(380, 1.85)
    bar = 1e5
    front = _axle("front", -2.8, f, (0.95,), 28, 30, 1.0 * bar)
    rear = _axle("rear", 0.0, r, (0.95,), 48, 62, 1.1 * bar)
    dual = _axle("rear", 0.0, r, (0.8, 1.0), 60, 70, 0.7 * bar)
    return {
        "lime": ((front, rear, _axle("spreader", 5.0, t, (1.0,), 35, 130, 1.8 * bar)), 24.0),
        "tillage": ((front, dual), 12.0),
        "slurry": (
            (front, rear, _axle("tank 1", 5.5, t, (1.0,), 40, 105, 1.6 * bar), _axle("tank 2", 7.2, t, (1.0,), 40, 105, 1.6 * bar)),
            12.0,
        ),
        "drill": ((front, rear, _axle("drill", 5.0, f, (1.1,), 25, 38, 0.9 * bar)), 12.0),
        "sprayer": ((_axle("front", -2.6, n, (0.9,), 42, 62, 2.2 * bar), _axle("rear", 0.0, n, (0.9,), 45, 72, 2.4 * bar),
                     _axle("boom", 3.5, n, (0.9,), 18, 22, 1.6 * bar)), 24.0),
        "harvest": ((_axle("front", 0.0, _tyre(800, 1.95), (1.4,), 120, 190, 2.0 * bar), _axle("rear", 3.8, f, (1.3,), 45, 55, 1.7 * bar)), 12.0),
        "chaser": ((front, rear, _axle("bin", 5.6, _tyre(900, 1.9), (1.2,), 60, 210, 1.9 * bar)), 12.0),
    }  # fmt: skip


#: Outfit, moisture (0 wet, 1 moist, 2 dry), tillage depth, "empties" (-1), "fills" (1) or constant (0), trip [m].
PLAN = (
    ("lime", 1, 0.0, -1, 3200.0),
    ("tillage", 1, 0.25, 0, 1e9),
    ("slurry", 0, 0.0, -1, 900.0),
    ("tillage", 1, 0.10, 0, 1e9),
    ("drill", 1, 0.0, -1, 6000.0),
    ("sprayer", 0, 0.0, -1, 9000.0),
    ("sprayer", 1, 0.0, -1, 9000.0),
    ("sprayer", 2, 0.0, -1, 9000.0),
    ("harvest", 1, 0.0, 1, 2500.0),
    ("chaser", 2, 0.0, 1, 1800.0),
)


def soils(moisture: int) -> tuple[SoilDay, ...]:
    """Return four soil classes in one moisture state; strengths are round numbers (ours)."""
    depths = np.array(DEPTHS)
    tension = (5e3, 15e3, 33e3)[moisture]
    nu = (6.0, 5.0, 4.0)[moisture]
    shape = np.array([0.7, 0.8, 1.3, 1.1, 1.2, 1.3])
    return tuple(
        SoilDay(
            depths,
            np.full(6, tension),
            base * (0.8, 1.0, 1.4)[moisture] * shape,
            np.full(6, 0.5),
            np.full(6, nu),
        )
        for base in (60e3, 75e3, 90e3, 110e3)
    )


def _loads(axle: Axle, xy: NDArray, change: int, trip_m: float) -> NDArray:
    if change == 0:
        return np.full(len(xy), axle.full_n)
    chain = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    share = (chain % trip_m) / trip_m
    return axle.empty_n + (axle.full_n - axle.empty_n) * (1.0 - share if change < 0 else share)


def _resampled(xy: NDArray, legs: NDArray, step: float, noise: float, seed: int) -> tuple[NDArray, NDArray]:
    chain = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.arange(0.0, chain[-1], step)
    out = np.column_stack([np.interp(at, chain, xy[:, 0]), np.interp(at, chain, xy[:, 1])])
    out += np.random.default_rng(seed).normal(0.0, noise, out.shape) if noise else 0.0
    return out, legs[np.searchsorted(chain, at, side="right") - 1]


def build(ha: float, form: str = "planned", degrees: float = 17.0, repeats: int = 1) -> Case:
    """Return the season on a field of `ha` hectares; `repeats` multiplies every pass (1, 2, 4)."""
    field = field_of(ha)
    grid = Grid.around(field.bounds, CELL, "EPSG:32615")
    inside = rasterize([(field, 1)], out_shape=grid.shape, transform=_affine(grid), dtype="uint8") == 1
    row, col = np.indices(grid.shape)
    soil_class = ((row // 97 + col // 131) % 4).astype(np.uint8)
    soil_class[~inside] = 255
    fleet = outfits()
    rounds = 2 if ha >= 4.0 else 1
    drives = {width: bouts(field, width, degrees, rounds) for width in (12.0, 24.0)}
    operations, length = [], 0.0
    for index, (name, moisture, till, change, trip) in enumerate(PLAN):
        axles, width = fleet[name]
        raw, raw_legs = drives[width]
        fine, legs = _resampled(raw, raw_legs, 0.5 if form == "planned" else 2.0, 0.0, 0)
        passes = []
        for number, axle in enumerate(axles):
            xy = tractrix(fine, axle.behind_m) if axle.behind_m > 0 else fine.copy()
            if form == "recorded":
                xy = xy + np.random.default_rng(100 * index + number).normal(0.0, 0.01, xy.shape)
            length += float(np.hypot(*np.diff(xy, axis=0).T).sum()) * repeats
            load = _loads(axle, xy, change, trip)
            one = Pass(index, axle, axle.field_pa, 0.0, xy, load, legs, np.zeros(len(xy), np.int8))
            passes += [one] * repeats
        work = legs[:-1] == WORK
        swept = np.column_stack([fine[:-1][work], fine[1:][work]])
        operations.append(OperationEvents(tuple(passes), soils(moisture), till, swept, width))
    return Case(grid, soil_class, DEPTHS, 0.25, tuple(operations), length / 1e3)


def _affine(grid: Grid):
    from rasterio import Affine

    return Affine(*grid.affine)
