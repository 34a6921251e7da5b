"""`trafficplan days`: the calendar of fit days per field: full load, lighter load, or leave it, and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import PARTLY, Json, answer, app

if TYPE_CHECKING:
    from trafficplan.report.days_result import ToldDays


@app.command("days")
def days_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    field: Annotated[list[str] | None, typer.Option(help="Field; repeat for more. All if not given.")] = None,
    outfit: Annotated[
        str | None, typer.Option(help="Outfit, the name of its file; else the field's one with the heaviest wheel.")
    ] = None,
    load: Annotated[float | None, typer.Option(help="Product on board, t; else the operation's, else full.")] = None,
    job: Annotated[str | None, typer.Option(help="Job of operations.csv: its outfit, load and pressures.")] = None,
    first: Annotated[str | None, typer.Option("--from", help="First day, YYYY-MM-DD; else the season's.")] = None,
    last: Annotated[str | None, typer.Option("--to", help="Last day, YYYY-MM-DD; else the season's.")] = None,
    forecast: Annotated[
        Path | None, typer.Option(help="Forecast, a file like weather.csv, for the days after it.")
    ] = None,
    limit: Annotated[
        float | None, typer.Option(help="Most chance below tillage at which you go; else go_chance of the farm.")
    ] = None,
    as_json: Json = False,
    out: Annotated[Path | None, typer.Option(help="Folder for days.html, days.csv and days.json.")] = None,
) -> None:
    """Find the fit days of a season: what an outfit may carry on each day, or why it should stay at home."""
    inputs: dict[str, Any] = {
        "farm": str(farm), "field": field or [], "outfit": outfit, "load_t": load, "job": job, "from": first, "to": last,
        "forecast": str(forecast) if forecast else None, "limit": limit, "out": str(out) if out else None,
    }  # fmt: skip
    partly: list[str] = []
    answer("days", inputs, as_json, lambda: _days(farm, inputs, partly))
    if partly:
        raise typer.Exit(PARTLY)


def _days(folder: Path, asked: dict[str, Any], partly: list[str]) -> dict[str, Any]:
    from trafficplan.cli.asked_days import calendars_of
    from trafficplan.inputs.farm import read_farm
    from trafficplan.report.days_result import result_of, text_of

    told = calendars_of(read_farm(folder), asked)
    result = result_of(told)
    partly += [key for key, _ in told.left_out if told.partly]
    partly += [one["field"] for one in result["fields"] if one["unknown_days"]]
    if asked["out"]:
        _write(Path(asked["out"]), told, result)
    return {
        "result": result,
        "assumptions": [note.as_dict() for note in told.notes if note.kind == "assumed"],
        "warnings": [note.as_dict() for note in told.notes if note.kind != "assumed"],
        "text": text_of(told),
    }


def _write(out: Path, told: ToldDays, result: dict[str, Any]) -> None:
    from trafficplan.report.days_page import render_days_page
    from trafficplan.report.days_result import table_of
    from trafficplan.work.answers import answer_into, write_result, write_text

    with answer_into(out) as folder:
        write_result(folder / "days.json", result)
        write_text(folder / "days.csv", table_of(told))
        write_text(folder / "days.html", render_days_page(told))
