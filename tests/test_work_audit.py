"""`trafficplan audit` of several farms: on a cluster, into an object store, killed and resumed; the same bytes every time."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest
from broken_runs import state
from distributed import LocalCluster
from make_county import Size, make_county
from object_store import object_store
from typer.testing import CliRunner

from trafficplan.cli.main import app
from trafficplan.work.store import read, sizes, store_at

pytestmark = [pytest.mark.cluster, pytest.mark.whole]

FEW = ["--cell", "2", "--depths", "20,50"]


@pytest.fixture(scope="module")
def farms(once):
    folder = once("two-farms", lambda made: make_county(made, 2, Size(fields=2, field_ha=0.3, operations=2)))
    return [str(folder / "farm-01"), str(folder / "farm-02")]


def audit(farms, *more, status=0):
    told = CliRunner().invoke(app, ["audit", *farms, *FEW, *map(str, more), "--json"])
    assert told.exit_code == status, told.output[-2000:]
    return json.loads(told.stdout)


@pytest.fixture(scope="module")
def here(farms, tmp_path_factory):
    out = tmp_path_factory.mktemp("here") / "out"
    audit(farms, "--out", out, "--workers", 1)
    return state(out)


@pytest.fixture(scope="module")
def objects():
    with object_store() as bucket:
        yield bucket


@pytest.fixture(scope="module")
def scheduler(objects):
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0") as cluster:
        yield cluster.scheduler_address


def test_on_a_cluster_and_into_an_object_store_the_bytes_are_the_same(farms, here, scheduler, objects, tmp_path):
    told = audit(farms, "--scheduler", scheduler, "--store", f"{objects}/audit")
    assert told["result"]["out"] == f"{objects}/audit" and not told["errors"]
    store = store_at(f"{objects}/audit")
    for name in sizes(store):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(read(store, name))
    assert state(tmp_path) == here


def test_killed_and_resumed_the_bytes_are_the_same(farms, here, tmp_path):
    out = tmp_path / "out"
    words = [sys.executable, "-m", "trafficplan", "audit", *farms, *FEW, "--out", str(out), "--workers", "2"]
    running = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    ledgers = tmp_path / "out.new"
    while len(list(ledgers.rglob(".finished/*.json"))) < 3 and running.poll() is None:
        time.sleep(0.005)
    os.kill(running.pid, signal.SIGKILL)
    running.communicate(timeout=300)  # its workers hold the same pipe: when nobody does, nobody writes any more
    assert running.returncode == -signal.SIGKILL
    written = {path: path.stat().st_mtime_ns for path in ledgers.rglob("ratio_50.tif")}
    finished = {path.stem for path in ledgers.rglob(".finished/*.json")}
    audit(farms, "--out", out, "--workers", 1, "--resume")
    kept = [path for path in written if (out / path.relative_to(ledgers)).stat().st_mtime_ns == written[path]]
    assert len(kept) >= 3 and {path.parent.name for path in kept} <= finished
    assert state(out) == here


def test_a_scheduler_that_is_not_there_is_one_message_and_nothing_is_begun(farms, tmp_path):
    told = audit(farms, "--scheduler", "tcp://127.0.0.1:9", "--out", tmp_path / "out", status=2)
    (error,) = told["errors"]
    assert error["what"] == "no scheduler answers" and "127.0.0.1:9" in error["found"]
    assert not list(tmp_path.iterdir())


def test_a_store_that_refuses_is_status_2_and_nothing_counts(farms, objects, tmp_path, monkeypatch):
    from trafficplan.work import store as module

    write, written = module._asked, []

    def refuses(store, what, ask):
        written.append(what)
        if len(written) > 30:
            raise module.refusal(store, what, PermissionError(13, "AccessDenied"))
        return write(store, what, ask)

    monkeypatch.setattr(module, "_asked", refuses)
    told = audit(farms, "--store", f"{objects}/refused", "--workers", 1, status=2)
    assert told["errors"][0]["what"] == "the store refuses" and "AccessDenied" in told["errors"][0]["found"]
    monkeypatch.undo()
    assert not [name for name in sizes(store_at(f"{objects}/refused")) if name.endswith("run.json")]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--workers", 2, "--scheduler", "tcp://x:1"), "--workers/--scheduler"),
        (("--store", "s3://county/x", "--out", "x"), "--out/--store"),
        (("--store", "nowhere://x"), "option --store"),
    ],
)
def test_two_answers_to_one_question_and_no_such_store(farms, words, found):
    told = audit(farms, *words, status=2)
    assert found in told["errors"][0]["where"]
