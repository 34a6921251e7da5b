"""The kernel against its rivals, alternated in one run: prints ratios of medians, asserts counts and sums, never times.

Run as `python tests/benchmarks/peers.py`; TRAFFICPLAN_BENCH_HA gives the size (1, 6 or 25 ha), TRAFFICPLAN_BENCH_ROUNDS
the rounds.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio import Affine
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from shapely.ops import substring

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.season import CELL, DEPTHS, PLAN, Case, build, hectares, outfits, soils
from slow_reference import sample_point

from trafficplan.farm.grid import Grid
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.traffic.layers import OperationEvents, SeasonLayers
from trafficplan.traffic.season import Season, execute, prepare_season
from trafficplan.traffic.segments import SHORTEST_M, level_of, load_of
from trafficplan.traffic.tables import STEP_M, Setup, axle_profile, half_width

Work = Callable[[], object]

#: Length of path per rasterized polygon: about a bout [m].
STRETCH_M = 130.0


def wheel_strips(case: Case) -> list[shapely.Geometry]:
    """Return the strips that wheels roll: one polygon per wheel and STRETCH_M of path."""
    out: list[shapely.Geometry] = []
    for operation in case.operations:
        for one in operation.passes:
            line = shapely.LineString(one.xy[one.leg != ROAD]).simplify(0.02)
            ends = np.append(np.arange(0.0, line.length, STRETCH_M), line.length)
            for start, end in zip(ends[:-1], ends[1:], strict=True):
                piece = substring(line, start, end)
                if piece.length <= SHORTEST_M:
                    continue
                for wheel in one.axle.wheels:
                    moved = shapely.offset_curve(piece, wheel.offset_m, join_style="mitre")
                    half = 0.5 * wheel.tyre.width_m
                    out.append(shapely.buffer(moved, half, cap_style="flat", join_style="mitre"))
    return [shape for shape in out if not shape.is_empty]


def rasterized(case: Case, strips: list[shapely.Geometry]) -> NDArray[np.uint16]:
    """Return how many strips cover each cell's centre."""
    return rasterize(
        strips, out_shape=case.grid.shape, transform=Affine(*case.grid.affine), merge_alg=MergeAlg.add,
        default_value=1, dtype="uint16",
    )  # fmt: skip


def arrays(layers: SeasonLayers) -> list[NDArray]:
    """Return the result arrays."""
    return [value for value in vars(layers).values() if isinstance(value, np.ndarray)]


def alternate(works: dict[str, Work], rounds: int) -> dict[str, float]:
    """Run all works in turn for several rounds; return the median time of each [s]."""
    taken: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            taken[name].append(time.perf_counter() - start)
    return {name: float(np.median(times)) for name, times in taken.items()}


def run_of(case: Case, season: Season, threads: int) -> tuple[SeasonLayers, int]:
    """Run the kernel on a prepared season."""
    return execute(season, case.grid, case.soil_class, case.depths_m, threads)


def compare(case: Case, rounds: int) -> dict[str, float]:
    """Return ratios of medians: kernel on 1 and 2 threads, rasterize, copy of the layers."""
    season = prepare_season(case.grid, case.soil_class, case.depths_m, case.deep_from_m, case.operations)
    layers, events = run_of(case, season, 1)
    strips = wheel_strips(case)
    source = arrays(layers)
    target = [array.copy() for array in source]

    def copy() -> None:
        for into, array in zip(target, source, strict=True):
            np.copyto(into, array)

    median = alternate(
        {
            "k1": lambda: run_of(case, season, 1),
            "rasterize": lambda: rasterized(case, strips),
            "copy": copy,
            "k2": lambda: run_of(case, season, 2),
        },
        rounds,
    )
    return {
        "polygons": len(strips),
        "events": events,
        "k1_s": median["k1"],
        "k2_s": median["k2"],
        "rasterize_s": median["rasterize"],
        "copy_s": median["copy"],
        "k1/rasterize": median["k1"] / median["rasterize"],
        "k2/rasterize": median["k2"] / median["rasterize"],
        "k1/copy": median["k1"] / median["copy"],
        "k2/copy": median["k2"] / median["copy"],
        "k1/k2": median["k1"] / median["k2"],
        "ns an event (k1)": median["k1"] / events * 1e9,
    }


@dataclass(frozen=True)
class Plain:
    """The plain GIS way beside the kernel on one square: times as a ratio, and what both counted."""

    ratio: float
    events_kernel: int
    events_plain: int
    over_differs: int


def straight_square(side: float) -> Case:
    """Return a square field with straight bouts of every outfit, at constant loads (no bends, so strips are buffers)."""
    grid = Grid.around((0.0, 0.0, side, side), CELL, "EPSG:32615")
    operations = []
    for index, (name, moisture, *_) in enumerate(PLAN):
        axles, width = outfits()[name]
        passes = []
        for axle in axles:
            for y in np.arange(0.37 * width, side, width):
                xy = np.array([[-5.0, y], [side + 5.0, y + 0.11 * side]])
                flat = np.zeros(2, np.int8)
                load = np.full(2, load_of(level_of(0.5 * (axle.empty_n + axle.full_n))))
                passes.append(Pass(index, axle, axle.field_pa, 0.0, xy, load, flat, flat))
        operations.append(OperationEvents(tuple(passes), soils(moisture), 0.0, np.zeros((0, 4)), 0.0))
    return Case(grid, np.zeros(grid.shape, np.uint8), DEPTHS, 0.25, tuple(operations), 0.0)


def buffers_and_distances(case: Case) -> tuple[NDArray[np.int64], int]:
    """Return over counts and events by buffers, a tree of points, distances and numpy, pass by pass."""
    grid = case.grid
    x, y = grid.centres()
    points = shapely.points(*(axis.ravel() for axis in np.meshgrid(x, y)))
    tree = shapely.STRtree(points)
    samples = np.array([sample_point(grid, r, c) for r in range(grid.rows) for c in range(grid.cols)])
    over = np.zeros((len(case.depths_m), grid.rows * grid.cols), np.int64)
    events = 0
    profiles: dict[tuple[int, str], NDArray[np.float64]] = {}
    for index, operation in enumerate(case.operations):
        for one in operation.passes:
            setup = Setup.of(one.axle, one.pressure_pa, 0.0, 0)
            steps = np.arange(-half_width(setup, grid.cell), half_width(setup, grid.cell) + 1) * STEP_M
            nus = tuple(operation.soils[0].nu.astype(int).tolist())
            key = (index, one.axle.key)
            if key not in profiles:
                profiles[key] = axle_profile(setup, float(one.load_n[0]), case.depths_m, nus, steps)
            line = shapely.LineString(one.xy)
            cells = tree.query(shapely.buffer(line, setup.reach_m, cap_style="flat"), predicate="contains")
            events += cells.size
            d = (one.xy[1] - one.xy[0]) / line.length
            side = d[0] * (samples[cells, 1] - one.xy[0, 1]) - d[1] * (samples[cells, 0] - one.xy[0, 0])
            offset = np.copysign(shapely.distance(line, shapely.points(samples[cells])), side)
            for depth in range(len(case.depths_m)):
                stress = np.interp(offset, steps, profiles[key][:, depth])
                over[depth, cells] += stress > operation.soils[0].strength_pa[depth]
    return over, events


def plain_way(side: float, rounds: int = 3) -> Plain:
    """Run the plain GIS way and the kernel in turn on a square."""
    case = straight_square(side)
    season = prepare_season(case.grid, case.soil_class, case.depths_m, case.deep_from_m, case.operations)
    layers, events = run_of(case, season, 1)
    over, events_plain = buffers_and_distances(case)
    median = alternate(
        {"plain": lambda: buffers_and_distances(case), "kernel": lambda: run_of(case, season, 1)}, rounds
    )
    differs = int(np.abs(layers.over.reshape(over.shape) - over).sum())
    return Plain(median["plain"] / median["kernel"], events, events_plain, differs)


if __name__ == "__main__":
    for form in ("planned", "recorded"):
        print(form)
        for name, value in compare(
            build(hectares(), form), int(os.environ.get("TRAFFICPLAN_BENCH_ROUNDS", "7"))
        ).items():
            print(f"  {name:18s} {value:.6g}")
    print("plain GIS way on a 60 m square")
    print(plain_way(60.0))
