"""The run of a farm's season: fields over processes, layers written while the next field computes."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess.stored import kind_of, unpack
from trafficplan.assess.summary import FieldSummary
from trafficplan.chain import Drives, FieldResult, Plan, run_field
from trafficplan.errors import TrafficplanError
from trafficplan.farm.farm import Farm
from trafficplan.names import LAYERS, Note, depth_tag
from trafficplan.report.page import write_report
from trafficplan.report.picture import Picture, encode
from trafficplan.report.raster import write_layer
from trafficplan.report.run import RUN, run_record, write_json
from trafficplan.report.tables import write_compare, write_zones
from trafficplan.report.vector import write_zones_map
from trafficplan.work.pool import in_processes

Told = Callable[[str, float], None]


@dataclass(frozen=True)
class FieldDone:
    """One field, all scenarios: what goes into tables and report, and seconds per step."""

    field: str
    summaries: tuple[FieldSummary, ...]
    pictures: Mapping[str, tuple[Picture, ...]]
    timings: Mapping[str, float]


@dataclass(frozen=True)
class Task:
    """What one process needs for one field."""

    farm: Farm
    field: str
    scenarios: tuple[str, ...]
    plan: Plan
    folder: Path
    threads: int


def folder_name(key: str) -> str:
    """Return a name that is safe as a folder; different keys stay different.

    Examples
    --------
    >>> folder_name("North Park"), folder_name("a/../b")
    ('North Park', 'a%2F..%2Fb')
    """
    safe = re.sub(r"[^\w .-]", lambda hit: "".join(f"%{byte:02X}" for byte in hit.group().encode()), key).strip()
    return safe if safe.strip(".") else "%2E" * len(safe)


def pictured(depths_m: Sequence[float], deep_from_m: float, base: bool) -> list[str]:
    """Return the layers that the report shows: twelve for base, and of other scenarios those that tell them apart."""
    just_below = depth_tag(next((d for d in depths_m if d > deep_from_m + 1e-9), depths_m[-1]))
    half, top = (depth_tag(min(depths_m, key=lambda d: abs(d - wanted))) for wanted in (0.5, 0.2))
    telling = ["lasting", "depth_reached", f"ratio_{just_below}"]
    if not base:
        return telling
    more = [
        f"ratio_{top}",
        f"ratio_{half}",
        f"ratio_{depth_tag(depths_m[-1])}",
        f"stress_{just_below}",
        f"stress_{half}",
    ]
    return list(dict.fromkeys([*telling, "passes", "traffic", *more, f"compaction_{just_below}"]))[:12]


def compute_field(task: Task) -> FieldDone:
    """Compute one field under every scenario, base first; write its layers; return what is small."""
    farm, field = task.farm, task.farm.fields[task.field]
    summaries, pictures, timings = [], {}, {}
    base: NDArray[Any] | None = None
    known: Drives = {}
    with ThreadPoolExecutor(2) as writers:
        waiting: list[Future[None]] = []
        for key in task.scenarios:
            start = time.perf_counter()
            result = run_field(farm, farm.scenarios[key], field, task.plan, task.threads, known)
            timings[f"{key}: compute"] = time.perf_counter() - start
            start = time.perf_counter()
            folder = task.folder / "layers" / folder_name(key) / folder_name(task.field)
            folder.mkdir(parents=True, exist_ok=True)
            arrays = dict(result.stored.arrays)
            if base is None:
                base = arrays["lasting"]
            else:
                arrays["lasting_difference"] = _difference(arrays["lasting"], base)
            for future in waiting:
                future.result()
            waiting = [
                writers.submit(write_layer, folder / f"{name}.tif", name, array, result.grid)
                for name, array in arrays.items()
            ]
            pictures[key] = _pictures(result)
            summaries.append(result.summary)
            timings[f"{key}: write"] = time.perf_counter() - start
        for future in waiting:
            future.result()
    return FieldDone(task.field, tuple(summaries), pictures, timings)


def _difference(stored: NDArray[Any], base: NDArray[Any]) -> NDArray[Any]:
    """Return lasting minus base's, stored; nodata where either has none."""
    kind = LAYERS["lasting_difference"]
    out = (stored.astype(np.int32) - base.astype(np.int32)).astype(kind.dtype)
    out[(stored == LAYERS["lasting"].nodata) | (base == LAYERS["lasting"].nodata)] = kind.nodata
    return out


def _pictures(result: FieldResult) -> tuple[Picture, ...]:
    summary, arrays = result.summary, result.stored.arrays
    names = pictured(summary.depths_m, summary.deep_from_m, summary.scenario == "base")
    return tuple(encode(name, unpack(name, arrays[name]), result.grid) for name in names)


def _fields_done(tasks: Sequence[Task], workers: int) -> Iterator[FieldDone]:
    """Yield fields as they finish; one process each when there are several workers, else here."""
    for _, one in in_processes(_compute, None, tasks, workers):
        yield one


def _compute(_shared: None, task: Task) -> FieldDone:
    return compute_field(task)


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
    """
    begin = time.perf_counter()
    count = workers or os.cpu_count() or 1
    order = in_order(farm, scenarios)
    chosen = sorted(fields, key=lambda key: -farm.fields[key].polygon.area)
    threads = count if len(chosen) == 1 else 1
    tasks = [Task(farm, key, order, plan, folder, threads) for key in chosen]
    total = sum(farm.fields[key].polygon.area for key in chosen)
    done: dict[str, FieldDone] = {}
    area = 0.0
    for one in _fields_done(tasks, count):
        done[one.field] = one
        area += farm.fields[one.field].polygon.area
        told(one.field, area / total)
    return _write_all(farm, [done[key] for key in fields], order, plan, folder, begin)


def _write_all(
    farm: Farm, done: Sequence[FieldDone], order: Sequence[str], plan: Plan, folder: Path, begin: float
) -> tuple[FieldSummary, ...]:
    """Write tables, zone map, report, timings and run.json."""
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
    record = run_record(farm, _parameters(plan, order, done), notes)
    pictures = {(key, one.field): one.pictures[key] for one in done for key in order}
    write_report(
        folder / "report.html", farm, by_scenario, pictures, sorted(dict.fromkeys([*farm.notes, *notes])), record
    )
    timings["tables and report"] = round(time.perf_counter() - start, 3)
    timings["all"] = round(time.perf_counter() - begin, 3)
    write_json(folder / "timings.json", timings)
    write_json(folder / RUN, record)
    return every


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
