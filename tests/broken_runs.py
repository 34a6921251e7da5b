"""Runs of `trafficplan map` that are killed or run out of disk: one process imports, each run is a fork of it.

`python broken_runs.py FARM OUT killed SEED COUNT` or `... full BYTES [BYTES ...]`; prints one JSON line per run.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import signal
import sys
import time
from pathlib import Path


def state(folder: Path) -> dict[str, str] | None:
    """Hashes of all files of a result but the exempt timings; None where there is no such folder."""
    if not folder.is_dir():
        return None
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "timings.json")
    return {str(one.relative_to(folder)): hashlib.sha256(one.read_bytes()).hexdigest() for one in files}


def begin(farm: str, out: Path, cell: int, limit: int | None = None) -> int:
    """Fork a run of one worker; its words go to OUT.said; return its process id."""
    child = os.fork()
    if child:
        return child
    said = os.open(out.with_name("said"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(said, 1)
    os.dup2(said, 2)
    if limit is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    status = 1
    try:
        from trafficplan.cli.main import app

        app(["map", farm, "--out", str(out), "--cell", str(cell), "--workers", "1"])
    except SystemExit as error:
        status = int(error.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
    sys.stdout.flush()
    os._exit(status)


def finish(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def whole(farm: str, out: Path, cell: int) -> tuple[dict[str, str] | None, float]:
    start = time.perf_counter()
    status = finish(begin(farm, out, cell))
    assert status == 0, out.with_name("said").read_text()
    return state(out), time.perf_counter() - start


def slow(path: str) -> str:
    """A task of a cluster: leave its mark when it begins, and another a second later."""
    Path(f"{path}.begun").touch()
    time.sleep(1.0)
    Path(f"{path}.ended").touch()
    return path


def die(task: str) -> str:
    """Answer a task, but for the one that kills its process."""
    if task == "deadly":
        os.kill(os.getpid(), signal.SIGKILL)
    return task


def killed(farm: str, out: Path, seed: int, count: int) -> None:
    """Kill runs that alternate between cells of 2 and 3 m; after each the result must be one of the two.

    The runs that are measured may meet a busier machine than those that follow: each run that is done before it can be
    killed makes the next ones be killed earlier.
    """
    whole(farm, out, 2)
    known = {cell: whole(farm, out, cell) for cell in (3, 2)}
    moments, pace = random.Random(seed), 1.0
    for number in range(count):
        cell = (3, 2)[number % 2]
        child = begin(farm, out, cell)
        begun, wait = time.perf_counter(), moments.uniform(0.0, pace * known[cell][1])
        if number % 3:  # two of three near the end, where the report is written and the folders are swapped
            near_the_end = out.with_name(f"{out.name}.new") / "zones.gpkg"
            while (
                not near_the_end.exists() and os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None
            ):
                time.sleep(0.002)
            wait = time.perf_counter() - begun + moments.uniform(0.0, 0.25 * pace * known[cell][1])
        time.sleep(max(0.0, wait - (time.perf_counter() - begun)))
        os.kill(child, signal.SIGKILL)
        status = finish(child)
        pace *= 1.0 if status else 0.8
        # What the disk shows now may be a swap half done: the next command finishes it before it reads.
        from trafficplan.work.folder import finish_swap

        finish_swap(out)
        found = next((one for one, (files, _) in known.items() if files == state(out)), None)
        print(json.dumps({"cell": cell, "wait_s": round(wait, 3), "status": status, "found": found}), flush=True)
    print(
        json.dumps(
            {
                "next": whole(farm, out, 2)[0] == known[2][0],
                "left": sorted(p.name for p in out.parent.iterdir()),
            }
        )
    )


def full(farm: str, out: Path, limits: list[int]) -> None:
    """Let runs meet a file that may not grow beyond so many bytes."""
    before, _ = whole(farm, out, 2)
    for limit in limits:
        status = finish(begin(farm, out, 3, limit))
        words = out.with_name("said").read_text()
        print(json.dumps({"limit": limit, "status": status, "same": state(out) == before, "said": words,
                          "left": sorted(p.name for p in out.parent.iterdir())}), flush=True)  # fmt: skip


if __name__ == "__main__":
    import trafficplan.cli.main
    import trafficplan.inputs.farm
    import trafficplan.work.season  # noqa: F401 - the forks find it imported

    place, target, what = sys.argv[1], Path(sys.argv[2]), sys.argv[3]
    numbers = [int(word) for word in sys.argv[4:]]
    if what == "killed":
        killed(place, target, *numbers)
    else:
        full(place, target, numbers)
