"""Where the work goes in one part of a field: rounds, swaths, ground for turns; laid once for many drives."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.names import Note
from trafficplan.routes.bends import Ground, ground_of, length_of
from trafficplan.routes.haul import Ways, closed, field_ways, flattened
from trafficplan.routes.order import Bout, bouts_of
from trafficplan.routes.standing import every, spacing_of, thinned
from trafficplan.routes.swaths import (
    Swath,
    along_tramlines,
    best_heading,
    headland_rounds,
    inside_only,
    polygons_of,
    swaths,
    with_turning_room,
)

ROOM_M = 1.0  # between a turn beyond the end of a swath and the boundary
GRID_M = 1e-4  # strips are joined on a grid of this step
KEPT = 64  # layouts that are remembered: a plan tries some headings and gateways, each with many loads and orders


@dataclass(frozen=True)
class Laid:
    """What is to be worked in one part of a field; drives share it and write nothing to it.

    Attributes
    ----------
    part : the part; ground : where its turns must stay
    outer : rounds along the outline, outermost first; holes : rounds of each hole, nearest to it first
    swaths : the stretches of work inside them; bouts : which of them are driven one after the other
    rings : rounds that serve as ways
    strips : ground that all of them cover, beyond the outline too
    misfit_m : spacing of the tramlines where they do not fit the working width
    beyond_m2 : ground that the strips cover though it may not be worked
    ways : the ways inside it that were asked for so far, by gateway and place to stop at
    """

    part: Polygon
    ground: Ground
    outer: tuple[tuple[NDArray[np.float64], ...], ...]
    holes: tuple[tuple[NDArray[np.float64], ...], ...]
    swaths: tuple[Swath, ...]
    bouts: tuple[Bout, ...]
    rings: tuple[NDArray[np.float64], ...]
    strips: BaseGeometry
    misfit_m: float | None = None
    beyond_m2: float = 0.0
    ways: dict[tuple[float, float, tuple[float, float] | None], Ways] = field(default_factory=dict, compare=False)

    @property
    def work_m(self) -> float:
        """Length of all work [m]."""
        rounds = [*flattened(self.outer), *flattened(self.holes)]
        return sum(length_of(xy) for xy in rounds) + sum(length_of(s.xy) for s in self.swaths)


def lay(
    ground: Field,
    part: Polygon,
    operation: Operation,
    width: float,
    wide: float,
    radius: float,
    spread_on: Polygon | MultiPolygon | None = None,
) -> tuple[Laid, tuple[Note, ...]]:
    """Lay out rounds and swaths of one part of a field.

    Parameters
    ----------
    width : working width; wide : width of the headland; radius : least radius of a turn [m]
    spread_on : ground that may be worked; None: all of it
    """
    rounds = max(1, math.ceil(wide / width - 1e-6))
    outline, zone = part.wkb, spread_on.wkb if spread_on is not None else None
    if operation.drive == "tramlines":
        lines = tuple(line.wkb for line in ground.tramlines)
        laid = _laid(outline, zone, lines, width, rounds, radius, None)
        if laid.swaths:
            return laid, ()
    asked = operation.heading_deg
    heading = math.radians(90.0 - asked) if asked is not None else best_heading(part)
    laid = _laid(outline, zone, (), width, rounds, radius, heading)
    if operation.drive != "tramlines":
        return laid, ()
    what = f"field {ground.key}: drive of {operation.job}"
    return laid, (Note("assumed", what, "swaths", "there are no tramlines in it", "common practice, no source"),)


@lru_cache(maxsize=KEPT)
def _laid(
    outline: bytes,
    zone: bytes | None,
    lines: tuple[bytes, ...],
    width: float,
    rounds: int,
    radius: float,
    heading: float | None,
) -> Laid:
    """Lay out a part; geometry comes as WKB so that equal ground is laid once. No heading: along the lines."""
    part = shapely.from_wkb(outline)
    assert isinstance(part, Polygon)
    pieces = [part] if zone is None else polygons_of(part.intersection(shapely.from_wkb(zone)))
    rounded = [headland_rounds(piece, width, rounds, radius) for piece in pieces]
    outer = [lines for around, _, _ in rounded for lines in around]
    holes = [lines for _, about, _ in rounded for lines in about]
    inner = shapely.union_all([inside for _, _, inside in rounded])
    least, misfit = max(3.0, width / 3.0), None
    if heading is None:
        tramlines = tuple(t for t in shapely.from_wkb(list(lines)) if isinstance(t, LineString))
        laid = along_tramlines(tramlines, inner, least)
        spacing = spacing_of(laid)
        count = every(width, spacing) if spacing is not None else 1
        misfit = spacing if count is None else None
        laid = thinned(laid, count or 1, width, inner)
    elif zone is None:
        laid = swaths(inner, _room(inner, part, width, radius), width, heading, least)
    else:
        laid = _swaths_in_zone(part, rounded, width, radius, heading, least)
        laid = inside_only(laid, shapely.union_all(pieces), width, least)
    laid = with_turning_room(laid, part, radius + ROOM_M)
    middle = next((lines for lines in outer[len(outer) // 2 :: -1] if lines), [])
    rings = [*middle, *[lines[0] for lines in holes]]
    if zone is not None:
        rings = [*flattened(headland_rounds(part, width, 1, radius)[0]), *flattened(outer), *[h[0] for h in holes]]
    strips = _strips([*flattened(outer), *flattened(holes), *[s.xy for s in laid]], width)
    beyond = 0.0 if zone is None else strips.difference(shapely.union_all(pieces), grid_size=GRID_M).area
    return Laid(
        part,
        ground_of(part),
        tuple(tuple(lines) for lines in outer),
        tuple(tuple(lines) for lines in holes),
        tuple(laid),
        tuple(bouts_of(laid, [Polygon(ring) for ring in part.interiors], part if zone is not None else None)),
        tuple(rings),
        strips,
        misfit,
        float(beyond),
    )


def _room(inner: BaseGeometry, part: Polygon, width: float, radius: float) -> BaseGeometry:
    """Return the ground on which swaths may lie: inside the headland, and a width into it where there is room to
    turn."""
    return inner.union(inner.buffer(width).intersection(part.buffer(-(radius + ROOM_M))))


Rounds = tuple[list[list[NDArray[np.float64]]], list[list[NDArray[np.float64]]], BaseGeometry]


def _swaths_in_zone(
    part: Polygon, rounded: list[Rounds], width: float, radius: float, heading: float, least: float
) -> list[Swath]:
    """Return the swaths of ground in pieces: those with a headland share one grid of bouts, each of the others has its
    own."""
    framed = [inside for around, _, inside in rounded if any(around)]
    laid: list[Swath] = []
    if framed:
        inner = shapely.union_all(framed)
        laid = swaths(inner, _room(inner, part, width, radius), width, heading, least)
    for around, _, inside in rounded:
        if not any(around):
            after = max((s.bout for s in laid), default=-2) + 2  # not beside the bouts before
            own = swaths(inside, inside, width, heading, least, within=True)
            laid += [replace(s, bout=s.bout + after) for s in own]
    return laid


def _strips(lines: list[NDArray[np.float64]], width: float) -> BaseGeometry:
    """Return the ground that work along lines covers.

    Neighbouring strips share edges but for the last digits: without a grid the union may lose one of them.
    """
    covered: BaseGeometry = shapely.union_all([_strip(xy, width) for xy in lines], grid_size=GRID_M)
    return covered


def _strip(xy: NDArray[np.float64], width: float) -> BaseGeometry:
    """Return the ground that work along one line covers; a closed round has no ends."""
    if closed(xy):
        return LinearRing(xy).buffer(width / 2.0)
    return LineString(xy).buffer(width / 2.0, cap_style="flat")


def worked_of(parts: list[Laid], polygon: Polygon | MultiPolygon) -> float:
    """Return the ground of a field that parts of it cover [m2]."""
    if not parts:
        return 0.0
    covered = (
        parts[0].strips if len(parts) == 1 else shapely.union_all([laid.strips for laid in parts], grid_size=GRID_M)
    )
    return float(covered.intersection(polygon).area)


def ways_of(laid: Laid, gate: NDArray[np.float64], stop: tuple[float, float] | None) -> Ways:
    """Return the ways inside a part for one gateway and one place to stop at (None: none), found once for all
    drives."""
    key = (float(gate[0]), float(gate[1]), stop)
    if key not in laid.ways:
        laid.ways[key] = field_ways(laid.part, list(laid.rings), list(laid.swaths), key[:2], stop)
    return laid.ways[key]
