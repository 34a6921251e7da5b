"""What is asked of an audit: an earlier result, several farms, outfits offered in place of others."""

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import pytest
from audit_farm import OPERATIONS, write_audit_farm
from test_audit import run

from trafficplan.inputs.farm import read_farm
from trafficplan.report.audit_earlier import audits_in, compared, of_farm
from trafficplan.report.audit_words import money
from trafficplan.work.audit import as_driven

COARSE = ["--cell", "2", "--depths", "20,50", "--workers", "1"]


def renamed(folder: Path, names: dict[str, str]) -> Path:
    """Give the fields of a farm other names, in all its files."""
    for path in folder.glob("*.*"):
        text = path.read_text()
        for name, other in names.items():
            text = text.replace(name, other)
        path.write_text(text)
    return folder


@pytest.fixture(scope="module")
def clients(tmp_path_factory) -> tuple[Path, Path, Path]:
    """Two clients whose farm folders are called alike, and the audit of both."""
    folder = tmp_path_factory.mktemp("clients")
    first = write_audit_farm(folder / "one" / "home", "Oak Hollow")
    second = write_audit_farm(folder / "two" / "home", "Pine Crest")
    renamed(second, {"Alder": "Quince", "Birch": "Rowan", "Cedar": "Sycamore"})
    told = run("audit", first, second, "--out", folder / "out", *COARSE)
    assert [Path(one["out"]).name for one in told["result"]["farms"]] == ["home", "home-2"]
    return first, second, folder / "out"


def test_clients_whose_folders_are_called_alike_are_compared_with_themselves(clients, tmp_path) -> None:
    first, second, earlier = clients
    told = run("audit", first, second, "--out", tmp_path / "out", "--against", earlier, *COARSE)
    fields = [{row["field"] for row in one["earlier"]["rows"]} for one in told["result"]["farms"]]
    assert fields == [{"Alder", "Birch", "Cedar"}, {"Quince", "Rowan", "Sycamore"}]
    for path in (tmp_path / "out" / "home-2").rglob("*"):
        assert path.is_dir() or not [one for one in (b"Oak Hollow", b"Alder") if one in path.read_bytes()], path
    alone = run("audit", second, "--out", tmp_path / "alone", "--against", earlier / "home", *COARSE)
    assert alone["result"]["farms"][0]["earlier"] is None
    (note,) = [one for one in alone["warnings"] if one["what"] == "earlier year"]
    assert note["value"] == "no audit of this farm in the folder given"
    page = (tmp_path / "alone" / "report.html").read_text()
    assert note["value"] in page and "This year against" not in page and "Oak Hollow" not in page


def test_the_same_season_and_other_cells_are_no_earlier_year_without_a_word(clients) -> None:
    then = of_farm(audits_in(clients[2]), "home", "Oak Hollow")
    assert then is not None
    told, notes = compared(then["fields"], then, "2026", 2.0)
    assert told is not None and [one.value for one in notes] == ["season 2026"]
    assert "same season" in notes[0].why
    assert compared(then["fields"], then, "2027", 2.0)[1] == ()
    told, notes = compared(then["fields"], then, "2025", 1.0)
    assert [one.value for one in notes] == ["season 2026", "cells of 2 m then, 1 m now"]
    told, notes = compared([{"field": "Elsewhere"}], then, "2027", 2.0)
    assert told is None and "no field" in notes[0].value


def test_a_folder_renamed_for_the_new_year_is_still_the_same_farm() -> None:
    audits = [{"farm": "oak-2025", "title": "Oak"}, {"farm": "pine-2025", "title": "Pine"}]
    assert of_farm(audits, "oak-2026", "Oak") is audits[0]
    assert of_farm([*audits, audits[0]], "oak-2026", "Oak") is None  # two of one name: which is not known


def test_the_same_farm_twice_and_outfits_that_no_farm_has_are_refused(clients, tmp_path) -> None:
    first, second, _ = clients
    twice = run("audit", first, second, first.parent / "." / "home", "--out", tmp_path / "out", *COARSE, exit_code=2)
    assert [one["what"] for one in twice["errors"]] == ["the same farm twice"]
    for swap in ("digger=wide", "spreader=digger"):
        told = run("audit", first, second, "--out", tmp_path / "out", "--instead", swap, *COARSE, exit_code=2)
        assert [(one["what"], one["found"]) for one in told["errors"]] == [("unknown outfit", swap)]
    itself = run("audit", first, "--out", tmp_path / "out", "--instead", "wide=wide", *COARSE, exit_code=2)
    assert itself["errors"][0]["what"] == "an outfit in place of itself"
    assert not (tmp_path / "out").exists()


def test_what_an_offer_costs_is_told_without_prices_and_an_idle_outfit_is_named(clients, tmp_path) -> None:
    told = run(
        "audit", clients[0], "--out", tmp_path / "out", *COARSE,
        "--instead", "spreader=wide:9000", "--instead", "wide=roller:700",
    )  # fmt: skip
    (row,) = [row for row in told["result"]["farms"][0]["changes"] if row["kind"] == "outfit"]
    assert row["cost_low"] == row["cost_high"] == 9000.0
    page = (tmp_path / "out" / "report.html").read_text()
    assert "9,000 of your money" in page and "no price of an hour is given" in page and "EUR" not in page
    assert any(one["what"] == "roller in place of wide" and one["value"] == "not tried" for one in told["warnings"])
    assert money(9000.0, 9000.0, "") == "9,000 of your money"


def test_a_day_is_left_out_as_a_whole(clients, tmp_path) -> None:
    """Two slurries on the same lines: apart on two days neither day gives anything back, on one day all of it."""
    rows = {}
    for name, text in (("two", OPERATIONS), ("one", OPERATIONS.replace("2026-03-22", "2026-03-21"))):
        farm = write_audit_farm(tmp_path / name, operations=text)
        run("audit", farm, "--out", tmp_path / f"{name} out", *COARSE)
        told = json.loads((tmp_path / f"{name} out" / "audit.json").read_text())
        rows[name] = {row["name"]: row for row in told["groups"] if row["left_out"] == "day"}
        birch = next(row for row in told["fields"] if row["field"] == "Birch")
    assert rows["two"]["2026-03-21"]["gone_likely_ha"] == rows["two"]["2026-03-22"]["gone_likely_ha"] == 0.0
    assert rows["one"]["2026-03-21"]["gone_likely_ha"] == pytest.approx(birch["lasting_likely_ha"], abs=1e-4)
    assert birch["lasting_likely_ha"] > 0.02


def test_prices_of_crops_that_no_field_has_are_named(clients, tmp_path) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text('currency = "EUR"\nhour = 50\n[crops."winter wheat"]\nyield_t_ha = 8\nprice_t = 200\n')
    told = run("audit", clients[0], "--out", tmp_path / "out", "--prices", prices, *COARSE)
    (note,) = [one for one in told["warnings"] if one["what"].startswith("price of")]
    assert note["what"] == "price of winter wheat" and "beans, wheat" in note["why"]


def test_scenarios_of_an_earlier_audit_keep_their_names(clients, tmp_path) -> None:
    """What the audit proposes goes below them in one file, which is read again."""
    farm = write_audit_farm(tmp_path / "farm")
    run("audit", farm, "--out", tmp_path / "first", *COARSE)
    (farm / "scenarios.toml").write_text((tmp_path / "first" / "scenarios.toml").read_text())
    before = set(read_farm(farm).scenarios)
    told = run("audit", farm, "--out", tmp_path / "second", *COARSE)
    mine = {row["scenario"] for row in told["result"]["farms"][0]["changes"]}
    assert mine and not mine & before and all(name.endswith(" 2") for name in mine)
    with (farm / "scenarios.toml").open("a") as file:
        file.write((tmp_path / "second" / "scenarios.toml").read_text())
    assert set(read_farm(farm).scenarios) == before | mine


def test_operations_of_two_years_are_said_to_be_counted_together(clients) -> None:
    farm = read_farm(clients[0])
    moved = replace(farm.operations[0], day=dt.date(2025, 10, 2))
    driven = as_driven(replace(farm, operations=(moved, *farm.operations[1:])), None)
    (note,) = [one for one in driven.notes if "counted together" in one.value]
    assert "2025 and 2026" in note.value and "--season" in note.why
    assert not [one for one in as_driven(farm, None).notes if "counted together" in one.value]


def test_a_field_that_fails_in_one_of_several_farms_says_in_which(clients, tmp_path) -> None:
    header, *rows = OPERATIONS.splitlines()
    wet = "\n".join([f"{header},surface", *(f"{row},{'waterlogged' if row.startswith('b-') else ''}" for row in rows)])
    farm = write_audit_farm(tmp_path / "wet", "Wet Farm", operations=wet + "\n")
    told = run("audit", clients[0], farm, "--out", tmp_path / "out", *COARSE, exit_code=3)
    assert [one["where"].partition(":")[0] for one in told["errors"]] == ["wet"]
    assert "Birch" in (tmp_path / "out" / "farms.html").read_text()
    assert b"Wet Farm" not in (tmp_path / "out" / "home" / "report.html").read_bytes()
