"""A slice of the county: hectares per core-second, and what a second worker gives (printed, not asserted).

Left out of a plain run; `pytest -m benchmark -s tests/benchmarks/test_county.py`. TRAFFICPLAN_BENCH_HA = 1, 6 or 25: hectares
of a field; with 25 the fields have the county's own size. Ten operations a field, cells of 0.5 m, six depths and more,
all layers written; tables and report are not counted.
"""

from __future__ import annotations

import resource
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from benchmarks.season import hectares
from broken_runs import state
from make_county import FIELD_HA, Size, make_farm

from trafficplan.chain import Plan
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.work.hands import Hands, hands
from trafficplan.work.place import result_at
from trafficplan.work.season import FieldsRun, compute_fields

pytestmark = pytest.mark.benchmark

FIELDS, ROUNDS = 6, 3


@dataclass(frozen=True)
class Took:
    """Seconds by the clock, and core-seconds of this process."""

    wall_s: float
    core_s: float


@pytest.fixture(scope="module")
def farm(tmp_path_factory) -> Farm:
    field_ha = FIELD_HA if hectares() >= 25 else hectares()
    return read_farm(make_farm(tmp_path_factory.mktemp("county") / "farm", 3, Size(FIELDS, field_ha)))


def compute(farm: Farm, out: Path, at_work: Hands) -> tuple[FieldsRun, dict[str, str], Took]:
    shutil.rmtree(out, ignore_errors=True)
    wall, core = time.perf_counter(), time.process_time()
    with result_at(out) as place:
        run = compute_fields(farm, list(farm.fields), ("base",), Plan(cell=0.5), place, at_work)
        took = Took(time.perf_counter() - wall, time.process_time() - core)
    files = state(out)
    assert files is not None
    return run, files, took


def test_hectares_per_core_second_and_a_second_worker(farm: Farm, tmp_path: Path, capsys) -> None:
    area_ha = sum(field.polygon.area for field in farm.fields.values()) / 1e4
    one: list[Took] = []
    two: list[Took] = []
    with hands(1) as alone, hands(2) as pair:
        first, files, _ = compute(farm, tmp_path / "warm", alone)  # libraries and kernels are loaded
        _, again, _ = compute(farm, tmp_path / "warm2", pair)
        assert files == again
        for _ in range(ROUNDS):
            for at_work, found in ((alone, one), (pair, two)):
                _, again, took = compute(farm, tmp_path / "out", at_work)
                assert again == files
                found.append(took)
    whole = [
        row for summary in first.summaries for row in summary.rows if row["zone"] == "all" and row["depth_m"] == 0.1
    ]
    assert sum(float(str(row["area_ha"])) for row in whole) == pytest.approx(area_ha, rel=0.01)
    assert sum(len(summary.parts) for summary in first.summaries) == 10 * FIELDS
    megabytes = sum((tmp_path / "out" / name).stat().st_size for name in files) / 1e6
    middle = sorted(one, key=lambda took: took.core_s)[ROUNDS // 2]
    scaling = sorted(a.wall_s for a in one)[ROUNDS // 2] / sorted(b.wall_s for b in two)[ROUNDS // 2]
    with capsys.disabled():
        print(f"\n  {FIELDS} fields, {area_ha:.1f} ha, ten operations a field, cells of 0.5 m")
        print(f"  hectares per core-second    {area_ha / middle.core_s:.3g}")
        print(f"  2 workers against 1         {scaling:.3g}")
        print(f"  megabytes per hectare       {megabytes / area_ha:.3g}")
        print(f"  peak memory, this process   {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")
        print(f"  peak memory, a worker       {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3:.0f} MB")
