"""One field in one process: computed under every scenario, its layers written, what is small returned."""

from __future__ import annotations

import hashlib
import re
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess.summary import FieldSummary
from trafficplan.chain import Drives, FieldResult, Plan, run_field
from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.farm.grid import Grid
from trafficplan.names import LAYERS, depth_tag
from trafficplan.report.picture import Picture, encode_stored
from trafficplan.report.raster import layer_bytes
from trafficplan.work.memory import give_back
from trafficplan.work.resume import Files, remember
from trafficplan.work.store import Store, refusal, write

#: Threads that make and write layers while the next scenario is computed.
WRITERS = 2


@dataclass(frozen=True)
class FieldDone:
    """One field, all scenarios: what goes into tables and report, seconds per step, and what `also` told."""

    field: str
    summaries: tuple[FieldSummary, ...]
    pictures: Mapping[str, tuple[Picture, ...]]
    timings: Mapping[str, float]
    more: object = None


@dataclass(frozen=True)
class FieldFailed:
    """One field that could not be computed, and why; `refused`: its layers could not be written."""

    field: str
    problems: tuple[Problem, ...]
    refused: bool


#: What comes back of a field: it and its files, or why not.
Outcome = tuple[FieldDone, Files] | FieldFailed


@dataclass(frozen=True)
class Also:
    """What is done with each field where it is computed, after its season as it was.

    Attributes
    ----------
    work : function of a module, called with the farm (cut to the field), the result of `base`, the plan, the drives that
        are known, and what is given; what it returns must be plain data (`work.written`)
    given : field -> plain data for it
    """

    work: Callable[[Farm, FieldResult, Plan, Drives, Any], object]
    given: Mapping[str, object]

    def named(self, field: str) -> tuple[str, object]:
        """Return what decides the answer for a field."""
        return f"{self.work.__module__}.{self.work.__qualname__}", self.given.get(field)


@dataclass(frozen=True)
class Task:
    """What one process needs for one field.

    Attributes
    ----------
    farm : cut to the field (`part_of`)
    store : where the layers go
    inputs : hash of the inputs, for the ledger
    partly : a fault of the program on this field is told and does not end the run
    also : what is done with the field beside its layers
    """

    farm: Farm
    field: str
    scenarios: tuple[str, ...]
    plan: Plan
    store: Store
    threads: int
    inputs: str
    partly: bool = False
    also: Also | None = None


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


def field_outcome(task: Task) -> Outcome:
    """Compute one field; what is wrong with it comes back as data, so that other fields go on."""
    try:
        return compute_field(task)
    except InputError as error:
        return FieldFailed(task.field, error.problems, refused=False)
    except OutputError as error:
        return FieldFailed(task.field, error.problems, refused=True)
    except Exception as error:
        if not task.partly:
            raise
        place = traceback.extract_tb(error.__traceback__)[-1]
        problem = Problem(
            "the program failed on this field",
            f"field {task.field}",
            f"{type(error).__name__}: {error} ({place.name}, line {place.lineno})",
            "a program without faults",
            "report it with the farm's files",
        )
        return FieldFailed(task.field, (problem,), refused=False)
    finally:
        give_back()


def compute_field(task: Task) -> tuple[FieldDone, Files]:
    """Compute one field under every scenario, base first; write its layers and its entry in the ledger.

    Raises
    ------
    InputError
        The field cannot be computed.
    OutputError
        Its layers cannot be written.
    """
    farm, field = task.farm, task.farm.fields[task.field]
    summaries, pictures, timings = [], {}, {}
    base: NDArray[Any] | None = None
    known: Drives = {}
    more: object = None
    files: dict[str, tuple[int, str]] = {}
    with ThreadPoolExecutor(WRITERS) as writers:
        waiting: list[Future[tuple[str, int, str]]] = []
        for key in task.scenarios:
            start = time.perf_counter()
            result = run_field(farm, farm.scenarios[key], field, task.plan, task.threads, known)
            timings[f"{key}: compute"] = time.perf_counter() - start
            start = time.perf_counter()
            arrays = dict(result.stored.arrays)
            if base is None:
                base = arrays["lasting"]
            else:
                arrays["lasting_difference"] = _difference(arrays["lasting"], base)
            files |= _written(waiting)
            folder = f"layers/{folder_name(key)}/{folder_name(task.field)}"
            waiting = [
                writers.submit(_write, task.store, f"{folder}/{name}.tif", name, array, result.grid)
                for name, array in arrays.items()
            ]
            pictures[key] = _pictures(result)
            summaries.append(result.summary)
            if task.also is not None and key == "base":
                more = task.also.work(farm, result, task.plan, known, task.also.given.get(task.field))
            timings[f"{key}: write"] = time.perf_counter() - start
        files |= _written(waiting)
    done = FieldDone(task.field, tuple(summaries), pictures, timings, more)
    remember(task.store, folder_name(task.field), task.inputs, files, replace(done, timings={}))
    return done, files


def _written(waiting: Sequence[Future[tuple[str, int, str]]]) -> dict[str, tuple[int, str]]:
    """Wait for the layers of a scenario and return their sizes and hashes."""
    return {name: (size, sha256) for name, size, sha256 in (future.result() for future in waiting)}


def _write(store: Store, name: str, layer: str, array: NDArray[Any], grid: Grid) -> tuple[str, int, str]:
    try:
        data = layer_bytes(layer, array, grid)
    except OSError as error:
        raise refusal(store, f"making {name}", error) from error
    write(store, name, data)
    return name, len(data), hashlib.sha256(data).hexdigest()


def _difference(stored: NDArray[Any], base: NDArray[Any]) -> NDArray[Any]:
    """Return lasting minus base's, stored; nodata where either has none."""
    kind = LAYERS["lasting_difference"]
    out = (stored.astype(np.int32) - base.astype(np.int32)).astype(kind.dtype)
    out[(stored == LAYERS["lasting"].nodata) | (base == LAYERS["lasting"].nodata)] = kind.nodata
    return out


def _pictures(result: FieldResult) -> tuple[Picture, ...]:
    summary, arrays = result.summary, result.stored.arrays
    names = pictured(summary.depths_m, summary.deep_from_m, summary.scenario == "base")
    return tuple(encode_stored(name, arrays[name], result.grid) for name in names)
