"""How the soil map covers the fields: gaps filled, overlaps cut or refused, each measured in hectares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import shapely
from shapely import MultiPolygon, Polygon, STRtree

from trafficplan.farm.field import Field, SoilPatch
from trafficplan.inputs.fields import polygons_only
from trafficplan.inputs.ledger import Ledger, listed

#: A soil map farther from the fields than this belongs elsewhere [m].
REACH_M = 200.0
#: Ground without a soil polygon that is not worth a word [m2].
SMALL_GAP_M2 = 1.0
#: Overlap of two soils that is not worth a word [m2], and the share of a field above which it is refused.
SMALL_OVERLAP_M2 = 50.0
OVERLAP_SHARE = 0.01
#: A grid of a field tells so many soils apart at most.
MOST_UNITS = 250

Area = Polygon | MultiPolygon


def touching(patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> dict[str, float]:
    """Return the units that lie under a field with more than a sliver, and their hectares there."""
    tree = STRtree([field.polygon for field in fields.values()])
    shapes = list(fields.values())
    found: dict[str, float] = {}
    for patch in patches:
        for index in tree.query(patch.polygon, predicate="intersects"):
            area = shapes[int(index)].polygon.intersection(patch.polygon).area
            if area > SMALL_GAP_M2:
                found[patch.unit] = found.get(patch.unit, 0.0) + area / 1e4
    return found


def check_count(ledger: Ledger, patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> None:
    """Refuse a field with more soils than its grid can tell apart."""
    tree = STRtree([patch.polygon for patch in patches])
    for field in fields.values():
        units = {patches[int(i)].unit for i in tree.query(field.polygon, predicate="intersects")}
        if len(units) > MOST_UNITS:
            ledger.problem(
                "too many soil units in one field",
                f"field {field.key}",
                f"{len(units)} units",
                f"at most {MOST_UNITS}",
                "give polygons of the same soil the same unit",
            )


def cut_overlaps(
    ledger: Ledger, patches: Sequence[SoilPatch], fields: Mapping[str, Field], name: str
) -> list[SoilPatch]:
    """Return the map without overlaps in the fields: the later polygon of the file counts, with a note.

    Two different soils that cover each other on more than 1 % of a field are refused, unless the later lies
    wholly within the earlier: a patch drawn on a background.
    """
    tree = STRtree([patch.polygon for patch in patches])
    cut: dict[int, set[int]] = {}
    for field in fields.values():
        near = sorted(int(i) for i in tree.query(field.polygon, predicate="intersects"))
        parts = {i: patches[i].polygon.intersection(field.polygon) for i in near}
        pieces = sum(part.area for part in parts.values())
        if pieces - shapely.union_all(list(parts.values())).area <= SMALL_GAP_M2:
            continue
        twice: list[Area] = []
        for i, j in _pairs(near, parts):
            common = polygons_only(parts[i].intersection(parts[j]))
            if common.area <= SMALL_GAP_M2:
                continue
            cut.setdefault(i, set()).add(j)
            if patches[i].unit == patches[j].unit:
                continue
            twice.append(common)
            background = patches[i].polygon.buffer(0.01).covers(patches[j].polygon)
            if common.area > OVERLAP_SHARE * field.polygon.area and not background:
                ledger.problem(
                    "two soil polygons overlap",
                    f"{name}, polygons {i + 1} ({patches[i].unit}) and {j + 1} ({patches[j].unit})",
                    f"{common.area / 1e4:.2f} ha of field {field.key}",
                    f"at most {100 * OVERLAP_SHARE:g} % of the field, or one wholly within the other",
                    "cut one of the two along the common boundary",
                )
        area = shapely.union_all(twice).area if twice else 0.0
        if area > SMALL_OVERLAP_M2:
            ledger.warned(
                f"field {field.key}: soil polygons overlap",
                f"{area / 1e4:.2f} ha",
                "the later polygon of the file counts there",
            )
    result = []
    for i, patch in enumerate(patches):
        above = [patches[j].polygon for j in sorted(cut.get(i, ()))]
        rest = polygons_only(patch.polygon.difference(shapely.union_all(above))) if above else patch.polygon
        if not rest.is_empty:
            result.append(SoilPatch(patch.unit, rest))
    return result


def _pairs(near: Sequence[int], parts: Mapping[int, shapely.Geometry]) -> list[tuple[int, int]]:
    """Return the pairs of polygons that touch each other, the earlier one first."""
    shapes = [parts[i] for i in near]
    left, right = STRtree(shapes).query(shapes, predicate="intersects")
    return sorted({(near[int(a)], near[int(b)]) for a, b in zip(left, right, strict=True) if a < b})


def fill_gaps(ledger: Ledger, patches: Sequence[SoilPatch], fields: Mapping[str, Field]) -> list[SoilPatch]:
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


def soil_shares(soils: Sequence[SoilPatch], field: Field) -> dict[str, float]:
    """Return soil unit -> hectares within a field."""
    shares: dict[str, float] = {}
    for patch in soils:
        if not patch.polygon.intersects(field.polygon):
            continue
        area = patch.polygon.intersection(field.polygon).area / 1e4
        if area > 0:
            shares[patch.unit] = shares.get(patch.unit, 0.0) + area
    return dict(sorted(shares.items()))


def beyond_fields_ha(soils: Sequence[SoilPatch], fields: Mapping[str, Field]) -> float:
    """Return the hectares of the soil map that lie outside every field."""
    ground = shapely.union_all([field.polygon for field in fields.values()])
    return float(shapely.union_all([patch.polygon for patch in soils]).difference(ground).area) / 1e4
