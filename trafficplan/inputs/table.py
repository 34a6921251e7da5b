"""CSV and other delimited tables: text cells with row numbers, columns found by name; # begins a comment."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from trafficplan.inputs.column_units import Column, in_our_units
from trafficplan.inputs.known_columns import map_hint
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.record import Record

#: What a comment begins with, in the first place of a line.
COMMENT = "#"


def read_text(ledger: Ledger, path: Path) -> str | None:
    """Return the text of a file: UTF-8, else the encoding that farm.toml tells, else cp1252 with a note."""
    name = path.relative_to(ledger.folder).as_posix()
    ledger.hash_file(path)
    raw, toml = path.read_bytes(), path.suffix.lower() == ".toml"
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in raw[:4096]:
        ledger.problem(
            "not a text file in UTF-8",
            name,
            "UTF-16 or a binary file",
            "text in UTF-8" if toml else "comma-separated text in UTF-8",
            "save it as UTF-8 from a text editor" if toml else "save it as CSV UTF-8 from the spreadsheet program",
        )
        return None
    return decoded(ledger, raw, name)


def decoded(ledger: Ledger, raw: bytes, name: str) -> str:
    """Return bytes as text: UTF-8 (with or without a mark), else as farm.toml tells, else cp1252 with a note."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        what = f"{name}: character set"
        if ledger.encoding:
            ledger.assumed(what, ledger.encoding, "the file is not UTF-8", "farm.toml, encoding")
            return raw.decode(ledger.encoding, errors="replace")
        ledger.assumed(
            what,
            "Windows western (cp1252)",
            "the file is not UTF-8; check names with accents, or write encoding in farm.toml",
            "guess",
        )
        return raw.decode("cp1252", errors="replace")


def read_table(
    ledger: Ledger,
    path: Path,
    known: Sequence[str],
    needed: Sequence[str],
    columns: Mapping[str, Column] | None = None,
) -> list[Record]:
    """Read a comma-separated table whose first row names the columns; lines that begin with # are comments.

    Parameters
    ----------
    known, needed : our column names; needed ones must be there
    columns : our name -> the file's column and its unit, from farm.toml

    Returns
    -------
    One Record per row that is not empty, keyed by our names; `where` holds the line of the file (from 1).
    A comment with as many cells as the header is a row that somebody put aside: a note says how many.
    """
    name = path.relative_to(ledger.folder).as_posix()
    text = read_text(ledger, path)
    if text is None:
        return []
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith(COMMENT)), "")
    if not first:
        ledger.problem(
            "the file is empty",
            name,
            "nothing",
            f"a header row: {', '.join(needed)}",
            "add the header and the rows",
        )
        return []
    if not _comma_separated(ledger, name, first):
        return []
    rows, comments = rows_of(ledger, name, text)
    if not rows:
        return []
    header = rows[0].cells
    _tell_rows_put_aside(ledger, name, comments, len(header))
    places = match_columns(ledger, name, [cell.strip() for cell in header], known, needed, columns or {})
    if places is None:
        return []
    records = []
    for row in rows[1:]:
        number, cells = row.first, row.cells
        if len(cells) != len(header):
            _ragged(ledger, f"{name}, row {number}", len(cells), len(header))
            continue
        values: dict[str, object] = {ours: cells[index].strip() for ours, index in places.items()}
        in_our_units(values, columns or {})
        records.append(Record(ledger, f"{name}, row {number}", {**values, "_row": number}))
    return records


def header_of(ledger: Ledger, path: Path) -> list[str] | None:
    """Return the names in a table's first row, or None with a problem where it cannot be read."""
    text = read_text(ledger, path)
    if text is None:
        return None
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith(COMMENT)), "")
    if not _comma_separated(ledger, path.relative_to(ledger.folder).as_posix(), first):
        return None
    try:
        return [cell.strip() for cell in next(csv.reader([first]), [])]
    except csv.Error:  # a cell without end
        return []


def _comma_separated(ledger: Ledger, name: str, header: str) -> bool:
    for mark, word in ((";", "semicolons"), ("\t", "tabs")):
        if header.count(mark) > header.count(","):
            ledger.problem(
                f"columns are separated by {word}",
                f"{name}, row 1",
                header[:80],
                "commas between columns and a decimal point in numbers",
                f"save it again as CSV UTF-8: decimal commas to points first, then {word} to commas",
            )
            return False
    return True


@dataclass(frozen=True)
class Row:
    """One row of a table: the lines of the file where it begins and ends (from 1), and its cells."""

    first: int
    last: int
    cells: list[str]


def rows_of(ledger: Ledger, name: str, text: str) -> tuple[list[Row], list[str]]:
    """Return the rows of a table, and its comments."""
    comments: list[str] = []
    begins = True

    def lines() -> Iterator[str]:
        nonlocal begins
        for line in io.StringIO(text, newline=""):
            # A # within a quoted cell of several lines is no comment: only where a row begins.
            comment = begins and line.startswith(COMMENT)
            begins = False
            comments.extend([line[1:]] if comment else [])
            yield "\n" if comment else line

    reader = csv.reader(lines(), strict=True)
    rows: list[Row] = []
    try:
        start = 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(Row(start, reader.line_num, cells))
            start = reader.line_num + 1
            begins = True
    except csv.Error as error:
        ledger.problem(
            "the table cannot be read",
            f"{name}, row {reader.line_num}",
            str(error),
            "rows of cells separated by commas",
            "look for a quotation mark without its partner in or before this row",
        )
        return [], []
    return rows, comments


def _tell_rows_put_aside(ledger: Ledger, name: str, comments: Sequence[str], width: int) -> None:
    aside = sum(1 for cells in csv.reader(comments) if len(cells) == width > 1)
    if aside:
        ledger.warned(f"{name}: rows put aside", f"{aside} left out", "they begin with #, which makes a line a comment")


def _ragged(ledger: Ledger, where: str, found: int, needed: int) -> None:
    mend = (
        "look for a decimal comma or a comma in a name: write a point, or put the name in quotation marks"
        if found > needed
        else "add the missing commas"
    )
    ledger.problem("the row does not fit the header", where, f"{found} cells", f"{needed} cells", mend)


def match_columns(
    ledger: Ledger,
    name: str,
    header: Sequence[str],
    known: Sequence[str],
    needed: Sequence[str],
    columns: Mapping[str, Column],
    shorten: int | None = None,
) -> dict[str, int] | None:
    """Find our columns in a header; capitals do not matter.

    Parameters
    ----------
    shorten : length to which the format cuts names (10 in a Shapefile), or None

    Returns
    -------
    Our name -> position, or None when a needed column is missing. A stray column that looks like an absent
    one of ours is refused (it would be ignored without a word); others are left alone.
    """
    positions: dict[str, int] = {}
    for index, column in enumerate(header):
        if column.lower() in positions:
            ledger.problem(
                "a column comes twice",
                name,
                column,
                "each column once",
                f"rename or remove one of the columns {column}",
            )
            return None
        positions[column.lower()] = index
    found: dict[str, int] = {}
    before = ledger.count()
    for ours in known:
        wanted = (columns[ours].name if ours in columns else "") or ours
        place = positions.get(wanted.lower())
        if place is None and shorten:
            place = positions.get(wanted[:shorten].lower())
        if place is not None:
            found[ours] = place
        elif ours in needed or ours in columns:
            near = nearest(wanted, header)
            hint = map_hint(known, ours, near or "...")
            mend = f"rename {near} to {wanted}" if near else f"add the column {wanted}"
            mend += f", or {hint}" if hint else ""
            ledger.problem("a column is missing", name, f"columns {listed(header)}", f"column {wanted}", mend)
    absent = [ours for ours in known if ours not in found]
    for index, column in enumerate(header):
        near = nearest(column, absent, cutoff=0.8)
        hint = map_hint(known, near or "", column)
        if index not in found.values() and near and near not in needed:
            ledger.problem(
                "an unknown column that looks like a known one",
                name,
                column,
                f"{near}, or a name that is not close to it",
                f"rename it to {near}, or remove it" + (f"; or {hint}" if hint else ""),
            )
    return found if ledger.count() == before else None
