"""The soil map: polygons joined to their soil units, checked against the fields, gaps filled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import shapely
from shapely import MultiPolygon, Polygon, STRtree

from trafficplan.farm.field import Field, SoilPatch
from trafficplan.inputs.access import at_fields
from trafficplan.inputs.fields import Boundaries, area_of, polygons_only
from trafficplan.inputs.horizons import read_horizons, unit_from_properties
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.vector import Layer, find_layers, read_vector
from trafficplan.soil.unit import SoilUnit

#: A soil map farther from the fields than this belongs elsewhere [m].
REACH_M = 200.0
#: Ground without a soil polygon that is not worth a word [m2].
SMALL_GAP_M2 = 1.0

Area = Polygon | MultiPolygon


@dataclass(frozen=True)
class Soils:
    """Soil units by key, and the map that names them."""

    units: Mapping[str, SoilUnit]
    patches: tuple[SoilPatch, ...]


def read_soils(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> Soils:
    """Read soil map and horizon table; every field is covered afterwards, or there is a problem."""
    sources = find_layers(ledger, "soil", settings.files.soil, settings.layers.soil)
    if not sources and settings.files.soil is None:
        ledger.problem(
            "file not found",
            "soil.geojson",
            "no soil map",
            "polygons with the property unit or texture",
            "add soil.geojson: one polygon around the farm with its texture is enough to begin with",
        )
    units = read_horizons(ledger, settings)
    patches: list[SoilPatch] = []
    own_units: dict[str, SoilUnit] = {}
    for path, layer in sources:
        read = read_vector(ledger, path, layer, "soil", KNOWN["soil"], (), settings.columns.soil)
        moved = at_fields(ledger, read, boundaries)
        if moved is None or not _is_here(ledger, moved, boundaries.fields):
            continue
        patches.extend(_patches(ledger, moved, units, own_units))
    known: dict[str, SoilUnit | None] = {**own_units, **(units or {})}
    used = _touching(patches, boundaries.fields)
    _without_horizons(ledger, used, patches, known, has_table=units is not None)
    kept = [patch for patch in patches if patch.unit in known]
    if kept and not ledger.problems:
        kept = _fill_gaps(ledger, kept, boundaries.fields)
        _note_overlaps(ledger, kept, boundaries.fields)
    keys = sorted({patch.unit for patch in kept})
    return Soils({key: unit for key in keys if (unit := known[key]) is not None}, tuple(kept))


def _is_here(ledger: Ledger, layer: Layer, fields: Mapping[str, Field]) -> bool:
    ground = shapely.union_all([field.polygon for field in fields.values()])
    gap = min(float(ground.distance(one.shape)) for one in layer.features)
    if gap <= REACH_M:
        return True
    ledger.problem(
        "the soil map lies entirely elsewhere",
        layer.name,
        f"{gap / 1e3:.1f} km from the fields",
        "soil polygons under the fields",
        "check that the map belongs to this farm, and its coordinate system",
    )
    return False


def _patches(
    ledger: Ledger, layer: Layer, table: Mapping[str, SoilUnit | None] | None, own: dict[str, SoilUnit]
) -> list[SoilPatch]:
    """Return the polygons; without a horizon table their own properties make the units (`own` grows)."""
    patches = []
    for number, feature in enumerate(layer.features, start=1):
        record = feature.record
        key = record.text("unit")
        if not key and (table is not None or not record.has("texture")):
            record.problem(
                "unit",
                "a soil polygon without its unit",
                "nothing",
                "the key of a soil unit",
                "fill in unit, or map its column in farm.toml",
            )
            continue
        if table is None:
            key = key or record.text("texture")
            unit = unit_from_properties(record, key)
            if unit is not None and own.setdefault(key, unit) != unit:
                record.problem(
                    "unit",
                    "one soil unit with two different soils",
                    key,
                    "the same properties in all polygons of a unit",
                    "give one of the two another unit, or correct its properties",
                )
        polygon = area_of(ledger, feature, f"soil polygon {number} ({key})")
        if polygon is not None:
            patches.append(SoilPatch(key, polygon))
    return patches


def _touching(patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> set[str]:
    """Return the units that lie under a field with more than a sliver."""
    tree = STRtree([field.polygon for field in fields.values()])
    shapes = list(fields.values())
    return {
        patch.unit
        for patch in patches
        for index in tree.query(patch.polygon, predicate="intersects")
        if shapes[int(index)].polygon.intersection(patch.polygon).area > SMALL_GAP_M2
    }


def _without_horizons(
    ledger: Ledger,
    used: set[str],
    patches: Sequence[SoilPatch],
    known: Mapping[str, SoilUnit | None],
    *,
    has_table: bool,
) -> None:
    absent = sorted({patch.unit for patch in patches if patch.unit not in known})
    under = [unit for unit in absent if unit in used]
    if under and has_table:
        ledger.problem(
            "soil units without horizons",
            "horizons.csv, column unit",
            listed(under),
            "rows for every soil unit under a field",
            "add their rows, or give the polygons a unit that has some",
        )
    elsewhere = [unit for unit in absent if unit not in used]
    if elsewhere:
        ledger.warned(
            f"soil units {listed(elsewhere)}", "left out", "they have no horizons and lie under no field"
        )


def _fill_gaps(ledger: Ledger, patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> list[SoilPatch]:
    """Return the map with each gap in a field given to its nearest unit (the longest border)."""
    tree = STRtree([patch.polygon for patch in patches])
    filled = list(patches)
    for field in fields.values():
        near = [patches[int(i)] for i in tree.query(field.polygon, predicate="intersects")]
        cover = shapely.union_all([patch.polygon for patch in near])
        gap = polygons_only(field.polygon.difference(cover))
        if gap.area <= SMALL_GAP_M2:
            continue
        if not near:
            nearest_patch = patches[int(tree.nearest(field.polygon))]
            away = nearest_patch.polygon.distance(field.polygon)
            if away > REACH_M:
                ledger.problem(
                    "a field without soil",
                    f"field {field.key}",
                    f"the nearest soil polygon is {away:.0f} m away",
                    "a soil map under the field",
                    "extend the soil map over this field",
                )
                continue
            near = [nearest_patch]
        pieces = [SoilPatch(_neighbour(piece, near), piece) for piece in shapely.get_parts(gap)]
        filled.extend(pieces)
        ledger.assumed(
            f"field {field.key}: soil of {gap.area / 1e4:.2f} ha without a soil polygon",
            listed({piece.unit for piece in pieces}),
            "the soil map does not cover the field; the nearest unit",
            "nearest soil unit",
        )
    return filled


def _neighbour(piece: Area, patches: Sequence[SoilPatch]) -> str:
    """Return the unit of the patch that shares most border with a gap, else of the nearest."""
    rim = piece.boundary.buffer(0.01)
    return min(
        patches,
        key=lambda patch: (
            -patch.polygon.boundary.intersection(rim).length,
            patch.polygon.distance(piece),
            patch.unit,
        ),
    ).unit


def _note_overlaps(ledger: Ledger, patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> None:
    tree = STRtree([patch.polygon for patch in patches])
    for field in fields.values():
        parts = [
            patches[int(i)].polygon.intersection(field.polygon)
            for i in tree.query(field.polygon, predicate="intersects")
        ]
        twice = sum(part.area for part in parts) - shapely.union_all(parts).area
        if twice > 50.0:
            ledger.warned(
                f"field {field.key}: soil polygons overlap",
                f"{twice / 1e4:.2f} ha",
                "the later polygon of the file counts there",
            )


def soil_shares(soils: Sequence[SoilPatch], field: Field) -> dict[str, float]:
    """Return soil unit -> hectares within a field."""
    shares: dict[str, float] = {}
    for patch in soils:
        area = patch.polygon.intersection(field.polygon).area / 1e4
        if area > 0:
            shares[patch.unit] = shares.get(patch.unit, 0.0) + area
    return dict(sorted(shares.items()))
