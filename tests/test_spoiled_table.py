"""tests/spoiled/README.md is up to date with the spoiled cases, and there are as many as promised."""

import re

from make_spoiled_table import TABLE, cases, kind_of
from spoiled_farms import Spoiling


def rows() -> dict[str, tuple[str, str]]:
    found = re.findall(r"(?m)^\| (.*?) \| (.*?) \| (.*?) \|$", TABLE.read_text(encoding="utf-8"))
    return {name: (kind, words) for kind, name, words in found[1:]}


def test_every_case_stands_in_the_table_with_its_message():
    there = rows()
    wanted = {case.name.replace("|", "/"): case for case in cases()}
    assert set(there) == set(wanted), "run python tests/make_spoiled_table.py"
    for name, case in wanted.items():
        what = case.what if isinstance(case, Spoiling) else case.refused or case.noted
        assert what.replace("|", "/") in there[name][1], f"{name}: run python tests/make_spoiled_table.py"


def test_there_are_many_cases_and_many_kinds_of_them():
    refused = [(kind, words.rpartition(": ")[2]) for kind, words in rows().values() if "*used*" not in words]
    assert len(refused) >= 150
    assert len(set(refused)) >= 60


def test_the_kind_of_a_file_is_read_from_a_message():
    assert kind_of("outfits/spreader.toml, width_m") == "outfits/*.toml"
    assert kind_of('farm.toml, tracks."a.tsv"') == "farm.toml"
    assert kind_of("tracks/a.gpx, row 3") == "tracks/*.gpx"
