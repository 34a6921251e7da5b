"""Fields and the things on and around them, as plain data in the working CRS [m]."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, MultiPolygon, Polygon


@dataclass(frozen=True)
class Gateway:
    """A gateway: a point on (or snapped to) the boundary of one field."""

    key: str
    field: str
    x: float
    y: float
    width_m: float


@dataclass(frozen=True)
class Field:
    """One field.

    Attributes
    ----------
    key : unique name
    polygon : boundary with holes, in the working CRS
    crop : what grows
    tillage_depth_m : depth of the tillage that regularly follows; 0 where none does (nothing is repairable)
    headland_m : headland width [m], or None: one bout or the turning room, the wider
    gateways, tramlines : in the field
    """

    key: str
    polygon: Polygon | MultiPolygon
    crop: str
    tillage_depth_m: float
    headland_m: float | None
    gateways: tuple[Gateway, ...]
    tramlines: tuple[LineString, ...]


@dataclass(frozen=True)
class FarmTrack:
    """A farm track outside fields: hard or soft `surface` ("asphalt", "gravel", "earth", ...)."""

    key: str
    line: LineString
    surface: str
    max_kg: float | None = None


@dataclass(frozen=True)
class Place:
    """A yard, keep-out, watercourse, overhead line, well, public road, drain or bridge: `kind` and geometry.

    `max_kg`: limit of a bridge; `height_m`: how high an overhead line hangs above the ground at its lowest.
    """

    key: str
    kind: str
    shape: Polygon | MultiPolygon | LineString
    max_kg: float | None = None
    height_m: float | None = None


@dataclass(frozen=True)
class SoilPatch:
    """One polygon of the soil map and the key of its soil unit."""

    unit: str
    polygon: Polygon | MultiPolygon
