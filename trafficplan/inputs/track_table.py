"""Recorded logs as delimited text: any columns and units, read in pieces."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from trafficplan.inputs.cells import seconds_of
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.record import number_mend
from trafficplan.inputs.recording import MOST_FIXES, WGS84, Floats, Recording, too_many
from trafficplan.inputs.settings import TrackColumn, TrackForm
from trafficplan.names import Note
from trafficplan.units import FACTORS

#: Our column -> units that it may be in.
UNITS: dict[str, tuple[str, ...]] = {
    "time": ("iso", "s", "ms", "min", "h"),
    "date": ("iso",),
    "x": ("degrees", "m", "km", "ft"),
    "y": ("degrees", "m", "km", "ft"),
    "speed": ("m/s", "km/h", "mph", "kn"),
    "flow": ("kg/s", "lb/s", "t/h", "g/s"),
    "load": ("kg", "t", "lb"),
    "step": ("m", "cm", "mm", "in", "ft", "km"),
    "record": ("s", "ms", "min"),
    "machine": ("name",),
    "pressure": ("bar", "kPa", "psi", "Pa"),
    "temperature": ("C", "F"),
    "width": ("m", "cm", "ft", "in"),
    "working": ("0/1",),
}
#: Names that are understood where farm.toml says nothing of a track; a unit may follow (speed_km_h, speed (m/s)).
COMMON: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "datetime", "date_time", "utc", "utc_time", "gps_time"),
    "date": ("date", "day"),
    "x": ("lon", "long", "longitude", "lng"),
    "y": ("lat", "latitude"),
    "speed": ("speed", "velocity", "ground_speed"),
    "flow": ("flow", "mass_flow"),
    "load": ("load", "mass_on_board"),
    "machine": ("machine", "machine_id", "vehicle", "vehicle_id", "device", "device_id"),
    "pressure": ("tyre_pressure", "tire_pressure"),
    "temperature": ("tyre_temperature", "tire_temperature"),
    "width": ("working_width", "width"),
    "working": ("working", "work_state"),
}
_SPELLED = {re.sub(r"[^a-z0-9/]+", "_", unit.lower()).replace("/", "_"): unit for unit in (*FACTORS, "C", "F") if unit}
_SPELLED |= {
    "kmh": "km/h",
    "kph": "km/h",
    "ms": "m/s",
    "knots": "kn",
    "deg": "degrees",
    "degc": "C",
    "degf": "F",
}
_SEPARATORS = {"tab": "\t", "comma": ",", "semicolon": ";"}
_EMPTY = ("", "nan", "na", "null", "none")
_ROWS = 200_000
_AREA = re.compile(r"(MULTI)?POLYGON\s*\(|LINESTRING\s*\(", re.IGNORECASE)
_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d(\.\d+)?)?")
_DAY_S = 86_400.0


@dataclass(frozen=True)
class _Form:
    """How the table is written: our column -> the file's column and unit."""

    columns: Mapping[str, TrackColumn]
    separator: str
    encoding: str
    crs: str
    speed_unit_known: bool


def read_track_table(ledger: Ledger, path: Path, where: str, form: TrackForm | None) -> Recording | None:
    """Return the recording of a CSV or TSV file, or None with the problems in the ledger."""
    encoding = _encoding(ledger, path, where)
    if encoding is None:
        return None
    with path.open(encoding=encoding, errors="replace", newline="") as stream:
        line = stream.readline(100_000).strip("\r\n")
    guessed = max(_SEPARATORS.values(), key=line.count)
    separator = _SEPARATORS[form.separator] if form is not None and form.separator else guessed
    header = [cell.strip().strip('"').strip() for cell in line.split(separator)]
    chosen = _mapping(ledger, where, form, header)
    crs = _crs(ledger, where, form)
    if chosen is None or crs is None:
        return None
    mapping, known = chosen
    columns = _columns(ledger, path, where, _Form(mapping, separator, encoding, crs, known))
    if columns is None:
        return None
    notes: list[Note] = []
    if form is None:
        listing = ", ".join(f"{ours} = {one.column} ({one.unit})" for ours, one in mapping.items())
        why = "farm.toml does not describe this track"
        notes.append(Note("assumed", f"{where}: columns", listing, why, "names of the columns"))
    machine, names = _machines(columns.pop("machine", None))
    numbers = {name: np.asarray(column, dtype=np.float64) for name, column in columns.items()}
    rows = len(numbers["x"])
    if rows < 2:
        ledger.problem("a track without fixes", where, f"{rows} rows", "at least two fixes", "export the track again")
        return None
    numbers.setdefault("time", np.full(rows, np.nan))
    if "date" in numbers:
        date = numbers.pop("date")
        if np.nanmax(numbers["time"], initial=0.0) <= _DAY_S:
            numbers["time"] = np.where(np.isfinite(numbers["time"]), date + numbers["time"], date)
    elif mapping.get("time") is not None and mapping["time"].unit == "iso":
        numbers["time"] = _unrolled(numbers["time"])
    return Recording(path.name, where, numbers, crs, machine, names, rows, known, False, tuple(notes))


def _encoding(ledger: Ledger, path: Path, where: str) -> str | None:
    """Return the character set: UTF-8, else Windows western with a note; None with a problem for binary files."""
    decoder = codecs.getincrementaldecoder("utf-8-sig")("strict")
    with path.open("rb") as stream:
        while chunk := stream.read(1 << 20):
            if b"\0" in chunk or chunk.startswith((b"\xff\xfe", b"\xfe\xff")):
                ledger.problem(
                    "not a text file in UTF-8",
                    where,
                    "UTF-16 or a binary file",
                    "comma-separated text in UTF-8",
                    "save it as CSV UTF-8, or export the log again",
                )
                return None
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError:
                why = "the file is not UTF-8; check names with accents"
                ledger.assumed(f"{where}: character set", "Windows western (cp1252)", why, "guess")
                return "cp1252"
    return "utf-8-sig"


def _spelled(column: str) -> tuple[str, str]:
    """Return a header's name and the unit that it ends with, both as we write them.

    Examples
    --------
    >>> _spelled("Speed (km/h)"), _spelled("tyre_pressure_bar"), _spelled("LON")
    (('speed', 'km/h'), ('tyre_pressure', 'bar'), ('lon', ''))
    """
    plain = re.sub(r"[^a-z0-9]+", "_", column.lower()).strip("_")
    for spelled in sorted(_SPELLED, key=len, reverse=True):
        if spelled and plain.endswith(f"_{spelled}"):
            return plain.removesuffix(f"_{spelled}"), _SPELLED[spelled]
    return plain, ""


def _guessed(header: list[str]) -> tuple[dict[str, TrackColumn], bool]:
    """Return the columns that common names give, and whether the unit of speed is known."""
    defaults = {ours: units[0] for ours, units in UNITS.items()}
    found: dict[str, TrackColumn] = {}
    known = True
    for column in header:
        name, unit = _spelled(column)
        for ours, names in COMMON.items():
            whole = re.sub(r"[^a-z0-9]+", "_", column.lower()).strip("_")
            if ours in found or (name not in names and whole not in names):
                continue
            unit = "" if whole in names else unit
            if ours in ("load", "flow", "pressure", "temperature", "width") and unit not in UNITS[ours]:
                continue  # without a unit they could mean anything
            if unit and unit not in UNITS[ours]:
                continue
            found[ours] = TrackColumn(column=column, unit=unit or defaults[ours])
            known = known and (ours != "speed" or bool(unit))
    if "date" in found and "time" not in found:
        found["time"] = found.pop("date")
    return found, known


def _mapping(
    ledger: Ledger, where: str, form: TrackForm | None, header: list[str]
) -> tuple[dict[str, TrackColumn], bool] | None:
    """Return our column -> the file's column and unit, checked against the header."""
    known = True
    if form is None:
        mapping, known = _guessed(header)
    else:
        chosen = {ours: getattr(form, ours) for ours in UNITS}
        mapping = {ours: column for ours, column in chosen.items() if column is not None}
    before = ledger.count()
    place = f'farm.toml, tracks."{where.removeprefix("tracks/")}"'
    twice = sorted({one for one in header if header.count(one) > 1} & {one.column for one in mapping.values()})
    if twice:
        ledger.problem(
            "a column comes twice",
            f"{where}, row 1",
            twice[0],
            "each column once",
            "rename or remove one of them",
        )
    for ours in ("x", "y"):
        if ours not in mapping:
            ledger.problem(
                f"the track's column {ours} is not known",
                where,
                f"columns {listed(one[:30] for one in header)}",
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
        if column.unit not in UNITS[ours] and not (ours in ("machine", "working", "date") and not column.unit):
            ledger.problem(
                "unknown unit",
                f"{place}, {ours}",
                column.unit or "nothing",
                f"one of {', '.join(UNITS[ours])}",
                f'write unit = "{UNITS[ours][0]}" or another of these',
            )
    return (mapping, known) if ledger.count() == before else None


def _columns(ledger: Ledger, path: Path, where: str, form: _Form) -> dict[str, Any] | None:
    """Return our columns, read in pieces so that the text is never in memory as a whole."""
    pieces: dict[str, list[Any]] = {ours: [] for ours in form.columns}
    before, rows = ledger.count(), 0
    try:
        reader = pd.read_csv(
            path,
            sep=form.separator,
            encoding=form.encoding,
            encoding_errors="replace",
            keep_default_na=False,
            na_values={one.column: ["", "nan", "NaN", "NA", "null"] for one in form.columns.values()},
            skipinitialspace=True,
            index_col=False,
            low_memory=False,
            chunksize=_ROWS,
        )
        for frame in reader:
            frame.columns = pd.Index([str(column).strip() for column in frame.columns])
            for ours, one in form.columns.items():
                column = _column(ledger, where, frame[one.column], ours, one, rows)
                pieces[ours].append(column)
            rows += len(frame)
            if rows > MOST_FIXES:
                ledger.take_over(too_many(where), where)
            if ledger.count() > before:
                return None
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError, KeyError) as error:
        ledger.problem(
            "the track cannot be read as a table",
            where,
            str(error).strip()[:100],
            "a header row and rows of as many cells",
            "correct the row, or name the separator in farm.toml",
        )
        return None
    return {ours: np.concatenate(parts) if parts else np.empty(0) for ours, parts in pieces.items()}


def _column(ledger: Ledger, where: str, cells: pd.Series[Any], ours: str, column: TrackColumn, row: int) -> Any:
    """Return a column in SI (degrees stay degrees); empty cells are NaN, text is a problem with its row."""
    if ours == "machine":
        return cells.astype("string").fillna("").str.strip().to_numpy(dtype=object)
    if column.unit == "iso" or ours == "date":
        text = cells.astype("string").str.strip()
        values, wanted = _times(text), "a time as 2026-04-30T07:30:00Z"
    else:
        numeric = cells if pd.api.types.is_numeric_dtype(cells) else pd.to_numeric(cells, errors="coerce")
        values = _si(numeric.to_numpy(dtype=np.float64, copy=True), column.unit)
        wanted = f"a number in {column.unit}"
    wrong = np.flatnonzero(np.isnan(values) & cells.notna().to_numpy())
    if wrong.size:
        shown = cells.iloc[wrong].astype(str).str.strip()
        filled = ~shown.str.lower().isin(_EMPTY).to_numpy()
        wrong, shown = wrong[filled], shown[filled]
    if wrong.size:
        _not_a_number(ledger, f"{where}, row {row + int(wrong[0]) + 2}, column {column.column}", str(shown.iloc[0]), wanted,
                      wrong.size, stamps=ours == "time" and column.unit != "iso")  # fmt: skip
    return values


def _si(values: Floats, unit: str) -> Floats:
    values[~np.isfinite(values)] = np.nan
    if unit == "F":
        return np.asarray((values - 32.0) / 1.8)
    return np.asarray(values * FACTORS.get(unit, 1.0))


def _not_a_number(ledger: Ledger, place: str, text: str, wanted: str, count: int, *, stamps: bool) -> None:
    if _AREA.match(text):
        ledger.problem(
            "areas are offered as a track",
            place,
            text[:40],
            "the path that was driven",
            "export the recorded log",
        )
        return
    mend = f"write a decimal point: {text.replace(',', '.')}" if "," in text else "correct the cell, or leave it empty"
    mend = asked if "thousands" in (asked := number_mend(text, "")) else mend
    if stamps:
        mend = f'{mend}; for stamps of date and time set unit = "iso" in farm.toml'
    more = f" (and {count - 1} more)" if count > 1 else ""
    ledger.problem(f"not {wanted.partition(' in ')[0]}", place, text[:60] + more, wanted, mend)


def _times(text: pd.Series[Any]) -> Floats:
    """Return stamps of date and time as seconds since 1970, times of day alone as seconds of the first day."""
    some = text.dropna()
    if len(some) and _CLOCK.fullmatch(str(some.iloc[0])):
        short = text.where(text.str.count(":") != 1, text + ":00")
        seconds = pd.to_timedelta(short, errors="coerce") / pd.Timedelta(seconds=1)
        return np.asarray(seconds.to_numpy(dtype=np.float64))
    stamps = pd.to_datetime(text.where(text != ""), utc=True, format="ISO8601", errors="coerce")
    return seconds_of(stamps)


def _unrolled(time: Floats) -> Floats:
    """Return times of day with a day added at each midnight; stamps with a date stay."""
    known = np.flatnonzero(np.isfinite(time))
    if not len(known) or time[known].max() > _DAY_S:
        return time
    time[known[1:]] += np.cumsum(np.diff(time[known]) < -_DAY_S / 2) * _DAY_S
    return time


def _machines(names: Any) -> tuple[Any, tuple[str, ...]]:
    """Return the index of each row's machine and the names; (None, ()) where there is one or no column."""
    if names is None:
        return None, ()
    codes, known = pd.factorize(names, sort=True)
    if len(known) < 2:
        return None, ()
    return codes.astype(np.intp), tuple(str(name) for name in known)


def _crs(ledger: Ledger, where: str, form: TrackForm | None) -> str | None:
    text = form.crs if form is not None else WGS84
    try:
        CRS.from_user_input(text)
    except CRSError:
        ledger.problem(
            "unknown coordinate system",
            f'farm.toml, tracks."{where.removeprefix("tracks/")}", crs',
            text,
            "a code such as EPSG:4326",
            "look up the code",
        )
        return None
    return text
