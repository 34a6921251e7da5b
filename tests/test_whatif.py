"""What if: a job on top of the season before it is the same, byte for byte, as a season that holds it."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm

from trafficplan.chain import Plan, prepare, run_field
from trafficplan.inputs.farm import read_farm
from trafficplan.traffic.layers import CellState
from trafficplan.traffic.season import prepare_season, run_on
from trafficplan.whatif import after, judge, season_before

COARSE = Plan(cell=2.0)


@pytest.fixture(scope="module")
def farm():
    return read_farm(sample_farm())


@pytest.fixture(scope="module", params=["Road Field", "Oxbow"])
def split(request, farm):
    """A field, its whole season, and the day of an operation in the midst of it."""
    field = farm.fields[request.param]
    laid = prepare(farm, farm.scenarios["base"], field, COARSE)
    days = sorted({op.day for op in laid.operations})
    assert len(days) >= 3
    day = days[len(days) // 2]
    return field, laid, day, season_before(farm, farm.scenarios["base"], field, COARSE, day)


def whole(laid, operations):
    season = prepare_season(
        laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events[:operations]
    )
    state = CellState.unwritten(len(laid.depths_m), laid.grid.shape)
    run_on(season, state, laid.grid.cell, laid.ground.soil_class, False)
    return state


def same(one, two):
    return all(
        np.array_equal(getattr(one, name), getattr(two, name)) for name in ("cells16", "traffic_g_m", "real", "over")
    )


def test_the_rest_of_a_season_on_top_of_its_first_half_is_the_whole_season(farm, split):
    _, laid, day, before = split
    jobs = [(op, drive) for op, drive in zip(laid.operations, laid.drives, strict=True) if op.day >= day]
    assert 0 < len(jobs) < len(laid.operations) and before.state.operations == len(laid.operations) - len(jobs)
    end = after(farm, before, jobs)
    assert end.operations == len(laid.operations)
    assert same(end, whole(laid, len(laid.operations)))


def test_one_job_after_the_other_is_both_at_once_and_the_state_before_stays(farm, split):
    _, laid, day, before = split
    kept = before.state.copy()
    jobs = [(op, drive) for op, drive in zip(laid.operations, laid.drives, strict=True) if op.day >= day][:1]
    once = after(farm, before, jobs)
    assert same(before.state, kept)
    assert not same(once, kept)
    assert same(once, whole(laid, before.state.operations + 1))


def test_the_score_is_what_the_tables_of_the_map_say(farm, split):
    field, laid, day, before = split
    jobs = [(op, drive) for op, drive in zip(laid.operations, laid.drives, strict=True) if op.day == day]
    score = judge(farm, before, jobs)
    until = run_field(farm, farm.scenarios["base"], field, replace(COARSE, last=day)).summary
    eve = run_field(farm, farm.scenarios["base"], field, replace(COARSE, last=day - dt.timedelta(days=1))).summary
    for weight, summary in ((score.after, until), (score.before, eve)):
        everywhere = next(row for row in summary.rows if row["zone"] == "all")
        assert weight.deep_ha == pytest.approx(summary.lasting_ha, abs=1e-9)
        assert weight.wheeled_pct == pytest.approx(everywhere["wheeled_pct"], abs=1e-3)
        assert weight.depth_reached_m == pytest.approx(everywhere["depth_reached_m_p95"], abs=0.0021)
        for row in summary.rows:
            if row["zone"] != "route":
                assert weight.traffic_t_km_ha[row["zone"]] == pytest.approx(row["traffic_t_km_ha"], rel=1e-3, abs=1e-3)
    assert score.deep_more_ha == pytest.approx(until.lasting_ha - eve.lasting_ha, abs=1e-9)
    assert score.lasting_more_ha >= 0
    alone = run_field(farm, farm.scenarios["base"], field, replace(COARSE, first=day, last=day)).summary
    assert score.job_wheeled_pct == pytest.approx(
        next(row["wheeled_pct"] for row in alone.rows if row["zone"] == "all"), abs=1e-3
    )
    assert score.job_traffic_t_km_ha["all"] == pytest.approx(
        next(row["traffic_t_km_ha"] for row in alone.rows if row["zone"] == "all"), rel=1e-3
    )


def test_nothing_driven_adds_nothing(farm, split):
    *_, before = split
    score = judge(farm, before, [])
    assert score.after == score.before and score.deep_more_ha == 0 and score.job_wheeled_pct == 0
