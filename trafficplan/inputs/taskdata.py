"""Task data of ISO 11783-10 (versions 3 and 4): a folder or a zip with TASKDATA.XML and its time logs."""

from __future__ import annotations

import lzma
import re
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np

from trafficplan.inputs.recording import Floats, Recording, count_note, refused
from trafficplan.inputs.timelog import Layout, Records, parse_xml, read_layout, read_records
from trafficplan.names import Note
from trafficplan.units import KM_H

#: Numbers of the data dictionary (ISO 11783-11; 0043, 0057, 005A and 008D as in a real set, the rest from memory).
WIDTH, MASS_FLOW_IN, MASS_FLOW_OUT, YIELD = 0x43, 0x57, 0x2A, 0x54
MASS_ON_BOARD, MASS_SO_FAR, WORK_STATE = 0x4B, 0x5A, 0x8D
_MM, _MG, _GRAM = 1e-3, 1e-6, 1e-3
_SPEED_UNITS = {"km/h": KM_H, "m/s": 1.0, "mm/s": 1e-3}

#: A set is refused beyond these: files, bytes of one file unpacked, of all, and times that packing shrank it; ours.
_MOST_FILES, _MOST_BYTES, _MOST_TOTAL, _MOST_RATIO = 20_000, 1 << 29, 1 << 32, 200
_XML_BYTES = 1 << 26
#: What the reading of a damaged file or archive raises.
_UNREADABLE = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, RuntimeError, OSError, EOFError, ValueError)
_LOG_NAME, _OTHER_NAME = re.compile(r"TLG\d{5}", re.ASCII), re.compile(r"[A-Z]{3}\d{5}", re.ASCII)
#: Values hold until the next; after a silence longer than this the flow is not known to have gone on [s]; ours.
_SILENCE_S = 60.0
_TASK_CLOCK_S = 1800.0


@dataclass(frozen=True)
class Container:
    """The files of a set: name in capitals -> its path in the folder or the zip."""

    path: Path
    files: Mapping[str, str]
    zipped: bool
    where: str

    def place(self, name: str) -> str:
        """Return the place of a file for messages."""
        return f"{self.where}/{self.files.get(name, name)}"

    def read(self, name: str, most: int = _MOST_BYTES) -> bytes:
        """Return the bytes of a file.

        Raises
        ------
        InputError
            When it is missing, too long or damaged.
        """
        where = self.place(name)
        if name not in self.files:
            there = ", ".join(sorted(self.files)[:6]) or "none"
            raise refused("a file of the task data is missing", where, f"files there: {there}", name, "add the file")
        try:
            if self.zipped:
                with zipfile.ZipFile(self.path) as packed, packed.open(self.files[name]) as stream:
                    raw = stream.read(most + 1)
            else:
                with (self.path / self.files[name]).open("rb") as stream:
                    raw = stream.read(most + 1)
        except _UNREADABLE as error:
            raise _damaged_zip(where, error) from error
        if len(raw) > most:
            raise refused(
                "a file that is too long",
                where,
                f"over {most >> 20} MB",
                "a log of a day",
                "split or remove it",
            )
        return raw


@dataclass(frozen=True)
class LogEntry:
    """A time log as TASKDATA.XML names it: its task, the task's field, and when the task began."""

    name: str
    task: str
    field: str
    began: str


@dataclass(frozen=True)
class TaskData:
    """What TASKDATA.XML and its external files say.

    Attributes
    ----------
    version : of the standard's data, 2 to 4
    logs : name (TLG00001) -> entry
    parents : device element -> its parent
    scales : (number, device element) -> offset, factor and unit in which the terminal shows it
    """

    version: int
    logs: Mapping[str, LogEntry]
    parents: Mapping[str, str]
    scales: Mapping[tuple[int, str], tuple[float, float, str]]


def _damaged_zip(where: str, error: Exception) -> Exception:
    return refused(
        "the archive or file cannot be read",
        where,
        str(error)[:80] or "damaged",
        "a whole zip",
        "copy it again",
    )


def open_folder(path: Path, where: str) -> Container:
    """Return the files of a folder; links that lead out of it are left out."""
    home = path.resolve()
    there = [one for one in path.iterdir() if one.is_file() and one.resolve().is_relative_to(home)]
    return Container(path, {one.name.upper(): one.name for one in sorted(there)}, False, where)


def open_zip(path: Path, where: str) -> Container:
    """Return the files of a zip that lie beside its TASKDATA.XML.

    Raises
    ------
    InputError
        When it is damaged, holds names that lead out of it, or unpacks to too much.
    """
    try:
        with zipfile.ZipFile(path) as packed:
            infos = packed.infolist()
    except _UNREADABLE as error:
        raise _damaged_zip(where, error) from error
    for info in infos:
        parts = info.filename.replace("\\", "/").split("/")
        if ".." in parts or info.filename.startswith(("/", "\\")) or ":" in parts[0]:
            raise refused(
                "a name in the zip that leads out of it",
                where,
                info.filename[:60],
                "names inside the zip",
                "pack the folder TASKDATA again",
            )
    size = sum(info.file_size for info in infos)
    shrunk = max((info.file_size / max(info.compress_size, 1) for info in infos if info.file_size > 1 << 20), default=1)
    if len(infos) > _MOST_FILES or size > _MOST_TOTAL or shrunk > _MOST_RATIO:
        raise refused(
            "a zip that unpacks to too much",
            where,
            f"{len(infos)} files, {size >> 20} MB, {shrunk:.0f} times",
            f"at most {_MOST_FILES} files, {_MOST_TOTAL >> 20} MB, {_MOST_RATIO} times",
            "pack only the task data",
        )
    mains = [info.filename for info in infos if info.filename.upper().rpartition("/")[2] == "TASKDATA.XML"]
    if len(mains) != 1:
        raise refused(
            "a zip without task data" if not mains else "several sets of task data in one zip",
            where,
            f"{len(mains)} files TASKDATA.XML",
            "one TASKDATA.XML and its logs",
            "pack one folder TASKDATA",
        )
    folder = mains[0].rpartition("/")[0]
    there = [info.filename for info in infos if info.filename.rpartition("/")[0] == folder and not info.is_dir()]
    return Container(path, {name.rpartition("/")[2].upper(): name for name in sorted(there)}, True, where)


def read_taskdata(container: Container) -> TaskData:
    """Return what TASKDATA.XML says, with the parts that lie in external files (XFR).

    Raises
    ------
    InputError
        When it is missing, damaged, or of another version.
    """
    elements, version = read_elements(container)
    return TaskData(version, _logs(elements, container.place("TASKDATA.XML")), *_devices(elements))


def read_elements(container: Container) -> tuple[list[Element], int]:
    """Return the elements below the root of TASKDATA.XML and of its external files, and the version.

    Raises
    ------
    InputError
        When it is missing, damaged, or of another version.
    """
    where = container.place("TASKDATA.XML")
    root = parse_xml(container.read("TASKDATA.XML", _XML_BYTES), where)
    if root.tag != "ISO11783_TaskData":
        raise refused("no task data", where, root.tag[:60], "root element ISO11783_TaskData", "name the right file")
    version = root.get("VersionMajor", "")
    if version not in ("2", "3", "4"):
        raise refused(
            "task data of an unknown version",
            where,
            version[:20] or "none",
            "version 3 or 4",
            "export as version 4",
        )
    elements = [*root]
    for link in root.findall("XFR"):
        name = link.get("A", "").upper()
        if not _OTHER_NAME.fullmatch(name):
            raise refused("a name that no external file has", where, name[:40], "a name as TSK00001", "export it again")
        elements += [*parse_xml(container.read(f"{name}.XML", _XML_BYTES), container.place(f"{name}.XML"))]
    return elements, int(version)


def _logs(elements: list[Element], where: str) -> dict[str, LogEntry]:
    logs: dict[str, LogEntry] = {}
    for task in (one for one in elements if one.tag == "TSK"):
        for place, one in enumerate(task):
            name = one.get("A", "").upper()
            if one.tag != "TLG":
                continue
            if not _LOG_NAME.fullmatch(name):
                raise refused("a name that no time log has", where, name[:40], "TLG and 5 digits", "export it again")
            began = next((time.get("A", "") for time in [*task][place + 1 :] if time.tag == "TIM"), "")
            logs.setdefault(name, LogEntry(name, task.get("A", ""), task.get("E", ""), began))
    return logs


def _devices(
    elements: list[Element],
) -> tuple[dict[str, str], dict[tuple[int, str], tuple[float, float, str]]]:
    parents: dict[str, str] = {}
    scales: dict[tuple[int, str], tuple[float, float, str]] = {}
    for device in (one for one in elements if one.tag == "DVC"):
        shown = {one.get("A", ""): _scale(one) for one in device.findall("DVP")}
        data = {one.get("A", ""): one for one in device.findall("DPD")}
        by_number = {one.get("B", ""): one.get("A", "") for one in device.findall("DET")}
        for element in device.findall("DET"):
            key = element.get("A", "")
            parents[key] = by_number.get(element.get("F", ""), "")
            for link in element.findall("DOR"):
                process = data.get(link.get("A", ""))
                scale = shown.get(process.get("F", "")) if process is not None else None
                if process is not None and scale is not None and re.fullmatch("[0-9A-Fa-f]{4}", process.get("B", "")):
                    scales[int(process.get("B", ""), 16), key] = scale
    return parents, scales


def _scale(one: Element) -> tuple[float, float, str]:
    try:
        return float(one.get("B") or 0), float(one.get("C") or 1), one.get("E", "").strip()
    except ValueError:
        return 0.0, 1.0, ""


def read_log(container: Container, data: TaskData, name: str, key: str) -> Recording:
    """Return one time log: time, position and what is known of width, state, flow, load and speed.

    Counters (area, distance, mass so far) are not used as they stand: they run on from one log into the next.

    Raises
    ------
    InputError
        When its files are missing or damaged.
    """
    where = container.place(f"{name}.BIN")
    layout = read_layout(container.read(f"{name}.XML", _XML_BYTES), container.place(f"{name}.XML"))
    wanted = [index for index, value in enumerate(layout.values) if _is_wanted(data, value.number, value.element)]
    records = read_records(container.read(f"{name}.BIN"), layout, wanted, where)
    rows = len(records.lon)
    notes = _damage(where, records) + _status(where, records) + _clock(where, data.logs.get(name), records)
    columns: dict[str, Floats] = {
        "time": records.time_s if records.utc_s is None else records.utc_s,
        "x": records.lon,
        "y": records.lat,
    }
    more, said = _work(where, data, layout, records)
    columns |= more
    columns, merged = _one_per_instant(columns)
    columns["record"] = _lengths(columns["time"])
    notes += said + count_note(where, "several records of one instant", merged, rows, "the last of them holds")
    return Recording(key, where, columns, rows=rows, notes=tuple(notes), local=records.utc_s is None)


def _is_wanted(data: TaskData, number: int, element: str) -> bool:
    known = (WIDTH, MASS_FLOW_IN, MASS_FLOW_OUT, YIELD, MASS_ON_BOARD, MASS_SO_FAR, WORK_STATE)
    return number in known or data.scales.get((number, element), (0, 1, ""))[2] in _SPEED_UNITS


def _damage(where: str, records: Records) -> list[Note]:
    notes = []
    if records.lost_bytes:
        why = "left out up to where the records make sense again"
        notes.append(Note("repaired", f"{where}: damaged bytes", f"{records.lost_bytes}", why))
    if records.cut:
        notes.append(Note("repaired", f"{where}: the last record is not whole", "1", "left out"))
    return notes


def _status(where: str, records: Records) -> list[Note]:
    """Say what the status of the position claims; the positions themselves are judged by where they lie."""
    if records.status is None:
        return []
    words = {0: "no fix", 8: "simulated", 14: "error", 15: "not available"}
    notes = []
    for value, word in words.items():
        count = int((records.status == value).sum())
        if count:
            what = f"{where}: position status says {word}"
            notes.append(Note("warned", what, f"{count} of {len(records.lon)}", "used where a position is written"))
    return notes


def _clock(where: str, entry: LogEntry | None, records: Records) -> list[Note]:
    if records.utc_s is None:
        why = "the log has no receiver's time; the terminal's clock is taken as the farm's time"
        notes = [Note("assumed", f"{where}: clock", "terminal", why, "ISO 11783-10, from memory")]
    else:
        notes = []
    if entry is None or not re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", entry.began):
        return notes
    began = float((np.datetime64(entry.began[:19]) - np.datetime64(0, "s")) / np.timedelta64(1, "s"))
    off = records.time_s[0] - began
    if abs(off) > _TASK_CLOCK_S:
        why = f"task {entry.task} began at {entry.began[:19]}; the log's own times are used"
        notes.append(Note("warned", f"{where}: hours off its task's time", f"{off / 3600:.1f} h", why))
    return notes


def _of(layout: Layout, records: Records, number: int) -> dict[str, Floats]:
    """Return the columns of a number by device element."""
    return {
        value.element: records.values[index]
        for index, value in enumerate(layout.values)
        if value.number == number and index in records.values
    }


def _whole(data: TaskData, columns: Mapping[str, Floats]) -> Floats | None:
    """Return a quantity of the whole machine: of the element that holds all others, else summed over sections."""
    if not columns:
        return None
    for element, column in columns.items():
        if all(other == element or _below(data, other, element) for other in columns):
            return column
    total = np.nansum([*columns.values()], axis=0)
    return np.where(np.all([np.isnan(one) for one in columns.values()], axis=0), np.nan, total)


def _below(data: TaskData, element: str, top: str) -> bool:
    for _ in range(len(data.parents)):
        element = data.parents.get(element, "")
        if element == top or not element:
            break
    return element == top


def _work(where: str, data: TaskData, layout: Layout, records: Records) -> tuple[dict[str, Floats], list[Note]]:
    """Return width [m], working (0, 1), flow [kg/s], load [kg] and speed [m/s], where the log has them."""
    columns: dict[str, Floats] = {}
    notes: list[Note] = []
    for name, number, factor in (("width", WIDTH, _MM), ("load", MASS_ON_BOARD, _GRAM)):
        value = _whole(data, _of(layout, records, number))
        if value is not None:
            columns[name] = value * factor
    states = _of(layout, records, WORK_STATE)
    if states:
        columns["working"] = np.any([one == 1 for one in states.values()], axis=0).astype(np.float64)
    flows = [_whole(data, _of(layout, records, number)) for number in (MASS_FLOW_IN, MASS_FLOW_OUT)]
    flow = next((one for one in flows if one is not None), None)
    if flow is not None:
        columns["flow"] = flow * _MG
    speed = _speed(data, layout, records)
    if speed is not None:
        columns["speed"] = speed
    per_area = _whole(data, _of(layout, records, YIELD))
    if flow is None and per_area is not None and "width" in columns and speed is not None:
        columns["flow"] = per_area * _MG * columns["width"] * speed
        notes.append(Note("assumed", f"{where}: mass flow", "yield x width x speed", "the log has no flow", "derived"))
    counter = _whole(data, _of(layout, records, MASS_SO_FAR))
    if counter is not None and np.isfinite(counter).any():
        step = np.diff(counter[np.isfinite(counter)])
        grown = float(step[step > 0].sum())
        why = "its growth within this log; it may run on from the log before"
        notes.append(Note("assumed", f"{where}: mass by the counter", f"{grown / 1e3:.1f} t", why, "the log"))
    return columns, notes


def _speed(data: TaskData, layout: Layout, records: Records) -> Floats | None:
    """Return the speed [m/s] of a value whose unit on the terminal is one of speed."""
    for index, value in enumerate(layout.values):
        offset, factor, unit = data.scales.get((value.number, value.element), (0.0, 1.0, ""))
        if unit in _SPEED_UNITS and index in records.values:
            return np.asarray((records.values[index] + offset) * factor * _SPEED_UNITS[unit])
    return None


def _one_per_instant(columns: dict[str, Floats]) -> tuple[dict[str, Floats], int]:
    """Merge neighbouring records of the same time and place: the last one has all values of the instant."""
    same = np.ones(max(len(columns["time"]) - 1, 0), dtype=bool)
    for name in ("time", "x", "y"):
        before, after = columns[name][:-1], columns[name][1:]
        same &= (before == after) | (np.isnan(before) & np.isnan(after))
    keep = np.append(~same, True)
    return {name: column[keep] for name, column in columns.items()}, int((~keep).sum())


def _lengths(time_s: Floats) -> Floats:
    """Return the time that each record stands for [s]: since the one before; over a long silence the usual time."""
    between = np.diff(time_s)
    fair = between[(between > 0) & (between <= _SILENCE_S)]
    usual = float(np.median(fair)) if len(fair) else 1.0
    return np.concatenate([[usual], np.where((between >= 0) & (between <= _SILENCE_S), between, usual)])
