"""The audit of one farm or of several: each into a folder of its own, and one page over all of them."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from trafficplan import __version__
from trafficplan.errors import InputError, Problem
from trafficplan.inputs.farm import read_farm
from trafficplan.names import Note
from trafficplan.report.audit_earlier import audits_in, of_farm
from trafficplan.report.audit_farms import write_farms
from trafficplan.report.audit_words import answer_lines
from trafficplan.report.run import RUN, write_json
from trafficplan.work.audit import Asked, audit_farm, write_farm
from trafficplan.work.field import folder_name
from trafficplan.work.hands import Hands
from trafficplan.work.place import Place, part_of_place

#: Called with the farm's name, the field, and the share of the whole work that is done.
Told = Callable[[str, str, float], None]


@dataclass(frozen=True)
class FarmTold:
    """What is kept of a farm once its result is written.

    Attributes
    ----------
    folder : of its result, among several
    result : its answer (`audit_files.result_of`)
    lines : its answer in words
    whole : every field was computed, and something drove
    """

    folder: str
    result: dict[str, Any]
    lines: tuple[str, ...]
    notes: tuple[Note, ...]
    units: str
    whole: bool


@dataclass(frozen=True)
class Audits:
    """What an audit of farms gave: the farms in the order asked for, and why others could not be audited."""

    farms: tuple[FarmTold, ...]
    failed: Mapping[str, tuple[Problem, ...]]

    @property
    def partly(self) -> bool:
        """Whether a farm, a field or a season asked for is missing."""
        return bool(self.failed) or not all(one.whole for one in self.farms)

    @property
    def notes(self) -> tuple[Note, ...]:
        """All notes of all farms, each once, in order."""
        return tuple(sorted({note for one in self.farms for note in one.notes}))

    @property
    def problems(self) -> list[dict[str, str]]:
        """Everything that could not be computed, farms first; of several farms each says whose it is."""
        told = [problem.as_dict() for problems in self.failed.values() for problem in problems]
        for farm in self.farms:
            for problems in farm.result["failed"].values():
                told += [{**one, "where": f"{farm.folder}: {one['where']}"} if farm.folder else one for one in problems]
        return told


def audit_farms(
    folders: Sequence[Path],
    asked: Asked,
    place: Place,
    at_work: Hands,
    out: str,
    against: Path | None = None,
    told: Told = lambda _farm, _field, _share: None,
) -> Audits:
    """Audit farm folders one after the other; a farm that cannot be audited is named, and the others are done.

    One farm: its result stands in the place itself. Several: each in a folder of its own, and a page over all of them.

    Raises
    ------
    InputError
        No farm can be audited, or what is asked is wrong.
    OutputError
        The place refuses.
    """
    earlier = audits_in(against) if against is not None else None
    if len(folders) == 1:
        (folder,) = folders
        return Audits((_farm(folder, "", asked, place, at_work, out, earlier, _share(told, folder, 0, 1)),), {})
    _check_several(folders, asked)
    done: list[FarmTold] = []
    failed: dict[str, tuple[Problem, ...]] = {}
    for number, (folder, name) in enumerate(zip(folders, _names(folders), strict=True)):
        share = _share(told, folder, number, len(folders))
        mine = part_of_place(place, name)
        try:
            done.append(_farm(folder, name, asked, mine, at_work, f"{out}/{name}", earlier, share))
        except InputError as error:
            _drop(mine)
            failed[str(folder)] = tuple(replace(one, where=f"{folder}: {one.where}") for one in error.problems)
    if not done:
        raise InputError([problem for problems in failed.values() for problem in problems])
    _write_over_all(place, done, failed, asked)
    return Audits(tuple(done), failed)


def _farm(
    folder: Path,
    name: str,
    asked: Asked,
    place: Place,
    at_work: Hands,
    out: str,
    earlier: Sequence[Mapping[str, Any]] | None,
    share: Callable[[str, float], None],
) -> FarmTold:
    """Read, audit and write one farm; only what is small is kept of it."""
    farm = read_farm(folder, every_log=True)
    if name:  # of several farms only some may have the outfits that are offered
        swaps = tuple(one for one in asked.swaps if {one.outfit, one.instead} <= set(farm.outfits))
        asked = replace(asked, swaps=swaps)
    audited = audit_farm(farm, asked, place, at_work, share)
    then = of_farm(earlier, farm.key, farm.title) if earlier is not None else None
    result, account = write_farm(audited, place, out, then, asked=earlier is not None)
    notes = tuple(sorted({*account.farm.notes, *account.notes}))
    whole = not account.failed and bool(account.jobs)
    return FarmTold(name, result, answer_lines(account, result["earlier"]), notes, farm.units, whole)


def _drop(place: Place) -> None:
    """Take away the folder of a farm that could not be audited, if nothing stands in it."""
    with contextlib.suppress(OSError):
        place.folder.rmdir()


def _check_several(folders: Sequence[Path], asked: Asked) -> None:
    """Refuse a farm that is named twice, and an outfit offered in place of another that no farm has."""
    places = [folder.resolve() for folder in folders]
    problems = [
        Problem("the same farm twice", "FARM...", str(folder), "each farm once", "leave one of them out")
        for i, folder in enumerate(folders)
        if places[i] in places[:i]
    ]
    outfits = [{path.stem for path in (folder / "outfits").glob("*.toml")} for folder in places]
    problems += [
        Problem(
            "unknown outfit",
            "option --instead",
            f"{one.outfit}={one.instead}",
            "two files of the outfits/ of one farm",
            "put them there, or correct the names",
        )
        for one in asked.swaps
        if not any({one.outfit, one.instead} <= known for known in outfits)
    ]
    if problems:
        raise InputError(problems)


def _share(told: Told, folder: Path, number: int, count: int) -> Callable[[str, float], None]:
    return lambda field, share: told(folder.resolve().name, field, (number + share) / count)


def _names(folders: Sequence[Path]) -> list[str]:
    """Return a folder name for each farm; farms of one name get a number."""
    names: list[str] = []
    for folder in folders:
        name = folder_name(folder.resolve().name)
        count = sum(one == name or one.startswith(f"{name}-") for one in names)
        names.append(f"{name}-{count + 1}" if count else name)
    return names


def _write_over_all(
    place: Place, done: Sequence[FarmTold], failed: Mapping[str, tuple[Problem, ...]], asked: Asked
) -> None:
    """Write the page over all farms; run.json last."""
    why = {farm: problems[0].sentence() for farm, problems in failed.items()}
    names = [one.folder for one in done]
    write_farms(place.folder, [one.result for one in done], why, done[0].units, names)
    record: dict[str, object] = {
        "program": "trafficplan",
        "version": __version__,
        "parameters": {"command": "audit", "farms": names, "cell_m": asked.plan.cell},
        "assumptions": [],
        "warnings": [problem.as_dict() for problems in failed.values() for problem in problems],
    }
    write_json(place.folder / RUN, record)
