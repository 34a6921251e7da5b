"""Places that were worn out or loosened before the season began."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from shapely import MultiPolygon, Polygon

from trafficplan.farm.field import SoilPatch
from trafficplan.farm.ground import as_area
from trafficplan.names import Note
from trafficplan.soil.unit import Horizon, SoilUnit


@dataclass(frozen=True)
class WornPlace:
    """One place: `kind` "worn" (its damage stands already) or "loosened" (freshly, to `depth_m`)."""

    key: str
    kind: str
    polygon: Polygon | MultiPolygon
    depth_m: float | None = None


def loosened_soil(
    units: Mapping[str, SoilUnit], patches: Sequence[SoilPatch], places: Sequence[WornPlace], depth_m: float
) -> tuple[dict[str, SoilUnit], tuple[SoilPatch, ...], tuple[Note, ...]]:
    """Return the soil map with the freshly loosened places as soil units of their own, and what was assumed.

    Down to the depth of loosening such a unit is as weak as a tilled layer, whatever was measured before; its water is that of
    the soil it was.

    Parameters
    ----------
    depth_m : of places that do not say theirs [m]
    """
    loose = [(one, one.depth_m or depth_m) for one in places if one.kind == "loosened"]
    loose.sort(key=lambda pair: -pair[1])  # where two overlap the deeper one counts
    found, map_ = dict(units), list[SoilPatch]()
    touched: set[str] = set()
    for patch in patches:
        left = patch.polygon
        for place, depth in loose:
            if patch.unit not in units or not left.intersects(place.polygon):
                continue
            part = as_area(left.intersection(place.polygon))
            if part.area <= 0:
                continue
            key = f"{patch.unit}, loosened to {round(100 * depth)} cm"
            found.setdefault(key, _loosened(units[patch.unit], key, depth))
            map_.append(SoilPatch(key, part))
            touched.add(place.key)
            left = as_area(left.difference(place.polygon))
        if left.area > 0:
            map_.append(replace(patch, polygon=left))
    why = (
        "freshly loosened before the season: as weak as a tilled layer, all season long, for worn.geojson has no dates"
    )
    notes = [
        Note(
            "assumed", f"loosened place {place.key}: strength", f"of a tilled layer down to {depth:.2f} m", why, "ours"
        )
        for place, depth in loose
        if place.key in touched
    ]
    return found, tuple(map_), tuple(notes)


def _loosened(unit: SoilUnit, key: str, depth_m: float) -> SoilUnit:
    """Return a soil unit whose horizons are loose down to a depth; the one that it ends in is cut there."""
    horizons: list[Horizon] = []
    for one in unit.horizons:
        if one.top_m < depth_m:
            bottom = min(one.bottom_m, depth_m)
            horizons.append(replace(one, bottom_m=bottom, state="tilled", strength_pa=None, cores=0))
        if one.bottom_m > depth_m:
            horizons.append(replace(one, top_m=max(one.top_m, depth_m)))
    title = f"{unit.title or unit.key}, loosened to {round(100 * depth_m)} cm"
    return replace(unit, key=key, title=title, horizons=tuple(horizons))
