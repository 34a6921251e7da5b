"""The run of a farm's season: fields over processes or a cluster, what is finished taken over, tables and report at the end."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from trafficplan.assess.stored import kind_of
from trafficplan.assess.summary import FieldSummary
from trafficplan.chain import Plan
from trafficplan.errors import InputError, OutputError, Problem, TrafficplanError
from trafficplan.farm.farm import Farm
from trafficplan.names import LAYERS, Note
from trafficplan.report.page import write_report
from trafficplan.report.run import RUN, run_record, write_json
from trafficplan.report.tables import write_compare, write_zones
from trafficplan.report.vector import write_zones_map
from trafficplan.work.field import FieldDone, FieldFailed, Task, field_outcome, folder_name
from trafficplan.work.hands import Hands, Lost, hands
from trafficplan.work.part import part_of
from trafficplan.work.place import Place
from trafficplan.work.resume import Files, fingerprint, recall
from trafficplan.work.store import Store, refusal, remove, sizes, write

#: Written to ask whether a store still takes files.
PROBE = ".trafficplan-asks"

Told = Callable[[str, float], None]


@dataclass(frozen=True)
class FarmRun:
    """What a run over the fields of a farm gave.

    Attributes
    ----------
    summaries : of every scenario and field that was computed, scenario by scenario
    failed : field -> why it could not be computed
    taken_over : fields that an earlier run had finished with the same inputs
    """

    summaries: tuple[FieldSummary, ...]
    failed: Mapping[str, tuple[Problem, ...]]
    taken_over: tuple[str, ...]


def in_order(farm: Farm, scenarios: Sequence[str]) -> tuple[str, ...]:
    """Return the scenarios in the order they are computed: base always first."""
    unknown = [key for key in scenarios if key not in farm.scenarios]
    if unknown:
        raise TrafficplanError(f"unknown scenario {unknown[0]}")
    return ("base", *(key for key in dict.fromkeys(scenarios) if key != "base"))


def run_map(
    farm: Farm,
    fields: Sequence[str],
    scenarios: Sequence[str],
    plan: Plan,
    folder: Path,
    workers: int | None = None,
    told: Told = lambda _field, _share: None,
) -> tuple[FieldSummary, ...]:
    """Compute fields x scenarios and write the whole result into `folder` (which exists); run.json comes last.

    Parameters
    ----------
    workers : processes; None = one per core
    told : called with the field and the share of the work (by area) that is done

    Raises
    ------
    InputError
        A field cannot be computed.
    OutputError
        The folder refuses.
    """
    place = Place(folder, Store(str(folder.resolve())))
    with hands(workers) as at_work:
        return map_farm(farm, fields, scenarios, plan, place, at_work, told).summaries


def map_farm(
    farm: Farm,
    fields: Sequence[str],
    scenarios: Sequence[str],
    plan: Plan,
    place: Place,
    at_work: Hands,
    told: Told = lambda _field, _share: None,
    partly: bool = False,
) -> FarmRun:
    """Compute fields x scenarios of one farm and write its whole result to a place; run.json comes last.

    Parameters
    ----------
    at_work : the processes or the cluster that work, from `hands`
    told : called with the field and the share of the work (by area) that is done
    partly : a field that cannot be computed is named in the result, and the others are done

    Raises
    ------
    InputError
        A field cannot be computed (with `partly`: none can).
    OutputError
        The place refuses.
    """
    begin = time.perf_counter()
    order = in_order(farm, scenarios)
    tasks = _tasks(farm, fields, order, plan, place, at_work.threads, partly)
    done = _taken_over(tasks, place)
    taken_over = tuple(key for key in fields if key in done)
    failed: dict[str, tuple[Problem, ...]] = {}
    total = sum(farm.fields[key].polygon.area for key in fields)
    area = 0.0
    for key in taken_over:
        area += farm.fields[key].polygon.area
        told(key, area / total)
    todo = [task for task in tasks if task.field not in done]
    for i, outcome in at_work.each(field_outcome, todo):
        if isinstance(outcome, Lost):
            outcome = FieldFailed(
                todo[i].field, (replace(outcome.problem, where=f"field {todo[i].field}"),), refused=False
            )
        if isinstance(outcome, FieldFailed):
            _give_up_or_go_on(outcome, place, partly)
            failed[outcome.field] = outcome.problems
        else:
            if len(done) == len(taken_over):
                _must_be_here(place, outcome[1])
            done[outcome[0].field] = outcome
            area += farm.fields[outcome[0].field].polygon.area
            told(outcome[0].field, area / total)
    if not done and failed:
        raise InputError([problem for key in fields for problem in failed[key]])
    place.used.update(place.within + name for _, files in done.values() for name in files)
    summaries = _write_all(
        farm, [done[key][0] for key in fields if key in done], failed, order, plan, place, begin, taken_over
    )
    return FarmRun(summaries, {key: failed[key] for key in fields if key in failed}, taken_over)


def _tasks(
    farm: Farm, fields: Sequence[str], order: tuple[str, ...], plan: Plan, place: Place, threads: int, partly: bool
) -> list[Task]:
    """Return what each process needs, the largest field first."""
    alone = threads if len(fields) == 1 else 1
    tasks = []
    for key in sorted(fields, key=lambda key: -farm.fields[key].polygon.area):
        part = part_of(farm, key, order)
        inputs = fingerprint(part, key, order, plan)
        tasks.append(Task(part, key, order, plan, place.store, alone, inputs, partly))
    return tasks


def _taken_over(tasks: Sequence[Task], place: Place) -> dict[str, tuple[FieldDone, Files]]:
    """Return the fields that an earlier run finished here with the same inputs."""
    if not place.resume:
        return {}
    there = sizes(place.store)
    found: dict[str, tuple[FieldDone, Files]] = {}
    for task in tasks:
        known = recall(place.store, folder_name(task.field), task.inputs, there)
        if known is not None and isinstance(known[1], FieldDone):
            found[task.field] = (known[1], known[0])
    return found


def _give_up_or_go_on(failed: FieldFailed, place: Place, partly: bool) -> None:
    """Raise what a field failed of, unless the others shall be done and the store still takes files."""
    if failed.refused:
        write(place.store, PROBE, b"")  # a store that refuses everything ends the run here
        remove(place.store, [PROBE])
    if not partly:
        raise OutputError(failed.problems[0]) if failed.refused else InputError(failed.problems)


def _must_be_here(place: Place, files: Files) -> None:
    """Refuse to go on when the first field's layers, which a worker says it wrote, are not where this process looks."""
    name = next(iter(files))
    if name not in sizes(place.store, name.rpartition("/")[0]):
        raise refusal(place.store, f"reading {name}", FileNotFoundError("a worker wrote it, but it is not there: "
                      "the place must mean the same on every machine and in every process"))  # fmt: skip


def _write_all(
    farm: Farm,
    done: Sequence[FieldDone],
    failed: Mapping[str, tuple[Problem, ...]],
    order: Sequence[str],
    plan: Plan,
    place: Place,
    begin: float,
    taken_over: Sequence[str],
) -> tuple[FieldSummary, ...]:
    """Write tables, zone map, report, timings and run.json."""
    folder = place.folder
    timings: dict[str, object] = {one.field: {k: round(v, 3) for k, v in one.timings.items()} for one in done}
    by_scenario = {key: [s for one in done for s in one.summaries if s.scenario == key] for key in order}
    every = tuple(summary for key in order for summary in by_scenario[key])
    rows = [row for summary in every for row in summary.rows]
    start = time.perf_counter()
    write_zones(folder / "zones.csv", rows)
    write_zones_map(
        folder / "zones.gpkg", [(row, s.zone_shapes[str(row["zone"])]) for s in every for row in s.rows], farm.crs
    )
    if len(order) > 1:
        write_compare(folder / "compare.csv", rows)
    notes: list[Note] = [note for summary in every for note in summary.notes]
    notes += [_not_computed(key, problem) for key, problems in failed.items() for problem in problems]
    record = run_record(farm, _parameters(plan, order, done), notes)
    pictures = {(key, one.field): one.pictures[key] for one in done for key in order}
    write_report(
        folder / "report.html", farm, by_scenario, pictures, sorted(dict.fromkeys([*farm.notes, *notes])), record
    )
    timings["tables and report"] = round(time.perf_counter() - start, 3)
    timings["all"] = round(time.perf_counter() - begin, 3)
    if taken_over:
        timings["taken over"] = list(taken_over)
    write_json(folder / "timings.json", timings)
    write_json(folder / RUN, record)
    return every


def _not_computed(field: str, problem: Problem) -> Note:
    return Note(
        "warned", f"field {field}: not computed", problem.what, f"{problem.where}: {problem.found}", problem.mend
    )


def _parameters(plan: Plan, order: Sequence[str], done: Sequence[FieldDone]) -> dict[str, object]:
    return {
        "cell_m": plan.cell,
        "depths_m": list(plan.depths_m),
        "from": plan.first.isoformat() if plan.first else None,
        "to": plan.last.isoformat() if plan.last else None,
        "scenarios": list(order),
        "fields": [one.field for one in done],
        "layers": sorted({kind_of(name) for name in LAYERS}),
    }
