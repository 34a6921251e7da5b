"""Recorded tracks: delimited text with any columns and units, turned into a Log in the working CRS."""

from __future__ import annotations

import io
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.paths import inside
from trafficplan.inputs.settings import Settings, TrackColumn, TrackForm
from trafficplan.inputs.table import read_text
from trafficplan.names import Note
from trafficplan.units import FACTORS

Floats = NDArray[np.float64]

#: Endings of the formats that are read here. A further format adds its reader in `read_tracks`.
ENDINGS = (".csv", ".tsv", ".txt")

#: Our column -> units that it may be in.
UNITS: dict[str, tuple[str, ...]] = {
    "time": ("iso", "s", "ms", "min", "h"),
    "x": ("degrees", "m", "km", "ft"),
    "y": ("degrees", "m", "km", "ft"),
    "speed": ("m/s", "km/h", "mph", "kn"),
    "flow": ("kg/s", "lb/s", "t/h", "g/s"),
    "load": ("kg", "t", "lb"),
    "step": ("m", "cm", "mm", "in", "ft", "km"),
    "record": ("s", "ms", "min"),
}
#: Names that are understood where farm.toml says nothing of a track.
COMMON: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "datetime"),
    "x": ("lon", "long", "longitude"),
    "y": ("lat", "latitude"),
}
_SEPARATORS = {"tab": "\t", "comma": ",", "semicolon": ";"}

#: A step between two fixes longer than this is a jump [m]; a wait longer than this a pause [s].
JUMP_M, PAUSE_S = 30.0, 10.0
#: A track must have a fix this near to a field [m].
REACH_M = 200.0
#: Share of fixes without a place that is too much to go on.
LOST_SHARE = 0.5


def track_files(ledger: Ledger, settings: Settings) -> tuple[str, ...]:
    """Return the names of the files in tracks/ and of those that farm.toml describes."""
    folder = ledger.folder / "tracks"
    there = (
        {path.name for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")}
        if folder.is_dir()
        else set()
    )
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


def read_tracks(
    ledger: Ledger, settings: Settings, boundaries: Boundaries, wanted: Collection[str]
) -> dict[str, Log]:
    """Return the logs of the wanted files by file name."""
    logs: dict[str, Log] = {}
    for name in sorted(wanted):
        where = f"tracks/{name}"
        path = inside(ledger, where, where)
        if path is None:
            continue
        if path.suffix.lower() not in ENDINGS:
            ledger.problem(
                "a track in a format that is not read",
                where,
                path.suffix,
                f"one of {listed(ENDINGS)}",
                "export it as CSV with time, longitude and latitude",
            )
            continue
        log = _read(ledger, path, where, settings.tracks.get(name), boundaries)
        if log is not None:
            logs[name] = log
            ledger.notes.extend(log.notes)
    return logs


def _read(
    ledger: Ledger, path: Path, where: str, form: TrackForm | None, boundaries: Boundaries
) -> Log | None:
    frame = _frame(ledger, path, where, form)
    if frame is None:
        return None
    mapping = _mapping(ledger, where, form, list(frame.columns))
    if mapping is None:
        return None
    before = ledger.count()
    columns = {ours: _column(ledger, where, frame, ours, column) for ours, column in mapping.items()}
    crs = _crs(ledger, where, form)
    if ledger.count() > before or crs is None:
        return None
    notes: list[Note] = []
    if form is None:
        listing = ", ".join(f"{ours} = {column.column} ({column.unit})" for ours, column in mapping.items())
        notes.append(
            Note(
                "assumed",
                f"{where}: columns",
                listing,
                "farm.toml does not describe this track",
                "names of the columns",
            )
        )
    return _log(ledger, where, path.name, columns, crs, boundaries, notes)


def _frame(ledger: Ledger, path: Path, where: str, form: TrackForm | None) -> pd.DataFrame | None:
    text = read_text(ledger, path)
    if text is None:
        return None
    header = text.partition("\n")[0]
    guessed = max(_SEPARATORS.values(), key=header.count)
    separator = _SEPARATORS[form.separator] if form is not None and form.separator else guessed
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            sep=separator,
            dtype=str,
            keep_default_na=False,
            skipinitialspace=True,
            index_col=False,
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        ledger.problem(
            "the track cannot be read as a table",
            where,
            str(error).strip()[:100],
            "a header row and rows of as many cells",
            "correct the row, or name the separator in farm.toml",
        )
        return None
    frame.columns = [str(column).strip() for column in frame.columns]
    if len(frame) < 2:
        ledger.problem(
            "a track without fixes",
            where,
            f"{len(frame)} rows",
            "at least two fixes",
            "export the track again",
        )
        return None
    return frame


def _mapping(
    ledger: Ledger, where: str, form: TrackForm | None, header: list[str]
) -> dict[str, TrackColumn] | None:
    """Return our column -> the file's column and unit, checked against the header."""
    if form is None:
        lower = {column.lower(): column for column in header}
        found = {
            ours: next((lower[name] for name in names if name in lower), None)
            for ours, names in COMMON.items()
        }
        mapping = {
            ours: TrackColumn(column=name, unit="iso" if ours == "time" else "degrees")
            for ours, name in found.items()
            if name
        }
    else:
        chosen = {ours: getattr(form, ours) for ours in UNITS}
        mapping = {ours: column for ours, column in chosen.items() if column is not None}
    before = ledger.count()
    place = f'farm.toml, tracks."{where.removeprefix("tracks/")}"'
    for ours in ("x", "y"):
        if ours not in mapping:
            ledger.problem(
                f"the track's column {ours} is not known",
                where,
                f"columns {listed(header)}",
                "columns for time, x and y",
                f'describe the track in {place} with {ours} = {{ column = "...", unit = "degrees" }}',
            )
    for ours, column in mapping.items():
        if column.column not in header:
            near = nearest(column.column, header)
            ledger.problem(
                "a column is missing",
                f"{place}, {ours}",
                column.column,
                f"one of {listed(header)}",
                f"write {near}" if near else "name one of these columns",
            )
        if column.unit not in UNITS[ours]:
            ledger.problem(
                "unknown unit",
                f"{place}, {ours}",
                column.unit or "nothing",
                f"one of {', '.join(UNITS[ours])}",
                f'write unit = "{UNITS[ours][0]}" or another of these',
            )
    return mapping if ledger.count() == before else None


def _column(ledger: Ledger, where: str, frame: pd.DataFrame, ours: str, column: TrackColumn) -> Floats:
    """Return a column in SI (degrees stay degrees); empty cells are NaN, text is a problem with its row."""
    cells = frame[column.column].str.strip()
    if column.unit == "iso":
        stamps = pd.to_datetime(cells.where(cells != ""), utc=True, format="ISO8601", errors="coerce")
        values = ((stamps - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)).to_numpy(dtype=np.float64)
        wanted = "a time as 2026-04-30T07:30:00Z"
    else:
        values = (
            pd.to_numeric(cells, errors="coerce").to_numpy(dtype=np.float64, copy=True) * FACTORS[column.unit]
        )
        values[~np.isfinite(values)] = np.nan
        wanted = f"a number in {column.unit}"
    empty = cells.str.lower().isin(["", "nan", "na", "null"]).to_numpy()
    wrong = np.flatnonzero(np.isnan(values) & ~empty)
    if wrong.size:
        row = int(wrong[0])
        text = str(cells.iloc[row])
        mend = (
            f"write a decimal point: {text.replace(',', '.')}"
            if "," in text
            else "correct the cell, or leave it empty"
        )
        if ours == "time" and column.unit != "iso":
            mend = f'{mend}; for stamps of date and time set unit = "iso" in farm.toml'
        ledger.problem(
            f"not {wanted.partition(' in ')[0]}",
            f"{where}, row {row + 2}, column {column.column}",
            text + (f" (and {wrong.size - 1} more)" if wrong.size > 1 else ""),
            wanted,
            mend,
        )
    return np.asarray(values, dtype=np.float64)


def _crs(ledger: Ledger, where: str, form: TrackForm | None) -> CRS | None:
    text = form.crs if form is not None else "EPSG:4326"
    try:
        return CRS.from_user_input(text)
    except CRSError:
        ledger.problem(
            "unknown coordinate system",
            f'farm.toml, tracks."{where.removeprefix("tracks/")}", crs',
            text,
            "a code such as EPSG:4326",
            "look up the code",
        )
        return None


def _log(
    ledger: Ledger,
    where: str,
    key: str,
    columns: Mapping[str, Floats],
    crs: CRS,
    boundaries: Boundaries,
    notes: list[Note],
) -> Log | None:
    raw_x, raw_y = columns["x"], columns["y"]
    here = np.isfinite(raw_x) & np.isfinite(raw_y) & ~((raw_x == 0) & (raw_y == 0))
    lost = int((~here).sum())
    if lost > LOST_SHARE * len(here) or here.sum() < 2:
        ledger.problem(
            "a track without places",
            where,
            f"{lost} of {len(here)} rows without x and y",
            "fixes with both",
            "export the track again",
        )
        return None
    if lost:
        notes.append(
            Note(
                "repaired",
                f"{where}: rows without a place",
                f"{lost} of {len(here)} left out",
                "the receiver had no fix there",
            )
        )
    change = Transformer.from_crs(crs, boundaries.crs, always_xy=True)
    x, y = change.transform(raw_x[here], raw_y[here])
    if not _comes_near(
        ledger, where, np.asarray(x), np.asarray(y), (raw_x[here], raw_y[here]), change, boundaries.fields
    ):
        return None
    kept = {ours: values[here] for ours, values in columns.items()}
    time = kept.get("time", np.full(int(here.sum()), np.nan))
    notes.extend(quality_notes(where, time, np.asarray(x), np.asarray(y)))
    return Log(
        key,
        time,
        np.asarray(x, dtype=np.float64),
        np.asarray(y, dtype=np.float64),
        kept.get("speed"),
        kept.get("flow"),
        kept.get("load"),
        kept.get("step"),
        kept.get("record"),
        tuple(notes),
    )


def _comes_near(
    ledger: Ledger,
    where: str,
    x: Floats,
    y: Floats,
    raw: tuple[Floats, Floats],
    change: Transformer,
    fields: Mapping[str, Field],
) -> bool:
    reach = shapely.union_all([field.polygon for field in fields.values()]).buffer(REACH_M)
    shapely.prepare(reach)
    if shapely.contains_xy(reach, x, y).any():
        return True
    turned = np.asarray(change.transform(raw[1], raw[0]))
    if np.isfinite(turned).all() and shapely.contains_xy(reach, turned[0], turned[1]).any():
        ledger.problem(
            "longitude and latitude are swapped",
            where,
            f"x {raw[0][0]:.6g}, y {raw[1][0]:.6g}",
            "x = longitude, y = latitude",
            "swap the two columns in farm.toml",
        )
        return False
    ledger.problem(
        "the track touches no field",
        where,
        f"first fix x {raw[0][0]:.6g}, y {raw[1][0]:.6g}",
        "a track on this farm",
        "check the file, its columns and its coordinate system",
    )
    return False


def quality_notes(where: str, time_s: Floats, x: Floats, y: Floats) -> list[Note]:
    """Return what is worth knowing of a track: jumps, pauses, steps back in time, repeated places."""
    step = np.hypot(np.diff(x), np.diff(y))
    wait = np.diff(time_s)
    still = int((step == 0).sum())
    findings = (
        (
            int((step > JUMP_M).sum()),
            f"steps of more than {JUMP_M:g} m between fixes",
            "joined by straight lines",
        ),
        (
            int((wait > PAUSE_S).sum()),
            f"pauses of more than {PAUSE_S:g} s",
            "the outfit stood, or the logger was off",
        ),
        (int((wait < 0).sum()), "steps back in time", "rows are taken in the order of the file"),
        (still, "fixes on the same place as the one before", "standing still adds no pass"),
        (int(np.isnan(time_s).sum()), "fixes without a time", "hours and speeds leave them out"),
    )
    return [
        Note("warned", f"{where}: {what}", f"{count} of {len(x)}", why)
        for count, what, why in findings
        if count
    ]
