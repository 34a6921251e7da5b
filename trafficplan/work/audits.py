"""The audit of one farm or of several: each into a folder of its own, and one page over all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from trafficplan import __version__
from trafficplan.errors import InputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.names import Note
from trafficplan.report.audit_farms import write_farms
from trafficplan.report.audit_files import read_audit
from trafficplan.report.run import RUN, write_json
from trafficplan.work.audit import Asked, Audited, audit_farm, write_farm
from trafficplan.work.field import folder_name
from trafficplan.work.hands import Hands
from trafficplan.work.place import Place, part_of_place

#: Called with the farm's name, the field, and the share of the whole work that is done.
Told = Callable[[str, str, float], None]


@dataclass(frozen=True)
class Audits:
    """What an audit of farms gave.

    Attributes
    ----------
    audited : in the order asked for
    results : their answers
    failed : farm folder -> problems, of farms that could not be audited
    """

    audited: tuple[Audited, ...]
    results: tuple[dict[str, Any], ...]
    failed: Mapping[str, tuple[Problem, ...]]

    @property
    def partly(self) -> bool:
        """Whether a farm, a field or a season asked for is missing."""
        return bool(self.failed) or any(one.account.failed or not one.account.jobs for one in self.audited)

    @property
    def notes(self) -> tuple[Note, ...]:
        """All notes of all farms, each once, in order."""
        every = [note for one in self.audited for note in (*one.account.farm.notes, *one.account.notes)]
        return tuple(sorted(set(every)))


def audit_farms(
    folders: Sequence[Path],
    asked: Asked,
    place: Place,
    at_work: Hands,
    out: str,
    against: Path | None = None,
    told: Told = lambda _farm, _field, _share: None,
) -> Audits:
    """Audit farm folders one after the other; a farm that cannot be read is named, and the others are done.

    One farm: its result stands in the place itself. Several: each in a folder of its own, and a page over all of them.

    Raises
    ------
    InputError
        No farm can be audited, or what is asked is wrong.
    OutputError
        The place refuses.
    """
    farms, failed = _read(folders)
    names = _names([folder for folder, _ in farms])
    audited: list[Audited] = []
    results: list[dict[str, Any]] = []
    kept: list[str] = []
    for number, ((folder, farm), name) in enumerate(zip(farms, names, strict=True)):
        alone = len(folders) == 1
        mine = place if alone else part_of_place(place, name)
        earlier = read_audit(against, farm.key) if against is not None else None
        try:
            one = audit_farm(farm, asked, mine, at_work, _share(told, farm.title, number, len(farms)))
        except InputError as error:
            if alone:
                raise
            failed[str(folder)] = error.problems
            continue
        audited.append(one)
        results.append(write_farm(one, mine, out if alone else f"{out}/{name}", earlier))
        kept.append(name)
    if not audited:
        raise InputError([problem for problems in failed.values() for problem in problems])
    if len(folders) > 1:
        _write_over_all(place, audited, results, failed, kept)
    return Audits(tuple(audited), tuple(results), failed)


def _share(told: Told, farm: str, number: int, count: int) -> Callable[[str, float], None]:
    return lambda field, share: told(farm, field, (number + share) / count)


def _read(folders: Sequence[Path]) -> tuple[list[tuple[Path, Farm]], dict[str, tuple[Problem, ...]]]:
    farms: list[tuple[Path, Farm]] = []
    failed: dict[str, tuple[Problem, ...]] = {}
    for folder in folders:
        try:
            farms.append((folder, read_farm(folder, every_log=True)))
        except InputError as error:
            if len(folders) == 1:
                raise
            failed[str(folder)] = tuple(replace(one, where=f"{folder}: {one.where}") for one in error.problems)
    return farms, failed


def _names(folders: Sequence[Path]) -> list[str]:
    """Return a folder name for each farm; farms of one name get a number."""
    names: list[str] = []
    for folder in folders:
        name = folder_name(folder.resolve().name)
        count = sum(one == name or one.startswith(f"{name}-") for one in names)
        names.append(f"{name}-{count + 1}" if count else name)
    return names


def _write_over_all(
    place: Place,
    audited: Sequence[Audited],
    results: Sequence[Mapping[str, Any]],
    failed: Mapping[str, tuple[Problem, ...]],
    names: Sequence[str],
) -> None:
    """Write the page over all farms; run.json last."""
    units = audited[0].account.farm.units
    why = {farm: problems[0].sentence() for farm, problems in failed.items()}
    write_farms(place.folder, results, why, units, names)
    record: dict[str, object] = {
        "program": "trafficplan",
        "version": __version__,
        "parameters": {"command": "audit", "farms": list(names), "cell_m": audited[0].account.cell_m},
        "assumptions": [],
        "warnings": [problem.as_dict() for problems in failed.values() for problem in problems],
    }
    write_json(place.folder / RUN, record)
