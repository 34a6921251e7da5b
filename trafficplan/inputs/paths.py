"""Files of the farm folder: found inside it and nowhere else."""

from __future__ import annotations

import os
from pathlib import Path

from trafficplan.inputs.ledger import Ledger, file_parts, listed, nearest


def inside(ledger: Ledger, name: str, where: str) -> Path | None:
    """Return the path of a file named in the farm's files, or None with a problem.

    A name that leaves the farm folder, or that a geodata library would take for a network address or a
    virtual file, is refused: a farm folder from a stranger must not read other files of the machine.
    """
    path = Path(name)
    parts = name.replace("\\", "/").split("/")
    if "://" in name or name.lower().startswith(("/vsi", "\\vsi")) or path.is_absolute() or ".." in parts:
        ledger.problem(
            "a file outside the farm folder is named",
            where,
            name,
            "a path inside the farm folder",
            "copy the file into the farm folder and name it from there",
        )
        return None
    full = ledger.folder / path
    if not full.exists():
        _missing(ledger, name, where)
        return None
    if not all(part.resolve().is_relative_to(ledger.folder.resolve()) for part in file_parts(full)):
        ledger.problem(
            "a link leads out of the farm folder",
            where,
            name,
            "a file inside the farm folder",
            "replace the link by a copy of the file",
        )
        return None
    if not full.is_file() or not os.access(full, os.R_OK):
        ledger.problem(
            "not a readable file",
            where,
            name,
            "a file that can be read",
            "check the name and the file's permissions",
        )
        return None
    return full


def no_broken_links(ledger: Ledger) -> None:
    """Record the links of the farm folder that lead nowhere: what they stood for must not be missed in silence."""
    for path in sorted(ledger.folder.iterdir()):
        if path.is_symlink() and not path.exists():
            ledger.problem(
                "a link that leads nowhere",
                path.name,
                "nothing at its end",
                "a file inside the farm folder",
                "put the file itself there, or remove the link",
            )


def folder_inside(ledger: Ledger, name: str) -> Path | None:
    """Return a folder of the farm folder; None where it is not there, or with a problem where a link leads out."""
    folder = ledger.folder / name
    if not folder.is_dir():
        return None
    if not folder.resolve().is_relative_to(ledger.folder.resolve()):
        ledger.problem(
            "a link leads out of the farm folder",
            name,
            f"{name} is a link",
            "a folder inside the farm folder",
            "replace the link by a copy of the folder",
        )
        return None
    return folder


def _missing(ledger: Ledger, name: str, where: str) -> None:
    folder = (ledger.folder / name).parent
    there = [path.name for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []
    near = nearest(Path(name).name, there)
    mend = (
        f"rename {near} to {Path(name).name}, or name it in farm.toml"
        if near
        else "add the file, or name another in farm.toml"
    )
    ledger.problem("file not found", where if where != name else name, f"files there: {listed(there)}", name, mend)
