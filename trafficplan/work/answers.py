"""The files of one answer, put into a folder that may hold other things: all of them, or none."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from trafficplan.errors import OutputError, Problem


@contextmanager
def answer_into(out: Path) -> Iterator[Path]:
    """Give a folder to write an answer's files into; when the block ends well they take their places in `out`.

    Files of the same names are replaced; what else is in `out` is not touched. When the block breaks off, `out` holds
    what it held before.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".trafficplan-", dir=out) as name:
            yield Path(name)
            for path in sorted(Path(name).iterdir()):
                os.replace(path, out / path.name)
    except OSError as error:
        found = error.strerror or str(error)
        raise OutputError(
            Problem("the answer cannot be written", str(out), found, "a folder that may be written",
                    "choose another folder with --out")
        ) from error  # fmt: skip


def write_text(path: Path, text: str) -> None:
    """Write a text, the same bytes on every system."""
    path.write_text(text, encoding="utf-8", newline="\n")


def write_result(path: Path, result: Mapping[str, object]) -> None:
    """Write the result that --json prints as a file of its own, its names in order."""
    write_text(path, json.dumps(result, ensure_ascii=False, indent=1, sort_keys=True) + "\n")
