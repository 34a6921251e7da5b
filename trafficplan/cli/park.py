"""`trafficplan park`: where to leave a loaded trailer, and what each place draws to it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import Json, answer, app

if TYPE_CHECKING:
    from trafficplan.decide.park_answer import ParkAnswer


@app.command("park")
def park_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    field: Annotated[str, typer.Option(help="Field.")],
    outfit: Annotated[str, typer.Option(help="What is parked, the name of its file: trailer with its tractor.")],
    served_by: Annotated[str, typer.Option(help="Outfit that is filled from it, or that fills it.")],
    rate: Annotated[str, typer.Option(help="Product per area, spread or harvested: 12t/ha or 30m3/ha.")],
    job: Annotated[str | None, typer.Option(help="Name of the job; a product's name tells its density.")] = None,
    change: Annotated[
        str | None, typer.Option(help="empties (spreads) or fills (harvests); by operations.csv.")
    ] = None,
    date: Annotated[str | None, typer.Option(help="Day, YYYY-MM-DD; the season before it counts.")] = None,
    soil: Annotated[
        str | None, typer.Option(help="smears, moulds, crumbles, a tension in kPa, or top:WORD,deep:WORD.")
    ] = None,
    stay: Annotated[float | None, typer.Option(help="Hours that it stands.")] = None,
    coupled: Annotated[bool, typer.Option("--coupled", help="The tractor stays with it.")] = False,
    pad: Annotated[str | None, typer.Option(help="What lies under the jack stand, cm: 60x60.")] = None,
    heap: Annotated[
        str | None, typer.Option(help="A heap or stack on so much ground, m: 20x5; the trailer brings or fetches it.")
    ] = None,
    candidates: Annotated[int, typer.Option(help="How many places to look at.")] = 30,
    cell: Annotated[float, typer.Option(help="Cell size, m.")] = 1.0,
    workers: Annotated[int | None, typer.Option(help="Processes; default: one per core.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the map, a sheet to print and a GeoPackage.")] = None,
    as_json: Json = False,
) -> None:
    """Find where to leave a loaded trailer: every place with its limits, its traffic, its time and its damage."""
    inputs: dict[str, Any] = {
        "farm": str(farm), "field": field, "outfit": outfit, "served_by": served_by, "rate": rate, "job": job,
        "change": change, "date": date, "soil": soil, "stay_h": stay, "coupled": coupled, "pad": pad, "heap": heap,
        "candidates": candidates, "cell_m": cell, "workers": workers, "out": str(out) if out else None,
    }  # fmt: skip
    answer("park", inputs, as_json, lambda: _park(farm, inputs))


def _park(folder: Path, asked: dict[str, Any]) -> dict[str, Any]:
    from functools import partial

    from trafficplan.cli.asked import workers_of
    from trafficplan.cli.asked_park import job_of
    from trafficplan.decide.park_answer import answer_of
    from trafficplan.inputs.farm import read_farm
    from trafficplan.report.park_result import result_of
    from trafficplan.report.park_text import text_of
    from trafficplan.whatif import season_before
    from trafficplan.work.parking import weigh_all

    workers = workers_of(asked["workers"])
    farm = read_farm(folder)
    job = job_of(farm, folder, asked)
    before = season_before(
        farm, farm.scenarios["base"], job.field, job.plan, job.operation.day, threads=workers or os.cpu_count() or 1
    )
    found = answer_of(job, before, partial(weigh_all, workers=workers))
    if asked["out"]:
        _write(Path(asked["out"]), found)
    return {
        "result": result_of(found),
        "assumptions": [note.as_dict() for note in found.notes if note.kind == "assumed"],
        "warnings": [note.as_dict() for note in found.notes if note.kind != "assumed"],
        "text": text_of(found, asked["out"]),
    }


def _write(out: Path, found: ParkAnswer) -> None:
    from trafficplan.report.park_layers import write_places
    from trafficplan.report.park_page import render_page
    from trafficplan.report.park_result import result_of
    from trafficplan.report.park_sheet import render_sheet
    from trafficplan.work.answers import answer_into, write_result, write_text

    with answer_into(out) as folder:
        write_result(folder / "park.json", result_of(found))
        write_text(folder / "park.html", render_page(found))
        write_text(folder / "sheet.html", render_sheet(found))
        write_places(folder / "places.gpkg", found)
