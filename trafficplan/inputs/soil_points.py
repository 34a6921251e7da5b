"""Soil known at points: each place takes the soil of its nearest point, and the distance is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from shapely import MultiPoint, Point, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field, SoilPatch
from trafficplan.inputs.fields import polygons_only
from trafficplan.inputs.ledger import Ledger, listed

#: Two points closer than this are one place [m].
_ONE_PLACE_M = 0.01
#: Ground farther from its point than this is worth a warning [m].
FAR_M = 200.0
#: So far beyond the fields the cells go on, that the cells of a grid at the edge have a soil [m].
_BEYOND_M = 5.0

#: A point of the soil map: its unit, where it is said in the file, the place.
SoilPoint = tuple[str, str, Point]


def patches_of_points(
    ledger: Ledger, points: Sequence[SoilPoint], fields: Mapping[str, Field], name: str
) -> list[SoilPatch]:
    """Return the ground nearest to each point (Voronoi polygons), cut to the fields.

    Two points at one place with different soils are refused. The farthest ground of each field is told.
    """
    if not _apart(ledger, points):
        return []
    unique = list({(round(p.x, 3), round(p.y, 3)): (unit, p) for unit, _, p in points}.values())
    ground = shapely.union_all([field.polygon.buffer(_BEYOND_M) for field in fields.values()])
    cells = _nearest_ground([point for _, point in unique], ground)
    patches = []
    for (unit, _), cell in zip(unique, cells, strict=True):
        shape = polygons_only(cell.intersection(ground))
        if not shape.is_empty:
            patches.append(SoilPatch(unit, shapely.normalize(shape)))
    _tell_distances(ledger, unique, cells, fields, name)
    return patches


def _nearest_ground(points: Sequence[Point], ground: BaseGeometry) -> list[Polygon]:
    if len(points) == 1:
        return [shapely.box(*ground.buffer(1.0).bounds)]
    cells = shapely.voronoi_polygons(MultiPoint(points), extend_to=ground.buffer(1.0).envelope, ordered=True)
    return list(shapely.get_parts(cells))


def _apart(ledger: Ledger, points: Sequence[SoilPoint]) -> bool:
    tree = STRtree([point for _, _, point in points])
    places = [point for _, _, point in points]
    left, right = tree.query(places, predicate="dwithin", distance=_ONE_PLACE_M)
    before = ledger.count()
    for i, j in sorted({(int(a), int(b)) for a, b in zip(left, right, strict=True) if a < b}):
        if points[i][0] != points[j][0]:
            ledger.problem(
                "two soils at one point",
                points[j][1],
                f"{points[i][0]} and {points[j][0]}",
                "one soil at each point",
                "delete one of the two points, or move it",
            )
    return ledger.count() == before


def _tell_distances(
    ledger: Ledger,
    points: Sequence[tuple[str, Point]],
    cells: Sequence[Polygon],
    fields: Mapping[str, Field],
    name: str,
) -> None:
    """Note for each field from how many points its soil comes and how far its farthest ground is from them."""
    tree = STRtree(cells)
    for field in fields.values():
        farthest, used = 0.0, set()
        for index in tree.query(field.polygon, predicate="intersects"):
            shape = cells[int(index)].intersection(field.polygon)
            if shape.area <= 0:
                continue
            point = points[int(index)][1]
            corners = shapely.get_coordinates(shape)
            farthest = max(farthest, float(np.hypot(corners[:, 0] - point.x, corners[:, 1] - point.y).max()))
            used.add(points[int(index)][0])
        ledger.assumed(
            f"field {field.key}: soil between the points of {name}",
            f"{listed(used)}; up to {farthest:.0f} m from its point",
            "each place takes the soil of the nearest point; nothing is interpolated",
            "nearest soil point",
        )
        if farthest > FAR_M:
            ledger.warned(
                f"field {field.key}: soil points are far",
                f"up to {farthest:.0f} m",
                "soils change within less; take more samples, or draw the soil map",
            )
