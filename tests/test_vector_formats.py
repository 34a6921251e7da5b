"""Each map format, written by another library and read back, gives the same farm; what is repaired is told."""

import io
import json
import shutil
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from spoiled_farms import (
    CRS,
    EAST,
    NORTH,
    layers,
    remove,
    rewrite,
    to_shapefile,
    write,
    write_good,
)
from spoiled_vectors import toml

from trafficplan.chain import Plan
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.overview import understood
from trafficplan.names import Note
from trafficplan.work.season import run_map

#: Formats that keep the working CRS, so that every coordinate comes back as it was; KML and GPX keep degrees.
EXACT = ("gpkg", "farm.gpkg", "shp", "zip", "fgb", "geojson in metres")
DEGREES = ("kml", "kmz", "geojson")

NAMES = ("fields", "soil", "access", "tramlines")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


def parts(frame: gpd.GeoDataFrame, name: str) -> dict[str, gpd.GeoDataFrame]:
    """Split a layer by kind of shape, as a Shapefile needs it."""
    kinds = frame.geometry.geom_type
    return {name if len(set(kinds)) == 1 else f"{name}_{kind}": part for kind, part in frame.groupby(kinds)}


def zip_of(files: list[Path]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for one in files:
            archive.write(one, f"some folder/{one.name}")
    return target.getvalue()


def as_format(folder: Path, form: str) -> None:
    """Replace the farm's GeoJSON layers by another format (all four where the format can hold them)."""
    named = []
    for name in NAMES:
        (folder / f"{name}.geojson").unlink()
        frame = layers()[name]
        if form == "gpkg":
            frame.to_file(folder / f"{name}.gpkg", driver="GPKG")
        elif form == "farm.gpkg":
            frame.to_file(folder / "farm.gpkg", layer=name, driver="GPKG")
        elif form == "geojson":
            frame.to_crs("EPSG:4326").to_file(folder / f"{name}.geojson", driver="GeoJSON", COORDINATE_PRECISION=12)
        elif form == "geojson in metres":
            frame.to_file(folder / f"{name}.geojson", driver="GeoJSON", COORDINATE_PRECISION=6)
        elif form == "fgb":
            options = {"SPATIAL_INDEX": "NO"}  # keeps the order of the features
            frame.to_file(folder / f"{name}.fgb", driver="FlatGeobuf", **options)
        elif form in ("kml", "kmz"):
            frame.to_crs("EPSG:4326").to_file(folder / f"{name}.kml", driver="KML", layer=name)
            if form == "kmz":
                with zipfile.ZipFile(folder / f"{name}.kmz", "w", zipfile.ZIP_DEFLATED) as archive:
                    archive.write(folder / f"{name}.kml", "doc.kml")
                    archive.writestr("files/icon.png", b"a picture")
                (folder / f"{name}.kml").unlink()
        else:
            for title, part in parts(frame, name).items():
                to_shapefile(part, folder / f"{title}.shp")
                if form == "zip":
                    files = sorted(folder.glob(f"{title}.*"))
                    (folder / f"{title}.zip").write_bytes(zip_of(files))
                    for one in files:
                        one.unlink()
                named.append(f"{title}.{form}")
    if named:
        access = [one for one in named if one.startswith("access")]
        toml(f"[files]\naccess = {json.dumps(access)}\n")(folder)


def ground(farm: Farm) -> np.ndarray:
    """Return every shape of the farm's ground in one array."""
    shapes = [field.polygon for field in farm.fields.values()] + [one.polygon for one in farm.soil_map]
    shapes += [line for field in farm.fields.values() for line in field.tramlines]
    shapes += [track.line for track in farm.tracks] + [
        place.shape for place in sorted(farm.places, key=lambda p: p.key)
    ]
    gates = [shapely.Point(gate.x, gate.y) for field in farm.fields.values() for gate in field.gateways]
    return np.array(shapes + gates, dtype=object)


def plain(farm: Farm) -> dict[str, object]:
    """Return what was understood without file names and hashes, coordinates to the square metre."""
    told = understood(farm)
    for key in ("files", "notes", "soil_map"):
        told.pop(key)
    return told


@pytest.fixture(scope="module")
def in_metres(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    folder = write_good(tmp_path_factory.mktemp("metres") / "farm")
    as_format(folder, "geojson in metres")
    return read_farm(folder)


@pytest.mark.parametrize("form", EXACT + DEGREES)
def test_every_format_gives_the_same_farm(in_metres: Farm, folder: Path, form: str) -> None:
    as_format(folder, form)
    farm = read_farm(folder)
    assert plain(farm) == plain(in_metres)
    # 1 mm; degrees with 9 or more decimals are finer than 0.2 mm, KML of this writer has 15 digits
    assert shapely.get_num_coordinates(ground(farm)).tolist() == shapely.get_num_coordinates(ground(in_metres)).tolist()
    assert shapely.hausdorff_distance(ground(farm), ground(in_metres)).max() < 1e-3
    assert not [one for one in farm.notes if one.kind == "repaired" and "outline" in one.what]


def zones(folder: Path, out: Path) -> bytes:
    """Return zones.csv of a farm, computed on coarse cells."""
    out.mkdir()
    run_map(read_farm(folder), ["Park"], ["base", "lighter"], Plan(cell=1.0, depths_m=(0.2, 0.5)), out, workers=1)
    return (out / "zones.csv").read_bytes()


@pytest.mark.parametrize("form", ["farm.gpkg", "shp", "fgb", "zip"])
def test_the_format_does_not_change_a_byte_of_the_result(tmp_path: Path, form: str) -> None:
    results = []
    for number, one in enumerate(("gpkg", form)):
        folder = write_good(tmp_path / str(number) / "farm")
        as_format(folder, one)
        results.append(zones(folder, tmp_path / f"out {number}"))
    assert results[0] == results[1]
    assert results[0].count(b"\n") > 10


GPX = """<?xml version="1.0"?>
<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{}</gpx>"""


def gpx_point(kind: str, x: float, y: float, more: str = "") -> str:
    point = gpd.GeoSeries([shapely.Point(x, y)], crs=CRS).to_crs("EPSG:4326").iloc[0]
    return f'<{kind} lat="{point.y:.10f}" lon="{point.x:.10f}"><ele>7</ele>{more}</{kind}>'


def test_gpx_gives_tramlines_and_gateways(in_metres: Farm, folder: Path) -> None:
    (folder / "tramlines.geojson").unlink()
    (folder / "access.geojson").unlink()
    lines = []
    for x, kind in ((20, "trk"), (50, "trk"), (80, "rte")):
        ends = "".join(gpx_point("trkpt" if kind == "trk" else "rtept", EAST + x, NORTH + y) for y in (-10, 110))
        lines.append(f"<trk><name>t</name><trkseg>{ends}</trkseg></trk>" if kind == "trk" else f"<rte>{ends}</rte>")
    rte_first = sorted(lines)  # the format wants routes before tracks
    (folder / "tramlines.gpx").write_text(GPX.format("".join(rte_first)))
    gate = gpx_point("wpt", EAST + 50, NORTH, "<name>South gate</name><type>gateway</type>")
    (folder / "access.gpx").write_text(GPX.format(gate))
    toml('[columns.access]\nkind = "type"\n')(folder)
    farm = read_farm(folder)
    assert sorted(round(line.length, 3) for line in farm.fields["Park"].tramlines) == [100.0] * 3
    assert sorted(round(line.coords[0][0] - EAST, 3) for line in farm.fields["Park"].tramlines) == [
        20,
        50,
        80,
    ]
    (gate_read,) = farm.fields["Park"].gateways
    assert (gate_read.key, gate_read.x, gate_read.y) == (
        "South gate",
        pytest.approx(EAST + 50),
        pytest.approx(NORTH),
    )


# coordinate systems


def test_shapefile_without_prj_is_read_in_the_system_of_farm_toml(in_metres: Farm, folder: Path) -> None:
    (folder / "fields.geojson").unlink()
    to_shapefile(layers()["fields"].to_crs("EPSG:3346"), folder / "fields.shp")
    (folder / "fields.prj").unlink()
    toml('[coordinate_systems]\nfields = "EPSG:3346"\n')(folder)
    farm = read_farm(folder)
    found = farm.fields["Park"].polygon
    assert found.symmetric_difference(in_metres.fields["Park"].polygon).area < 0.01
    assert notes(farm, "assumed", "fields.shp: coordinate system")[0].value == "LKS94 / Lithuania TM"


# Systems whose definition puts north before east (3346, 2180, 31468), in feet (2264 elsewhere), in degrees (4258, 4937 of 3 axes)
@pytest.mark.parametrize("code", ["EPSG:3346", "EPSG:4258", "EPSG:3035", "EPSG:3857", "EPSG:25835", "EPSG:2180"])
@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb"])
def test_axis_order_of_the_system_does_not_matter(in_metres: Farm, folder: Path, code: str, ending: str) -> None:
    (folder / "fields.geojson").unlink()
    frame = layers()["fields"].to_crs(code)
    if ending == "shp":
        to_shapefile(frame, folder / "fields.shp")
    else:
        frame.to_file(folder / f"fields.{ending}")
    again = shapely.normalize(read_farm(folder).fields["Park"].polygon)
    expected = shapely.normalize(in_metres.fields["Park"].polygon)
    assert again.symmetric_difference(expected).area < 0.2  # 1 mm along 400 m of outline, and a shift of the datum
    assert again.hausdorff_distance(expected) < 2e-3


def test_geojson_with_the_long_name_of_its_system_is_longitude_first(in_metres: Farm, folder: Path) -> None:
    data = json.loads((folder / "fields.geojson").read_text())
    data["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::4326"}}
    write("fields.geojson", json.dumps(data))(folder)
    found = read_farm(folder).fields["Park"].polygon
    assert found.symmetric_difference(in_metres.fields["Park"].polygon).area < 0.1


# shapes


def test_heights_are_left_out_with_a_notice(in_metres: Farm, folder: Path) -> None:
    (folder / "fields.geojson").unlink()
    frame = layers()["fields"]
    frame.set_geometry(shapely.force_3d(frame.geometry, 112.5)).to_file(folder / "fields.gpkg")
    farm = read_farm(folder)
    assert not farm.fields["Park"].polygon.has_z
    assert shapely.equals_exact(farm.fields["Park"].polygon, in_metres.fields["Park"].polygon, 1e-6)
    (note,) = notes(farm, "warned", "fields.gpkg: heights")
    assert note.value == "left out of 1 features"


def test_a_field_of_two_parts_is_one_field(folder: Path) -> None:
    two = shapely.MultiPolygon([shapely.box(EAST, NORTH, EAST + 40, NORTH + 100),
                                shapely.box(EAST + 60, NORTH, EAST + 100, NORTH + 100)])  # fmt: skip
    rewrite("fields", lambda frame: frame.assign(geometry=[two]))(folder)
    rewrite("tramlines", lambda frame: frame.iloc[[0, 2]])(folder)  # the middle one runs between the parts
    park = read_farm(folder).fields["Park"].polygon
    assert park.geom_type == "MultiPolygon" and park.area == pytest.approx(8000, abs=0.1)  # 2 x 40 m x 100 m


def test_what_is_repaired_is_told_in_square_metres(folder: Path) -> None:
    # a spike of 10 m x 0 m and a bow tie at one corner: the square keeps 10,000 m2 less the folded corner
    ring = [(0, 0), (100, 0), (100, 100), (0, 100), (0, 0), (0, -10), (0, 0)]
    shape = shapely.Polygon([(EAST + x, NORTH + y) for x, y in ring])
    rewrite("fields", lambda frame: frame.assign(geometry=[shape]))(folder)
    farm = read_farm(folder)
    assert farm.fields["Park"].polygon.area == pytest.approx(10_000, abs=0.1)
    (note,) = notes(farm, "repaired", "field Park: outline")
    assert note.value in ("+0 m2", "-0 m2") and "not valid" in note.why


# files


def test_two_files_for_one_layer_are_told(folder: Path) -> None:
    layers()["fields"].to_file(folder / "fields.gpkg")
    (note,) = notes(read_farm(folder), "warned", "fields: several files")
    assert note.value == "fields.geojson is read, fields.gpkg not"


def test_a_zip_leaves_nothing_behind(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    as_format(folder, "zip")
    before = sorted(path.name for path in folder.rglob("*"))
    farm = read_farm(folder)
    assert "fields.zip" in farm.inputs
    assert sorted(path.name for path in folder.rglob("*")) == before and not list(scratch.iterdir())


def test_reading_a_copy_gives_the_same_hashes(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path / "copy")
    assert read_farm(folder).inputs == read_farm(tmp_path / "copy").inputs
    remove("weather.csv")(folder)
    assert "weather.csv" not in read_farm(folder).inputs
