"""Trips that nobody logged: found by the mass that left a field, and estimated."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from forage_farm import make_forage_farm
from test_matching import BOTH, DAY, NOON_S, UP_AND_DOWN, good, log, operation  # noqa: F401 - good is a fixture

from trafficplan.chain import Plan, prepare
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.routes.copies import same_drive
from trafficplan.routes.matching import match
from trafficplan.routes.unlogged import same_time, with_unlogged


@pytest.fixture(scope="module")
def harvest(good: Farm) -> Farm:  # noqa: F811
    """A harvester without a hopper cut the western field: 46 records of 2 s with 30 kg/s."""
    cutter = replace(good.outfits["spreader"], key="cutter", capacity_kg=0.0, width_m=12.0)
    flow = log(UP_AND_DOWN, "cutter.csv", flow_kg_s=lambda x, _y: np.full(len(x), 30.0), record_s=None)
    job = replace(operation("cut", "West"), outfit="cutter", job="cut")
    return replace(
        good,
        outfits={"cutter": cutter, "trailer": replace(good.outfits["spreader"], key="trailer")},
        logs={flow.key: flow},
        operations=(job,),
    )


def test_trailers_beside_a_harvester_are_named_and_estimated(harvest: Farm) -> None:
    farm, missing, notes = with_unlogged(match(harvest))
    (one,) = missing
    whole = float(np.sum(harvest.logs["cutter.csv"].flow_kg_s)) * 2.0
    assert one.mass_kg == pytest.approx(whole, rel=0.05)
    made = farm.operations[-1]
    assert (made.key, made.change, made.outfit) == ("hauled beside cut", "fills", "trailer")
    # by hand: 90 % of 9 t a load
    assert made.load_kg == pytest.approx(8100.0) and one.loads == -(-one.mass_kg // 8100)
    assert made.rate_kg_m2 * one.worked_m2 == pytest.approx(one.mass_kg)
    assert "in no log" in notes[0].value and notes[0].kind == "assumed"


def test_an_estimated_haul_can_be_driven(harvest: Farm) -> None:
    farm, _, _ = with_unlogged(match(harvest))
    laid = prepare(farm, farm.scenarios["base"], farm.fields["West"], Plan(cell=2.0))
    assert [one.key for one in laid.operations] == ["cut", "hauled beside cut"]


def test_without_a_hauling_outfit_they_are_only_named(harvest: Farm) -> None:
    alone = replace(harvest, outfits={"cutter": harvest.outfits["cutter"]})
    farm, missing, notes = with_unlogged(match(alone))
    assert len(missing) == 1 and missing[0].operation == "" and len(farm.operations) == 1
    assert notes[0].kind == "warned" and "not in the maps" in notes[0].why


def test_haulage_that_is_there_is_not_missing(harvest: Farm) -> None:
    chase = replace(operation("chase", "West"), outfit="trailer", change="fills", rate_kg_m2=3.0)
    there = replace(harvest, operations=(*harvest.operations, chase))
    assert with_unlogged(match(there))[1] == ()


def test_one_drive_under_two_names_is_told(good: Farm) -> None:  # noqa: F811
    two = replace(good, outfits={**good.outfits, "tanker": replace(good.outfits["spreader"], key="tanker")})
    first, second = log(BOTH, outfit="spreader"), log(BOTH, "copy.csv", outfit="tanker")
    both = replace(two, logs={"day.csv": first, "copy.csv": second})
    notes = same_drive(both, match(both).outings)
    assert len(notes) == 2 and all("cannot stand in one place" in note.why for note in notes)
    beside = replace(both, logs={"day.csv": first, "copy.csv": replace(second, x=second.x + 4.0)})
    assert not same_drive(beside, match(beside).outings)


def test_a_copy_of_a_log_is_left_out_and_told(good: Farm) -> None:  # noqa: F811
    """The same drive under two names, and its second half once more: the longer log counts, and once."""
    whole = log(BOTH, outfit="spreader")
    half = slice(whole.rows // 2, None)
    part = replace(
        whole,
        key="half.csv",
        rows=whole.rows - whole.rows // 2,
        time_s=whole.time_s[half],
        x=whole.x[half],
        y=whole.y[half],
    )
    alone = match(replace(good, logs={"day.csv": whole}))
    logs = {"a day.csv": replace(whole, key="a day.csv"), "day.csv": whole, "half.csv": part}
    found = match(replace(good, logs=logs))
    assert [one.log for one in found.outings] == [one.log for one in alone.outings]
    assert [one.key for one in found.farm.operations] == [one.key for one in alone.farm.operations]
    told = {note.what: note.value for note in found.notes if "left out" in note.what}
    assert told == {"log a day.csv: left out": "as log day.csv", "log half.csv: left out": "as log day.csv"}
    named = replace(operation("mine", "West"), drive="track:a day.csv")
    kept = match(replace(good, logs=logs, operations=(named,)))
    assert {one.log for one in kept.outings} == {"a day.csv"}


def test_one_outfit_in_two_fields_at_once_is_told() -> None:
    first, second = operation("a", "West", start=dt.time(8)), operation("b", "East", start=dt.time(8))
    (note,) = same_time((first, second))
    assert "a and b" in note.what and "two places" in note.why
    assert not same_time((first, replace(second, start=dt.time(9))))


def test_one_job_written_twice_is_told() -> None:
    first = operation("a", "West", start=dt.time(8))
    (note,) = same_time((first, replace(first, key="b", row=3)))
    assert note.value.startswith("twice in West") and "written twice" in note.why


def test_logs_of_another_year_are_told_and_left_out(good: Farm) -> None:  # noqa: F811
    old = log(UP_AND_DOWN, "old.csv", start_s=NOON_S - 365 * 86400)
    farm = replace(good, logs={"old.csv": old, "day.csv": log(UP_AND_DOWN)})
    found = match(farm, years=(DAY.year,))
    assert [one.log for one in found.added.values()] == ["day.csv"]
    assert any("old.csv: of another year" in note.what and note.value == "2025-05-04" for note in found.notes)


@pytest.mark.real
def test_the_trailers_of_a_real_harvest_are_named_as_missing(open_data: Path, tmp_path: Path) -> None:
    """Fact: the 3,470 t left in trailers that ran beside the harvester and are not in the logs."""
    farm = read_farm(make_forage_farm(tmp_path / "farm", open_data), every_log=True)
    _, missing, notes = with_unlogged(match(farm))
    assert sum(one.mass_kg for one in missing) / 1e3 == pytest.approx(3470.5, rel=0.003)
    assert {one.field for one in missing} == set(farm.fields) - {"PFD-10", "PFD-11"} or len(
        {one.field for one in missing}
    ) == 19
    assert all(note.kind == "warned" and "in no log" in note.value for note in notes)
