"""Reading 1,000,000 fixes in each format: time and memory are printed, goal under 5 s and 1 GB.

Run by hand: python -m pytest tests/benchmarks/test_logs.py -m benchmark -s
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

FIXES = 1_000_000
READ = """
import resource, sys, time
from pathlib import Path
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.nmea import read_nmea
from trafficplan.inputs.taskdata import open_folder, read_log, read_taskdata
from trafficplan.inputs.track_table import read_track_table
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
print(len(read.columns["x"]), round(seconds, 2), round(used.ru_utime + used.ru_stime, 2), used.ru_maxrss // 1024)
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


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", ["log.csv", "log.gpx", "log.nmea", "TASKDATA"])
def test_a_million_fixes(kind: str, tmp_path: Path) -> None:
    write = {"log.csv": write_csv, "log.gpx": write_gpx, "log.nmea": write_nmea, "TASKDATA": write_task_data}[kind]
    write(tmp_path / kind, np.arange(FIXES).astype("timedelta64[s]"))
    done = subprocess.run(
        [sys.executable, "-c", READ, str(tmp_path / kind)], capture_output=True, text=True, check=True
    )
    fixes, seconds, busy, memory = done.stdout.split()
    print(f"\n{kind}: {fixes} fixes in {seconds} s ({busy} s of processor with the start of Python), {memory} MB")
    assert int(fixes) == FIXES
