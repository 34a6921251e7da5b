"""Vector files of any open format: opened safely, one layer chosen, geometry and coordinates checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS, Transformer
from shapely.geometry.base import BaseGeometry

from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.table import match_columns

#: Formats that may be opened; a virtual or networked source behind an innocent name is none of them.
DRIVERS = ("GPKG", "GeoJSON", "ESRI Shapefile", "FlatGeobuf", "KML", "LIBKML")
ENDINGS = (".geojson", ".gpkg", ".shp", ".fgb", ".kml")

_SHAPEFILE_NAME = 10  # characters that the format keeps of a column's name


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


def find_layers(
    ledger: Ledger, kind: str, files: str | Sequence[str] | None, layers: str | Sequence[str] | None
) -> list[tuple[Path, str | None]]:
    """Return the files (and layers) of one kind: those that farm.toml names, else the usual ones."""
    wanted = [layers] if isinstance(layers, str) else list(layers or [])
    if files is not None:
        names = [files] if isinstance(files, str) else list(files)
        if wanted and len(wanted) != len(names) and len(names) == 1:
            names = names * len(wanted)
        wanted = wanted + [""] * (len(names) - len(wanted))
        paths = [
            (inside(ledger, name, f"farm.toml, files, {kind}"), layer or None)
            for name, layer in zip(names, wanted, strict=False)
        ]
        return [(path, layer) for path, layer in paths if path]
    for ending in ENDINGS:
        if (ledger.folder / f"{kind}{ending}").exists():
            path = inside(ledger, f"{kind}{ending}", f"{kind}{ending}")
            return [(path, wanted[0] if wanted else None)] if path else []
    if (ledger.folder / "farm.gpkg").exists():
        path = inside(ledger, "farm.gpkg", "farm.gpkg")
        there = _layer_names(ledger, path, "farm.gpkg") if path else []
        return [(path, layer) for layer in (wanted or [kind]) if path and layer in there]
    return []


def _layer_names(ledger: Ledger, path: Path, name: str) -> list[str]:
    try:
        return [str(row[0]) for row in pyogrio.list_layers(path)]
    except (DataSourceError, DataLayerError) as error:
        _unreadable(ledger, name, error)
        return []


def _unreadable(ledger: Ledger, name: str, error: Exception) -> None:
    said = str(error).replace(str(ledger.folder / name), name)
    ledger.problem(
        "the file cannot be read as a map layer",
        name,
        said[:120],
        f"a file in one of the formats {listed(DRIVERS[:5])}",
        "save it again from the program that made it, as GeoJSON or GeoPackage",
    )


def read_vector(
    ledger: Ledger,
    path: Path,
    layer: str | None,
    kind: str,
    known: Sequence[str],
    needed: Sequence[str],
    columns: Mapping[str, str],
) -> Layer | None:
    """Read one layer in the file's own CRS, or return None with problems.

    Parameters
    ----------
    layer : name inside a GeoPackage or KML, or None
    kind : what the layer is for; used to choose among several layers
    known, needed : our columns
    columns : our name -> the file's column

    Notes
    -----
    Checked: format, layer, columns, CRS, empty geometry, NaN in coordinates, degrees that are none.
    """
    name = path.relative_to(ledger.folder).as_posix()
    ledger.hash_file(path)
    chosen = _choose_layer(ledger, path, name, layer, kind)
    if chosen is None:
        return None
    try:
        frame = pyogrio.read_dataframe(path, layer=chosen, fid_as_index=False)
    except (
        DataSourceError,
        DataLayerError,
        ValueError,
        UnicodeDecodeError,
        shapely.errors.GEOSException,
    ) as error:
        _unreadable(ledger, name, error)
        return None
    if not isinstance(frame, gpd.GeoDataFrame) or len(frame) == 0:
        ledger.problem(
            "no features",
            name,
            "an empty layer or a table without shapes",
            "at least one feature",
            "check what was exported",
        )
        return None
    crs = _crs_of(ledger, frame, path, name)
    header = [str(column) for column in frame.columns if column != frame.geometry.name]
    shorten = _SHAPEFILE_NAME if path.suffix.lower() == ".shp" else None
    places = match_columns(ledger, name, header, known, needed, columns, shorten)
    if crs is None or places is None:
        return None
    features = _features(ledger, frame, name, header, places)
    if features is None or not _coordinates_possible(ledger, features, crs, name):
        return None
    return Layer(name, crs, features)


def _choose_layer(ledger: Ledger, path: Path, name: str, layer: str | None, kind: str) -> str | None:
    there = _layer_names(ledger, path, name)
    if not there:
        if ledger.count() == 0 or not any(one.where == name for one in ledger.problems):
            ledger.problem(
                "no map layer in the file", name, "nothing", "one layer", "check what was exported"
            )
        return None
    driver = pyogrio.read_info(path, layer=there[0])["driver"]
    if driver not in DRIVERS:
        ledger.problem(
            "a format that is not read",
            name,
            str(driver),
            f"one of {listed(DRIVERS[:5])}",
            "save it as GeoJSON or GeoPackage",
        )
        return None
    if layer is not None and layer not in there:
        near = nearest(layer, there)
        ledger.problem(
            "no layer of this name",
            f"{name}, layer {layer}",
            listed(there),
            layer,
            f"write {near} in farm.toml, table layers"
            if near
            else "name one of these layers in farm.toml, table layers",
        )
        return None
    if layer is None and len(there) > 1 and kind not in there:
        ledger.problem(
            "several layers in the file",
            name,
            listed(there),
            "one layer",
            f'name it in farm.toml, table layers: {kind} = "{there[0]}"',
        )
        return None
    return layer or (there[0] if len(there) == 1 else kind)


def _crs_of(ledger: Ledger, frame: gpd.GeoDataFrame, path: Path, name: str) -> CRS | None:
    if frame.crs is None:
        mend = (
            f"copy the file {path.stem}.prj beside it, or save it again with a coordinate system"
            if path.suffix.lower() == ".shp"
            else "save it again with a coordinate system"
        )
        ledger.problem("no coordinate system (CRS)", name, "none", "a named coordinate system", mend)
        return None
    return CRS.from_user_input(frame.crs)


def _features(
    ledger: Ledger, frame: gpd.GeoDataFrame, name: str, header: list[str], places: Mapping[str, int]
) -> tuple[Feature, ...] | None:
    """Return the features; each place says the feature's number and name."""
    before = ledger.count()
    shapes = np.asarray(frame.geometry.array)
    cells = {ours: frame[header[index]].tolist() for ours, index in places.items()}
    features = []
    for index, shape in enumerate(shapes):
        values = {ours: column[index] for ours, column in cells.items()}
        title = str(values.get("field") or values.get("name") or values.get("unit") or "").strip()
        where = f"{name}, feature {index + 1}" + (f" ({title})" if title else "")
        if shape is None or shape.is_empty:
            ledger.problem(
                "a feature without shape",
                where,
                "nothing",
                "a point, line or polygon",
                "draw it, or delete the feature",
            )
            continue
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            ledger.problem(
                "a coordinate is not a number",
                where,
                "NaN or infinite",
                "finite coordinates",
                "draw the feature again",
            )
            continue
        features.append(Feature(Record(ledger, where, values), shapely.force_2d(shape)))
    return tuple(features) if ledger.count() == before else None


def _coordinates_possible(ledger: Ledger, features: Sequence[Feature], crs: CRS, name: str) -> bool:
    """Check that coordinates in degrees are degrees, and not the wrong way round."""
    if not crs.is_geographic:
        return True
    west, south, east, north = shapely.total_bounds([one.shape for one in features])
    x, y = max(abs(west), abs(east)), max(abs(south), abs(north))
    if x <= 180 and y <= 90:
        return True
    found = f"x to {x:.6g}, y to {y:.6g}"
    if x <= 90 and y <= 180:
        swapped(ledger, name, found)
    else:
        ledger.problem(
            "coordinates in degrees that are no degrees",
            name,
            found,
            f"longitude and latitude ({crs.name})",
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
    zone = min(60, int((lon + 180) // 6) + 1)
    return CRS.from_epsg((32700 if lat < 0 else 32600) + zone)


def project(layer: Layer, crs: CRS) -> Layer:
    """Return the layer in the working CRS."""
    if layer.crs == crs:
        return Layer(layer.name, crs, layer.features)
    change = Transformer.from_crs(layer.crs, crs, always_xy=True)

    def moved(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(change.transform(points[:, 0], points[:, 1]))

    features = tuple(Feature(one.record, shapely.transform(one.shape, moved)) for one in layer.features)
    return Layer(layer.name, crs, features)


def place_makes_sense(ledger: Ledger, layer: Layer, crs: CRS) -> bool:
    """Check that a layer in degrees lies where the working CRS is meant for; a swap is named."""
    area = crs.area_of_use
    if area is None or not layer.crs.is_geographic:
        return True
    west, south, east, north = layer.bounds()
    x, y = (west + east) / 2, (south + north) / 2
    if _within(area.bounds, x, y, 5.0):
        return True
    used = f"{area.west:g} to {area.east:g} east, {area.south:g} to {area.north:g} north"
    found = f"x {x:.5g}, y {y:.5g}; {crs.name} is used from {used}"
    if _within(area.bounds, y, x, 5.0):
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


def _within(bounds: tuple[float, float, float, float], x: float, y: float, margin: float) -> bool:
    west, south, east, north = bounds
    return west - margin <= x <= east + margin and south - margin <= y <= north + margin
