"""`trafficplan map`: the season's maps of cumulative compaction risk."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import Json, answer, app

if TYPE_CHECKING:
    from trafficplan.assess.summary import FieldSummary
    from trafficplan.chain import Plan
    from trafficplan.farm.farm import Farm


@app.command("map")
def map_command(
    farm: Annotated[Path, typer.Argument(help="Farm folder.", metavar="FARM")],
    out: Annotated[Path | None, typer.Option(help="Result folder; default: FARM-result beside you.")] = None,
    cell: Annotated[float, typer.Option(help="Cell size, m.")] = 0.5,
    depths: Annotated[str, typer.Option(help="Depths, cm.")] = "10,20,35,50,70,100",
    field: Annotated[list[str] | None, typer.Option(help="Only this field; repeat for more.")] = None,
    scenario: Annotated[
        list[str] | None, typer.Option(help="A scenario beside base; repeat for more; 'all' for all.")
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", help="First day, YYYY-MM-DD; starts with untouched soil.")
    ] = None,
    last: Annotated[str | None, typer.Option("--to", help="Last day, YYYY-MM-DD.")] = None,
    workers: Annotated[int | None, typer.Option(help="Processes; default: one per core.")] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Take over the fields that a run which was killed had finished.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Compute what all passes of the season together did to the soil, and write maps, tables and a report."""
    inputs: dict[str, Any] = {
        "farm": str(farm),
        "out": str(out) if out else None,
        "cell_m": cell,
        "depths_cm": depths,
        "field": field or [],
        "scenario": scenario or [],
        "from": first,
        "to": last,
        "workers": workers,
        "resume": resume,
    }
    answer("map", inputs, as_json, lambda: _map(farm, out, inputs, as_json))


def _map(folder: Path, out: Path | None, asked: dict[str, Any], as_json: bool) -> dict[str, Any]:
    from trafficplan.cli.asked import plan_of, scenarios_of, some_fields, workers_of
    from trafficplan.inputs.farm import read_farm
    from trafficplan.work.hands import hands
    from trafficplan.work.place import result_at
    from trafficplan.work.season import map_farm

    plan, workers = plan_of(asked), workers_of(asked["workers"])
    farm = read_farm(folder)
    target = out if out is not None else Path(f"{folder.resolve().name}-result")
    fields = some_fields(farm, asked["field"])
    scenarios = scenarios_of(farm, asked["scenario"])
    with (
        result_at(target, None, asked["resume"]) as place,
        hands(workers) as at_work,
        _progress(not as_json, len(fields)) as told,
    ):
        run = map_farm(farm, fields, scenarios, plan, place, at_work, told)
    return _told(farm, run.summaries, target, plan)


@contextmanager
def _progress(wanted: bool, fields: int) -> Iterator[Callable[[str, float], None]]:
    """Show progress per field with the time left on a terminal; stay silent elsewhere."""
    from rich.console import Console

    console = Console(stderr=True)
    if not wanted or not console.is_terminal:
        yield lambda _field, _share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as bars:
        bar = bars.add_task(f"{fields} fields", total=1.0)

        def told(field: str, share: float) -> None:
            bars.update(bar, completed=share, description=f"done: {field}")

        yield told


def _told(farm: Farm, summaries: Sequence[FieldSummary], target: Path, plan: Plan) -> dict[str, Any]:
    """Return the answer in numbers and in words."""
    from trafficplan.report.answer import worst_places
    from trafficplan.report.words import count, say

    by_scenario: dict[str, list[FieldSummary]] = {}
    for summary in summaries:
        by_scenario.setdefault(summary.scenario, []).append(summary)
    result: dict[str, Any] = {"out": str(target), "cell_m": plan.cell, "scenarios": []}
    lines = []
    for key, group in by_scenario.items():
        area = sum(s.field.polygon.area for s in group) / 1e4
        wheeled = sum(s.wheeled_ha for s in group)
        lasting = sum(s.lasting_ha for s in group)
        traffic = sum(part.traffic_t_km for s in group for part in s.parts)
        result["scenarios"].append(
            {
                "scenario": key,
                "fields": len(group),
                "area_ha": round(area, 2),
                "wheeled_ha": round(wheeled, 2),
                "lasting_likely_ha": round(lasting, 2),
                "traffic_t_km": round(traffic, 1),
            }
        )
        lines.append(
            f"{key}: {count(len(group), 'field')}, {say('area', area, farm.units)}; {say('area', wheeled, farm.units)} "
            f"wheeled; lasting damage likely (chance 0.5 or more below tillage depth) on {say('area', lasting, farm.units)}"
        )
    lines += [
        f"  {place.field}, {place.name}: {say('patch', place.area_m2, farm.units)} over the soil's strength, "
        f"{place.crossings:.0f} wheel passes; {place.reason}"
        for place in worst_places(by_scenario["base"], 3)
    ]
    notes = sorted({note for summary in summaries for note in summary.notes} | set(farm.notes))
    assumed = [note.as_dict() for note in notes if note.kind == "assumed"]
    rest = [note.as_dict() for note in notes if note.kind != "assumed"]
    lines += [
        f"{count(len(rest), 'warning')} and {count(len(assumed), 'assumption')}: the report lists them.",
        f"Open {target / 'report.html'}",
        "A planning aid: dig a hole and look. Local rules come first.",
    ]
    return {"result": result, "assumptions": assumed, "warnings": rest, "text": "\n".join(lines)}
