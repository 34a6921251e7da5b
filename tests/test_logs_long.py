"""Logs of 200 MB are read in pieces in bounded memory; one that never ends is refused while it is read."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from log_writers import START_S, TLG_HEADER, csv, drive, gpx, nmea, use
from spoiled_farms import write_good

import trafficplan.inputs.gpx_points
import trafficplan.inputs.nmea
import trafficplan.inputs.track_table
from trafficplan.errors import InputError
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.timelog import read_layout, read_records
from trafficplan.inputs.track_table import read_track_table

TESTS = Path(__file__).resolve().parent
SIZE = 200_000_000
#: Beside the libraries (about 0.2 GB) a log takes so much for each million of fixes [MB]; as docs/farm-folder.md says, 4
#: million stay under 2 GB.
MB_PER_MILLION = 450

READ = """
import sys
from pathlib import Path
from peak import peak_mb
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.track_table import read_track_table
path = Path(sys.argv[1])
read_gpx(path.parent / "small.gpx", "a", "a")
before = peak_mb()
if path.suffix == ".csv":
    read = read_track_table(Ledger(path.parent), path, "a", None)
else:
    read = (read_gpx if path.suffix == ".gpx" else read_nmea)(path, "a", "a")
print(len(read.columns["x"]), round(before), round(peak_mb()))
"""
#: Text that a logger adds to each fix, so that 200 MB are not millions of fixes more than a day has.
ASIDE = b"hdop 0.8 satellites 14 age 1.0 heading 90.0 "


def blocks(kind: str) -> tuple[bytes, Iterator[bytes], bytes]:
    """Return head, endless blocks and end of a log: bouts over the same ground, day after day."""
    log = drive((30.0, 42.0) * 40)

    def numbered() -> Iterator[bytes]:
        day = 0
        while True:
            one = log.later(day * 86_400.0)
            day += 1
            if kind == "csv":
                yield csv(one).split(b"\n", 1)[1].replace(b"\n", b"," + ASIDE + b"\n")
            elif kind == "nmea":
                yield nmea(one)
            else:
                whole = gpx(one).replace(b"</time>", b"</time><cmt>" + ASIDE + b"</cmt>")
                yield whole[whole.index(b"<trkpt") : whole.index(b"</trkseg>")]

    if kind == "csv":
        return b"time,lon,lat,speed_m_s,remark\n", numbered(), b""
    if kind == "nmea":
        return b"", numbered(), b""
    return (
        b'<gpx xmlns="http://www.topografix.com/GPX/1/1" xmlns:g="urn:g"><trk><trkseg>',
        numbered(),
        b"</trkseg></trk></gpx>",
    )


def write_long(path: Path, kind: str, size: int) -> int:
    """Write a log of a size; return its fixes. Twenty blocks are made, and written again and again."""
    head, more, end = blocks(kind)
    made = [next(more) for _ in range(20)]
    fixes = 46 * 40
    written = count = 0
    with path.open("wb") as out:
        out.write(head)
        while written < size:
            block = made[count % len(made)]
            out.write(block)
            written, count = written + len(block), count + 1
        out.write(end)
    return count * fixes


@pytest.mark.whole
@pytest.mark.parametrize("kind", ["csv", "nmea", "gpx"])
def test_a_log_of_200_mb_is_read_in_bounded_memory(kind: str, tmp_path: Path) -> None:
    (tmp_path / "small.gpx").write_bytes(gpx(drive()))
    fixes = write_long(tmp_path / f"long.{kind}", kind, SIZE)
    command = [sys.executable, "-c", READ, str(tmp_path / f"long.{kind}")]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)])}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=env).stdout.split()
    read, before, after = (int(one) for one in done)
    assert read == fixes and (tmp_path / f"long.{kind}").stat().st_size > SIZE
    (tmp_path / f"long.{kind}").unlink()
    assert after - before < fixes / 1e6 * MB_PER_MILLION, (before, after, fixes)
    assert after < 1000


def test_task_data_of_200_mb_are_refused_before_they_are_walked_to_the_end() -> None:
    raw = bytes(SIZE)  # records of 16 bytes at midnight of 1 January 1980, without values
    layout = read_layout(TLG_HEADER.encode(), "TLG00001.XML")
    with pytest.raises(InputError, match="a log that is too long"):
        read_records(raw, layout, [0], "TLG00001.BIN")


@pytest.mark.parametrize("kind", ["csv", "nmea", "gpx"])
def test_a_log_that_never_ends_is_refused_while_it_is_read(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (trafficplan.inputs.gpx_points, trafficplan.inputs.nmea, trafficplan.inputs.track_table):
        monkeypatch.setattr(module, "MOST_FIXES", 20_000)
    monkeypatch.setattr(trafficplan.inputs.track_table, "_ROWS", 5_000)
    path = tmp_path / f"endless.{kind}"
    if kind == "csv":  # a table is looked through for its character set first, and so has to end
        write_long(path, kind, 8_000_000)
    else:
        os.mkfifo(path)
        threading.Thread(target=endless, args=(path, kind), daemon=True).start()
    ledger = Ledger(tmp_path)
    with pytest.raises(InputError, match="a log that is too long") as caught:
        if kind == "csv":
            assert read_track_table(ledger, path, "tracks/a", None) is None
            raise InputError(ledger.problems)
        (read_gpx if kind == "gpx" else read_nmea)(path, "a", "tracks/a")
    (problem,) = caught.value.problems
    assert problem.needed == "at most 4000000 records in one log" and "split it" in problem.mend


def endless(path: Path, kind: str) -> None:
    """Write a log into a pipe until nobody reads it any more."""
    head, more, _ = blocks(kind)
    try:
        with path.open("wb") as out:
            out.write(head)
            for block in more:
                out.write(block)
    except BrokenPipeError:
        return


def test_too_long_a_log_is_one_message_of_the_farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from trafficplan.inputs.farm import read_farm

    monkeypatch.setattr(trafficplan.inputs.track_table, "MOST_FIXES", 40)
    farm = use(write_good(tmp_path / "farm"), "day.csv", csv(drive().later(START_S * 0)))
    with pytest.raises(InputError, match="too long") as caught:
        read_farm(farm)
    assert [one.where for one in caught.value.problems] == ["tracks/day.csv"]
