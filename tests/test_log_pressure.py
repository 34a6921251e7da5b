"""Tyre pressures of a log: they stand in the passes of its operation, cold, unless a scenario changes them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from log_writers import drive, stamp, use
from spoiled_farms import write_good

from trafficplan.chain import Plan, prepare
from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.units import BAR

LOG = drive()
FORM = """
[tracks."day.csv"]
time = { column = "time", unit = "iso" }
x = { column = "lon", unit = "degrees" }
y = { column = "lat", unit = "degrees" }
pressure = { column = "tyre", unit = "kPa", axle = "trailer" }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def written(folder: Path, header: str, cells: Sequence[str]) -> Path:
    """Write the drive with more columns and name it as the drive of operation 3."""
    rows = [f"{stamp(t)},{x:.7f},{y:.7f},{one}" for t, x, y, one in zip(LOG.time, LOG.lon, LOG.lat, cells, strict=True)]
    return use(folder, "day.csv", "\n".join([f"time,lon,lat,{header}", *rows]).encode())


def pressures(farm: Farm, scenario: str = "base") -> dict[str, float]:
    """Return axle -> pressure of the passes of operation 3 [bar]."""
    laid = prepare(farm, farm.scenarios[scenario], farm.fields["Park"], Plan(cell=1.0, first=dt.date(2026, 9, 1)))
    number = [one.key for one in laid.operations].index("3")
    return {one.axle.key: one.pressure_pa / BAR for one in laid.events[number].passes}


def said(farm: Farm) -> str:
    return "\n".join(f"{one.kind} {one.what}: {one.value}: {one.why}" for one in farm.notes)


def test_recorded_pressure_stands_in_the_passes_brought_to_cold(folder: Path) -> None:
    # gas law: (186.7 + 101.325) kPa x 293.15 K / 323.15 K - 101.325 kPa = 159.96 kPa [derived]
    farm = read_farm(written(folder, "tyre_pressure_bar,tyre_temperature_c", ["1.867,50"] * 46))
    assert pressures(farm) == pytest.approx(dict.fromkeys(("front", "rear", "trailer"), 1.5996), abs=1e-3)
    assert "the log's pressure, median in the field, brought to cold; it replaces 1.00 to 1.40 bar" in said(farm)
    assert "1.60 bar (1.60 to 1.60 bar), of all axles" in said(farm)


def test_pressure_without_temperature_is_taken_as_read(folder: Path) -> None:
    farm = read_farm(written(folder, "tyre_pressure_bar", ["1.2"] * 46))
    assert set(pressures(farm).values()) == {1.2} and "as read, perhaps hot; it replaces" in said(farm)


def test_named_axle_alone_has_the_recorded_pressure(folder: Path) -> None:
    written(folder, "tyre", [str(110 + i % 3 * 10) for i in range(46)])  # 110, 120, 130 kPa
    toml = folder / "farm.toml"
    toml.write_text(toml.read_text() + FORM)
    farm = read_farm(folder)
    assert pressures(farm) == {"front": 1.0, "rear": 1.0, "trailer": 1.2}
    assert "1.20 bar (1.10 to 1.30 bar), of the axle trailer" in said(farm) and "replaces 1.40 bar" in said(farm)
    toml.write_text(toml.read_text().replace('axle = "trailer"', 'axle = "trailor"'))
    with pytest.raises(InputError, match="write trailer"):
        read_farm(folder)


def test_pressure_that_changes_while_driving_is_told(folder: Path) -> None:
    farm = read_farm(written(folder, "tyre_pressure_bar", ["0.8"] * 30 + ["1.6"] * 16))
    assert set(pressures(farm).values()) == {0.8} and "recorded pressure changes: 0.80 to 1.60 bar" in said(farm)


def test_pressure_out_of_work_does_not_count(folder: Path) -> None:
    cells = [f"{0.8 if i < 20 else 1.6},{int(i < 20)}" for i in range(46)]
    farm = read_farm(written(folder, "tyre_pressure_bar,working", cells))
    assert set(pressures(farm).values()) == {0.8} and "recorded pressure changes" not in said(farm)


def test_scenario_still_changes_the_pressure(folder: Path) -> None:
    written(folder, "tyre_pressure_bar", ["1.2"] * 46)
    toml = folder / "scenarios.toml"
    toml.write_text(toml.read_text() + '\n[soft]\n  [[soft.change]]\n  jobs = ["harvest"]\n  pressure = "0.7"\n')
    farm = read_farm(folder)
    assert set(pressures(farm).values()) == {1.2} and set(pressures(farm, "soft").values()) == {0.7}


def test_empty_column_of_pressure_changes_nothing(folder: Path) -> None:
    farm = read_farm(written(folder, "tyre_pressure_bar", [""] * 46))
    assert pressures(farm) == {"front": 1.0, "rear": 1.0, "trailer": 1.4} and "log's pressure" not in said(farm)
    (log,) = farm.logs.values()
    assert log.pressure_pa is None or np.isnan(log.pressure_pa).all()


def test_gauge_that_reads_nothing_is_told(folder: Path) -> None:
    farm = read_farm(written(folder, "tyre_pressure_bar", ["0"] * 46))
    assert pressures(farm) == {"front": 1.0, "rear": 1.0, "trailer": 1.4} and "it is 0 throughout" in said(farm)


def test_zeros_of_a_gauge_do_not_count(folder: Path) -> None:
    farm = read_farm(written(folder, "tyre_pressure_bar", ["0", *["1.2"] * 45]))
    assert set(pressures(farm).values()) == {1.2} and "recorded pressure changes" not in said(farm)
