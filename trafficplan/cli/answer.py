"""What all commands share: the app, their exit status, and answers and errors in words or JSON."""

from __future__ import annotations

import json
import os
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


def _failed(frame: dict[str, Any], what: str, found: str, mend: str) -> str:
    """Return the JSON answer of a command that broke off."""
    error = {
        "what": what,
        "where": frame["command"],
        "found": found,
        "needed": "a command that runs to its end",
        "mend": mend,
    }
    rest = {"result": {}, "assumptions": [], "warnings": [], "errors": [error]}
    return json.dumps({**frame, **rest}, ensure_ascii=False)


def answer(command: str, inputs: dict[str, Any], as_json: bool, work: Callable[[], dict[str, Any]]) -> None:
    """Run a command's work; print its answer or its errors; exit with the documented status.

    `work` returns {"result", "assumptions", "warnings", "text"}; text is what people read. Where only a part was done it
    adds the "errors" of the rest.
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
            from trafficplan.report.alike import alike_problems

            for problem in alike_problems(error.problems):
                print(problem.sentence(), file=sys.stderr)
        raise typer.Exit(WRONG_INPUT) from None
    except KeyboardInterrupt:
        if as_json:
            print(_failed(frame, "interrupted", "the command was stopped", "nothing; the earlier result is untouched"))
        print("Interrupted; the earlier result is untouched.", file=sys.stderr)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(INTERRUPTED)  # at once: a worker that was stopped while it started would be waited for for ever
    except Exception as error:
        if as_json:
            print(
                _failed(frame, "a bug in the program", f"{type(error).__name__}: {error}", "report it with the inputs")
            )
        raise
    if as_json:
        rest = {
            "result": done["result"],
            "assumptions": done["assumptions"],
            "warnings": done["warnings"],
            "errors": done.get("errors", []),
        }
        print(json.dumps({**frame, **rest}, ensure_ascii=False))
    else:
        print(done["text"])
