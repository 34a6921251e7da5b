"""The swap of finished folders: a result appears whole or not at all, and an interrupted swap is finished."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from trafficplan.errors import OutputError, Problem
from trafficplan.report.run import read_run


def _temporary(out: Path) -> Path:
    return out.with_name(f"{out.name}.new")


def _old(out: Path) -> Path:
    return out.with_name(f"{out.name}.old")


def _cannot_write(out: Path, error: OSError) -> OutputError:
    return OutputError(
        Problem(
            "the result cannot be written",
            str(out),
            error.strerror or str(error),
            "a folder that may be written, with space on the disk",
            "choose another folder with --out, or free the disk",
        )
    )


def finish_swap(out: Path) -> None:
    """Finish a swap that was interrupted: called before a result folder is read or written."""
    new, old = _temporary(out), _old(out)
    if not out.exists() and old.exists():
        if read_run(new) is not None:
            os.replace(new, out)
        else:
            os.replace(old, out)
    if out.exists() and old.exists() and read_run(old) is not None:
        shutil.rmtree(old)


@contextmanager
def new_result(out: Path) -> Iterator[Path]:
    """Give a temporary sibling folder to write into; swap it in when the block ends well, remove it otherwise.

    The caller writes run.json last. A folder that is not a result of ours is never replaced.

    Raises
    ------
    OutputError
        `out` is not ours, or cannot be written.
    """
    out = out.absolute()
    finish_swap(out)
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and read_run(out) is None)):
        raise OutputError(
            Problem(
                "the output folder holds something else",
                str(out),
                "a file or folder without our run.json",
                "a new folder, an empty one, or an earlier result",
                "choose another folder with --out",
            )
        )
    new, old = _temporary(out), _old(out)
    try:
        if new.exists():
            shutil.rmtree(new)
        new.mkdir(parents=True)
    except OSError as error:
        raise _cannot_write(out, error) from error
    try:
        yield new
        if out.exists():
            os.replace(out, old)
        os.replace(new, out)
        if old.exists():
            shutil.rmtree(old)
    except OutputError:
        raise
    except OSError as error:
        finish_swap(out)
        raise _cannot_write(out, error) from error
    finally:
        if new.exists():
            shutil.rmtree(new, ignore_errors=True)
