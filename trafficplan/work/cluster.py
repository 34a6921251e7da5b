"""Work on the workers of a cluster: the same function per task, its answers as they come (docs/cluster.md)."""

from __future__ import annotations

import gc
import logging
import platform
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.work.hands import Each, Hands, Lost
from trafficplan.work.part import program_state
from trafficplan.work.store import INSTALL, shown

#: How long a scheduler has to answer [s].
ANSWERS_S = 5
#: How long a cluster may be without any worker before the run ends [s].
NO_WORKER_S = 60.0
#: How long workers have to end what they are in the middle of when a run ends before them [s].
LETS_END_S = 30.0
#: Tasks that wait at the cluster for each thread there: enough that none is idle, few enough that little is sent ahead.
AHEAD = 3


@contextmanager
def on_cluster(address: str) -> Iterator[Hands]:
    """Give the workers of a cluster.

    Parameters
    ----------
    address : of its scheduler ("tcp://host:8786")

    Raises
    ------
    InputError
        No scheduler answers there, a worker runs another state of the program, or a package is missing.
    """
    client = _client(address)
    given: set[Any] = set()
    try:
        _same_program(client)
        yield Hands(1, _each(client, address, given))
    finally:
        try:
            _let_end(client, given)
        finally:
            client.close()


def _client(address: str) -> Any:
    try:
        import distributed
    except ImportError:
        raise _refused("a cluster needs another package", "distributed is not installed", "", INSTALL) from None
    for name in ("distributed", "distributed.client"):  # its own words beside our one message
        logging.getLogger(name).setLevel(logging.CRITICAL)
    connect: Any = distributed.Client
    try:
        return connect(address, timeout=f"{ANSWERS_S}s", set_as_default=False, name="trafficplan")
    except (OSError, ValueError, TypeError) as error:
        why = str(error) or type(error).__name__
    # A client that could not connect takes a lock when it is collected. Left to chance that may come while the next one
    # is made, which holds the same lock: both would wait for ever. Here nothing refers to it any more.
    gc.collect()
    needed = "the address of a scheduler that runs, such as tcp://host:8786"
    mend = "start one (dask scheduler) or leave --scheduler away"
    raise _refused("no scheduler answers", f"{shown(address)}: {why}"[:300], needed, mend)


def _refused(what: str, found: str, needed: str, mend: str) -> InputError:
    return InputError(Problem(what, "option --scheduler", found, needed or "the extra `cluster`", mend))


def _same_program(client: Any) -> None:
    """Refuse workers that would compute other bytes: another state of the program, or none."""
    own = program_state()
    try:
        there = client.run(_state, on_error="return")
    except Exception as error:
        raise _cannot(error) from None
    for worker, state in sorted(there.items()):
        if isinstance(state, OSError):  # it has just gone; one that comes in its place is asked with its first task
            continue
        if isinstance(state, Exception):  # whatever a worker that lacks the program raises
            raise _cannot(state)
        if state != own:
            raise _another(worker)


def _cannot(error: Exception) -> InputError:
    found = f"{type(error).__name__}: {error}"[:300]
    return _refused("a worker cannot run this program", found, "this program on every worker", INSTALL)


def _state() -> str:
    return program_state()


def _another(worker: str) -> InputError:
    return _refused(
        "a worker runs another state of this program",
        worker,
        "the same version and the same libraries on every worker and here: else results would differ",
        "install the same on all of them, and start the workers again",
    )


def _answer(state: str, work: Callable[[Any], Any], task: Any) -> Any:
    """Run on a worker, also on one that came later."""
    if program_state() != state:
        raise _another(platform.node())
    return work(task)


def _each(client: Any, address: str, given: set[Any]) -> Each:
    """Return a function that lets the workers of a cluster work; `given` holds what they have not answered yet.

    A worker that dies takes what waits there down with it; the cluster gives all of it to others, but after some deaths
    it blames every task that was there. So those try again one by one, and only what is alone to blame is `Lost`.
    """

    def each(work: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        blamed = []
        for i, answer in _some(client, address, work, list(enumerate(tasks)), given):
            if isinstance(answer, Lost):
                blamed.append((i, tasks[i]))
            else:
                yield i, answer
        for one in blamed:
            yield from _some(client, address, work, [one], given)

    return each


def _some(
    client: Any, address: str, work: Callable[[Any], Any], tasks: Sequence[tuple[int, Any]], given: set[Any]
) -> Iterator[tuple[int, Any]]:
    """Yield the answers of tasks as they come, with a few waiting at the cluster for each of its threads."""
    waiting: dict[Any, int] = {}
    left = list(reversed(tasks))
    run, state, seen = uuid.uuid4().hex, program_state(), time.monotonic()
    try:
        while waiting or left:
            if client.status != "running":  # it went while the answer before was taken
                raise _gone(address, None)
            threads = _threads(client)
            seen = time.monotonic() if threads else seen
            _patience(seen, address)
            while left and len(waiting) < AHEAD * max(1, threads):
                i, task = left.pop()
                try:
                    future = client.submit(_answer, state, work, task, key=f"trafficplan-{run}-{i}", pure=False)
                except Exception as error:
                    if client.status == "running":
                        raise
                    raise _gone(address, error) from None
                waiting[future] = i
                given.add(future)
            for future in _finished(client, waiting, address):
                given.discard(future)
                yield waiting.pop(future), _result(future)
    finally:
        if waiting and client.status == "running":
            client.cancel(list(waiting), force=True)


def _let_end(client: Any, given: set[Any]) -> None:
    """Take back tasks that nobody waits for any more, and let workers end those that they are in the middle of.

    A worker cannot be stopped in the middle of a field, and what it still writes shall not meet a run that follows.
    """
    if not given or client.status != "running":
        return
    until, idle = time.monotonic() + LETS_END_S, 0
    with suppress(Exception):  # no scheduler any more: of all that this raises the run's own end is what is told
        client.cancel(list(given), force=True)
        keys = {future.key for future in given}
        # Two looks: what was cancelled goes another way than the question, and a task may still come between them.
        while time.monotonic() < until and idle < 2:
            idle = 0 if any(client.run(_in_hand, keys, on_error="ignore").values()) else idle + 1
            time.sleep(0.1)


def _in_hand(keys: set[str], dask_worker: Any) -> bool:
    """Tell of a worker whether it is in the middle of any of these tasks (dask names the argument)."""
    return any(key in keys and task.state != "memory" for key, task in dask_worker.state.tasks.items())


def _threads(client: Any) -> int:
    """Return the threads of all workers that are there now; 0 when there are none, or no scheduler any more."""
    try:
        return sum(client.nthreads().values())
    except (OSError, TimeoutError, AttributeError):  # the last: the client has just given the scheduler up
        return 0


def _patience(seen: float, address: str) -> None:
    if time.monotonic() - seen > NO_WORKER_S:
        raise OutputError(
            Problem(
                "the cluster has no worker",
                shown(address),
                f"none for {NO_WORKER_S:.0f} s",
                "at least one worker",
                "start workers (dask worker ADDRESS), then run again; with --resume what is finished is not computed again",
            )
        )


def _finished(client: Any, waiting: dict[Any, int], address: str) -> list[Any]:
    """Return the tasks that are done, after waiting a little for the first of them."""
    import distributed

    first_of: Any = distributed.wait
    try:
        with client.as_current():
            done = first_of(list(waiting), timeout=2, return_when="FIRST_COMPLETED").done
    except TimeoutError:
        done = set()
    except Exception as error:  # a future that was cancelled because the scheduler is gone
        raise _gone(address, error) from None
    if client.status != "running" or any(future.cancelled() for future in done):
        raise _gone(address, None)
    return sorted(done, key=lambda future: waiting[future])


def _gone(address: str, error: Exception | None) -> OutputError:
    return OutputError(
        Problem(
            "the scheduler is gone",
            shown(address),
            f"{type(error).__name__}: {error}"[:200] if error else "no answer any more",
            "a scheduler that runs until the end",
            "start it again, then run again with --resume: what is finished is not computed again",
        )
    )


def _result(future: Any) -> Any:
    """Return a task's answer; a task whose workers were killed again and again is lost, the others go on."""
    from distributed import KilledWorker

    try:
        return future.result()
    except KilledWorker as error:
        return Lost(
            Problem(
                "workers were killed while they computed it",
                "the cluster",
                f"{str(error)[:200]}",
                "memory for the largest field on every worker",
                "give workers more memory, or fewer threads each",
            )
        )
