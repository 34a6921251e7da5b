"""A farm on a cluster of worker processes: the bytes of a run here; a killed worker loses nothing; what is missing is told."""

import gc
import os
import platform
import signal
import sys
import time
from types import SimpleNamespace

import dask
import pytest
from broken_runs import die, slow, state
from distributed import LocalCluster
from make_county import Size, make_farm
from object_store import object_store

from trafficplan.chain import Plan
from trafficplan.errors import InputError, OutputError
from trafficplan.inputs.farm import read_farm
from trafficplan.work import cluster as module
from trafficplan.work import season as season_module
from trafficplan.work.hands import Lost, hands
from trafficplan.work.place import result_at
from trafficplan.work.season import map_farm
from trafficplan.work.store import read, sizes, store_at

pytestmark = pytest.mark.cluster

PLAN = Plan(cell=2.0, depths_m=(0.2, 0.5))
#: How long a scheduler has to answer, where nothing is changed for a test [s].
ANSWERS_S = module.ANSWERS_S


@pytest.fixture(scope="module", autouse=True)
def plain_report():
    """A plain report, and patience: on a busy machine a scheduler that is there may need more than a few seconds."""
    patch = pytest.MonkeyPatch()
    patch.setattr(module, "ANSWERS_S", 120)
    patch.setattr(season_module, "write_report", lambda path, *_: path.write_text("the report"))
    yield
    patch.undo()


@pytest.fixture(scope="module")
def farm(once):
    return read_farm(once("five-fields", lambda made: make_farm(made, 2, Size(fields=5, field_ha=0.25, operations=2))))


@pytest.fixture(scope="module")
def here(farm, tmp_path_factory):
    out = tmp_path_factory.mktemp("here") / "out"
    with result_at(out) as place, hands(1) as at_work:
        map_farm(farm, list(farm.fields), ("base",), PLAN, place, at_work)
    return state(out)


@pytest.fixture(scope="module")
def objects():
    with object_store() as bucket:
        yield bucket


@pytest.fixture(scope="module")
def cluster(objects):
    """Two workers, each a process of its own with a nanny that starts it again; they know the object store."""
    with started(2) as running:
        yield running


def started(workers):
    return LocalCluster(n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0")


def run(farm, out, address, told=lambda _field, _share: None, resume=False, store=None):
    with result_at(out, store, resume) as place, hands(None, address) as at_work:
        return map_farm(farm, list(farm.fields), ("base",), PLAN, place, at_work, told)


def pids(cluster):
    return {one.pid for one in cluster.workers.values() if one.pid}


def test_the_bytes_are_those_of_a_run_here(farm, cluster, here, tmp_path):
    run(farm, tmp_path / "out", cluster.scheduler_address)
    assert state(tmp_path / "out") == here


def test_workers_write_to_an_object_store(farm, cluster, objects, here, tmp_path):
    run(farm, None, cluster.scheduler_address, store=f"{objects}/from-workers")
    store = store_at(f"{objects}/from-workers")
    for name in sizes(store):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(read(store, name))
    assert state(tmp_path) == here


def test_a_place_that_only_this_process_sees_is_told(farm, cluster):
    with pytest.raises(OutputError, match="must mean the same"):
        run(farm, None, cluster.scheduler_address, store="memory://here")


def test_a_worker_killed_in_mid_run_loses_nothing(farm, cluster, here, tmp_path):
    killed = []

    def kill_one(_field, _share):
        if not killed:
            killed.append(min(pids(cluster)))
            os.kill(killed[0], signal.SIGKILL)

    done = run(farm, tmp_path / "out", cluster.scheduler_address, kill_one)
    assert killed and not done.failed and state(tmp_path / "out") == here


def test_what_is_finished_is_taken_over_by_a_cluster(farm, cluster, here, tmp_path):
    done = []

    def stop(field, _share):
        done.append(field)
        if len(done) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(farm, tmp_path / "out", cluster.scheduler_address, stop, resume=True)
    resumed = run(farm, tmp_path / "out", cluster.scheduler_address, resume=True)
    assert set(done) <= set(resumed.taken_over) and state(tmp_path / "out") == here


def test_when_a_run_ends_early_no_worker_is_left_in_the_middle_of_a_task(cluster, tmp_path):
    with pytest.raises(KeyboardInterrupt), hands(None, cluster.scheduler_address) as at_work:
        for _ in at_work.each(slow, [str(tmp_path / f"{i}") for i in range(12)]):
            raise KeyboardInterrupt
    begun = {path.stem for path in tmp_path.glob("*.begun")}
    assert begun == {path.stem for path in tmp_path.glob("*.ended")} and 1 < len(begun) < 12
    time.sleep(1.5)
    assert begun == {path.stem for path in tmp_path.iterdir()}


def test_a_task_that_kills_every_worker_is_lost_and_the_others_are_done(cluster):
    cluster.scheduler.allowed_failures = 0
    with hands(None, cluster.scheduler_address) as at_work:
        answers = dict(at_work.each(die, ["a", "deadly", "b"]))
    assert answers[0] == "a" and answers[2] == "b"
    assert isinstance(answers[1], Lost) and "killed" in answers[1].problem.what


def test_a_worker_with_another_state_of_the_program_is_refused(farm, cluster, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "program_state", lambda: "another")
    with pytest.raises(InputError) as caught:
        run(farm, tmp_path / "out", cluster.scheduler_address)
    (problem,) = caught.value.problems  # a worker that is just being started again says the machine's name itself
    assert "another state" in problem.what and ("tcp://" in problem.found or problem.found == platform.node())
    assert not list(tmp_path.iterdir())
    with pytest.raises(InputError, match="another state"):  # of a worker that came after the first look
        module._answer("older", str, 1)


def test_a_cluster_without_workers_is_told(farm, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "NO_WORKER_S", 1.0)
    with (
        started(0) as empty,
        pytest.raises(OutputError) as caught,
    ):
        run(farm, tmp_path / "out", empty.scheduler_address)
    assert "no worker" in caught.value.problems[0].what and "dask worker" in caught.value.problems[0].mend


def test_a_scheduler_that_goes_away_is_told_and_what_is_finished_stays(farm, here, tmp_path):
    going = started(1)
    with pytest.raises(OutputError) as caught:
        run(farm, tmp_path / "out", going.scheduler_address, lambda _field, _share: going.close(), resume=True)
    assert "--resume" in caught.value.problems[0].mend
    with result_at(tmp_path / "out", None, True) as place, hands(1) as at_work:
        done = map_farm(farm, list(farm.fields), ("base",), PLAN, place, at_work)
    assert done.taken_over and state(tmp_path / "out") == here


@pytest.mark.parametrize("when", ["between two answers", "between two farms"])
def test_a_scheduler_that_is_given_up_while_an_answer_is_written_is_told(when, monkeypatch, capfd):
    made, connect = [], module._client
    monkeypatch.setattr(module, "_client", lambda address: made.append(connect(address)) or made[-1])
    going = started(1)

    def goes():
        made[0]._timeout = 0.5  # how long it tries to find it again
        going.close()
        capfd.readouterr()
        while made[0].status != "closed":
            time.sleep(0.05)

    with hands(None, going.scheduler_address) as at_work:
        answers = at_work.each(abs, [-1, 2, -3, 4, -5, 6])
        if when == "between two answers":
            next(answers)
            goes()
        else:
            assert sorted(one for _, one in answers) == [1, 2, 3, 4, 5, 6]
            goes()
            answers = at_work.each(abs, [-7])
        with pytest.raises(OutputError) as caught:
            list(answers)
    assert caught.value.problems[0].what == "the scheduler is gone" and "--resume" in caught.value.problems[0].mend
    assert capfd.readouterr().err == ""


def test_a_worker_that_has_just_gone_does_not_keep_the_others_from_work():
    def asked(other):
        gone = OSError("in <TCP (closed)>")
        module._same_program(SimpleNamespace(run=lambda _work, **_: {"tcp://a": gone, "tcp://b": other}))

    asked(module.program_state())
    with pytest.raises(InputError, match="cannot run this program"):
        asked(ModuleNotFoundError("trafficplan"))
    with pytest.raises(InputError, match="another state"):
        asked("another")


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "", "127.0.0.1:9"])
def test_a_scheduler_that_is_not_there_is_told_within_seconds(farm, tmp_path, address, caplog, capfd, monkeypatch):
    monkeypatch.setattr(module, "ANSWERS_S", ANSWERS_S)
    gc.collect()  # what earlier tests left says its last words now
    caplog.clear()
    capfd.readouterr()
    begin = time.monotonic()
    with dask.config.set({"distributed.comm.timeouts.connect": "900s"}), pytest.raises(InputError) as caught:
        run(farm, tmp_path / "out", address)
    assert time.monotonic() - begin < 120  # a busy machine included; left to itself it would try for 900 s
    (problem,) = caught.value.problems
    assert problem.where == "option --scheduler" and problem.what == "no scheduler answers"
    assert not list(tmp_path.iterdir()) and capfd.readouterr().err == "" and not caplog.records


def test_without_the_package_it_is_said_how_to_install_it(farm, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError) as caught:
        run(farm, tmp_path / "out", "tcp://127.0.0.1:8786")
    assert "pip install" in caught.value.problems[0].mend and "cluster" in caught.value.problems[0].mend
