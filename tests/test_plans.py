"""A drive written down: the same bytes, the same drive, the same zones; and a plan taken into the farm folder."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS
from spoiled_farms import CRS as FARM_CRS
from spoiled_farms import OPERATIONS, write_good

from trafficplan.chain import Plan, drive_of, run_field
from trafficplan.farm.operation import DrivePlan
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.plans import as_written, plan_text, read_plan, write_plan
from trafficplan.names import HAUL, ROAD, WORK
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.written import drive_of_plan, plan_of

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
    field, job = farm.fields["Park"], farm.operations[0]
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
    job, outfit = farm.operations[0], farm.outfits["spreader"]
    plan = as_written(plan_of(plan_drive(farm.fields["Park"], job, outfit, farm.tracks, farm.places), "south"))
    assert float(plan.load_kg.max()) == 9000.0
    assert drive_of_plan(plan, job, outfit).notes == ()
    (note,) = drive_of_plan(plan, replace(job, load_kg=6000.0), outfit).notes
    assert note.kind == "warned" and note.value == "9.00 t" and "6.00 t" in note.why
