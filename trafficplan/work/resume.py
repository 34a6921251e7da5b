"""Unfinished work that is not lost: a ledger of finished fields, kept where their layers are written.

A field is finished when its entry stands in the ledger: the hash of its inputs, its files with theirs, and all that tables
and report need of it. The worker writes the entry last, so what a killed run leaves is either finished or not there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from trafficplan.chain import Plan
from trafficplan.farm.farm import Farm
from trafficplan.work.folder import MARK
from trafficplan.work.part import common_part, program_state
from trafficplan.work.store import HALF, Store, read, remove, sizes, whole, write
from trafficplan.work.written import hash_of, text_of, value_of

#: Folder of the ledger, beside `layers`; it is gone when the result is whole.
LEDGER = ".finished"

#: Name of a file -> its bytes and sha256.
Files = Mapping[str, tuple[int, str]]


def common_print(farm: Farm) -> str:
    """Return the hash of what decides every field's result: the program, and what all fields of a farm see."""
    return hash_of((program_state(), common_part(farm)))


def fingerprint(common: str, part: Farm, field: str, scenarios: tuple[str, ...], plan: Plan, *more: object) -> str:
    """Return the hash of all that decides one field's result: the program, the farm as far as the field sees it, the plan.

    Parameters
    ----------
    common : from `common_print`
    part : from `part_of`
    more : what else decides it (plain data)
    """
    # A row more in operations.csv moves all rows after it: only their order counts.
    rows = {row: rank for rank, row in enumerate(sorted({one.row for one in part.operations}))}
    operations = tuple(replace(one, row=rows[one.row]) for one in part.operations)
    seen = (
        part.fields,
        part.soil_map,
        part.soil_units,
        operations,
        part.scenarios,
        part.outfits,
        part.logs,
        part.plans,
    )
    return hash_of((common, seen, field, scenarios, plan, more))


def _entry(key: str) -> str:
    return f"{LEDGER}/{key}.json"


def remember(store: Store, key: str, print_: str, files: Files, outcome: object) -> None:
    """Write a finished field into the ledger: its files are all there.

    Raises
    ------
    OutputError
        The store refuses.
    """
    head = json.dumps({"inputs": print_, "files": {name: list(one) for name, one in sorted(files.items())}})
    write(store, _entry(key), f"{head}\n{text_of(outcome)}\n".encode())


@dataclass(frozen=True)
class _Entry:
    inputs: str
    files: dict[str, tuple[int, str]]
    outcome: str


def _read(store: Store, name: str) -> _Entry | None:
    """Return an entry of the ledger; None where it is not there or not whole."""
    try:
        head, outcome = (read(store, name) or b"").decode().split("\n", 1)
        told = json.loads(head)
        return _Entry(told["inputs"], {file: (one[0], one[1]) for file, one in told["files"].items()}, outcome)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError):
        return None


def recall(store: Store, key: str, print_: str, there: Mapping[str, int]) -> tuple[Files, Any] | None:
    """Return files and outcome of a field that is finished with exactly these inputs, else None.

    Parameters
    ----------
    there : name -> bytes of the store's files

    Raises
    ------
    OutputError
        The store refuses.
    """
    if _entry(key) not in there:
        return None
    entry = _read(store, _entry(key))
    if entry is None or entry.inputs != print_:
        return None
    for name, (size, sha256) in entry.files.items():
        if there.get(name) != size or not whole(store, name, sha256):
            return None
    try:
        return entry.files, value_of(entry.outcome)
    except ValueError:
        return None


def _ledgers(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return the entries of all ledgers among names: the entry and the folder whose ledger holds it."""
    found = []
    for name in names:
        before, mark, _ = f"/{name}".rpartition(f"/{LEDGER}/")
        if mark:
            found.append((name, f"{before}/".lstrip("/")))
    return found


def tidy(store: Store) -> None:
    """Remove all of an unfinished run but what its ledgers name: nothing half written stays.

    Raises
    ------
    OutputError
        The store refuses.
    """
    there = sizes(store)
    kept = {MARK}
    for name, folder in _ledgers(there):
        entry = _read(store, name)
        if entry is not None:
            kept |= {name, *(folder + file for file in entry.files)}
    remove(store, [name for name in there if name not in kept])


def sweep(store: Store, used: set[str]) -> None:
    """Remove all ledgers, the files that they name but this run did not use, and what a killed worker left half written.

    Raises
    ------
    OutputError
        The store refuses.
    """
    there = sizes(store)
    gone = {name for name in there if name.endswith(HALF)}
    for name, folder in _ledgers(there):
        entry = _read(store, name)
        gone |= {name, *(folder + file for file in (entry.files if entry else ()))}
    remove(store, sorted((gone & set(there)) - used))
