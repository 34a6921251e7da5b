"""A spreading plan written down: the folder for desk and cab, and the plan taken into the farm folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from trafficplan.chain import Plan
from trafficplan.decide.spread import drive_of
from trafficplan.decide.spread_plan import FieldPlan
from trafficplan.errors import InputError, Problem
from trafficplan.farm import season
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Change, DrivePlan, Operation, Scenario
from trafficplan.inputs.plans import as_written
from trafficplan.inputs.taken import add_operation
from trafficplan.inputs.write_scenario import scenario_toml
from trafficplan.report.cab_gpx import write_gpx
from trafficplan.report.cab_layers import write_layers
from trafficplan.report.cab_sheet import render_cab_sheet
from trafficplan.report.cab_taskdata import write_taskdata
from trafficplan.report.run import write_json
from trafficplan.report.spread_page import render_spread_page
from trafficplan.report.spread_result import write_alternatives
from trafficplan.routes.build import field_pressure
from trafficplan.routes.written import plan_of
from trafficplan.work.field import folder_name
from trafficplan.work.hands import hands
from trafficplan.work.place import Place
from trafficplan.work.season import map_farm
from trafficplan.work.spreading import SpreadPlans

#: Scenario that holds the advised way; base holds what is done now.
ADVISED = "advised"


def write_plans(place: Place, done: SpreadPlans, plan: Plan, result: Mapping[str, object], workers: int | None) -> None:
    """Write everything about the plans into one result folder, with the maps of what is done now and of the advised way."""
    farm = with_jobs(done.fields)
    fields = [one.field for one in done.fields]
    scenarios = ["base", ADVISED] if any(not one.advised.baseline for one in done.fields) else ["base"]
    last = max(one.job.operation.day for one in done.fields)
    with hands(workers) as at_work:
        map_farm(farm, fields, scenarios, replace(plan, last=last), place, at_work)
        folder = place.folder
        for one in done.fields:
            mine = folder / folder_name(one.field) if len(fields) > 1 else folder
            mine.mkdir(exist_ok=True)
            _write_field(mine, one)
        write_json(folder / "spread.json", result)


def _write_field(folder: Path, one: FieldPlan) -> None:
    (folder / "spread.html").write_text(render_spread_page(one), encoding="utf-8", newline="\n")
    (folder / "sheet.html").write_text(render_cab_sheet(one.cab), encoding="utf-8", newline="\n")
    write_gpx(folder / "drive.gpx", one.cab)
    write_layers(folder / "drive.gpkg", one.cab)
    write_taskdata(folder / "TASKDATA", one.cab)
    write_alternatives(folder / "alternatives.csv", one.alternatives)


def with_jobs(plans: Sequence[FieldPlan]) -> Farm:
    """Return the farm with the job on each field: as it is done now in base, the advised way in a scenario."""
    farm = plans[0].job.farm
    operations, changes, drives = list(farm.operations), [], dict(farm.plans)
    for i, one in enumerate(plans):
        base, best = one.candidates[one.base.key], one.candidates[one.advised.key]
        row = max((op.row for op in farm.operations), default=1) + 1 + i
        job = replace(base.operation, key=f"plan {i + 1}", row=row, drive=f"plan:{i + 1} now")
        drives[f"{i + 1} now"] = written(one, one.base.key, f"{i + 1} now")
        drives[f"{i + 1} advised"] = written(one, one.advised.key, f"{i + 1} advised")
        operations.append(job)
        changes.append(
            Change(
                operations=(job.key,), load_kg=best.operation.load_kg, pressures_pa=best.operation.pressures_pa,
                gateway=best.operation.gateway, drive=f"plan:{i + 1} advised",
            )
        )  # fmt: skip
    advised = Scenario(ADVISED, "the advised way of doing the job", tuple(changes))
    return replace(
        farm, operations=season.order(operations), plans=drives, scenarios={**farm.scenarios, ADVISED: advised}
    )


def written(one: FieldPlan, letter: str, key: str) -> DrivePlan:
    """Return the drive of an alternative as it is written down."""
    return as_written(plan_of(drive_of(one.job, one.candidates[letter]), key))


def take_into(folder: Path, done: SpreadPlans, letter: str, name: str) -> tuple[Operation, ...]:
    """Write an alternative of each field into the farm folder: an operation, its drive, and a scenario without the plan.

    Raises
    ------
    InputError
        There is no such alternative, or the name is taken.
    OutputError
        The farm folder cannot be written.
    """
    taken = []
    for one in done.fields:
        if letter not in one.candidates:
            raise InputError(
                Problem("no such alternative", "option --take", letter,
                        f"one of {', '.join(one.candidates)}", "take a letter of the table")
            )  # fmt: skip
        key = name if len(done.fields) == 1 else f"{name} {one.field}"
        operation = replace(one.candidates[letter].operation, key=key)
        scenario = scenario_toml(as_before(one, key), replace(one.job.farm, operations=(operation,)))
        taken.append(add_operation(folder, one.job.farm, row_of(operation), written(one, letter, key), scenario))
    return tuple(taken)


def row_of(operation: Operation) -> dict[str, str]:
    """Return an operation as a row of operations.csv (its drive is put in with the plan)."""
    pressures = ";".join(
        f"{axle}:{pressure / 1e5:.4f}".rstrip("0").rstrip(".") for axle, pressure in operation.pressures_pa.items()
    )
    return {
        "id": operation.key,
        "date": operation.day.isoformat(),
        "field": operation.field,
        "job": operation.job,
        "outfit": operation.outfit,
        "rate": f"{(operation.rate_kg_m2 or 0) * 10:.10g} t/ha",
        "load": f"{(operation.load_kg or 0) / 1e3:.10g} t",
        "change": operation.change,
        "pressure": pressures,
        "gateway": operation.gateway or "",
        "moisture": operation.moisture.words if operation.moisture else "",
    }


def as_before(one: FieldPlan, key: str) -> Scenario:
    """Return the scenario in which the job is done as it is now, beside the plan that was taken."""
    now = one.candidates[one.base.key].operation
    outfit = one.job.farm.outfits[now.outfit]
    pressures = {axle.key: field_pressure(axle, now) for axle in outfit.axles()}
    drive = "tramlines" if now.drive == "tramlines" else "swaths"
    change = Change(
        operations=(key,), load_kg=now.load_kg, pressures_pa=pressures, gateway=now.gateway, drive=drive,
        heading_deg=now.heading_deg,
    )  # fmt: skip
    return Scenario(f"{key} as before", f"{key} as it is done without the plan", (change,))
