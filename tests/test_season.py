"""Order of the season, scenarios laid over it, tillage that comes next, defaults."""

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from spoiled_farms import write_good

from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Change, Moisture, Operation, Scenario
from trafficplan.farm.season import apply_scenario, next_tillage_depth, order, tillage_depth
from trafficplan.inputs.farm import read_farm


def job(
    key: str, day: int, row: int, start: dt.time | None = None, till: float = 0.0, field: str = "Park"
) -> Operation:
    return Operation(key, row, dt.date(2026, 4, day), start, field, "work", "spreader", till_depth_m=till)


def field(tillage: float) -> Field:
    return Field("Park", None, "maize", tillage, None, (), ())  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    return read_farm(write_good(tmp_path_factory.mktemp("season") / "farm"))


def scenario(**change: object) -> Scenario:
    return Scenario("try", "Try", (Change(**change),))  # type: ignore[arg-type]


def test_order_is_day_then_start_then_row() -> None:
    late, early = job("late", 2, 2, dt.time(15)), job("early", 2, 3, dt.time(7))
    untimed, before = job("untimed", 2, 5), job("before", 1, 9, dt.time(23))
    assert [one.key for one in order([late, early, untimed, before])] == [
        "before",
        "untimed",
        "early",
        "late",
    ]
    twins = [job("b", 2, 7, dt.time(7)), job("a", 2, 6, dt.time(7))]
    assert [one.key for one in order(twins)] == ["a", "b"]


@given(st.permutations([job(str(i), 1 + i % 3, i, dt.time(i % 5)) for i in range(8)]))
def test_order_does_not_depend_on_where_it_starts(jobs: list[Operation]) -> None:
    assert order(jobs) == order(reversed(jobs))


def test_base_changes_nothing(farm: Farm) -> None:
    assert apply_scenario(farm, farm.scenarios["base"]) == farm.operations


def test_only_the_selected_operations_change(farm: Farm) -> None:
    slurry, plough, harvest = apply_scenario(farm, farm.scenarios["lighter"])
    assert slurry.load_kg == pytest.approx(6300.0)  # 0.7 x capacity 9 t
    assert slurry.pressures_pa == {"trailer": 100e3}
    assert (plough, harvest) == farm.operations[1:]


def test_load_factor_multiplies_the_rows_own_load(farm: Farm) -> None:
    changed = apply_scenario(farm, scenario(operations=("3",), load_factor=0.5))
    assert changed[2].load_kg == pytest.approx(4500.0)  # 0.5 x 9 t given in the row


def test_changes_act_one_after_the_other(farm: Farm) -> None:
    twice = Scenario("try", "Try", (Change(load_factor=0.5), Change(operations=("3",), load_factor=0.5)))
    changed = apply_scenario(farm, twice)
    assert [one.load_kg for one in changed] == pytest.approx([4500.0, 4500.0, 2250.0])


def test_pressure_for_all_axles_replaces_those_of_single_ones(farm: Farm) -> None:
    assert apply_scenario(farm, scenario(operations=("2",), pressures_pa={"*": 90e3}))[1].pressures_pa == {"*": 90e3}
    kept = apply_scenario(farm, scenario(operations=("2",), pressures_pa={"rear": 70e3}))[1].pressures_pa
    assert kept == {"front": 100e3, "rear": 70e3}


def test_another_day_moves_the_operation_in_the_order(farm: Farm) -> None:
    moved = apply_scenario(farm, scenario(operations=("1",), day=dt.date(2026, 11, 1)))
    assert [one.key for one in moved] == ["2", "3", "1"]


def test_moisture_gateway_and_outfit_are_replaced(farm: Farm) -> None:
    wet = Moisture(5e3, 5e3, "smears")
    changed = apply_scenario(farm, scenario(fields=("Park",), moisture=wet))
    assert {one.moisture for one in changed} == {wet}
    other = apply_scenario(farm, scenario(operations=("2",), outfit="other"))[1]
    assert (other.outfit, other.pressures_pa, other.load_kg) == ("other", {}, None)


def test_next_tillage_counts_the_operations_own() -> None:
    jobs = [
        job("spread", 1, 2),
        job("cultivate", 2, 3, till=0.1),
        job("plough", 3, 4, till=0.25),
        job("roll", 4, 5),
    ]
    depths = [next_tillage_depth(field(0.2), jobs, one) for one in jobs]
    assert depths == [0.1, 0.1, 0.25, 0.2]  # after the last one: what regularly follows
    assert next_tillage_depth(field(math.nan), jobs, jobs[3]) == 0.0


def test_tillage_of_other_fields_does_not_count() -> None:
    jobs = [job("spread", 1, 2), job("plough", 3, 4, till=0.25, field="Long Acre")]
    assert next_tillage_depth(field(0.0), jobs, jobs[0]) == 0.0
    assert tillage_depth(field(math.nan), jobs)[0] == 0.0


def test_tillage_depth_given_needs_no_note_and_else_has_one() -> None:
    jobs = [job("cultivate", 2, 3, till=0.1), job("plough", 3, 4, till=0.25)]
    assert tillage_depth(field(0.2), jobs) == (0.2, None)
    depth, note = tillage_depth(field(math.nan), jobs)
    assert depth == 0.25 and note is not None and note.kind == "assumed"
    depth, note = tillage_depth(field(math.nan), [])
    assert depth == 0.0 and note is not None and "repairable" in note.why


@pytest.mark.parametrize("key", sorted(defaults.DEFAULTS))
def test_each_default_has_value_unit_reason_and_note(key: str) -> None:
    default = defaults.DEFAULTS[key]
    note = defaults.note(key, "thing")
    assert note.kind == "assumed" and note.source == "common practice, no source"
    assert note.value and note.why and note.what.startswith("thing: ")
    if not isinstance(default.value, str):
        assert default.low <= default.value <= default.high
        assert defaults.number(key, {key: default.low}) == default.low


def test_densities_are_found_by_the_words_of_the_job() -> None:
    """Values: common practice, no source."""
    found = {words: defaults.density_key(words) for words in ("Slurry on rape", "poultry manure", "manure", "rolling")}
    values = [None if key is None else defaults.number(key) for key in found.values()]
    assert values == [1.0, 0.5, 0.7, None]


def test_constants_agree_with_the_table() -> None:
    assert defaults.word("moisture") == "moulds"
