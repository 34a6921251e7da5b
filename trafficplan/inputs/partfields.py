"""Fields of ISO 11783-10 task data: boundary with holes, guidance lines and tramlines, in degrees (WGS84)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element

import shapely
from pyproj import CRS
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.errors import InputError
from trafficplan.inputs.coordinates import Feature, Layer
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.recording import refused
from trafficplan.inputs.taskdata import Container, open_folder, open_zip, read_elements

MAIN = "TASKDATA.XML"

#: Codes of the public schema: polygon of a field's boundary; exterior and interior ring, tramline.
_BOUNDARY, _EXTERIOR, _INTERIOR, _TRAMLINE = "1", "1", "2", "3"


@dataclass(frozen=True)
class GuidanceLine:
    """One guidance line: its name, its points (longitude, latitude), and the width between lines [m] or None."""

    name: str
    line: LineString
    width_m: float | None


@dataclass(frozen=True)
class Partfield:
    """One field of task data: its number and name, boundary, guidance lines in their order, tramlines."""

    key: str
    name: str
    boundary: MultiPolygon
    guidance: tuple[GuidanceLine, ...]
    tramlines: tuple[LineString, ...]


def task_container(path: Path) -> Container | None:
    """Return the task data that a path stands for: its folder, its zip or its TASKDATA.XML; None for anything else."""
    if path.is_dir():
        return open_folder(path, path.name) if MAIN in {one.name.upper() for one in path.iterdir()} else None
    if path.name.upper() == MAIN:
        return open_folder(path.resolve().parent, path.resolve().parent.name)
    if path.suffix.lower() != ".zip":
        return None
    try:
        return open_zip(path, path.name)
    except InputError:
        return None  # a zip of something else: its own reader says what is wrong with it


def read_partfields(container: Container) -> tuple[Partfield, ...]:
    """Return the fields that task data holds, those in external files too.

    Raises
    ------
    InputError
        The task data cannot be read, or a point, ring or line of a field makes no sense.
    """
    elements, _ = read_elements(container)
    where = container.place("TASKDATA.XML")
    return tuple(_partfield(one, where) for one in elements if one.tag == "PFD")


def layer_of_partfields(ledger: Ledger, container: Container, name: str, column: str) -> Layer | None:
    """Return the fields of task data as a layer whose `column` holds their names, or None with a problem.

    Raises
    ------
    InputError
        As `read_partfields`.
    """
    found = read_partfields(container)
    bare = [one.key for one in found if one.boundary.is_empty]
    features = [
        Feature(Record(ledger, f"{name}, {one.key} ({one.name})", {column: one.name}), one.boundary)
        for one in found
        if not one.boundary.is_empty
    ]
    if not features:
        needed = "task data with a field (PFD) that has a boundary"
        ledger.problem("no boundary", name, f"{len(found)} fields without one", needed, "name another file")
        return None
    if bare:
        ledger.warned(f"{name}: fields without a boundary", f"{listed(bare)} left out", "nothing tells where they lie")
    return Layer(name, CRS.from_epsg(4326), tuple(features))


def task_fields(ledger: Ledger, name: str) -> Layer | None:
    """Return the fields of the task data that farm.toml names (folder, zip or TASKDATA.XML); None: it is none.

    Raises
    ------
    InputError
        As `read_partfields`.
    """
    parts = name.replace("\\", "/").split("/")
    if Path(name).is_absolute() or ".." in parts or not (ledger.folder / name).exists():
        return None
    container = task_container(ledger.folder / name)
    if container is None:
        return None
    main = container.path / container.files[MAIN] if not container.zipped else container.path
    if inside(ledger, main.relative_to(ledger.folder).as_posix(), "farm.toml, files, fields") is None:
        return None
    ledger.hash_file(main)
    return layer_of_partfields(ledger, container, name, "field")


def _partfield(field: Element, where: str) -> Partfield:
    key = field.get("A", "")
    place = f"{where}, {key}"
    shapes = [_polygon(one, place) for one in field.findall("PLN") if one.get("A") == _BOUNDARY]
    guidance = [
        GuidanceLine(pattern.get("B", "") or pattern.get("A", ""), line, _width(drawn))
        for pattern in field.findall("GGP/GPN")
        for drawn in pattern.findall("LSG")
        if (line := _line(drawn, place)) is not None
    ]
    tramlines = [_line(one, place) for one in field.findall("LSG") if one.get("A") == _TRAMLINE]
    return Partfield(
        key,
        field.get("C", "") or key,
        MultiPolygon([part for shape in shapes for part in shape.geoms]),
        tuple(guidance),
        tuple(one for one in tramlines if one is not None),
    )


def _polygon(polygon: Element, where: str) -> MultiPolygon:
    """Return a polygon; several exteriors in one are several parts (version 3), holes belong to the one around."""
    rings = [(one.get("A"), _points(one, where)) for one in polygon.findall("LSG")]
    shells = [Polygon(points) for kind, points in rings if kind == _EXTERIOR and len(points) >= 3]
    holes = [Polygon(points) for kind, points in rings if kind == _INTERIOR and len(points) >= 3]
    if not shells or not all(shell.is_valid for shell in shells):
        found = "no exterior ring" if not shells else "a ring that crosses itself"
        raise refused("a boundary that is none", where, found, "a ring of three points or more", "draw it again")
    whole = shapely.union_all(shells).difference(shapely.union_all(holes))
    return MultiPolygon([part for part in shapely.get_parts(whole) if isinstance(part, Polygon)])


def _line(line: Element, where: str) -> LineString | None:
    """Return a line; None for a single point (a pivot, or a line with a heading alone)."""
    points = _points(line, where)
    return LineString(points) if len(points) > 1 else None


def _points(line: Element, where: str) -> Sequence[tuple[float, float]]:
    """Return longitude and latitude of a line's points."""
    points = []
    for one in line.findall("PNT"):
        try:
            lat, lon = float(one.get("C", "")), float(one.get("D", ""))
        except ValueError:
            lat = lon = float("nan")
        if not (-90 <= lat <= 90 and -180 <= lon <= 180):
            found = f"C={one.get('C', '')[:20]!r}, D={one.get('D', '')[:20]!r}"
            raise refused("a point that is nowhere", where, found, "degrees in C (north) and D (east)", "export again")
        points.append((lon, lat))
    return points


def _width(line: Element) -> float | None:
    text = line.get("C", "")
    return float(text) / 1e3 if text.isdecimal() and int(text) > 0 else None
