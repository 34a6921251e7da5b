"""docs/audit.md says what the answer holds: every table, every column, every name of a farm's answer."""

import re

from conftest import REPO
from test_audit import audited, result  # noqa: F401 - fixtures

from trafficplan.decide.audit_tables import COMPARED, TABLES

PAGE = (REPO / "docs" / "audit.md").read_text(encoding="utf-8")


def test_every_table_and_column_is_documented_as_it_is() -> None:
    sections = dict(re.findall(r"^### `(\w+)`\n(.*?)(?=^### |\Z)", PAGE, flags=re.MULTILINE | re.DOTALL))
    assert list(sections) == [table.name for table in TABLES]
    for table in TABLES:
        told = re.findall(r"^\| `(\w+)` \| (.+?) \|$", sections[table.name], flags=re.MULTILINE)
        assert told == list(table.columns.items())


def test_the_answer_of_a_farm_has_the_names_that_are_documented(result) -> None:  # noqa: F811
    head = PAGE[PAGE.index("each farm:") : PAGE.index("and one list of rows per table")]
    told = {
        name for cell in re.findall(r"^\| (`.+?) \|", head, flags=re.MULTILINE) for name in re.findall(r"`(\w+)`", cell)
    }
    assert told | {table.name for table in TABLES} == set(result)
    for table in TABLES:
        for row in result[table.name]:
            assert list(row) == list(table.columns)
    assert all(f"`{name}`" in PAGE for name in COMPARED)
