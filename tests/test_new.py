"""`trafficplan new`: starter folders that `check` passes at once, from any boundary, soil map or recorded track."""

import json
import re
import shutil
import tomllib
from importlib import resources
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from conftest import REPO, sample_farm
from real_field import open_data_folder
from spoiled_farms import CRS, EAST, NORTH, layers, square, to_shapefile, track
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.starter.ground import texture_of, texture_within
from trafficplan.inputs.starter.tracks import toml_text


def run(*words: object) -> tuple[int, dict]:
    """Run a command with --json; its exit status and what it printed."""
    done = CliRunner().invoke(app, [*map(str, words), "--json"])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, json.loads(done.stdout)


def passes_check(folder: Path) -> dict:
    status, said = run("check", folder)
    assert status == 0, said["errors"]
    return said


def boundary(folder: Path, **columns: list) -> Path:
    """Two fields beside each other, of 1 ha and 0.5 ha by construction, with the columns given."""
    shapes = [square(0, 0, 100, 100), square(100, 0, 50, 100)]
    path = folder / "outlines.geojson"
    gpd.GeoDataFrame({**columns, "geometry": shapes}, crs=CRS).to_crs("EPSG:4326").to_file(
        path, driver="GeoJSON", COORDINATE_PRECISION=9
    )
    return path


def test_boundary_alone_makes_a_farm_that_check_passes(tmp_path):
    out = tmp_path / "farm"
    status, said = run("new", out, "--boundary", boundary(tmp_path, Name=["Park", "Long Acre"]))
    assert status == 0
    areas = {one["field"]: one["area_ha"] for one in said["result"]["fields"]}
    assert areas == pytest.approx({"Park": 1.0, "Long Acre": 0.5}, abs=1e-3)
    loud = [one for one in said["warnings"] if "TEXTURE NOT KNOWN" in one["what"]]
    assert loud and loud[0]["value"] == "loam"
    checked = passes_check(out)["result"]
    assert len(checked["outfits"]) == len(said["result"]["outfits"]) >= 3
    assert checked["operations"] == []
    assert sorted(said["result"]["files"]) == sorted(
        path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()
    )


def test_the_example_rows_work_when_the_number_sign_is_taken_off(tmp_path):
    out = tmp_path / "farm"
    run("new", out, "--boundary", boundary(tmp_path, field=["Park, north", "B"]))
    operations = out / "operations.csv"
    lines = operations.read_text().splitlines()
    examples = [line[1:] if line[:2] == "#1" else line for line in lines]
    assert examples != lines
    operations.write_text("\n".join(examples) + "\n")
    tyres = out / "tyre_tables.csv"
    tyres.write_text(tyres.read_text().replace("#650", "650"))
    scenarios = out / "scenarios.toml"
    start, mark, rest = scenarios.read_text().partition("# [lighter]")
    scenarios.write_text(start + re.sub("(?m)^# ?", "", mark + rest))
    said = passes_check(out)["result"]
    assert [one["field"] for one in said["operations"]] == ["Park, north"]
    assert {one["scenario"] for one in said["scenarios"]} == {"base", "lighter", "softer"}
    assert said["operations"][0]["load_t"] == 9
    assert not [one for one in read_farm(out).notes if "put aside" in one.what]


def test_every_commented_setting_of_farm_toml_is_a_setting():
    text = (resources.files("trafficplan.inputs.starter") / "farm.toml").read_text(encoding="utf-8")
    bare = "\n".join(re.findall(r'(?m)^# (\[.*|\w+ = ["\[{\d].*)$', text))
    told = tomllib.loads(bare)
    assert set(told) == {"crs", "files", "columns", "tracks", "defaults"}


@pytest.mark.parametrize("name", ["fields.gpkg", "fields.shp", "fields.fgb", "fields.kml", "fields.zip"])
def test_any_vector_format_gives_the_same_fields(name, tmp_path):
    frame = layers()["fields"]
    path = tmp_path / name
    if name.endswith(".shp"):
        to_shapefile(frame, path)
    elif name.endswith(".zip"):
        (tmp_path / "in").mkdir()
        to_shapefile(frame, tmp_path / "in" / "fields.shp")
        shutil.make_archive(str(path.with_suffix("")), "zip", tmp_path / "in")
    elif name.endswith(".kml"):
        frame.rename(columns={"field": "Name"})[["Name", "geometry"]].to_crs("EPSG:4326").to_file(path, driver="KML")
    else:
        frame.to_file(path)
    status, said = run("new", tmp_path / "farm", "--boundary", path)
    assert status == 0, said["errors"]
    assert said["result"]["fields"] == [{"field": "Park", "area_ha": pytest.approx(1.0, abs=1e-3)}]
    read = read_farm(tmp_path / "farm").fields["Park"].polygon
    assert read.symmetric_difference(square(0, 0, 100, 100)).area < 0.1  # m2: 1e-9 degrees are 0.1 mm
    if not name.endswith(".kml"):
        assert read_farm(tmp_path / "farm").fields["Park"].tillage_depth_m == 0.25


def test_names_are_made_unique_and_fit_for_folders(tmp_path):
    status, said = run("new", tmp_path / "farm", "--boundary", boundary(tmp_path, name=["A/B", "a-b"]))
    assert status == 0
    assert [one["field"] for one in said["result"]["fields"]] == ["A-B", "a-b 2"]
    assert sum(one["kind"] == "repaired" for one in said["warnings"]) == 2


def test_fields_without_names_are_numbered(tmp_path):
    _, said = run("new", tmp_path / "farm", "--boundary", boundary(tmp_path, ha=[1.0, 0.5]))
    assert [one["field"] for one in said["result"]["fields"]] == ["Field 1", "Field 2"]
    assert any("numbered" in one["value"] for one in said["assumptions"])


def soil_file(folder: Path, **columns: list) -> Path:
    shapes = [square(-10, -10, 60, 120), square(50, -10, 110, 120)]
    path = folder / "ground.gpkg"
    gpd.GeoDataFrame({**columns, "geometry": shapes}, crs=CRS).to_file(path)
    return path


def test_soil_columns_are_found_and_textures_understood(tmp_path):
    soil = soil_file(tmp_path, MUSYM=["12B", "7"], MUNAME=["one", "two"], texcl=["SICL", "Sandy loam"])
    _, said = run("new", tmp_path / "farm", "--boundary", boundary(tmp_path, name=["a", "b"]), "--soil", soil)
    units = read_farm(tmp_path / "farm").soil_units
    assert {key: one.horizons[0].texture for key, one in units.items()} == {
        "12B": "silty clay loam",
        "7": "sandy loam",
    }
    assert not [one for one in said["warnings"] if "TEXTURE" in one["what"]]


def test_texture_option_is_used_and_told_loudly(tmp_path):
    soil = soil_file(tmp_path, code=["X", "Y"])
    words = ("--boundary", boundary(tmp_path, name=["a", "b"]), "--soil", soil)
    _, said = run("new", tmp_path / "farm", *words, "--texture", "clay")
    assert {one.horizons[0].texture for one in read_farm(tmp_path / "farm").soil_units.values()} == {"clay"}
    assert [one["value"] for one in said["warnings"] if "TEXTURE" in one["what"]] == ["clay"]
    status, said = run("new", tmp_path / "other", *words, "--texture", "marl")
    assert status == 2 and said["errors"][0]["found"] == "marl"


def test_sand_and_clay_of_the_soil_file_are_kept(tmp_path):
    soil = soil_file(tmp_path, unit=["X", "X"], sand_pct=[40.0, 20.0], clay_pct=[20.0, 45.0])
    run("new", tmp_path / "farm", "--boundary", boundary(tmp_path, name=["a", "b"]), "--soil", soil)
    units = read_farm(tmp_path / "farm").soil_units
    # 40 % sand, 20 % clay: loam; 20 % sand, 45 % clay: clay (USDA triangle, Soil Survey Manual)
    assert {key: one.horizons[0].texture for key, one in units.items()} == {"X": "loam", "X 2": "clay"}


def test_textures_by_word_letter_and_name():
    assert texture_of("SCL") == "sandy clay loam"
    assert texture_of("peat") == ""
    assert texture_within("Rush silt loam, sandy substratum") == "silt loam"
    assert texture_within("Loamton gravel") == ""


def test_boundary_from_a_recorded_track(tmp_path):
    log = tmp_path / "harvest.tsv"
    log.write_text(track())
    out = tmp_path / "farm"
    status, said = run("new", out, "--tracks", log, "--width", 12)
    assert status == 0, said["errors"]
    # Two bouts of 12 m, 12 m apart, from 5 to 97 m north: 24 m x 92 m = 0.22 ha, and the turn beyond them.
    assert sum(one["area_ha"] for one in said["result"]["fields"]) == pytest.approx(0.22, abs=0.03)
    told = tomllib.loads((out / "farm.toml").read_text())
    assert told["tracks"]["harvest.tsv"]["x"] == {"column": "long", "unit": "degrees"}
    operations = out / "operations.csv"
    operations.write_text(operations.read_text() + "9,2026-09-01,Field 1,harvest,combine,,,,,harvest.tsv,,\n")
    farm = read_farm(out)
    assert len(farm.logs["harvest.tsv"].x) == 46
    middle = farm.fields["Field 1"].polygon.centroid
    assert abs(middle.x - (EAST + 36)) < 5 and abs(middle.y - (NORTH + 50)) < 5


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ((), "no boundary"),
        (("--tracks", "{track}"), "working width"),
        (("--boundary", "{nowhere}"), "file not found"),
        (("--boundary", "{text}"), ""),
        (("--boundary", "{lines}"), "a line where a polygon belongs"),
        (("--boundary", "{good}", "--soil", "{far}"), "entirely elsewhere"),
        (("--boundary", "{good}", "--tracks", "{nowhere}"), "file not found"),
        (("--boundary", "{overlap}"), "overlap"),
    ],
)
def test_what_cannot_make_a_farm_is_refused_and_leaves_nothing(words, what, tmp_path):
    given = tmp_path / "given"
    given.mkdir()
    files = {name: given / f"{name}.geojson" for name in ("text", "lines", "far", "overlap", "nowhere")}
    files |= {"track": given / "t.tsv", "good": boundary(given, name=["a", "b"])}
    files["track"].write_text(track())
    files["text"].write_text("no map")
    lonlat = {"driver": "GeoJSON"}
    lines = [shapely.LineString([(EAST, NORTH), (EAST + 50, NORTH)])]
    gpd.GeoDataFrame({"name": ["x"], "geometry": lines}, crs=CRS).to_crs(4326).to_file(files["lines"], **lonlat)
    for name, shapes in {
        "far": [square(90_000, 0, 100, 100)],
        "overlap": [square(0, 0, 100, 100), square(50, 0, 100, 100)],
    }.items():
        gpd.GeoDataFrame({"geometry": shapes}, crs=CRS).to_crs(4326).to_file(files[name], **lonlat)
    status, said = run("new", tmp_path / "farm", *(word.format(**files) for word in words))
    assert status == 2
    assert what in said["errors"][0]["what"]
    assert [path.name for path in tmp_path.iterdir()] == ["given"]


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    out = tmp_path / "farm"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    status, said = run("new", out, "--boundary", boundary(tmp_path, name=["a", "b"]))
    assert status == 2 and said["errors"][0]["what"] == "the folder is not empty"
    assert [path.name for path in out.iterdir()] == ["letter.txt"]
    (out / "letter.txt").unlink()
    assert run("new", out, "--boundary", tmp_path / "outlines.geojson")[0] == 0


def test_names_from_the_data_cannot_break_the_files(tmp_path):
    evil = ['x"\n[files]\nsoil = "y', "=cmd, 'a'"]
    log = tmp_path / 'a "b" ] x.csv'
    log.write_text("time,lon,lat\n2026-01-01T00:00:00Z,27.0,55.04\n")
    status, said = run("new", tmp_path / "farm", "--boundary", boundary(tmp_path, name=evil), "--tracks", log)
    assert status == 0, said["errors"]
    assert set(tomllib.loads((tmp_path / "farm" / "farm.toml").read_text())["tracks"]) == {log.name}
    passes_check(tmp_path / "farm")
    assert tomllib.loads(f"a = {toml_text(evil[0])}")["a"] == evil[0]


def test_sample_farm_starts_again_from_its_boundaries(tmp_path):
    farm = sample_farm()
    words = ("--boundary", farm / "fields.geojson", "--soil", farm / "soil.geojson")
    status, said = run("new", tmp_path / "again", *words)
    assert status == 0
    first, again = read_farm(farm), read_farm(tmp_path / "again")
    assert list(again.fields) == list(first.fields)
    for key, field in first.fields.items():
        assert again.fields[key].polygon.symmetric_difference(field.polygon).area < 1.0
    assert said["result"]["area_ha"] == pytest.approx(sum(f.polygon.area for f in first.fields.values()) / 1e4)


def test_readme_tells_of_it():
    assert "trafficplan new" in (REPO / "README.md").read_text(encoding="utf-8")


def test_a_system_is_told_for_a_file_that_names_none(tmp_path):
    (tmp_path / "in").mkdir()
    to_shapefile(layers()["fields"], tmp_path / "in" / "fields.shp")
    (tmp_path / "in" / "fields.prj").unlink()
    shutil.make_archive(str(tmp_path / "fields"), "zip", tmp_path / "in")
    status, said = run("new", tmp_path / "farm", "--boundary", tmp_path / "fields.zip")
    assert status == 2 and "--crs EPSG:" in said["errors"][0]["mend"]
    words = ("--boundary", tmp_path / "fields.zip", "--crs")
    status, said = run("new", tmp_path / "farm", *words, "EPSG:99999")
    assert status == 2 and said["errors"][0]["where"] == "--crs"
    soil = soil_file(tmp_path, unit=["A", "B"])  # names its own system: what is told is for the other file
    status, said = run("new", tmp_path / "farm", *words, CRS, "--soil", soil)
    assert status == 0 and said["result"]["area_ha"] == pytest.approx(1.0, abs=1e-3)
    passes_check(tmp_path / "farm")


def test_a_narrow_overlap_is_cut_from_the_later_field(tmp_path):
    path = tmp_path / "outlines.geojson"
    shapes = [square(0, 0, 100, 100), square(98, 0, 100, 100)]
    frame = gpd.GeoDataFrame({"name": ["a", "b"], "geometry": shapes}, crs=CRS)
    frame.to_crs(4326).to_file(path, driver="GeoJSON", COORDINATE_PRECISION=9)
    status, said = run("new", tmp_path / "farm", "--boundary", path)
    assert status == 0, said["errors"]
    cut = [one for one in said["warnings"] if one["what"] == "field b: outline"]
    assert [one["value"] for one in cut] == ["-200 m2"]
    areas = {one["field"]: one["area_ha"] for one in said["result"]["fields"]}
    assert areas == pytest.approx({"a": 1.0, "b": 0.98}, abs=1e-3)
    assert not [one for one in passes_check(tmp_path / "farm")["warnings"] if "overlap" in one["what"]]


@pytest.mark.parametrize(
    ("words", "what", "mend"),
    [
        (("--soil", "s.csv"), "a table where a map of polygons belongs", "soil.csv"),
        (("--soil", "s.tif"), "a raster where a map of polygons belongs", "soil_raster"),
        (("--tracks", "t.png"), "no recorded track", "export it as CSV"),
        (("--tracks", "."), "no recorded track", "name the log itself"),
    ],
)
def test_files_of_another_kind_are_told_where_they_belong(words, what, mend, tmp_path):
    for name in ("s.csv", "s.tif", "t.png"):
        (tmp_path / name).write_bytes(b"lon,lat\n1,2\n")
    outlines = boundary(tmp_path, name=["a", "b"])
    status, said = run("new", tmp_path / "farm", "--boundary", outlines, words[0], tmp_path / words[1])
    assert status == 2 and said["errors"][0]["what"] == what
    assert mend in said["errors"][0]["mend"]
    assert not (tmp_path / "farm").exists()


def test_a_name_that_no_folder_can_have_is_told(tmp_path):
    status, said = run("new", tmp_path / ("x" * 300), "--boundary", boundary(tmp_path, name=["a", "b"]))
    assert status == 2 and said["errors"][0]["what"] == "the farm folder cannot be written"


def test_boundaries_of_the_open_task_data_make_a_farm(tmp_path):
    """20 of its 21 fields lie apart; two lap over each other by 619 m2 (shapely, on the boundaries in UTM 32)."""
    data = open_data_folder() / "forage-harvest" / "TASKDATA"
    status, said = run("new", tmp_path / "farm", "--boundary", data)
    assert status == 0, said["errors"]
    assert len(said["result"]["fields"]) == 21
    assert [one["value"] for one in said["warnings"] if "outline" in one["what"]].count("-619 m2") == 1
