"""`trafficplan audit`: the year's traffic of whole farms, what it did, and what to change."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import PARTLY, Json, answer, app

if TYPE_CHECKING:
    from trafficplan.decide.candidates import Swap
    from trafficplan.work.audits import Audits


@app.command("audit")
def audit_command(
    farm: Annotated[list[Path], typer.Argument(help="Farm folders, one or several.", metavar="FARM...")],
    season: Annotated[int | None, typer.Option(help="Only operations of this year.")] = None,
    out: Annotated[Path | None, typer.Option(help="Result folder; default: FARM-audit (several: audit) here.")] = None,
    cell: Annotated[float, typer.Option(help="Cell size, m.")] = 1.0,
    depths: Annotated[str, typer.Option(help="Depths, cm.")] = "10,20,35,50,70,100",
    against: Annotated[Path | None, typer.Option(help="Result folder of an earlier audit to compare with.")] = None,
    instead: Annotated[
        list[str] | None,
        typer.Option(
            metavar="OUTFIT=OTHER[:COST]",
            help="Try an outfit of outfits/ (bigger or dual tyres) in place of another; repeat for more.",
        ),
    ] = None,
    prices: Annotated[
        Path | None,
        typer.Option(help="Prices as TOML, in place of the farm's own; without any, nothing is told in money."),
    ] = None,
    workers: Annotated[int | None, typer.Option(help="Processes; default: one per core.")] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Work on a cluster: tcp://host:8786 of its scheduler.")
    ] = None,
    store: Annotated[
        str | None,
        typer.Option(metavar="PATH_OR_URL", help="Write the result to a store (s3://bucket/folder) in place of --out."),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Take over the fields that a run which was killed had finished.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Account for a whole season: everything that drove, what it did to the soil, and which changes would help most."""
    inputs: dict[str, Any] = {
        "farm": [str(one) for one in farm],
        "season": season,
        "out": str(out) if out else None,
        "cell_m": cell,
        "depths_cm": depths,
        "against": str(against) if against else None,
        "instead": instead or [],
        "prices": str(prices) if prices else None,
        "workers": workers,
        "scheduler": scheduler,
        "store": store,
        "resume": resume,
    }
    from trafficplan.work.store import shown

    partly: list[bool] = []
    answer(
        "audit",
        {**inputs, "store": shown(store) if store else None},
        as_json,
        lambda: _audit(farm, out, inputs, as_json, partly),
    )
    if any(partly):
        raise typer.Exit(PARTLY)


def _audit(
    folders: list[Path], out: Path | None, asked: dict[str, Any], as_json: bool, partly: list[bool]
) -> dict[str, Any]:
    from trafficplan.cli.asked import either, plan_of, workers_of
    from trafficplan.inputs.prices import read_prices
    from trafficplan.work.audit import Asked
    from trafficplan.work.audits import audit_farms
    from trafficplan.work.hands import hands
    from trafficplan.work.place import result_at
    from trafficplan.work.store import shown

    either(asked, "workers", "scheduler")
    either(asked, "out", "store")
    plan, workers = plan_of({**asked, "from": None, "to": None}), workers_of(asked["workers"])
    prices = read_prices(Path(asked["prices"])) if asked["prices"] else None
    swaps = tuple(_swap(one) for one in asked["instead"])
    against = Path(asked["against"]) if asked["against"] else None
    target = out or Path(f"{folders[0].resolve().name}-audit" if len(folders) == 1 else "audit")
    question = Asked(plan, asked["season"], swaps, prices)
    where = shown(asked["store"]) if asked["store"] else str(target)
    with (
        result_at(target, asked["store"], asked["resume"]) as place,
        hands(workers, asked["scheduler"]) as at_work,
        _progress(not as_json) as told,
    ):
        done = audit_farms(folders, question, place, at_work, where, against, told)
    partly.append(done.partly)
    return _told(done, where, len(folders))


def _swap(text: str) -> Swap:
    """Return an outfit offered in place of another: OUTFIT=OTHER or OUTFIT=OTHER:COST."""
    from trafficplan.cli.asked import refuse
    from trafficplan.decide.candidates import Swap

    outfit, equals, rest = text.partition("=")
    other, colon, cost = rest.rpartition(":") if ":" in rest else (rest, "", "")
    try:
        money = float(cost) if colon else None
    except ValueError:
        money = -1.0
    if not outfit.strip() or not equals or not other.strip() or not (money is None or 0 <= money < math.inf):
        raise refuse("not a swap of outfits", "--instead", text, "OUTFIT=OTHER or OUTFIT=OTHER:COST", "write for example "
                     "tanker=tanker_wide:9000, both files in outfits/")  # fmt: skip
    if outfit.strip() == other.strip():
        raise refuse("an outfit in place of itself", "--instead", text, "another outfit", "name the other one's file")
    return Swap(outfit.strip(), other.strip(), money)


@contextmanager
def _progress(wanted: bool) -> Iterator[Callable[[str, str, float], None]]:
    """Show progress per farm and field on a terminal; stay silent elsewhere."""
    from rich.console import Console

    console = Console(stderr=True)
    if not wanted or not console.is_terminal:
        yield lambda _farm, _field, _share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), TextColumn("left"))
    with Progress(*columns, TimeRemainingColumn(), console=console) as bars:
        bar = bars.add_task("audit", total=1.0)

        def told(farm: str, field: str, share: float) -> None:
            bars.update(bar, completed=share, description=f"{farm}: {field}")

        yield told


def _told(done: Audits, where: str, farms: int) -> dict[str, Any]:
    """Return the answer in numbers and in words."""
    from trafficplan.report.words import count

    lines = [line for one in done.farms for line in one.lines]
    lines += [f"{farm} could not be audited: {problems[0].sentence()}" for farm, problems in done.failed.items()]
    notes = done.notes
    page = "report.html" if farms == 1 else "farms.html"
    assumed = [note.as_dict() for note in notes if note.kind == "assumed"]
    warned = [note.as_dict() for note in notes if note.kind != "assumed"]
    lines += [f"{count(len(warned), 'warning')} and {count(len(assumed), 'assumption')}: the report lists them."]
    lines += [f"Open {where}/{page}", "A planning aid: dig a hole and look. Local rules come first."]
    failed = {farm: [problem.as_dict() for problem in problems] for farm, problems in done.failed.items()}
    return {
        "result": {"out": where, "farms": [one.result for one in done.farms], "failed": failed},
        "assumptions": assumed,
        "warnings": warned,
        "errors": done.problems,
        "text": "\n".join(lines),
    }
