"""`trafficplan check`: read everything, compute nothing, say what was understood."""

from __future__ import annotations

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
    from trafficplan.report.overview_text import overview_lines

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
    text = "\n".join(overview_lines(told, [*rest, *assumed]))
    return {"result": told, "assumptions": assumed, "warnings": rest, "text": text}
