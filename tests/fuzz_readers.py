"""Fuzz of the readers written by hand: any bytes give a result or an InputError, never another exception.

Not part of the test run, and atheris is no dependency. By hand, with atheris installed:

    python tests/fuzz_readers.py nmea -max_total_time=180

What follows the reader's name goes to libFuzzer. It begins from good files of each kind, and keeps its corpus in a
temporary folder. An input that breaks a reader is written to the current folder (crash-...): mend the reader, and add
the input to tests/found/, whose files test_found.py reads.
"""

from __future__ import annotations

import importlib
import struct
import sys
import tempfile
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[1])]

Reader = Callable[[bytes, Path], object]

#: Where a fuzz input of a time log is cut into header and binary, and one of a table into farm.toml and table.
CUT = b"\n=====\n"


def nmea(raw: bytes, folder: Path) -> object:
    """Sentences."""
    from trafficplan.inputs.nmea import read_nmea

    return read_nmea(written(folder, "a.nmea", raw), "a", "tracks/a.nmea")


def gpx(raw: bytes, folder: Path) -> object:
    """A recorded track."""
    from trafficplan.inputs.gpx import read_gpx

    return read_gpx(written(folder, "a.gpx", raw), "a", "tracks/a.gpx")


def timelog(raw: bytes, folder: Path) -> object:
    """Header and binary of a time log of task data."""
    from trafficplan.inputs.timelog import read_layout, read_records

    header, _, records = raw.partition(CUT)
    layout = read_layout(header, "TLG00001.XML")
    return read_records(records, layout, range(len(layout.values)), "TLG00001.BIN")


def taskdata(raw: bytes, folder: Path) -> object:
    """TASKDATA.XML with good logs beside it: logs, devices, fields."""
    from log_writers import TLG_HEADER, drive, records

    from trafficplan.inputs.partfields import read_partfields
    from trafficplan.inputs.taskdata import open_folder, read_log, read_taskdata

    written(folder, "TASKDATA.XML", raw)
    written(folder, "TLG00001.XML", TLG_HEADER.encode())
    written(folder, "TLG00001.BIN", records(drive((30.0,))))
    container = open_folder(folder, "TASKDATA")
    data = read_taskdata(container)
    read_partfields(container)
    return read_log(container, data, "TLG00001", "a")


def archive(raw: bytes, folder: Path) -> object:
    """A zip of task data, or of a map layer."""
    from trafficplan.errors import InputError
    from trafficplan.inputs.archive import unpacked
    from trafficplan.inputs.ledger import Ledger
    from trafficplan.inputs.taskdata import open_zip, read_log, read_taskdata

    path = written(folder, "a.zip", raw)
    with unpacked(Ledger(folder), path, "a.zip", None) as found:
        assert found is None or found[0].is_relative_to(tempfile.gettempdir())
    try:
        container = open_zip(path, "a.zip")
        return read_log(container, read_taskdata(container), "TLG00001", "a")
    except InputError as error:
        return error


def track(raw: bytes, folder: Path) -> object:
    """A table of fixes, as guessed from its header or as farm.toml describes it."""
    from trafficplan.inputs.ledger import Ledger
    from trafficplan.inputs.settings import TrackColumn, TrackForm
    from trafficplan.inputs.track_table import read_track_table

    path = written(folder, "a.csv", raw)
    columns = {name: TrackColumn(column=name, unit=unit) for name, unit in (("x", "m"), ("y", "ft"), ("speed", "mph"))}
    forms = (None, TrackForm(time=TrackColumn(column="time", unit="iso"), crs="EPSG:32635", **columns))
    for form in forms:
        ledger = Ledger(folder)
        read = read_track_table(ledger, path, "tracks/a.csv", form)
        assert (read is None) == bool(ledger.problems)
    return None


def table(raw: bytes, folder: Path) -> object:
    """A comma-separated table of the farm, here of horizons, weather and soil samples."""
    from trafficplan.inputs.horizons import read_horizons
    from trafficplan.inputs.ledger import Ledger
    from trafficplan.inputs.settings import read_settings
    from trafficplan.inputs.soil_table import read_soil_table
    from trafficplan.inputs.tyres import read_tyre_tables
    from trafficplan.inputs.weather import read_weather

    for name in ("horizons.csv", "weather.csv", "soil.csv", "tyre_tables.csv"):
        written(folder, name, raw)
    ledger = Ledger(folder)
    written(folder, "farm.toml", b'crs = "EPSG:32635"\n')
    settings = read_settings(ledger)
    assert settings is not None
    return (
        read_horizons(ledger, settings),
        read_weather(ledger, settings),
        read_tyre_tables(ledger, settings),
        read_soil_table(ledger, settings, "soil.csv"),
    )


def toml(raw: bytes, folder: Path) -> object:
    """farm.toml and an outfit."""
    from trafficplan.inputs.ledger import Ledger
    from trafficplan.inputs.outfits import read_outfits
    from trafficplan.inputs.settings import read_settings

    (folder / "outfits").mkdir(exist_ok=True)
    first, _, second = raw.partition(CUT)
    written(folder, "farm.toml", first)
    written(folder, "outfits/a.toml", second)
    ledger = Ledger(folder)
    return read_settings(ledger), read_outfits(ledger)


def log(raw: bytes, folder: Path) -> object:
    """Numbers as a recorded log, through all that mends and splits logs, to its drive."""
    import numpy as np
    import shapely
    from routes_farm import field, operation, outfit

    from trafficplan.farm.operation import Log
    from trafficplan.inputs.clock import mend_clock, spread
    from trafficplan.inputs.gauges import check_speed, cold_pressure
    from trafficplan.inputs.interleaved import split_by_place
    from trafficplan.inputs.quality import quality
    from trafficplan.inputs.recording import Recording
    from trafficplan.routes.fixes import clean
    from trafficplan.routes.logs import drive_from_log

    rows = [struct.unpack_from("<hhhb", raw, at) for at in range(0, len(raw) - 6, 7)]
    if len(rows) < 2:
        return None
    time, x, y, speed = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    time[time < -30_000] = np.nan
    columns = {"time": time, "speed": speed, "pressure": np.abs(speed) * 2e3, "temperature": speed}
    columns |= {"working": np.where(speed < -100, np.nan, speed > 0), "width": np.abs(x) % 9, "flow": np.abs(y) % 7}
    ground = field(shapely.box(-100, -100, 300, 300))
    recording, keep = mend_clock(Recording("a", "tracks/a", {**columns, "x": x, "y": y}), x, y)
    kept = {name: column[keep] for name, column in recording.columns.items()}
    recording = Recording("a", "tracks/a", kept, rows=len(x), speed_unit_known=bool(raw[0] & 1))
    for part, inner in split_by_place(recording, x[keep], y[keep]):
        east, north = x[keep][inner], y[keep][inner]
        done = cold_pressure(check_speed(spread(part, east, north), east, north))
        one = Log(
            "a",
            done.columns["time"],
            east,
            north,
            done.columns.get("speed"),
            flow_kg_s=done.columns["flow"],
            pressure_pa=done.columns.get("pressure"),
            working=done.columns["working"],
            width_m=done.columns["width"],
        )
        quality(one)
        cleaned = clean(one)
        assert (np.diff(cleaned.time_s) >= 0).all()
        drive = drive_from_log(one, ground, operation(rate_kg_m2=0.9, change="fills"), outfit())
        assert np.isfinite(drive.xy).all() and np.isfinite(drive.load_kg).all() and np.isfinite(drive.worked_m2)
    return None


READERS: tuple[Reader, ...] = (nmea, gpx, timelog, taskdata, archive, track, table, toml, log)


def written(folder: Path, name: str, raw: bytes) -> Path:
    (folder / name).write_bytes(raw)
    return folder / name


def seeds(reader: Reader) -> list[bytes]:
    """Return good inputs of a reader."""
    import log_writers
    from spoiled_farms import FARM, HORIZONS, OUTFIT, TYRES, WEATHER

    drive = log_writers.drive((30.0,))
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as target:
        target.writestr("TASKDATA/TASKDATA.XML", log_writers.main_xml())
        target.writestr("TASKDATA/TLG00001.XML", log_writers.TLG_HEADER)
        target.writestr("TASKDATA/TLG00001.BIN", log_writers.records(drive.part(slice(0, 3))))
    ring = "".join(f'<PNT A="2" C="{lat}" D="{lon}"/>' for lat, lon in ((55, 24), (55.1, 24), (55, 24.1)))
    field = f'<PFD A="PFD1" C="Park"><PLN A="1"><LSG A="1">{ring}</LSG></PLN></PFD>'
    return {
        "nmea": [log_writers.nmea(drive.part(slice(0, 3)), "GGA RMC VTG ZDA")],
        "gpx": [log_writers.gpx(drive.part(slice(0, 3))), log_writers.gpx(drive.part(slice(0, 2)), "<!-- a --><wpt/>")],
        "timelog": [log_writers.TLG_HEADER.encode() + CUT + log_writers.records(drive.part(slice(0, 4)))],
        "taskdata": [log_writers.main_xml().encode(), log_writers.main_xml(more=field, version=3).encode()],
        "archive": [packed.getvalue()],
        "track": [log_writers.csv(drive.part(slice(0, 4))), b"time,x,y,speed\n2026-01-01,5,6,7\n2026-01-02,8,9,1\n"],
        "table": [one.encode() for one in (HORIZONS, WEATHER, TYRES, "lon,lat,texture\n24,55,loam\n")],
        "toml": [FARM.encode() + CUT + OUTFIT.encode()],
        "log": [bytes(range(56, 126)), b"\x01\x00\x07\x00\x00\x10\x46" * 10],
    }[reader.__name__]


def read_one(reader: Reader, raw: bytes) -> str:
    """Read an input in a folder of its own and return "read" or "refused": an InputError is an answer.

    Raises
    ------
    Exception
        Anything else that the reader raised.
    """
    from trafficplan.errors import InputError

    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        try:
            reader(raw, Path(folder))
        except InputError as error:
            assert error.problems and all(
                str(part).strip() for one in error.problems for part in one.as_dict().values()
            )
            return "refused"
    return "read"


def main() -> None:
    """Fuzz one reader until libFuzzer stops."""
    import atheris

    name, *options = sys.argv[1:] or [""]
    chosen = {reader.__name__: reader for reader in READERS}.get(name)
    if chosen is None:
        sys.exit(f"usage: fuzz_readers.py {'|'.join(one.__name__ for one in READERS)} [options of libFuzzer]")
    importlib.import_module("trafficplan.routes.turns")  # compiled, so it cannot be watched
    with atheris.instrument_imports(include=["trafficplan.inputs", "trafficplan.routes"]):
        for seed in seeds(chosen):
            read_one(chosen, seed)
    with tempfile.TemporaryDirectory(prefix="corpus-") as corpus:
        for number, seed in enumerate(seeds(chosen)):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
        atheris.Setup([sys.argv[0], corpus, *options], lambda raw: read_one(chosen, raw))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
