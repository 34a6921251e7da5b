"""Operations on their own: a season is the highest of them, left out or changed as if run again."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box
from spoiled_farms import EAST, NORTH, write_good

from trafficplan.assess.share import counts_by_zone, expected_ha, likely_ha, shares
from trafficplan.chain import Plan, prepare, run_field
from trafficplan.decide.alone import as_it_was, bench_of, lasting_of, own_of, season_with
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, SoilPatch
from trafficplan.farm.operation import Moisture, Operation
from trafficplan.inputs.farm import read_farm

PLAN = Plan(cell=1.0)
SMEARS = Moisture(5e3, 5e3, "smears")


def job(key: str, day: int, **more) -> Operation:
    return Operation(key, 2, dt.date(2026, 4, day), None, "Park", more.pop("job", key), "spreader", **more)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    """One field of 60 m on two soils, nothing done in it."""
    farm = read_farm(write_good(tmp_path_factory.mktemp("alone") / "farm"))
    field = Field("Park", box(EAST, NORTH, EAST + 60, NORTH + 60), "wheat", 0.2, 6.0, (), ())
    a, b = sorted(farm.soil_units)[:2]
    soil = (
        SoilPatch(a, box(EAST - 99, NORTH - 99, EAST + 25, NORTH + 199)),
        SoilPatch(b, box(EAST + 25, NORTH - 99, EAST + 199, NORTH + 199)),
    )
    return replace(farm, fields={"Park": field}, soil_map=soil, operations=(), logs={})


@pytest.fixture(scope="module")
def farm(plain: Farm) -> Farm:
    jobs = (
        job("light", 1, load_kg=2e3),
        job("wet", 3, moisture=SMEARS),
        job("plough", 10, till_depth_m=0.3, load_kg=0.0),
        job("after", 20, heading_deg=90.0, load_kg=5e3),
    )
    return replace(plain, operations=jobs)


def rerun(farm: Farm) -> np.ndarray:
    result = run_field(farm, farm.scenarios["base"], farm.fields["Park"], PLAN)
    return result.stored.arrays["lasting"][result.ground.inside]


def bench(farm: Farm):
    known = {}
    return bench_of(farm, prepare(farm, farm.scenarios["base"], farm.fields["Park"], PLAN, known), known)


def test_a_season_is_the_highest_of_its_operations(farm: Farm) -> None:
    one = bench(farm)
    assert np.array_equal(lasting_of(one, as_it_was(one)), rerun(farm))


@pytest.mark.parametrize("left_out", ["light", "wet", "plough", "after"])
def test_left_out_gives_the_bytes_of_the_season_run_again(farm: Farm, left_out: str) -> None:
    """Without the plough, the job after it meets firmer soil: that, too, is as if run again."""
    one = bench(farm)
    rest = tuple(op for op in farm.operations if op.key != left_out)
    assert np.array_equal(lasting_of(one, season_with(one, rest)), rerun(replace(farm, operations=rest)))


def test_changed_operations_give_the_bytes_of_the_season_run_again(farm: Farm) -> None:
    one = bench(farm)
    light, wet, plough, after = farm.operations
    changed = (
        light,
        replace(plough, day=dt.date(2026, 4, 2)),
        replace(wet, load_kg=4e3, pressures_pa={"trailer": 0.8e5}),
        replace(after, moisture=SMEARS, heading_deg=0.0),
    )
    assert np.array_equal(lasting_of(one, season_with(one, changed)), rerun(replace(farm, operations=changed)))


def test_leaving_out_every_operation_gives_an_empty_map(farm: Farm) -> None:
    one = bench(farm)
    nothing = lasting_of(one, season_with(one, ()))
    assert not nothing.any()
    assert np.array_equal(nothing, rerun(replace(farm, operations=())))


def test_operations_that_stay_as_they_were_are_computed_once(farm: Farm) -> None:
    one = bench(farm)
    lasting_of(one, as_it_was(one))
    assert len(one.known) == 4
    lasting_of(one, season_with(one, farm.operations[:2]))
    assert len(one.known) == 4


def test_two_equal_jobs_on_the_same_lines_are_both_shared(plain: Farm) -> None:
    twice = replace(plain, operations=(job("first", 3, moisture=SMEARS), job("second", 4, moisture=SMEARS)))
    one = bench(twice)
    own = [own_of(one, event) for event in one.laid.events]
    cell_ha = one.laid.grid.cell_ha
    first, second = shares([each.lasting for each in own], cell_ha)
    whole = likely_ha(sum(counts_of(one, rerun(twice)).values()), cell_ha)
    assert whole > 0.05
    for mine, other in ((first, 1), (second, 0)):
        assert mine.alone_ha == 0.0
        assert mine.shared_ha == pytest.approx(whole)
        assert mine.shared_with == ((other, pytest.approx(whole)),)
    for rest in twice.operations:  # leaving out either alone changes nothing
        assert np.array_equal(lasting_of(one, season_with(one, (rest,))), rerun(twice))


def counts_of(one, lasting: np.ndarray) -> dict[str, np.ndarray]:
    ground = one.laid.ground
    layer = np.zeros(ground.inside.shape, np.uint16)
    layer[ground.inside] = lasting
    return counts_by_zone(layer, ground)


def test_own_traffic_adds_up_to_that_of_the_season(farm: Farm) -> None:
    one = bench(farm)
    result = run_field(farm, farm.scenarios["base"], farm.fields["Park"], PLAN)
    each = [own_of(one, event) for event in one.laid.events]
    rows = {row["zone"]: row for row in result.summary.rows}
    for zone in ("headland", "infield"):
        total = sum(own.traffic_t_km[zone] for own in each)
        assert total == pytest.approx(rows[zone]["traffic_t_km_ha"] * rows[zone]["area_ha"], rel=1e-6)
    assert (
        sum(own.wheeled_ha["infield"] for own in each)
        >= rows["infield"]["wheeled_pct"] / 100 * rows["infield"]["area_ha"]
    )


layers = st.lists(st.lists(st.integers(0, 10000), min_size=5, max_size=5), min_size=1, max_size=5)


@given(layers)
@settings(max_examples=50, deadline=None, derandomize=True)
def test_alone_and_shared_add_up(rows: list[list[int]]) -> None:
    own = [np.array(row, np.uint16) for row in rows]
    told = shares(own, 1.0)
    likely = np.max(own, axis=0) >= 5000
    causes = np.sum([row >= 5000 for row in own], axis=0)
    assert sum(one.alone_ha for one in told) == (causes == 1).sum()
    assert sum(one.alone_ha for one in told) + (causes > 1).sum() == likely.sum()
    for one in told:
        assert one.own_ha == one.alone_ha + one.shared_ha
        assert all(0 < ha <= one.shared_ha for _, ha in one.shared_with)


def test_expected_hectares_fall_when_the_soil_is_stronger() -> None:
    counts = np.bincount([0, 2000, 5000, 8000], minlength=10001)
    weak, told, strong = (expected_ha(counts, 1.0, factor) for factor in (1 / 1.5, 1.0, 1.5))
    assert weak > told > strong > 0
    assert told == pytest.approx(1.5)
