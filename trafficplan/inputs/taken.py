"""A plan taken into the farm folder: one more row of operations.csv, its drive in plans/, and a scenario if wanted.

Everything else in the files stays as it was, letter by letter. All is read back before anything is swapped in.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pyproj import CRS

from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import DrivePlan, Operation
from trafficplan.inputs.column_units import Column, change_of
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.operations import Known, read_operations
from trafficplan.inputs.plans import FOLDER, plan_files, plan_text, read_plan
from trafficplan.inputs.record import as_number
from trafficplan.inputs.scenarios import read_scenarios
from trafficplan.inputs.settings import Settings, read_settings
from trafficplan.inputs.table import decoded, rows_of
from trafficplan.inputs.tracks import track_files


@dataclass(frozen=True)
class _Written:
    """A file before and after: its bytes as they were (None: it is new), and as they will be."""

    path: Path
    before: bytes | None
    after: bytes

    @property
    def beside(self) -> Path:
        """The temporary file."""
        return self.path.with_name(f".{self.path.name}.new")


def add_operation(
    folder: Path, farm: Farm, row: Mapping[str, str], plan: DrivePlan | None = None, scenario: str = ""
) -> Operation:
    """Write one more operation into a farm folder and return it as read back.

    Parameters
    ----------
    folder, farm : the farm folder, and what was read from it
    row : our column of operations.csv -> text as a person would write it ("12 t/ha"); columns that the file lacks
        are added to it
    plan : the drive, in the farm's working CRS; the row's `drive` becomes "plan:KEY" and the plan `plans/KEY.csv`
    scenario : a scenario as TOML, put at the end of scenarios.toml

    Raises
    ------
    InputError
        The id or the plan is there already, or the row or scenario would not be read; nothing was changed then.
    OutputError
        The folder cannot be written, or somebody else wrote it meanwhile.
    """
    ledger = Ledger(folder.resolve())
    settings = read_settings(ledger)
    if settings is None:
        raise InputError(ledger.problems)
    files: list[_Written] = []
    if plan is not None:
        row = {**row, "drive": f"plan:{plan.key}"}
        files.append(_plan_file(ledger, plan, farm.crs))
    table = settings.files.operations or "operations.csv"
    files.append(_table_file(ledger, table, row, settings.columns.operations))
    if scenario:
        files.append(_scenario_file(ledger, settings.files.scenarios or "scenarios.toml", scenario))
    if ledger.problems:
        raise InputError(ledger.problems)
    try:
        return _swapped(ledger, settings, farm, files, row["id"])
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise _unwritten(folder, error.strerror or str(error)) from error
    finally:
        for one in files:
            one.beside.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # a folder plans/ that was made for nothing; one with files stays
            (ledger.folder / FOLDER).rmdir()


def _unwritten(folder: Path, found: str) -> OutputError:
    return OutputError(
        Problem("the plan cannot be written into the farm folder", folder.name, found,
                "a folder that may be written and that nobody else writes", "try again; nothing was changed")
    )  # fmt: skip


def _swapped(ledger: Ledger, settings: Settings, farm: Farm, files: list[_Written], key: str) -> Operation:
    """Write all beside, read it back, and only then swap it in: the plan first, then the row that names it."""
    for one in files:
        one.path.parent.mkdir(exist_ok=True)
        one.beside.write_bytes(one.after)
    operation = _read_back(ledger, settings, farm, files, key)
    for one in files:
        if (one.path.read_bytes() if one.path.exists() else None) != one.before:
            raise _unwritten(ledger.folder, f"{one.path.name} was written by somebody else meanwhile")
    for one in files:
        os.replace(one.beside, one.path)
    return operation


def _plan_file(ledger: Ledger, plan: DrivePlan, crs: str) -> _Written:
    path = ledger.folder / FOLDER / f"{plan.key}.csv"
    if path.exists():
        _there(ledger, f"{FOLDER}/{plan.key}.csv", "a plan of this name", plan.key)
    return _Written(path, None, plan_text(plan, crs).encode())


def _there(ledger: Ledger, where: str, what: str, key: str) -> None:
    ledger.problem(f"{what} is there already", where, key, "a name that is free", "give another name, or remove it")


def _table_file(ledger: Ledger, name: str, row: Mapping[str, str], columns: Mapping[str, Column]) -> _Written:
    """Return the table of operations with one more row, in the file's own character set and line ends."""
    path = ledger.folder / name
    raw = path.read_bytes() if path.exists() else None
    text = decoded(ledger, raw, name) if raw is not None else ""
    return _Written(path, raw, _encoded(ledger, name, with_row(ledger, name, text, row, columns), raw))


def _encoded(ledger: Ledger, name: str, text: str, before: bytes | None) -> bytes:
    """Return text in the character set that the file was read in."""
    if before is None:
        return text.encode()
    try:
        before.decode("utf-8-sig")
        character_set = "utf-8-sig" if before.startswith(b"\xef\xbb\xbf") else "utf-8"
    except UnicodeDecodeError:
        character_set = ledger.encoding or "cp1252"
    try:
        return text.encode(character_set)
    except UnicodeEncodeError as error:
        found = text[error.start : error.end]
        ledger.problem("a letter that the file cannot hold", name, found, f"letters of {character_set}",
                       "save the file as UTF-8, or leave the letter out")  # fmt: skip
        return before


def with_row(ledger: Ledger, name: str, text: str, row: Mapping[str, str], columns: Mapping[str, Column]) -> str:
    """Return the text of a table with one more row at its end; lines that are there stay, but for added columns.

    Raises
    ------
    KeyError
        for a column that no operation has
    """
    for ours in row:
        if ours not in KNOWN["operations"]:
            raise KeyError(ours)
    rows, _ = rows_of(ledger, name, text)
    header = [cell.strip() for cell in rows[0].cells] if rows else []
    lower = {cell.lower(): place for place, cell in enumerate(header)}
    theirs = {ours: (columns[ours].name if ours in columns else "") or ours for ours in KNOWN["operations"]}
    filled = [ours for ours in KNOWN["operations"] if row.get(ours, "")]
    places = {ours: lower[theirs[ours].lower()] for ours in filled if theirs[ours].lower() in lower}
    at = lower.get(theirs["id"].lower())
    if at is not None and any(len(one.cells) > at and one.cells[at].strip() == row["id"] for one in rows[1:]):
        _there(ledger, name, "an operation of this id", row["id"])
    end = "\r\n" if "\r\n" in text else "\n"
    lines = list(io.StringIO(text, newline=""))
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += end
    added = [ours for ours in filled if ours not in places]
    for i, one in enumerate(rows):
        line = lines[one.last - 1]
        body = line.rstrip("\r\n")
        more = [theirs[ours] for ours in added] if i == 0 else [""] * len(added)
        lines[one.last - 1] = ",".join([body, *more]) + line[len(body) :]
    if not rows:
        lines.append(_line([theirs[ours] for ours in added], end))
    places |= {ours: len(header) + i for i, ours in enumerate(added)}
    cells = [""] * (len(header) + len(added))
    for ours, place in places.items():
        cells[place] = _in_their_unit(ours, row[ours], columns)
    return "".join([*lines, _line(cells, end)])


def _line(cells: list[str], end: str) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator=end).writerow(cells)
    return stream.getvalue()


def _in_their_unit(ours: str, text: str, columns: Mapping[str, Column]) -> str:
    number = as_number(text)
    if ours not in columns or not columns[ours].unit or number is None:
        return text
    factor, summand = change_of(ours, columns[ours].unit)
    return f"{(number - summand) / factor:.12g}"


def _scenario_file(ledger: Ledger, name: str, scenario: str) -> _Written:
    path = ledger.folder / name
    raw = path.read_bytes() if path.exists() else None
    text = decoded(ledger, raw, name) if raw is not None else ""
    end = "\r\n" if "\r\n" in text else "\n"
    between = "" if not text.strip() else end if text.endswith(("\n", "\r")) else end * 2
    more = scenario.strip("\r\n").replace("\r\n", "\n").replace("\n", end) + end
    return _Written(path, raw, _encoded(ledger, name, text + between + more, raw))


def _read_back(ledger: Ledger, settings: Settings, farm: Farm, files: list[_Written], key: str) -> Operation:
    """Read what was written beside as it will be read later; complain of it by the names it will have."""
    names = {one.path.relative_to(ledger.folder).as_posix(): one.beside for one in files}
    told: dict[str, str] = {}
    for kind, usual in (("operations", "operations.csv"), ("scenarios", "scenarios.toml")):
        beside = names.get(getattr(settings.files, kind) or usual)
        if beside is not None:
            told[kind] = beside.relative_to(ledger.folder).as_posix()
    settings = replace(settings, files=settings.files.model_copy(update=told))
    plans = [name for name in names if name.startswith(f"{FOLDER}/")]
    keys = (*plan_files(ledger), *(Path(name).stem for name in plans))
    known = Known(farm.fields, farm.outfits, track_files(ledger, settings), plans=keys)
    operations = read_operations(ledger, settings, known)
    read_scenarios(ledger, settings, operations, farm.fields, farm.outfits, complete=not ledger.problems)
    for name in plans:
        read_plan(ledger, names[name], CRS.from_user_input(farm.crs))
    if ledger.problems:
        for real, beside in names.items():
            temporary = beside.relative_to(ledger.folder).as_posix()
            ledger.problems = [replace(one, where=one.where.replace(temporary, real)) for one in ledger.problems]
        raise InputError(ledger.problems)
    return next(one for one in operations if one.key == key)
