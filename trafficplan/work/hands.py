"""Who works: processes of this machine, or the workers of a cluster. Both take tasks and give answers as they come."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from trafficplan.errors import Problem

#: Called with a function of a module and its tasks; yields the place and the answer of each task as it is done.
Each = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[tuple[int, Any]]]


@dataclass(frozen=True)
class Lost:
    """The answer of a task whose process was killed again and again."""

    problem: Problem


@dataclass(frozen=True)
class Hands:
    """Who works, and how they are given work.

    Attributes
    ----------
    threads : that a task may use when it is the only one
    each : `each(function, tasks)` yields (place of the task, answer) as answers come; the function must be a module's
    """

    threads: int
    each: Each


@contextmanager
def hands(workers: int | None = None, scheduler: str | None = None) -> Iterator[Hands]:
    """Give who works, for as long as the block lasts: processes start once, also for many farms.

    Parameters
    ----------
    workers : processes of this machine; None = one per core
    scheduler : address of a cluster's scheduler ("tcp://host:8786"); then `workers` does not count

    Raises
    ------
    InputError
        No scheduler answers there, or what it needs is not installed.
    """
    if scheduler is not None:
        from trafficplan.work.cluster import on_cluster

        with on_cluster(scheduler) as cluster:
            yield cluster
        return
    from trafficplan.work.pool import processes

    count = workers or os.cpu_count() or 1
    with processes(count) as each:
        yield Hands(count, each)
