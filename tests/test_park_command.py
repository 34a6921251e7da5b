"""`trafficplan park` as a command: the answer first, JSON of a documented shape, files, wrong input, no legal place."""

import json
import re

import geopandas as gpd
import pytest
from conftest import REPO
from spoiled_farms import CRS, EAST, NORTH, layers, square, write_good
from typer.testing import CliRunner

from trafficplan.cli.main import app

TRAILER = """title = "Tractor and tank trailer"
width_m = 3.0
radius_m = 7.5
capacity_t = 16.0
track_km_h = 30.0

[[vehicle]]
name = "tractor"
kind = "powered"
hitch_behind_m = 1.0
  [[vehicle.axle]]
  name = "front"
  behind_m = -2.8
  tyre = "600/65R28"
  empty_t = 3.6
  full_t = 3.2
  track_bar = 1.6
  [[vehicle.axle]]
  name = "rear"
  tyre = "650/75R38"
  empty_t = 5.4
  full_t = 7.8
  track_bar = 1.6

[[vehicle]]
name = "tank"
kind = "drawn"
drawbar_m = 5.0
  [[vehicle.axle]]
  name = "tank_1"
  behind_m = -0.7
  tyre = "560/60R22.5"
  empty_t = 3.0
  full_t = 10.0
  track_bar = 3.0
  [[vehicle.axle]]
  name = "tank_2"
  behind_m = 0.7
  tyre = "560/60R22.5"
  empty_t = 3.0
  full_t = 10.0
  track_bar = 3.0
"""
ASKED = ("--field", "Park", "--outfit", "tanker", "--served-by", "spreader", "--rate", "40t/ha", "--date", "2026-03-20",
         "--candidates", "8", "--cell", "2", "--workers", "1")  # fmt: skip


def farm_in(folder, **more):
    write_good(folder)
    (folder / "outfits" / "tanker.toml").write_text(TRAILER, encoding="utf-8")
    rows = folder / "operations.csv"
    rows.write_text(rows.read_text().replace(",tramlines,", ",swaths,"), encoding="utf-8")
    if more:
        frame = layers()["access"]
        extra = gpd.GeoDataFrame({"kind": list(more), "name": list(more), "geometry": list(more.values())}, crs=CRS)
        both = gpd.GeoDataFrame(
            {k: [*frame.get(k, []), *extra.get(k, [None] * len(extra))] for k in frame.columns}, crs=CRS
        )
        both.to_crs("EPSG:4326").to_file(folder / "access.geojson", driver="GeoJSON", COORDINATE_PRECISION=9)
    return folder


def run(folder, *options):
    return CliRunner().invoke(app, ["park", str(folder), *options])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return farm_in(tmp_path_factory.mktemp("park") / "farm")


@pytest.fixture(scope="module")
def done(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    told = run(folder, *ASKED, "--out", str(out), "--stay", "6", "--json")
    assert told.exit_code == 0, told.output
    return out, json.loads(told.stdout)


def test_json_shape_is_the_documented_one(done):
    _, told = done
    result = told["result"]
    page = (REPO / "docs" / "park.md").read_text(encoding="utf-8")
    assert told["command"] == "park" and told["errors"] == []
    assert set(result) == {
        "answer", "field", "outfit", "served", "change", "date", "moisture", "tension_top_kpa", "tension_deep_kpa",
        "need_t", "trailer_load_t", "minute_worth_m2", "stay_h", "crs", "heap", "uncoupled", "uncoupling", "best", "places",
        "refused", "other_ways", "sure", "cautions",
    }  # fmt: skip
    place = result["places"][0]
    assert set(place) == {
        "rank", "place", "kind", "words", "gateway", "on_field", "x_m", "y_m", "heading_deg", "reason",
        "lasting_expected_added_m2", "lasting_likely_added_m2", "likely_added_by_zone_m2", "lasting_more_than_best_m2",
        "minutes_min", "more_than_best_min", "waiting_min", "way_km", "refills", "trailer_loads",
        "crossings_of_the_place", "ways_m2", "ways_crossed_mean", "drawn_t_km", "worth_m2", "standing", "limits",
        "by_gateway", "warnings",
    }  # fmt: skip
    for name in [*result, *place, *result["sure"], *result["other_ways"][0]]:
        assert f"`{name}`" in page, name
    # 40 t/ha on 1 ha: 40 t in 16 t loads and 9 t refills; moisture of the day's operation
    assert (result["need_t"], place["trailer_loads"], place["refills"]) == (40.0, 3, pytest.approx(5, abs=1))
    assert result["moisture"] == "moulds" and result["change"] == "empties" and result["stay_h"] == 6.0
    ranks = [one["worth_m2"] for one in result["places"]]
    assert ranks == sorted(ranks) and result["best"] == result["places"][0]["place"]
    assert place["lasting_more_than_best_m2"] == 0 and place["more_than_best_min"] == 0


def test_assumed_distances_and_cautions_are_told(done):
    _, told = done
    texts = " ".join(told["result"]["cautions"])
    for words in ("chocked", "level ground", "overhead line", "Local rules", "Uncouple only"):
        assert words in texts
    what = [note["what"] for note in told["assumptions"]]
    assert any("minute" in one for one in what) and any("outline" in one for one in what)
    missing = next(note for note in told["warnings"] if "on the farm's map" in note["what"])
    assert "overhead line" in missing["what"] and "well" in missing["what"]


def test_the_answer_comes_first_in_words(folder):
    told = run(folder, *ASKED)
    assert told.exit_code == 0
    lines = told.stdout.splitlines()
    # 40 t in 9 t loads from a yard 100 m away: a trailer that is waited for does not pay
    assert lines[0] == "No trailer: Tractor with trailed spreader drives to the yard itself."
    assert re.match(r"If it has to stand: .+ \(place \d+\)\.$", lines[2])
    assert "refills" in lines[3] and "Cautions" in lines and "How sure" in lines
    assert not re.search(r"\d\s*(bar|psi)\b", told.stdout)  # no maker's table of the tank's tyres
    assert re.search(r"^rank +place +where", told.stdout, flags=re.MULTILINE)


def test_files_are_written_and_read_back(done):
    out, told = done
    assert {path.name for path in out.iterdir()} == {"park.json", "park.html", "sheet.html", "places.gpkg"}
    assert json.loads((out / "park.json").read_text(encoding="utf-8")) == told["result"]
    places = gpd.read_file(out / "places.gpkg", layer="places")
    assert len(places) == len(told["result"]["places"]) + len(told["result"]["refused"])
    assert str(places.crs).upper() == CRS
    best = places[places["place"] == told["result"]["best"]].iloc[0]
    assert best["rank"] == 1 and best.geometry.x == pytest.approx(told["result"]["places"][0]["x_m"], abs=0.01)
    outlines = gpd.read_file(out / "places.gpkg", layer="outlines")
    assert set(outlines.geom_type) == {"MultiPolygon"} and len(outlines) == len(places)
    assert len(gpd.read_file(out / "places.gpkg", layer="ways")) <= len(places)


def test_pages_need_no_network_and_carry_the_cautions(done):
    out, told = done
    for name in ("park.html", "sheet.html"):
        page = (out / name).read_text(encoding="utf-8")
        assert "default-src 'none'" in page and not re.search(r'(?:src|href)="https?:', page)
        assert "chocked" in page and "Local rules" in page
        assert f"(place {told['result']['best']})" in page
    page = (out / "park.html").read_text(encoding="utf-8")
    for one in told["result"]["places"]:
        assert f'data-place="{one["place"]}"' in page


def test_names_of_strangers_are_harmless(tmp_path):
    evil = '<script>alert(1)</script>"'
    folder = farm_in(tmp_path / "farm")
    toml = folder / "outfits" / "tanker.toml"
    toml.write_text(toml.read_text().replace("Tractor and tank trailer", evil.replace('"', '\\"')))
    told = run(folder, *ASKED, "--out", str(tmp_path / "out"), "--candidates", "4")
    assert told.exit_code == 0, told.output
    for name in ("park.html", "sheet.html"):
        assert "<script>alert" not in (tmp_path / "out" / name).read_text(encoding="utf-8")


def test_no_legal_place_tells_the_nearest_miss(tmp_path):
    folder = farm_in(tmp_path / "farm", well=square(50, 50, 1, 1).centroid, keep_out=square(30, -120, 60, 115))
    toml = folder / "farm.toml"
    toml.write_text(toml.read_text() + "\n[defaults]\ndistance_well_m = 80\n", encoding="utf-8")
    told = run(folder, *ASKED, "--json", "--out", str(tmp_path / "out"))
    assert told.exit_code == 0, told.output
    result = json.loads(told.stdout)["result"]
    assert result["best"] is None and result["places"] == [] and result["sure"] is None
    assert "keeps all limits" in result["answer"][0] and "misses by" in result["answer"][1]
    nearest = result["refused"][0]
    assert nearest["failed"] and nearest["failed"][0]["misses_by"] > 0
    assert "No place" in (tmp_path / "out" / "park.html").read_text(encoding="utf-8")
    plain = run(folder, *ASKED)
    assert plain.exit_code == 0 and "The nearest miss" in plain.stdout


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--outfit", "lorry"), ("unknown name", "--outfit", "spreader, tanker")),
        (("--served-by", "sprayer"), ("unknown name", "--served-by", "spreader, tanker")),
        (("--served-by", "tanker"), ("the same outfit twice",)),
        (("--field", "Parc"), ("unknown name", "did you mean 'Park'?")),
        (("--rate", "8t/ha"), ("never needs to be refilled", "8.0 t")),
        (("--rate", "a lot"), ("--rate", "an amount")),
        (("--date", "March"), ("not a date",)),
        (("--soil", "wet"), ("--soil",)),
        (("--pad", "big"), ("not a pad",)),
        (("--candidates", "1"), ("number of candidates out of range",)),
        (("--stay", "-1"), ("hours out of range",)),
        (("--change", "turns"), ("unknown name", "empties, fills")),
    ],
)
def test_wrong_input_is_told_in_words(folder, options, words):
    told = run(folder, *ASKED, *options)
    assert told.exit_code == 2
    for one in words:
        assert one in told.stderr, told.stderr
    code = run(folder, *ASKED, *options, "--json")
    assert code.exit_code == 2 and json.loads(code.stdout)["errors"]


def test_a_gateway_too_narrow_for_the_trailer_is_told(tmp_path):
    folder = farm_in(tmp_path / "farm")
    path = folder / "access.geojson"
    path.write_text(path.read_text().replace('"width_m": 6.0', '"width_m": 2.5'))
    told = run(folder, *ASKED, "--json")
    assert told.exit_code == 0, told.output
    result = json.loads(told.stdout)["result"]
    refused = [one for one in result["refused"] if one["on_field"]]
    assert refused and all(
        "width of gateway South gate 2.5 m" in one["why"] or "South gate" in str(one["failed"]) for one in refused
    )
    assert all(not one["on_field"] for one in result["places"])


def test_wetter_soil_and_a_pad_change_the_figures(folder):
    def stands(*options):
        told = json.loads(run(folder, *ASKED, *options, "--json").stdout)["result"]
        place = next(one for one in told["places"] if one["standing"])
        return place["standing"], told

    wet, told = stands("--soil", "smears")
    dry, _ = stands("--soil", "crumbles", "--pad", "60x60")
    assert wet["wheels"][0]["chance_judged"] > dry["wheels"][0]["chance_judged"]
    assert dry["jack_stand"]["contact_area_m2"] == pytest.approx(0.36)
    assert dry["jack_stand"]["depths"][0]["stress_kpa"] < wet["jack_stand"]["depths"][0]["stress_kpa"]
    assert told["sure"]["leaves_loaded"][0]["soil"] == "smears" and EAST < told["places"][0]["x_m"] < EAST + 200
    assert told["places"][0]["y_m"] > NORTH - 200


def test_the_table_tells_what_json_tells(folder, done):
    _, told = done
    lines = run(folder, *ASKED).stdout.splitlines()
    start = next(k for k, line in enumerate(lines) if re.match(r"rank +place", line)) + 1
    for row, one in zip(lines[start:], told["result"]["places"], strict=False):
        match = re.match(r" *(\d+) +(\d+)  (.+?)  +[\d,.]+ +\S+ +(\d+) +(\S+) +([\d.]+) +(\d+)  (.*)$", row)
        assert match, row
        rank, place, where, minutes, more, km, crossed, _ = match.groups()
        assert (int(rank), int(place), where.strip()) == (one["rank"], one["place"], one["words"])
        assert int(minutes) == round(one["minutes_min"]) and int(crossed) == one["crossings_of_the_place"]
        assert int(more.replace("\N{MINUS SIGN}", "-")) == round(one["more_than_best_min"])
        assert float(km) == pytest.approx(one["way_km"], rel=0.02)


def test_the_same_question_gives_the_same_bytes(folder, done, tmp_path):
    first, _ = done
    for _ in range(2):  # the second time into the folder of the first
        assert run(folder, *ASKED, "--out", str(tmp_path / "again"), "--stay", "6", "--json").exit_code == 0
    for path in sorted(first.iterdir()):
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


@pytest.mark.parametrize("surface", ["frozen", "snow", "waterlogged"])
def test_spreading_on_ground_that_may_not_be_spread_is_refused(tmp_path, surface):
    folder = farm_in(tmp_path / "farm")
    rows = folder / "operations.csv"
    head, first, *rest = rows.read_text().splitlines()
    rows.write_text("\n".join([f"{head},surface", f"{first},{surface}", *(f"{row}," for row in rest)]) + "\n")
    told = run(folder, *ASKED)
    assert told.exit_code == 2 and surface in told.stderr
    # another day is another ground
    assert run(folder, *ASKED, "--date", "2026-03-10", "--candidates", "4").exit_code == 0


def test_the_day_of_the_job_is_told(folder):
    plain = [one for one in ASKED if one not in ("--date", "2026-03-20")]
    told = json.loads(run(folder, *plain, "--json").stdout)
    (day,) = [note for note in told["assumptions"] if note["what"] == "day of the job"]
    assert day["value"] == "2026-03-20" and "no --date" in day["why"]
    other = json.loads(run(folder, *ASKED, "--date", "2025-08-12", "--json").stdout)
    (day,) = [note for note in other["warnings"] if note["what"] == "day of the job"]
    assert "season is 2026" in day["why"]
