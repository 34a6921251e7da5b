"""Coordinates of map layers: systems that are named or told, degrees that are degrees, the working CRS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError
from shapely.geometry.base import BaseGeometry

from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.record import Record

#: A layer this many degrees outside the area for which its system is meant is in the wrong system.
_MARGIN_DEG = 5.0


@dataclass(frozen=True)
class Feature:
    """One feature: its values (with its place), its geometry in the file's CRS."""

    record: Record
    shape: BaseGeometry


@dataclass(frozen=True)
class Layer:
    """One vector file as read: file name, CRS, and features in file order."""

    name: str
    crs: CRS
    features: tuple[Feature, ...]

    def bounds(self) -> tuple[float, float, float, float]:
        """Return west, south, east, north in the file's CRS."""
        west, south, east, north = shapely.total_bounds([one.shape for one in self.features])
        return float(west), float(south), float(east), float(north)


def system_of(ledger: Ledger, own: object, told: CRS | None, path: Path, name: str, kind: str) -> CRS | None:
    """Return the coordinate system of a file: its own, else the one that farm.toml tells; None: a problem."""
    if own is None and told is not None:
        ledger.assumed(
            f"{name}: coordinate system",
            told.name,
            "the file names none; told by farm.toml or --crs",
            "farm.toml, table coordinate_systems, or trafficplan new --crs",
        )
        return told
    if own is None:
        mend = f'name it in farm.toml, table coordinate_systems: {kind} = "EPSG:..." (trafficplan new: --crs EPSG:...)'
        if path.suffix.lower() == ".shp":
            mend = f"copy the file {path.stem}.prj beside it, or {mend}"
        ledger.problem("no coordinate system (CRS)", name, "none", "a named coordinate system", mend)
        return None
    crs = _on_earth(ledger, own, name)
    if crs is None:
        return None
    if told is not None and not crs.equals(told, ignore_axis_order=True):
        ledger.problem(
            "two coordinate systems for one file",
            name,
            f"{crs.name} in the file, {told.name} in farm.toml",
            "one coordinate system",
            f"remove {kind} from the table coordinate_systems in farm.toml, or correct the file",
        )
        return None
    return crs


def _on_earth(ledger: Ledger, own: object, name: str) -> CRS | None:
    """Return a file's coordinate system when its coordinates are places on the earth."""
    try:
        crs = CRS.from_user_input(own)
        Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except ProjError as error:
        found = str(error).partition("(")[0].strip()[:100] or "an unknown system"
    else:
        if crs.is_geographic or crs.is_projected:
            return crs
        found = f"{crs.name} ({crs.type_name})"
    ledger.problem(
        "a coordinate system without a place on the earth",
        name,
        found,
        "a geographic or projected coordinate system",
        "save it again with its coordinate system",
    )
    return None


def coordinates_possible(ledger: Ledger, layer: Layer) -> bool:
    """Check that degrees are degrees and metres metres, the right way round and on one side of 180 degrees."""
    west, south, east, north = layer.bounds()
    x, y = max(abs(west), abs(east)), max(abs(south), abs(north))
    found = f"x {west:.6g} to {east:.6g}, y {south:.6g} to {north:.6g}"
    if not layer.crs.is_geographic:
        if x <= 180 and y <= 180:
            ledger.problem(
                "degrees in a coordinate system of metres",
                layer.name,
                found,
                f"coordinates of {layer.crs.name}",
                "save it again as longitude and latitude (WGS 84): the file holds degrees and says metres",
            )
            return False
        return True
    if x <= 180 and y <= 90:
        if east - west <= 180:
            return True
        ledger.problem(
            "the layer lies on both sides of the 180 degree meridian",
            layer.name,
            found,
            "coordinates without a jump",
            "save it in a projected coordinate system in metres, such as the local UTM zone",
        )
    elif x <= 90 and y <= 180:
        swapped(ledger, layer.name, f"x to {x:.6g}, y to {y:.6g}")
    else:
        ledger.problem(
            "coordinates in degrees that are no degrees",
            layer.name,
            found,
            f"longitude and latitude ({layer.crs.name})",
            "save it again with its coordinate system: the file holds metres and does not say so",
        )
    return False


def swapped(ledger: Ledger, name: str, found: str) -> None:
    """Record that longitude and latitude stand the wrong way round."""
    ledger.problem(
        "longitude and latitude are swapped",
        name,
        found,
        "longitude first, then latitude",
        "swap the two in the file and save it again",
    )


def working_crs(layer: Layer) -> CRS:
    """Return the UTM zone (WGS 84) of the middle of a layer."""
    west, south, east, north = layer.bounds()
    to_degrees = Transformer.from_crs(layer.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform((west + east) / 2, (south + north) / 2)
    if not np.isfinite((lon, lat)).all():
        lon, lat = 0.0, 0.0
    zone = min(60, int((lon + 180) // 6) + 1)
    return CRS.from_epsg((32700 if lat < 0 else 32600) + zone)


def project(layer: Layer, crs: CRS) -> Layer:
    """Return the layer in the working CRS; x is east and y is north whatever the axis order of the systems."""
    if layer.crs == crs:
        return Layer(layer.name, crs, layer.features)
    change = Transformer.from_crs(layer.crs, crs, always_xy=True)

    def moved(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(change.transform(points[:, 0], points[:, 1]))

    shapes = shapely.transform(np.array([one.shape for one in layer.features], dtype=object), moved)
    features = tuple(Feature(one.record, shape) for one, shape in zip(layer.features, shapes.tolist(), strict=True))
    return Layer(layer.name, crs, features)


def place_makes_sense(ledger: Ledger, layer: Layer, crs: CRS) -> bool:
    """Check that a layer lies where its own system and the working CRS are meant for; a swap is named."""
    west, south, east, north = layer.bounds()
    x, y = (west + east) / 2, (south + north) / 2
    if not layer.crs.is_geographic:
        return _in_its_own_system(ledger, layer, x, y)
    area = crs.area_of_use
    if area is None or _within(area.bounds, x, y, _MARGIN_DEG):
        return True
    found = f"x {x:.5g}, y {y:.5g}; {crs.name} is used from {_span(area.bounds)}"
    if _within(area.bounds, y, x, _MARGIN_DEG):
        swapped(ledger, layer.name, found)
    else:
        ledger.problem(
            "the fields lie outside the working coordinate system",
            layer.name,
            found,
            "fields within its area of use",
            "correct crs in farm.toml, or remove it: the local UTM zone is found then",
        )
    return False


def _in_its_own_system(ledger: Ledger, layer: Layer, x: float, y: float) -> bool:
    """Check that projected coordinates lie where their own system is used (wrong hemisphere, x and y swapped)."""
    area = layer.crs.area_of_use
    if area is None:
        return True
    change = Transformer.from_crs(layer.crs, "EPSG:4326", always_xy=True)
    try:
        lon, lat = change.transform(x, y, errcheck=True)
    except ProjError:
        lon, lat = float("nan"), float("nan")
    if _within(area.bounds, lon, lat, _MARGIN_DEG):
        return True
    ledger.problem(
        "the layer lies outside its own coordinate system",
        layer.name,
        f"x {x:.7g}, y {y:.7g}, that is {lon:.5g} degrees east, {lat:.5g} north; {layer.crs.name} is used from "
        f"{_span(area.bounds)}",
        "coordinates within the area of use of their system",
        "correct the coordinate system of the file (hemisphere, zone, east before north) and save it again",
    )
    return False


def _span(bounds: tuple[float, float, float, float]) -> str:
    west, south, east, north = bounds
    return f"{west:g} to {east:g} east, {south:g} to {north:g} north"


def lonlat_bounds(layer: Layer) -> tuple[float, float, float, float]:
    """Return west, south, east, north in degrees (WGS 84)."""
    change = Transformer.from_crs(layer.crs, "EPSG:4326", always_xy=True)
    west, south, east, north = change.transform_bounds(*layer.bounds())
    return float(west), float(south), float(east), float(north)


def swap_helps(layer: Layer, around: tuple[float, float, float, float]) -> bool:
    """Tell whether a layer in degrees misses a box, but would hit it if x and y changed places."""
    if not layer.crs.is_geographic:
        return False
    west, south, east, north = layer.bounds()
    box = shapely.box(*around).buffer(0.05)
    as_is, turned = shapely.box(west, south, east, north), shapely.box(south, west, north, east)
    return bool(box.intersects(turned) and not box.intersects(as_is))


def finite(ledger: Ledger, layer: Layer) -> bool:
    """Check that every coordinate of a layer in the working CRS is a number (the change of system worked)."""
    bad: Sequence[Feature] = [one for one in layer.features if not np.isfinite(one.shape.bounds).all()]
    for one in bad:
        ledger.problem(
            "a place that the working coordinate system cannot hold",
            one.record.where,
            "no coordinates in metres",
            "features near the fields",
            "correct the feature's coordinates, or delete it",
        )
    return not bad


def _within(bounds: tuple[float, float, float, float], x: float, y: float, margin: float) -> bool:
    west, south, east, north = bounds
    return west - margin <= x <= east + margin and south - margin <= y <= north + margin
