"""Spoiled farm folders: every problem is told with place, finding and mend, and nothing else is said."""

import json
from pathlib import Path

import pytest
from spoiled_farms import OPS, Spoiling, text, write_good
from spoiled_ground import GROUND
from spoiled_plans import PLANS, planned
from spoiled_tables import TABLES
from spoiled_vectors import VECTORS
from spoiled_work import WORK
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm

SPOILINGS = GROUND + WORK + VECTORS + PLANS + TABLES


@pytest.mark.parametrize("spoiling", SPOILINGS, ids=lambda one: one.name)
def test_spoiled_farm_is_refused_in_words(spoiling: Spoiling, tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    spoiling.spoil(folder)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    problems = caught.value.problems
    said = "\n".join(one.sentence() for one in problems)
    fitting = [one for one in problems if spoiling.where in one.where and spoiling.what in one.what]
    assert fitting, said
    assert spoiling.found in fitting[0].found, said
    assert spoiling.mend in fitting[0].mend, said
    for one in problems:
        assert all(part.strip() for part in (one.what, one.where, one.found, one.needed, one.mend)), said
        assert str(tmp_path) not in one.sentence(), "places are told relative to the farm folder"
    assert len(problems) <= spoiling.problems, said


def test_there_are_many_spoilings() -> None:
    assert len(SPOILINGS) >= 40
    assert len({one.name for one in SPOILINGS}) == len(SPOILINGS)


def test_problems_of_all_files_are_told_together(tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    text("horizons.csv", "silty clay loam", "marl")(folder)
    text("outfits/spreader.toml", "track_bar = 1.6", "track_bar = 23")(folder)
    text(OPS, "2026-04-10", "2026-02-30")(folder)
    text("weather.csv", ",4.0,", ",-4.0,")(folder)
    text("farm.toml", "units =", "unit =")(folder)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    files = {one.where.split(",")[0] for one in caught.value.problems}
    assert {"horizons.csv", "outfits/spreader.toml", "operations.csv", "weather.csv", "farm.toml"} <= files


def test_no_folder_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        read_farm(tmp_path / "nowhere")


def test_a_plan_unspoiled_is_read(tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    planned()(folder)
    farm = read_farm(folder)
    assert farm.plans["south"].load_kg.tolist() == [3600.0, 3600.0, 0.0, 0.0]


@pytest.mark.parametrize("spoiling", SPOILINGS[::20], ids=lambda one: one.name)
def test_the_command_ends_with_2_and_no_traceback(spoiling: Spoiling, tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    spoiling.spoil(folder)
    said = CliRunner().invoke(app, ["check", str(folder)])
    assert said.exit_code == 2 and spoiling.what in said.stderr and not said.stdout
    assert "To mend it:" in said.stderr and "Traceback" not in said.output
    told = CliRunner().invoke(app, ["check", str(folder), "--json"])
    assert told.exit_code == 2 and any(spoiling.what in one["what"] for one in json.loads(told.stdout)["errors"])
