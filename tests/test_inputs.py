"""Reading a good farm folder: SI values, formats, repairs, notes."""

import datetime as dt
import json
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from spoiled_farms import (
    CRS,
    EAST,
    FARM,
    NORTH,
    OPERATIONS,
    OPS,
    OUT,
    feature,
    layers,
    prop,
    remove,
    rewrite,
    second_field,
    square,
    text,
    to_shapefile,
    write,
    write_good,
)

from trafficplan.errors import InputError
from trafficplan.farm.defaults import DEFAULTS
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.overview import understood
from trafficplan.names import Note


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    return read_farm(write_good(tmp_path_factory.mktemp("good") / "farm"))


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


# values; expected ones are conversions by hand of what spoiled_farms.py writes


def test_field_soils_and_gateway_of_the_good_farm(farm: Farm) -> None:
    park = farm.fields["Park"]
    assert farm.crs == CRS and farm.title == "One Hectare" and farm.season == 2026
    assert park.polygon.area == pytest.approx(10_000, abs=0.1)
    assert (park.crop, park.tillage_depth_m, park.headland_m) == ("maize", 0.25, None)
    gate = park.gateways[0]
    assert (gate.key, gate.width_m) == ("South gate", 6.0)
    assert (gate.x, gate.y) == pytest.approx((EAST + 50, NORTH), abs=0.01)
    top, below = farm.soil_units["A"].horizons
    assert (top.top_m, top.bottom_m, top.texture, below.bottom_m) == (0.0, 0.3, "loam", 1.2)
    assert (top.sand, top.silt, top.clay, top.density_kg_m3) == pytest.approx((0.4, 0.4, 0.2, 1400.0))
    assert farm.soil_units["B"].horizons[0].sand is None


def test_operations_are_in_si(farm: Farm) -> None:
    slurry, plough, harvest = farm.operations
    assert (slurry.row, slurry.day, slurry.start) == (2, dt.date(2026, 3, 20), dt.time(8, 0))
    assert slurry.rate_kg_m2 == pytest.approx(3.0)  # 30 m3/ha of slurry at 1.0 t/m3 = 30 t/ha
    assert slurry.drive == "tramlines" and slurry.gateway == "South gate" and slurry.load_kg is None
    assert plough.pressures_pa == pytest.approx({"front": 100e3, "rear": 80e3})
    assert plough.till_depth_m == 0.22 and plough.change == "constant"
    assert plough.moisture is not None and plough.moisture.top_pa > plough.moisture.deep_pa
    assert (harvest.drive, harvest.change, harvest.load_kg) == ("track:harvest.tsv", "fills", 9000.0)
    assert harvest.rate_kg_m2 == pytest.approx(0.8)
    assert harvest.moisture is not None and harvest.moisture.deep_pa == 15e3


def test_outfit_is_in_si(farm: Farm) -> None:
    outfit = farm.outfits["spreader"]
    assert [axle.key for axle in outfit.axles()] == ["front", "rear", "trailer"]
    trailer = outfit.axles()[2]
    assert trailer.full_n == pytest.approx(11_200 * 9.80665)
    assert (trailer.field_pa, trailer.track_pa, trailer.adjust, trailer.adjust_min) == (
        140e3,
        200e3,
        "hose",
        6.0,
    )
    assert [wheel.offset_m for wheel in trailer.wheels] == pytest.approx([1.05, -1.05])
    assert outfit.track_m_s == pytest.approx(35 / 3.6)
    assert (outfit.vehicles[1].drawbar_m, outfit.vehicles[0].hitch_behind_m) == (5.0, 1.0)


def test_duals_stand_outside_the_inner_wheels(folder: Path) -> None:
    text(OUT, '"650/75R38"\n', '"650/75R38"\n  wheels = 4\n  dual_gap_m = 0.8\n')(folder)
    rear = read_farm(folder).outfits["spreader"].axles()[1]
    assert [wheel.offset_m for wheel in rear.wheels] == pytest.approx([1.75, 0.95, -0.95, -1.75])


def test_rubber_track_needs_no_pressure(folder: Path) -> None:
    text(OUT, 'tyre = "710/70R42"', "track = { width_m = 0.6, length_m = 1.8, rollers = 4 }")(folder)
    text(OUT, "  field_bar = 1.4\n  track_bar = 2.0\n", "")(folder)
    wheel = read_farm(folder).outfits["spreader"].axles()[2].wheels[0]
    assert (wheel.tyre.kind, wheel.tyre.width_m, wheel.tyre.track_length_m) == ("track", 0.6, 1.8)


def test_recorded_track_is_in_si_and_in_the_working_crs(farm: Farm) -> None:
    log = farm.logs["harvest.tsv"]
    assert len(log.x) == 46
    assert (log.x[0], log.y[0]) == pytest.approx((EAST + 30, NORTH + 5), abs=0.01)
    assert log.time_s[1] == 2.0
    assert log.flow_kg_s is not None and log.flow_kg_s[0] == pytest.approx(10 * 0.45359237)
    assert log.step_m is not None and log.step_m[0] == pytest.approx(157.5 * 0.0254)


def test_weather_tyre_table_and_hashes(farm: Farm) -> None:
    assert farm.weather is not None and farm.weather.rain_mm.tolist() == [4.0, 0.0, 0.5]
    rows = farm.tyre_tables["710/70R42"].rows
    assert [(row.load_kg, round(row.pressure_pa)) for row in rows] == [
        (5000, 100_000),
        (4000, 120_000),
        (5000, 160_000),
    ]
    assert len(farm.inputs) == 12 and all(len(digest) == 64 for digest in farm.inputs.values())


def test_overview_is_plain_json_with_units(farm: Farm) -> None:
    told = json.loads(json.dumps(understood(farm), allow_nan=False))
    (park,) = told["fields"]
    assert park["area_ha"] == pytest.approx(1.0, abs=1e-4)
    assert park["soils_ha"] == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-4)
    trailer = told["outfits"][0]["axles"][2]
    assert trailer["full_kn"] == pytest.approx(109.83, abs=0.01)  # 11.2 t x 9.80665 m/s2
    assert (trailer["field_bar"], trailer["track_bar"]) == (1.4, 2.0)
    assert told["operations"][0]["rate_t_ha"] == 30.0
    assert told["scenarios"][1]["changes"][0] == {
        "operations": ["1"],
        "load_factor": 0.7,
        "pressures_bar": {"trailer": 1.0},
    }


# the same farm in other formats


def assert_same(first: Farm, second: Farm) -> None:
    """Check that two farms are one but for a centimetre in coordinates, hashes and file names in notes."""
    bare = {
        "inputs": {},
        "notes": (),
        "logs": {},
        "fields": {},
        "soil_map": (),
        "tracks": (),
        "places": (),
        "weather": None,
    }
    assert replace(first, **bare) == replace(second, **bare)
    assert list(first.fields) == list(second.fields)
    for one, other in zip(first.fields.values(), second.fields.values(), strict=True):
        assert one.polygon.symmetric_difference(other.polygon).area < 0.1
        assert len(one.tramlines) == len(other.tramlines)
        assert all(shapely.equals_exact(a, b, 0.01) for a, b in zip(one.tramlines, other.tramlines, strict=True))
        assert [gate.key for gate in one.gateways] == [gate.key for gate in other.gateways]
        assert replace(one, polygon=None, tramlines=(), gateways=()) == replace(
            other, polygon=None, tramlines=(), gateways=()
        )
    assert [patch.unit for patch in first.soil_map] == [patch.unit for patch in second.soil_map]
    for patch, again in zip(first.soil_map, second.soil_map, strict=True):
        assert patch.polygon.symmetric_difference(again.polygon).area < 0.1
    assert [(track.key, track.surface) for track in first.tracks] == [
        (track.key, track.surface) for track in second.tracks
    ]
    assert [(place.key, place.kind) for place in first.places] == [(place.key, place.kind) for place in second.places]
    assert [one.what for one in first.notes] == [one.what for one in second.notes]


def test_one_geopackage_gives_the_same_farm(farm: Farm, folder: Path) -> None:
    for name, frame in layers().items():
        (folder / f"{name}.geojson").unlink()
        frame.to_file(folder / "farm.gpkg", layer=name, driver="GPKG")
    assert_same(farm, read_farm(folder))


def test_shapefiles_give_the_same_farm(farm: Farm, folder: Path) -> None:
    for name, frame in layers().items():
        (folder / f"{name}.geojson").unlink()
        if name == "access":
            for kind, part in frame.groupby(frame.geometry.geom_type):
                to_shapefile(part, folder / f"access_{kind}.shp")
        else:
            to_shapefile(frame, folder / f"{name}.shp")
    files = '["access_Point.shp", "access_LineString.shp", "access_Polygon.shp"]'
    text("farm.toml", "\n[tracks", f"\n[files]\naccess = {files}\n[tracks")(folder)
    assert_same(farm, read_farm(folder))
    assert {"fields.shp", "fields.dbf", "fields.shx", "fields.prj"} <= set(read_farm(folder).inputs)


@pytest.mark.parametrize("driver, ending", [("FlatGeobuf", "fgb"), ("KML", "kml")])
def test_other_formats_of_the_boundary_give_the_same_field(farm: Farm, folder: Path, driver: str, ending: str) -> None:
    (folder / "fields.geojson").unlink()
    layers()["fields"].to_crs("EPSG:4326").to_file(folder / f"fields.{ending}", driver=driver)
    again = read_farm(folder).fields["Park"].polygon
    assert again.symmetric_difference(farm.fields["Park"].polygon).area < 0.1


def test_working_crs_is_the_local_utm_zone_when_not_given(farm: Farm, folder: Path) -> None:
    text("farm.toml", 'crs = "EPSG:32635"\n', "")(folder)
    found = read_farm(folder)
    assert found.crs == CRS  # 27 degrees east: zone 35 (24 to 30 degrees), north
    assert notes(found, "assumed", "working coordinate system")


def test_southern_farm_gets_a_southern_zone(folder: Path) -> None:
    for name in ("fields", "soil", "access", "tramlines"):
        frame = gpd.read_file(folder / f"{name}.geojson")
        frame.set_geometry(frame.geometry.translate(124.5, -82.0)).to_file(folder / f"{name}.geojson", driver="GeoJSON")
    text("farm.toml", 'crs = "EPSG:32635"\n', "")(folder)
    text(OPS, "harvest.tsv", "swaths")(folder)
    assert read_farm(folder).crs == "EPSG:32756"  # about 151.5 degrees east, 27 south


def test_columns_of_other_names_are_mapped(farm: Farm, folder: Path) -> None:
    feature("fields.geojson", 0, lambda one: one["properties"].update(NAME=one["properties"].pop("field")))(folder)
    text(OPS, "till_depth_m", "depth of tillage")(folder)
    mapping = '\n[columns.fields]\nfield = "NAME"\n[columns.operations]\ntill_depth_m = "depth of tillage"\n[tracks'
    text("farm.toml", "\n[tracks", mapping)(folder)
    assert_same(farm, read_farm(folder))


# repairs and assumptions


def test_bow_tie_is_repaired_with_its_square_metres(folder: Path) -> None:
    ring = [(0, 0), (100, 0), (0, 100), (100, 100), (0, 0)]
    bow = shapely.Polygon([(EAST + x, NORTH + y) for x, y in ring])
    rewrite("fields", lambda f: f.assign(geometry=[bow]))(folder)
    found = read_farm(folder)
    assert found.fields["Park"].polygon.is_valid
    assert found.fields["Park"].polygon.area == pytest.approx(5000, abs=1)  # two triangles of 100 x 50 / 2 m2
    assert notes(found, "repaired", "field Park: outline")[0].value.endswith("m2")


def test_holes_are_kept(folder: Path) -> None:
    hole = square(0, 0, 100, 100).difference(square(40, 40, 20, 20))
    rewrite("fields", lambda f: f.assign(geometry=[hole]))(folder)
    assert read_farm(folder).fields["Park"].polygon.area == pytest.approx(9600, abs=0.1)


def test_gateway_off_the_boundary_is_moved_onto_it(folder: Path) -> None:
    rewrite("access", lambda f: f.assign(geometry=f.geometry.translate(0, -12)))(folder)
    found = read_farm(folder)
    gate = found.fields["Park"].gateways[0]
    assert (gate.x, gate.y) == pytest.approx((EAST + 50, NORTH), abs=0.01)
    assert "12.0 m" in notes(found, "repaired", "gateway South gate")[0].value


def test_gateway_without_a_field_gets_the_nearest(folder: Path) -> None:
    second_field(101)(folder)
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 60, 120), square(50, -10, 160, 120)]))(folder)
    feature("access.geojson", 0, prop("field", None))(folder)
    found = read_farm(folder)
    assert [gate.key for gate in found.fields["Park"].gateways] == ["South gate"]
    assert notes(found, "assumed", "gateway South gate: field")
    assert notes(found, "assumed", "field Long Acre: gateway")


@pytest.mark.parametrize(("height", "read"), [(7.5, 7.5), (None, None)])
def test_an_overhead_line_has_the_height_that_is_given(folder: Path, height: float | None, read: float | None) -> None:
    change = {"kind": "overhead_line", "name": "mill line", "surface": None, "height_m": height}
    feature("access.geojson", 1, lambda one: one["properties"].update(change))(folder)
    (line,) = [one for one in read_farm(folder).places if one.kind == "overhead_line"]
    assert line.key == "mill line" and line.height_m == read


def test_tramlines_are_cut_to_the_field(farm: Farm) -> None:
    assert [round(line.length, 1) for line in farm.fields["Park"].tramlines] == [100.0] * 3
    assert notes(farm, "repaired", "tramlines")[0].value == "60 m cut off"  # 3 lines, 10 m over at each end


def test_soil_gap_is_filled_by_the_nearest_unit(folder: Path) -> None:
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 60, 120), square(50, -10, 30, 120)]))(folder)
    found = read_farm(folder)
    (note,) = notes(found, "assumed", "without a soil polygon")
    assert "0.20 ha" in note.what and note.value == "B"  # 20 m x 100 m beside unit B
    covered = shapely.union_all([patch.polygon for patch in found.soil_map])
    assert found.fields["Park"].polygon.difference(covered).area < 1.0


def test_texture_of_a_polygon_is_enough(folder: Path) -> None:
    remove("horizons.csv")(folder)
    rewrite("soil", lambda f: f.assign(texture=["loam", "clay"], strength_kpa=[np.nan, 110.0]))(folder)
    units = read_farm(folder).soil_units
    assert (units["A"].horizons[0].texture, units["A"].horizons[0].bottom_m) == ("loam", 1.0)
    assert units["B"].horizons[0].strength_pa == 110e3


def test_small_overlap_of_fields_is_noted(folder: Path) -> None:
    second_field(99.7)(folder)
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 60, 120), square(50, -10, 160, 120)]))(folder)
    assert notes(read_farm(folder), "warned", "overlap")[0].value.startswith("30.0 m2")  # 0.3 m x 100 m


def test_windows_text_is_read_with_a_note(folder: Path) -> None:
    write(OPS, OPERATIONS.replace("plough", "plügen").encode("cp1252"))(folder)
    found = read_farm(folder)
    assert found.operations[1].job == "plügen"
    assert notes(found, "assumed", "operations.csv: character set")


def test_spreadsheet_mark_and_line_ends_do_not_matter(farm: Farm, folder: Path) -> None:
    write(OPS, ("\ufeff" + OPERATIONS.replace("\n", "\r\n") + ",,,,,,,,,,,,,\r\n"))(folder)
    assert read_farm(folder).operations == farm.operations


def test_every_default_is_noted_and_the_farms_own_goes_first(folder: Path) -> None:
    for gone in ("radius_m = 7.0\n", "field_km_h = 8.0\n", "drawbar_m = 5.0\n", "antenna_behind_m = 0.0\n"):
        text(OUT, gone, "")(folder)
    text(OPS, ",moulds", ",")(folder)
    text("farm.toml", "\n[tracks", '\n[defaults]\nradius_m = 6.5\nmoisture = "smears"\n[tracks')(folder)
    found = read_farm(folder)
    outfit = found.outfits["spreader"]
    assert (outfit.radius_m, outfit.vehicles[1].drawbar_m, outfit.field_m_s) == pytest.approx((6.5, 5.0, 8 / 3.6))
    for words in ("turning radius", "hitch to axle", "speed in the field", "antenna"):
        assert len(notes(found, "assumed", words)) == 1, words
    assert notes(found, "assumed", "turning radius")[0].source == "farm.toml, table defaults"
    assert found.operations[0].moisture is not None and found.operations[0].moisture.words == "smears"


def test_field_pressure_unknown_is_that_of_the_track(folder: Path) -> None:
    text(OUT, "  field_bar = 1.4\n", "")(folder)
    found = read_farm(folder)
    assert found.outfits["spreader"].axles()[2].field_pa == 200e3
    assert notes(found, "assumed", "trailer: field pressure")


def test_tillage_depth_not_given_is_the_deepest_tillage(folder: Path) -> None:
    feature("fields.geojson", 0, prop("tillage_depth_m", None))(folder)
    found = read_farm(folder)
    assert found.fields["Park"].tillage_depth_m == 0.22
    assert notes(found, "assumed", "field Park: tillage depth")


def test_weighbridge_and_plate_are_compared(folder: Path) -> None:
    text(OUT, "full_t = 11.2", "full_t = 12.6\n  plated_t = 11.0")(folder)
    found = read_farm(folder)
    assert notes(found, "warned", "plated limit") and notes(found, "warned", "product by the axles")


def test_rows_without_a_fix_are_left_out_of_a_track(folder: Path) -> None:
    path = folder / "tracks" / "harvest.tsv"
    lines = path.read_text().splitlines()
    lines[3] = "\t\t10.0\t4\t157.5"
    lines[10:12] = []
    path.write_text("\n".join(lines) + "\n")
    found = read_farm(folder)
    assert len(found.logs["harvest.tsv"].x) == 43
    assert notes(found, "repaired", "rows without a place")[0].value == "1 of 44 left out"


def test_track_with_iso_time_and_no_description(folder: Path) -> None:
    rows = (folder / "tracks" / "harvest.tsv").read_text().splitlines()[1:]
    cells = [row.split("\t") for row in rows]
    lines = [f"2026-10-01T06:{i:02d}:00Z,{lon},{lat}" for i, (lon, lat, *_) in enumerate(cells)]
    (folder / "tracks" / "plain.csv").write_text("\n".join(["time,lon,lat", *lines]))
    text(OPS, "harvest.tsv", "plain.csv")(folder)
    found = read_farm(folder)
    log = found.logs["plain.csv"]
    # 1 October 2026, 06:00 UTC: 20727 days after 1 January 1970 (56 years x 365 + 14 leap days + 273 days)
    assert log.time_s[0] == (56 * 365 + 14 + 273) * 86400 + 6 * 3600
    assert np.diff(log.time_s).tolist() == [60.0] * 45
    assert not notes(found, "warned", "day of its recorded track")
    assert notes(found, "assumed", "plain.csv: columns") and notes(found, "warned", "pauses")


def test_log_of_another_day_is_warned_of_in_the_farms_time_zone(folder: Path) -> None:
    rows = (folder / "tracks" / "harvest.tsv").read_text().splitlines()[1:]
    cells = [row.split("\t") for row in rows]
    lines = [f"2026-10-01T22:{i:02d}:00Z,{lon},{lat}" for i, (lon, lat, *_) in enumerate(cells)]
    (folder / "tracks" / "plain.csv").write_text("\n".join(["time,lon,lat", *lines]))
    text(OPS, "harvest.tsv", "plain.csv")(folder)
    (note,) = notes(read_farm(folder), "warned", "day of its recorded track")
    assert note.value == "2026-10-02"  # 22:00 UTC is 01:00 of the next day in Vilnius (summer time, UTC + 3 h)


# hostile or damaged files


def test_damaged_files_never_end_in_another_error(tmp_path: Path) -> None:
    good = write_good(tmp_path / "good")
    names = sorted(path.relative_to(good).as_posix() for path in good.rglob("*") if path.is_file())
    generator = np.random.default_rng(20260401)
    refused = 0
    for trial in range(48):
        folder = tmp_path / f"trial {trial}"
        shutil.copytree(good, folder)
        path = folder / names[trial % len(names)]
        raw = bytearray(path.read_bytes())
        start = int(generator.integers(len(raw)))
        if trial < 24:
            del raw[start:]
        else:
            for place in generator.integers(len(raw), size=12):
                raw[place] = int(generator.integers(256))
        path.write_bytes(raw)
        try:
            read_farm(folder)
        except InputError as error:
            refused += 1
            assert error.problems
    assert refused > 24


def test_reading_changes_nothing_in_the_folder(folder: Path) -> None:
    before = {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
    read_farm(folder)
    assert {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()} == before


def test_reading_twice_gives_the_same(farm: Farm, folder: Path) -> None:
    again = read_farm(folder)
    assert again.inputs == farm.inputs and again.notes == farm.notes and again.operations == farm.operations
    assert not math.isnan(again.fields["Park"].tillage_depth_m)
    assert "EPSG:32635" in FARM


# the document


def test_documented_defaults_and_columns_are_the_ones_in_use() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "farm-folder.md").read_text(encoding="utf-8")
    for default in DEFAULTS.values():
        value = default.value if isinstance(default.value, str) else f"{default.value:g}"
        assert f"| `{default.key}` | {value} | {default.unit} | {default.what} |" in page
    for columns in KNOWN.values():
        for column in columns:
            assert re.search(rf"\b{column}\b", page), column
