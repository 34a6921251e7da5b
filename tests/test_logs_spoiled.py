"""Spoiled logs: refused in words with place, finding and mend, or used with a note; fuzz of every reader."""

import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from log_writers import TLG_HEADER, csv, drive, gpx, main_xml, nmea, records, use
from spoiled_farms import write_good
from spoiled_logs import LOGS, SpoiledLog

from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.recording import Recording
from trafficplan.inputs.taskdata import open_folder, open_zip, read_log, read_taskdata
from trafficplan.inputs.timelog import read_layout, read_records
from trafficplan.inputs.track_table import read_track_table

FUZZ = settings(
    max_examples=60,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.mark.parametrize("spoiled", LOGS, ids=lambda one: one.name)
def test_spoiled_log(spoiled: SpoiledLog, tmp_path: Path) -> None:
    farm = write_good(tmp_path / "farm")
    if callable(spoiled.content):
        spoiled.content(farm / "tracks" / spoiled.file)
        use(farm, spoiled.drive or spoiled.file)
    else:
        use(farm, spoiled.drive or spoiled.file, spoiled.content)
    if spoiled.noted:
        read = read_farm(farm)
        assert len(read.logs) == 1
        assert any(spoiled.noted in note.what for note in read.notes), read.notes
        return
    with pytest.raises(InputError) as caught:
        read_farm(farm)
    problem = caught.value.problems[0]
    assert len(caught.value.problems) <= 4  # one per column at most
    said = problem.sentence()
    assert spoiled.refused in problem.what, said
    assert f"tracks/{spoiled.file}" in problem.where or spoiled.file in problem.where, said
    assert spoiled.mend in problem.mend, said
    assert all(part.strip() for part in problem.as_dict().values()), said
    assert str(tmp_path) not in said and "Traceback" not in said


def test_there_are_many_spoiled_logs() -> None:
    assert len(LOGS) >= 40 and len({one.name for one in LOGS}) == len(LOGS)
    assert len({(one.file.rpartition(".")[2], one.refused or one.noted) for one in LOGS}) >= 35


def test_a_link_out_of_the_farm_is_not_followed(tmp_path: Path) -> None:
    farm = write_good(tmp_path / "farm")
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "a.csv").write_bytes(csv(drive()))
    (outside / "TASKDATA.XML").write_text(main_xml())
    (farm / "tracks" / "a.csv").symlink_to(outside / "a.csv")
    (farm / "tracks" / "b").symlink_to(outside)
    use(farm, "a.csv")
    with pytest.raises(InputError, match="leads out of the farm folder"):
        read_farm(farm)
    ops = farm / "operations.csv"
    ops.write_text(ops.read_text().replace("a.csv", "b/TLG00001"))
    with pytest.raises(InputError, match="leads out of the farm folder"):
        read_farm(farm)


def test_a_log_that_two_operations_name_is_told(tmp_path: Path) -> None:
    farm = write_good(tmp_path / "farm")
    ops = farm / "operations.csv"
    last = ops.read_text().splitlines()[-1]
    ops.write_text(f"{ops.read_text()}4{last[1:]}\n")
    notes = [one for one in read_farm(farm).notes if "named by several operations" in one.what]
    assert [(one.what, one.value) for one in notes] == [
        ("tracks/harvest.tsv: named by several operations in field Park", "3, 4")
    ]


def damaged(whole: bytes, places: list[tuple[float, int]], cut: float) -> bytes:
    """Return bytes with some changed, and the end cut off."""
    raw = bytearray(whole)
    for at, value in places:
        raw[min(int(at * len(raw)), len(raw) - 1)] = value
    return bytes(raw[: int(cut * len(raw))])


PLACES = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=12)
CUT = st.floats(0.2, 1)


def sound(recording: Recording | None) -> None:
    if recording is None:
        return
    lengths = {len(column) for column in recording.columns.values()}
    assert len(lengths) == 1 and {"time", "x", "y"} <= set(recording.columns)
    assert all(column.dtype == np.float64 for column in recording.columns.values())


@FUZZ
@given(places=PLACES, cut=CUT, kind=st.sampled_from(["gpx", "nmea", "csv"]))
def test_fuzz_of_text_logs(places: list[tuple[float, int]], cut: float, kind: str, tmp_path: Path) -> None:
    whole = {"gpx": gpx, "nmea": nmea, "csv": csv}[kind](drive((30.0,)))
    path = tmp_path / f"a.{kind}"
    path.write_bytes(damaged(whole, places, cut))
    try:
        if kind == "gpx":
            sound(read_gpx(path, path.name, "tracks/a"))
        elif kind == "nmea":
            sound(read_nmea(path, path.name, "tracks/a"))
        else:
            ledger = Ledger(tmp_path)
            read = read_track_table(ledger, path, "tracks/a", None)
            assert (read is None) == bool(ledger.problems)
            sound(read)
    except InputError as error:
        assert error.problems


@FUZZ
@given(raw=st.binary(max_size=400))
def test_fuzz_of_noise(raw: bytes, tmp_path: Path) -> None:
    layout = read_layout(TLG_HEADER.encode(), "a")
    path = tmp_path / "a"
    path.write_bytes(raw)
    for read in (
        lambda: read_records(raw, layout, [0, 1], "a"),
        lambda: read_gpx(path, "a", "a"),
        lambda: read_nmea(path, "a", "a"),
        lambda: read_layout(raw, "a"),
        lambda: open_zip(path, "a"),
    ):
        try:
            read()
        except InputError as error:
            assert error.problems


@FUZZ
@given(
    places=PLACES,
    cut=CUT,
    which=st.sampled_from(["TASKDATA.XML", "TLG00001.XML", "TLG00001.BIN"]),
    packed=st.booleans(),
)
def test_fuzz_of_task_data(
    places: list[tuple[float, int]], cut: float, which: str, packed: bool, tmp_path: Path
) -> None:
    files = {
        "TASKDATA.XML": main_xml().encode(),
        "TLG00001.XML": TLG_HEADER.encode(),
        "TLG00001.BIN": records(drive((30.0,))),
    }
    files[which] = damaged(files[which], places, cut)
    if packed:
        with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as container:
            for name, content in files.items():
                container.writestr(name, content)
        raw = damaged((tmp_path / "a.zip").read_bytes(), places[:3], 1.0)
        (tmp_path / "a.zip").write_bytes(raw)
    else:
        for name, content in files.items():
            (tmp_path / name).write_bytes(content)
    try:
        opened = open_zip(tmp_path / "a.zip", "a") if packed else open_folder(tmp_path, "a")
        sound(read_log(opened, read_taskdata(opened), "TLG00001", "a/TLG00001"))
    except InputError as error:
        assert error.problems
