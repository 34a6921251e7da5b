"""Logs told apart by field and road, and matched to operations."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import log_writers
import numpy as np
import pytest
from forage_farm import make_forage_farm
from shapely import box
from spoiled_farms import EAST, NORTH, write_good

from trafficplan.chain import Plan, prepare
from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, SoilPatch
from trafficplan.farm.operation import Log, Operation
from trafficplan.inputs.farm import read_farm
from trafficplan.routes.matching import Matched, match
from trafficplan.routes.outings import field_of_fixes

DAY = dt.date(2026, 5, 4)
NOON_S = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC).timestamp()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    """Two fields of 60 m with 80 m of road between them; one outfit."""
    farm = read_farm(write_good(tmp_path_factory.mktemp("matching") / "farm"))
    shapes = {"West": box(EAST, NORTH, EAST + 60, NORTH + 60), "East": box(EAST + 140, NORTH, EAST + 200, NORTH + 60)}
    fields = {key: Field(key, shape, "wheat", 0.2, None, (), ()) for key, shape in shapes.items()}
    soil = (SoilPatch(next(iter(farm.soil_units)), box(EAST - 99, NORTH - 99, EAST + 399, NORTH + 199)),)
    return replace(
        farm, fields=fields, soil_map=soil, operations=(), logs={}, scenarios={"base": farm.scenarios["base"]}
    )


def log(xy: list[tuple[float, float]], key: str = "day.csv", every_s: float = 2.0, start_s: float = NOON_S, **more):
    """Return a log through corners [m from the farm's corner], a fix each 4 m."""
    corners = np.array(xy, dtype=float) + (EAST, NORTH)
    points = [corners[:1]]
    for a, b in zip(corners[:-1], corners[1:], strict=True):
        count = max(1, round(float(np.hypot(*(b - a))) / 4.0))
        points.append(a + (b - a) * (np.arange(1, count + 1) / count)[:, None])
    x, y = np.concatenate(points).T
    columns = {name: value(x - EAST, y - NORTH) for name, value in more.items() if callable(value)}
    plain = {name: value for name, value in more.items() if not callable(value)}
    return Log(key, start_s + every_s * np.arange(len(x)), x, y, **columns, **plain)


UP_AND_DOWN = [(15, 5), (15, 55), (27, 55), (27, 5), (39, 5), (39, 55)]
BOTH = [*UP_AND_DOWN, (100, 55), *[(140 + x, y) for x, y in UP_AND_DOWN]]


def operation(key: str, field: str, **more) -> Operation:
    return Operation(key, 2, DAY, more.pop("start", None), field, "slurry", "spreader", **more)


def matched(farm: Farm, logs: list[Log], *operations: Operation) -> Matched:
    return match(replace(farm, logs={one.key: one for one in logs}, operations=operations))


def test_a_days_log_is_cut_by_fields_and_the_road(good: Farm) -> None:
    found = matched(good, [log(BOTH)], operation("a", "West"), operation("b", "East"))
    by_field = {one.field: one for one in found.outings}
    assert set(by_field) == {"West", "East", ""}
    # by hand: three bouts of 50 m and two steps of 12 m in each field; 15 m beyond the boundary still belongs to it
    for field in ("West", "East"):
        assert by_field[field].work_m + by_field[field].transport_m == pytest.approx(174 + 21 + 15, abs=25)
        assert by_field[field].work_m == pytest.approx(174, abs=30)
    whole = sum(one.work_m + one.transport_m for one in found.outings)
    assert whole == pytest.approx(3 * 50 * 2 + 4 * 12 + 61 + np.hypot(55, 50), abs=0.1)
    assert by_field[""].work_m == 0.0
    assert set(found.by_operation) == {"a", "b"} and not found.without_operation and not found.without_log


def test_the_cut_logs_are_the_drives(good: Farm) -> None:
    found = matched(good, [log(BOTH)], operation("a", "West"), operation("b", "East"))
    laid = prepare(found.farm, found.farm.scenarios["base"], found.farm.fields["West"], Plan(cell=1.0))
    (drive,) = laid.drives
    assert drive.xy[:, 0].max() < EAST + 80 and drive.xy[:, 0].min() > EAST
    assert laid.operations[0].drive == "track:day.csv, West 2026-05-04"


def test_flag_beats_flow_beats_speed(good: Farm) -> None:
    def flag(x, y):
        return (y > 29).astype(float)

    flagged = matched(good, [log(UP_AND_DOWN, working=flag)]).outings[0]
    assert flagged.work_m == pytest.approx(3 * 25 + 12, abs=10)
    flow = matched(good, [log(UP_AND_DOWN, flow_kg_s=lambda x, y: 3.0 * flag(x, y))]).outings[0]
    assert flow.work_m == pytest.approx(flagged.work_m)
    assert flow.mass_kg == pytest.approx(6.0 * flag(*np.array(UP_AND_DOWN).T).sum() / 6 * 46, rel=0.2)
    fast = matched(good, [log(UP_AND_DOWN, every_s=0.5)]).outings[0]  # 8 m/s
    assert fast.work_m == 0.0 and fast.transport_m == pytest.approx(174, abs=0.1)


def test_standing_is_told_from_driving(good: Farm) -> None:
    one = log(UP_AND_DOWN)
    time = one.time_s.copy()
    time[20:] += 600.0
    (outing,) = matched(good, [replace(one, time_s=time)]).outings
    assert outing.standing_s == pytest.approx(600, abs=5)
    assert outing.standing_s + outing.moving_s == pytest.approx(time[-1] - time[0])


def test_what_drove_without_an_operation_is_told_and_counted(good: Farm) -> None:
    found = matched(good, [log(BOTH)], operation("a", "West"))
    assert [one.field for one in found.without_operation] == ["East"]
    (key,) = found.added
    (made,) = [one for one in found.farm.operations if one.key == key]
    assert (made.field, made.outfit, made.job) == ("East", "spreader", "driven without an operation")
    assert any("drove in East without an operation" in note.what for note in found.notes)


def test_a_log_of_nobody_known_is_told_and_not_counted(good: Farm) -> None:
    two = replace(good, outfits={**good.outfits, "tanker": replace(good.outfits["spreader"], key="tanker")})
    found = matched(two, [log(UP_AND_DOWN)])
    assert len(found.without_operation) == 1 and not found.added and not found.farm.operations
    assert any("whose outfit" in note.why for note in found.notes)
    named = matched(two, [log(UP_AND_DOWN, "tanker-4-may.csv")])
    assert [one.outfit for one in named.outings] == ["tanker"]
    told = matched(two, [log(UP_AND_DOWN, outfit="tanker")])
    assert [one.outfit for one in told.outings] == ["tanker"]


def test_operations_without_a_log_are_listed_and_stay_planned(good: Farm) -> None:
    found = matched(good, [log(UP_AND_DOWN)], operation("a", "West"), operation("b", "East", rate_kg_m2=3.0))
    assert found.without_log == ("b",)
    drives = {one.key: one.drive for one in found.farm.operations}
    assert drives["b"] == "swaths" and drives["a"].startswith("track:")


def test_a_log_of_another_day_or_year_is_no_log_of_the_operation(good: Farm) -> None:
    before = log(UP_AND_DOWN, start_s=NOON_S - 365 * 86400)
    found = matched(good, [before], operation("a", "West"))
    assert found.without_log == ("a",) and len(found.without_operation) == 1
    named = matched(good, [before], operation("a", "West", drive="track:day.csv"))
    assert not named.without_log  # the operation says so itself


def test_work_past_midnight_belongs_to_the_evening(good: Farm) -> None:
    late = dt.datetime(2026, 5, 4, 20, 59, tzinfo=dt.UTC).timestamp()  # 23:59 in Vilnius
    found = matched(good, [log(UP_AND_DOWN, start_s=late)], operation("a", "West"))
    assert [one.day for one in found.outings] == [DAY] and "a" in found.by_operation


def test_two_jobs_of_a_day_are_told_apart_by_their_start(good: Farm) -> None:
    morning, evening = log(UP_AND_DOWN), log(UP_AND_DOWN, "later.csv", start_s=NOON_S + 7 * 3600)
    first, second = operation("a", "West", start=dt.time(11)), operation("b", "West", start=dt.time(18))
    found = matched(good, [morning, evening], first, second)
    assert {key: [one.log for one in group] for key, group in found.by_operation.items()} == {
        "a": ["day.csv"],
        "b": ["later.csv"],
    }


def test_two_logs_of_one_day_are_shared_by_two_operations_without_start_times(good: Farm) -> None:
    logs = [log(UP_AND_DOWN), log(UP_AND_DOWN, "later.csv", start_s=NOON_S + 3600)]
    jobs = operation("a", "West"), operation("b", "West")
    found = matched(good, logs, *jobs)
    assert {key: [one.log for one in group] for key, group in found.by_operation.items()} == {
        "a": ["day.csv"],
        "b": ["later.csv"],
    }
    assert not [note for note in found.notes if "counted twice" in note.why]
    alone = matched(good, logs[:1], *jobs)
    assert alone.without_log == ("b",)
    (note,) = [note for note in alone.notes if "counted twice" in note.why]
    assert note.what == "operation b: drive" and "went to a" in note.why


def test_two_machines_of_one_job_are_two_drives(good: Farm) -> None:
    second = log(UP_AND_DOWN, "second.csv")
    found = matched(good, [log(UP_AND_DOWN), replace(second, x=second.x + 3.0)], operation("a", "West"))
    assert [one.key for one in found.farm.operations] == ["a", "a (second.csv)"]
    after = log(UP_AND_DOWN, "second.csv", start_s=NOON_S + 3600)
    joined = matched(good, [log(UP_AND_DOWN), after], operation("a", "West"))
    assert [one.key for one in joined.farm.operations] == ["a"]


def test_a_recorded_tyre_pressure_counts_more_than_the_one_set(good: Farm) -> None:
    recorded = log(UP_AND_DOWN, pressure_pa=lambda x, _y: np.full(len(x), 0.8e5))
    found = matched(good, [recorded], operation("a", "West", pressures_pa={"trailer": 2e5}))
    assert found.farm.operations[0].pressures_pa == {"*": 0.8e5}
    assert any(note.value == "0.8 bar (12 psi)" for note in found.notes)
    one = matched(
        good, [replace(recorded, pressure_axle="rear")], operation("a", "West", pressures_pa={"trailer": 2e5})
    )
    assert one.farm.operations[0].pressures_pa == {"trailer": 2e5, "rear": 0.8e5}


def test_neighbours_that_touch_do_not_cut_a_bout(good: Farm) -> None:
    joined = replace(good.fields["East"], polygon=box(EAST + 60, NORTH, EAST + 200, NORTH + 60))
    over = [(15, 5), (57, 5), (61, 30), (57, 55), (15, 55)]  # one turn over the boundary
    found = matched(replace(good, fields={**good.fields, "East": joined}), [log(over)], operation("a", "West"))
    assert {one.field for one in found.outings} == {"West"}


def test_fields_of_fixes_are_those_of_plain_geometry(good: Farm) -> None:
    rng = np.random.default_rng(4)
    x, y = EAST + rng.uniform(-60, 260, 400), NORTH + rng.uniform(-60, 120, 400)
    fields = list(good.fields.values())
    where, inside = field_of_fixes(fields, x, y)
    for index, field in enumerate(fields):
        shape = field.polygon.bounds
        dx = np.maximum(np.maximum(shape[0] - x, x - shape[2]), 0)
        dy = np.maximum(np.maximum(shape[1] - y, y - shape[3]), 0)
        assert np.array_equal(where == index, np.hypot(dx, dy) <= 15.0)
        assert np.array_equal(inside & (where == index), np.hypot(dx, dy) == 0)


def test_logs_that_no_operation_names_are_read_on_request(tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    (folder / "tracks" / "spreader.csv").write_bytes(log_writers.csv(log_writers.drive()))
    (folder / "tracks" / "elsewhere.csv").write_text(
        "time,lon,lat\n2026-05-04T10:00:00Z,1,1\n2026-05-04T10:00:01Z,1,1\n"
    )
    assert set(read_farm(folder).logs) == {"harvest.tsv"}
    farm = read_farm(folder, every_log=True)
    assert set(farm.logs) == {"harvest.tsv", "spreader.csv"}
    assert any("elsewhere.csv: not used" in note.what and "touches no field" in note.why for note in farm.notes)
    assert match(farm).without_operation[0].log == "spreader.csv"


def test_farm_toml_says_whose_log_it_is(tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    (folder / "tracks" / "a.csv").write_bytes(log_writers.csv(log_writers.drive()))
    farm_toml = folder / "farm.toml"
    plain = farm_toml.read_text()
    farm_toml.write_text(plain + '\n[tracks."a.csv"]\noutfit = "spreader"\n')
    assert read_farm(folder, every_log=True).logs["a.csv"].outfit == "spreader"
    farm_toml.write_text(plain + '\n[tracks."a.csv"]\noutfit = "spreder"\n')
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    assert [one.what for one in caught.value.problems] == ["unknown outfit"]
    assert "write spreader" in caught.value.problems[0].mend


@pytest.mark.real
def test_forty_hours_of_a_contractor(open_data: Path, tmp_path: Path) -> None:
    """Facts of the publisher: 110.29 km along the fixes, 71.04 ha worked, 22.2 h, 19 fields with a task, 3,470.5 t.

    In the plane of UTM 32 lengths there are 0.99965 of those on the ellipsoid (110.25 of 110.29 km).
    """
    farm = read_farm(make_forage_farm(tmp_path / "farm", open_data), every_log=True)
    found = match(farm)
    assert len({one.field for one in found.outings} - {""}) == 19
    driven = sum(one.work_m + one.transport_m + one.jumped_m for one in found.outings) / 1e3
    assert driven / 0.99965 == pytest.approx(110.29, abs=0.02)
    assert sum(one.worked_m2 for one in found.outings) / 0.99965 / 1e4 == pytest.approx(71.04, abs=0.02)
    assert sum(one.moving_s + one.standing_s for one in found.outings) / 3600 == pytest.approx(22.2, abs=0.05)
    assert sum(one.mass_kg or 0.0 for one in found.outings) / 1e3 == pytest.approx(3470.5, rel=0.002)
    named = {one.key: one.field for one in farm.operations}
    assert {key: group[0].field for key, group in found.by_operation.items()} == named
    assert not found.without_log and not found.without_operation
    road = sum(one.work_m + one.transport_m + one.jumped_m for one in found.outings if not one.field) / 1e3
    assert 1.0 < road < 4.0
    assert sum(one.work_m for one in found.outings if not one.field) < 100.0


@pytest.mark.real
def test_one_log_of_all_forty_hours_falls_apart_into_the_same_fields(open_data: Path, tmp_path: Path) -> None:
    farm = read_farm(make_forage_farm(tmp_path / "farm", open_data), every_log=True)
    apart = match(farm)
    logs = sorted(farm.logs.values(), key=lambda one: one.time_s[0])
    names = ("time_s", "x", "y", "width_m", "working", "flow_kg_s", "record_s")
    one = Log("forty hours", **{name: np.concatenate([getattr(each, name) for each in logs]) for name in names})
    rows = {(op.field, op.day): replace(op, drive="swaths") for op in farm.operations}
    together = match(replace(farm, logs={one.key: one}, operations=tuple(rows.values())))

    def hectares(found: Matched) -> dict[str, float]:
        fields = {each.field for each in found.outings} - {""}
        return {key: sum(each.worked_m2 for each in found.outings if each.field == key) / 1e4 for key in fields}

    assert hectares(together) == pytest.approx(hectares(apart), abs=0.03)
    assert not together.without_operation
    assert set(together.without_log) <= {op.key for op in farm.operations}
