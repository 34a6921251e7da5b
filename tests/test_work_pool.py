"""Ctrl-C while processes start or work: nobody but the parent hears it, only when all have started, and none stays."""

import multiprocessing
import os
import select
import signal
import threading

import pytest
from broken_runs import slow

from trafficplan.work.pool import _deaf_workers, processes


@pytest.fixture(autouse=True)
def hears_ctrl_c():
    """A suite that runs in the background ignores Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture
def another_thread():
    """Return the id of a thread that was there before and may take signals, as those of many libraries."""
    ended = threading.Event()
    thread = threading.Thread(target=ended.wait)
    thread.start()
    yield thread.ident
    ended.set()
    thread.join()


@pytest.fixture
def signals():
    """Return the end of a pipe that tells of each signal which a thread has taken."""
    told, tell = os.pipe()
    os.set_blocking(tell, False)
    before = signal.set_wakeup_fd(tell)
    yield told
    signal.set_wakeup_fd(before)
    os.close(told)
    os.close(tell)


@pytest.mark.parametrize("taken_by", ["the main thread", "another thread"])
def test_ctrl_c_is_answered_when_the_block_has_ended(another_thread, signals, taken_by):
    ident = threading.main_thread().ident if taken_by == "the main thread" else another_thread
    reached = []
    with pytest.raises(KeyboardInterrupt), _deaf_workers():
        signal.pthread_kill(ident, signal.SIGINT)
        # The main thread is deaf until the end of the block; another one takes the signal when it next has its turn.
        taken = bool(select.select([signals], [], [], 0.2 if taken_by == "the main thread" else 120)[0])
        assert taken == (taken_by == "another thread")
        reached.append("the end of the block")
    assert reached
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_without_ctrl_c_nothing_is_raised_and_other_threads_may_start_processes():
    answers = []

    def work():
        with processes(2) as each:
            answers.extend(sorted(each(abs, [-1, 2])))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert answers == [(0, 1), (1, 2)]


def test_when_a_run_ends_early_its_processes_are_gone(tmp_path):
    before, workers = set(multiprocessing.active_children()), set()
    with pytest.raises(KeyboardInterrupt), processes(2) as each:
        for _ in each(slow, [str(tmp_path / f"{i}") for i in range(8)]):
            workers = set(multiprocessing.active_children()) - before
            raise KeyboardInterrupt
    assert len(workers) == 2
    for one in workers:  # asked of the system: which thread has heard of an end, and when, does not count
        with pytest.raises(ProcessLookupError):
            os.kill(one.pid, 0)
