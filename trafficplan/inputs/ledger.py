"""What reading finds: every problem, every note, every file with its hash, kept together until the end."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from trafficplan.errors import InputError, Problem
from trafficplan.names import Note


@dataclass
class Ledger:
    """The growing account of one farm folder.

    Attributes
    ----------
    folder : the farm folder
    problems : all that is wrong so far
    notes : all that was assumed, repaired or is worth a warning
    inputs : path relative to the folder -> sha256
    defaults : the farm's own replacements of defaults (farm.toml, table `defaults`)
    encoding : character set of files that are not UTF-8 ("": not told)
    silt_bound_um : where silt ends and sand begins in the farm's soil data [um]; 50 (USDA) or 63
    """

    folder: Path
    problems: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    inputs: dict[str, str] = field(default_factory=dict)
    defaults: Mapping[str, float | str] = field(default_factory=dict)
    encoding: str = ""
    silt_bound_um: float = 50.0

    def problem(self, what: str, where: str, found: str, needed: str, mend: str) -> None:
        """Record one problem (once)."""
        entry = Problem(what, where, found if found.strip() else "nothing", needed, mend)
        if entry not in self.problems:
            self.problems.append(entry)

    def take_over(self, error: InputError, where: str) -> None:
        """Record the problems of a lower layer's error, with the place in the file put in front."""
        for entry in error.problems:
            place = where if not entry.where or entry.where in where else f"{where}: {entry.where}"
            self.problem(entry.what, place, entry.found, entry.needed, entry.mend)

    def assumed(self, what: str, value: str, why: str, source: str = "common practice, no source") -> None:
        """Record something that was assumed."""
        self.notes.append(Note("assumed", what, value, why, source))

    def repaired(self, what: str, value: str, why: str) -> None:
        """Record something that was repaired."""
        self.notes.append(Note("repaired", what, value, why))

    def warned(self, what: str, value: str, why: str) -> None:
        """Record a warning."""
        self.notes.append(Note("warned", what, value, why))

    def count(self) -> int:
        """Return how many problems there are; compare before and after to see whether a step went well."""
        return len(self.problems)

    def hash_file(self, path: Path) -> None:
        """Keep the sha256 of a file that was read; for a Shapefile of all its parts."""
        for part in file_parts(path):
            name = part.relative_to(self.folder).as_posix()
            if name not in self.inputs:
                with part.open("rb") as stream:
                    self.inputs[name] = hashlib.file_digest(stream, "sha256").hexdigest()


def file_parts(path: Path) -> list[Path]:
    """Return the files that one named file stands for: itself, or all parts of a Shapefile."""
    if path.suffix.lower() != ".shp":
        return [path]
    beside = (".shp", ".shx", ".dbf", ".prj", ".cpg")
    return sorted(part for part in path.parent.glob(f"{path.stem}.*") if part.suffix.lower() in beside)


def nearest(name: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known name that looks most like `name`, or None.

    Examples
    --------
    >>> nearest("Nort", ["North", "South"])
    'North'
    """
    by_lower = {one.lower(): one for one in known}
    close = difflib.get_close_matches(name.lower(), list(by_lower), n=1, cutoff=cutoff)
    return by_lower[close[0]] if close else None


def listed(names: Iterable[str], limit: int = 12) -> str:
    """Write names as a list for a message; long lists are cut.

    Examples
    --------
    >>> listed(["b", "a"])
    'a, b'
    """
    ordered = sorted(names)
    if not ordered:
        return "none"
    more = f" and {len(ordered) - limit} more" if len(ordered) > limit else ""
    return ", ".join(ordered[:limit]) + more


def rename_hint(name: str, known: Iterable[str], thing: str) -> str:
    """Write how to mend an unknown name.

    Examples
    --------
    >>> rename_hint("Nort", ["North"], "field")
    'write North, or add a field named Nort'
    """
    near = nearest(name, known)
    return f"write {near}, or add a {thing} named {name}" if near else f"use a known {thing}, or add one named {name}"
