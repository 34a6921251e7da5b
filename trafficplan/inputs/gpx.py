"""GPX 1.1 (and 1.0): the recorded points of its tracks."""

from __future__ import annotations

from array import array
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError
from xml.parsers.expat import ExpatError

import numpy as np
import pandas as pd
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser
from numpy.typing import NDArray

from trafficplan.inputs.recording import MOST_FIXES, Floats, Recording, count_note, refused, too_many
from trafficplan.names import Note

_CHUNK = 1 << 20
_HEARD = frozenset(("time", "speed", "name"))
_NEEDED = "GPX 1.1 with recorded points (trk, trkseg, trkpt)"


class _Points:
    """What the parser has met so far; one entry per recorded point."""

    def __init__(self) -> None:
        self.lat, self.lon, self.speed = array("d"), array("d"), array("d")
        self.track = array("q")
        self.time: list[str] = []
        self.names: list[str] = []
        self.planned = 0
        self.root = ""

    def listen(self, expat: Any) -> None:
        """Set the parser's handlers; text is listened to only inside elements that count."""
        kinds: dict[str, str] = {}
        text: list[str] = []
        add_lat, add_lon, add_speed = self.lat.append, self.lon.append, self.speed.append
        add_time, add_track, names, nan = self.time.append, self.track.append, self.names, float("nan")
        depth = inside = 0  # inside: depth of the point that is open, 0 outside points

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal depth, inside
            depth += 1
            kind = kinds.get(tag) or kinds.setdefault(tag, tag.rpartition("}")[2])
            if kind in _HEARD:
                text.clear()
                expat.CharacterDataHandler = text.append
            elif kind == "trkpt":
                inside = depth
                add_lat(_number(attributes.get("lat")))
                add_lon(_number(attributes.get("lon")))
                add_speed(nan)
                add_time("")
                add_track(len(names) - 1)
            elif kind == "trk":
                self.names.append("")
            elif kind in ("rtept", "wpt"):
                self.planned += 1
            elif depth == 1:
                self.root = kind

        def end(tag: str) -> None:
            nonlocal depth, inside
            kind = kinds[tag]
            if kind in _HEARD:
                expat.CharacterDataHandler = None
                if kind == "time" and inside and depth == inside + 1:
                    self.time[-1] = "".join(text).strip()
                elif kind == "speed" and inside:
                    self.speed[-1] = _number("".join(text))
                elif kind == "name" and not inside and depth == 3 and self.names:
                    self.names[-1] = "".join(text).strip()
            elif depth == inside:
                inside = 0
            depth -= 1

        expat.buffer_text, expat.ordered_attributes = True, False
        expat.StartElementHandler, expat.EndElementHandler, expat.CharacterDataHandler = start, end, None
        expat.CommentHandler = expat.ProcessingInstructionHandler = expat.DefaultHandlerExpand = None


def _number(text: str | None) -> float:
    try:
        return float(text) if text is not None else np.nan
    except ValueError:
        return np.nan


def read_gpx(path: Path, key: str, where: str) -> Recording:
    """Return the points of a GPX file; longitude and latitude in degrees (WGS84), time UTC, speed in m/s.

    The speed is that of GPX 1.0 or of any extension of 1.1 named `speed`. Several tracks are told apart by
    their names. Document types and entities are refused; the file is read in pieces.

    Raises
    ------
    InputError
        When it is no GPX, is damaged before its first point, declares entities, or holds only planned points.
    """
    points, cut = _parsed(path, where)
    if not len(points.lat):
        found = f"{points.planned} planned points" if points.planned else f"root element {points.root or 'none'}"
        raise refused("no recorded points", where, found, _NEEDED, "export the recorded track, not the route")
    stamps = pd.to_datetime(points.time, utc=True, format="ISO8601", errors="coerce")
    seconds = (stamps - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    time: Floats = np.asarray(seconds, dtype=np.float64)
    given = np.array([bool(text) for text in points.time])
    rows = len(points.lat)
    notes = count_note(
        where,
        "times that are no times",
        int((given & np.isnan(time)).sum()),
        rows,
        "ISO 8601 is needed; left empty",
    )
    notes += [
        Note("repaired", f"{where}: the end of the file is damaged", cut, f"{rows} points before it used")
    ] * bool(cut)
    columns: dict[str, Floats] = {"time": time, "x": _floats(points.lon), "y": _floats(points.lat)}
    speed = _floats(points.speed)
    if np.isfinite(speed).any():
        columns["speed"] = speed
    track = np.array(points.track, dtype=np.intp)
    used = sorted(set(track.tolist()))
    names = tuple(points.names[index] or str(index + 1) for index in used)
    names = names if len(set(names)) == len(names) else tuple(f"{n} {i + 1}" for i, n in enumerate(names))
    apart = _at_the_same_time(time, track, used)
    return Recording(
        key,
        where,
        columns,
        machine=np.searchsorted(used, track) if apart else None,
        machines=names if apart else (),
        rows=rows,
        notes=tuple(notes),
    )


def _at_the_same_time(time: Floats, track: NDArray[np.intp], used: list[int]) -> bool:
    """Tell whether tracks of one file overlap in time: then they are several machines, else parts of one day."""
    spans = []
    for index in used:
        there = time[(track == index) & np.isfinite(time)]
        if len(there):
            spans.append((float(there.min()), float(there.max())))
    spans.sort()
    return any(after[0] < before[1] for before, after in zip(spans, spans[1:], strict=False))


def _floats(values: array[float]) -> Floats:
    return np.frombuffer(values, dtype=np.float64).copy()


def _parsed(path: Path, where: str) -> tuple[_Points, str]:
    """Return the points, and what is wrong with the end of the file ("" when nothing is)."""
    points = _Points()
    parser = DefusedXMLParser(forbid_dtd=True)
    expat = parser.parser
    points.listen(expat)
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                expat.Parse(chunk, False)
                if len(points.lat) > MOST_FIXES:
                    raise too_many(where)
            expat.Parse(b"", True)
    except DefusedXmlException as error:
        raise refused(
            "a document type or entity in the file",
            where,
            type(error).__name__,
            "GPX without DOCTYPE and ENTITY",
            "remove the declaration at the top of the file, or export it again",
        ) from error
    except (ExpatError, ParseError, ValueError, LookupError) as error:
        if len(points.lat):
            return points, str(error)[:80]
        raise refused("not a readable XML file", where, str(error)[:80], _NEEDED, "export the track again") from error
    return points, ""
