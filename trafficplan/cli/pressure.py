"""`trafficplan pressure`: pressures for the day's load, and what they spare at which depth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import PARTLY, Json, answer, app

if TYPE_CHECKING:
    from trafficplan.report.pressure_result import Told


@app.command("pressure")
def pressure_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    outfit: Annotated[str, typer.Option(help="Outfit, the name of its file.")],
    load: Annotated[str | None, typer.Option(help="Product on board, t: 9, or a range 7-9.")] = None,
    tickets: Annotated[Path | None, typer.Option(help="Axle tickets: a table axle, empty_kg, full_kg.")] = None,
    leg: Annotated[
        list[str] | None,
        typer.Option(help="A leg as NAME:KM/H, such as field:8 and track:35; track and road are off the soil."),
    ] = None,
    soil: Annotated[
        str | None,
        typer.Option(help="smears, moulds, crumbles, a tension in kPa, or top:WORD,deep:WORD."),
    ] = None,
    date: Annotated[str | None, typer.Option(help="Day whose operation tells load and moisture.")] = None,
    field: Annotated[str | None, typer.Option(help="Field, for its soils and its tillage.")] = None,
    protect: Annotated[
        str | None,
        typer.Option(help="deep, surface or both; by the field: deep where it is tilled, else both."),
    ] = None,
    side_slope: Annotated[float, typer.Option(help="Steepest side slope of a loaded leg, %.")] = 0.0,
    pull_kn: Annotated[float, typer.Option(help="Draft of the implement beside rolling, kN.")] = 0.0,
    as_json: Json = False,
    out: Annotated[Path | None, typer.Option(help="Folder for pressure.json and a sheet to print.")] = None,
) -> None:
    """Find the pressures for an outfit, its load and this ground: per leg or one for all, and what they spare."""
    inputs: dict[str, Any] = {
        "farm": str(farm), "outfit": outfit, "load": load, "tickets": str(tickets) if tickets else None,
        "leg": leg or [], "soil": soil, "date": date, "field": field, "protect": protect,
        "side_slope_pct": side_slope, "pull_kn": pull_kn, "out": str(out) if out else None,
    }  # fmt: skip
    partly: list[str] = []
    answer("pressure", inputs, as_json, lambda: _pressure(farm, tickets, inputs, partly))
    if partly:
        raise typer.Exit(PARTLY)


def _pressure(folder: Path, tickets: Path | None, asked: dict[str, Any], partly: list[str]) -> dict[str, Any]:
    from trafficplan.cli.asked_pressure import case_of
    from trafficplan.decide.advice import advise
    from trafficplan.inputs.farm import read_farm
    from trafficplan.report.pressure_result import result_of, tell
    from trafficplan.report.pressure_text import text_of

    farm = read_farm(folder)
    case = case_of(farm, tickets, asked)
    advices = [advise(question, case.protect, case.limit, case.rate_kg_m2) for question in case.questions]
    told = tell(farm, case.field, advices, case.words, case.notes)
    result = result_of(told)
    partly += [row.axle.key for one in advices for row in one.rows if _beyond(row.rows)]
    if asked["out"]:
        _write(Path(asked["out"]), told, result)
    return {
        "result": result,
        "assumptions": [note.as_dict() for note in told.notes if note.kind == "assumed"],
        "warnings": [note.as_dict() for note in told.notes if note.kind != "assumed"],
        "text": text_of(told),
    }


def _beyond(rows: Any) -> bool:
    from trafficplan.machines.tyre_table import NoPressure

    return any(isinstance(row, NoPressure) and row.reason != "no_table" for row in rows.values())


def _write(out: Path, told: Told, result: dict[str, Any]) -> None:
    from trafficplan.report.pressure_sheet import render_sheet
    from trafficplan.work.answers import answer_into, write_result, write_text

    with answer_into(out) as folder:
        write_result(folder / "pressure.json", result)
        write_text(folder / "pressure.html", render_sheet(told))
