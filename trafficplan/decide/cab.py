"""A finished spreading plan as plain data: all that goes into the cab, nothing that has to be computed again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.names import LEGS, WORK, Note
from trafficplan.routes.passes import Drive

#: Ends of work nearer to each other than this belong to one swath that a refill cut in two [m] (ours).
_SAME_SWATH_M = 2.0


@dataclass(frozen=True)
class CabAxle:
    """One axle: pressure to set in the field and on the track [Pa, cold]; None where none may be named.

    `adjust` is how the pressure can be changed: "none", "hose" or "central".
    """

    axle: str
    field_pa: float | None
    track_pa: float | None
    adjust: str = "none"


@dataclass(frozen=True)
class Unspread:
    """Ground of the field that is not spread: its shape, area [m2], and why in a few words."""

    shape: Polygon | MultiPolygon
    area_m2: float
    why: str


@dataclass(frozen=True)
class CabPlan:
    """One plan for one field.

    Attributes
    ----------
    farm, field, job, outfit : names as people read them
    day : day of the job, or None
    units : "metric" or "us"
    crs : working CRS of all coordinates, such as "EPSG:32635"
    gateway, gate_xy : name of the gateway ("" where the field has none) and its place
    fill_words, fill_xy : where it is filled, such as "at the yard", and its place
    order : order of the swaths in words
    heading_deg : direction of the swaths, clockwise from grid north; None: along the tramlines
    load_kg, rate_kg_m2, width_m : product on board when full, product per area, working width
    density_kg_m3 : set where the rate was asked for as a volume, else None
    axles : front to back
    drive : the whole way
    run_outs : where each load ends, in the order of driving
    loads_kg : product of each load, in the order of driving
    spread_m2 : ground spread at least once
    unspread : ground of the field that is not spread, with reasons
    hours : of the whole job
    litres : fuel of the whole job, or None where it cannot be told
    moisture : the hand-test words that the plan was made for, such as "moulds"
    void_if : hand-test word at which the plan no longer holds, "" where it was made for the wettest
    stop_rut_m : depth of ruts at which to stop
    boundary, tramlines : of the field
    swaths : headland rounds and swaths, each once, in the order and direction driven
    notes : everything assumed and warned of
    steep : the ground is too steep for a lowest pressure to be named
    """

    farm: str
    field: str
    job: str
    outfit: str
    day: dt.date | None
    units: str
    crs: str
    gateway: str
    gate_xy: tuple[float, float] | None
    fill_words: str
    fill_xy: tuple[float, float] | None
    order: str
    heading_deg: float | None
    load_kg: float
    rate_kg_m2: float
    width_m: float
    axles: tuple[CabAxle, ...]
    drive: Drive
    run_outs: tuple[tuple[float, float], ...]
    loads_kg: tuple[float, ...]
    spread_m2: float
    unspread: tuple[Unspread, ...]
    hours: float
    litres: float | None
    moisture: str
    void_if: str
    stop_rut_m: float
    boundary: Polygon | MultiPolygon
    tramlines: tuple[LineString, ...]
    swaths: tuple[LineString, ...]
    density_kg_m3: float | None = None
    steep: bool = False
    notes: tuple[Note, ...] = ()

    def names_pressures(self) -> bool:
        """Return whether a pressure may be named for every axle: without a tyre table none is."""
        return bool(self.axles) and all(one.field_pa and one.track_pa for one in self.axles)

    def km(self) -> Mapping[str, float]:
        """Return kilometres by leg, of those that are driven."""
        lengths = np.bincount(self.drive.leg[:-1], weights=_steps(self.drive.xy), minlength=len(LEGS)) / 1e3
        return {name: float(length) for name, length in zip(LEGS, lengths, strict=True) if length > 0}


@dataclass(frozen=True)
class Stretch:
    """A stretch of one leg with one load on board: vertices `first` to `last` of the drive, both among them."""

    leg: int
    load: int
    first: int
    last: int


def stretches(drive: Drive) -> tuple[Stretch, ...]:
    """Return the drive cut where the leg changes and where a new load begins; loads count from 1.

    A load begins where the product on board rises at once (an outfit that empties), or falls (one that fills).
    The end of one stretch is the beginning of the next.
    """
    if len(drive.xy) < 2:
        return ()
    number = load_numbers(drive)
    leg = drive.leg[:-1].astype(np.intp)
    cuts = np.flatnonzero((np.diff(leg) != 0) | (np.diff(number[:-1]) != 0)) + 1
    firsts, lasts = np.append(0, cuts), np.append(cuts, len(leg))
    return tuple(
        Stretch(int(leg[first]), int(number[first]), int(first), int(last))
        for first, last in zip(firsts, lasts, strict=True)
    )


def load_numbers(drive: Drive) -> NDArray[np.int64]:
    """Return which load each vertex belongs to, from 1.

    A vertex holds for the stretch that starts there. Filling is spread over the vertices of a turn or is one step;
    the first vertex with more on board is the first of the new load.
    """
    change = np.diff(drive.load_kg)
    if float(change[drive.leg[:-1] == WORK].sum()) > 0:  # a job that takes up: it unloads between loads
        change = -change
    least = 1e-3 * float(np.max(np.abs(drive.load_kg), initial=1.0))
    fills = change > 1e-6 * least
    begins = np.flatnonzero(fills & ~np.append(False, fills[:-1]))
    total = np.append(0.0, np.cumsum(np.where(fills, change, 0.0)))
    gained = np.diff(total[np.append(begins, len(change))])
    number = np.zeros(len(drive.load_kg), dtype=np.int64)
    number[begins[gained > least] + 1] = 1
    return 1 + np.cumsum(number)


def swaths_of(drive: Drive) -> tuple[LineString, ...]:
    """Return the lines of work of a drive, in order and in the direction first driven.

    One that a refill cut in two is whole again, also where its rest was worked from the far end.
    """
    lines: list[NDArray[np.float64]] = []
    work = np.flatnonzero(drive.leg[:-1] == WORK)
    for group in np.split(work, np.flatnonzero(np.diff(work) > 1) + 1) if len(work) else []:
        lines.append(drive.xy[group[0] : group[-1] + 2])
        while len(lines) > 1 and (whole := _joined(lines[-2], lines[-1])) is not None:
            lines[-2:] = [whole]
    return tuple(LineString(xy) for xy in lines)


def _joined(before: NDArray[np.float64], after: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return two lines as one where the second carries on from the end of the first, or was driven towards it."""
    for rest in (after, after[::-1]):
        last, first = before[-1] - before[-2], rest[1] - rest[0]
        straight = float(last @ first) > 0.9 * float(np.hypot(*last) * np.hypot(*first))
        if straight and float(np.hypot(*(rest[0] - before[-1]))) <= _SAME_SWATH_M:
            return np.concatenate([before, rest[1:]])
    return None


def _steps(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(*np.diff(xy, axis=0).T))
