"""`trafficplan sources`: every model and number in use, with its source and mark."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from trafficplan.cli.answer import Json, answer, app

WIDTH = 110


@app.command("sources")
def sources_command(
    result: Annotated[
        Path | None, typer.Argument(help="Result folder: also what that run assumed.", metavar="RESULT")
    ] = None,
    as_json: Json = False,
) -> None:
    """List every model and number in use, its source, how sure it is; with RESULT what that run assumed."""
    answer("sources", {"result": str(result) if result else None}, as_json, lambda: _sources(result))


def _sources(result: Path | None) -> dict[str, Any]:
    from trafficplan.report.in_use import MARKS, models_and_numbers
    from trafficplan.report.sources import SOURCES

    run = _run(result)
    assumed, warned = (run["assumptions"], run["warnings"]) if run else ([], [])
    told = {
        "marks": MARKS,
        "in_use": [asdict(one) for one in models_and_numbers()],
        "literature": [asdict(one) for one in SOURCES],
        "run": {key: run[key] for key in ("farm", "season", "version", "parameters")} if run else None,
    }
    return {"result": told, "assumptions": assumed, "warnings": warned, "text": _in_words(told, assumed)}


def _run(result: Path | None) -> dict[str, Any] | None:
    """Return the run.json of a result folder."""
    if result is None:
        return None
    from trafficplan.errors import InputError, Problem
    from trafficplan.report.run import read_run

    run = read_run(result)
    if run is None:
        raise InputError(
            Problem(
                "not a result folder",
                str(result),
                "no run.json of this program",
                "a folder that `trafficplan map` wrote",
                "name the folder given to --out",
            )  # fmt: skip
        )
    return run


def _in_words(told: Mapping[str, Any], assumed: Sequence[Mapping[str, str]]) -> str:
    lines = ["how sure each is"]
    lines += [f"  {mark}: {meaning}" for mark, meaning in told["marks"].items()]
    part = ""
    for one in told["in_use"]:
        if one["part"] != part:
            part = one["part"]
            lines += ["", part]
        lines += _wrapped(f"{one['name']}: {one['value']} [{one['mark']}] {one['source']}")
    lines += ["", "literature"]
    for one in told["literature"]:
        lines += _wrapped(f"{one['what']}: {one['cite']} [{one['standing']}]")
    if told["run"] is not None:
        lines += ["", f"assumed in this result ({told['run']['farm']}, {told['run']['season']})"]
        for note in assumed:
            lines += _wrapped(f"{note['what']}: {note['value']} - {note['why']} [{note['source']}]")
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="      ")
