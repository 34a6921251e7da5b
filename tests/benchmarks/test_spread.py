"""How long a spreading plan of many candidates takes, per candidate and against the kernel alone; and its memory.

`TRAFFICPLAN_BENCH_HA=25` gives the size of the goal: 25 ha at 0.5 m, 200 candidates on two cores under 60 s and 1 GB.
"""

import os
import resource
import sys
import time
from dataclasses import replace

import pytest
from conftest import sample_farm
from shapely import box

from trafficplan.chain import Plan
from trafficplan.cli.asked_spread import asked_of
from trafficplan.decide.spread import routes
from trafficplan.farm.field import Gateway
from trafficplan.inputs.farm import read_farm
from trafficplan.whatif import after, season_before
from trafficplan.work.alternatives import try_all

ASKED = {
    "outfit": "spreader", "rate": "12t/ha", "job": "manure", "load_t": None, "date": "2026-10-20", "soil": "moulds",
    "surface": None, "gateway": [], "fill_at": "gateway", "fill_min": 5.0, "loader": None, "brought_by": None,
    "heading_deg": None, "off_tramlines": False, "keep": [], "hours": None,
}  # fmt: skip


def job_of(hectares: float):
    """A rectangle of the size wanted in the midst of the sample farm's soils, gates in the south-west and north-east."""
    farm = read_farm(sample_farm())
    model = farm.fields["Heron Meadow"]
    x, y = model.polygon.centroid.x, model.polygon.centroid.y
    long = (hectares * 1e4 * 1.6) ** 0.5
    shape = box(x - long / 2, y - long / 3.2, x + long / 2, y + long / 3.2)
    west, south, east, north = shape.bounds
    gates = (
        Gateway("south-west", "Bench", west, south + 20, 8.0),
        Gateway("north-east", "Bench", east, north - 20, 8.0),
    )
    field = replace(model, key="Bench", polygon=shape, gateways=gates, tramlines=())
    farm = replace(farm, fields={"Bench": field}, operations=(), tracks=(), places=())
    return asked_of(farm, sample_farm(), "Bench", ASKED)


@pytest.mark.benchmark
def test_candidates_of_a_spreading_plan():
    full = float(os.environ.get("TRAFFICPLAN_BENCH_HA", "0")) >= 25
    hectares, most, cell = (25.0, 200, 0.5) if full else (4.0, 24, 1.0)
    job = job_of(hectares)
    begin = time.perf_counter()
    before = season_before(job.farm, job.farm.scenarios["base"], job.field, Plan(cell), job.operation.day)
    tried = try_all(job, before, most, 2, None, lambda _share, _seconds, _best: None)
    took = time.perf_counter() - begin
    assert len(tried.alternatives) + len(tried.refused) <= most and len(tried.alternatives) > most // 2
    assert len(tried.candidates) == len({one.key for one in tried.alternatives}) + len(tried.refused)
    begin = time.perf_counter()
    state = after(job.farm, before, [])
    copy = time.perf_counter() - begin
    assert state.traffic_g_m.sum() == before.state.traffic_g_m.sum()
    here, workers = (
        resource.getrusage(who).ru_maxrss / (1 if sys.platform == "darwin" else 1024)
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    each = took / len(tried.candidates)
    print(
        f"\n{hectares:g} ha at {cell} m: {len(tried.candidates)} candidates ({len(routes(job))} ways of driving) in "
        f"{took:.1f} s on two processes, {each:.2f} s each; copying the state alone {copy:.3f} s; "
        f"memory {here:.0f} MB here, {workers:.0f} MB in the largest worker"
    )
