"""Numbers and stamps in cells of raw bytes: many at once, as exact as one by one."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trafficplan.inputs.recording import Floats

Bytes = NDArray[np.uint8]
Places = NDArray[np.intp]

#: Whole numbers of so many digits, and powers of ten up to 22, are exact in a float: their quotient is the nearest one.
_EXACT_DIGITS = 15
_TENS = 10.0 ** np.arange(_EXACT_DIGITS + 1)
_LONGEST_STAMP, _LONGEST_NUMBER = 64, 64
_TO_SECONDS = 19  # characters of 2026-04-30T07:30:00
_POINT, _MINUS, _ZERO = ord("."), ord("-"), ord("0")
_NUMBER = re.compile(rb"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


def numbers(raw: Bytes, first: Places, last: Places) -> Floats:
    """Return the numbers that stand in bytes `first` to `last` (excluded); NaN where a cell is empty or holds none.

    Digits with a minus and a point go all at once; whatever else is a number (an exponent, many digits, a space)
    is read by itself.

    Examples
    --------
    >>> numbers(np.frombuffer(b"5.25,-1e2,x", np.uint8), np.array([0, 5, 10]), np.array([4, 9, 11]))
    array([   5.25, -100.  ,     nan])
    """
    size = last - first
    longest = _EXACT_DIGITS + 2  # with a minus and a point
    strange = size > longest
    whole = np.zeros(len(first), dtype=np.int64)
    digits, behind = np.zeros((2, len(first)), dtype=np.uint8)
    point, minus = np.zeros((2, len(first)), dtype=bool)
    for place in range(min(int(size.max(initial=0)), longest)):
        letter = raw.take(first + place, mode="clip")
        value = letter - np.uint8(_ZERO)
        digit = (value < 10) & (place < size)
        if digit.all():  # the usual case: a column of one layout
            whole *= 10
            whole += value
            digits += 1
            behind += point
            continue
        whole = np.where(digit, whole * 10 + value, whole)
        digits += digit
        behind += digit & point
        other = (place < size) & ~digit
        strange |= other & ((letter != _POINT) | point) & ((letter != _MINUS) | (place > 0))
        point |= other & (letter == _POINT)
        minus |= other & (letter == _MINUS)
    strange |= (digits > _EXACT_DIGITS) | (digits == 0)
    out = np.where(minus, -whole, whole) / _TENS[np.minimum(behind, _EXACT_DIGITS)]
    out[strange] = np.nan
    for index in np.flatnonzero(strange & (size > 0) & (size <= _LONGEST_NUMBER)):
        cell = raw[first[index] : last[index]].tobytes()
        if _NUMBER.fullmatch(cell):
            out[index] = float(cell)
    out[np.isinf(out)] = np.nan
    return np.asarray(out)


def instants(raw: Bytes, first: Places, last: Places) -> Floats:
    """Return stamps of ISO 8601 that stand in bytes `first` to `last` (excluded) as seconds since 1970 (UTC).

    A stamp without a zone is taken as UTC; what is no stamp is NaN.

    Examples
    --------
    >>> instants(np.frombuffer(b"1970-01-02T00:00:00.5Z", np.uint8), np.array([0]), np.array([22]))
    array([86400.5])
    """
    out = np.full(len(first), np.nan)
    size = last - first
    for length in np.unique(size):
        group = np.flatnonzero(size == length)
        if length <= 0 or length > _LONGEST_STAMP:
            continue
        block = raw[first[group][:, None] + np.arange(length)]
        out[group] = _plain_stamps(block) if _are_plain(block) else _any_stamps(block)
    return out


def _are_plain(block: Bytes) -> bool:
    """Tell whether stamps, one a row, are all written as 2026-04-30T07:30:00.5Z."""
    width = block.shape[1] - 1
    if width < _TO_SECONDS or width == _TO_SECONDS + 1:
        return False
    marks = {4: "-", 7: "-", 10: "T", 13: ":", 16: ":", _TO_SECONDS: ".", width: "Z"}
    digits = np.delete(block, [place for place in marks if place <= width], axis=1)
    here = all((block[:, place] == ord(mark)).all() for place, mark in marks.items() if place <= width)
    return here and bool((digits - np.uint8(_ZERO) < 10).all())


def _plain_stamps(block: Bytes) -> Floats:
    text = np.ascontiguousarray(block[:, :-1]).view(f"S{block.shape[1] - 1}").ravel()
    try:
        return np.asarray(text.astype("datetime64[us]").astype(np.int64) / 1e6)
    except ValueError:  # a day that the calendar lacks
        return _any_stamps(block)


def _any_stamps(block: Bytes) -> Floats:
    text = [row.tobytes().decode("ascii", "replace").strip() for row in block]
    return seconds_of(pd.to_datetime(pd.Series(text, dtype="str"), utc=True, format="ISO8601", errors="coerce"))


def seconds_of(stamps: pd.Series[Any]) -> Floats:
    """Return stamps in UTC as seconds since 1970, NaN where there is none; any year that a stamp can have."""
    whole = stamps.dt.as_unit("us").astype("int64").to_numpy()
    return np.asarray(np.where(stamps.isna(), np.nan, whole / 1e6), dtype=np.float64)
