"""The run of a farm's season: fields over processes or a cluster, what is finished taken over, tables and report at the end."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
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
from trafficplan.work.field import Also, FieldDone, FieldFailed, Outcome, Task, field_outcome, folder_name
from trafficplan.work.hands import Hands, Lost, hands
from trafficplan.work.part import part_of
from trafficplan.work.place import Place
from trafficplan.work.resume import Files, common_print, fingerprint, recall
from trafficplan.work.store import Store, refusal, remove, sizes, write

#: Written to ask whether a store still takes files.
PROBE = ".trafficplan-asks"

Told = Callable[[str, float], None]


@dataclass(frozen=True)
class FieldsRun:
    """What a run over the fields of a farm gave.

    Attributes
    ----------
    done : fields that were computed or taken over, in the order asked for
    failed : field -> why it could not be computed
    taken_over : fields that an earlier run had finished with the same inputs
    """

    done: Mapping[str, FieldDone]
    failed: Mapping[str, tuple[Problem, ...]]
    taken_over: tuple[str, ...]

    @property
    def summaries(self) -> tuple[FieldSummary, ...]:
        """Return the summaries of all fields, scenario by scenario."""
        columns = zip(*(one.summaries for one in self.done.values()), strict=True)
        return tuple(summary for column in columns for summary in column)


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
) -> FieldsRun:
    """Compute fields x scenarios of one farm and write its whole result to a place; run.json comes last.

    Parameters and errors as of `compute_fields`.
    """
    begin = time.perf_counter()
    run = compute_fields(farm, fields, scenarios, plan, place, at_work, told, partly)
    _write_all(farm, run, in_order(farm, scenarios), plan, place.folder, begin)
    return run


def compute_fields(
    farm: Farm,
    fields: Sequence[str],
    scenarios: Sequence[str],
    plan: Plan,
    place: Place,
    at_work: Hands,
    told: Told = lambda _field, _share: None,
    partly: bool = False,
    also: Also | None = None,
) -> FieldsRun:
    """Compute fields x scenarios of one farm; the workers write the layers to a place, and nothing else is written.

    Parameters
    ----------
    place : from `result_at`
    at_work : the processes or the cluster that work, from `hands`
    told : called with the field and the share of the work (by area) that is done
    partly : a field that cannot be computed is named, and the others are done
    also : what is done with each field where it is computed; it comes back as `FieldDone.more`

    Raises
    ------
    InputError
        A field cannot be computed (with `partly`: none can).
    OutputError
        The place refuses.
    """
    tasks = _tasks(farm, fields, in_order(farm, scenarios), plan, place, at_work.threads, partly, also)
    done = _taken_over(tasks, place)
    taken_over = tuple(key for key in fields if key in done)
    failed: dict[str, tuple[Problem, ...]] = {}
    areas = {key: farm.fields[key].polygon.area for key in fields}
    for i, key in enumerate(taken_over, start=1):
        told(key, sum(areas[one] for one in taken_over[:i]) / sum(areas.values()))
    for outcome in _outcomes(tasks, done, at_work):
        if isinstance(outcome, FieldFailed):
            _give_up_or_go_on(outcome, place, partly)
            failed[outcome.field] = outcome.problems
            continue
        if len(done) == len(taken_over):
            _must_be_here(place, outcome[1])
        done[outcome[0].field] = outcome
        told(outcome[0].field, sum(areas[key] for key in done) / sum(areas.values()))
    if failed and not done:
        raise InputError([problem for key in fields for problem in failed[key]])
    place.used.update(place.within + name for _, files in done.values() for name in files)
    return FieldsRun(
        {key: done[key][0] for key in fields if key in done},
        {key: failed[key] for key in fields if key in failed},
        taken_over,
    )


def _tasks(
    farm: Farm,
    fields: Sequence[str],
    order: tuple[str, ...],
    plan: Plan,
    place: Place,
    threads: int,
    partly: bool,
    also: Also | None,
) -> list[Task]:
    """Return what each process needs, the largest field first."""
    alone = threads if len(fields) == 1 else 1
    common = common_print(farm)
    tasks = []
    for key in sorted(fields, key=lambda key: -farm.fields[key].polygon.area):
        part = part_of(farm, key, order)
        more = replace(also, given={key: also.given.get(key)}) if also else None
        inputs = fingerprint(common, part, key, order, plan, more.named(key) if more else None)
        tasks.append(Task(part, key, order, plan, place.store, alone, inputs, partly, more))
    return tasks


def _outcomes(tasks: Sequence[Task], done: Mapping[str, object], at_work: Hands) -> Iterator[Outcome]:
    """Yield what comes of each field that is not done yet, as it comes."""
    left = [task for task in tasks if task.field not in done]
    for i, outcome in at_work.each(field_outcome, left):
        if isinstance(outcome, Lost):
            problem = replace(outcome.problem, where=f"field {left[i].field}")
            yield FieldFailed(left[i].field, (problem,), refused=False)
        else:
            yield outcome


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


def _write_all(farm: Farm, run: FieldsRun, order: Sequence[str], plan: Plan, folder: Path, begin: float) -> None:
    """Write tables, zone map, report, timings and run.json."""
    done = tuple(run.done.values())
    timings: dict[str, object] = {one.field: {k: round(v, 3) for k, v in one.timings.items()} for one in done}
    every = run.summaries
    by_scenario = {key: [one for one in every if one.scenario == key] for key in order}
    rows = [row for summary in every for row in summary.rows]
    start = time.perf_counter()
    write_zones(folder / "zones.csv", rows)
    write_zones_map(
        folder / "zones.gpkg", [(row, s.zone_shapes[str(row["zone"])]) for s in every for row in s.rows], farm.crs
    )
    if len(order) > 1:
        write_compare(folder / "compare.csv", rows)
    notes = [note for summary in every for note in summary.notes] + not_computed(run)
    record = run_record(farm, _parameters(plan, order, done), notes)
    pictures = {(key, one.field): one.pictures[key] for one in done for key in order}
    write_report(
        folder / "report.html", farm, by_scenario, pictures, sorted(dict.fromkeys([*farm.notes, *notes])), record
    )
    timings["tables and report"] = round(time.perf_counter() - start, 3)
    timings["all"] = round(time.perf_counter() - begin, 3)
    if run.taken_over:
        timings["taken over"] = list(run.taken_over)
    write_json(folder / "timings.json", timings)
    write_json(folder / RUN, record)


def not_computed(run: FieldsRun) -> list[Note]:
    """Return a warning for each thing that kept a field from being computed."""
    return [
        Note("warned", f"field {key}: not computed", one.what, f"{one.where}: {one.found}", one.mend)
        for key, problems in run.failed.items()
        for one in problems
    ]


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
