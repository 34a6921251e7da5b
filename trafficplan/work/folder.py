"""The swap of finished folders: a result appears whole or not at all, and an interrupted swap is finished."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import IO

from trafficplan.errors import OutputError, Problem
from trafficplan.report.run import RUN, read_run

try:
    import fcntl
except ImportError:  # no such locks on Windows: two runs into one folder are not noticed there
    fcntl = None  # type: ignore[assignment]

#: Marks a temporary folder as ours; locked while a run writes there.
MARK = ".trafficplan-writes"


def _temporary(out: Path) -> Path:
    return out.with_name(f"{out.name}.new")


def _old(out: Path) -> Path:
    return out.with_name(f"{out.name}.old")


def _refuse(what: str, where: Path, found: str, needed: str, mend: str) -> OutputError:
    return OutputError(Problem(what, str(where), found, needed, mend))


def _cannot_write(out: Path, error: OSError) -> OutputError:
    return _refuse(
        "the result cannot be written",
        out,
        error.strerror or str(error),
        "a folder that may be written, with space on the disk",
        "choose another folder with --out, or free the disk",
    )


def _ours(folder: Path) -> bool:
    """Tell whether a folder is a result of ours, an unfinished one, or empty."""
    if not folder.is_dir() or folder.is_symlink():
        return False
    return read_run(folder) is not None or (folder / MARK).exists() or not any(folder.iterdir())


def _check_place(out: Path) -> None:
    """Refuse to touch anything that is not ours: the folder itself and both names of the swap."""
    if not out.name:
        raise _refuse(
            "no folder for the result", out, "the root of a file system", "a folder of its own", "name it with --out"
        )
    for path in (out, _temporary(out), _old(out)):
        if path.exists() and not _ours(path):
            raise _refuse(
                "the output folder holds something else" if path == out else "a name that the result needs is taken",
                path,
                "a file or folder without our run.json",
                "a new folder, an empty one, or an earlier result",
                "choose another folder with --out",
            )


def _remove(folder: Path) -> None:
    """Remove a folder of ours, what tells that it is ours last: killed in the middle, it can still be removed."""
    for path in folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name not in (RUN, MARK):
            path.unlink()
    shutil.rmtree(folder)


def finish_swap(out: Path) -> None:
    """Finish a swap that was interrupted: called before a result folder is read or written."""
    new, old = _temporary(out), _old(out)
    if not out.exists() and old.exists() and read_run(old) is not None:
        if read_run(new) is not None:
            os.replace(new, out)
            (out / MARK).unlink(missing_ok=True)
        else:
            os.replace(old, out)
    if out.exists() and old.exists() and read_run(old) is not None:
        _remove(old)


def _lock(new: Path, out: Path) -> IO[str]:
    """Mark the temporary folder as ours, and hold it against a second run."""
    mark = (new / MARK).open("w", encoding="utf-8")
    if fcntl is not None:
        try:
            fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            mark.close()
            raise _refuse(
                "another run writes this result",
                out,
                "a run that has not ended",
                "one run at a time",
                "wait for it, or choose another folder with --out",
            ) from None
    return mark


def _begin(out: Path, resume: bool) -> IO[str]:
    """Make the temporary folder ours, and empty unless what an unfinished run left is taken over."""
    new = _temporary(out)
    new.mkdir(parents=True, exist_ok=True)
    mark = _lock(new, out)
    for path in () if resume else new.iterdir():
        if path.name == MARK:
            continue
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()
    return mark


@contextmanager
def new_result(out: Path, resume: bool = False) -> Iterator[Path]:
    """Give a temporary sibling folder to write into; swap it in when the block ends well, remove it otherwise.

    The caller writes run.json last. Nothing that is not a result of ours is ever replaced or removed.

    Parameters
    ----------
    out : result folder
    resume : the temporary folder keeps what is in it, and stays when the block does not end well

    Raises
    ------
    OutputError
        `out` is not ours, is being written by another run, or cannot be written.
    """
    try:
        out = out.resolve()
        _check_place(out)
        finish_swap(out)
        mark = _begin(out, resume)
    except OutputError:
        raise
    except OSError as error:
        raise _cannot_write(out, error) from error
    new, old = _temporary(out), _old(out)
    swapped = False
    try:
        yield new
        (new / MARK).unlink(missing_ok=True)
        if out.exists():
            os.replace(out, old)
        os.replace(new, out)
        if old.exists():
            _remove(old)
        swapped = True
    except OutputError as error:
        named = replace(error.problems[0], where=error.problems[0].where.replace(str(new), str(out)))
        raise OutputError(named) from error
    except OSError as error:
        finish_swap(out)
        raise _cannot_write(out, error) from error
    finally:
        mark.close()
        if new.exists() and (swapped or not resume):
            with suppress(OSError):
                _remove(new)
