"""What was understood of a farm folder, in plain words and numbers, before anything is computed."""

from __future__ import annotations

from typing import Any

import numpy as np

from trafficplan.farm.elevation import slopes_within
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Change, Operation
from trafficplan.farm.season import selects
from trafficplan.inputs.quality import quality
from trafficplan.inputs.soil_cover import beyond_fields_ha, soil_shares
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.units import BAR, KM_H, KPA, TONNE


def understood(farm: Farm) -> dict[str, Any]:
    """Return the farm as read, in JSON-able form; names end with their unit."""
    return {
        "name": farm.title,
        "season": farm.season,
        "timezone": farm.timezone,
        "crs": farm.crs,
        "units": farm.units,
        "area_ha": _ha(sum(field.polygon.area for field in farm.fields.values())),
        "fields": [_field(farm, field) for field in farm.fields.values()],
        "soils": [_soil(unit) for unit in farm.soil_units.values()],
        "soil_map": {
            "polygons": len(farm.soil_map),
            "outside_fields_ha": round(beyond_fields_ha(farm.soil_map, farm.fields), 4),
        },
        "outfits": [_outfit(outfit) for outfit in farm.outfits.values()],
        "operations": [_operation(operation) for operation in farm.operations],
        "scenarios": [
            {
                "scenario": one.key,
                "title": one.title,
                "changes": [_change(farm, change) for change in one.changes],
            }
            for one in farm.scenarios.values()
        ],
        "recorded_tracks": [{"track": log.key, **quality(log)} for log in farm.logs.values()],
        "farm_tracks": [
            {"track": track.key, "surface": track.surface, "length_m": round(track.line.length, 1)}
            for track in farm.tracks
        ],
        "places": [{"name": place.key, "kind": place.kind} for place in farm.places],
        "tyre_tables": [{"tyre": table.tyre, "rows": len(table.rows)} for table in farm.tyre_tables.values()],
        "weather_days": 0 if farm.weather is None else len(farm.weather.days),
        "files": dict(farm.inputs),
        "notes": [note.as_dict() for note in farm.notes],
    }


def _ha(area_m2: float) -> float:
    return round(area_m2 / 1e4, 4)


def _field(farm: Farm, field: Field) -> dict[str, Any]:
    jobs = [one for one in farm.operations if one.field == field.key]
    slopes = slopes_within(farm.elevation, field.polygon) if farm.elevation else np.empty(0)
    steepest = {"slope_pct_max": round(100 * float(slopes.max()), 1)} if slopes.size else {}
    return {
        "field": field.key,
        "area_ha": _ha(field.polygon.area),
        "crop": field.crop,
        "tillage_depth_m": field.tillage_depth_m,
        "headland_width_m": field.headland_m,
        "gateways": [{"gateway": gate.key, "width_m": gate.width_m} for gate in field.gateways],
        "tramlines": len(field.tramlines),
        "tramlines_m": round(sum(line.length for line in field.tramlines), 1),
        "soils_ha": {unit: round(area, 4) for unit, area in soil_shares(farm.soil_map, field).items()},
        "operations": len(jobs),
        **steepest,
    }


def _soil(unit: SoilUnit) -> dict[str, Any]:
    return {
        "unit": unit.key,
        "title": unit.title,
        "swelling": unit.swelling,
        "horizons": [_horizon(one) for one in unit.horizons],
    }


def _horizon(horizon: Horizon) -> dict[str, Any]:
    told: dict[str, Any] = {
        "top_m": horizon.top_m,
        "bottom_m": horizon.bottom_m,
        "texture": horizon.texture,
        "state": horizon.state,
    }
    for key, value, size in (
        ("sand_pct", horizon.sand, 100.0),
        ("clay_pct", horizon.clay, 100.0),
        ("organic_pct", horizon.organic, 1.0),
        ("density_kg_m3", horizon.density_kg_m3, 1.0),
        ("stones_pct", horizon.stones, 100.0),
        ("strength_kpa", horizon.strength_pa, 1 / KPA),
    ):
        if value is not None:
            told[key] = round(value * size, 3)
    return told


def _outfit(outfit: Outfit) -> dict[str, Any]:
    axles = outfit.axles()
    return {
        "outfit": outfit.key,
        "title": outfit.title,
        "vehicles": [vehicle.key for vehicle in outfit.vehicles],
        "width_m": outfit.width_m,
        "radius_m": outfit.radius_m,
        "capacity_t": outfit.capacity_kg / TONNE,
        "field_km_h": round(outfit.field_m_s / KM_H, 1),
        "empty_kn": round(sum(axle.empty_n for axle in axles) / 1e3, 2),
        "full_kn": round(sum(axle.full_n for axle in axles) / 1e3, 2),
        "axles": [_axle(axle) for axle in axles],
    }


def _axle(axle: Axle) -> dict[str, Any]:
    wheels = len(axle.wheels)
    told: dict[str, Any] = {
        "axle": axle.key,
        "tyre": axle.wheels[0].tyre.code,
        "wheels": wheels,
        "empty_kn": round(axle.empty_n / 1e3, 2),
        "full_kn": round(axle.full_n / 1e3, 2),
        "wheel_full_kn": round(axle.full_n / wheels / 1e3, 2),
        "adjust": axle.adjust,
    }
    if axle.wheels[0].tyre.kind == "tyre":
        told |= {"field_bar": round(axle.field_pa / BAR, 2), "track_bar": round(axle.track_pa / BAR, 2)}
    return told


def _pressures(pressures: dict[str, float]) -> dict[str, float]:
    return {("all" if axle == "*" else axle): round(pascal / BAR, 2) for axle, pascal in pressures.items()}


def _operation(operation: Operation) -> dict[str, Any]:
    rate, load = operation.rate_kg_m2, operation.load_kg
    return {
        "operation": operation.key,
        "date": operation.day.isoformat(),
        "start_time": operation.start.isoformat("minutes") if operation.start else None,
        "field": operation.field,
        "job": operation.job,
        "outfit": operation.outfit,
        "rate_t_ha": None if rate is None else round(rate * 10, 3),
        "load_t": None if load is None else round(load / TONNE, 3),
        "change": operation.change,
        "pressures_bar": _pressures(dict(operation.pressures_pa)),
        "drive": operation.drive,
        "gateway": operation.gateway,
        "till_depth_m": operation.till_depth_m,
        "moisture": operation.moisture.words if operation.moisture else None,
        "surface": operation.surface,
    }


def _change(farm: Farm, change: Change) -> dict[str, Any]:
    told: dict[str, Any] = {
        "operations": [one.key for one in farm.operations if selects(change, one)],
        "load_t": None if change.load_kg is None else change.load_kg / TONNE,
        "load_factor": change.load_factor,
        "pressures_bar": _pressures(dict(change.pressures_pa)),
        "moisture": change.moisture.words if change.moisture else None,
        "date": change.day.isoformat() if change.day else None,
        "gateway": change.gateway,
        "outfit": change.outfit,
    }
    return {key: value for key, value in told.items() if value not in (None, {})}
