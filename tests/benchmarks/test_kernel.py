"""The kernel on the benchmark season: counts, sums and bytes are asserted, times and ratios are only printed.

Left out of a plain run; `pytest -m benchmark tests/benchmarks`, TRAFFICPLAN_BENCH_HA = 1, 6 or 25.
"""

import hashlib
import math

import numpy as np
import pytest
from benchmarks.peers import Plain, arrays, compare, plain_way, run_of
from benchmarks.season import Case, build, hectares

from trafficplan.traffic.season import execute, prepare_season
from trafficplan.units import GRAVITY

pytestmark = pytest.mark.benchmark

FORMS = ("planned", "recorded")


@pytest.fixture(scope="module", params=FORMS)
def case(request) -> Case:
    return build(hectares(), request.param)


@pytest.fixture(scope="module")
def season(case):
    return prepare_season(case.grid, case.soil_class, case.depths_m, case.deep_from_m, case.operations)


def fingerprint(layers) -> str:
    digest = hashlib.sha256()
    for array in arrays(layers):
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()


def test_same_bytes_for_every_tile_and_thread_count(case, season):
    prints = {
        fingerprint(execute(season, case.grid, case.soil_class, case.depths_m, threads, tile)[0])
        for threads, tile in ((1, 64), (2, 64), (2, 32), (1, 37), (2, 128), (1, max(case.grid.shape)))
    }
    assert len(prints) == 1


def test_traffic_sum_is_load_times_length(case, season):
    """By hand from the given vertices; paths that leave the box are the only loss (turns at the field's edge)."""
    layers, events = run_of(case, season, 1)
    total = 0.0
    for operation in case.operations:
        for one in operation.passes:
            step = np.hypot(*np.diff(one.xy, axis=0).T)
            total += float((step * 0.5 * (one.load_n[1:] + one.load_n[:-1])).sum()) / GRAVITY * 1e3
    found = layers.traffic_g_m.sum(dtype=float)
    assert 0.85 * total < found < total * (1 + 1e-9)
    assert 6 < events / (case.soil_class != 255).sum() < 14


def test_events_come_from_the_strips(case, season):
    """Strip area over cell area: length x 2 reach, less what lies outside the field."""
    _, events = run_of(case, season, 1)
    most = 0.0
    for operation in case.operations:
        for one in operation.passes:
            reach = max(abs(wheel.offset_m) for wheel in one.axle.wheels) + 2.0
            most += float(np.hypot(*np.diff(one.xy, axis=0).T).sum()) * 2 * reach
    assert 0.6 * most < events * case.grid.cell**2 < most


def test_kernel_speed(benchmark, case, season):
    layers, events = benchmark(run_of, case, season, 1)
    benchmark.extra_info["events"] = events
    assert layers.stress_pa.max() > 0


def test_ratios_against_rivals(case, capsys):
    ratios = compare(case, 7)
    with capsys.disabled():
        print()
        for name, value in ratios.items():
            print(f"  {name:18s} {value:.4g}")
    assert all(math.isfinite(value) and value > 0 for value in ratios.values())


def test_plain_way_agrees_on_a_small_square(capsys):
    """The plain GIS way (distances cell by cell, same stress profile) on 60 m: event counts and over counts agree."""
    plain: Plain = plain_way(60.0)
    assert plain.events_kernel == plain.events_plain
    assert plain.over_differs <= 2e-3 * plain.events_plain
    with capsys.disabled():
        print(f"\n  plain/kernel       {plain.ratio:.4g}")
