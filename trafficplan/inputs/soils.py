"""The soil map: polygons, points or rasters joined to their soil units, and laid over the fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import shapely
from shapely import Point

from trafficplan.farm.field import Field, SoilPatch
from trafficplan.inputs.access import at_fields
from trafficplan.inputs.components import note_of_choice
from trafficplan.inputs.coordinates import Feature, Layer
from trafficplan.inputs.fields import Boundaries, area_of
from trafficplan.inputs.horizons import HorizonTable, read_horizons, unit_from_properties
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.soil_cover import (
    REACH_M,
    beyond_fields_ha,
    check_count,
    cut_overlaps,
    fill_gaps,
    soil_shares,
    touching,
)
from trafficplan.inputs.soil_points import SoilPoint, patches_of_points
from trafficplan.inputs.soil_raster import read_soil_raster, soil_raster_file
from trafficplan.inputs.soil_table import read_soil_table, soil_tables
from trafficplan.inputs.vector import Source, find_layers, read_vector
from trafficplan.soil.unit import SoilUnit

__all__ = ["Soils", "beyond_fields_ha", "read_soils", "soil_shares"]


@dataclass(frozen=True)
class Soils:
    """Soil units by key, and the map that names them."""

    units: Mapping[str, SoilUnit]
    patches: tuple[SoilPatch, ...]


def read_soils(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> Soils:
    """Read soil map and horizon table; every field is covered afterwards, or there is a problem."""
    table = read_horizons(ledger, settings)
    before = ledger.count()
    own_units: dict[str, SoilUnit] = {}
    raster = read_soil_raster(ledger, settings, boundaries)
    if raster is not None:
        patches = list(raster.patches)
        own_units.update(raster.units)
    elif ledger.count() > before or soil_raster_file(ledger, settings) is not None:
        return Soils({}, ())
    else:
        patches = _drawn(ledger, settings, boundaries, table, own_units)
    known: dict[str, SoilUnit | None] = {**own_units, **(table.units if table else {})}
    used = touching(patches, boundaries.fields)
    _without_horizons(ledger, used, patches, known, has_table=table is not None)
    if table is not None:
        for key in sorted(used):
            note_of_choice(ledger, key, table.chosen)
        _tell_own(ledger, {key: used[key] for key in sorted(used) if key in own_units and key not in table.units})
    kept = [patch for patch in patches if patch.unit in known]
    if kept and not ledger.problems:
        kept = cut_overlaps(ledger, kept, boundaries.fields, "soil map")
        kept = fill_gaps(ledger, kept, boundaries.fields)
        check_count(ledger, kept, boundaries.fields)
    elif not patches and ledger.count() == before:
        ledger.problem(
            "the soil map is empty around the fields",
            "soil map",
            "no soil with a value",
            "soil under every field",
            "check the map, its no-data value and its coordinate system",
        )
    keys = sorted({patch.unit for patch in kept})
    return Soils({key: unit for key in keys if (unit := known[key]) is not None}, tuple(kept))


def _drawn(
    ledger: Ledger,
    settings: Settings,
    boundaries: Boundaries,
    table: HorizonTable | None,
    own: dict[str, SoilUnit],
) -> list[SoilPatch]:
    """Return the soil map of the vector layers; without a horizon table `own` grows by their units."""
    before = ledger.count()
    tables = soil_tables(ledger, settings)
    named = settings.files.soil
    others = [one for one in ([named] if isinstance(named, str) else named or []) if one not in tables]
    layers: list[Layer | None] = [read_soil_table(ledger, settings, name) for name in tables]
    sources: list[Source] = []
    if others or not tables:
        sources = find_layers(ledger, "soil", others if tables else named, settings.layers.soil)
    if not sources and not tables and settings.files.soil is None and ledger.count() == before:
        ledger.problem(
            "file not found",
            "soil.geojson",
            "no soil map",
            "polygons with the property unit or texture",
            "add soil.geojson: one polygon around the farm with its texture is enough to begin with",
        )
    for path, layer in sources:
        columns, told = settings.columns.soil, settings.systems.get("soil")
        layers.append(read_vector(ledger, path, layer, "soil", KNOWN["soil"], (), columns, told))
    patches: list[SoilPatch] = []
    for read in layers:
        moved = at_fields(ledger, read, boundaries)
        if moved is None or not _is_here(ledger, moved, boundaries.fields):
            continue
        if all(one.shape.geom_type in ("Point", "MultiPoint") for one in moved.features):
            points = _points(moved, table, own)
            if points:
                patches.extend(patches_of_points(ledger, points, boundaries.fields, moved.name))
        else:
            patches.extend(_patches(ledger, moved, table, own))
    return patches


def _tell_own(ledger: Ledger, hectares: Mapping[str, float]) -> None:
    """Note the units that have no rows in the horizon table but are described in the map itself."""
    for key, area in hectares.items():
        ledger.assumed(
            f"soil unit {key}: horizons",
            f"one, alike down to 1 m, on {area:.2f} ha in fields",
            "the horizon table has no rows for it; its texture in the soil map counts",
            "soil map",
        )


def _is_here(ledger: Ledger, layer: Layer, fields: Mapping[str, Field]) -> bool:
    ground = shapely.union_all([field.polygon for field in fields.values()])
    gap = float(shapely.distance(ground, [one.shape for one in layer.features]).min())
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


def _unit_of(feature: Feature, number: int, table: HorizonTable | None, own: dict[str, SoilUnit]) -> str:
    """Return the unit of one feature, "" with a problem; its properties make the unit where no table has rows for it."""
    record = feature.record
    key = record.text("unit")
    pairs = (("sand_pct", "clay_pct"), ("sand_pct", "silt_pct"), ("silt_pct", "clay_pct"))
    measured = any(record.has(one) and record.has(other) for one, other in pairs)
    if table is None and not key:
        key = f"soil {number}" if measured else record.text("texture")
    if not key:
        record.problem(
            "unit",
            "a soil polygon without its unit",
            "nothing",
            "the key of a soil unit",
            "fill in unit, or map its column in farm.toml",
        )
        return ""
    described = measured or record.has("texture")
    if table is None or (described and key not in table.units):
        unit = unit_from_properties(record, key)
        if unit is not None and own.setdefault(key, unit) != unit:
            record.problem(
                "unit",
                "one soil unit with two different soils",
                key,
                "the same properties in all polygons of a unit",
                "give one of the two another unit, or correct its properties",
            )
    return key


def _points(layer: Layer, table: HorizonTable | None, own: dict[str, SoilUnit]) -> list[SoilPoint]:
    points: list[SoilPoint] = []
    for number, feature in enumerate(layer.features, start=1):
        key = _unit_of(feature, number, table, own)
        if key:
            parts = shapely.get_parts(feature.shape)
            points.extend((key, feature.record.where, one) for one in parts if isinstance(one, Point))
    return points


def _patches(ledger: Ledger, layer: Layer, table: HorizonTable | None, own: dict[str, SoilUnit]) -> list[SoilPatch]:
    patches = []
    for number, feature in enumerate(layer.features, start=1):
        key = _unit_of(feature, number, table, own)
        polygon = area_of(ledger, feature, f"soil polygon {number} ({key})") if key else None
        if polygon is not None:
            patches.append(SoilPatch(key, polygon))
    return patches


def _without_horizons(
    ledger: Ledger,
    used: Mapping[str, float],
    patches: Sequence[SoilPatch],
    known: Mapping[str, SoilUnit | None],
    *,
    has_table: bool,
) -> None:
    absent: dict[str, float] = {}
    for patch in patches:
        if patch.unit not in known:
            absent[patch.unit] = absent.get(patch.unit, 0.0) + patch.polygon.area / 1e4
    under = [unit for unit in absent if unit in used]
    if under and has_table:
        ledger.problem(
            "soil units without horizons",
            "horizons.csv, column unit",
            listed(f"{unit} ({used[unit]:.2f} ha in fields)" for unit in under),
            "rows for every soil unit under a field",
            "add their rows, or give the polygons a unit that has some",
        )
    elsewhere = [f"{unit} ({absent[unit]:.2f} ha)" for unit in absent if unit not in used]
    if elsewhere:
        ledger.warned(f"soil units {listed(elsewhere)}", "left out", "they have no horizons and lie under no field")
