"""Time logs of ISO 11783-10: the header that says which values follow, and the binary that holds them."""

from __future__ import annotations

from array import array
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring
from numpy.typing import NDArray

from trafficplan.inputs.recording import MOST_FIXES, refused, too_many

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

#: Optional parts of a record in their order: attribute of PTN, name, type (ISO 11783-10, from memory).
_PARTS = (
    ("A", "north", "<i4"),
    ("B", "east", "<i4"),
    ("C", "up", "<i4"),
    ("D", "status", "<u1"),
    ("E", "pdop", "<u2"),
    ("F", "hdop", "<u2"),
    ("G", "satellites", "<u1"),
    ("H", "utc_ms", "<u4"),
    ("I", "utc_day", "<u2"),
)
_TIME_BYTES = 6  # ms since midnight (u4), days since 1 January 1980 (u2)
_VALUE_BYTES = 5  # index (u1), value (i4)
_DAY_MS = 86_400_999  # a leap second is allowed
_DEGREE = 1e7  # parts of a degree; divided by, so that the number is the nearest to the decimal
_NORTH, _EAST = 900_000_000, 1_800_000_000
_NOWHERE = (2**31 - 1, -(2**31))  # written where there is no position

#: Seconds from 1 January 1970 to 1 January 1980: 10 years with 2 leap days.
EPOCH_S = 3652 * 86_400

#: Records whose values are gathered at a time, so that memory stays bounded.
_BLOCK = 200_000
#: Records times kinds of value that are kept (8 bytes each).
_MOST_VALUES = 50_000_000
#: More bytes than this that belong to no record, or more than half, and the log is refused.
_MOST_LOST = 1 << 20


@dataclass(frozen=True)
class Value:
    """One kind of value of a log: its number in the data dictionary, and the device element that sends it."""

    number: int
    element: str
    start: float


@dataclass(frozen=True)
class Layout:
    """What a record holds: offset and type of each part, values in the order of their index."""

    parts: Mapping[str, tuple[int, str]]
    fixed: Mapping[str, float]
    head: int
    values: tuple[Value, ...]


@dataclass(frozen=True)
class Records:
    """The records of one time log, in file order.

    Attributes
    ----------
    time_s : (n,) clock of the task controller as seconds since 1970, in whatever zone it runs
    utc_s : (n,) time of the receiver (UTC), or None
    lon, lat : (n,) degrees (WGS84), NaN without a position
    status : (n,) of the position, or None: 0 none, 1 to 5 kinds of fix, 8 simulated, 14 error, 15 not available
    values : index in the header -> (n,) as sent; each value holds until the next
    lost_bytes : belong to no record; cut : the last record is not whole
    """

    time_s: Floats
    utc_s: Floats | None
    lon: Floats
    lat: Floats
    status: NDArray[np.uint8] | None
    values: Mapping[int, Floats]
    lost_bytes: int
    cut: bool


def parse_xml(raw: bytes, where: str) -> Element:
    """Return the root of an XML file without document type and entities.

    Raises
    ------
    InputError
        When it is damaged or declares entities.
    """
    try:
        root: Element = fromstring(raw, forbid_dtd=True)
    except DefusedXmlException as error:
        raise refused(
            "a document type or entity in the file",
            where,
            type(error).__name__,
            "XML without DOCTYPE and ENTITY",
            "export the task data again",
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise refused(
            "not a readable XML file",
            where,
            str(error)[:80],
            "XML of ISO 11783-10",
            "export the task data again",
        ) from error
    return root


def read_layout(raw: bytes, where: str) -> Layout:
    """Return what the header of a time log says: an empty attribute means that the value is in the binary.

    Raises
    ------
    InputError
        When it is no header of a time log, or has no positions.
    """
    root = parse_xml(raw, where)
    times = [root] if root.tag == "TIM" else root.findall(".//TIM")
    position = times[0].find("PTN") if times else None
    if position is None or not {"A", "B"} <= set(position.attrib):
        raise refused(
            "a time log without positions",
            where,
            f"root element {root.tag}",
            "TIM with PTN A and B",
            "log positions too, or leave this log out",
        )
    parts: dict[str, tuple[int, str]] = {}
    fixed: dict[str, float] = {}
    head = _TIME_BYTES
    for attribute, name, kind in _PARTS:
        text = position.get(attribute)
        if text == "":
            parts[name] = (head, kind)
            head += np.dtype(kind).itemsize
        elif text is not None:
            fixed[name] = _number(text, where, f"PTN {attribute}")
    values = tuple(_value(element, where) for element in times[0].findall("DLV"))
    if not {"north", "east"} <= set(parts):
        raise refused(
            "a time log without positions",
            where,
            "one position for all records",
            "a position in each record",
            "leave this log out",
        )
    return Layout(parts, fixed, head, values)


def _number(text: str, where: str, what: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise refused(
            "not a number", f"{where}, {what}", text[:40], "a number, or nothing", "export it again"
        ) from None


def _value(element: Element, where: str) -> Value:
    text = element.get("A", "")
    try:
        number = int(text, 16)
    except ValueError:
        raise refused(
            "a value without its number",
            f"{where}, DLV",
            text[:40] or "nothing",
            "4 hex digits",
            "export it again",
        ) from None
    start = element.get("B") or "nan"
    return Value(number, element.get("C", ""), _number(start, where, f"DLV {text}"))


def read_records(raw: bytes, layout: Layout, wanted: Collection[int], where: str) -> Records:
    """Return the records of a time log and the wanted values (indices in the header).

    A damaged stretch is left out: reading goes on where two records in a row make sense again.

    Raises
    ------
    InputError
        When nothing or less than half of it makes sense, or it is too long.
    """
    starts, end = _starts(raw, layout.head, where)
    cut = end < len(raw)
    lost = 0
    whole = layout.head + 1 + _VALUE_BYTES * len(layout.values)
    if len(raw) - end > whole or (len(starts) and not _sensible(raw, layout, starts).all()):
        starts, lost, cut = _walked(raw, layout, where)
    if len(starts) * len(wanted) > _MOST_VALUES:
        raise too_many(where)
    if not len(starts):
        raise refused("an empty time log", where, f"{len(raw)} bytes", "records", "leave it out, or export it again")
    parts = {name: _part(raw, starts + offset, kind) for name, (offset, kind) in layout.parts.items()}
    north, east = parts["north"].astype(np.int64), parts["east"].astype(np.int64)
    nowhere = np.isin(north, _NOWHERE) | np.isin(east, _NOWHERE)
    utc = None
    if {"utc_ms", "utc_day"} <= set(parts):
        utc = parts["utc_ms"] / 1e3 + parts["utc_day"] * 86_400.0 + EPOCH_S
        utc[parts["utc_day"] == 0] = np.nan
    return Records(
        time_s=_part(raw, starts, "<u4") / 1e3 + _part(raw, starts + 4, "<u2") * 86_400.0 + EPOCH_S,
        utc_s=utc,
        lon=np.where(nowhere, np.nan, east / _DEGREE),
        lat=np.where(nowhere, np.nan, north / _DEGREE),
        status=parts.get("status"),
        values=_values(raw, layout, starts, wanted),
        lost_bytes=lost,
        cut=cut,
    )


def _part(raw: bytes, places: Places, kind: str) -> NDArray[Any]:
    """Return the numbers of a type at places in the bytes (which need not be aligned)."""
    size = np.dtype(kind).itemsize
    view: NDArray[Any] = np.ndarray(len(raw) - size + 1, dtype=kind, buffer=raw, strides=(1,))
    return view[places]


def _starts(raw: bytes, head: int, where: str) -> tuple[Places, int]:
    """Return where records start, and where the last whole one ends."""
    starts = array("q")
    place, size = 0, len(raw)
    while place + head < size and len(starts) <= MOST_FIXES:
        after = place + head + 1 + _VALUE_BYTES * raw[place + head]
        if after > size:
            break
        starts.append(place)
        place = after
    if len(starts) > MOST_FIXES:
        raise too_many(where)
    return np.frombuffer(starts, dtype=np.int64), place


def _blocks(raw: bytes, layout: Layout, starts: Places) -> Any:
    """Yield (record, index, value) of all values, for some records at a time."""
    for first in range(0, len(starts), _BLOCK):
        some = starts[first : first + _BLOCK]
        count = _part(raw, some + layout.head, "<u1").astype(np.int64)
        record = np.repeat(np.arange(first, first + len(some)), count)
        before = np.cumsum(count) - count
        nth = np.arange(len(record)) - np.repeat(before, count)
        place = np.repeat(some + layout.head + 1, count) + _VALUE_BYTES * nth
        if len(place):
            yield record, _part(raw, place, "<u1"), _part(raw, place + 1, "<i4")


def _sensible(raw: bytes, layout: Layout, starts: Places) -> NDArray[np.bool_]:
    """Mark records that can be: a time within the day, a position on earth or none, indices of the header."""
    good = _part(raw, starts, "<u4") <= _DAY_MS
    for name, limit in (("north", _NORTH), ("east", _EAST)):
        value = _part(raw, starts + layout.parts[name][0], "<i4").astype(np.int64)
        good &= (np.abs(value) <= limit) | np.isin(value, _NOWHERE)
    for record, index, _ in _blocks(raw, layout, starts):
        good[record[index >= len(layout.values)]] = False
    return good


def _walked(raw: bytes, layout: Layout, where: str) -> tuple[Places, int, bool]:
    """Return the starts of sensible records of damaged bytes, the bytes left out, and whether the end is cut."""
    starts = array("q")
    place, lost, sure = 0, 0, True
    while place + layout.head < len(raw):
        after = _after(raw, layout, place)
        if after and not sure and after + layout.head < len(raw) and not _after(raw, layout, after):
            after = 0  # one record alone may be chance
        if after:
            starts.append(place)
            place, sure = after, True
            continue
        place, lost, sure = place + 1, lost + 1, False
        if lost > min(_MOST_LOST, len(raw) // 2):
            raise refused(
                "a damaged time log",
                where,
                f"{lost} of {len(raw)} bytes belong to no record",
                "records as the header says",
                "copy the log from the terminal again",
            )
    return np.frombuffer(starts, dtype=np.int64), lost, place < len(raw)


def _after(raw: bytes, layout: Layout, place: int) -> int:
    """Return where a sensible record ends, or 0."""
    values = place + layout.head + 1
    after = values + _VALUE_BYTES * raw[place + layout.head]
    if after > len(raw) or any(index >= len(layout.values) for index in raw[values:after:_VALUE_BYTES]):
        return 0
    if int.from_bytes(raw[place : place + 4], "little") > _DAY_MS:
        return 0
    for name, limit in (("north", _NORTH), ("east", _EAST)):
        offset = place + layout.parts[name][0]
        value = int.from_bytes(raw[offset : offset + 4], "little", signed=True)
        if abs(value) > limit and value not in _NOWHERE:
            return 0
    return after


def _values(raw: bytes, layout: Layout, starts: Places, wanted: Collection[int]) -> dict[int, Floats]:
    """Return the wanted values of each record; a value is written when it changes and holds until the next."""
    dense = {index: np.full(len(starts), np.nan) for index in wanted}
    for record, index, value in _blocks(raw, layout, starts):
        for one, column in dense.items():
            mine = index == one
            column[record[mine]] = value[mine]
    return {index: held(column, layout.values[index].start) for index, column in dense.items()}


def held(column: Floats, start: float = np.nan) -> Floats:
    """Return a column whose gaps hold the value before them; before the first one `start` holds.

    Examples
    --------
    >>> held(np.array([np.nan, 2.0, np.nan])).tolist()
    [nan, 2.0, 2.0]
    """
    if not len(column):
        return column
    last = np.maximum.accumulate(np.where(np.isnan(column), -1, np.arange(len(column))))
    return np.asarray(np.where(last >= 0, column[last], start))
