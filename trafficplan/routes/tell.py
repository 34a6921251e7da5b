"""What a drive tells: where each load ends and how large it is, ways and times by what they serve, ground missed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ENTRY, EXIT, HAUL, ROAD, TURN, WORK, Note
from trafficplan.routes.follow import vehicle_paths
from trafficplan.routes.passes import Drive
from trafficplan.routes.standing import beside, flattened_ha
from trafficplan.routes.swaths import polygons_of

__all__ = [
    "Coverage",
    "Missed",
    "Ways",
    "coverage",
    "efficiency",
    "field_capacity",
    "flattened_ha",
    "hours_s",
    "idle_share",
    "loads_kg",
    "run_outs",
    "ways_m",
    "wheels_outside",
    "work_lines",
]

CHANGED_KG = 1e-3  # a load that differs by less is the same
PIECE_M2 = 10.0  # missed pieces smaller than this are summed up only
NARROW = 0.25  # ground that goes when it is shrunk by this share of the working width is an edge or a corner
OUT_M = 0.05  # wheels that leave the field by less than this have not left it
GRID_M = 1e-4  # strips are joined on a grid of this step


@dataclass(frozen=True)
class Ways:
    """How far a drive goes, by what the way serves [m].

    Attributes
    ----------
    work : at work; turning : turns, and ways between lines with nothing spread
    haul : in the field to and from the fill point, in through the gateway and out
    road : outside the field
    """

    work: float
    turning: float
    haul: float
    road: float


@dataclass(frozen=True)
class Missed:
    """A piece of ground that a drive does not cover: where, how much [m2], and why."""

    x: float
    y: float
    area_m2: float
    why: str


@dataclass(frozen=True)
class Coverage:
    """Ground that a drive covers, by exact polygons [m2].

    Attributes
    ----------
    ground_m2 : ground that may be worked; worked_m2 : of it worked; doubled_m2 : of it worked more than once
    beyond_m2 : worked outside it (strips that reach over the boundary)
    missed : pieces of it not worked, largest first; those under 10 m2 are left out
    """

    ground_m2: float
    worked_m2: float
    doubled_m2: float
    beyond_m2: float
    missed: tuple[Missed, ...]


def _load_spans(drive: Drive) -> list[tuple[int, int]]:
    """Return the first and last stretch in work of each load; empty where the load does not change in work."""
    work = np.flatnonzero(drive.leg[:-1] == WORK)
    if not len(work):
        return []
    used = drive.load_kg[work] - drive.load_kg[work + 1]
    sign = np.sign(used.sum())
    if abs(used.sum()) < CHANGED_KG:
        return []
    jump = sign * (drive.load_kg[work[1:]] - drive.load_kg[work[:-1] + 1])
    new = np.flatnonzero(jump > CHANGED_KG) + 1
    firsts, lasts = np.concatenate([[0], new]), np.concatenate([new, [len(work)]]) - 1
    return [(int(work[a]), int(work[b])) for a, b in zip(firsts, lasts, strict=True)]


def run_outs(drive: Drive) -> NDArray[np.float64]:
    """Return the place where the work of each load ends as (loads, 2) [m]; row k is that of load k + 1.

    Where the load grows: where the tank is full. Empty where the load does not change in work.
    """
    return np.array([drive.xy[last + 1] for _, last in _load_spans(drive)]).reshape(-1, 2)


def loads_kg(drive: Drive) -> NDArray[np.float64]:
    """Return what is spread (or taken up) with each load [kg]."""
    work = drive.leg[:-1] == WORK
    used = np.where(work, np.abs(np.diff(drive.load_kg)), 0.0)
    return np.array([used[first : last + 1].sum() for first, last in _load_spans(drive)])


def ways_m(drive: Drive) -> Ways:
    """Return how far a drive goes, by what the way serves [m]."""
    leg = _by_leg(drive, np.hypot(*np.diff(drive.xy, axis=0).T))
    return Ways(leg[WORK], leg[TURN], leg[HAUL] + leg[ENTRY] + leg[EXIT], leg[ROAD])


def hours_s(drive: Drive) -> Ways:
    """Return how long a drive takes, by what the time serves [s]; time at the fill point counts where that is."""
    leg = _by_leg(drive, np.diff(drive.time_s))
    return Ways(leg[WORK], leg[TURN], leg[HAUL] + leg[ENTRY] + leg[EXIT], leg[ROAD])


def _by_leg(drive: Drive, values: NDArray[np.float64]) -> list[float]:
    """Return the sum of values of stretches by the code of their leg."""
    if not len(values):
        return [0.0] * 6
    return [float(v) for v in np.bincount(drive.leg[:-1], weights=values, minlength=6)]


def efficiency(drive: Drive, trips: bool = True) -> float:
    """Return the field efficiency: time at work / all time in the field (roads and the yard not counted).

    Published ranges (fertiliser spreaders 0.68-0.70, manure spreaders 0.60-0.63: Iowa State A3-24, PM 696; 0.60-0.80:
    ASABE D497, memory) are of machines that load beside the field: they are to be held against the efficiency without
    trips, that is without the ways to and from the fill point and the time there.
    """
    time = hours_s(drive)
    whole = time.work + time.turning + (time.haul if trips else 0.0)
    return time.work / whole if whole > 0.0 else 0.0


def idle_share(drive: Drive) -> float:
    """Return the share of the way in the field that is not work."""
    way = ways_m(drive)
    whole = way.work + way.turning + way.haul
    return 1.0 - way.work / whole if whole > 0.0 else 0.0


def field_capacity(width_m: float, speed_m_s: float, share: float) -> float:
    """Return the area worked in a time [m2/s]: width x speed x field efficiency.

    Examples
    --------
    >>> round(field_capacity(12.0, 8.0 / 3.6, 0.70) * 0.36, 2)  # ha/h
    6.72
    """
    return width_m * speed_m_s * share


def coverage(drive: Drive, ground: Field, spread_on: Polygon | MultiPolygon | None = None) -> Coverage:
    """Return the ground that a drive covers, by exact polygons, and what it misses and why.

    Parameters
    ----------
    spread_on : ground that may be worked; None: the whole field
    """
    may: BaseGeometry = ground.polygon if spread_on is None else ground.polygon.intersection(spread_on)
    strips = np.array([LineString(xy).buffer(drive.width_m / 2.0, cap_style="flat") for xy in work_lines(drive)])
    covered = shapely.union_all(strips, grid_size=GRID_M)
    worked = float(covered.intersection(may, grid_size=GRID_M).area)
    twice = float(shapely.area(shapely.intersection(strips, may)).sum()) - worked if len(strips) else 0.0
    left = may.difference(covered, grid_size=GRID_M)
    pieces = [
        Missed(*_middle(piece), piece.area, _why(piece, ground, covered, drive.width_m))
        for piece in polygons_of(left)
        if piece.area >= PIECE_M2
    ]
    return Coverage(float(may.area), worked, max(twice, 0.0), float(covered.area) - worked, tuple(pieces))


def work_lines(drive: Drive) -> list[NDArray[np.float64]]:
    """Return the unbroken stretches of work of a drive, each (n, 2) [m]."""
    work = np.flatnonzero(drive.leg[:-1] == WORK)
    groups = np.split(work, np.flatnonzero(np.diff(work) > 1) + 1) if len(work) else []
    return [drive.xy[group[0] : group[-1] + 2] for group in groups]


def _middle(piece: Polygon) -> tuple[float, float]:
    """Return a point in a piece of ground."""
    point = piece.representative_point()
    return point.x, point.y


def _why(piece: Polygon, ground: Field, covered: BaseGeometry, width: float) -> str:
    """Return why a piece of ground is not worked."""
    own = next((part for part in polygons_of(ground.polygon) if part.intersects(piece)), None)
    if own is not None and not covered.intersects(own.buffer(-width / 4.0)):
        return "no gateway opens into this part of the field, or it is too narrow for the working width"
    if piece.buffer(-NARROW * width).is_empty:
        return "a corner, an edge or a bend that a strip of this width does not fill"
    return "too short or too narrow for a bout and its turns"


def wheels_outside(drive: Drive, outfit: Outfit, ground: Field) -> tuple[Note, ...]:
    """Return a note of the turns in which a wheel of a drawn vehicle leaves the field; none where all stay in.

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    if all(vehicle.kind != "drawn" for vehicle in outfit.vehicles) or len(drive.xy) < 2:
        return ()
    fine, placed = vehicle_paths(drive, outfit)
    turning = np.flatnonzero(fine.leg == TURN)
    number = np.cumsum(np.diff(turning, prepend=-1) > 1)
    allowed = ground.polygon.buffer(OUT_M)
    shapely.prepare(allowed)
    out = np.zeros(len(turning), dtype=bool)
    for vehicle, (here, heading) in zip(outfit.vehicles, placed, strict=True):
        for axle in vehicle.axles if vehicle.kind == "drawn" else ():
            reach = max(abs(wheel.offset_m) + wheel.tyre.width_m / 2.0 for wheel in axle.wheels)
            for side in (reach, -reach):
                path = beside(here[turning], heading[turning], axle.behind_m, side)
                out |= ~shapely.contains_xy(allowed, path[:, 0], path[:, 1])
    count = len(np.unique(number[out]))
    if not count:
        return ()
    what = f"field {ground.key}: wheels of the drawn vehicle of {outfit.key}"
    return (
        Note("warned", what, f"{count} turns", "in so many turns they leave the field: a wider headland keeps them in"),
    )
