"""ISO 11783-10: a real forage harvest with the facts of its publisher, and sets written here."""

import datetime as dt
import struct
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from forage_farm import CRS, boundaries, make_forage_farm, tasks
from log_writers import (
    DAYS_1980,
    START_S,
    TLG_HEADER,
    drive,
    main_xml,
    records,
    taskdata,
    use,
)
from pyproj import Geod
from spoiled_farms import write_good

from trafficplan.chain import Plan, prepare
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.overview import understood
from trafficplan.inputs.recording import Recording
from trafficplan.inputs.taskdata import open_folder, open_zip, read_log, read_taskdata
from trafficplan.inputs.timelog import EPOCH_S, read_layout, read_records
from trafficplan.traffic.season import run_season

GEOD = Geod(ellps="WGS84")


def said(log: Recording) -> str:
    return "\n".join(f"{note.what}: {note.value}: {note.why}" for note in log.notes)


def read(folder: Path, name: str = "TLG00001") -> Recording:
    container = open_folder(folder, "tracks/TASKDATA")
    return read_log(container, read_taskdata(container), name, f"TASKDATA/{name}")


def steps(log: Recording) -> np.ndarray:
    x, y = log.columns["x"], log.columns["y"]
    return np.asarray(GEOD.inv(x[:-1], y[:-1], x[1:], y[1:])[2])


@pytest.fixture(scope="session")
def forage(open_data: Path) -> dict[str, Recording]:
    container = open_folder(open_data / "forage-harvest" / "TASKDATA", "tracks/TASKDATA")
    data = read_taskdata(container)
    return {name: read_log(container, data, name, f"TASKDATA/{name}") for name in data.logs}


@pytest.mark.real
def test_forage_harvest_along_its_fixes(forage: dict[str, Recording]) -> None:
    # facts of the data set, summed by its publisher's reader: records, hours, kilometres, pauses, steps, speeds
    assert len(forage) == 21 and "TLG00010" not in forage
    assert sum(len(log.columns["x"]) for log in forage.values()) == 61_314
    assert all(len(log.columns["x"]) == log.rows for log in forage.values())
    hours = sum(float(np.ptp(log.columns["time"])) for log in forage.values()) / 3600
    assert hours == pytest.approx(22.2, abs=0.05)
    along = np.concatenate([steps(log) for log in forage.values()])
    waits = np.concatenate([np.diff(log.columns["time"]) for log in forage.values()])
    assert along.sum() / 1e3 == pytest.approx(110.29, abs=0.005)
    assert ((along > 30).sum(), (along == 0).sum(), (waits > 10).sum(), waits.max()) == (8, 135, 33, 32)
    assert along.sum() / hours / 1e3 == pytest.approx(5.0, abs=0.05)
    speeds = np.concatenate([log.columns["speed"] for log in forage.values()]) * 3.6
    # the terminal shows tenths of km/h by a factor of 0.1000000015: 25.0 must not count as more than 25
    assert (speeds.round(4) > 25).sum() == 26 and np.nanmax(speeds) == pytest.approx(39.4, abs=0.01)
    assert np.nanmax(forage["TLG00008"].columns["speed"]) * 3.6 == pytest.approx(39.4, abs=0.01)


@pytest.mark.real
def test_forage_harvest_in_work(forage: dict[str, Recording]) -> None:
    # facts: 71.04 ha = distance x width over the records in work; width 9.0 m on 76.6 of 80.4 km; steps of 0.75 m.
    # How a record's distance was reckoned is not said: here half of each step beside it, jumps over 30 m left out.
    hectares = kilometres = full = 0.0
    widths: set[float] = set()
    for log in forage.values():
        width, working = log.columns["width"], log.columns["working"] == 1
        half = np.where(steps(log) <= 30, steps(log), 0.0) / 2
        along = np.append(half, 0.0) + np.concatenate([[0.0], half])
        hectares += float((along * width)[working].sum()) / 1e4
        kilometres += float(along[working].sum()) / 1e3
        full += float(along[working & (width == 9.0)].sum()) / 1e3
        widths |= set(width.round(3).tolist())
    assert hectares == pytest.approx(71.04, abs=0.01)
    assert (kilometres, full) == pytest.approx((80.4, 76.6), abs=0.05)
    assert all((one / 0.75) % 1 == 0 for one in widths)


@pytest.mark.real
def test_counters_that_run_on_are_not_added(forage: dict[str, Recording], open_data: Path) -> None:
    """Facts: the last total of each task 3,470.5 t and 71.08 ha; all totals added 3,607 t and 74.31 ha."""
    main = open_data / "forage-harvest" / "TASKDATA" / "TASKDATA.XML"
    last, added, areas = 0.0, 0.0, [0.0, 0.0]
    for task in ElementTree.parse(main).getroot().findall("TSK"):
        totals = [
            {one.get("A"): float(one.get("B")) for one in time.findall("DLV")}
            for time in task.findall("TIM")
            if time.find("DLV") is not None
        ]
        mass = [one["005A"] for one in totals if "005A" in one]
        area = [one["0074"] for one in totals if "0074" in one]
        last, added = last + mass[-1] / 1e3, added + sum(mass) / 1e3
        areas = [areas[0] + area[-1] / 1e4, areas[1] + sum(area) / 1e4]
    assert (last, added) == pytest.approx((3470.5, 3607), abs=0.5)
    assert areas == pytest.approx([71.08, 74.31], abs=0.01)
    by_flow = sum(float(np.nansum(log.columns["flow"] * log.columns["record"])) for log in forage.values()) / 1e3
    assert by_flow == pytest.approx(3470.5, rel=0.002)
    grown = [
        float(note.value.split()[0]) for log in forage.values() for note in log.notes if "by the counter" in note.what
    ]
    assert sum(grown) == pytest.approx(3470.5, abs=2.0)


@pytest.mark.real
def test_good_fixes_of_unavailable_status_are_kept_and_told(forage: dict[str, Recording]) -> None:
    for log in forage.values():
        assert f"says not available: {log.rows} of {log.rows}" in said(log)


@pytest.mark.real
def test_boundaries_of_the_set(open_data: Path) -> None:
    # facts: 21 fields, 70.02 ha by geometry and 73.63 ha by their D; with a task 63.75 and 67.03 ha; 19 tasks
    main = open_data / "forage-harvest" / "TASKDATA" / "TASKDATA.XML"
    frame = boundaries(main)
    area = [abs(GEOD.geometry_area_perimeter(one)[0]) / 1e4 for one in frame.geometry]
    assert len(frame) == 21
    assert (sum(area), frame.given_m2.sum() / 1e4) == pytest.approx((70.02, 73.63), abs=0.005)
    used = frame.field.isin([field for _, field, _ in tasks(main)])
    assert (np.array(area)[used].sum(), frame.given_m2[used].sum() / 1e4) == pytest.approx((63.75, 67.03), abs=0.005)
    assert used.sum() == 19


@pytest.mark.real
def test_whole_harvest_is_read_and_told_in_one_line_per_log(open_data: Path, tmp_path: Path) -> None:
    # facts: 61,314 records, 22.2 h, 110.29 km (grid lengths differ by up to 0.04 % from those on the ellipsoid)
    lines = understood(read_farm(make_forage_farm(tmp_path / "farm", open_data)))["recorded_tracks"]
    assert len(lines) == 21 and all(line["share_used_pct"] == 100.0 for line in lines)
    assert sum(line["fixes"] for line in lines) == 61_314
    assert (sum(line["gaps"] for line in lines), sum(line["pauses"] for line in lines)) == (8, 33)
    assert sum(line["length_km"] for line in lines) == pytest.approx(110.29, rel=6e-4)


@pytest.mark.real
def test_two_real_fields_through_the_chain(open_data: Path, tmp_path: Path) -> None:
    """Fields of tasks 3 and 6: one log, and two of which the second runs on."""
    farm = read_farm(make_forage_farm(tmp_path / "farm", open_data, ("PFD-4", "PFD-7")))
    assert farm.crs == CRS and set(farm.logs) == {
        "TASKDATA/TLG00003",
        "TASKDATA/TLG00006",
        "TASKDATA/TLG00007",
    }
    assert "tracks/TASKDATA/TLG00006.bin" in farm.inputs
    for field in farm.fields.values():
        laid = prepare(farm, farm.scenarios["base"], field, Plan(cell=1.0))
        worked = sum(one.worked_m2 for one in laid.drives)
        # more was harvested than lies inside: half a header along the edge; and laps on headlands
        assert 0.95 * field.polygon.area < worked < 1.35 * field.polygon.area
        layers = run_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events)
        assert (layers.traffic_g_m > 0).any()


def test_day_number_of_the_standard() -> None:
    # derived: 15 April 2024 is day 16176 after 1 January 1980
    assert (dt.date(2024, 4, 15) - dt.date(1980, 1, 1)).days == 16176
    layout = read_layout(b'<TIM A=""><PTN A="" B=""/></TIM>', "a")
    raw = struct.pack("<IHiiB", 3_600_000, 16176, 540000000, 100000000, 0)
    log = read_records(raw, layout, [], "a")
    assert np.datetime64(int(log.time_s[0]), "s") == np.datetime64("2024-04-15T01:00:00")
    assert (log.lat[0], log.lon[0]) == (54.0, 10.0) and EPOCH_S == DAYS_1980 * 86_400


@pytest.mark.parametrize("version", [3, 4])
def test_folder_zip_and_main_file(tmp_path: Path, version: int) -> None:
    folder = taskdata(tmp_path / "TASKDATA", drive(), version)
    log = read(folder)
    assert log.columns["x"].tolist() == drive().lon.tolist() and set(log.columns["width"]) == {12.0}
    with zipfile.ZipFile(tmp_path / "day.zip", "w") as packed:
        for one in sorted(folder.iterdir()):
            packed.write(one, f"a/b/TASKDATA/{one.name.lower()}")
    container = open_zip(tmp_path / "day.zip", "tracks/day.zip")
    same = read_log(container, read_taskdata(container), "TLG00001", "day.zip/TLG00001")
    assert same.columns["x"].tolist() == log.columns["x"].tolist()
    for name, path in (("TASKDATA", folder), ("day.zip", tmp_path / "day.zip")):
        farm = write_good(tmp_path / f"farm of {name}")
        path.rename(farm / "tracks" / name)
        (found,) = read_farm(use(farm, f"{name}/TLG00001")).logs.values()
        assert len(found.x) == 46 and found.width_m is not None and found.working is not None


def test_set_that_lies_in_the_tracks_folder_itself(tmp_path: Path) -> None:
    farm = write_good(tmp_path / "farm")
    taskdata(farm / "tracks", drive())
    (log,) = read_farm(use(farm, "TASKDATA.XML/TLG00001")).logs.values()
    assert len(log.x) == 46


def test_external_file_and_all_logs_of_a_task(tmp_path: Path) -> None:
    log = drive()
    farm = write_good(tmp_path / "farm")
    folder = taskdata(farm / "tracks" / "TASKDATA", log.part(slice(0, 20)))
    (folder / "TASKDATA.XML").write_text(main_xml(tasks=False, more='<XFR A="TSK00001" B="1"/>'))
    inner = '<TLG A="TLG00001"/><TLG A="TLG00002"/>'
    (folder / "TSK00001.XML").write_text(f'<XFC><TSK A="TSK1" G="4">{inner}</TSK></XFC>')
    (folder / "TLG00002.xml").write_text(TLG_HEADER)
    (folder / "TLG00002.bin").write_bytes(records(log.part(slice(20, 46))))
    (found,) = read_farm(use(farm, "TASKDATA/TSK1")).logs.values()
    assert len(found.x) == 46 and found.key == "TASKDATA/TSK1"


def test_optional_parts_constants_and_receivers_time(tmp_path: Path) -> None:
    header = '<TIM A=""><PTN A="" B="" C="" D="4" E="" F="" G="" H="" I=""/><DLV A="0043" B="6000" C="DET-1"/></TIM>'
    raw = struct.pack("<IHiiiHHBIHB", 0, 0, 540000000, -100000000, 5, 9, 9, 12, 3_600_000, 16176, 0)
    layout = read_layout(header.encode(), "a")
    log = read_records(raw * 3, layout, [0], "a")
    assert log.utc_s is not None and log.utc_s[0] == (16176 + DAYS_1980) * 86_400 + 3600
    assert log.lon.tolist() == [-10.0] * 3 and log.status is None and log.values[0].tolist() == [6000.0] * 3


def test_several_records_of_one_instant_are_one_fix(tmp_path: Path) -> None:
    log = drive().part(np.repeat(np.arange(46), 3))
    values = [[(i % 3, 1000 * (1 + i % 3))] for i in range(138)]
    header = TLG_HEADER.replace("</TIM>", '<DLV A="0057" B="" C="DET-1"/></TIM>')
    read_back = read(taskdata(tmp_path / "TASKDATA", log, header=header, values=values))
    assert len(read_back.columns["x"]) == 46 and "one instant: 92 of 138" in said(read_back)
    assert read_back.columns["flow"].tolist() == [3000e-6] * 46


def test_sections_are_added_and_a_whole_machine_stands_for_its_sections(tmp_path: Path) -> None:
    both = '<DLV A="0043" B="" C="DET-2"/><DLV A="0043" B="" C="DET-3"/>'
    header = f'<TIM A=""><PTN A="" B="" D=""/>{both}</TIM>'
    values = [[(0, 3000), (1, 4000)]] + [[]] * 45
    folder = taskdata(tmp_path / "a", drive(), header=header, values=values)
    assert set(read(folder).columns["width"]) == {7.0}
    header = header.replace(both, '<DLV A="0043" B="" C="DET-1"/>' + both)
    values[0] = [(0, 6500), (1, 3000), (2, 4000)]
    assert set(read(taskdata(tmp_path / "b", drive(), header=header, values=values)).columns["width"]) == {6.5}


def test_values_hold_until_the_next_one(tmp_path: Path) -> None:
    values = [[(0, 9000)], [(1, 1)], [], [(0, 4500)], *[[]] * 42]
    log = read(taskdata(tmp_path / "a", drive(), values=values))
    assert log.columns["width"][:5].tolist() == [9.0, 9.0, 9.0, 4.5, 4.5]
    assert log.columns["working"][:3].tolist() == [0.0, 1.0, 1.0]


def test_cut_and_damaged_binaries(tmp_path: Path) -> None:
    folder = taskdata(tmp_path / "a", drive())
    path = folder / "TLG00001.bin"
    whole = path.read_bytes()
    path.write_bytes(whole[:-3])
    log = read(folder)
    assert len(log.columns["x"]) == 45 and "the last record is not whole" in said(log)
    path.write_bytes(whole[:200] + b"\xff" * 30 + whole[200:])
    log = read(folder)
    assert 43 <= len(log.columns["x"]) <= 46 and "damaged bytes" in said(log)
    assert np.isin(log.columns["x"], drive().lon).all()


def test_hours_off_the_tasks_time_and_simulated_status(tmp_path: Path) -> None:
    log = read(taskdata(tmp_path / "a", drive().later(5 * 3600), status=8))
    assert "hours off its task's time: 5.0 h" in said(log) and "says simulated: 46 of 46" in said(log)


def test_record_without_position_is_left_out(tmp_path: Path) -> None:
    farm = write_good(tmp_path / "farm")
    folder = taskdata(farm / "tracks" / "TASKDATA", drive())
    raw = bytearray((folder / "TLG00001.bin").read_bytes())
    raw[-16 + 6 : -16 + 14] = struct.pack("<ii", 2**31 - 1, 2**31 - 1)
    (folder / "TLG00001.bin").write_bytes(bytes(raw))
    (log,) = read_farm(use(farm, "TASKDATA")).logs.values()
    assert len(log.x) == 45 and log.time_s[0] == START_S - 3 * 3600
