"""Work over processes: tasks on one shared thing, answers as they come, and a Ctrl-C that only the parent hears."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import Any, TypeVar

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

#: What the tasks of this worker process share, and what is done with it.
_held: dict[str, Any] = {}


def in_processes(work: Callable[[S, T], R], shared: S, tasks: Sequence[T], workers: int) -> Iterator[tuple[int, R]]:
    """Yield the place and the answer of each task as it is done.

    Parameters
    ----------
    work : a function of a module, called with `shared` and a task
    shared : sent to each process once
    workers : processes; with one, or one task, all is done here and in order

    Raises
    ------
    BaseException : whatever `work` raises; the other workers are killed
    """
    if workers <= 1 or len(tasks) <= 1:
        for i, task in enumerate(tasks):
            yield i, work(shared, task)
        return
    pool = ProcessPoolExecutor(min(workers, len(tasks)), multiprocessing.get_context("spawn"), _hold, (work, shared))
    try:
        with _deaf_workers():
            waiting = {pool.submit(_answer, task): i for i, task in enumerate(tasks)}
        for future in as_completed(waiting):
            yield waiting[future], future.result()
    except BaseException:
        for process in list((pool._processes or {}).values()):
            process.kill()
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


def _hold(work: Callable[[Any, Any], Any], shared: Any) -> None:
    _held["work"], _held["shared"] = work, shared


def _answer(task: Any) -> Any:
    return _held["work"](_held["shared"], task)


@contextmanager
def _deaf_workers() -> Iterator[None]:
    """Let processes that start in this block never hear Ctrl-C: the parent alone answers it, after the block.

    A blocked signal is inherited by new processes; here it waits and is not lost. Python's resource tracker lifts the
    block when it starts, so it is started before.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows has none: there workers hear Ctrl-C themselves
        yield
        return
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
