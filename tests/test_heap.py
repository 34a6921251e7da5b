"""A heap in the field draws its loader and its lorries: counts and ways by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm

from trafficplan.chain import Plan
from trafficplan.cli.asked_spread import asked_of
from trafficplan.decide.spread import baseline, judged
from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm
from trafficplan.names import ROAD
from trafficplan.whatif import season_before

ASKED = {
    "outfit": "spreader", "rate": "12t/ha", "job": "manure", "load_t": None, "date": "2026-10-20", "soil": "moulds",
    "surface": None, "gateway": [], "fill_at": "yard", "fill_min": None, "loader": None, "brought_by": None,
    "heading_deg": None, "off_tramlines": False, "keep": ["overhead_line:1", "well:1"], "hours": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def farm():
    return read_farm(sample_farm())


def middle(farm, name):
    centre = farm.fields[name].polygon.representative_point()
    return f"heap@{centre.x:.1f},{centre.y:.1f}", (round(centre.x, 1), round(centre.y, 1))


def test_buckets_and_lorries_carry_what_is_spread(farm):
    place, xy = middle(farm, "Yard Field")
    job = asked_of(
        farm, sample_farm(), "Yard Field", {**ASKED, "fill_at": place, "loader": "spreader", "brought_by": "slurry"}
    )
    assert job.spread_on is not None
    need = 1.2 * job.spread_on.area
    lorries, loader = job.also
    assert lorries[1].trips == math.ceil(need / 14000) and loader[1].trips == math.ceil(need / 9000)
    # the loader goes 12 m out and back for every bucket
    steps = np.hypot(*np.diff(loader[1].xy, axis=0).T)
    assert steps.sum() == pytest.approx(24.0 * loader[1].trips, rel=1e-3)
    full = loader[1].load_kg[:-1] > 0
    assert (steps * full).sum() == pytest.approx(12.0 * loader[1].trips, rel=1e-2)
    # every lorry comes to the heap and leaves
    near = np.hypot(*(lorries[1].xy - np.array(xy)).T) < 12.0
    assert np.sum(np.diff(near.astype(int)) == 1) == lorries[1].trips
    assert (lorries[1].leg == ROAD).any() and lorries[1].load_kg.max() == 14000
    assert any("buckets" in note.value for note in job.notes)


def test_a_heap_with_its_lorries_costs_more_than_the_heap_alone(farm):
    place, _ = middle(farm, "Yard Field")
    job = asked_of(farm, sample_farm(), "Yard Field", {**ASKED, "fill_at": place, "brought_by": "slurry"})
    before = season_before(farm, farm.scenarios["base"], job.field, Plan(cell=4.0), job.operation.day)
    both = judged(job, before, baseline(job))
    alone = judged(replace(job, also=()), before, baseline(job))
    assert both.traffic_t_km_ha["all"] > alone.traffic_t_km_ha["all"] and both.lasting_ha >= alone.lasting_ha
    assert (both.hours, both.loads) == (alone.hours, alone.loads)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"loader": "spreader"}, "there is no heap"),
        ({"loader": "lodaer"}, "unknown name"),
        ({"brought_by": "plough", "fill_at": "heap"}, "carries nothing"),
    ],
)
def test_a_loader_without_a_heap_or_a_bucket_is_refused(farm, change, words):
    place, _ = middle(farm, "Yard Field")
    asked = {**ASKED, **change}
    if asked["fill_at"] == "heap":
        asked["fill_at"] = place
    with pytest.raises(InputError) as caught:
        asked_of(farm, sample_farm(), "Yard Field", asked)
    assert words in caught.value.problems[0].what
