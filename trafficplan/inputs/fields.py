"""Field boundaries: polygons in the working CRS, repaired where that is safe, refused where it is not."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import shapely
from pyproj import CRS
from shapely import MultiPolygon, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from trafficplan.errors import InputError
from trafficplan.farm.field import Field
from trafficplan.inputs.coordinates import (
    Feature,
    Layer,
    finite,
    lonlat_bounds,
    place_makes_sense,
    project,
    working_crs,
)
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.partfields import task_fields
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.vector import find_layers, read_vector

#: Overlap of two fields that is drawing inaccuracy [m2]; more is refused.
OVERLAP_M2 = 50.0
#: Below this an overlap is rounding of coordinates and not worth a word [m2].
ROUNDING_M2 = 0.5
#: A farm wider than this does not fit one working CRS [m].
WIDEST_M = 200e3

_LINES = ("LineString", "MultiLineString", "LinearRing")


@dataclass(frozen=True)
class Boundaries:
    """The fields as drawn: working CRS, fields by key (no gateways yet), where they lie in degrees."""

    crs: CRS
    fields: Mapping[str, Field]
    lonlat: tuple[float, float, float, float]


def read_fields(ledger: Ledger, settings: Settings) -> Boundaries | None:
    """Read the boundaries, or return None with problems when no field could be read at all."""
    before = ledger.count()
    named = settings.files.fields
    good, others = _task_data(ledger, [named] if isinstance(named, str) else named or [])
    sources = []
    if ledger.count() == before and (others or not good):
        sources = find_layers(ledger, "fields", others if good else named, settings.layers.fields)
    if not sources and not good:
        if settings.files.fields is None and ledger.count() == before:
            ledger.problem(
                "file not found",
                "fields.geojson",
                "no field boundaries",
                "polygons with the property field",
                "add fields.geojson, or name the file in farm.toml, table files",
            )
        return None
    columns, told = settings.columns.fields, settings.systems.get("fields")
    layers = [
        read_vector(ledger, path, layer, "fields", KNOWN["fields"], ("field",), columns, told)
        for path, layer in sources
    ]
    good += [layer for layer in layers if layer is not None]
    if not good:
        return None
    crs = settings.crs or working_crs(good[0])
    if not all(place_makes_sense(ledger, layer, crs) for layer in good):
        return None
    if settings.crs is None:
        ledger.assumed(
            "farm: working coordinate system",
            f"EPSG:{crs.to_epsg()} ({crs.name})",
            "not given; the local UTM zone",
            "WGS 84 / UTM",
        )
    moved = [project(layer, crs) for layer in good]
    if not all(finite(ledger, layer) for layer in moved):
        return None
    fields = _fields(ledger, moved)
    _check_extent(ledger, fields, good[0].name)
    _check_overlaps(ledger, fields, good[0].name)
    return Boundaries(crs, {field.key: field for field in fields}, lonlat_bounds(good[0])) if fields else None


def _task_data(ledger: Ledger, names: Sequence[str]) -> tuple[list[Layer], list[str]]:
    """Return the fields of those names that are task data, and the other names."""
    layers, others = [], []
    for name in names:
        before = ledger.count()
        try:
            layer = task_fields(ledger, name)
        except InputError as error:
            ledger.take_over(error, name)
            layer = None
        if layer is not None:
            layers.append(layer)
        elif ledger.count() == before:
            others.append(name)
    return layers, others


def _fields(ledger: Ledger, layers: Sequence[Layer]) -> list[Field]:
    fields: list[Field] = []
    seen: dict[str, str] = {}
    for feature in itertools.chain.from_iterable(layer.features for layer in layers):
        record = feature.record
        key = record.text("field", "the field's name", required=True)
        if not key or not name_is_safe(record, "field", key):
            continue
        if key.lower() in seen:
            record.problem(
                "field",
                "a field name comes twice",
                key,
                "each field once",
                f"rename this field or {seen[key.lower()]}",
            )
            continue
        seen[key.lower()] = record.where
        polygon = area_of(ledger, feature, f"field {key}")
        tillage = record.number("tillage_depth_m", 0, 1.2, "m")
        headland = record.number("headland_width_m", 0, 200, "m")
        if polygon is not None:
            fields.append(
                Field(
                    key,
                    polygon,
                    record.text("crop"),
                    float("nan") if tillage is None else tillage,
                    headland,
                    (),
                    (),
                )
            )
    return fields


def name_is_safe(record: Record, column: str, name: str) -> bool:
    """Check that a name can also be the name of a folder in the result."""
    if name.startswith(".") or any(mark in name for mark in '/\\:*?"<>|') or not name.isprintable() or len(name) > 80:
        record.problem(
            column,
            "a name that no folder can have",
            name,
            'up to 80 characters without / \\ : * ? " < > | and no dot in front',
            "rename it",
        )
        return False
    return True


def area_of(ledger: Ledger, feature: Feature, what: str) -> Polygon | MultiPolygon | None:
    """Return a feature's shape as a valid polygon; an invalid one is repaired, a line is refused."""
    shape = feature.shape
    if shape.geom_type in _LINES or shape.geom_type in ("Point", "MultiPoint"):
        thing = "a line" if shape.geom_type in _LINES else "a point"
        mend = "close the line and turn it into a polygon" if thing == "a line" else "draw the outline as a polygon"
        ledger.problem(f"{thing} where a polygon belongs", feature.record.where, shape.geom_type, "a polygon", mend)
        return None
    before = shape.area
    if not shape.is_valid:
        reason = shapely.is_valid_reason(shape).partition("[")[0].strip().lower()
        shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
        shape = polygons_only(shape)
        ledger.repaired(f"{what}: outline", f"{shape.area - before:+.0f} m2", f"the outline was not valid ({reason})")
    shape = polygons_only(shape)
    if shape.is_empty or shape.area < 1.0:
        ledger.problem(
            "a polygon without area",
            feature.record.where,
            f"{shape.area:.1f} m2",
            "a polygon with an inside",
            "draw it again",
        )
        return None
    return shapely.normalize(shape)


def polygons_only(shape: BaseGeometry) -> Polygon | MultiPolygon:
    """Return only the polygons of a geometry."""
    if isinstance(shape, Polygon):
        return shape
    parts = [one for one in shapely.get_parts(shape, return_index=False) if isinstance(one, Polygon | MultiPolygon)]
    flat = [one for part in parts for one in shapely.get_parts(part) if one.area > 0]
    return flat[0] if len(flat) == 1 else MultiPolygon(flat)


def _check_extent(ledger: Ledger, fields: Sequence[Field], name: str) -> None:
    if not fields:
        return
    west, south, east, north = shapely.total_bounds([field.polygon for field in fields])
    width = max(east - west, north - south)
    if not width < WIDEST_M:
        ledger.problem(
            "the fields lie too far apart for one working coordinate system",
            name,
            f"{width / 1e3:.0f} km",
            f"at most {WIDEST_M / 1e3:.0f} km",
            "make one farm folder for each group of fields, or correct the stray field",
        )


def _check_overlaps(ledger: Ledger, fields: Sequence[Field], name: str) -> None:
    if len(fields) < 2:
        return
    shapes = [field.polygon for field in fields]
    left, right = STRtree(shapes).query(shapes, predicate="intersects")
    for i, j in sorted({(int(a), int(b)) for a, b in zip(left, right, strict=True) if a < b}):
        area = shapes[i].intersection(shapes[j]).area
        pair = f"{fields[i].key} and {fields[j].key}"
        if area > OVERLAP_M2:
            ledger.problem(
                "two fields overlap",
                f"{name}, fields {pair}",
                f"{area:.0f} m2",
                f"at most {OVERLAP_M2:.0f} m2",
                "cut one of the two along the common boundary",
            )
        elif area > ROUNDING_M2:
            ledger.warned(
                f"fields {pair}: overlap",
                f"{area:.1f} m2",
                "drawn a little over each other; traffic there counts in both",
            )
