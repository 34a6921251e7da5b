"""A standing crop: which tramlines a working width follows, and how much crop wheels flatten beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from trafficplan.compiled import njit
from trafficplan.errors import Problem
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD
from trafficplan.routes.follow import vehicle_paths
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import Swath

#: A width that is smaller than the spacing of tramlines by less than this share still closes the ground between them.
GAP_SHARE = 0.02
#: One that is wider by more than this share of it would work too much of the ground twice (ours).
OVERLAP_SHARE = 0.15
CELL_M = 0.2  # ground that wheels flatten is counted in cells of this size
STEP_M = 0.1  # along a wheel track


def spacing_of(laid: Sequence[Swath]) -> float | None:
    """Return the usual distance between neighbouring tramlines [m]; None where there are fewer than two.

    The median over all stretches of tramlines of the distance from the middle of each to the nearest other tramline.
    """
    lines = np.array([LineString(swath.xy) for swath in laid], dtype=object)
    number = np.array([swath.bout for swath in laid])
    if len(np.unique(number)) < 2:
        return None
    middle = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    apart = np.asarray(shapely.distance(middle[:, None], lines[None, :]))
    apart[number[:, None] == number[None, :]] = np.inf
    return float(np.median(apart.min(axis=1)))


def every(width_m: float, spacing_m: float) -> int | None:
    """Return every how many-th tramline a working width follows; None where the tramlines do not fit it.

    Examples
    --------
    >>> every(24.0, 24.0), every(48.0, 24.0), every(12.0, 24.0), every(36.0, 24.0)
    (1, 2, None, None)
    """
    count = max(1, math.floor(width_m / spacing_m + GAP_SHARE))
    covered = count * spacing_m
    fits = (1.0 - GAP_SHARE) * covered <= width_m <= (1.0 + OVERLAP_SHARE) * covered
    return count if fits else None


def thinned(laid: Sequence[Swath], count: int, width_m: float, ground: BaseGeometry) -> list[Swath]:
    """Return every so many-th tramline, from that one on whose series covers most of the ground."""
    if count == 1:
        return list(laid)
    numbers = {bout: place for place, bout in enumerate(sorted({swath.bout for swath in laid}))}
    series = []
    for first in range(count):
        kept = [s for s in laid if numbers[s.bout] % count == first]
        strips = [LineString(s.xy).buffer(width_m / 2.0, cap_style="flat") for s in kept]
        area = shapely.union_all(strips).intersection(ground).area
        series.append((area, -first, [replace(s, bout=numbers[s.bout] // count) for s in kept]))
    return max(series, key=lambda one: one[:2])[2]


def does_not_fit(where: str, width_m: float, spacing_m: float, flattened: str) -> Problem:
    """Return the problem that tramlines do not fit a working width, with the choices that there are."""
    return Problem(
        "the tramlines do not fit the working width",
        where,
        f"working width {width_m:g} m, tramlines every {spacing_m:.1f} m",
        f"a working width of {spacing_m:.0f}, {2 * spacing_m:.0f} or {3 * spacing_m:.0f} m in a standing crop",
        f"take an outfit that works {spacing_m:.0f} m, give width_m where this one can, "
        f"or drive it in swaths ({flattened})",
    )


def flattened_ha(drive: Drive, tramlines: Sequence[LineString], outfit: Outfit) -> float:
    """Return how much standing crop the wheels of a drive flatten in the field, the wheelings of tramlines left out.

    Wheelings are the strips along the tramlines as wide as the outfit over its outer tyres; the headland counts where no
    tramline runs there. Counted in cells of 0.2 m: right to a few percent.

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    fine, placed = vehicle_paths(drive, outfit)
    inside = np.flatnonzero(fine.leg[:-1] != ROAD)
    if not len(inside):
        return 0.0
    corner, shape = _box(fine.xy[inside])
    cells = np.zeros(shape, dtype=bool)
    for vehicle, (here, heading) in zip(outfit.vehicles, placed, strict=True):
        for axle in vehicle.axles:
            for wheel in axle.wheels:
                path = beside(here, heading, axle.behind_m, wheel.offset_m)
                _mark(cells, corner[0], corner[1], path, inside, _half(wheel.tyre.width_m), True)
    wide = 2.0 * max(abs(w.offset_m) + w.tyre.width_m / 2.0 for axle in outfit.axles() for w in axle.wheels)
    for line in tramlines:
        xy = np.ascontiguousarray(np.asarray(line.coords)[:, :2])
        _mark(cells, corner[0], corner[1], xy, np.arange(len(xy) - 1), _half(wide + CELL_M), False)
    return float(cells.sum()) * CELL_M**2 / 1e4


def beside(
    here: NDArray[np.float64], heading: NDArray[np.float64], behind_m: float, offset_m: float
) -> NDArray[np.float64]:
    """Return the path of a point of a vehicle: so far behind its reference point, and so far to its left."""
    along = np.column_stack([np.cos(heading), np.sin(heading)])
    left = np.column_stack([-along[:, 1], along[:, 0]])
    return here - behind_m * along + offset_m * left


def _box(xy: NDArray[np.float64]) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Return the corner and shape of the cells around points, with room for wheels beside them."""
    corner = np.floor(xy.min(axis=0) - 20.0)
    count = np.ceil((xy.max(axis=0) + 20.0 - corner) / CELL_M).astype(int)
    return corner, (int(count[1]), int(count[0]))


def _half(width_m: float) -> float:
    """Return half the width over which points are set: across a strip they hit one cell more than it covers, on the
    average, so it is narrowed by one."""
    return max(width_m - CELL_M, 0.0) / 2.0


@njit(cache=True)
def _mark(cells: NDArray, west: float, south: float, xy: NDArray, steps: NDArray, half_m: float, value: bool) -> None:
    """Set the cells under a strip along the steps of a line (the numbers of their first vertices)."""
    across = int(math.ceil(2.0 * half_m / STEP_M)) + 1
    for i in steps:
        dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
        length = math.hypot(dx, dy)
        if length < 1e-9:
            continue
        count = int(math.ceil(length / STEP_M))
        for k in range(count):
            x, y = xy[i, 0] + (k + 0.5) / count * dx - west, xy[i, 1] + (k + 0.5) / count * dy - south
            for j in range(across + 1):
                side = half_m * (2.0 * j / across - 1.0) / length
                row, column = int((y + side * dx) / CELL_M), int((x - side * dy) / CELL_M)
                if 0 <= row < cells.shape[0] and 0 <= column < cells.shape[1]:
                    cells[row, column] = value
