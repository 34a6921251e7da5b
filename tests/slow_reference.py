"""The season once more, slow and plain: cell by cell with shapely distances, no tables, tiles, rows or vectors.

It shares with the kernel only what fixes the question: the grid, the sample point of a cell, the straight stretches
that a path consists of (given vertices; no simplification is asked for), and the contact and stress models.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from trafficplan.farm.grid import Grid
from trafficplan.machines.contact import contact_area
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.soil.stress import stress_quartic
from trafficplan.traffic.layers import OperationEvents

#: Share of the first pass in the compaction index; ground beside the outer wheel that feels it [m].
FIRST_PASS = 0.75
BESIDE = 2.0


@dataclass
class Cell:
    """State of one cell: lists are by depth."""

    stress: list[float]
    ratio: list[float]
    compaction: list[float]
    over: list[int]
    over_low: list[int]
    over_high: list[int]
    sixteenths: int = 0
    touched: set[tuple[int, int]] = field(default_factory=set)
    events: int = 0


@dataclass
class Visit:
    """One unbroken visit of an axle to a cell."""

    foot: float
    stress: NDArray[np.float64]
    touched: set[tuple[int, int]]


@dataclass(frozen=True)
class Stretch:
    """A straight stretch in metres: ends, mitre normals at both ends, chainage, loads."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    start_normal: NDArray[np.float64]
    end_normal: NDArray[np.float64]
    chain: float
    load: float
    furrow: int


def sample_point(grid: Grid, row: int, col: int) -> tuple[float, float]:
    """Return the point of a cell at which stress is taken."""
    right = row * (math.sqrt(2) - 1) + col * (math.sqrt(11) - 3)
    down = row * (math.sqrt(13) - 3) + col * (math.sqrt(17) - 4)
    x = grid.west + (col + 0.5 + (right - math.floor(right) - 0.5)) * grid.cell
    y = grid.north - (row + 0.5 + (down - math.floor(down) - 0.5)) * grid.cell
    return x, y


def stretches(xy: NDArray[np.float64], load: NDArray[np.float64], legs: NDArray, furrow: NDArray) -> list[Stretch]:
    """Return the stretches of a path; neighbours meet on the plane that halves their bend."""
    directions = np.diff(xy, axis=0)
    lengths = np.hypot(directions[:, 0], directions[:, 1])
    directions = directions / lengths[:, None]
    out = []
    for i in range(len(directions)):
        before = directions[i - 1] if i > 0 else directions[i]
        after = directions[i + 1] if i + 1 < len(directions) else directions[i]
        start = directions[i] + before if before @ directions[i] >= -0.5 else directions[i]
        end = directions[i] + after if after @ directions[i] >= -0.5 else directions[i]
        if legs[i] != ROAD:
            out.append(
                Stretch(
                    xy[i],
                    xy[i + 1],
                    start,
                    end,
                    lengths[:i].sum(),
                    0.5 * (load[i] + load[i + 1]),
                    int(furrow[i]),
                )
            )
    return out


def lateral(stretch: Stretch, point: tuple[float, float]) -> float:
    """Return the signed distance of a point from a stretch's line, left positive: shapely's distance and a side."""
    d = (stretch.b - stretch.a) / np.hypot(*(stretch.b - stretch.a))
    line = shapely.LineString([stretch.a - 1e3 * d, stretch.b + 1e3 * d])
    side = d[0] * (point[1] - stretch.a[1]) - d[1] * (point[0] - stretch.a[0])
    return math.copysign(shapely.distance(line, shapely.Point(point)), side)


def wheel_stress(
    one: Pass, load: float, furrow: int, offset: float, depths: tuple[float, ...], nu: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the stress beside an axle at each depth, every wheel added, furrow wheels from their depth down."""
    share = load / len(one.axle.wheels)
    total = np.zeros(len(depths))
    for wheel in one.axle.wheels:
        stands = one.runs_at_depth_m if furrow * wheel.offset_m > 0 else 0.0
        area = contact_area(wheel.tyre, share, one.pressure_pa)
        below = np.array(depths) > stands
        total[below] += stress_quartic(
            share, area, offset - wheel.offset_m, np.array(depths)[below] - stands, nu[below]
        )
    return total


def member(stretch: Stretch, centre: tuple[float, float], reach: float) -> float | None:
    """Return the foot of a cell on a stretch (chainage) if its centre lies in the mitred strip, else None."""
    x, y = centre
    if (x - stretch.a[0]) * stretch.start_normal[0] + (y - stretch.a[1]) * stretch.start_normal[1] < 0:
        return None
    if (x - stretch.b[0]) * stretch.end_normal[0] + (y - stretch.b[1]) * stretch.end_normal[1] >= 0:
        return None
    if abs(lateral(stretch, centre)) > reach:
        return None
    length = float(np.hypot(*(stretch.b - stretch.a)))
    along = float((np.array(centre) - stretch.a) @ (stretch.b - stretch.a)) / length
    return stretch.chain + min(max(along, 0.0), length)


def sub_cells(grid: Grid, row: int, col: int, one: Pass, stretch: Stretch) -> set[tuple[int, int]]:
    """Return which of the 4 x 4 sub-cell centres lie under a wheel."""
    out = set()
    for i in range(4):
        for j in range(4):
            x = grid.west + (col + (j + 0.5) / 4) * grid.cell
            y = grid.north - (row + (i + 0.5) / 4) * grid.cell
            offset = lateral(stretch, (x, y))
            if any(abs(offset - w.offset_m) <= 0.5 * w.tyre.width_m for w in one.axle.wheels):
                out.add((i, j))
    return out


def visits(
    grid: Grid, row: int, col: int, one: Pass, way: list[Stretch], depths: tuple[float, ...], nu: NDArray | None
) -> list[Visit]:  # fmt: skip
    """Return the visits of one pass to one cell: a return after more than 2 x reach of path is a new one."""
    reach = max(abs(w.offset_m) for w in one.axle.wheels) + BESIDE
    x = grid.west + (col + 0.5) * grid.cell
    y = grid.north - (row + 0.5) * grid.cell
    out: list[Visit] = []
    for stretch in way:
        foot = member(stretch, (x, y), reach)
        if foot is None:
            continue
        if not out or foot - out[-1].foot > 2 * reach:
            out.append(Visit(foot, np.zeros(len(depths)), set()))
        visit = out[-1]
        visit.foot = foot
        visit.touched |= sub_cells(grid, row, col, one, stretch)
        if nu is not None:
            offset = lateral(stretch, sample_point(grid, row, col))
            stress = wheel_stress(one, stretch.load, stretch.furrow, offset, depths, nu)
            visit.stress = np.maximum(visit.stress, stress)
    return out


def swept_ways(operation: OperationEvents) -> list[list[Stretch]]:
    """Return the swept strips as stretches; those that join end to end are one way."""
    swept = operation.swept
    breaks = np.flatnonzero(np.any(swept[1:, :2] != swept[:-1, 2:], axis=1)) + 1
    out = []
    for path in np.split(swept, breaks):
        xy = np.vstack([path[:, :2], path[-1:, 2:]])
        flat = np.zeros(len(xy))
        out.append(stretches(xy, flat, flat, flat))
    return out


@dataclass(frozen=True)
class Laid:
    """One operation with its ways cut into stretches."""

    operation: OperationEvents
    ways: list[list[Stretch]]
    swept: list[list[Stretch]]


def lay(operations: tuple[OperationEvents, ...]) -> list[Laid]:
    """Cut all paths of a season into stretches."""
    return [
        Laid(
            operation,
            [stretches(one.xy, one.load_n, one.leg, one.furrow) for one in operation.passes],
            swept_ways(operation) if operation.till_depth_m > 0 else [],
        )
        for operation in operations
    ]


def season_of_cell(
    grid: Grid, row: int, col: int, kind: int, depths: tuple[float, ...], deep_from: float, season: list[Laid],
    slack: float,
) -> tuple[Cell, int, int]:  # fmt: skip
    """Return the state of one cell after the season, and which operations were first over and worst (from 1).

    `slack` is the relative error that the kernel's tables may have: events over 1 are also counted with stress that
    much lower and higher.
    """
    n = len(depths)
    cell = Cell([0.0] * n, [0.0] * n, [0.0] * n, [0] * n, [0] * n, [0] * n)
    deep = [d for d in range(n) if depths[d] > deep_from]
    first = worst = 0
    x = grid.west + (col + 0.5) * grid.cell
    y = grid.north - (row + 0.5) * grid.cell
    for number, laid in enumerate(season, start=1):
        operation = laid.operation
        soil = operation.soils[kind] if kind != 255 else None
        for one, way in zip(operation.passes, laid.ways, strict=True):
            for visit in visits(grid, row, col, one, way, depths, soil.nu if soil else None):
                cell.sixteenths += len(visit.touched)
                cell.touched |= visit.touched
                if soil is None:
                    continue
                cell.events += 1
                before = max((cell.ratio[d] for d in deep), default=0.0)
                for d in range(n):
                    ratio = visit.stress[d] / soil.strength_pa[d]
                    cell.stress[d] = max(cell.stress[d], visit.stress[d])
                    cell.ratio[d] = max(cell.ratio[d], ratio)
                    cell.over[d] += ratio > 1
                    cell.over_low[d] += ratio * (1 - slack) > 1
                    cell.over_high[d] += ratio * (1 + slack) > 1
                    if ratio > 0 and math.log(ratio) > cell.compaction[d]:
                        cell.compaction[d] += FIRST_PASS * (math.log(ratio) - cell.compaction[d])
                if max((cell.ratio[d] for d in deep), default=0.0) > before:
                    worst = number
                if first == 0 and any(visit.stress[d] > soil.strength_pa[d] for d in deep):
                    first = number
        half = 0.5 * operation.swept_width_m
        if any(member(stretch, (x, y), half) is not None for way in laid.swept for stretch in way):
            for d in range(n):
                if depths[d] <= operation.till_depth_m:
                    cell.compaction[d] = 0.0
    return cell, first, worst
