"""A drive written down: the same bytes, the same drive, the same zones; and a plan taken into the farm folder."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS
from spoiled_farms import CRS as FARM_CRS
from spoiled_farms import OPERATIONS, write_good

from trafficplan.chain import Plan, drive_of, run_field
from trafficplan.errors import InputError
from trafficplan.farm.operation import Change, DrivePlan, Operation, Scenario
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.plans import as_written, plan_text, read_plan, write_plan
from trafficplan.inputs.taken import add_operation
from trafficplan.names import HAUL, ROAD, WORK
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.written import drive_of_plan, plan_of
from trafficplan.work.part import part_of

ARRAYS = ("xy", "time_s", "load_kg", "leg", "furrow")


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    return read_farm(write_good(tmp_path_factory.mktemp("plans") / "farm"))


def small_plan() -> DrivePlan:
    xy = np.array(
        [[500010.00049, 6100010.0], [500020.1234567, 6100010.9999], [500030.0, 6100011.0], [500030.0001, 6100011.0]]
    )
    return DrivePlan(
        "a", xy, np.array([0.0, 1.00049, 2.0005, 2.001]), np.array([9000.0004, 8999.9996, 10.1, 0.0]),
        np.array([WORK, HAUL, ROAD, ROAD], dtype=np.int8), np.array([0, 1, -1, 0], dtype=np.int8), 12.0004, 3, 10.1, 0.2,
    )  # fmt: skip


def in_swaths(farm) -> Operation:
    """The job of the good farm in swaths: its tramlines are not made for the outfit's width."""
    return replace(farm.operations[0], drive="swaths")


def same(one, other) -> bool:
    return all(getattr(one, name).tobytes() == getattr(other, name).tobytes() for name in ARRAYS)


def test_a_plan_is_kept_to_the_millimetre_and_the_gram():
    kept = as_written(small_plan())
    assert kept.xy.tolist() == [[500010.0, 6100010.0], [500020.123, 6101000.0 - 989.0], [500030.0, 6100011.0]]
    assert kept.time_s.tolist() == [0.0, 1.0, 2.001]
    assert kept.load_kg.tolist() == [9000.0, 9000.0, 0.0]
    assert kept.leg.tolist() == [WORK, HAUL, ROAD] and kept.furrow.tolist() == [0, 1, 0]
    assert same(as_written(kept), kept)


def test_what_is_read_is_what_was_written(tmp_path: Path):
    path = tmp_path / "a.csv"
    write_plan(path, small_plan(), FARM_CRS)
    ledger = Ledger(tmp_path)
    read = read_plan(ledger, path, CRS(FARM_CRS))
    assert not ledger.problems and read is not None
    assert same(read, as_written(small_plan()))
    assert (read.width_m, read.trips, read.worked_m2, read.unworked_m2) == (12.0, 3, 10.1, 0.2)
    assert plan_text(read, FARM_CRS) == path.read_text()
    assert list(ledger.inputs) == ["a.csv"]


def test_a_written_plan_gives_the_same_zones(farm, tmp_path: Path):
    """Judged before it is written, and read from the farm folder: equal to the last digit."""
    field, job = farm.fields["Park"], in_swaths(farm)
    planned = plan_drive(field, job, farm.outfits[job.outfit], farm.tracks, farm.places)
    written = as_written(plan_of(planned, "south"))
    lone = replace(job, drive="plan:south")
    judged = replace(farm, operations=(lone,), plans={"south": written})
    folder = write_good(tmp_path / "farm")
    (folder / "plans").mkdir()
    write_plan(folder / "plans/south.csv", written, farm.crs)
    rows = OPERATIONS.splitlines()
    (folder / "operations.csv").write_text("\n".join([rows[0], rows[1].replace("tramlines", "plan:south"), ""]))
    (folder / "scenarios.toml").unlink()
    again = read_farm(folder)
    assert "plans/south.csv" in again.inputs
    assert same(drive_of(again, field, again.operations[0], {}), drive_of_plan(written, lone, farm.outfits["spreader"]))
    coarse = Plan(cell=2.0, depths_m=(0.35, 0.5))
    rows = [run_field(one, one.scenarios["base"], one.fields["Park"], coarse).summary.rows for one in (judged, again)]
    assert rows[0] == rows[1] and len(rows[0]) > 4


def test_a_plan_says_that_another_load_needs_another_plan(farm):
    job, outfit = in_swaths(farm), farm.outfits["spreader"]
    plan = as_written(plan_of(plan_drive(farm.fields["Park"], job, outfit, farm.tracks, farm.places), "south"))
    assert float(plan.load_kg.max()) == 9000.0
    assert drive_of_plan(plan, job, outfit).notes == ()
    (note,) = drive_of_plan(plan, replace(job, load_kg=6000.0), outfit).notes
    assert note.kind == "warned" and note.value == "9.00 t" and "6.00 t" in note.why


ROW = {
    "id": "spread-park",
    "date": "2026-03-21",
    "field": "Park",
    "job": "slurry",
    "outfit": "spreader",
    "rate": "30 m3/ha",
    "load": "9 t",
    "change": "empties",
    "pressure": "front:0.9;rear:0.9;trailer:1.2",
    "gateway": "South gate",
    "till_depth_m": "0.12",
}
SCENARIO = '[dry]\ntitle = "A dry day"\n  [[dry.change]]\n  operations = ["spread-park"]\n  moisture = "crumbles"\n'
TABLE = (
    "# kept by hand\r\n"
    'OP,date,"field",job,outfit,rate,load,change,drive,gateway,DEPTH,note\r\n'
    '1,2026-03-20,Park,slurry,spreader,30 m3/ha,,empties,tramlines,South gate,,"Köln, two\r\n# lines"\r\n'
    "#2,2026-03-22,Park,slurry,spreader,30 m3/ha,,empties,tramlines,South gate,,\r\n"
    "\r\n"
    "3,2026-03-24,Park,slurry,spreader,20 m3/ha,,empties,tramlines,,15,"
)
COLUMNS = '\n[columns.operations]\nid = "OP"\ntill_depth_m = { column = "DEPTH", unit = "cm" }\n'


def files_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def park_plan(farm) -> DrivePlan:
    job = in_swaths(farm)
    drive = plan_drive(farm.fields["Park"], job, farm.outfits["spreader"], farm.tracks, farm.places)
    return as_written(plan_of(drive, "spread-park"))


@pytest.fixture
def by_hand(tmp_path: Path) -> Path:
    """The good farm with a table of operations as people keep it: comments, own columns, cp1252, no last line end."""
    folder = write_good(tmp_path / "farm")
    (folder / "scenarios.toml").unlink()
    (folder / "operations.csv").write_bytes(TABLE.encode("cp1252"))
    told = (folder / "farm.toml").read_text().replace('[tracks."', COLUMNS + '\n[tracks."')
    (folder / "farm.toml").write_text(told)
    return folder


def test_a_plan_taken_is_one_more_row_and_nothing_else_changes(farm, by_hand: Path):
    before = files_of(by_hand)
    plan = park_plan(farm)
    taken = add_operation(by_hand, read_farm(by_hand), ROW, plan, SCENARIO)
    after = files_of(by_hand)
    assert {name for name in after if after[name] != before.get(name)} == {
        "operations.csv", "plans/spread-park.csv", "scenarios.toml"
    }  # fmt: skip
    lines = after["operations.csv"].decode("cp1252").split("\r\n")
    assert lines[0] == "# kept by hand"
    assert lines[1] == 'OP,date,"field",job,outfit,rate,load,change,drive,gateway,DEPTH,note,pressure'
    assert lines[2:4] == [TABLE.split("\r\n")[2], '# lines",']
    assert lines[4:6] == TABLE.split("\r\n")[4:6]
    assert lines[6] == "3,2026-03-24,Park,slurry,spreader,20 m3/ha,,empties,tramlines,,15,,"
    assert lines[7] == (
        "spread-park,2026-03-21,Park,slurry,spreader,30 m3/ha,9 t,empties,plan:spread-park,South gate,12,,"
        "front:0.9;rear:0.9;trailer:1.2"
    )
    assert lines[8:] == [""]
    again = read_farm(by_hand)
    assert [one.key for one in again.operations] == ["1", "spread-park", "3"]
    assert again.operations[1] == taken and taken.till_depth_m == pytest.approx(0.12)
    assert same(again.plans["spread-park"], plan)
    assert again.scenarios["dry"].changes[0].operations == ("spread-park",)


@pytest.mark.parametrize(
    ("row", "scenario", "what", "where"),
    [
        ({**ROW, "id": "1"}, "", "an operation of this id is there already", "operations.csv"),
        ({**ROW, "rate": "30"}, "", "an amount without its unit", "operations.csv, row 8, column rate"),
        ({**ROW, "gateway": "East gate"}, "", "no such gateway", "operations.csv, row 8, column gateway"),
        ({**ROW, "fixed_because": "Łódź"}, "", "a letter that the file cannot hold", "operations.csv"),
        (ROW, SCENARIO.replace("spread-park", "spread"), "unknown operation", "scenarios.toml, scenario dry"),
        (ROW, "[dry]\ntitle = ", "not valid TOML", "scenarios.toml"),
    ],
)
def test_what_would_not_be_read_is_not_written(farm, by_hand: Path, row, scenario, what, where):
    before = files_of(by_hand)
    with pytest.raises(InputError) as caught:
        add_operation(by_hand, read_farm(by_hand), row, park_plan(farm), scenario)
    assert [one for one in caught.value.problems if what in one.what and where in one.where], caught.value
    assert not [one for one in caught.value.problems if ".new" in one.sentence()]
    assert files_of(by_hand) == before and not (by_hand / "plans").exists()


def test_a_plan_of_the_same_name_is_not_overwritten(farm, by_hand: Path):
    add_operation(by_hand, read_farm(by_hand), ROW, park_plan(farm))
    before = files_of(by_hand)
    with pytest.raises(InputError, match="a plan of this name is there already"):
        add_operation(by_hand, read_farm(by_hand), {**ROW, "id": "second"}, park_plan(farm))
    assert files_of(by_hand) == before


def test_a_farm_without_operations_gets_its_first(farm, tmp_path: Path):
    folder = write_good(tmp_path / "farm")
    (folder / "scenarios.toml").unlink()
    (folder / "operations.csv").write_text("id,date,field,job,outfit\n")
    taken = add_operation(folder, read_farm(folder), ROW, park_plan(farm))
    assert read_farm(folder).operations == (taken,)


def test_a_fields_part_of_the_farm_holds_the_plans_of_its_scenarios(farm):
    now, advised, other = (replace(park_plan(farm), key=key) for key in ("now", "advised", "other"))
    job = replace(farm.operations[0], drive="plan:now")
    scenario = Scenario("advised", "", (Change(operations=(job.key,), drive="plan:advised"),))
    whole = replace(
        farm,
        operations=(job,),
        plans={one.key: one for one in (now, advised, other)},
        scenarios={**farm.scenarios, "advised": scenario},
    )
    assert set(part_of(whole, "Park", ["advised"]).plans) == {"now", "advised"}
    assert set(part_of(whole, "Park", []).plans) == {"now"}
