"""Shared by all tests: the open data, and results that are made once per run."""

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """In CI a skipped test fails the run: nothing may stay untried there."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI: {report.longrepr}"
    return report


def open_data_folder() -> Path:
    """Folder of the open data sets, whether it is there or not."""
    return Path(os.environ.get("TRAFFICPLAN_OPEN_DATA", REPO.parent / "shared" / "open-data"))


@pytest.fixture(scope="session")
def open_data() -> Path:
    folder = open_data_folder()
    if not folder.is_dir():
        pytest.skip("the open data are not here; set TRAFFICPLAN_OPEN_DATA to their folder")
    return folder


@pytest.fixture(scope="session")
def once(tmp_path_factory, worker_id) -> Callable[[str, Callable[[Path], object]], Path]:
    """Make a folder once per run, also with several workers: once(name, make) -> folder."""
    root = tmp_path_factory.getbasetemp()
    root = root if worker_id == "master" else root.parent

    def get(name: str, make: Callable[[Path], object]) -> Path:
        folder = root / f"once-{name}"
        with (root / f"once-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not (folder / ".made").exists():
                folder.mkdir(exist_ok=True)
                make(folder)
                (folder / ".made").touch()
        return folder

    return get


def sample_farm() -> Path:
    """Folder of the invented farm that comes with the program."""
    (folder,) = [path.parent for path in (REPO / "sample_fields").glob("*/farm.toml")]
    return folder
