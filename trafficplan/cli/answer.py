"""What all commands share: the app, their exit status, and answers and errors in words or JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import Annotated, Any

import typer

app = typer.Typer(
    name="trafficplan",
    rich_markup_mode=None,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Plan field traffic: maps of cumulative soil compaction risk from boundaries, soil, routes, loads and tyre pressures.",
)

DONE, BUG, WRONG_INPUT, PARTLY, INTERRUPTED = 0, 1, 2, 3, 130

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output and nothing else there.")]


def answer(command: str, inputs: dict[str, Any], as_json: bool, work: Callable[[], dict[str, Any]]) -> None:
    """Run a command's work; print its answer or its errors; exit with the documented status.

    `work` returns {"result", "assumptions", "warnings", "text"}; text is what people read.
    """
    from trafficplan import __version__
    from trafficplan.errors import InputError, OutputError

    frame: dict[str, Any] = {"command": command, "version": __version__, "inputs": inputs}
    try:
        done = work()
    except (InputError, OutputError) as error:
        if as_json:
            problems = [problem.as_dict() for problem in error.problems]
            print(
                json.dumps(
                    {**frame, "result": {}, "assumptions": [], "warnings": [], "errors": problems}, ensure_ascii=False
                )
            )
        else:
            for problem in error.problems:
                print(problem.sentence(), file=sys.stderr)
        raise typer.Exit(WRONG_INPUT) from None
    except KeyboardInterrupt:
        print("Interrupted; the earlier result is untouched.", file=sys.stderr)
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        rest = {
            "result": done["result"],
            "assumptions": done["assumptions"],
            "warnings": done["warnings"],
            "errors": [],
        }
        print(json.dumps({**frame, **rest}, ensure_ascii=False))
    else:
        print(done["text"])
