"""Boundary and soil map of any vector file, brought into the columns of the farm folder."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pyogrio
import shapely
from pyogrio.errors import CRSError, DataLayerError, DataSourceError
from pyproj import CRS
from shapely import MultiPolygon, Polygon, STRtree

from trafficplan.errors import InputError
from trafficplan.farm.field import Field
from trafficplan.inputs.access import at_fields
from trafficplan.inputs.archive import ARCHIVES, unpacked
from trafficplan.inputs.coordinates import Feature, Layer, lonlat_bounds, project, working_crs
from trafficplan.inputs.fields import Boundaries, area_of, polygons_only
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.partfields import layer_of_partfields, task_container
from trafficplan.inputs.record import Record
from trafficplan.inputs.taskdata import Container
from trafficplan.inputs.vector import read_vector
from trafficplan.soil.texture import TEXTURES

Area = Polygon | MultiPolygon

#: Columns that usually name a field, the likeliest first; ours.
FIELD_COLUMNS = (
    "field", "field_name", "fieldname", "field_id", "name", "parcel", "parcel_name", "parcel_id", "block",
    "plot", "label", "title", "id",
)  # fmt: skip
#: Columns that usually hold the key of a soil unit, and those that usually hold a texture class; ours.
UNIT_COLUMNS = (
    "unit", "soil_unit", "soilunit", "soil", "musym", "muname", "mukey", "soil_type", "soiltype", "soil_name",
    "symbol", "series", "class", "code", "name", "label", "id",
)  # fmt: skip
TEXTURE_COLUMNS = ("texture", "texture_class", "soil_texture", "texcl", "texclass", "usda", "textural_class")

#: Share of the smaller field up to which two outlines that lap over each other are set apart; ours.
NARROW_SHARE = 0.1

#: Letters for the twelve texture classes (USDA, Soil Survey Manual; from memory).
TEXTURE_LETTERS = dict(
    zip(("s", "ls", "sl", "l", "sil", "si", "scl", "cl", "sicl", "sc", "sic", "c"), TEXTURES, strict=True)
)
#: What horizons.csv may take over from the soil file, where its columns have our names.
PROPERTIES = (
    "sand_pct",
    "silt_pct",
    "clay_pct",
    "organic_pct",
    "density_g_cm3",
    "stones_pct",
    "strength_kpa",
)


@dataclass(frozen=True)
class SoilPart:
    """One polygon of the soil map to be written: unit, texture ("" unknown), further properties, shape."""

    unit: str
    texture: str
    properties: tuple[tuple[str, float], ...]
    shape: Area


def _no_map_of_outlines(ledger: Ledger, path: Path, kind: str) -> bool:
    """Check that a file is not a table or a raster: a farm may have those as soil, but not as a starter."""
    ending = path.suffix.lower()
    if ending not in (".csv", ".tsv", ".txt", ".tif", ".tiff"):
        return True
    raster = ending.startswith(".tif")
    thing = "a raster" if raster else "a table"
    mend = f"export the {kind} as polygons (GeoJSON or GeoPackage)"
    if kind == "soil":
        words = "the table soil_raster of farm.toml" if raster else "lon, lat and the soil of each place"
        mend = f"leave --soil out; then put it into the new folder as soil{'.tif' if raster else '.csv'} ({words}) and remove soil.geojson"
    ledger.problem(
        f"{thing} where a map of polygons belongs", path.name, f"{thing} ({ending})", "a file of polygons", mend
    )
    return False


def read_any(path: Path, kind: str, system: CRS | None = None) -> tuple[Ledger, Layer, list[str]]:
    """Return any vector file with all its columns under their own names; fields of task data too.

    `system` is the coordinate system of a file that names none.

    Raises
    ------
    InputError
        The file is not there, or cannot be read as a map layer.
    """
    ledger = Ledger(path.resolve().parent)
    container = task_container(path) if kind == "fields" else None
    if container is not None:
        return ledger, _of_task_data(ledger, container, path), ["name"]
    if not path.is_file():
        found = "a folder" if path.is_dir() else "no such file"
        ledger.problem("file not found", path.name, found, "a file with polygons", "check the path")
        raise InputError(ledger.problems)
    if not _no_map_of_outlines(ledger, path, kind):
        raise InputError(ledger.problems)
    header, own = _header(ledger, path.resolve(), kind)
    read = (
        None
        if ledger.problems
        else read_vector(ledger, path.resolve(), None, kind, header, (), {}, None if own else system)
    )
    if read is None:
        raise InputError(ledger.problems)
    return ledger, read, header


def _of_task_data(ledger: Ledger, container: Container, path: Path) -> Layer:
    """Return the fields of ISO 11783-10 task data as a layer with the column `name`."""
    layer = layer_of_partfields(ledger, container, path.name, "name")
    if layer is None:
        raise InputError(ledger.problems)
    return layer


def _header(ledger: Ledger, path: Path, kind: str) -> tuple[list[str], bool]:
    """Return the names of a layer's columns, none where the file cannot be read, and whether it names its system."""
    with _unzipped(ledger, path) as file:
        if file is None:
            return [], False
        try:
            layers = [str(row[0]) for row in pyogrio.list_layers(file)]
            layer = kind if kind in layers else layers[0]
            info = pyogrio.read_info(file, layer=layer)
            return [str(name) for name in info["fields"]], info["crs"] is not None
        except (DataSourceError, DataLayerError, CRSError, IndexError):
            return [], False


@contextmanager
def _unzipped(ledger: Ledger, path: Path) -> Iterator[Path | None]:
    if path.suffix.lower() not in ARCHIVES:
        yield path
        return
    with unpacked(ledger, path, path.name, None) as found:
        yield found[0] if found is not None else None


def read_boundary(path: Path, system: CRS | None = None) -> tuple[Boundaries, Ledger]:
    """Return the fields of any vector file of polygons, in the local UTM zone, under names of their own.

    Raises
    ------
    InputError
        The file cannot be read, or holds no polygon.
    """
    ledger, read, header = read_any(path, "fields", system)
    crs = working_crs(read)
    polygons = _polygons(ledger, project(read, crs))
    column = _best_column(header, FIELD_COLUMNS, [one.record for one in polygons])
    ledger.assumed(
        f"{path.name}: names of the fields",
        f"column {column}" if column else "numbered",
        "the likeliest column" if column else "no column looks like a name; rename them in fields.geojson",
        "names of the columns",
    )
    lower = {name.lower(): name for name in header}
    fields: dict[str, Field] = {}
    for number, feature in enumerate(polygons, start=1):
        told = feature.record.text(column) if column else ""
        key = _free_name(ledger, told, f"Field {number}", fields)
        polygon = area_of(ledger, feature, f"field {key}")
        if polygon is not None:
            fields[key] = _with_properties(feature.record, lower, key, polygon)
    if ledger.problems:
        raise InputError(ledger.problems)
    return Boundaries(crs, _apart(ledger, fields), lonlat_bounds(read)), ledger


def _apart(ledger: Ledger, fields: Mapping[str, Field]) -> dict[str, Field]:
    """Return the fields with narrow overlaps cut from the later one; wide ones stay, and are refused afterwards."""
    apart: dict[str, Field] = {}
    tree = STRtree([one.polygon for one in fields.values()])
    keys = list(fields)
    for number, (key, field) in enumerate(fields.items()):
        polygon = field.polygon
        for other in sorted(int(one) for one in tree.query(polygon, predicate="intersects") if one < number):
            earlier = apart[keys[other]].polygon
            area = polygon.intersection(earlier).area
            if not 1.0 < area <= NARROW_SHARE * min(polygon.area, earlier.area):
                continue
            polygon = shapely.normalize(polygons_only(polygon.difference(earlier)))
            why = f"it lay on field {keys[other]} too; look at the boundary between them"
            ledger.repaired(f"field {key}: outline", f"-{area:.0f} m2", why)
        apart[key] = replace(field, polygon=polygon)
    return apart


def _with_properties(record: Record, lower: Mapping[str, str], key: str, polygon: Area) -> Field:
    """Return a field with what columns of our names say of it (`lower`: name in small letters -> column)."""

    def number(name: str, high: float) -> float | None:
        column = lower.get(name) or lower.get(name[:10])  # a Shapefile keeps 10 characters of a name
        return record.number(column, 0, high, "m") if column else None

    crop = record.text(lower["crop"]) if "crop" in lower else ""
    tilled = number("tillage_depth_m", 1.2)
    return Field(
        key,
        polygon,
        crop,
        float("nan") if tilled is None else tilled,
        number("headland_width_m", 200),
        (),
        (),
    )


def _polygons(ledger: Ledger, layer: Layer) -> list[Feature]:
    """Return the polygons; lines and points beside them are left out with a warning."""
    polygons = [one for one in layer.features if one.shape.geom_type in ("Polygon", "MultiPolygon")]
    if not polygons:
        return list(layer.features)
    left = len(layer.features) - len(polygons)
    if left:
        ledger.warned(
            f"{layer.name}: points and lines",
            f"{left} left out",
            "a boundary is a polygon; gateways and lines belong in access.geojson",
        )
    return polygons


def _best_column(header: Sequence[str], likely: Sequence[str], records: Sequence[Record]) -> str:
    """Return the likeliest column that is there and holds values, or ""."""
    lower = {name.lower(): name for name in reversed(header)}
    for name in likely:
        if name in lower and any(record.has(lower[name]) for record in records):
            return lower[name]
    return ""


def _free_name(ledger: Ledger, told: str, otherwise: str, taken: Mapping[str, object]) -> str:
    """Return a name that a folder can have and that is not taken yet."""
    clean = re.sub(r'[/\\:*?"<>|]|[^\S ]', "-", told).strip(" .")[:70]
    clean = "".join(sign for sign in clean if sign.isprintable()) or otherwise
    name, number = clean, 1
    while name.lower() in {one.lower() for one in taken}:
        number += 1
        name = f"{clean} {number}"
    if told and name != told:
        ledger.repaired(f"name {told}", name, "each name once, and without signs that no folder can have")
    return name


def read_soil(
    path: Path, boundaries: Boundaries, texture: str, system: CRS | None = None
) -> tuple[list[SoilPart], Ledger]:
    """Return the polygons of any soil map with unit and texture; unknown textures become `texture`.

    Raises
    ------
    InputError
        The file cannot be read, holds no polygon or lies elsewhere.
    """
    ledger, read, header = read_any(path, "soil", system)
    moved = at_fields(ledger, read, boundaries)
    if moved is None:
        raise InputError(ledger.problems)
    polygons = _polygons(ledger, moved)
    records = [one.record for one in polygons]
    texture_column = _best_column(header, TEXTURE_COLUMNS, records)
    unit_column = _best_column(header, UNIT_COLUMNS, records) or texture_column
    ledger.assumed(
        f"{path.name}: columns",
        f"unit = {unit_column or 'none, numbered'}, texture = {texture_column or 'none'}",
        "the likeliest columns",
        "names of the columns",
    )
    parts: list[SoilPart] = []
    units: dict[str, SoilPart] = {}
    for number, feature in enumerate(polygons, start=1):
        key = (feature.record.text(unit_column) if unit_column else "") or f"soil {number}"
        shape = area_of(ledger, feature, f"soil polygon {number} ({key})")
        if shape is not None:
            parts.append(_soil_part(ledger, feature.record, key, texture_column, shape, units))
    if ledger.problems:
        raise InputError(ledger.problems)
    return _with_texture(ledger, parts, texture), ledger


def _soil_part(
    ledger: Ledger, record: Record, key: str, texture_column: str, shape: Area, units: dict[str, SoilPart]
) -> SoilPart:
    """Return one polygon; a unit that comes with two different soils becomes two units (`units` grows)."""
    told = record.text(texture_column) if texture_column else ""
    values = [(name, _number(record, name)) for name in PROPERTIES]
    properties = tuple((name, value) for name, value in values if value is not None)
    texture = texture_of(told) or texture_of(key)
    if not texture and (texture := texture_within(key)):
        ledger.assumed(f"soil unit {key}: texture", texture, "its name says so", "name of the unit")
    made = SoilPart(key, texture, properties, shape)
    number, unit = 1, key
    while unit in units and units[unit].texture + str(units[unit].properties) != made.texture + str(properties):
        number += 1
        unit = f"{key} {number}"
    if unit != key and unit not in units:
        ledger.warned(f"soil unit {key}", f"also {unit}", "the same unit came with another texture or other properties")
    units.setdefault(unit, made)
    return SoilPart(unit, made.texture, properties, shape)


def _number(record: Record, name: str) -> float | None:
    """Return a property of the polygon; what is no number in any range is told by the check afterwards."""
    return record.number(name, 0, 1e6, "") if record.has(name) else None


def texture_of(text: str) -> str:
    """Return the USDA class that a text names, by its words or its letters; "" when it names none.

    Examples
    --------
    >>> texture_of("Silty-Clay_Loam"), texture_of("SIL"), texture_of("terrace")
    ('silty clay loam', 'silt loam', '')
    """
    words = re.sub(r"[\W_]+", " ", text).strip().lower()
    return words if words in TEXTURES else TEXTURE_LETTERS.get(words, "")


def texture_within(name: str) -> str:
    """Return the USDA class whose words stand in the name of a soil before its first comma, or "".

    Examples
    --------
    >>> texture_within("Rush silty clay loam, 2 to 6 percent slopes"), texture_within("Clayton")
    ('silty clay loam', '')
    """
    words = re.sub(r"[\W_]+", " ", name.partition(",")[0]).strip().lower()
    found = [one for one in TEXTURES if re.search(rf"\b{one}\b", words)]
    return max(found, key=len, default="")


def _with_texture(ledger: Ledger, parts: Sequence[SoilPart], texture: str) -> list[SoilPart]:
    """Return the parts, none without a texture; those that had none are told loudly."""

    def known(part: SoilPart) -> bool:
        names = {name for name, _ in part.properties}
        return bool(part.texture) or {"sand_pct", "clay_pct"} <= names

    unknown = sorted({part.unit for part in parts if not known(part)})
    if unknown:
        tell_texture(ledger, f"soil units {listed(unknown)}", texture)
    return [part if known(part) else SoilPart(part.unit, texture, part.properties, part.shape) for part in parts]


def tell_texture(ledger: Ledger, what: str, texture: str) -> None:
    """Note loudly that a texture is only assumed."""
    ledger.warned(
        f"{what}: TEXTURE NOT KNOWN",
        texture,
        "assumed; the strength of the soil hangs on it: write the right one into horizons.csv, or give --texture",
    )


def one_soil(boundaries: Boundaries, texture: str) -> tuple[list[SoilPart], Ledger]:
    """Return a soil map of one polygon around all fields, for farms without a soil map."""
    ledger = Ledger(Path("."))
    around = shapely.union_all([field.polygon for field in boundaries.fields.values()]).convex_hull.buffer(20.0)
    ledger.warned("soil map", "one unit, ground", "no soil map was given: --soil FILE, or draw soil.geojson")
    tell_texture(ledger, "soil unit ground", texture)
    return [SoilPart("ground", texture, (), around)], ledger


def to_lonlat(shape: Area, crs: CRS) -> Area:
    """Return a shape in WGS 84, longitude first."""
    record = Record(Ledger(Path(".")), "", {})
    turned = project(Layer("", crs, (Feature(record, shape),)), CRS.from_epsg(4326))
    moved = turned.features[0].shape
    assert isinstance(moved, Polygon | MultiPolygon)
    return moved
