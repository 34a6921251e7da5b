"""Notes and problems that say the same of many things are told once, and lose nothing in JSON."""

from __future__ import annotations

import json
from pathlib import Path

from spoiled_farms import layers, write_good
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.errors import Problem
from trafficplan.names import Note
from trafficplan.report.alike import alike_notes, alike_problems


def test_notes_of_many_things_share_one_and_others_stay() -> None:
    notes = [Note("assumed", f"field F{i}: tillage depth", "0.25 m", "not given") for i in range(92)]
    other = [Note("assumed", "field X: tillage depth", "0.20 m", "not given"), Note("warned", "access", "none", "")]
    first, *rest = alike_notes([*notes, *other])
    assert first.what.startswith("92 fields (F0, F1, F2,") and first.what.endswith("F11 and 80 more): tillage depth")
    assert (first.value, first.why) == ("0.25 m", "not given") and rest == other
    assert alike_notes(notes[:2]) == notes[:2]


def test_notes_of_different_kinds_of_things() -> None:
    notes = [Note("assumed", f"{what}: name", "x", "y") for what in ("field a", "gate b", "outfit c")]
    assert [one.what for one in alike_notes(notes)] == ["3 places (field a, gate b, outfit c): name"]


def test_problems_of_two_files_are_told_apart() -> None:
    many = [
        Problem("no name", f"{file}, row {i}", str(i), "a name", "write it") for file in ("a", "b") for i in range(4)
    ]
    told = alike_problems([*many, Problem("other", "a, row 9", "x", "y", "z")])
    assert [one.where for one in told] == [
        "a, 4 places (row 0, row 1, row 2 and 1 more)", "b, 4 places (row 0, row 1, row 2 and 1 more)", "a, row 9",
    ]  # fmt: skip
    assert told[0].found == "0, and the like" and alike_problems(many[:3]) == many[:3]


def test_ninety_two_tramlines_of_an_unknown_field_are_one_message(tmp_path: Path) -> None:
    folder = write_good(tmp_path / "farm")
    frame = layers()["tramlines"]
    many = frame.iloc[[i % len(frame) for i in range(92)]].assign(field="Moor")
    many.to_file(folder / "tramlines.geojson", driver="GeoJSON")
    said = CliRunner().invoke(app, ["check", str(folder)])
    assert said.exit_code == 2 and said.stderr.count("unknown field") == 1
    assert "tramlines.geojson, 92 places (feature 1 (Moor), column field, feature 2 (Moor)" in said.stderr
    told = json.loads(CliRunner().invoke(app, ["check", str(folder), "--json"]).stdout)
    assert [one["what"] for one in told["errors"]].count("unknown field") == 92
