"""What is kept of a field once its layers are written: small plain data for tables, charts and pages."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from shapely import LineString, MultiPolygon, Polygon

from trafficplan.farm.field import Field
from trafficplan.farm.grid import Grid
from trafficplan.names import Note


@dataclass(frozen=True)
class OperationPart:
    """What one operation did in one field, in the order of the season.

    `added_deep_ha`: hectares whose deep layer went over stress ratio 1 for the first time in this operation;
    `worst_deep_ha`: hectares over ratio 1 below tillage depth on which this operation gave the highest ratio.
    """

    operation: str
    day: dt.date
    job: str
    outfit: str
    trips: int
    drive_km: float
    hours: float
    worked_ha: float
    traffic_t_km: float
    added_deep_ha: float
    worst_deep_ha: float


@dataclass(frozen=True)
class WorstPlace:
    """One of the places that suffered most, with its reason in words.

    `ratio` is the highest (95th percentile over the ground that is over strength) below tillage depth, `depth_m` where
    it is; `deepest_m` the deepest depth that is over strength (0: none); `lasting_mean` the mean chance of lasting
    overstress over all ground of the place, which ranks places; `crossings` wheel passes (95th percentile).
    """

    field: str
    name: str
    zone: str
    x: float
    y: float
    area_m2: float
    ratio: float
    depth_m: float
    deepest_m: float
    chance: float
    lasting_mean: float
    crossings: float
    reason: str


@dataclass(frozen=True)
class WheelProfile:
    """Stress beneath the heaviest wheel of one axle of an outfit against the strength of the farm's soils.

    Arrays by `depths_m`: central run, upper run (equal below 0.6 m), and the band of strength (kPa).
    """

    outfit: str
    axle: str
    operation: str
    wheel_load_kg: float
    pressure_bar: float
    moisture: str
    depths_m: tuple[float, ...]
    stress_kpa: tuple[float, ...]
    upper_kpa: tuple[float, ...]
    strength_low_kpa: tuple[float, ...]
    strength_high_kpa: tuple[float, ...]


@dataclass(frozen=True)
class FieldSummary:
    """One field under one scenario, small enough to send between processes.

    Attributes
    ----------
    rows : one mapping per zone and depth, keys as names.ZONE_COLUMNS
    zone_shapes : zone -> geometry
    steps_ha : "tilled" | "deep" -> hectares per step of names.STEPS, of the highest ratio in that layer
    parts : one per operation
    worst : worst places of this field, worst first
    drives : operation -> simplified line of the drive inside and near the field
    crossings : gateway -> how often an outfit was driven through it, in or out
    lasting_ha : hectares with chance of overstress of at least 0.5 below tillage depth
    wheeled_ha : hectares touched at least once
    """

    scenario: str
    field: Field
    grid: Grid
    depths_m: tuple[float, ...]
    deep_from_m: float
    rows: tuple[Mapping[str, object], ...]
    zone_shapes: Mapping[str, Polygon | MultiPolygon]
    steps_ha: Mapping[str, tuple[float, ...]]
    parts: tuple[OperationPart, ...]
    worst: tuple[WorstPlace, ...]
    drives: Mapping[str, LineString]
    crossings: Mapping[str, float]
    lasting_ha: float
    wheeled_ha: float
    profiles: tuple[WheelProfile, ...]
    notes: tuple[Note, ...]
