"""The recorded points of a GPX file, found in its bytes many at once."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trafficplan.inputs.cells import Bytes, Places, instants, numbers
from trafficplan.inputs.recording import MOST_FIXES, Floats, refused, too_many

#: Elements that count, by their names without a prefix.
KINDS = ("trkpt", "time", "speed", "name", "trk", "rtept", "wpt", "ele")
_TRKPT, _TIME, _SPEED, _NAME, _TRK, _RTEPT, _WPT, _ELE = range(len(KINDS))
_WORD = np.dtype("<u8")
#: Name of each kind as the first bytes of a word, with the mask of its length.
_CODES = [(int.from_bytes(kind.encode(), "little"), (1 << 8 * len(kind)) - 1, len(kind)) for kind in KINDS]
_ENDS = np.isin(np.arange(256), list(b" \t\r\n/>"))
_SPACE = np.isin(np.arange(256), list(b" \t\r\n"))
_LAT, _LON = (int.from_bytes(name, "little") for name in (b"lat=", b"lon="))
_LONGEST = 1 << 24  # bytes of one element with its text
_LONGEST_PREFIX = 32
_MOST_TRACKS = 100_000
_ASIDE = re.compile(rb"<!--|<\?")


class IrregularError(ValueError):
    """The bytes are XML of another layout than that which is read many points at once."""


@dataclass
class Points:
    """What was found so far: one entry per recorded point, in pieces; times in seconds since 1970."""

    lat: list[Floats] = field(default_factory=list)
    lon: list[Floats] = field(default_factory=list)
    time: list[Floats] = field(default_factory=list)
    speed: list[Floats] = field(default_factory=list)
    track: list[NDArray[np.intp]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    count: int = 0
    no_times: int = 0
    planned: int = 0
    heights: bool = False
    root: str = ""
    depth: int = 0
    point_depth: int = 0
    inside: bool = False


@dataclass(frozen=True)
class _Tags:
    """The tags of a piece: where each begins and ends, its kind, and how deep its element lies."""

    raw: Bytes
    first: Places
    last: Places
    kind: NDArray[np.int8]
    opens: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    depth: NDArray[np.intp]


def scan(chunks: Iterable[bytes], where: str) -> Points:
    """Return the points of well-formed XML.

    Parameters
    ----------
    chunks : the file in pieces, cut anywhere, without document type and entities

    Raises
    ------
    IrregularError
        When its layout is one that is not read here: sections of raw text, numeric characters, a > in a text,
        other quotation marks or attributes of points.
    InputError
        When it holds too much.
    """
    points = Points()
    for piece in _pieces(chunks, where):
        _add(points, piece)
        if points.count > MOST_FIXES or len(points.names) > _MOST_TRACKS:
            raise too_many(where)
    return points


def _pieces(chunks: Iterable[bytes], where: str) -> Iterator[bytes]:
    """Yield pieces that end behind a closing tag, so that no element of text alone is cut."""
    rest = b""
    for chunk in chunks:
        rest += chunk
        ending = rest.rfind(b"</")
        cut = rest.find(b">", ending) + 1 if ending >= 0 else 0
        if ending >= 0 and not cut:
            ending = rest.rfind(b"</", 0, ending)
            cut = rest.find(b">", ending) + 1 if ending >= 0 else 0
        cut = max(cut, rest.rfind(b"/>") + 2 if b"/>" in rest else 0)
        if cut:
            yield rest[:cut]
            rest = rest[cut:]
        elif len(rest) > _LONGEST:
            raise refused("an element that is too long", where, f"over {_LONGEST >> 20} MB", "GPX", "export it again")
    yield rest[: rest.rfind(b">") + 1]


def _add(points: Points, piece: bytes) -> None:
    """Add the points of a piece."""
    if b"<![" in piece or b"&#" in piece:
        raise IrregularError("sections of raw text, or characters by number")
    piece = _without_asides(piece)
    tags = _tags(points, piece)
    if not len(tags.first):
        return
    start = tags.opens & (tags.kind == _TRKPT)
    here = np.flatnonzero(start)
    point = np.cumsum(start) - 1
    depths = np.append(tags.depth[here], points.point_depth)  # the last entry: of the point that is open (index -1)
    opened = np.cumsum(start & ~tags.whole) - np.cumsum(~tags.opens & (tags.kind == _TRKPT)) + int(points.inside)
    if len(opened) and not ((opened >= 0) & (opened <= 1)).all():
        raise IrregularError("points within points")
    lat, lon = _places(tags, here)
    time, speed = np.full(len(here) + 1, np.nan), np.full(len(here) + 1, np.nan)  # the last: of the open point
    valued = tags.opens & ~tags.whole & (opened > 0)
    timed = _texts(tags, valued & (tags.kind == _TIME) & (tags.depth == depths[point] + 1))
    time[point[timed]] = instants(tags.raw, tags.last[timed] + 1, tags.first[timed + 1])
    empty = tags.last[timed] + 1 == tags.first[timed + 1]
    points.no_times += int((np.isnan(time[point[timed]]) & ~empty).sum())
    fast = _texts(tags, valued & (tags.kind == _SPEED))
    speed[point[fast]] = numbers(tags.raw, tags.last[fast] + 1, tags.first[fast + 1])
    _add_to_the_open_point(points, time[-1], speed[-1])
    before = len(points.names)
    track = before + np.cumsum(tags.opens & (tags.kind == _TRK)) - 1
    points.names += [""] * (int(track[-1]) + 1 - before)
    for tag in _texts(tags, tags.opens & ~tags.whole & (tags.kind == _NAME) & (opened == 0) & (tags.depth == 3)):
        text = piece[tags.last[tag] + 1 : tags.first[tag + 1]].decode()
        if track[tag] >= 0:
            points.names[track[tag]] = html.unescape(text).strip()
    points.planned += int((tags.opens & ((tags.kind == _RTEPT) | (tags.kind == _WPT))).sum())
    points.heights |= bool((valued & (tags.kind == _ELE)).any())
    for column, values in ((points.lat, lat), (points.lon, lon), (points.time, time[:-1]), (points.speed, speed[:-1])):
        column.append(values)
    points.track.append(track[here])
    points.count += len(here)
    points.inside, points.point_depth = bool(opened[-1]), int(depths[len(here) - 1])


def _without_asides(piece: bytes) -> bytes:
    """Return a piece without comments and processing instructions."""
    kept, done = [], 0
    for mark in _ASIDE.finditer(piece):
        if mark.start() < done:
            continue
        closing = b"-->" if mark.group() == b"<!--" else b"?>"
        end = piece.find(closing, mark.end())
        if end < 0:
            raise IrregularError("a comment over several pieces")
        kept.append(piece[done : mark.start()])
        done = end + len(closing)
    return b"".join([*kept, piece[done:]]) if kept else piece


def _add_to_the_open_point(points: Points, time: float, speed: float) -> None:
    """Give time and speed to the last point of the pieces before, which goes on in this one."""
    for column, value in ((points.time, time), (points.speed, speed)):
        if np.isfinite(value):
            next(one for one in reversed(column) if len(one))[-1] = value


def _tags(points: Points, piece: bytes) -> _Tags:
    raw = np.frombuffer(piece, dtype=np.uint8)
    first, last = np.flatnonzero(raw == ord("<")), np.flatnonzero(raw == ord(">"))
    if len(first) != len(last) or not (first < last).all() or not (last[:-1] < first[1:]).all():
        raise IrregularError("a > that ends no tag")
    closing = raw[first + 1] == ord("/") if len(first) else np.empty(0, dtype=bool)
    whole = (raw[last - 1] == ord("/")) & ~closing
    after = points.depth + np.cumsum(np.where(closing, -1, np.where(whole, 0, 1)))
    name = first + 1 + closing
    padded = np.append(raw, np.zeros(8, dtype=np.uint8))
    kind = _kinds(padded, name)
    if len(first) and not points.root:
        found = re.match(rb"[^\s/>]*", piece[int(name[0]) :])
        points.root = found.group().decode("utf-8", "replace").rpartition(":")[2] if found else ""
    points.depth = int(after[-1]) if len(after) else points.depth
    return _Tags(raw, first, last, kind, ~closing, whole, after + (closing | whole))


def _kinds(padded: Bytes, name: Places) -> NDArray[np.int8]:
    """Return the kind of each tag by its name, whatever its prefix; -1 for others."""
    kind = _kinds_plain(padded, name)
    other = np.flatnonzero(kind < 0)
    local, alive = name[other], np.ones(len(other), dtype=bool)
    for step in range(_LONGEST_PREFIX):
        letter = padded.take(name[other] + step, mode="clip")
        colon = alive & (letter == ord(":"))
        local = np.where(colon, name[other] + step + 1, local)
        alive &= ~colon & ~_ENDS[letter]
        if not alive.any():
            break
    prefixed = local > name[other]
    kind[other[prefixed]] = _kinds_plain(padded, local[prefixed])
    return kind


def _kinds_plain(padded: Bytes, name: Places) -> NDArray[np.int8]:
    words: NDArray[np.uint64] = np.ndarray(len(padded) - 7, dtype=_WORD, buffer=padded, strides=(1,))
    word = words.take(name, mode="clip")
    kind = np.full(len(name), -1, dtype=np.int8)
    for number, (code, mask, length) in enumerate(_CODES):
        ended = ((word >> np.uint64(8 * length)) & np.uint64(255)).astype(np.uint8)
        kind[((word & np.uint64(mask)) == np.uint64(code)) & _ENDS[ended]] = number
    return kind


def _places(tags: _Tags, here: Places) -> tuple[Floats, Floats]:
    """Return latitude and longitude of the points that begin at tags `here`."""
    raw, end = tags.raw, tags.last[here]
    quotes = np.append(np.flatnonzero(raw == ord('"')), np.full(5, len(raw)))
    nth = np.searchsorted(quotes, tags.first[here])
    marks = [quotes[nth + one] for one in range(5)]
    words: NDArray[np.uint32] = np.ndarray(max(len(raw) - 3, 0), dtype="<u4", buffer=raw, strides=(1,))
    names = [words.take(marks[one] - 4, mode="clip") for one in (0, 2)] if len(here) else [np.empty(0)] * 2
    ahead = (names[0] == _LAT) & (names[1] == _LON)
    plain = ahead | ((names[0] == _LON) & (names[1] == _LAT))
    plain &= (marks[3] < end) & (marks[4] > end) & _SPACE[raw.take(marks[0] - 5, mode="clip")]
    if not plain.all():
        raise IrregularError("points with other attributes than lat and lon")
    one, other = (numbers(raw, marks[at] + 1, marks[at + 1]) for at in (0, 2))
    return np.where(ahead, one, other), np.where(ahead, other, one)


def _texts(tags: _Tags, chosen: NDArray[np.bool_]) -> Places:
    """Return the chosen tags whose element is closed by the next tag; those that hold elements are irregular."""
    index = np.flatnonzero(chosen)
    index = index[index + 1 < len(tags.first)]
    if (tags.opens[index + 1] | (tags.kind[index + 1] != tags.kind[index])).any():
        raise IrregularError("elements within a time, speed or name")
    return index
