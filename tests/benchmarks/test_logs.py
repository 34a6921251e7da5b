"""Reading 1,000,000 fixes in each format: time and memory are printed, goal under 5 s and 1 GB.

Run by hand: python -m pytest tests/benchmarks/test_logs.py -m benchmark -s
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pynmea2
import pytest

from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.track_table import read_track_table

FIXES = 1_000_000
ROUNDS = int(os.environ.get("TRAFFICPLAN_BENCH_ROUNDS", "3"))
READ = """
import resource, sys, time
from pathlib import Path
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.taskdata import open_folder, read_log, read_taskdata
from trafficplan.inputs.track_table import read_track_table
from peak import peak_mb
path = Path(sys.argv[1])
start = time.perf_counter()
if path.is_dir():
    opened = open_folder(path, "a")
    read = read_log(opened, read_taskdata(opened), "TLG00001", "a")
elif path.suffix == ".csv":
    read = read_track_table(Ledger(path.parent), path, "a", None)
else:
    read = (read_gpx if path.suffix == ".gpx" else read_nmea)(path, "a", "a")
seconds = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_SELF)
print(len(read.columns["x"]), round(seconds, 2), round(used.ru_utime + used.ru_stime, 2), round(peak_mb()))
"""
RECORD = np.dtype(
    [("ms", "<u4"), ("day", "<u2"), ("north", "<i4"), ("east", "<i4"), ("status", "u1"), ("count", "u1"),
     ("i0", "u1"), ("v0", "<i4"), ("i1", "u1"), ("v1", "<i4")]
)  # fmt: skip


def write_csv(path: Path, second: np.ndarray) -> None:
    stamps = (np.datetime64("2026-04-01T00:00:00") + second).astype(str)
    with path.open("w") as out:
        out.write("time,lat,lon,speed_km_h\n")
        out.writelines(f"{s}Z,{54 + i * 1e-7:.7f},10.0000000,7.2\n" for i, s in enumerate(stamps))


def write_gpx(path: Path, second: np.ndarray) -> None:
    stamps = (np.datetime64("2026-04-01T00:00:00") + second).astype(str)
    with path.open("w") as out:
        out.write('<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>\n')
        out.writelines(
            f'<trkpt lat="{54 + i * 1e-7:.7f}" lon="10"><time>{s}Z</time></trkpt>\n' for i, s in enumerate(stamps)
        )
        out.write("</trkseg></trk></gpx>\n")


def write_nmea(path: Path, second: np.ndarray) -> None:
    from log_writers import sentence

    with path.open("w", newline="") as out:
        for i, s in enumerate(second.astype(int)):
            clock = f"{s // 3600 % 24:02d}{s // 60 % 60:02d}{s % 60:02d}.00"
            at = f"54{i * 6e-6 % 60:08.5f},N,01000.00000,E"
            out.write(sentence(f"GPGGA,{clock},{at},4,12,0.8,100.0,M,20.0,M,,"))
            out.write(sentence(f"GPRMC,{clock},A,{at},3.9,0.0,{1 + s // 86_400:02d}0426,,"))


def write_task_data(path: Path, second: np.ndarray) -> None:
    from log_writers import TLG_HEADER, main_xml

    path.mkdir()
    whole = np.zeros(len(second), dtype=RECORD)
    number = second.astype(int)
    whole["ms"], whole["day"] = number % 86_400 * 1000, 16_892 + number // 86_400
    whole["north"], whole["east"], whole["count"] = 540_000_000 + np.arange(len(number)), 100_000_000, 2
    whole["v0"], whole["i1"], whole["v1"] = 9000, 1, 1
    (path / "TLG00001.bin").write_bytes(whole.tobytes())
    (path / "TLG00001.xml").write_text(TLG_HEADER)
    (path / "TASKDATA.XML").write_text(main_xml())


def numbers_of(folder: Path, kind: str) -> tuple[int, float, float, int]:
    """Read a log in a process of its own: fixes, seconds, seconds of processor with the start of Python, MB."""
    command = [sys.executable, "-c", READ, str(folder / kind)]
    tests = Path(__file__).resolve().parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tests.parent), str(tests)])}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=env).stdout.split()
    return int(done[0]), float(done[1]), float(done[2]), int(done[3])


@pytest.mark.benchmark
def test_a_million_fixes(tmp_path: Path) -> None:
    """All formats in turn, so that a load of the machine strikes them alike; ratios against the CSV log."""
    second = np.arange(FIXES).astype("timedelta64[s]")
    writers = {"log.csv": write_csv, "log.gpx": write_gpx, "log.nmea": write_nmea, "TASKDATA": write_task_data}
    for kind, write in writers.items():
        write(tmp_path / kind, second)
    rounds = [{kind: numbers_of(tmp_path, kind) for kind in writers} for _ in range(ROUNDS)]
    print()
    for kind in writers:
        seconds, busy = (float(np.median([one[kind][column] for one in rounds])) for column in (1, 2))
        ratio = float(np.median([one[kind][1] / one["log.csv"][1] for one in rounds]))
        memory = max(one[kind][3] for one in rounds)
        print(f"{kind}: {seconds:.2f} s, {ratio:.2f} times the CSV log ({busy:.2f} s of processor), {memory} MB")
        assert {one[kind][0] for one in rounds} == {FIXES} and memory < 1000


@pytest.mark.benchmark
def test_against_readers_that_go_one_by_one(tmp_path: Path) -> None:
    """NMEA against pynmea2, GPX against the standard library's parser, CSV against pandas: a twentieth of the fixes."""
    second = np.arange(FIXES // 20).astype("timedelta64[s]")
    write_csv(tmp_path / "log.csv", second)
    write_gpx(tmp_path / "log.gpx", second)
    write_nmea(tmp_path / "log.nmea", second)
    peers: dict[str, Callable[[Path], int]] = {"log.csv": by_pandas, "log.gpx": by_events, "log.nmea": by_sentence}
    ours = {"log.csv": ours_csv, "log.gpx": ours_gpx, "log.nmea": ours_nmea}
    print()
    for kind, peer in peers.items():
        ratios = []
        for _ in range(ROUNDS):
            taken = []
            for read in (ours[kind], peer):
                start = time.perf_counter()
                assert read(tmp_path / kind) == len(second)
                taken.append(time.perf_counter() - start)
            ratios.append(taken[0] / taken[1])
        print(f"{kind}: {np.median(ratios):.2f} times {peer.__name__}")


def ours_csv(path: Path) -> int:
    read = read_track_table(Ledger(path.parent), path, "a", None)
    return len(read.columns["x"]) if read else 0


def ours_gpx(path: Path) -> int:
    return len(read_gpx(path, "a", "a").columns["x"])


def ours_nmea(path: Path) -> int:
    return len(read_nmea(path, "a", "a").columns["x"])


def by_pandas(path: Path) -> int:
    return len(pd.read_csv(path, parse_dates=["time"]))


def by_events(path: Path) -> int:
    places, times = [], []
    for _, one in ElementTree.iterparse(path):
        if one.tag.endswith("}time"):
            times.append(np.datetime64((one.text or "").rstrip("Z")))
        elif one.tag.endswith("}trkpt"):
            places.append((float(one.get("lat", "nan")), float(one.get("lon", "nan"))))
            one.clear()
    return min(len(places), len(times))


def by_sentence(path: Path) -> int:
    parsed = [pynmea2.parse(line, check=True) for line in path.read_text().splitlines()]
    return len({one.timestamp for one in parsed if one.sentence_type == "GGA" and one.latitude and one.longitude})
