"""`trafficplan check`: read everything, compute nothing, say what was understood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from trafficplan.cli.answer import Json, answer, app


@app.command("check")
def check_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    picture: Annotated[
        Path | None, typer.Option("--map", help="Draw what was understood into this page.", metavar="FILE.html")
    ] = None,
    as_json: Json = False,
) -> None:
    """Read a farm folder and tell what was understood, assumed, repaired, and every error."""
    asked = {"farm": str(farm), "map": str(picture) if picture else None}
    answer("check", asked, as_json, lambda: _check(farm, picture))


def _check(folder: Path, picture: Path | None) -> dict[str, Any]:
    from trafficplan.inputs.farm import read_farm
    from trafficplan.inputs.overview import understood

    farm = read_farm(folder)
    told = understood(farm)
    if picture is not None:
        from trafficplan import __version__
        from trafficplan.report.understood_page import write_understood

        write_understood(picture, farm, __version__)
        told["map"] = str(picture)
    notes = sorted(dict.fromkeys(farm.notes))
    assumed = [note.as_dict() for note in notes if note.kind == "assumed"]
    rest = [note.as_dict() for note in notes if note.kind != "assumed"]
    return {"result": told, "assumptions": assumed, "warnings": rest, "text": _in_words(told, assumed, rest)}


def _in_words(told: Mapping[str, Any], assumed: Sequence[Mapping[str, str]], rest: Sequence[Mapping[str, str]]) -> str:
    """Return the overview as plain text: one block per kind of thing."""
    lines: list[str] = []
    for name, value in told.items():
        if isinstance(value, list):
            lines.append(f"{name.replace('_', ' ')} ({len(value)})")
            lines += [f"  {_row(item)}" for item in value]
        else:
            lines.append(f"{name.replace('_', ' ')}: {value}")
    for title, notes in (("repaired and warned", rest), ("assumed", assumed)):
        lines.append(f"{title} ({len(notes)})")
        lines += [f"  {note['what']}: {note['value']} - {note['why']}" for note in notes]
    lines.append("Nothing was computed. No error was found.")
    return "\n".join(lines)


def _row(item: object) -> str:
    if not isinstance(item, Mapping):
        return str(item)
    return ", ".join(
        f"{key.replace('_', ' ')} {_value(value)}" for key, value in item.items() if value not in (None, "", [], {})
    )


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{key} {_value(inner)}" for key, inner in value.items()) + ")"
    if isinstance(value, list | tuple):
        return "[" + "; ".join(_value(inner) for inner in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)
