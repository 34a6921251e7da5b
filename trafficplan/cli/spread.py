"""`trafficplan spread`: the plan of a spreading job: where to drive, with how much on board, at which pressures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import PARTLY, Json, answer, app

if TYPE_CHECKING:
    from trafficplan.decide.alternatives import Alternative
    from trafficplan.errors import Problem
    from trafficplan.farm.farm import Farm
    from trafficplan.work.spreading import SpreadPlans


@app.command("spread")
def spread_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    field: Annotated[list[str], typer.Option(help="Field; repeat for several on one day.")],
    outfit: Annotated[str, typer.Option(help="Outfit, the name of its file.")],
    rate: Annotated[str, typer.Option(help="Product per area: 12t/ha or 30m3/ha.")],
    job: Annotated[str | None, typer.Option(help="Name of the job; a product's name tells its density.")] = None,
    load: Annotated[float | None, typer.Option(help="Only this load, t; else up to what is allowed.")] = None,
    date: Annotated[str | None, typer.Option(help="Day, YYYY-MM-DD; the season before it counts.")] = None,
    soil: Annotated[
        str | None, typer.Option(help="smears, moulds, crumbles, a tension in kPa, or top:WORD,deep:WORD.")
    ] = None,
    surface: Annotated[str | None, typer.Option(help="frozen, snow or waterlogged: spreading is refused.")] = None,
    gateway: Annotated[list[str] | None, typer.Option(help="Only this gateway; repeat for more.")] = None,
    fill_at: Annotated[str, typer.Option(help="gateway, yard, trailer@x,y or heap@x,y.")] = "yard",
    fill_min: Annotated[float | None, typer.Option(help="Minutes to fill once, waiting included.")] = None,
    loader: Annotated[str | None, typer.Option(help="Outfit that loads at a heap; its own shuttles count.")] = None,
    brought_by: Annotated[str | None, typer.Option(help="Outfit that brought the heap; its trips count.")] = None,
    heading: Annotated[float | None, typer.Option(help="Only this heading, degrees from grid north.")] = None,
    off_tramlines: Annotated[bool, typer.Option(help="Bouts need not follow the tramlines.")] = False,
    keep: Annotated[
        list[str] | None,
        typer.Option(help="Distance for this product, KIND:METRES: watercourse, well, public_road, boundary."),
    ] = None,
    hours: Annotated[float | None, typer.Option(help="Hours there are for all of it.")] = None,
    alternatives: Annotated[int, typer.Option(help="How many to show, what is done now among them.")] = 6,
    candidates: Annotated[int, typer.Option(help="How many to try at most.")] = 200,
    cell: Annotated[float, typer.Option(help="Cell size, m.")] = 0.5,
    workers: Annotated[int | None, typer.Option(help="Processes; default: one per core.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Result folder: sheet, track, maps; default: none is written.")
    ] = None,
    take: Annotated[
        str | None, typer.Option(help="Write this alternative (A, B ...) into the farm folder as an operation.")
    ] = None,
    take_as: Annotated[str, typer.Option(help="Name of the operation that --take writes.")] = "plan",
    as_json: Json = False,
) -> None:
    """Plan a spreading job: compare ways of driving, loads, gateways and pressures by what they do to the deep soil."""
    inputs: dict[str, Any] = {
        "farm": str(farm), "field": field, "outfit": outfit, "rate": rate, "job": job, "load_t": load, "date": date,
        "soil": soil, "surface": surface, "gateway": gateway or [], "fill_at": fill_at, "fill_min": fill_min,
        "loader": loader, "brought_by": brought_by, "heading_deg": heading, "off_tramlines": off_tramlines,
        "keep": keep or [], "hours": hours, "alternatives": alternatives, "candidates": candidates, "cell_m": cell,
        "workers": workers, "out": str(out) if out else None, "take": take, "take_as": take_as,
    }  # fmt: skip
    partly: list[str] = []
    answer("spread", inputs, as_json, lambda: _spread(farm, inputs, as_json, partly))
    if partly:
        raise typer.Exit(PARTLY)


def _spread(folder: Path, asked: dict[str, Any], as_json: bool, partly: list[str]) -> dict[str, Any]:
    from trafficplan.chain import Plan
    from trafficplan.cli.asked import known, workers_of
    from trafficplan.cli.asked_spread import asked_of, check_numbers, check_take
    from trafficplan.inputs.farm import read_farm
    from trafficplan.work.place import result_at
    from trafficplan.work.planned import take_into, write_plans
    from trafficplan.work.spreading import plan_fields

    check_numbers(asked)
    workers = workers_of(asked["workers"])
    farm = read_farm(folder)
    jobs = [asked_of(farm, folder, key, asked) for key in known("--field", asked["field"], farm.fields)]
    check_take(farm, asked)
    plan, count, most = Plan(asked["cell_m"]), asked["alternatives"], asked["candidates"]
    with (
        result_at(Path(asked["out"])) if asked["out"] else nullcontext() as place
    ):  # refused before the work, not after
        with _progress(not as_json) as told:
            done = _with_mend(lambda: plan_fields(jobs, plan, count, most, asked["hours"], workers, told))
        found = _told(farm, done, asked)
        partly += [*(one.field for one in done.fields if not one.whole), *done.unplanned, *done.failed]
        with _kept(found, as_json):
            if place is not None:
                write_plans(place, done, plan, found["result"], workers)
    if asked["take"]:
        with _kept(found, as_json):
            taken = take_into(folder, done, asked["take"].upper(), asked["take_as"])
        names = ", ".join(one.key for one in taken)
        found["text"] += (
            f"\n\nWritten into {folder}: {names} in operations.csv, its drive in plans/, and a scenario as before."
        )
    return found


def _with_mend(work: Callable[[], SpreadPlans]) -> SpreadPlans:
    """Name the option that lets bouts leave tramlines where they do not fit."""
    from trafficplan.errors import InputError

    try:
        done = work()
    except InputError as error:
        raise InputError([_hinted(one) for one in error.problems]) from error
    return replace(done, failed={key: tuple(map(_hinted, problems)) for key, problems in done.failed.items()})


def _hinted(problem: Problem) -> Problem:
    if "tramlines do not fit" not in problem.what:
        return problem
    return replace(problem, mend=f"{problem.mend}; with --off-tramlines this is planned in swaths")


def _told(farm: Farm, done: SpreadPlans, asked: dict[str, Any]) -> dict[str, Any]:
    from trafficplan.report.spread_result import result_of, text_of
    from trafficplan.work.field import folder_name

    out, several = asked["out"], len(done.fields) > 1
    folders = [f"{out}/{folder_name(one.field)}" if several else out for one in done.fields] if out else []
    notes = list(dict.fromkeys([*done.notes, *farm.notes]))
    assumed = [note.as_dict() for note in notes if note.kind == "assumed"]
    return {
        "result": result_of(done.fields, done.day, done.hours, done.unplanned, done.failed),
        "assumptions": assumed,
        "warnings": [note.as_dict() for note in notes if note.kind != "assumed"],
        "text": text_of(done.fields, done.day, done.hours, folders, done.unplanned, done.failed, len(assumed)),
    }


@contextmanager
def _kept(found: dict[str, Any], as_json: bool) -> Iterator[None]:
    """Show the plan all the same when it cannot be written: it took minutes."""
    try:
        yield
    except (KeyboardInterrupt, ValueError, OSError):
        if not as_json:
            print(found["text"])
        raise


@contextmanager
def _progress(wanted: bool) -> Iterator[Callable[[str, float, float, Alternative | None], None]]:
    """Show what is done, the time left and the best so far on a terminal; stay silent elsewhere."""
    from rich.console import Console

    console = Console(stderr=True)
    if not wanted or not console.is_terminal:
        yield lambda _field, _share, _seconds, _best: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), TextColumn("left"),
               TimeRemainingColumn())  # fmt: skip
    with Progress(*columns, console=console) as bars:
        bar = bars.add_task("ways of doing it", total=1.0)

        def told(field: str, share: float, _seconds: float, best: Alternative | None) -> None:
            words = f"{field}: best so far {best.lasting_more_ha:.2f} ha in {best.hours:.1f} h" if best else field
            bars.update(bar, completed=share, description=words)

        yield told
