"""The chain on the sample farm: grids, depths, refusals, warnings."""

from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm

from trafficplan.assess.limits import pressure_notes, surface_note
from trafficplan.chain import Plan, prepare, run_field
from trafficplan.errors import InputError
from trafficplan.farm.operation import Change, Scenario
from trafficplan.inputs.farm import read_farm
from trafficplan.names import depth_tag

COARSE = Plan(cell=4.0)


@pytest.fixture(scope="module")
def farm():
    return read_farm(sample_farm())


def test_all_scenarios_of_a_field_share_one_grid(farm):
    field = farm.fields["Oxbow"]
    grids = {prepare(farm, scenario, field, COARSE).grid for scenario in farm.scenarios.values()}
    assert len(grids) == 1


def test_depth_below_tillage_is_whole_centimetres_and_never_doubled(farm):
    field = replace(farm.fields["Oxbow"], tillage_depth_m=0.1524)
    laid = prepare(farm, farm.scenarios["base"], field, COARSE)
    assert 0.21 in laid.depths_m
    tags = [depth_tag(depth) for depth in laid.depths_m]
    assert len(set(tags)) == len(tags)
    same = prepare(farm, farm.scenarios["base"], replace(field, tillage_depth_m=0.15), COARSE)
    assert same.depths_m == (0.1, 0.2, 0.35, 0.5, 0.7, 1.0)


def test_spreading_on_closed_ground_is_refused_if_planned_and_told_if_recorded(farm):
    spreading = next(op for op in farm.operations if op.change == "empties")
    assert surface_note(spreading) is None
    with pytest.raises(InputError) as caught:
        surface_note(replace(spreading, surface="waterlogged"))
    assert "waterlogged" in caught.value.problems[0].found
    told = surface_note(replace(spreading, surface="frozen", drive="track:log.csv"))
    assert told is not None and told.kind == "warned" and "frozen" in told.value


def test_a_pressure_below_the_tyre_table_is_warned_of(farm):
    field = farm.fields["Road Field"]
    scenario = Scenario("soft", "too soft", (Change(outfits=("spreader",), pressures_pa={"*": 40e3}),))
    soft = [note for note in prepare(farm, scenario, field, COARSE).notes if "pressure of the" in note.what]
    assert soft and all("0.4 bar (6 psi)" in note.value and "below the tyre's table" in note.why for note in soft)
    plain = prepare(farm, farm.scenarios["base"], field, COARSE)
    assert not [note for note in plain.notes if "pressure of the" in note.what]
    assert pressure_notes(replace(farm, tyre_tables={}), plain.operations[0], plain.events[0].passes) == []


def test_a_scenario_that_overloads_is_refused_by_name(farm):
    scenario = Scenario("heavy", "heavy", (Change(outfits=("slurry",), load_kg=50e3),))
    with pytest.raises(InputError) as caught:
        run_field(farm, scenario, farm.fields["Heron Meadow"], COARSE)
    assert "heavy" in caught.value.problems[0].where and "50.0 t" in caught.value.problems[0].found


def test_a_season_without_operations_leaves_no_trace(farm):
    empty = replace(farm, operations=())
    result = run_field(empty, farm.scenarios["base"], farm.fields["Oxbow"], COARSE)
    summary = result.summary
    assert summary.wheeled_ha == 0 and summary.lasting_ha == 0 and summary.worst == () and summary.parts == ()
    inside = result.ground.inside
    assert all((result.stored.arrays[name][inside] == 0).all() for name in ("passes", "lasting", "ratio_50"))


@pytest.mark.parametrize("name", ["Oxbow", "Ditch Field", "Yard Field"])
def test_gateways_count_drives_in_and_out(farm, name):
    field = farm.fields[name]
    result = run_field(farm, farm.scenarios["base"], field, COARSE)
    laid = prepare(farm, farm.scenarios["base"], field, COARSE)
    # every trip goes in and out once: between one and two crossings of the boundary per trip and once per operation
    trips = sum(max(1, drive.trips) for drive in laid.drives)
    total = sum(result.summary.crossings.values())
    assert 2 * len(laid.drives) <= total <= 2 * trips + 2 * len(laid.drives)
    assert total % 2 == 0


def test_worst_place_tells_its_ratio_at_its_own_depth(farm):
    result = run_field(farm, farm.scenarios["base"], farm.fields["Mill Field"], COARSE)
    for place in result.summary.worst:
        stored = result.stored.arrays[f"ratio_{depth_tag(place.depth_m)}"][result.ground.inside]
        assert place.ratio <= float(np.max(stored)) * 0.0005 + 1e-6
        assert place.deepest_m >= place.depth_m or place.ratio <= 1
