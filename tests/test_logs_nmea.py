"""NMEA 0183: published checksums, a real survey, lost and wrong sentences, midnight, hemispheres; an oracle."""

from pathlib import Path

import numpy as np
import pynmea2
import pytest
from log_writers import START_S, drive, nmea, sentence, stamp, use
from pyproj import Geod
from spoiled_farms import write_good

from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.nmea import checksum, read_nmea
from trafficplan.inputs.recording import Recording

GGA = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
RMC = "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"


def read(tmp_path: Path, *bodies: str | bytes) -> Recording:
    path = tmp_path / "a.nmea"
    path.write_bytes(b"".join(one if isinstance(one, bytes) else sentence(one).encode() for one in bodies))
    return read_nmea(path, "a.nmea", "tracks/a.nmea")


def said(log: Recording) -> str:
    return "\n".join(f"{note.what}: {note.value}: {note.why}" for note in log.notes)


def test_published_sentences(tmp_path: Path) -> None:
    # widely published examples of GGA and RMC with their checksums; degrees derived: 48 + 7.038/60, 11 + 31/60
    assert f"{checksum(GGA):02X}" == "47" and f"{checksum(RMC):02X}" == "6A"
    log = read(tmp_path, GGA, RMC)
    assert (log.columns["y"][0], log.columns["x"][0]) == pytest.approx((48.1173, 11.516667), abs=1e-6)
    assert log.columns["speed"][0] == pytest.approx(22.4 * 1852 / 3600)
    # 23 March 1994: 24 years x 365 + 6 leap days + 81 days since 1 January 1970
    assert log.columns["time"].tolist() == [(24 * 365 + 6 + 81) * 86_400 + 12 * 3600 + 35 * 60 + 19]


@pytest.mark.real
def test_real_survey(open_data: Path) -> None:
    """Facts of the data set: 4,214 sentences, 602 fixes, 594.1 m, 610 m by speed, 1.01 m/s, 23 s below 0.2 m/s."""
    path = open_data / "nmea-survey" / "survey.nmea"
    log = read_nmea(path, "survey.nmea", "tracks/survey.nmea")
    x, y, speed, time = (log.columns[name] for name in ("x", "y", "speed", "time"))
    lines = path.read_bytes().split(b"\r\n")
    assert len(lines) - 1 == 4214 and len(x) == log.rows == 602
    assert "wrong checksum" not in said(log) and "quality 1" in said(log)
    steps = Geod(ellps="WGS84").inv(x[:-1], y[:-1], x[1:], y[1:])[2]
    assert steps.sum() == pytest.approx(594.1, abs=0.05) and steps.max() == pytest.approx(1.88, abs=0.005)
    assert speed.sum() == pytest.approx(610, abs=1) and speed.mean() == pytest.approx(1.01, abs=0.005)
    assert (speed < 0.2).sum() == 23 and y.max() < 0
    # 16 March 2018, 01:59:05 to 02:09:06 UTC, no gap
    assert [stamp(one) for one in time[[0, -1]]] == ["2018-03-16T01:59:05.000Z", "2018-03-16T02:09:06.000Z"]
    assert set(np.diff(time)) == {1.0}
    for kind in ("GGA", "RMC"):
        parsed = [pynmea2.parse(one.decode()) for one in lines if one[3:6] == kind.encode()]
        assert np.array([one.latitude for one in parsed]) == pytest.approx(y, abs=1e-9)
        assert np.array([one.longitude for one in parsed]) == pytest.approx(x, abs=1e-9)


@pytest.mark.parametrize("kinds", ["GGA", "RMC", "GGA RMC", "GGA VTG ZDA", "RMC VTG", "VTG GGA RMC ZDA"])
def test_any_choice_of_sentences(tmp_path: Path, kinds: str) -> None:
    log = read(tmp_path, nmea(drive(), kinds))
    assert len(log.columns["x"]) == 46
    assert np.abs(log.columns["x"] - drive().lon).max() < 1e-8
    dated = "RMC" in kinds or "ZDA" in kinds
    assert log.columns["time"][0] == (START_S if dated else 6 * 3600)
    assert ("the file holds no date" in said(log)) == (not dated)
    assert ("speed" in log.columns) == (kinds != "GGA")
    if "speed" in log.columns:
        assert log.columns["speed"] == pytest.approx(np.full(46, 2.0), abs=1e-4)


@pytest.mark.parametrize("kinds", ["GGA", "GGA RMC", "GGA ZDA", "RMC"])
def test_midnight(tmp_path: Path, kinds: str) -> None:
    late = drive().later(18 * 3600 - 31)  # 23:59:29 and on
    log = read(tmp_path, nmea(late, kinds))
    assert np.diff(log.columns["time"]).tolist() == [2.0] * 45


@pytest.mark.parametrize(("north", "east"), [(1, 1), (1, -1), (-1, 1), (-1, -1)])
def test_hemispheres(tmp_path: Path, north: int, east: int) -> None:
    log = drive()
    read_back = read(tmp_path, nmea(type(log)(log.time, east * log.lon, north * log.lat, log.speed)))
    assert np.sign(read_back.columns["y"]).tolist() == [north] * 46
    assert np.abs(read_back.columns["x"] - east * log.lon).max() < 1e-8


def test_lost_sentences(tmp_path: Path) -> None:
    lines = nmea(drive()).splitlines(keepends=True)
    kept = [line for i, line in enumerate(lines) if i not in (4, 11, 20, 21)]  # a GGA, a RMC, both of one time
    log = read(tmp_path, *kept)
    assert len(log.columns["x"]) == 45 and set(np.diff(log.columns["time"])) == {2.0, 4.0}


def test_wrong_and_missing_checksums(tmp_path: Path) -> None:
    lines = nmea(drive(), "RMC").splitlines(keepends=True)
    lines[3] = lines[3].replace(b"A", b"B", 1)
    lines[7] = lines[7].partition(b"*")[0] + b"\r\n"
    lines[9] = lines[9][:40]  # runs into the next line, which is whole
    log = read(tmp_path, *lines, b"\xff\x00\x80$GP\r\n$\r\n")
    assert "wrong checksum: 1 of" in said(log) and "without checksum: 2" in said(log)
    assert 44 <= len(log.columns["x"]) <= 45
    with pytest.raises(InputError, match="wrong checksums"):
        read(tmp_path, nmea(drive()).replace(b"*", b"*F"))


def test_quality_zero_is_left_out(tmp_path: Path) -> None:
    good, bad = nmea(drive().part(slice(0, 40)), "GGA"), nmea(drive().part(slice(40, 46)), "GGA", quality=0)
    log = read(tmp_path, good + bad)
    assert len(log.columns["x"]) == 40 and "quality 0 or without status A: 6 of 46" in said(log)
    with pytest.raises(InputError, match="no fixes"):
        read(tmp_path, nmea(drive(), "GGA", quality=0))


def test_stamps_in_front_of_sentences_and_other_talkers(folder: Path) -> None:
    lines = nmea(drive()).decode().splitlines()
    other = [line[1:-3].replace("GP", "GN", 1) for line in lines]
    text = "".join(f"12:00:0{i % 10} > {sentence(body)}" for i, body in enumerate(other))
    (log,) = read_farm(use(folder, "day.log", text.encode())).logs.values()
    assert len(log.x) == 46


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")
