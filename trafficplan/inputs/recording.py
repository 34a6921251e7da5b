"""A recorded drive as a file holds it, before it is laid on the farm: what every reader of a log returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.errors import InputError, Problem
from trafficplan.names import Note

Floats = NDArray[np.float64]

WGS84 = "EPSG:4326"

#: More fixes than this are refused while they are read, so that memory stays under 2 GB: a log of NMEA takes most,
#: 0.4 GB for a million fixes (tests/benchmarks/test_logs.py); ours.
MOST_FIXES = 4_000_000


@dataclass(frozen=True)
class Recording:
    """The columns of one log, in SI, in file order.

    Attributes
    ----------
    key : name of the log, as operations.csv writes it
    where : the file, for messages
    columns : `time` [s], `x`, `y` (degrees or m, by `crs`), and where recorded `speed` [m/s], `flow` [kg/s],
        `load` [kg], `step` [m], `record` [s], `pressure` [Pa gauge], `temperature` [degrees C], `width` [m],
        `working` (0 or 1); all (n,), NaN where missing
    crs : coordinate system of x and y
    machine : (n,) index into `machines`, or None: one machine as far as the file says
    rows : records in the file, before any was left out
    speed_unit_known : False where the file does not say in what unit the speed is
    local : the time is that of the farm's time zone, not UTC
    """

    key: str
    where: str
    columns: Mapping[str, Floats]
    crs: str = WGS84
    machine: NDArray[np.intp] | None = None
    machines: tuple[str, ...] = ()
    rows: int = 0
    speed_unit_known: bool = True
    local: bool = False
    notes: tuple[Note, ...] = ()


def refused(what: str, where: str, found: str, needed: str, mend: str) -> InputError:
    """Return the error that refuses a log."""
    return InputError(Problem(what, where, found if found.strip() else "nothing", needed, mend))


def too_many(where: str) -> InputError:
    """Return the error for a log that would not fit into memory."""
    return refused(
        "a log that is too long",
        where,
        f"more than {MOST_FIXES} records",
        f"at most {MOST_FIXES} records in one log",
        "split it by days or fields",
    )


def count_note(where: str, what: str, count: int, of: int, why: str) -> list[Note]:
    """Return a note of records that were left out or changed, or nothing when there are none."""
    return [Note("repaired", f"{where}: {what}", f"{count} of {of}", why)] if count else []
