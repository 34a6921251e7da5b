"""Spoiled map layers: geometry, coordinate systems, containers, files that are not what their name says, rasters."""

from __future__ import annotations

import io
import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from rasterio.transform import from_origin
from spoiled_farms import (
    CRS,
    EAST,
    NORTH,
    Spoiling,
    all_of,
    feature,
    layers,
    prop,
    rewrite,
    square,
    text,
    to_shapefile,
)

FIELDS = "fields.geojson"


def toml(more: str) -> Callable[[Path], None]:
    """Put lines into farm.toml before its tables of tracks."""
    return text("farm.toml", "\n[tracks", f"\n{more}\n[tracks")


def top(line: str) -> Callable[[Path], None]:
    """Put a line at the head of farm.toml."""
    return text("farm.toml", "season = 2026", f"season = 2026\n{line}")


def rings(*outlines: list[tuple[float, float]]) -> Callable[[Path], None]:
    """Give the only field other outlines, in metres from the farm's corner."""
    shape = shapely.MultiPolygon([shapely.Polygon([(EAST + x, NORTH + y) for x, y in one]) for one in outlines])
    return rewrite("fields", lambda frame: frame.assign(geometry=[shape]))


def raw(corners: list[list[float]], crs: str | None = None) -> Callable[[Path], None]:
    """Write the field with corners as they are, in degrees or in a named system."""

    def spoil(folder: Path) -> None:
        data = {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "properties": {"field": "Park"},
                    "geometry": {"type": "Polygon", "coordinates": [[*corners, corners[0]]]},
                }
            ],
        }
        if crs:
            data["crs"] = {"type": "name", "properties": {"name": crs}}
        (folder / FIELDS).write_text(json.dumps(data))

    return spoil


def moved(layer: str, crs: str, dx: float, dy: float) -> Callable[[Path], None]:
    """Write a layer in another system and shift it there, as a wrong zone or hemisphere would."""

    def spoil(folder: Path) -> None:
        frame = layers()[layer].to_crs(crs)
        (folder / f"{layer}.geojson").unlink()
        frame.set_geometry(frame.geometry.translate(dx, dy)).to_file(folder / f"{layer}.gpkg")

    return spoil


def degrees_called_metres(folder: Path) -> None:
    frame = layers()["fields"].to_crs("EPSG:4326").set_crs(CRS, allow_override=True)
    (folder / FIELDS).unlink()
    frame.to_file(folder / "fields.gpkg")


def x_and_y_changed(folder: Path) -> None:
    frame = layers()["fields"]
    turned = shapely.transform(frame.geometry.to_numpy(), lambda points: points[:, ::-1])
    (folder / FIELDS).unlink()
    frame.set_geometry(gpd.GeoSeries(turned, crs=CRS)).to_file(folder / "fields.gpkg")


def too_many_vertices(folder: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 2_000_100, endpoint=False)
    ring = shapely.Polygon(np.column_stack([EAST + 50 + 50 * np.cos(angle), NORTH + 50 + 50 * np.sin(angle)]))
    (folder / FIELDS).unlink()
    gpd.GeoDataFrame({"field": ["Park"]}, geometry=[ring], crs=CRS).to_file(
        folder / "fields.fgb", driver="FlatGeobuf", engine="pyogrio", SPATIAL_INDEX="NO"
    )


def instead(name: str, content: bytes) -> Callable[[Path], None]:
    """Put a file of another kind in the place of the boundaries."""

    def spoil(folder: Path) -> None:
        (folder / FIELDS).unlink()
        (folder / name).write_bytes(content)

    return spoil


def shapefile_without(ending: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        (folder / FIELDS).unlink()
        to_shapefile(layers()["fields"], folder / "fields.shp")
        (folder / f"fields{ending}").unlink()

    return spoil


def zipped(files: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Return a zip archive of files."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", method) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return target.getvalue()


def link_in_zip() -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        entry = zipfile.ZipInfo("fields.geojson")
        entry.external_attr = 0o120777 << 16
        archive.writestr(entry, "/etc/hostname")
    return target.getvalue()


def lying_zip() -> bytes:
    """Return an archive whose listing says that a file is shorter than it is."""
    whole = bytearray(zipped({"fields.geojson": b"{" + b" " * 50_000}))
    listing = whole.rindex(b"PK\x01\x02")
    struct.pack_into("<I", whole, listing + 24, 10)
    return bytes(whole)


def encrypted_zip() -> bytes:
    whole = bytearray(zipped({"fields.geojson": b"{}"}))
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        start = whole.rindex(mark)
        whole[start + place] |= 1
    return bytes(whole)


def raster(
    name: str, values: np.ndarray, *, crs: str | None = CRS, cell: float = 10.0, nodata: float | None = None
) -> Callable[[Path], None]:
    """Write a GeoTIFF whose upper left corner lies 20 m outside the farm's."""

    def spoil(folder: Path) -> None:
        bands = values if values.ndim == 3 else values[None]
        grid = from_origin(EAST - 20, NORTH + 120, cell, cell)
        with rasterio.open(
            folder / name, "w", driver="GTiff", height=bands.shape[1], width=bands.shape[2],
            count=bands.shape[0], dtype=bands.dtype, crs=crs, transform=grid, nodata=nodata,
        ) as target:  # fmt: skip
            target.write(bands)

    return spoil


def remove_soil(folder: Path) -> None:
    (folder / "soil.geojson").unlink()


def soil_raster(values: np.ndarray, table: str, **how: object) -> Callable[[Path], None]:
    return all_of(remove_soil, raster("soil.tif", values, **how), toml(table))


def textures(sand: np.ndarray, clay: np.ndarray, more: str = "") -> Callable[[Path], None]:
    table = f'[soil_raster]\nsand = "sand.tif"\nclay = "clay.tif"\n{more}'
    return all_of(
        remove_soil,
        lambda folder: (folder / "horizons.csv").unlink(),
        raster("sand.tif", sand),
        raster("clay.tif", clay),
        toml(table),
    )


def points(places: list[tuple[float, float]], units: list[str]) -> Callable[[Path], None]:
    """Write the soil as points, in metres from the farm's corner."""
    shapes = [shapely.Point(EAST + x, NORTH + y) for x, y in places]
    return rewrite("soil", lambda _: gpd.GeoDataFrame({"unit": units}, geometry=shapes, crs=CRS))


def broken_prj(folder: Path) -> None:
    """Cut the file that names the system, as an interrupted copy does."""
    (folder / FIELDS).unlink()
    to_shapefile(layers()["fields"], folder / "fields.shp")
    whole = (folder / "fields.prj").read_text()
    (folder / "fields.prj").write_text(whole[: len(whole) // 2])


def broken_stream() -> bytes:
    """Return an archive whose packed bytes are damaged in their middle."""
    whole = bytearray(zipped({"fields.geojson": json.dumps(list(range(4000))).encode()}))
    whole[200:260] = b"\xff" * 60
    return bytes(whole)


LOCAL = 'LOCAL_CS["yard grid",UNIT["metre",1],AXIS["East",EAST],AXIS["North",NORTH]]'
PNG = b"\x89PNG\r\n\x1a\n" + bytes(64)
VRT = b'<VRTDataset rasterXSize="1" rasterYSize="1"><VRTRasterBand/></VRTDataset>'
OGR_VRT = b'<?xml version="1.0"?><!-- soil --><OGRVRTDataSource><OGRVRTLayer name="fields"/></OGRVRTDataSource>'
ENTITIES = b'<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><kml>&b;</kml>'
OUTSIDE = b'<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/hostname">]><kml>&x;</kml>'
EMPTY_GPX = b'<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"></gpx>'
ONES = np.ones((14, 14), dtype=np.uint8)
HALF = np.full((14, 14), 40.0, dtype=np.float32)
CLASSES = '[soil_raster]\nclasses = { 1 = "A", 2 = "B" }\n'

# fmt: off
VECTORS: tuple[Spoiling, ...] = (
    # geometry
    Spoiling("empty polygon", feature(FIELDS, 0, lambda one: one["geometry"].update(coordinates=[])), "feature 1 (Park)", "without shape"),
    Spoiling("zero area", rings([(0, 0), (50, 0), (100, 0), (0, 0)]), "feature 1 (Park)", "without area", found="0.0 m2"),
    Spoiling("field of a few cm", rings([(0, 0), (0.1, 0), (0.1, 0.1), (0, 0.1)]), "feature 1 (Park)", "without area"),
    Spoiling("outline there and back", rings([(0, 0), (100, 0), (100, 50), (100, 0), (0, 0)]), "feature 1 (Park)", "without area"),
    Spoiling("point for polygon", rewrite("fields", lambda f: f.assign(geometry=f.geometry.centroid)), "feature 1 (Park)", "a point where a polygon"),
    Spoiling("antimeridian", raw([[179.99, 55.0], [-179.99, 55.0], [-179.99, 55.01], [179.99, 55.01]]), FIELDS, "180 degree meridian", mend="UTM"),
    Spoiling("on another continent", raw([[-100.0, 40.0], [-99.99, 40.0], [-99.99, 40.01]]), FIELDS, "outside the working"),
    Spoiling("wrong hemisphere", raw([[27.0, -55.0], [27.01, -55.0], [27.01, -55.01]]), FIELDS, "outside the working"),
    Spoiling("wrong hemisphere in metres", moved("fields", "EPSG:32635", 0, -10_000_000), "fields.gpkg", "outside its own", mend="hemisphere"),
    Spoiling("degrees called metres", degrees_called_metres, "fields.gpkg", "degrees in a coordinate system of metres", found="27"),
    Spoiling("northing before easting", x_and_y_changed, "fields.gpkg", "outside its own", mend="east before north"),
    Spoiling("latitude of 91 degrees", raw([[27.0, 91.0], [27.01, 91.0], [27.01, 91.01]]), FIELDS, "swapped"),
    Spoiling("too many vertices", too_many_vertices, "fields.fgb", "too many vertices", found="2000101"),
    Spoiling("not a number", raw([[27.0, 55.0], [float("nan"), 55.0], [27.01, 55.01]]), FIELDS, "not a number", found="NaN"),
    Spoiling("fields 300 km apart", rewrite("fields", lambda _: gpd.GeoDataFrame(
        {"field": ["Park", "Far"]}, geometry=[square(0, 0, 100, 100), square(0, 300_000, 100, 100)], crs=CRS)),
        FIELDS, "too far apart", found="300 km", problems=3),
    Spoiling("script as a name", feature(FIELDS, 0, prop("field", "<script>alert(1)</script>")), "feature 1", "no folder can have", problems=9),
    # coordinate systems
    Spoiling("no .prj", shapefile_without(".prj"), "fields.shp", "no coordinate system", mend="coordinate_systems"),
    Spoiling("told system unknown", toml('[coordinate_systems]\nfields = "EPSG:123456"\n'), "coordinate_systems, fields", "unknown coordinate system"),
    Spoiling("told for nothing known", toml('[coordinate_systems]\nfeilds = "EPSG:4326"\n'), "coordinate_systems, feilds", "unknown key", mend="fields"),
    Spoiling("told another system", toml('[coordinate_systems]\nfields = "EPSG:3346"\n'), FIELDS, "two coordinate systems", found="LKS94"),
    Spoiling("told a wrong system", all_of(shapefile_without(".prj"), toml('[coordinate_systems]\nfields = "EPSG:4326"\n')), "fields.shp", "no degrees"),
    # parts and layers
    Spoiling("no .dbf", shapefile_without(".dbf"), "fields.shp", "part of the Shapefile is missing", mend=".dbf"),
    Spoiling("no .shx", shapefile_without(".shx"), "fields.shp", "part of the Shapefile is missing", mend=".shx"),
    Spoiling("layer unknown", all_of(lambda f: (f / FIELDS).unlink(), lambda f: layers()["fields"].to_file(f / "map.gpkg", layer="Parcels"),
        toml('[files]\nfields = "map.gpkg"\n[layers]\nfields = "Parcel"\n')), "map.gpkg, layer Parcel", "no layer of this name", mend="Parcels"),
    Spoiling("several layers", all_of(lambda f: (f / FIELDS).unlink(), lambda f: [layers()["fields"].to_file(f / "map.gpkg", layer=one)
        for one in ("north", "south")] and None, toml('[files]\nfields = "map.gpkg"\n')), "map.gpkg", "several layers", found="north, south"),
    Spoiling("nothing in a GPX", instead("fields.gpx", EMPTY_GPX), "fields.gpx", "no features"),
    # files that are not what they are called
    Spoiling("picture named .shp", instead("fields.shp", PNG), "fields.shp", "not what its name says", found="PNG"),
    Spoiling("picture named .gpkg", instead("fields.gpkg", b"\xff\xd8\xff" + bytes(20)), "fields.gpkg", "not what its name says", found="JPEG"),
    Spoiling("empty file", instead("fields.geojson", b""), FIELDS, "not what its name says", found="an empty file"),
    Spoiling("zip named .geojson", instead(FIELDS, zipped({"a": b"b"})), FIELDS, "not what its name says", found="zip"),
    Spoiling("web page", instead(FIELDS, b"<!DOCTYPE html><html><body>Log in</body></html>"), FIELDS, "not what its name says", found="web page"),
    Spoiling("virtual vector named .kml", instead("fields.kml", OGR_VRT), "fields.kml", "not what its name says", found="points to other files"),
    Spoiling("virtual raster named .tif", lambda f: (f / "elevation.tif").write_bytes(VRT) and None, "elevation.tif", "not what its name says", found="virtual"),
    Spoiling("office file", instead("fields.kml", b"\xd0\xcf\x11\xe0" + bytes(20)), "fields.kml", "not what its name says", found="office"),
    Spoiling("folder named .csv", all_of(lambda f: (f / "weather.csv").unlink(), lambda f: (f / "weather.csv").mkdir()), "weather", "not a readable file"),
    Spoiling("folder named .shp", all_of(lambda f: (f / FIELDS).unlink(), lambda f: (f / "fields.shp").mkdir()), "fields.shp", "not a readable file"),
    Spoiling("format not read", all_of(lambda f: (f / "fields.dxf").write_bytes(b"0\nSECTION\n") and None, toml('[files]\nfields = "fields.dxf"\n')),
        "fields.dxf", "a format that is not read", mend="GeoPackage"),
    Spoiling("entities in KML", instead("fields.kml", ENTITIES), "fields.kml", "entities"),
    Spoiling("KML that loads a file", instead("fields.kml", OUTSIDE), "fields.kml", "entities"),
    Spoiling("half a GeoPackage", instead("fields.gpkg", b"SQLite format 3\x00" + bytes(200)), "fields.gpkg", "cannot be read"),
    Spoiling("half a FlatGeobuf", instead("fields.fgb", b"fgb\x03fgb\x00" + bytes(4)), "fields.fgb", "no map layer in the file"),
    # zip archives
    Spoiling("zip slip", instead("fields.zip", zipped({"../fields.geojson": b"{}"})), "fields.zip", "leads out", found="../fields.geojson"),
    Spoiling("zip with a root", instead("fields.zip", zipped({"/etc/fields.geojson": b"{}"})), "fields.zip", "leads out"),
    Spoiling("zip with a drive", instead("fields.zip", zipped({"C:\\fields.geojson": b"{}"})), "fields.zip", "leads out"),
    Spoiling("zip with a link", instead("fields.zip", link_in_zip()), "fields.zip", "leads out"),
    Spoiling("zip bomb", instead("fields.zip", zipped({"fields.geojson": bytes(20_000_000)})), "fields.zip", "too large unpacked", found="times"),
    Spoiling("zip of many files", instead("fields.zip", zipped({f"{i}.txt": b"" for i in range(2500)})), "fields.zip", "too large unpacked", found="2500 files"),
    Spoiling("zip that lies", instead("fields.zip", lying_zip()), "fields.zip", "cannot be read"),
    Spoiling("zip with a password", instead("fields.zip", encrypted_zip()), "fields.zip", "cannot be read", found="password"),
    Spoiling("half a zip", instead("fields.zip", zipped({"fields.geojson": b"{}"})[:40]), "fields.zip", "cannot be read"),
    Spoiling("zip without a layer", instead("fields.zip", zipped({"readme.txt": b"hello"})), "fields.zip", "no map layer in the zip", found="readme.txt"),
    Spoiling("zip of two layers", instead("fields.zip", zipped({"a.geojson": b"{}", "b.geojson": b"{}"})), "fields.zip", "several map layers", mend="table layers"),
    Spoiling("picture in a zip", instead("fields.zip", zipped({"a/fields.shp": PNG})), "fields.zip", "not what its name says", found="PNG"),
    Spoiling("zip in a zip", instead("fields.zip", zipped({"fields.zip": zipped({"a.geojson": b"{}"})})), "fields.zip", "no map layer in the zip"),
    Spoiling("zip damaged inside", instead("fields.zip", broken_stream()), "fields.zip", "cannot be read"),
    Spoiling("half a .prj", broken_prj, "fields.shp", "coordinate system of the file cannot be understood", mend=".prj"),
    # settings
    Spoiling("unit of a column", toml('[columns.fields]\ntillage_depth_m = { unit = "furlong" }\n'), "columns.fields, tillage_depth_m", "unknown unit", found="furlong"),
    Spoiling("unit of a word", toml('[columns.fields]\ncrop = { column = "crop", unit = "cm" }\n'), "columns.fields, crop", "unknown unit", mend="remove unit"),
    Spoiling("column as a list", toml('[columns.fields]\ncrop = ["crop"]\n'), "farm.toml, columns", "wrong kind"),
    Spoiling("character set", top('encoding = "latin-99"'), "farm.toml, encoding", "unknown character set"),
    Spoiling("silt of 20 um", top("silt_bound_um = 20"), "silt_bound_um", "unknown word", found="20"),
    Spoiling("weather without unit", text("weather.csv", "rain_mm", "precipitation"), "weather.csv", "without its unit", mend="columns.weather"),
    # soil polygons and points
    Spoiling("soils overlap", rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 80, 120), square(50, -10, 60, 120)])),
        "polygons 1 (A) and 2 (B)", "soil polygons overlap", found="0.20 ha"),
    Spoiling("two soils at a point", points([(20, 50), (20, 50)], ["A", "B"]), "feature 2 (B)", "two soils at one point", found="A and B"),
    Spoiling("soil points elsewhere", points([(20, 9000)], ["A"]), "soil.geojson", "entirely elsewhere"),
    Spoiling("soil point unknown", points([(20, 50), (80, 50)], ["A", "C"]), "horizons.csv", "without horizons", found="C (0.50 ha"),
    Spoiling("soil lines", rewrite("soil", lambda f: f.assign(geometry=f.geometry.boundary)), "soil.geojson", "a line where a polygon", problems=2),
    # rasters
    Spoiling("raster value unknown", soil_raster(ONES * 3, CLASSES), "soil.tif", "without a soil unit", found="3 on 1.00 ha"),
    Spoiling("raster without table", soil_raster(ONES, ""), "soil.tif", "without a soil unit", mend="soil_raster.classes"),
    Spoiling("raster of fractions", soil_raster(HALF + 0.5, CLASSES), "soil.tif", "holds fractions", found="40.5"),
    Spoiling("raster elsewhere", soil_raster(ONES, CLASSES, crs="EPSG:32634"), "soil.tif", "lies entirely elsewhere"),
    Spoiling("raster without CRS", soil_raster(ONES, CLASSES, crs=None), "soil.tif", "no coordinate system"),
    Spoiling("raster on a local grid", soil_raster(ONES, CLASSES, crs=LOCAL), "soil.tif", "without a place on the earth"),
    Spoiling("raster of flat cells", soil_raster(ONES, CLASSES, cell=1e-10), "soil.tif", "a raster that is turned"),
    Spoiling("picture of a map", soil_raster(np.stack([ONES] * 3), CLASSES), "soil.tif", "several bands", found="3 bands"),
    Spoiling("raster all empty", soil_raster(ONES * 0, CLASSES, nodata=0), "soil map", "empty around the fields"),
    Spoiling("raster too fine", soil_raster(np.ones((2600, 2600), dtype=np.uint8), CLASSES, cell=0.05), "soil.tif", "too fine", found="million"),
    Spoiling("raster of noise", soil_raster((np.indices((420, 420)).sum(axis=0) % 2 + 1).astype(np.uint8), CLASSES, cell=0.5), "soil.tif", "too many polygons"),
    Spoiling("sand in g/kg", textures(HALF * 10, HALF / 2), "sand.tif", "no percent", mend='unit = "g/kg"'),
    Spoiling("sand as fraction", textures(HALF / 100, HALF / 2), "sand.tif", "no percent", mend='unit = "fraction"'),
    Spoiling("sand of -9999", textures(HALF * 0 - 9999, HALF / 2), "sand.tif", "no percent", mend="no-data"),
    Spoiling("sand and clay too much", textures(HALF * 2, HALF), "sand.tif", "more than the whole", found="120"),
    Spoiling("sand alone", all_of(remove_soil, raster("sand.tif", HALF), toml('[soil_raster]\nsand = "sand.tif"\n')), "soil_raster, clay", "missing"),
    Spoiling("clay outside the folder", all_of(remove_soil, raster("sand.tif", HALF), toml('[soil_raster]\nsand = "sand.tif"\nclay = "../clay.tif"\n')), "soil_raster, clay", "outside the farm"),
    Spoiling("heights of no field", raster("elevation.tif", HALF * -100), "elevation.tif", "heights that no field", found="-4000"),
    Spoiling("heights elsewhere", raster("elevation.tif", HALF, crs="EPSG:32634"), "elevation.tif", "entirely elsewhere"),
    # mixed soil units
    Spoiling("share over 100", all_of(lambda f: (f / "components.csv").write_text("unit,component,share_pct\nA,1,60\nA,2,60\nB,3,100\n") and None,
        text("horizons.csv", "unit,", "component,")), "components.csv, unit A", "more than the whole", found="120 %", problems=2),
    Spoiling("soil twice in a unit", all_of(lambda f: (f / "components.csv").write_text("unit,component,share_pct\nA,1,40\nA,1,60\n") and None,
        text("horizons.csv", "unit,", "component,")), "row 3, column component", "comes twice", problems=2),
)
# fmt: on
