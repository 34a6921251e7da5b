"""docs/evidence.md and its charts are what tests/make_evidence.py writes from the published rows of today."""

import re
import xml.etree.ElementTree as ET

import pytest
from make_evidence import DOCS, charts, difference, four_figures, page
from test_published import read_rows


def words_of(svg):
    return sorted(text.strip() for text in ET.fromstring(svg).itertext() if text.strip())


@pytest.fixture(scope="module")
def text():
    return page()


def test_page_is_up_to_date(text):
    written = (DOCS / "evidence.md").read_text(encoding="utf-8")
    assert written == text, "run: python tests/make_evidence.py"


@pytest.mark.parametrize("name", ["contact", "stress", "trials"])
def test_charts_are_up_to_date(name):
    written = (DOCS / "pictures" / f"evidence_{name}.svg").read_text(encoding="utf-8")
    assert words_of(written) == words_of(charts()[name]), "run: python tests/make_evidence.py"


def test_every_check_stands_there_and_misses_stay_misses(text):
    rows = [param.values[0] for param in read_rows()]
    everything = text.split("## All checks")[1]
    assert len(re.findall(r"^\| `", everything, flags=re.MULTILINE)) == len(rows)
    missed = [row for row in rows if row["holds"] == "no"]
    assert everything.count("**missed**") == len(missed) > 0
    assert any("Swiss trial 2000" in row["source"] for row in missed)
    assert "cries wolf" in text and "What is not known" in text
    for name in ("contact", "stress", "trials"):
        assert f"pictures/evidence_{name}.svg" in text and (DOCS / "pictures" / f"evidence_{name}.svg").is_file()


def test_numbers_are_written_the_same_everywhere():
    assert [four_figures(x) for x in (0.0, 0.123456, 58839.9, 2.0, -0.00001234)] == [
        "0",
        "0.1235",
        "58840",
        "2",
        "-1.234e-05",
    ]
    assert difference(0.67, 0.6132) == "-8.5 %" and difference(2.0, 2.0) == "0.0 %" and difference(0.0, 0.94) == "0.94"
