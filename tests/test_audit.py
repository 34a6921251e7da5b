"""The whole command on a small farm: answer, files, scenarios run again, several farms, what fails."""

import csv
import json
import re
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from audit_farm import OPERATIONS, write_audit_farm
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.decide.audit_tables import TABLES
from trafficplan.report.audit_farms import outfit_rows
from trafficplan.report.words import say

CELL = ["--cell", "1", "--workers", "1"]


def run(*arguments: object, exit_code: int = 0) -> dict:
    """Run the command in process; return its JSON answer."""
    told = CliRunner().invoke(app, [*map(str, arguments), "--json"])
    assert told.exit_code == exit_code, told.output[-2000:]
    return json.loads(told.stdout)


@pytest.fixture(scope="session")
def audited(once):
    """The audit of the small farm, made once: folder with `farm` and `out`."""

    def make(folder: Path) -> None:
        write_audit_farm(folder / "farm")
        told = run("audit", folder / "farm", "--out", folder / "out", "--instead", "spreader=wide:9000", *CELL)
        (folder / "answer.json").write_text(json.dumps(told))

    return once("audit", make)


@pytest.fixture(scope="session")
def result(audited) -> dict:
    return json.loads((audited / "answer.json").read_text())["result"]["farms"][0]


def test_the_answer_adds_up(result) -> None:
    assert result["area_ha"] == pytest.approx(3 * 60 * 66 / 1e4, abs=1e-3)
    fields = {row["field"]: row for row in result["fields"]}
    assert list(fields) == ["Alder", "Birch", "Cedar"]
    for name in ("lasting_likely_ha", "lasting_expected_ha"):
        assert sum(row[name] for row in fields.values()) == pytest.approx(result[name], abs=1e-3)
    assert sum(row["area_ha"] for row in result["chance"]) == pytest.approx(result["area_ha"], abs=0.02)
    for by in ("job", "outfit", "month", "zone"):
        told = sum(row["traffic_t_km"] for row in result["traffic"] if row["by"] == by)
        assert told == pytest.approx(result["traffic_t_km"], rel=1e-4)
    assert {row["name"] for row in result["traffic"] if row["by"] == "month"} == {"2026-03", "2026-04"}


def test_two_slurries_on_the_same_lines_share_and_neither_is_harmless(result) -> None:
    jobs = {row["operation"]: row for row in result["operations"]}
    for one, other in (("b-slurry", "b-again"), ("b-again", "b-slurry")):
        assert jobs[one]["alone_ha"] == 0.0
        assert jobs[one]["shared_ha"] == jobs[one]["enough_ha"] > 0.02
        assert jobs[one]["shared_with"] == other
    groups = {(row["left_out"], row["name"]): row for row in result["groups"]}
    slurry = groups["job", "slurry"]
    assert slurry["operations"] == 3
    birch = next(row for row in result["fields"] if row["field"] == "Birch")
    assert slurry["gone_likely_ha"] >= birch["lasting_likely_ha"] - 1e-4  # all of them at once leave nothing there


def test_every_change_is_a_scenario_that_map_runs_to_the_same_hectares(audited, result, tmp_path) -> None:
    changes = {row["scenario"]: row for row in result["changes"]}
    assert {row["rank"] for row in changes.values()} >= {0, 1, 2, 3}
    assert sum(row["chosen"] for row in changes.values()) == 4  # the three and all of them together
    farm = write_audit_farm(tmp_path / "farm")
    (farm / "scenarios.toml").write_text((audited / "out" / "scenarios.toml").read_text())
    chosen = [name for name, row in changes.items() if row["chosen"]]
    told = run(
        "map", farm, "--out", tmp_path / "map", *CELL, *(part for name in chosen for part in ("--scenario", name))
    )
    (base,) = [row for row in told["result"]["scenarios"] if row["scenario"] == "base"]
    assert base["lasting_likely_ha"] == pytest.approx(result["lasting_likely_ha"], abs=0.006)
    assert base["wheeled_ha"] == pytest.approx(result["wheeled_ha"], abs=0.006)
    likely = {row["scenario"]: row["lasting_likely_ha"] for row in told["result"]["scenarios"]}
    for name in chosen:
        spared = changes[name]["spared_likely_ha"]
        assert likely["base"] - likely[name] == pytest.approx(spared, abs=0.011), name  # map tells hundredths
    together = next(row for row in changes.values() if row["rank"] == 0)
    assert (
        together["spared_expected_ha"] > max(row["spared_expected_ha"] for row in changes.values() if row["rank"]) / 2
    )


def test_the_outfit_that_the_user_offers_is_tried(result) -> None:
    (swap,) = [row for row in result["changes"] if row["kind"] == "outfit"]
    assert swap["cost_low"] == pytest.approx(9000.0, rel=0.1) and "wide tyres" in swap["title"]
    assert swap["spared_expected_ha"] > 0.01


def test_the_files_are_there_and_tables_have_their_columns(audited, result) -> None:
    out = audited / "out"
    for table in TABLES:
        header, *rows = (out / "tables" / f"{table.name}.csv").read_text().splitlines()
        assert header.split(",") == list(table.columns)
        assert len(rows) == len(result[table.name])
    assert json.loads((out / "audit.json").read_text()) == {key: one for key, one in result.items() if key != "out"}
    run_json = json.loads((out / "run.json").read_text())
    assert run_json["program"] == "trafficplan" and run_json["parameters"]["command"] == "audit"
    assert (out / "layers" / "base" / "Alder" / "lasting.tif").exists()
    fields = gpd.read_file(out / "audit.gpkg", layer="fields")
    assert set(fields.field) == {"Alder", "Birch", "Cedar"} and fields.crs.to_epsg() == 32635
    assert fields.set_index("field").lasting_likely_pct["Birch"] > 10
    assert len(gpd.read_file(out / "audit.gpkg", layer="drives")) == 5
    with sqlite3.connect(out / "audit.gpkg") as base:
        styles = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles").fetchall())
    assert set(styles) == {"fields", "places", "drives"} and 'attr="lasting_likely_pct"' in styles["fields"]
    assert '"SimpleMarker"' in styles["places"] and '"SimpleLine"' in styles["drives"]


def test_the_page_is_one_offline_file_with_the_answer_first(audited, result) -> None:
    page = (audited / "out" / "report.html").read_text()
    assert not re.findall(r"(?:src|href)=\"(?!data:|#)[^\"]*", page) and "<script" not in page
    first = page[page.index("<main>") : page.index("Fields A to Z")]
    sentences = first[first.index("<ol") : first.index("</ol>")]
    assert sentences.count("<li>") == 5 and "Lasting damage expected on" in first
    for words in ("Wheels touched", "went below the plough", "The days that did most were", "Deepest reached", "tillage mended", "would spare"):  # fmt: skip
        assert words in first
    assert first.count("<tr") == 1 + 4  # head, three changes, all together
    assert page.index("Alder") < page.index("<h3>Birch") < page.index("<h3>Cedar")
    assert "dig a hole and look" in page and "Local rules" in page
    assert "EUR" not in page and "Loss" not in page  # nothing in money unless asked


def test_another_year_with_prices_is_held_against_an_earlier_one(audited, tmp_path) -> None:
    lighter = OPERATIONS.replace(
        "b-again,2026-03-22,08:00,Birch,slurry,spreader,60 m3/ha,,empties,swaths,,,smears,,\n", ""
    )
    farm = write_audit_farm(tmp_path / "farm", operations=lighter)
    prices = tmp_path / "prices.toml"
    prices.write_text('currency = "EUR"\nhour = 50\n[crops.wheat]\nyield_t_ha = 8\nprice_t = 200\n')
    told = run("audit", farm, "--out", tmp_path / "out", "--against", audited / "out", "--prices", prices, *CELL)
    (one,) = told["result"]["farms"]
    page = (tmp_path / "out" / "report.html").read_text()
    rows = {row["field"]: row for row in one["earlier"]["rows"]}
    assert one["earlier"]["season"] == "2026" and set(rows) == {"Alder", "Birch", "Cedar"}
    assert rows["Birch"]["covered_pct"] < rows["Birch"]["earlier_covered_pct"]
    assert rows["Cedar"]["wheeled_pct"] == rows["Cedar"]["earlier_wheeled_pct"]
    assert "This year against 2026" in page
    wheat, beans = sorted(one["losses"], key=lambda row: row["crop"], reverse=True)
    assert wheat["crop"] == "wheat" and wheat["first_year_low_money"] < wheat["first_year_high_money"]
    assert beans["first_year_low_money"] is None and one["currency"] == "EUR"
    assert "What it may cost" in page and "EUR" in page and "Weather decides more" in page
    assert all(row["cost_low"] is not None for row in one["changes"])


def test_a_folder_without_an_audit_is_no_earlier_year(audited, tmp_path) -> None:
    farm = audited / "farm"
    told = run("audit", farm, "--out", tmp_path / "out", "--against", farm, *CELL, exit_code=2)
    assert told["errors"][0]["what"] == "no earlier audit"


def test_a_field_that_fails_does_not_stop_the_others(tmp_path) -> None:
    closed = OPERATIONS.replace("date,start", "surface,date,start").replace("\n", "\n,")
    closed = "\n".join(
        f"{row[1:].partition(',')[0]},waterlogged,{row[1:].partition(',')[2]}"
        if row.startswith(",b-slurry")
        else f"{row[1:].partition(',')[0]},,{row[1:].partition(',')[2]}"
        if row.startswith(",") and len(row) > 1
        else row
        for row in closed.splitlines()
    )
    farm = write_audit_farm(tmp_path / "farm", operations=closed + "\n")
    told = run("audit", farm, "--out", tmp_path / "out", "--cell", "2", "--workers", "1", exit_code=3)
    (one,) = told["result"]["farms"]
    assert (
        set(one["failed"]) == {"Birch"} and one["failed"]["Birch"][0]["what"] == "spreading is refused on this ground"
    )
    assert told["errors"] == one["failed"]["Birch"]
    assert [row["field"] for row in one["fields"]] == ["Alder", "Cedar"]
    assert "Not computed:" in (tmp_path / "out" / "report.html").read_text()
    assert any(
        "Birch: not computed" in note["what"]
        for note in json.loads((tmp_path / "out" / "run.json").read_text())["warnings"]
    )


def test_a_season_without_operations_is_named(tmp_path) -> None:
    farm = write_audit_farm(tmp_path / "farm")
    told = run(
        "audit", farm, "--season", "2019", "--out", tmp_path / "out", "--cell", "2", "--workers", "1", exit_code=3
    )
    (one,) = told["result"]["farms"]
    assert one["lasting_likely_ha"] == 0.0 and one["operations"] == []
    assert any(note["what"] == "season 2019: no operation" for note in told["warnings"])
    assert "Nothing drove in season 2019" in (tmp_path / "out" / "report.html").read_text()


def test_one_client_is_never_in_anothers_report(tmp_path) -> None:
    """Every file of a farm's own folder, whatever its kind, is searched for the names of the other farm."""
    first = write_audit_farm(tmp_path / "oak", "Oak Hollow")
    second = write_audit_farm(tmp_path / "pine", "Pine Crest")
    for name, other in (("Alder", "Quince"), ("Birch", "Rowan"), ("Cedar", "Sycamore")):
        for path in second.glob("*.*"):
            path.write_text(path.read_text().replace(name, other))
    broken = tmp_path / "broken"
    broken.mkdir()
    told = run("audit", first, second, broken, "--out", tmp_path / "out", "--cell", "2", "--workers", "1", exit_code=3)
    assert [one["title"] for one in told["result"]["farms"]] == ["Oak Hollow", "Pine Crest"]
    assert list(told["result"]["failed"]) == [str(broken)]
    strangers = {
        "oak": ("Pine Crest", "Quince", "Rowan", "Sycamore"),
        "pine": ("Oak Hollow", "Alder", "Birch", "Cedar"),
    }
    for name, words in strangers.items():
        files = [path for path in (tmp_path / "out" / name).rglob("*") if path.is_file()]
        assert {path.name for path in files} >= {
            "report.html",
            "audit.json",
            "audit.gpkg",
            "run.json",
            "scenarios.toml",
        }
        for path in files:
            content = path.read_bytes() + str(path.relative_to(tmp_path / "out")).encode()
            assert not [word for word in words if word.encode() in content], path
    over_all = (tmp_path / "out" / "farms.html").read_text()
    assert "Oak Hollow" in over_all and "Pine Crest" in over_all and "broken" in over_all
    assert len((tmp_path / "out" / "farms.csv").read_text().splitlines()) == 3
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "oak",
        "pine",
        "farms.html",
        "farms.csv",
        "run.json",
    }
    gone = [
        row["gone_expected_ha"] for one in told["result"]["farms"] for row in one["groups"] if row["name"] == "spreader"
    ]
    (row,) = [row for row in outfit_rows(told["result"]["farms"], "metric") if row["name"] == "spreader"]
    assert (row["farms"], row["operations"]) == ("2", "6") and row["gone"] == say("area", sum(gone), "metric")


def test_wrong_questions_are_refused(audited, tmp_path) -> None:
    farm = audited / "farm"
    for option, value, what in (
        ("--instead", "spreader", "not a swap of outfits"),
        ("--instead", "spreader=wide:much", "not a swap of outfits"),
        ("--instead", "spreader=tank", "unknown outfit"),
        ("--prices", tmp_path / "none.toml", "no such file of prices"),
        ("--cell", "0", "cell size out of range"),
    ):
        told = run("audit", farm, "--out", tmp_path / "out", option, value, exit_code=2)
        assert told["errors"][0]["what"] == what
    assert not (tmp_path / "out").exists()


def test_numbers_of_the_answer_end_with_their_unit(result) -> None:
    endings = ("_ha", "_pct", "_km", "_h", "_kg", "_m", "_m2", "_bar", "_t", "_money", "_low", "_high", "_mean", "_p95", "_from", "_to", "_km_ha")  # fmt: skip
    counts = {"rank", "operations", "trips", "loads", "chance_from", "chance_to", "chance_mean"}
    for table in TABLES:
        for row in result[table.name]:
            for name, value in row.items():
                if isinstance(value, float) and not isinstance(value, bool):
                    assert name.endswith(endings) or name in counts, f"{table.name}: {name}"


def test_each_operation_says_how_wet_the_soil_was(result) -> None:
    given = {row["id"]: row["moisture"] for row in csv.DictReader(OPERATIONS.splitlines())}
    told = {row["operation"]: (row["soil_top"], row["soil_below"]) for row in result["operations"]}
    assert len(given) == 5 and told == {key: (word, word) for key, word in given.items()}


def test_results_are_the_same_with_one_worker_and_two(audited, tmp_path) -> None:
    told = run("audit", audited / "farm", "--out", tmp_path / "out", "--instead", "spreader=wide:9000", "--cell", "1", "--workers", "2")  # fmt: skip
    mine = json.loads((audited / "answer.json").read_text())["result"]["farms"][0]
    (other,) = told["result"]["farms"]
    assert {**other, "out": ""} == {**mine, "out": ""}
    for path in (audited / "out" / "tables").iterdir():
        assert (tmp_path / "out" / "tables" / path.name).read_bytes() == path.read_bytes()
    layers = sorted(path.relative_to(audited / "out") for path in (audited / "out" / "layers").rglob("*.tif"))
    assert layers and all(
        (tmp_path / "out" / one).read_bytes() == (audited / "out" / one).read_bytes() for one in layers
    )
    assert np.isfinite(other["lasting_expected_ha"])
