"""Writes tests/spoiled/README.md: every spoiled farm and log of the tests, and what is said of it.

`python tests/make_spoiled_table.py` spoils the farm of 1 ha in each way and takes down the message.
"""

from __future__ import annotations

import importlib
import re
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from log_writers import use  # noqa: E402
from spoiled_farms import Spoiling, write_good  # noqa: E402
from spoiled_logs import SpoiledLog  # noqa: E402

TABLE = HERE / "spoiled" / "README.md"
HEAD = """# Spoiled farms and logs

Each row is a test: the good farm of 1 ha (`spoiled_farms.py`) is spoiled in one way, and the message must say where, what, what was found, what is
needed and how to mend it. `python tests/make_spoiled_table.py` makes this table; a test fails when it is out of date. Rows that begin with
*used* are logs that real machines write like that: they are read, with a note.

Tried elsewhere: files with bytes cut off or changed (`test_damaged_layers.py`), logs of 200 MB and without end (`test_logs_long.py`), inputs found by
fuzz (`test_found.py`), links and names that lead out, virtual files, a full disk, runs killed at 20 moments (`test_safety.py`), no permission to write
and exit statuses (`test_map_whole.py`).

| file | what is spoiled | the message begins |
|---|---|---|
"""

Case = Spoiling | SpoiledLog


def cases() -> list[Case]:
    """Every spoiled case in the modules spoiled_*.py, in the order of file and list."""
    found: dict[int, Case] = {}
    for path in sorted(HERE.glob("spoiled_*.py")):
        for value in vars(importlib.import_module(path.stem)).values():
            if isinstance(value, tuple | list):
                found |= {id(one): one for one in value if isinstance(one, Spoiling | SpoiledLog)}
    return list(found.values())


def told(case: Case, folder: Path) -> tuple[str, str]:
    """The kind of file, and the beginning of what is said of it."""
    from trafficplan.errors import InputError
    from trafficplan.inputs.farm import read_farm

    farm = write_good(folder / "farm")
    if isinstance(case, Spoiling):
        case.spoil(farm)
        wanted = case.what
    elif callable(case.content):
        case.content(farm / "tracks" / case.file)
        use(farm, case.drive or case.file)
        wanted = case.refused or case.noted
    else:
        use(farm, case.drive or case.file, case.content)
        wanted = case.refused or case.noted
    try:
        notes = read_farm(farm).notes
    except InputError as error:
        where = case.where if isinstance(case, Spoiling) else ""
        fitting = [one for one in error.problems if wanted in one.what and where in one.where]
        return kind_of(fitting[0].where), f"{fitting[0].where}: {fitting[0].what}"
    note = next(one.what for one in notes if wanted in one.what)
    return kind_of(note), f"*used*; {note}"


def kind_of(where: str) -> str:
    """The file that a place in a message names, without its own name where any name will do.

    >>> kind_of("outfits/spreader.toml, width_m"), kind_of('farm.toml, tracks."a.tsv"'), kind_of("tracks/a.gpx, row 3")
    ('outfits/*.toml', 'farm.toml', 'tracks/*.gpx')
    """
    file = re.match(r"[\w./-]*", where).group().rstrip(".:")
    folder, _, name = file.rpartition("/")
    ending = name.rpartition(".")[2] if "." in name else ""
    if folder.startswith(("tracks", "outfits")):
        return f"{folder.partition('/')[0]}/*{'.' + ending if ending else ''}"
    return file or where.partition(",")[0]


def table() -> str:
    """The whole page."""
    rows = []
    for case in cases():
        with tempfile.TemporaryDirectory() as folder:
            kind, words = told(case, Path(folder))
        rows.append(
            "| " + " | ".join(cell.replace("|", "/").replace("\n", " ") for cell in (kind, case.name, words)) + " |"
        )
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    TABLE.write_text(table(), encoding="utf-8", newline="\n")
    print(f"{len(cases())} cases")
