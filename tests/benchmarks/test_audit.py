"""The audit of the whole sample farm with every change tried, and matching a million fixes to fields; seconds are printed.

Goals on two idle cores: the audit with its three changes under 60 s, warm kernels; a million fixes in some seconds.
Run by hand: python -m pytest tests/benchmarks/test_audit.py -m benchmark -s
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from conftest import sample_farm
from shapely import box

from trafficplan.farm.field import Field
from trafficplan.routes.outings import field_of_fixes

CELL = os.environ.get("TRAFFICPLAN_BENCH_CELL", "1")


@pytest.mark.benchmark
def test_audit_of_the_sample_farm(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "trafficplan", "audit", str(sample_farm()), "--out", str(tmp_path / "out"), "--cell", CELL, "--json"]  # fmt: skip
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    seconds = time.perf_counter() - start
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    (farm,) = json.loads(done.stdout)["result"]["farms"]
    assert len(farm["fields"]) == 8 and len(farm["operations"]) == 40
    assert sum(row["chosen"] for row in farm["changes"]) == 4
    assert sum(row["area_ha"] for row in farm["chance"]) == pytest.approx(farm["area_ha"], rel=1e-3)
    print(
        f"\naudit of {farm['area_ha']:.0f} ha, 40 operations, {len(farm['changes']) - 1} changes told, cell {CELL} m: "
        f"{seconds:.1f} s on {os.cpu_count()} cores, {cpu:.1f} s of work ({cpu / (os.cpu_count() or 1):.1f} s if they were "
        f"idle but for it), largest process {used.ru_maxrss / 1024:.0f} MB"
    )


@pytest.mark.benchmark
def test_matching_a_million_fixes_to_a_thousand_fields() -> None:
    rng = np.random.default_rng(7)
    corners = [(400.0 * (i % 32), 400.0 * (i // 32)) for i in range(1000)]
    fields = [Field(str(i), box(x, y, x + 300, y + 300), "", 0.2, None, (), ()) for i, (x, y) in enumerate(corners)]
    x, y = rng.uniform(0, 12_800, 1_000_000), rng.uniform(0, 12_800, 1_000_000)
    start = time.perf_counter()
    where, inside = field_of_fixes(fields, x, y)
    seconds = time.perf_counter() - start
    assert inside.mean() == pytest.approx(1000 * 300**2 / 12_800**2, abs=0.005)
    assert (where[inside] >= 0).all()
    print(f"\n1,000,000 fixes to 1,000 fields: {seconds:.2f} s")
