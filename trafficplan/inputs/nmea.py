"""NMEA 0183: fixes from the sentences GGA and RMC, speed from RMC or VTG, dates from RMC and ZDA."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trafficplan.inputs.cells import Places, numbers
from trafficplan.inputs.recording import MOST_FIXES, Floats, Recording, count_note, refused, too_many
from trafficplan.names import Note
from trafficplan.units import KM_H, KNOT

KINDS = ("GGA", "RMC", "VTG", "ZDA")
_CHUNK = 1 << 20
_LONGEST = 4096  # a piece without a line's end that is longer holds no sentences
_DAY_S = 86_400.0
_1970 = dt.date(1970, 1, 1)
_HALF_DAY_S = _DAY_S / 2
_TOO_MANY_WRONG = 0.5
#: Cells of each kind that are read, and those of them that are letters.
_CELLS = {"GGA": (1, 2, 3, 4, 5, 6), "RMC": (1, 2, 3, 4, 5, 6, 7, 9), "VTG": (5, 7), "ZDA": (1, 2, 3, 4)}
_LETTERS = {"GGA": (3, 5), "RMC": (2, 4, 6), "VTG": (), "ZDA": ()}
_COARSE = 1  # fix quality of a receiver without corrections
_CODES = {kind: int.from_bytes(kind.encode(), "big") for kind in KINDS}
_HEX = np.full(256, 255, dtype=np.uint8)
for _digit in range(16):
    for _case in (f"{_digit:X}", f"{_digit:x}"):
        _HEX[ord(_case)] = _digit


@dataclass
class _Found:
    """Cells of sentences by kind with their number in the file, and how many were well or badly formed."""

    cells: dict[str, list[dict[int, NDArray[Any]]]]
    order: dict[str, list[NDArray[np.int64]]]
    count: dict[str, int]
    good: int = 0
    wrong: int = 0
    unsummed: int = 0
    seen: int = 0


def checksum(sentence: str) -> int:
    """Return the checksum of a sentence: XOR of the characters between $ and *.

    Examples
    --------
    >>> f"{checksum('GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,'):02X}"
    '47'
    """
    total = 0
    for character in sentence.encode("ascii", "replace"):
        total ^= character
    return total


def looks_like_nmea(head: bytes) -> bool:
    """Tell whether the first bytes of a file hold sentences."""
    return re.search(rb"\$[A-Z]{2}(GGA|RMC|VTG|ZDA|GSA|GSV|GLL),", head) is not None


def read_nmea(path: Path, key: str, where: str) -> Recording:
    """Return the fixes of a stream of sentences; degrees (WGS84), time UTC, speed in m/s.

    A sentence counts with the right checksum only. GGA and RMC of the same time are one fix; a fix whose
    quality is 0, or whose status is not A, is left out. Without any date time counts from midnight of the
    first day. The file is read in pieces.

    Raises
    ------
    InputError
        When there are no fixes, or more wrong sentences than right ones.
    """
    found = _sentences(path, where)
    if found.seen and found.wrong > _TOO_MANY_WRONG * found.seen:
        raise refused(
            "wrong checksums",
            where,
            f"{found.wrong} of {found.seen} sentences",
            "sentences as the receiver sent them",
            "record again, or check the cable and its speed",
        )
    tables = {kind: _table(found, kind) for kind in KINDS}
    days = _dates(tables)
    rows = max(len(tables["GGA"].order), len(tables["RMC"].order))
    kinds = f"GGA {len(tables['GGA'].order)}, RMC {len(tables['RMC'].order)}"
    fixes, notes = _fixes(where, tables, days)
    if not len(fixes["time"]):
        raise refused(
            "no fixes",
            where,
            f"{found.good} right sentences, {kinds}",
            "GGA or RMC with a position",
            "switch on GGA or RMC in the receiver and record again",
        )
    notes += count_note(where, "sentences with a wrong checksum", found.wrong, found.seen, "left out")
    if found.unsummed:
        notes.append(
            Note(
                "assumed",
                f"{where}: sentences without checksum",
                f"{found.unsummed}",
                "taken as right",
                "none there",
            )
        )
    if not len(days[0]):
        why = "the file holds no date; time counts from midnight of its first day"
        notes.append(Note("assumed", f"{where}: date", "none", why, "the log"))
    return Recording(key, where, fixes, rows=rows, notes=tuple(notes))


def _pieces(path: Path) -> Iterator[bytes]:
    """Yield pieces of a file that end with a line."""
    rest = b""
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            whole, end, tail = (rest + chunk).rpartition(b"\n")
            if whole or end:
                yield whole + end
            rest = tail[-_LONGEST:]
    if rest:
        yield rest + b"\n"


def _sentences(path: Path, where: str) -> _Found:
    found = _Found({kind: [] for kind in KINDS}, {kind: [] for kind in KINDS}, dict.fromkeys(KINDS, 0))
    for piece in _pieces(path):
        _sort_piece(piece, found)
        if max(found.count.values()) > MOST_FIXES:
            raise too_many(where)
    return found


def _sort_piece(piece: bytes, found: _Found) -> None:
    """Sort the sentences of a piece by kind, judging each by its checksum."""
    raw = np.frombuffer(piece, dtype=np.uint8)
    start = np.flatnonzero(raw == ord("$"))
    if not len(start):
        return
    ends = np.flatnonzero((raw == ord("\n")) | (raw == ord("\r")) | (raw == ord("$")))
    end = ends[np.minimum(np.searchsorted(ends, start, side="right"), len(ends) - 1)]
    stars = np.append(np.flatnonzero(raw == ord("*")), len(raw))
    star = stars[np.searchsorted(stars, start)]
    summed = star < end
    body_end = np.where(summed, star, end)
    long = body_end > start + 1
    start, end, star, body_end = start[long], end[long], star[long], body_end[long]
    summed = summed[long]
    if not len(start):
        return
    edges = np.column_stack([start + 1, np.minimum(body_end, len(raw) - 1)]).ravel()
    total = np.bitwise_xor.reduceat(raw, edges)[::2]
    high, low = (_HEX[raw.take(star + after, mode="clip")] for after in (1, 2))
    right = summed & (high < 16) & (low < 16) & (total == ((high << 4) | low)) & (star + 2 < end)
    letters = [raw.take(start + place, mode="clip").astype(np.int64) for place in (3, 4, 5)]
    code = (letters[0] << 16) | (letters[1] << 8) | letters[2]
    named = raw.take(start + 6, mode="clip") == ord(",")
    commas = np.flatnonzero(raw == ord(","))
    for kind, number in _CODES.items():
        mine = (code == number) & named
        found.unsummed += int((mine & ~summed).sum())
        chosen = np.flatnonzero(mine & (right | ~summed))
        found.order[kind].append(found.seen + chosen)
        found.count[kind] += len(chosen)
        if len(chosen):
            found.cells[kind].append(_cells(kind, raw, commas, start[chosen] + 1, body_end[chosen]))
    found.good += int(right.sum())
    found.wrong += int((summed & ~right).sum())
    found.seen += len(start)


def _cells(kind: str, raw: NDArray[np.uint8], commas: Places, first: Places, last: Places) -> dict[int, NDArray[Any]]:
    """Return the cells of sentences (bytes first to last, last excluded) as numbers; letters as their codes."""
    nth = np.searchsorted(commas, first)
    edges = np.append(commas, np.full(max(_CELLS[kind]) + 1, len(raw)))  # cells that a short sentence lacks
    cells = {}
    for cell in _CELLS[kind]:
        begin = edges[nth + cell - 1] + 1
        end = np.minimum(edges[nth + cell], last)
        begin = np.minimum(begin, end)
        if cell in _LETTERS[kind]:
            cells[cell] = np.where(end - begin == 1, raw.take(begin, mode="clip"), np.uint8(0))
        else:
            cells[cell] = numbers(raw, begin, end)
    return cells


@dataclass(frozen=True)
class _Table:
    """Sentences of one kind: their numbers in the file, their time of day [s], and other cells by their place."""

    order: NDArray[np.int64]
    time: Floats
    cells: dict[int, NDArray[Any]]

    def is_letter(self, cell: int, letter: str) -> NDArray[np.bool_]:
        """Mark sentences that have a letter in a cell."""
        return np.asarray(self.cells[cell] == ord(letter))

    def degrees(self, cell: int, letters: str, limit: float) -> Floats:
        """Return ddmm.mmmm and the hemisphere beside it as degrees; NaN where either is missing or cannot be."""
        whole, minutes = _apart(self.cells.pop(cell))  # once: a long log does not stay in memory twice
        degrees = whole + minutes / 60
        ahead, behind = (self.is_letter(cell + 1, letter) for letter in letters)
        good = (whole >= 0) & (minutes < 60) & (degrees <= limit) & (ahead | behind)
        return np.where(good, np.where(ahead, degrees, -degrees), np.nan)


def _time_of_day(stamp: Floats) -> Floats:
    """Return hhmmss.ss as seconds since midnight; NaN where it is no time."""
    minutes, second = _apart(stamp)
    hour, minute = _apart(minutes)
    good = (hour >= 0) & (hour < 24) & (minute < 60) & (second < 61)
    return np.where(good, hour * 3600 + minute * 60 + second, np.nan)


def _apart(value: Floats) -> tuple[Floats, Floats]:
    """Return hundreds and the rest: ddmm.mm as degrees and minutes."""
    hundreds = np.floor(value / 100.0)
    return hundreds, value - 100.0 * hundreds


def _table(found: _Found, kind: str) -> _Table:
    order = np.concatenate([np.empty(0, dtype=np.int64), *found.order[kind]])
    pieces = found.cells.pop(kind)
    cells = {cell: np.concatenate([one.pop(cell) for one in pieces] or [np.empty(0)]) for cell in _CELLS[kind]}
    time = _time_of_day(cells.pop(1)) if 1 in cells else np.empty(0)
    return _Table(order, time, cells)


def _dates(tables: dict[str, _Table]) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return number in the file, midnight [s since 1970] and time of day of all sentences that hold a date."""
    zda, rmc = tables["ZDA"], tables["RMC"]
    year, month, day = (zda.cells[cell] for cell in (4, 3, 2))
    rest, short = _apart(rmc.cells.pop(9))
    four = np.where((month < 13) & (year < 10_000), day * 1e6 + month * 1e4 + year, np.nan)
    stamps = np.concatenate([four, rest * 1e4 + short + np.where(short < 80, 2000, 1900)])
    days, which = np.unique(stamps, return_inverse=True)
    values = np.array([_midnight(day) for day in days.tolist()], dtype=np.float64)[which]
    order = np.concatenate([zda.order, rmc.order])
    time = np.concatenate([zda.time, rmc.time])
    good = np.flatnonzero(np.isfinite(values) & np.isfinite(time))
    good = good[np.argsort(order[good], kind="stable")]
    return order[good], np.asarray(values[good], dtype=np.float64), time[good]


def _midnight(day: float) -> float:
    """Return ddmmyyyy as seconds since 1970, NaN for a day that the calendar lacks."""
    try:
        return (dt.date(int(day % 10_000), int(day // 10_000 % 100), int(day // 1_000_000)) - _1970).days * _DAY_S
    except (ValueError, OverflowError):
        return np.nan


def _absolute(order: NDArray[np.int64], time: Floats, dates: tuple[NDArray[np.int64], Floats, Floats]) -> Floats:
    """Return times of day as seconds since 1970 by the nearest date in the file; without dates, unrolled."""
    where, midnight, of_date = dates
    if not len(where):
        known = np.flatnonzero(np.isfinite(time))
        days = np.zeros(len(time))
        days[known] = np.concatenate([[0.0], np.cumsum(np.diff(time[known]) < -_HALF_DAY_S)])[: len(known)]
        return np.asarray(time + days * _DAY_S)
    near = np.searchsorted(where, order).clip(0, len(where) - 1)
    left = (near - 1).clip(0)
    near = np.where(np.abs(where[left] - order) <= np.abs(where[near] - order), left, near)
    off = of_date[near] - time
    turn = np.where(off > _HALF_DAY_S, 1.0, np.where(off < -_HALF_DAY_S, -1.0, 0.0))
    return np.asarray(midnight[near] + turn * _DAY_S + time)


def _fixes(
    where: str, tables: dict[str, _Table], dates: tuple[NDArray[np.int64], Floats, Floats]
) -> tuple[dict[str, Floats], list[Note]]:
    """Return the fixes in file order: one per time of GGA or RMC, with the speed of RMC, else of VTG."""
    gga, rmc, vtg = tables["GGA"], tables["RMC"], tables["VTG"]
    quality = gga.cells[6]
    order = np.concatenate([gga.order, rmc.order])
    time = _absolute_of(order, np.concatenate([gga.time, rmc.time]), dates)
    lat = np.concatenate([gga.degrees(2, "NS", 90.0), rmc.degrees(3, "NS", 90.0)])
    lon = np.concatenate([gga.degrees(4, "EW", 180.0), rmc.degrees(5, "EW", 180.0)])
    good = np.concatenate([quality > 0, rmc.is_letter(2, "A")])
    speed = np.concatenate([np.full(len(gga.order), np.nan), rmc.cells[7] * KNOT])
    usable = good & np.isfinite(lat) & np.isfinite(lon)
    bad_times = np.round(time[~good & np.isfinite(time)], 3)
    if len(bad_times):
        usable &= ~np.isin(np.round(time, 3), bad_times)
    here = np.flatnonzero(usable)
    here, speed = _one_per_time(here, order, time, speed, len(gga.order))
    speed = _speed_of_vtg(vtg, order[here], speed)
    notes = count_note(
        where,
        "fixes of quality 0 or without status A",
        int((~good).sum()),
        len(order),
        "the receiver did not trust them",
    )
    if len(quality) and (quality[quality > 0] == _COARSE).all():
        why = "a receiver without corrections errs by metres: more than a tyre is wide"
        notes.append(Note("warned", f"{where}: fixes", "quality 1 (no corrections)", why, "NMEA 0183, from memory"))
    columns = {"time": time[here], "x": lon[here], "y": lat[here]}
    if np.isfinite(speed).any():
        columns["speed"] = speed
    return columns, notes


def _absolute_of(order: NDArray[np.int64], time: Floats, dates: tuple[NDArray[np.int64], Floats, Floats]) -> Floats:
    """Return `_absolute` of sentences that are not yet in the order of the file."""
    ranks = np.argsort(order, kind="stable")
    out = np.empty(len(order))
    out[ranks] = _absolute(order[ranks], time[ranks], dates)
    return out


def _one_per_time(
    here: NDArray[np.intp], order: NDArray[np.int64], time: Floats, speed: Floats, of_gga: int
) -> tuple[NDArray[np.intp], Floats]:
    """Return the chosen sentences in file order, RMC left out where GGA has its time, and their speeds."""
    stamp = np.round(time, 3)
    gga, rmc = here[here < of_gga], here[here >= of_gga]
    alone = rmc[~np.isin(stamp[rmc], stamp[gga])]
    known = rmc[np.isfinite(stamp[rmc])]
    known = known[np.argsort(stamp[known], kind="stable")]
    chosen = np.concatenate([gga, alone])
    chosen = chosen[np.argsort(order[chosen], kind="stable")]
    out = speed[chosen]
    if len(known):
        place = np.searchsorted(stamp[known], stamp[chosen]).clip(0, len(known) - 1)
        same = stamp[known][place] == stamp[chosen]
        out = np.where(same, speed[known[place]], out)
    return chosen, out


def _speed_of_vtg(vtg: _Table, order: NDArray[np.int64], speed: Floats) -> Floats:
    """Fill speeds that RMC does not give from the VTG sentence that follows a fix."""
    if not len(vtg.order) or not len(order):
        return speed
    value = np.where(np.isfinite(vtg.cells[7]), vtg.cells[7] * KM_H, vtg.cells[5] * KNOT)
    before = np.searchsorted(order, vtg.order) - 1
    there = before >= 0
    filled = np.full(len(order), np.nan)
    filled[before[there]] = value[there]
    return np.where(np.isnan(speed), filled, speed)
