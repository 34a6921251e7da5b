"""GPX 1.1 (and 1.0): the recorded points of its tracks."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError
from xml.parsers.expat import ExpatError

import numpy as np
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser
from numpy.typing import NDArray

from trafficplan.inputs.gpx_points import IrregularError, Points, scan
from trafficplan.inputs.recording import Floats, Recording, count_note, refused
from trafficplan.names import Note

_CHUNK = 1 << 20
#: A file in another character set than UTF-8, by its mark or by what it says itself.
_OTHER_TEXT = re.compile(
    rb"""\xff\xfe|\xfe\xff|[^>]{0,3}<\?xml[^>]*encoding\s*=\s*["'](?!utf-8["']|us-ascii["'])""", re.I
)
_NEEDED = "GPX 1.1 with recorded points (trk, trkseg, trkpt)"


def read_gpx(path: Path, key: str, where: str) -> Recording:
    """Return the points of a GPX file; longitude and latitude in degrees (WGS84), time UTC, speed in m/s.

    The speed is that of GPX 1.0 or of any extension of 1.1 named `speed`. Several tracks are told apart by
    their names. Document types and entities are refused; the file is read in pieces.

    Raises
    ------
    InputError
        When it is no GPX, is damaged before its first point, declares entities, or holds only planned points.
    """
    points, cut = _read(path, where)
    if not points.count:
        found = f"{points.planned} planned points" if points.planned else f"root element {points.root or 'none'}"
        raise refused("no recorded points", where, found, _NEEDED, "export the recorded track, not the route")
    time, lon, lat, speed = (np.concatenate(one) for one in (points.time, points.lon, points.lat, points.speed))
    rows = points.count
    notes = count_note(where, "times that are no times", points.no_times, rows, "ISO 8601 is needed; left empty")
    if points.heights:
        why = "a drive lies in the map; slopes come from the elevation raster"
        notes.append(Note("warned", f"{where}: heights", "left out", why))
    if cut:
        notes.append(Note("repaired", f"{where}: the end of the file is damaged", cut, f"{rows} points before it used"))
    columns: dict[str, Floats] = {"time": time, "x": lon, "y": lat}
    if np.isfinite(speed).any():
        columns["speed"] = speed
    track = np.concatenate(points.track)
    used = np.unique(track).tolist()
    named = ["", *points.names]  # the first: of points in no track
    names = tuple(named[index + 1] or str(index + 1) for index in used)
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


def _read(path: Path, where: str) -> tuple[Points, str]:
    """Return the points, and what is wrong with the end of the file ("" when nothing is)."""
    for rewrites in (False, True):  # XML of an unusual layout is rewritten, which takes longer
        damage: list[str] = []
        try:
            points = scan(_accepted(path, where, damage, rewrites=rewrites), where)
        except IrregularError:
            continue
        if damage and not points.count:
            raise refused("not a readable XML file", where, damage[0], _NEEDED, "export the track again")
        return points, damage[0] if damage else ""
    raise refused("not a readable XML file", where, "points within points", _NEEDED, "export the track again")


def _accepted(path: Path, where: str, damage: list[str], *, rewrites: bool) -> Iterator[bytes]:
    """Yield the file in pieces that an XML parser has accepted, up to the first damage."""
    parser = DefusedXMLParser(forbid_dtd=True)
    expat = parser.parser
    expat.StartElementHandler = expat.EndElementHandler = expat.CharacterDataHandler = None  # no tree is built
    expat.CommentHandler = expat.ProcessingInstructionHandler = expat.DefaultHandlerExpand = None
    rewritten: list[str] = []
    if rewrites:
        _rewrite(expat, rewritten)
    taken = 0
    chunk = b""
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                expat.Parse(chunk, False)
                if not rewrites and not taken and _OTHER_TEXT.match(chunk):
                    raise IrregularError("another character set")
                yield "".join(rewritten).encode() if rewrites else chunk
                rewritten.clear()
                taken += len(chunk)
            expat.Parse(b"", True)
    except DefusedXmlException as error:
        raise refused(
            "a document type or entity in the file",
            where,
            type(error).__name__,
            "GPX without DOCTYPE and ENTITY",
            "remove the declaration at the top of the file, or export it again",
        ) from error
    except (ExpatError, ParseError, LookupError) as error:
        damage.append(str(error)[:80])
        yield "".join(rewritten).encode() if rewrites else chunk[: max(expat.ErrorByteIndex - taken, 0)]


def _rewrite(expat: Any, out: list[str]) -> None:
    """Let a parser write what it meets as plain XML: names without prefix, of attributes lat and lon alone."""

    def start(tag: str, attributes: dict[str, str]) -> None:
        lat, lon = (html.escape(attributes.get(name, "")) for name in ("lat", "lon"))
        out.append(f'<{tag.rpartition("}")[2]} lat="{lat}" lon="{lon}">')

    expat.buffer_text, expat.ordered_attributes = True, False
    expat.StartElementHandler = start
    expat.EndElementHandler = lambda tag: out.append(f"</{tag.rpartition('}')[2]}>")
    expat.CharacterDataHandler = lambda text: out.append(html.escape(text))
