"""Gateways, farm tracks, yards and what must be kept out of."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from trafficplan.farm import defaults
from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.inputs.coordinates import (
    Feature,
    Layer,
    finite,
    place_makes_sense,
    project,
    swap_helps,
    swapped,
)
from trafficplan.inputs.fields import Boundaries, area_of
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.vector import find_layers, read_vector

#: A gateway this far from its field's boundary is moved onto it [m]; farther away it is refused.
SNAP_M = 15.0
#: Distance at which a gateway counts as drawn on the boundary [m].
ON_BOUNDARY_M = 0.5

KINDS: dict[str, tuple[str, ...]] = {
    "Point": ("gateway", "well"),
    "LineString": ("track", "overhead_line", "watercourse", "drain", "public_road", "bridge"),
    "Polygon": ("yard", "keep_out", "watercourse"),
}
SURFACES = ("asphalt", "gravel", "earth", "grass")

#: Half width given to a well so that it is an area like other keep-outs [m].
_WELL_M = 1.0


@dataclass(frozen=True)
class Access:
    """What the access layer holds: gateways by field, farm tracks, places."""

    gateways: Mapping[str, tuple[Gateway, ...]]
    tracks: tuple[FarmTrack, ...]
    places: tuple[Place, ...]


def read_access(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> Access:
    """Read the access layer; a farm without one gets an assumed gateway per field later, with a note."""
    gateways: dict[str, list[Gateway]] = {}
    tracks: list[FarmTrack] = []
    places: list[Place] = []
    sources = find_layers(ledger, "access", settings.files.access, settings.layers.access)
    columns, told = settings.columns.access, settings.systems.get("access")
    layers = [
        at_fields(
            ledger,
            read_vector(ledger, path, layer, "access", KNOWN["access"], ("kind",), columns, told),
            boundaries,
        )
        for path, layer in sources
    ]
    features = itertools.chain.from_iterable(layer.features for layer in layers if layer)
    for count, feature in enumerate(features, start=1):
        kind = _kind(feature)
        if kind == "gateway":
            gateway = _gateway(ledger, feature, boundaries.fields)
            if gateway is not None and _new_name(feature.record, gateway, gateways.setdefault(gateway.field, [])):
                gateways[gateway.field].append(gateway)
        elif kind == "track":
            tracks.extend(_tracks(ledger, feature, count))
        elif kind:
            place = _place(ledger, feature, kind, count)
            places.extend([place] if place else [])
    return Access({key: tuple(found) for key, found in gateways.items()}, tuple(tracks), tuple(places))


def at_fields(ledger: Ledger, layer: Layer | None, boundaries: Boundaries) -> Layer | None:
    """Return a layer in the working CRS; one with degrees swapped against the fields' is refused."""
    if layer is None:
        return None
    if swap_helps(layer, boundaries.lonlat):
        west, south, _, _ = layer.bounds()
        swapped(
            ledger,
            f"{layer.name} (or the fields)",
            f"x {west:.5g}, y {south:.5g}; fields at {boundaries.lonlat[0]:.5g}, {boundaries.lonlat[1]:.5g}",
        )
        return None
    if not layer.crs.is_geographic and not place_makes_sense(ledger, layer, boundaries.crs):
        return None
    moved = project(layer, boundaries.crs)
    return moved if finite(ledger, moved) else None


def _kind(feature: Feature) -> str:
    shape = feature.shape.geom_type.removeprefix("Multi")
    allowed = KINDS.get(shape, ())
    everything = sorted({kind for kinds in KINDS.values() for kind in kinds})
    record = feature.record
    if not record.text("kind", f"one of {listed(everything)}", required=True):
        return ""
    kind = record.choice("kind", everything)
    if kind and kind not in allowed:
        fitting = " or ".join(sorted(form.lower() for form, kinds in KINDS.items() if kind in kinds))
        article = {"Point": "a point", "LineString": "a line", "Polygon": "a polygon"}.get(shape, shape)
        record.problem(
            "kind",
            f"{article} where a {fitting} belongs".replace("linestring", "line"),
            f"{kind} as {shape.lower()}",
            f"a {fitting}".replace("linestring", "line"),
            "draw it again, or correct kind",
        )
        return ""
    return kind


def _gateway(ledger: Ledger, feature: Feature, fields: Mapping[str, Field]) -> Gateway | None:
    record = feature.record
    point = shapely.get_parts(feature.shape)[0]
    named = record.text("field")
    if named and named not in fields:
        record.problem("field", "unknown field", named, f"one of {listed(fields)}", rename_hint(named, fields, "field"))
        return None
    field = fields[named] if named else min(fields.values(), key=lambda one: one.polygon.boundary.distance(point))
    key = record.text("name") or f"{field.key} gate"
    edge = field.polygon.boundary
    gap = edge.distance(point)
    if gap > SNAP_M:
        ledger.problem(
            "a gateway far from the boundary of its field",
            record.where,
            f"{gap:.0f} m from field {field.key}",
            f"at most {SNAP_M:.0f} m",
            "move the point to the gateway" + ("" if named else ", or name its field"),
        )
        return None
    if not named:
        ledger.assumed(f"gateway {key}: field", field.key, "not named; the field whose boundary is nearest", "by place")
    if gap > ON_BOUNDARY_M:
        ledger.repaired(f"gateway {key}: place", f"moved {gap:.1f} m", f"it lay off the boundary of field {field.key}")
    if gap > 0:
        point = Point(shapely.shortest_line(edge, point).coords[0])
    width = record.number("width_m", 1, 100, "m")
    if width is None:
        width = defaults.number("gateway_width_m", ledger.defaults)
        ledger.notes.append(defaults.note("gateway_width_m", f"gateway {key}", ledger.defaults))
    return Gateway(key, field.key, point.x, point.y, width)


def _new_name(record: Record, gateway: Gateway, earlier: list[Gateway]) -> bool:
    if any(one.key == gateway.key for one in earlier):
        record.problem(
            "name",
            "a gateway name comes twice in one field",
            gateway.key,
            "each name once per field",
            "rename one of the two",
        )
        return False
    return True


def _lines(shape: BaseGeometry) -> list[LineString]:
    return [one for one in shapely.get_parts(shape) if isinstance(one, LineString) and one.length > 0]


def _limit(record: Record) -> float | None:
    limit = record.number("max_t", 0.5, 200, "t")
    return None if limit is None else limit * 1e3


def _tracks(ledger: Ledger, feature: Feature, count: int) -> list[FarmTrack]:
    record = feature.record
    key = record.text("name") or f"track {count}"
    surface = record.choice("surface", SURFACES)
    if not surface and not record.has("surface"):
        surface = "earth"
        ledger.assumed(f"farm track {key}: surface", surface, "not given")
    limit = _limit(record)
    parts = _lines(feature.shape)
    return [
        FarmTrack(key if len(parts) == 1 else f"{key} {i}", line, surface, limit)
        for i, line in enumerate(parts, start=1)
    ]


def _place(ledger: Ledger, feature: Feature, kind: str, count: int) -> Place | None:
    record = feature.record
    key = record.text("name") or f"{kind.replace('_', ' ')} {count}"
    shape: Polygon | MultiPolygon | LineString | None
    if feature.shape.geom_type.endswith("Polygon"):
        shape = area_of(ledger, feature, f"{kind} {key}")
    elif feature.shape.geom_type.endswith("LineString"):
        shape = max(_lines(_joined(feature.shape)), key=lambda one: one.length, default=None)
    else:
        shape = shapely.get_parts(feature.shape)[0].buffer(_WELL_M)
    height = record.number("height_m", 2, 100, "m") if kind == "overhead_line" else None
    return Place(key, kind, shape, _limit(record), height) if shape is not None else None


def _joined(shape: BaseGeometry) -> BaseGeometry:
    merged: BaseGeometry = shapely.line_merge(shape)
    return merged


def hang_gateways(ledger: Ledger, field: Field, access: Access) -> Field:
    """Return the field with its gateways; without any, one is assumed nearest to a yard or track."""
    found = access.gateways.get(field.key, ())
    if found:
        return replace(field, gateways=found)
    edge = field.polygon.boundary
    yards = [place.shape for place in access.places if place.kind == "yard"] or [track.line for track in access.tracks]
    target = shapely.union_all(yards) if yards else None
    point = shapely.shortest_line(edge, target).coords[0] if target is not None else shapely.get_coordinates(edge)[0]
    near = "nearest to the yard or track" if target is not None else "at a corner"
    ledger.assumed(f"field {field.key}: gateway", f"{field.key} gate, {near}", "no gateway drawn for the field")
    width = defaults.number("gateway_width_m", ledger.defaults)
    spot = Point(point)
    return replace(field, gateways=(Gateway(f"{field.key} gate", field.key, spot.x, spot.y, width),))
