"""The ground of one field on its grid: inside, soil class, zones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import rasterize
from scipy.ndimage import distance_transform_edt
from shapely import LineString, MultiPolygon, Point, Polygon

from trafficplan.farm.field import Field, SoilPatch
from trafficplan.farm.grid import Grid

Area = Polygon | MultiPolygon

#: Code of each disjoint zone in `Ground.zone`; 0 is outside the field.
ZONE_CODES = {"headland": 1, "gateway": 2, "infield": 3}
OUTSIDE = 255


@dataclass(frozen=True)
class Ground:
    """A field on its grid.

    Attributes
    ----------
    inside : (rows, cols) bool, cell centre lies in the field
    soil_class : (rows, cols) uint8, index into `units`; 255 outside
    units : keys of the soil units that occur
    gap_ha : ground without a soil polygon, given to the nearest one
    zone : (rows, cols) uint8, code of ZONE_CODES, 0 outside
    route : (rows, cols) bool, in-field ground of haul, entry and exit legs
    shapes : zone -> geometry (headland, gateway, infield, route, all)
    """

    inside: NDArray[np.bool_]
    soil_class: NDArray[np.uint8]
    units: tuple[str, ...]
    gap_ha: float
    zone: NDArray[np.uint8]
    route: NDArray[np.bool_]
    shapes: dict[str, Area]


def burn(shapes: Iterable[tuple[Area, int]], grid: Grid, fill: int = 0) -> NDArray[np.uint8]:
    """Return the grid with each shape's value at cells whose centre it holds; later shapes win."""
    pairs = [(shape, value) for shape, value in shapes if not shape.is_empty]
    if not pairs:
        return np.full(grid.shape, fill, np.uint8)
    array: NDArray[np.uint8] = rasterize(
        pairs, out_shape=grid.shape, transform=Affine(*grid.affine), fill=fill, dtype="uint8"
    )
    return array


def as_area(shape: shapely.Geometry) -> Area:
    """Return only the polygons of a geometry."""
    if isinstance(shape, Polygon | MultiPolygon):
        return shape
    parts = [part for part in getattr(shape, "geoms", ()) if isinstance(part, Polygon) and part.area > 0]
    return MultiPolygon(parts)


def zone_shapes(field: Field, headland_m: float, gateway_radius_m: float, routes: Sequence[Area]) -> dict[str, Area]:
    """Return the geometry of every zone: gateway beats headland; headland, gateway, in-field sum to the field."""
    whole = field.polygon
    core = whole.buffer(-headland_m, join_style="mitre")
    circles = shapely.union_all([Point(gate.x, gate.y).buffer(gateway_radius_m) for gate in field.gateways])
    gateway = as_area(whole.intersection(circles))
    headland = as_area(whole.difference(core).difference(gateway))
    infield = as_area(core.difference(gateway))
    route = as_area(infield.intersection(shapely.union_all(list(routes))))
    return {"headland": headland, "gateway": gateway, "infield": infield, "route": route, "all": whole}


def soil_classes(
    patches: Sequence[SoilPatch], inside: NDArray[np.bool_], grid: Grid, area: Area
) -> tuple[NDArray[np.uint8], tuple[str, ...], float]:
    """Return soil class per cell, the keys of the classes, and the hectares that no polygon covered.

    Ground without a polygon takes the class of the nearest mapped cell.
    """
    near = [patch for patch in patches if patch.polygon.intersects(area)]
    units = tuple(sorted({patch.unit for patch in near}))
    index = {unit: i for i, unit in enumerate(units)}
    classes = burn(((patch.polygon, index[patch.unit]) for patch in near), grid, fill=OUTSIDE)
    gaps = inside & (classes == OUTSIDE)
    gap_ha = float(gaps.sum()) * grid.cell_ha
    if gaps.any() and units:
        nearest = distance_transform_edt(classes == OUTSIDE, return_distances=False, return_indices=True)
        classes[gaps] = classes[tuple(nearest)][gaps]
    classes[~inside] = OUTSIDE
    return classes, units, gap_ha


def corridor(lines: Sequence[LineString], half_width_m: float, field: Field) -> Area:
    """Return the field's ground within `half_width_m` of any of the lines (told to a quarter of a metre)."""
    plain = shapely.simplify(shapely.set_precision(np.asarray(lines, dtype=object), 0.05), 0.25)
    once = np.unique(shapely.to_wkb(shapely.normalize(plain[~shapely.is_empty(plain)])))
    strips = shapely.buffer(shapely.from_wkb(once), half_width_m, quad_segs=3, cap_style="flat")
    return as_area(shapely.union_all(strips).intersection(field.polygon))


def lay_ground(
    field: Field,
    patches: Sequence[SoilPatch],
    grid: Grid,
    headland_m: float,
    gateway_radius_m: float,
    routes: Sequence[Area],
) -> Ground:
    """Return the field's ground on a grid: inside, soil classes and zones (cell-centre rule)."""
    inside = burn([(field.polygon, 1)], grid).astype(bool)
    classes, units, gap_ha = soil_classes(patches, inside, grid, field.polygon)
    shapes = zone_shapes(field, headland_m, gateway_radius_m, routes)
    zone = burn(((shapes[name], code) for name, code in ZONE_CODES.items()), grid)
    zone[inside & (zone == 0)] = ZONE_CODES["infield"]  # a centre exactly on a seam
    zone[~inside] = 0
    route = burn([(shapes["route"], 1)], grid).astype(bool) & (zone == ZONE_CODES["infield"])
    return Ground(inside, classes, units, gap_ha, zone, route, shapes)
