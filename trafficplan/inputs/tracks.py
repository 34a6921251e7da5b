"""Recorded logs of the farm folder: found, read in whatever format they are, laid on the farm as Logs."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from trafficplan.errors import InputError
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log
from trafficplan.inputs.clock import JUMP_M, mend_clock, spread
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.gauges import check_speed, cold_pressure
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.interleaved import split_by_place, split_named
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.nmea import looks_like_nmea, read_nmea
from trafficplan.inputs.paths import folder_inside, inside
from trafficplan.inputs.possible import only_possible
from trafficplan.inputs.quality import PAUSE_S
from trafficplan.inputs.recording import Floats, Recording, refused
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.taskdata import Container, open_folder, open_zip, read_log, read_taskdata
from trafficplan.inputs.track_table import read_track_table
from trafficplan.names import Note

#: Endings of the formats that are read; the contents decide which it is.
ENDINGS = (".csv", ".tsv", ".txt", ".gpx", ".nmea", ".log", ".xml", ".zip")
#: Endings of files that hold areas: no path.
AREAS = (".geojson", ".json", ".gpkg", ".shp", ".fgb", ".kml", ".tif", ".tiff")
MAIN = "TASKDATA.XML"

#: A track must have a fix this near to a field [m].
REACH_M = 200.0
#: Share of fixes without a place that is too much to go on.
LOST_SHARE = 0.5


def track_files(ledger: Ledger, settings: Settings) -> tuple[str, ...]:
    """Return the names of the logs in tracks/ (of task data also those inside), and check what farm.toml describes."""
    before = ledger.count()
    folder = folder_inside(ledger, "tracks")
    there: set[str] = set()
    for path in folder.iterdir() if folder else ():
        if not path.name.startswith(".") and (path.is_file() or _main_of(path)):
            there |= {path.name, *(f"{path.name}/{log}" for log in _logs_in(path))}
    if ledger.count() > before:
        return ()
    for name in sorted(set(settings.tracks) - there):
        near = nearest(name, there)
        ledger.problem(
            "a recorded track is missing",
            f'farm.toml, tracks."{name}"',
            f"files there: {listed(there)}",
            f"tracks/{name}",
            f"write {near}" if near else "add the file, or remove the table",
        )
    return tuple(sorted(there))


def _main_of(folder: Path) -> Path | None:
    """Return the TASKDATA.XML of a folder, whatever its capitals."""
    if not folder.is_dir():
        return None
    return next((one for one in sorted(folder.iterdir()) if one.name.upper() == MAIN and one.is_file()), None)


def _container(path: Path, where: str) -> Container:
    if path.is_dir():
        return open_folder(path, where)
    return open_folder(path.parent, where.rpartition("/")[0]) if path.name.upper() == MAIN else open_zip(path, where)


def _logs_in(path: Path) -> list[str]:
    """Return the time logs of task data by their files; nothing for another file, or one that cannot be read."""
    if not (path.is_dir() or path.suffix.lower() == ".zip" or path.name.upper() == MAIN):
        return []
    try:
        names = _container(path, path.name).files
    except InputError:
        return []
    return [name.removesuffix(".BIN") for name in names if name.startswith("TLG") and name.endswith(".BIN")]


def read_tracks(ledger: Ledger, settings: Settings, boundaries: Boundaries, wanted: Collection[str]) -> dict[str, Log]:
    """Return the wanted logs by name: a file's, or one of the logs in it (`TASKDATA/TLG00001`, `mixed.csv/1`)."""
    logs: dict[str, Log] = {}
    by_file: dict[str, list[str]] = {}
    for key in sorted(wanted):
        by_file.setdefault(key.split("/")[0], []).append(key)
    for name, keys in by_file.items():
        for recording in _recordings(ledger, settings, name, keys):
            try:
                parts = _laid(recording, boundaries, settings.timezone)
                chosen = [part for part in parts if part[0].key in keys]
                if not chosen:
                    raise _several(recording, [part[0].key for part in parts])
                for part, x, y in chosen:
                    logs[part.key] = _log(part, x, y, *_whose(settings, part.key))
            except InputError as error:
                ledger.take_over(error, recording.where)
    for log in logs.values():
        ledger.notes.extend(log.notes)
    _same_contents(ledger, logs)
    return logs


def read_other_tracks(
    ledger: Ledger, settings: Settings, boundaries: Boundaries, files: Collection[str], wanted: Collection[str]
) -> dict[str, Log]:
    """Return the logs of tracks/ that no operation names; one that cannot be read is left out with a warning.

    Parameters
    ----------
    files : names as `track_files` gives them; wanted : those that operations name
    """
    logs: dict[str, Log] = {}
    inner = {name for name in files if "/" in name}
    sets = {name.split("/")[0] for name in inner}
    inner -= {name for one in sets for name in _of_wanted_tasks(ledger.folder / "tracks" / one, wanted)}
    single = {name for name in files if "/" not in name} - sets - set(wanted)
    for name in sorted(inner | {one for one in single if Path(one).suffix.lower() in ENDINGS}):
        if name in wanted or name.split("/")[0] in wanted or re.fullmatch(r"TLG\d{5}\.XML", name, re.IGNORECASE):
            continue
        aside = replace(ledger, problems=[], notes=[])
        recordings = _recordings(aside, settings, name.split("/")[0], [name])
        try:
            parts = [part for one in recordings for part in _laid(one, boundaries, settings.timezone)]
            logs |= {
                part.key: _log(part, x, y, *_whose(settings, part.key))
                for part, x, y in parts
                if part.key not in wanted
            }
        except InputError as error:
            aside.take_over(error, f"tracks/{name}")
        for problem in aside.problems:
            ledger.warned(f"{problem.where}: not used", problem.found, f"{problem.what}; {problem.mend}")
    return logs


def _of_wanted_tasks(path: Path, wanted: Collection[str]) -> list[str]:
    """Return the logs of task data that belong to a task which an operation names."""
    if not any(name.startswith(f"{path.name}/") for name in wanted):
        return []
    data = read_taskdata(_container(path, path.name))
    return [f"{path.name}/{log}" for log, entry in data.logs.items() if f"{path.name}/{entry.task}" in wanted]


def _several(recording: Recording, keys: list[str]) -> InputError:
    return refused(
        "several machines in one log",
        recording.where,
        listed(keys),
        "the log of one machine",
        f"write one of these as drive in operations.csv, such as {keys[0]}",
    )


def _recordings(ledger: Ledger, settings: Settings, name: str, keys: list[str]) -> list[Recording]:
    """Return what the file holds of the wanted logs; problems go to the ledger."""
    where = f"tracks/{name}"
    path = ledger.folder / where
    main = _main_of(path)
    if main is not None:
        if inside(ledger, f"{where}/{main.name}", where) is None:
            return []
    else:
        found = inside(ledger, where, where)
        if found is None:
            return []
        path = found
    try:
        if main is not None:
            return _task_logs(ledger, path, where, keys)
        return _of_file(ledger, settings, path, where, keys)
    except InputError as error:
        ledger.take_over(error, where)
    except OSError as error:
        ledger.problem(
            "the file cannot be read",
            where,
            str(error.strerror or error)[:80],
            "a readable file",
            "copy it again",
        )
    return []


def _of_file(ledger: Ledger, settings: Settings, path: Path, where: str, keys: list[str]) -> list[Recording]:
    """Return the recordings of a file by what it holds; the ending only decides what is not read."""
    ending = path.suffix.lower()
    if ending in AREAS:
        raise refused(
            "areas are offered as a track",
            where,
            f"a map layer ({ending})",
            "the path that was driven: fixes in the order of time",
            f"export the recorded log as one of {', '.join(ENDINGS)}",
        )
    if ending not in ENDINGS:
        raise refused(
            "a track in a format that is not read",
            where,
            ending or "no ending",
            f"one of {listed(ENDINGS)}",
            "export it as CSV with time, longitude and latitude",
        )
    with path.open("rb") as stream:
        head = stream.read(1 << 16)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if not text:
        raise refused("a track without fixes", where, "an empty file", "at least two fixes", "export the track again")
    if head.startswith(b"PK\x03\x04") or ending == ".zip" or path.name.upper() == MAIN:
        return _task_logs(ledger, path, where, keys)
    ledger.hash_file(path)
    if ending == ".gpx" or text.startswith(b"<"):
        return [read_gpx(path, path.name, where)]
    if looks_like_nmea(head) or ending == ".nmea":
        return [read_nmea(path, path.name, where)]
    form = settings.tracks.get(path.name)
    table = read_track_table(ledger, path, where, form if form and form.describes() else None)
    return [table] if table is not None else []


def _task_logs(ledger: Ledger, path: Path, where: str, keys: list[str]) -> list[Recording]:
    """Return the wanted logs of task data; a task's name stands for all its logs, one after the other."""
    container = _container(path, where)
    data = read_taskdata(container)
    there = sorted(name.removesuffix(".BIN") for name in container.files if name.endswith(".BIN"))
    out = []
    for key in keys:
        name = key.partition("/")[2]
        logs = [one for one, log in data.logs.items() if name and log.task == name]
        if name in there or name in data.logs:
            logs = [name]
        if not name and len(there) == 1:
            logs = there
        if not logs:
            raise refused(
                "task data holds several logs" if not name else "no such log or task in the task data",
                where,
                listed(there),
                "the name of one log, or of a task",
                f"write {path.name}/{there[0] if there else 'TLG00001'} as drive in operations.csv",
            )
        out.append(_joined([read_log(container, data, one, key) for one in logs]))
        for file in (MAIN, *(f"{one}{ending}" for one in logs for ending in (".XML", ".BIN"))):
            ledger.hash_file(path if container.zipped else container.path / container.files[file])
    return out


def _joined(parts: list[Recording]) -> Recording:
    """Return the logs of one task as one; columns that one of them lacks are left out."""
    if len(parts) == 1:
        return parts[0]
    shared = set.intersection(*(set(part.columns) for part in parts))
    columns = {name: np.concatenate([part.columns[name] for part in parts]) for name in sorted(shared)}
    notes = tuple(note for part in parts for note in part.notes)
    return replace(parts[0], columns=columns, rows=sum(part.rows for part in parts), notes=notes)


def _laid(recording: Recording, boundaries: Boundaries, timezone: str) -> list[tuple[Recording, Floats, Floats]]:
    """Return the machines of a recording with their fixes in the working CRS and usable times.

    Raises
    ------
    InputError
        When there are no places, none near a field, or neither times nor order.
    """
    recording, x, y = _placed(_in_utc(only_possible(recording), timezone), boundaries)
    laid = []
    for named, group in split_named(recording):
        mended, keep = mend_clock(named, x[group], y[group])
        mended, there = _only(mended, keep), group[keep]
        for part, inner in split_by_place(mended, x[there], y[there]):
            east, north = x[there][inner], y[there][inner]
            laid.append((check_speed(spread(part, east, north), east, north), east, north))
    return laid


def _only(recording: Recording, keep: NDArray[np.bool_]) -> Recording:
    columns = {name: column[keep] for name, column in recording.columns.items()}
    machine = None if recording.machine is None else recording.machine[keep]
    return replace(recording, columns=columns, machine=machine)


def _in_utc(recording: Recording, timezone: str) -> Recording:
    """Return times of the farm's zone as UTC, by the offset at the log's start (it stays within a log)."""
    if not recording.local:
        return recording
    time = recording.columns["time"]
    stamp = np.datetime64(int(np.nanmin(time)), "s").astype("datetime64[s]").item()
    offset = zoneinfo.ZoneInfo(timezone).utcoffset(stamp)
    seconds = offset.total_seconds() if offset is not None else 0.0
    return replace(recording, columns={**recording.columns, "time": time - seconds}, local=False)


def _placed(recording: Recording, boundaries: Boundaries) -> tuple[Recording, Floats, Floats]:
    """Return the rows with a place, and x, y [m] in the working CRS."""
    crs = CRS.from_user_input(recording.crs)
    raw_x, raw_y, where = recording.columns["x"], recording.columns["y"], recording.where
    there = np.isfinite(raw_x) & np.isfinite(raw_y) & ~((raw_x == 0) & (raw_y == 0))
    if crs.is_geographic:
        there &= (np.abs(raw_x) <= 360) & (np.abs(raw_y) <= 90)
    change = Transformer.from_crs(crs, boundaries.crs, always_xy=True)
    x, y = (np.asarray(one, dtype=np.float64) for one in change.transform(raw_x[there], raw_y[there]))
    finite = np.isfinite(x) & np.isfinite(y)
    there[np.flatnonzero(there)[~finite]] = False
    lost = int((~there).sum())
    if lost > LOST_SHARE * len(there) or there.sum() < 2:
        raise refused(
            "a track without places",
            where,
            f"{lost} of {len(there)} rows without x and y that can be",
            "fixes with both",
            "check the columns, their units and the coordinate system, or export the track again",
        )
    notes = recording.notes
    if lost:
        why = "the receiver had no fix there"
        notes = (
            *notes,
            Note("repaired", f"{where}: rows without a place", f"{lost} of {len(there)} left out", why),
        )
    x, y = x[finite], y[finite]
    _comes_near(where, (x, y), (raw_x[there], raw_y[there]), change, boundaries.fields)
    return _only(replace(recording, notes=notes), there), x, y


def _comes_near(
    where: str,
    laid: tuple[Floats, Floats],
    raw: tuple[Floats, Floats],
    change: Transformer,
    fields: Mapping[str, Field],
) -> None:
    reach = shapely.union_all([field.polygon for field in fields.values()]).buffer(REACH_M)
    shapely.prepare(reach)
    if shapely.contains_xy(reach, *laid).any():
        return
    turned = np.asarray(change.transform(raw[1], raw[0]))
    if np.isfinite(turned).all() and shapely.contains_xy(reach, turned[0], turned[1]).any():
        raise refused(
            "longitude and latitude are swapped",
            where,
            f"x {raw[0][0]:.6g}, y {raw[1][0]:.6g}",
            "x = longitude, y = latitude",
            "swap the two columns in farm.toml",
        )
    raise refused(
        "the track touches no field",
        where,
        f"first fix x {raw[0][0]:.6g}, y {raw[1][0]:.6g}",
        "a track on this farm",
        "check the file, its columns and its coordinate system",
    )


def _whose(settings: Settings, key: str) -> tuple[str, str]:
    """Return outfit and axle that farm.toml names for a log, or for the file that holds it; else "" and "*"."""
    forms = [form for name in (key, key.split("/")[0]) if (form := settings.tracks.get(name)) is not None]
    outfit = next((form.outfit for form in forms if form.outfit), "")
    axle = next((form.pressure.axle for form in forms if form.pressure is not None and form.pressure.axle), "*")
    return outfit, axle


def _log(recording: Recording, x: Floats, y: Floats, outfit: str, axle: str) -> Log:
    recording = cold_pressure(recording)
    columns = recording.columns
    notes = (*recording.notes, *quality_notes(recording.where, columns["time"], x, y))
    return Log(
        recording.key,
        columns["time"],
        x,
        y,
        columns.get("speed"),
        columns.get("flow"),
        columns.get("load"),
        columns.get("step"),
        columns.get("record"),
        tuple(dict.fromkeys(notes)),
        columns.get("width"),
        columns.get("working"),
        columns.get("pressure"),
        columns.get("temperature"),
        recording.rows,
        outfit,
        axle,
    )


def quality_notes(where: str, time_s: Floats, x: Floats, y: Floats) -> list[Note]:
    """Return what is worth knowing of a track: jumps, pauses, steps back in time, repeated places."""
    step = np.hypot(np.diff(x), np.diff(y))
    wait = np.diff(time_s)
    still = int((step == 0).sum())
    findings = (
        (
            int((step > JUMP_M).sum()),
            f"steps of more than {JUMP_M:g} m between fixes",
            "told apart when the drive is made: not counted as driven",
        ),
        (
            int((wait > PAUSE_S).sum()),
            f"pauses of more than {PAUSE_S:g} s",
            "the outfit stood, or the logger was off",
        ),
        (int((wait < 0).sum()), "steps back in time", "fixes are put in the order of time"),
        (still, "fixes on the same place as the one before", "standing still adds no pass"),
        (int(np.isnan(time_s).sum()), "fixes without a time", "hours and speeds leave them out"),
    )
    return [Note("warned", f"{where}: {what}", f"{count} of {len(x)}", why) for count, what, why in findings if count]


def _same_contents(ledger: Ledger, logs: Mapping[str, Log]) -> None:
    """Warn of logs that are the same drive under two names."""
    seen: dict[tuple[int, float, float, float], str] = {}
    for key, log in sorted(logs.items()):
        print_of = (len(log.x), float(log.x.sum()), float(log.y.sum()), float(np.nansum(log.time_s)))
        if print_of in seen:
            why = "its passes are counted for each operation that names it"
            ledger.warned(f"tracks/{key}: the same log as tracks/{seen[print_of]}", f"{len(log.x)} fixes", why)
        seen.setdefault(print_of, key)
