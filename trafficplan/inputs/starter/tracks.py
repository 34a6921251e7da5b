"""Recorded tracks for a starter folder: columns guessed from their names, and a log read without any field."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from pyproj import CRS
from shapely import box

from trafficplan.errors import InputError
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.settings import Settings, read_settings
from trafficplan.inputs.tracks import ENDINGS, MAIN, read_tracks

#: Endings of tables whose columns are guessed; other formats name their columns themselves.
TABLES = (".csv", ".tsv", ".txt")

#: Our column -> names that it usually has, and the unit that the name tells; ours.
USUAL: dict[str, dict[str, str]] = {
    "time": dict.fromkeys(
        ("time", "timestamp", "datetime", "date_time", "gps_time", "gpstime", "utc", "utc_time", "isotime"), ""
    ),
    "x": dict.fromkeys(("lon", "long", "longitude", "lng", "gps_lon", "gps_longitude", "x"), "degrees"),
    "y": dict.fromkeys(("lat", "latitude", "gps_lat", "gps_latitude", "y"), "degrees"),
    "speed": {
        "speed_km_h": "km/h", "speed_kmh": "km/h", "speed_kph": "km/h", "speed (km/h)": "km/h",
        "speed_m_s": "m/s", "speed_ms": "m/s", "speed (m/s)": "m/s", "speed_mph": "mph",
    },
    "flow": {"flow_kg_s": "kg/s", "flow (kg/s)": "kg/s", "flow_lb_s": "lb/s", "flow_t_h": "t/h"},
    "load": {"load_kg": "kg", "load_t": "t", "load (kg)": "kg"},
}  # fmt: skip

_SEPARATORS = {"tab": "\t", "comma": ",", "semicolon": ";"}


def copy_tracks(ledger: Ledger, tracks: Sequence[Path], folder: Path) -> dict[str, str]:
    """Copy recorded tracks into `tracks/` of a folder; return the TOML table of each whose columns are guessed.

    Raises
    ------
    InputError
        One is not there, or two have the same name.
    """
    home = folder / "tracks"
    home.mkdir(exist_ok=True)
    told: dict[str, str] = {}
    for track in tracks:
        if not track.exists():
            ledger.problem("file not found", track.name, "no such file", "a recorded track", "check the path")
        elif (home / track.name).exists():
            ledger.problem(
                "a recorded track comes twice",
                track.name,
                "two of this name",
                "each once",
                "leave one out, or rename it",
            )
        elif not _may_be_a_log(track):
            ledger.problem(
                "no recorded track",
                track.name,
                "a folder without TASKDATA.XML"
                if track.is_dir()
                else f"a file named {track.suffix or 'without ending'}",
                f"task data, or a file named {listed(ENDINGS)}",
                "name the log itself; other formats: export it as CSV with time, longitude and latitude",
            )
        elif track.is_dir():
            shutil.copytree(track, home / track.name, ignore=_links)
        else:
            shutil.copyfile(track, home / track.name)
            table = _guessed(ledger, track)
            told |= {track.name: table} if table else {}
    if ledger.problems:
        raise InputError(ledger.problems)
    return told


def _may_be_a_log(track: Path) -> bool:
    """Tell whether a path is a file whose ending logs have, or a folder of task data."""
    if track.is_dir():
        return MAIN in {one.name.upper() for one in track.iterdir()}
    return track.is_file() and track.suffix.lower() in ENDINGS


def _links(folder: str, names: list[str]) -> list[str]:
    """Return what is not copied: links, which could lead anywhere."""
    return [name for name in names if (Path(folder) / name).is_symlink()]


def _guessed(ledger: Ledger, track: Path) -> str:
    """Return the TOML table that describes a track's columns, or "" where the names tell nothing."""
    if track.suffix.lower() not in TABLES:
        return ""
    with track.open(encoding="utf-8-sig", errors="replace", newline="") as stream:
        first, second = stream.readline(10_000), stream.readline(10_000)
    separator = max(_SEPARATORS, key=lambda name: first.count(_SEPARATORS[name]))
    header, cells = (next(csv.reader([line], delimiter=_SEPARATORS[separator]), []) for line in (first, second))
    found = _usual_columns([name.strip() for name in header], [cell.strip() for cell in cells])
    if not {"x", "y"} <= set(found):
        ledger.warned(f"tracks/{track.name}: columns", "not known", "describe the track in farm.toml before you use it")
        return ""
    listing = ", ".join(f"{ours} = {name} ({unit})" for ours, (name, unit) in found.items())
    ledger.assumed(
        f"tracks/{track.name}: columns",
        listing,
        "written into farm.toml; check the units",
        "names of the columns",
    )
    lines = [f"[tracks.{toml_text(track.name)}]", f'separator = "{separator}"']
    lines += [f'{ours} = {{ column = {toml_text(name)}, unit = "{unit}" }}' for ours, (name, unit) in found.items()]
    return "\n".join(lines)


def _usual_columns(header: Sequence[str], cells: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return our column -> the file's column and its unit; the first row tells what kind of time it is."""
    first = dict(zip(header, cells, strict=False))
    lower: Mapping[str, str] = {name.lower(): name for name in reversed(header)}
    found: dict[str, tuple[str, str]] = {}
    for ours, names in USUAL.items():
        name = next((lower[one] for one in names if one in lower), None)
        if name is None:
            continue
        unit = names[name.lower()] or ("s" if _is_number(first.get(name, "")) else "iso")
        if ours == "time" and unit == "iso" and not _is_stamp(first.get(name, "")):
            continue
        if unit == "degrees" and not (_is_number(first.get(name, "")) and abs(float(first[name])) <= 180):
            continue
        found[ours] = (name, unit)
    return found


def _is_number(text: str) -> bool:
    try:
        return bool(np.isfinite(float(text)))
    except ValueError:
        return False


def _is_stamp(text: str) -> bool:
    try:
        dt.datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def toml_text(text: str) -> str:
    """Return a text as TOML writes it.

    Examples
    --------
    >>> toml_text('a "b"')
    '"a \\\\"b\\\\""'
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in escaped) + '"'


def logs_without_fields(
    tracks: Sequence[Path],
) -> tuple[dict[str, Log], CRS, tuple[float, float, float, float]]:
    """Return recorded tracks in the UTM zone of their middle, the zone, and where they lie in degrees.

    Raises
    ------
    InputError
        A track cannot be read.
    """
    with tempfile.TemporaryDirectory(prefix="trafficplan-") as name:
        folder = Path(name)
        ledger = Ledger(folder)
        tables = copy_tracks(ledger, tracks, folder)
        (folder / "farm.toml").write_text("\n".join(tables.values()), encoding="utf-8")
        settings = read_settings(ledger)
        assert settings is not None
        world = CRS.from_epsg(4326)
        there = _logs(ledger, settings, world, (-180.0, -90.0, 180.0, 90.0), tracks)
        lon = float(np.median(np.concatenate([log.x for log in there.values()])))
        lat = float(np.median(np.concatenate([log.y for log in there.values()])))
        crs = CRS.from_epsg((32700 if lat < 0 else 32600) + min(60, int((lon + 180) // 6) + 1))
        return (
            _logs(ledger, settings, crs, (-1e7, -1e7, 1e7, 2e7), tracks),
            crs,
            (lon - 0.1, lat - 0.1, lon + 0.1, lat + 0.1),
        )


def _logs(
    ledger: Ledger,
    settings: Settings,
    crs: CRS,
    around: tuple[float, float, float, float],
    tracks: Sequence[Path],
) -> dict[str, Log]:
    """Read the tracks as if one field lay around them all."""
    everywhere = box(*around)
    field = Field("all", everywhere, "", float("nan"), None, (), ())
    logs = read_tracks(
        ledger,
        settings,
        Boundaries(crs, {"all": field}, (-180, -90, 180, 90)),
        [track.name for track in tracks],
    )
    if ledger.problems:
        raise InputError(ledger.problems)
    return logs
