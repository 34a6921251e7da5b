"""Vector files of any open format: opened safely, one layer chosen, geometry and coordinates checked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from pyogrio.errors import CRSError, DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import ProjError
from shapely.errors import GEOSException

from trafficplan.inputs.archive import ARCHIVES, unpacked
from trafficplan.inputs.characters import as_utf8, dbf_characters
from trafficplan.inputs.column_units import Column, in_our_units
from trafficplan.inputs.coordinates import Feature, Layer, coordinates_possible, system_of
from trafficplan.inputs.ledger import Ledger, file_parts, listed, nearest
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.signature import is_as_named
from trafficplan.inputs.table import match_columns

#: Formats that may be opened; a virtual or networked source behind an innocent name is none of them.
DRIVERS = ("GPKG", "GeoJSON", "ESRI Shapefile", "FlatGeobuf", "KML", "GPX", "LIBKML")
ENDINGS = (".geojson", ".gpkg", ".shp", ".zip", ".fgb", ".kml", ".kmz", ".gpx")

#: Larger layers are refused: nobody drew them by hand, and nothing here needs them.
MOST_BYTES = 500_000_000
MOST_VERTICES = 2_000_000

#: Layers of a GPX file that are read, by what they are for; the single points of tracks are not.
_GPX_LAYERS = {"access": ("waypoints", "routes", "tracks"), "soil": ("waypoints",)}
_GPX_LINES = ("routes", "tracks")

_SHAPEFILE_NAME = 10  # characters that the format keeps of a column's name

#: What the opening of a damaged file may raise in the libraries below.
BROKEN = (
    DataSourceError,
    DataLayerError,
    ValueError,
    OverflowError,
    RuntimeError,
    UnboundLocalError,
    ProjError,
    GEOSException,
)

Source = tuple[Path, str | None]


def find_layers(
    ledger: Ledger, kind: str, files: str | Sequence[str] | None, layers: str | Sequence[str] | None
) -> list[Source]:
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
        return _with_gpx(ledger, kind, [(path, layer) for path, layer in paths if path])
    there = [f"{kind}{ending}" for ending in ENDINGS if (ledger.folder / f"{kind}{ending}").exists()]
    if there:
        if len(there) > 1:
            ledger.warned(
                f"{kind}: several files",
                f"{there[0]} is read, {', '.join(there[1:])} not",
                "one of them is enough; name the right one in farm.toml, table files",
            )
        path = inside(ledger, there[0], there[0])
        return _with_gpx(ledger, kind, [(path, wanted[0] if wanted else None)] if path else [])
    if (ledger.folder / "farm.gpkg").exists():
        path = inside(ledger, "farm.gpkg", "farm.gpkg")
        if path is None or not is_as_named(ledger, path, "farm.gpkg"):
            return []
        named = _layer_names(ledger, path, "farm.gpkg")
        return [(path, layer) for layer in (wanted or [kind]) if layer in named]
    return []


def _with_gpx(ledger: Ledger, kind: str, sources: Sequence[Source]) -> list[Source]:
    """Return the sources with each GPX file as those of its layers that are of use and hold something."""
    spread: list[Source] = []
    for path, layer in sources:
        if path.suffix.lower() != ".gpx" or layer is not None:
            spread.append((path, layer))
            continue
        name = path.relative_to(ledger.folder).as_posix()
        if not is_as_named(ledger, path, name):
            continue
        wanted = _GPX_LAYERS.get(kind, _GPX_LINES)
        try:
            full = [(path, one) for one in wanted if len(pyogrio.read_dataframe(path, layer=one, max_features=1))]
        except BROKEN as error:
            _unreadable(ledger, path, name, error)
            continue
        if not full:
            _nothing(ledger, name, f"no {' or '.join(wanted)}")
        spread.extend(full)
    return spread


def _nothing(ledger: Ledger, name: str, found: str) -> None:
    ledger.problem("no features", name, found, "at least one feature", "check what was exported")


def _layer_names(ledger: Ledger, path: Path, name: str) -> list[str]:
    try:
        return [str(row[0]) for row in pyogrio.list_layers(path)]
    except BROKEN as error:
        _unreadable(ledger, path, name, error)
        return []


def _unreadable(ledger: Ledger, path: Path, name: str, error: Exception) -> None:
    said = str(error).replace(f"{ledger.folder}/", "").replace(f"{path.parent}/", "")
    if isinstance(error, CRSError | ProjError):
        ledger.problem(
            "the coordinate system of the file cannot be understood",
            name,
            said[:120],
            "a named coordinate system",
            "save it again from the program that made it, or copy an undamaged .prj file",
        )
        return
    ledger.problem(
        "the file cannot be read as a map layer",
        name,
        said[:120] or type(error).__name__,
        f"a file in one of the formats {listed(DRIVERS[:6])}",
        "save it again from the program that made it, as GeoJSON or GeoPackage",
    )


@contextmanager
def _opened(ledger: Ledger, path: Path, name: str, layer: str | None) -> Iterator[tuple[Path, str] | None]:
    """Give the file that can be opened for a named one (of a zip archive: its layer), and its name in words."""
    if path.stat().st_size > MOST_BYTES:
        ledger.problem(
            "the map layer is too large",
            name,
            f"{path.stat().st_size / 1e6:.0f} MB",
            f"at most {MOST_BYTES / 1e6:.0f} MB",
            "cut it to the farm and save it again",
        )
        yield None
    elif not is_as_named(ledger, path, name):
        yield None
    elif path.suffix.lower() in ARCHIVES:
        with unpacked(ledger, path, name, layer) as found:
            usable = found is not None and is_as_named(ledger, found[0], f"{name}, {found[1]}")
            yield (found[0], name) if found is not None and usable else None
    else:
        yield path, name


def read_vector(
    ledger: Ledger,
    path: Path,
    layer: str | None,
    kind: str,
    known: Sequence[str],
    needed: Sequence[str],
    columns: Mapping[str, Column],
    told: CRS | None = None,
) -> Layer | None:
    """Read one layer in the file's own CRS, or return None with problems.

    Parameters
    ----------
    layer : name inside a GeoPackage, KML or zip archive, or None
    kind : what the layer is for; used to choose among several layers
    known, needed : our columns
    columns : our name -> the file's column and its unit
    told : CRS that farm.toml tells for a file that names none, or None

    Notes
    -----
    Checked: what the file really is, size, layer, columns, CRS, empty geometry, NaN in coordinates, degrees
    that are none.
    """
    name = path.relative_to(ledger.folder).as_posix()
    ledger.hash_file(path)
    with _opened(ledger, path, name, layer) as opened:
        if opened is None:
            return None
        real = opened[0]
        if real.suffix.lower() == ".shp" and not _parts_complete(ledger, real, name):
            return None
        chosen = _choose_layer(ledger, real, name, None if path.suffix.lower() in ARCHIVES else layer, kind)
        if chosen is None:
            return None
        frame = _frame(ledger, real, name, chosen)
    if frame is None or not _some_features(ledger, frame, name):
        return None
    crs = system_of(ledger, frame.crs, told, path, name, kind)
    header = [str(column) for column in frame.columns if column != frame.geometry.name]
    shorten = _SHAPEFILE_NAME if real.suffix.lower() == ".shp" else None
    places = match_columns(ledger, name, header, known, needed, columns, shorten)
    if crs is None or places is None:
        return None
    features = _features(ledger, frame, name, header, places, columns)
    if features is None:
        return None
    read = Layer(name, crs, features)
    return read if coordinates_possible(ledger, read) else None


def _frame(ledger: Ledger, path: Path, name: str, layer: str) -> gpd.GeoDataFrame | None:
    """Return the layer as a table with shapes; text in other character sets is recoded with a note."""
    try:
        if path.suffix.lower() in (".geojson", ".json"):
            text = as_utf8(ledger, path, name)
            source = text if text is not None else path
            frame: gpd.GeoDataFrame = pyogrio.read_dataframe(source, layer=layer)
            return frame
        encoding = dbf_characters(ledger, path, name) if path.suffix.lower() == ".shp" else None
        frame = pyogrio.read_dataframe(path, layer=layer, encoding=encoding)
        return frame
    except BROKEN as error:
        _unreadable(ledger, path, name, error)
        return None


def _some_features(ledger: Ledger, frame: gpd.GeoDataFrame, name: str) -> bool:
    if not isinstance(frame, gpd.GeoDataFrame) or len(frame) == 0:
        _nothing(ledger, name, "an empty layer or a table without shapes")
        return False
    vertices = int(shapely.get_num_coordinates(np.asarray(frame.geometry.array)).sum())
    if vertices > MOST_VERTICES:
        ledger.problem(
            "too many vertices in the map layer",
            name,
            f"{vertices} vertices",
            f"at most {MOST_VERTICES}",
            "cut the layer to the farm, or simplify its outlines to a few centimetres",
        )
        return False
    return True


def _parts_complete(ledger: Ledger, path: Path, name: str) -> bool:
    """Check that a Shapefile has its table and index beside it."""
    there = {part.suffix.lower() for part in file_parts(path)}
    missing = [ending for ending in (".dbf", ".shx") if ending not in there]
    for ending in missing:
        ledger.problem(
            "a part of the Shapefile is missing",
            name,
            listed(there),
            f"the part {ending} beside the others",
            f"copy {path.stem if path.stem != 'layer' else 'its'}{ending} too, or save the layer as GeoPackage",
        )
    return not missing


def _choose_layer(ledger: Ledger, path: Path, name: str, layer: str | None, kind: str) -> str | None:
    there = _layer_names(ledger, path, name)
    if not there:
        if not any(one.where == name for one in ledger.problems):
            ledger.problem("no map layer in the file", name, "nothing", "one layer", "check what was exported")
        return None
    try:
        driver = pyogrio.read_info(path, layer=there[0])["driver"]
    except BROKEN as error:
        _unreadable(ledger, path, name, error)
        return None
    if driver not in DRIVERS:
        ledger.problem(
            "a format that is not read",
            name,
            str(driver),
            f"one of {listed(DRIVERS[:6])}",
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


def _features(
    ledger: Ledger,
    frame: gpd.GeoDataFrame,
    name: str,
    header: list[str],
    places: Mapping[str, int],
    columns: Mapping[str, Column],
) -> tuple[Feature, ...] | None:
    """Return the features; each place says the feature's number and name."""
    before = ledger.count()
    shapes = np.asarray(frame.geometry.array)
    high = int(shapely.has_z(shapes).sum())
    if high:
        ledger.warned(f"{name}: heights", f"left out of {high} features", "outlines and lines lie in the map")
    plain = shapely.force_2d(shapes)
    cells = {ours: frame[header[index]].tolist() for ours, index in places.items()}
    features = []
    for index, shape in enumerate(plain):
        values = in_our_units({ours: column[index] for ours, column in cells.items()}, columns)
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
        elif not np.isfinite(shapely.get_coordinates(shape)).all():
            ledger.problem(
                "a coordinate is not a number",
                where,
                "NaN or infinite",
                "finite coordinates",
                "draw the feature again",
            )
        else:
            features.append(Feature(Record(ledger, where, values), shape))
    return tuple(features) if ledger.count() == before else None
