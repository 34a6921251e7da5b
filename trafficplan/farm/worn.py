"""Places that were worn out or loosened before the season began."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import MultiPolygon, Polygon


@dataclass(frozen=True)
class WornPlace:
    """One place: `kind` "worn" (its damage stands already) or "loosened" (freshly, to `depth_m`)."""

    key: str
    kind: str
    polygon: Polygon | MultiPolygon
    depth_m: float | None = None
