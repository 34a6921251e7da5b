"""Where a result comes to stand: a folder that is swapped in when it is whole, or a store where run.json is written last."""

from __future__ import annotations

import json
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from trafficplan.errors import OutputError, Problem
from trafficplan.report.run import RUN
from trafficplan.work.folder import MARK, new_result
from trafficplan.work.resume import LEDGER, sweep, tidy
from trafficplan.work.store import Store, below, read, remove, shown, sizes, store_at, write


@dataclass(frozen=True)
class Place:
    """Where a run writes.

    Attributes
    ----------
    folder : tables, report and run.json are written here, by the process that leads the run
    store : layers are written here, by the workers; the same folder unless a store was asked for
    resume : what an earlier run finished with the same inputs is taken over
    within : this place's folder in the whole result ("" or "farm/")
    used : names of the layers that belong to the result, for the whole of it
    """

    folder: Path
    store: Store
    resume: bool = False
    within: str = ""
    used: set[str] = field(default_factory=set)


def part_of_place(place: Place, name: str) -> Place:
    """Return the place of a folder in a result (one farm of several)."""
    folder = place.folder / name
    folder.mkdir(parents=True, exist_ok=True)
    return Place(folder, below(place.store, name), place.resume, f"{place.within}{name}/", place.used)


@contextmanager
def result_at(out: Path | None, store: str | None = None, resume: bool = False) -> Iterator[Place]:
    """Give a place to write a result to; make it count when the block ends well.

    Parameters
    ----------
    out : result folder
    store : path or URL in its stead: the result stands there when its run.json does
    resume : take over what an unfinished run left, and leave unfinished work behind when the block does not end well

    Raises
    ------
    InputError
        No such kind of store is known.
    OutputError
        The place holds something else, is being written by another run, or refuses.
    """
    if store is None:
        assert out is not None
        with new_result(out, resume) as folder:
            place = Place(folder, Store(str(folder)), resume)
            if resume:
                tidy(place.store)
            yield place
            sweep(place.store, place.used)
        return
    target = store_at(store)
    mark = _take(target, resume)
    with tempfile.TemporaryDirectory(prefix="trafficplan-") as folder_name:
        place = Place(Path(folder_name), target, resume)
        yield place
        _finish(place, mark)


def _take(store: Store, resume: bool) -> bytes:
    """Make a store ours: refuse what is not, take away run.json first, and clear what is not taken over."""
    there = sizes(store)
    ours = not there or MARK in there or any(f"/{LEDGER}/" in f"/{name}" for name in there) or _has_run(store)
    if not ours:
        raise OutputError(
            Problem(
                "the store holds something else",
                shown(store.place),
                f"{len(there)} files without our run.json",
                "a new folder, an empty one, or an earlier result",
                "choose another folder with --store",
            )
        )
    mark = uuid.uuid4().hex.encode()
    write(store, MARK, mark)
    remove(store, [name for name in there if name == RUN or name.endswith(f"/{RUN}")])
    if resume:
        tidy(store)
    else:
        remove(store, [name for name in there if name != MARK and name.rpartition("/")[2] != RUN])
    return mark


def _has_run(store: Store) -> bool:
    try:
        told = json.loads(read(store, RUN) or b"null")
    except ValueError:
        return False
    return isinstance(told, dict) and told.get("program") == "trafficplan"


def _finish(place: Place, mark: bytes) -> None:
    """Bring tables and reports into the store, and run.json last, when every layer of the result is there."""
    store = place.store
    if read(store, MARK) != mark:
        raise OutputError(
            Problem(
                "another run writes this result",
                shown(store.place),
                "its mark in place of ours",
                "one run at a time",
                "wait for it, or choose another folder with --store",
            )
        )
    made = {path.relative_to(place.folder).as_posix(): path for path in place.folder.rglob("*") if path.is_file()}
    last = sorted((name for name in made if name.rpartition("/")[2] == RUN), key=lambda name: -name.count("/"))
    for name in sorted(set(made) - set(last)):
        write(store, name, made[name].read_bytes())
    there = sizes(store)
    lost = sorted(place.used - set(there))
    if lost:
        raise OutputError(
            Problem(
                "layers are missing in the store",
                shown(store.place),
                f"{len(lost)} files that workers wrote, among them {lost[0]}",
                "a store that all workers and this process share",
                "give a path or URL that means the same place on every machine",
            )
        )
    remove(store, sorted(set(there) - place.used - set(made) - {MARK}))
    for name in last:
        write(store, name, made[name].read_bytes())
    remove(store, [MARK])
