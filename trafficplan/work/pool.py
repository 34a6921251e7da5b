"""Work over processes: tasks on one shared thing, answers as they come, and a Ctrl-C that only the parent hears."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import resource_tracker
from multiprocessing.context import SpawnContext
from typing import Any, TypeVar

from trafficplan.errors import Problem
from trafficplan.work.hands import Lost

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

#: Warnings that Python's resource tracker keeps to itself.
QUIET = "ignore:resource_tracker:UserWarning"

#: How long killed processes have to be gone [s]; one that the disk holds up cannot be killed before.
GONE_S = 10.0

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
    with sharing(work, shared, min(workers, len(tasks))) as each:
        yield from each(tasks)


@contextmanager
def sharing(
    work: Callable[[S, T], R], shared: S, workers: int
) -> Iterator[Callable[[Sequence[T]], Iterator[tuple[int, R]]]]:
    """Give a function that does tasks on one shared thing, as `in_processes`; its processes stay until the block ends."""
    pool: list[ProcessPoolExecutor] = []

    def each(tasks: Sequence[T]) -> Iterator[tuple[int, R]]:
        if workers <= 1 or (len(tasks) <= 1 and not pool):
            for i, task in enumerate(tasks):
                yield i, work(shared, task)
            return
        if not pool:
            pool.append(ProcessPoolExecutor(workers, _spawn(), _hold, (work, shared)))
        yield from _answers(pool[0], _answer, enumerate(tasks))

    try:
        yield each
    except BaseException:
        for one in pool:
            _kill(one)
        raise
    for one in pool:
        one.shutdown()


@contextmanager
def processes(count: int) -> Iterator[Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[tuple[int, Any]]]]:
    """Give a function that lets up to `count` processes work; they start once and stay until the block ends.

    It is called with a function of a module and tasks, and yields the place and the answer of each as it is done; with
    one process, or one task, all is done here and in order. A process that is killed from outside takes its fellows
    with it: what is not done yet is given to new ones; a task that is killed also when it is alone is `Lost`.
    """
    pools: list[ProcessPoolExecutor] = []

    def pool_for(tasks: int) -> ProcessPoolExecutor:
        if not pools or pools[0]._max_workers < min(count, tasks):  # type: ignore[attr-defined]
            close()
            pools.append(ProcessPoolExecutor(min(count, tasks), _spawn(), _end_with_parent))
        return pools[0]

    def close() -> None:
        while pools:
            _kill(pools.pop())

    def each(work: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        if count <= 1 or len(tasks) <= 1:
            for i, task in enumerate(tasks):
                yield i, work(task)
            return
        left = dict(enumerate(tasks))
        while left:
            some = list(left.items())
            try:
                for i, answer in _answers(pool_for(len(left)), work, some):
                    del left[i]
                    yield i, answer
            except BrokenProcessPool:
                close()
                if len(left) == len(some):  # nothing was done: one of the first is to blame, and they try one by one
                    for i, task in some[:count]:
                        del left[i]
                        yield i, _alone(work, task)

    try:
        yield each
    except BaseException:
        close()
        raise
    for pool in pools:
        pool.shutdown(cancel_futures=True)


def _answers(
    pool: ProcessPoolExecutor, work: Callable[[Any], R], tasks: Iterable[tuple[int, Any]]
) -> Iterator[tuple[int, R]]:
    with _deaf_workers():
        waiting = {pool.submit(work, task): i for i, task in tasks}
    for future in as_completed(list(waiting)):
        yield waiting.pop(future), future.result()


def _kill(pool: ProcessPoolExecutor) -> None:
    """Kill the processes of a pool, and wait until they are gone: what one is writing shall not meet what comes next."""
    killed = list((pool._processes or {}).values())
    for process in killed:
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)
    until = time.monotonic() + GONE_S
    for process in killed:
        process.join(max(0.0, until - time.monotonic()))


def _alone(work: Callable[[Any], Any], task: Any) -> Any:
    """Return the answer of a task that has a process and the memory of the machine to itself, or that it is lost."""
    pool = ProcessPoolExecutor(1, _spawn(), _end_with_parent)
    try:
        ((_, answer),) = _answers(pool, work, [(0, task)])
        return answer
    except BrokenProcessPool:
        return Lost(
            Problem(
                "the process that computed it was killed",
                "this machine",
                "probably no memory was left",
                "memory for the largest field",
                "close other programs, or take larger cells",
            )
        )
    finally:
        _kill(pool)


def _hold(work: Callable[[Any, Any], Any], shared: Any) -> None:
    _end_with_parent()
    _held["work"], _held["shared"] = work, shared


def _answer(task: Any) -> Any:
    return _held["work"](_held["shared"], task)


def _spawn() -> SpawnContext:
    """Return how processes start; a run that ends at once leaves things that Python then clears away, without a word."""
    if QUIET not in sys.warnoptions:  # Python's resource tracker is started with these
        sys.warnoptions.append(QUIET)
    return multiprocessing.get_context("spawn")


def _end_with_parent() -> None:
    """End this process when its parent is gone: a parent that was killed cannot say so, and its workers would stay."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_watch, args=(parent.sentinel,), daemon=True).start()


def _watch(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)


@contextmanager
def _deaf_workers() -> Iterator[None]:
    """Let processes that start in this block never hear Ctrl-C: the parent alone answers it, and only after the block.

    A blocked signal is inherited by new processes. In this process a thread of some library may still take it, and
    Python would then break off in the middle of a start, so that the half started worker complains: the handler only
    notes it. Python's resource tracker lifts the block when it starts, so it is started before.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows has none: there workers hear Ctrl-C themselves
        yield
        return
    resource_tracker.ensure_running()
    heard: list[int] = []
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    here = threading.current_thread() is threading.main_thread()  # no other thread is interrupted
    for number in handlers if here else ():
        signal.signal(number, lambda one, _frame: heard.append(one))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        for number, handler in handlers.items() if here else ():
            signal.signal(number, handler)
        for each in heard:
            signal.raise_signal(each)
