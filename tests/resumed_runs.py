"""Runs of `trafficplan map` that are killed with SIGKILL and then resumed: one process imports, each run is a fork of it.

`python resumed_runs.py FARM OUT`; prints one JSON line per run.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import time
from pathlib import Path

from broken_runs import finish, state

#: How long a run stands still at a moment that would be over in milliseconds, for whoever kills it [s].
STANDS_S = 120.0


def report(path: Path, *_: object) -> None:
    """Write a report of three words; stand still before or after it when the run is to be killed there.

    The report takes most of the time of a run so small, and nothing here depends on what is in it.
    """
    if stands == "tables":
        time.sleep(STANDS_S)
    path.write_text("the report")
    if stands == "report":
        time.sleep(STANDS_S)


#: The moment at which this run stands still.
stands = ""


def begin(farm: str, out: Path, *more: str, moment: str = "") -> int:
    """Fork a run of one worker; its words go to OUT.said; return its process id."""
    global stands
    stands = moment
    child = os.fork()
    if child:
        return child
    said = os.open(out.with_name("said"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(said, 1)
    os.dup2(said, 2)
    status = 1
    try:
        from trafficplan.cli.main import app

        app(["map", farm, "--out", str(out), "--cell", "2", "--depths", "20,50", "--workers", "1", *more])
    except SystemExit as error:
        status = int(error.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
    sys.stdout.flush()
    os._exit(status)


def wait_for(child: int, seen) -> None:
    """Wait until `seen()` or the end of the run."""
    while not seen() and os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        time.sleep(0.001)


def main(farm: str, out: Path) -> None:
    new = out.with_name(f"{out.name}.new")
    ledger, layers = new / ".finished", new / "layers"
    moments = {
        "nothing written": lambda: new.exists(),
        "layers of a first field": lambda: any(layers.rglob("ratio_50.tif")),
        "one field finished": lambda: len(list(ledger.glob("*.json"))) >= 1,
        "two fields finished": lambda: len(list(ledger.glob("*.json"))) >= 2,
        "tables": lambda: (new / "zones.gpkg").exists(),
        "report": lambda: (new / "report.html").exists(),
        "run.json": lambda: (new / "run.json").exists(),
    }
    assert finish(begin(farm, out)) == 0, out.with_name("said").read_text()
    undisturbed = state(out)
    shutil.rmtree(out)
    for moment, seen in moments.items():
        child = begin(farm, out, moment=moment)
        wait_for(child, seen)
        os.kill(child, signal.SIGKILL)
        killed = finish(child) == -signal.SIGKILL
        finished = len(list(ledger.glob("*.json"))) if killed else 0
        status = finish(begin(farm, out, "--resume"))
        taken = json.loads((out / "timings.json").read_text()).get("taken over", []) if out.exists() else None
        told = {"moment": moment, "killed": killed, "finished": finished, "status": status, "taken_over": taken}
        print(json.dumps({**told, "same": state(out) == undisturbed, "left": sorted(p.name for p in out.parent.iterdir()),
                          "said": out.with_name("said").read_text()}), flush=True)  # fmt: skip
        shutil.rmtree(out, ignore_errors=True)


if __name__ == "__main__":
    import trafficplan.cli.main
    import trafficplan.inputs.farm
    import trafficplan.work.season

    trafficplan.work.season.write_report = report
    main(sys.argv[1], Path(sys.argv[2]))
