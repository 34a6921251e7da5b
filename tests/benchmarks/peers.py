"""The kernel against its rivals, alternated in one run: prints ratios of medians, asserts counts and sums, never times.

Run as `python tests/benchmarks/peers.py`; TRAFFICPLAN_BENCH_HA gives the size (1, 6 or 25 ha), TRAFFICPLAN_BENCH_ROUNDS
the rounds.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio import Affine
from rasterio.enums import MergeAlg
from rasterio.features import rasterize

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.season import Case, build, hectares

from trafficplan.names import ROAD
from trafficplan.traffic.layers import SeasonLayers
from trafficplan.traffic.season import Season, execute, prepare_season
from trafficplan.traffic.segments import SHORTEST_M

Work = Callable[[], object]


def wheel_strips(case: Case) -> list[shapely.Geometry]:
    """Return the strips that wheels roll: one polygon per wheel and stretch of path of up to 50 vertices."""
    out: list[shapely.Geometry] = []
    for operation in case.operations:
        for one in operation.passes:
            line = shapely.LineString(one.xy[one.leg != ROAD]).simplify(0.02)
            xy = np.asarray(line.coords)
            for wheel in one.axle.wheels:
                for i in range(0, len(xy) - 1, 49):
                    piece = shapely.LineString(xy[i : i + 50])
                    if piece.length > SHORTEST_M:
                        moved = shapely.offset_curve(piece, wheel.offset_m, join_style="mitre")
                        out.append(shapely.buffer(moved, 0.5 * wheel.tyre.width_m, cap_style="flat", join_style="mitre"))
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


if __name__ == "__main__":
    for form in ("planned", "recorded"):
        print(form)
        for name, value in compare(build(hectares(), form), int(os.environ.get("TRAFFICPLAN_BENCH_ROUNDS", "7"))).items():
            print(f"  {name:18s} {value:.6g}")
