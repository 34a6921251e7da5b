"""What a log tells of the work itself, against the bends and the outfit's own width."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from routes_farm import field, operation, outfit
from shapely import Polygon

from trafficplan.farm.operation import Log
from trafficplan.names import TURN, WORK
from trafficplan.routes.logs import boundary_from_log, drive_from_log
from trafficplan.routes.passes import Drive

SPREAD = operation(rate_kg_m2=1.0, change="empties", load_kg=6e3)
SPREADER = replace(outfit(6.0, 7.0, 6e3, 0.0), field_m_s=2.0)
GROUND = field(Polygon([(-10, -10), (210, -10), (210, 40), (-10, 40)]))


def straight(**columns: np.ndarray) -> Log:
    """One bout of 200 m: 101 fixes of 2 m and 1 s."""
    x = np.arange(0.0, 201.0, 2.0)
    return Log("bout", np.arange(101.0), x, np.zeros(101), **columns)


def leg_m(drive: Drive, leg: int) -> float:
    return float(np.hypot(*np.diff(drive.xy, axis=0).T)[drive.leg[:-1] == leg].sum())


def told(drive: Drive, words: str) -> list[str]:
    return [f"{note.value} {note.why}" for note in drive.notes if words in note.what]


def test_recorded_state_of_work_counts_although_nothing_bends() -> None:
    working = np.ones(101)
    working[50:75] = 0.0  # 25 steps of 2 m out of work on a straight
    drive = drive_from_log(straight(working=working), GROUND, SPREAD, SPREADER)
    assert (leg_m(drive, WORK), leg_m(drive, TURN)) == pytest.approx((150.0, 50.0), abs=1.0)
    assert drive.worked_m2 == pytest.approx(150 * 6.0, abs=13.0)  # by hand: length in work x width, within a step
    assert "in work at 75 % of the fixes" in told(drive, "work or turn")[0]
    # nothing is spread out of work: 1 kg/m2 on the ground worked
    assert drive.load_kg[0] - drive.load_kg[-1] == pytest.approx(drive.worked_m2, rel=1e-6)


def test_bends_in_work_stay_work_where_the_state_says_so() -> None:
    corner = np.concatenate([np.arange(0.0, 101.0, 2.0), np.full(50, 100.0)])
    north = np.concatenate([np.zeros(51), np.arange(2.0, 101.0, 2.0) * 0.4])
    log = Log("corner", np.arange(101.0), corner, north)
    assert leg_m(drive_from_log(log, GROUND, SPREAD, SPREADER), TURN) > 0.0
    worked = drive_from_log(replace(log, working=np.ones(101)), GROUND, SPREAD, SPREADER)
    assert leg_m(worked, TURN) == 0.0


def test_state_that_is_never_in_work_tells_nothing() -> None:
    drive = drive_from_log(straight(working=np.zeros(101)), GROUND, SPREAD, SPREADER)
    assert leg_m(drive, WORK) == pytest.approx(200.0) and "by bends alone" in told(drive, "work or turn")[0]


def test_unknown_state_leaves_the_bends_to_judge() -> None:
    working = np.full(101, np.nan)
    working[:10] = 0.0
    working[10] = 1.0
    drive = drive_from_log(straight(working=working), GROUND, SPREAD, SPREADER)
    assert leg_m(drive, TURN) == pytest.approx(20.0, abs=0.5)


def test_recorded_width_is_the_width_that_is_swept() -> None:
    width = np.full(101, 12.0)
    width[50:] = 4.0
    drive = drive_from_log(straight(width_m=width), GROUND, SPREAD, SPREADER)
    # by hand: 49 steps of 2 m at 12 m, 51 at 4 m
    assert drive.worked_m2 == pytest.approx(49 * 2 * 12 + 51 * 2 * 4, abs=25.0)
    assert drive.width_m == pytest.approx(drive.worked_m2 / 200.0)
    assert GROUND.polygon.area - drive.unworked_m2 == pytest.approx(100 * 12 + 100 * 4, abs=25.0)
    assert "8.00 m" not in told(drive, "working width")[0] and "4.00 to 12.00 m" in told(drive, "working width")[0]
    assert drive.load_kg[0] - drive.load_kg[-1] == pytest.approx(drive.worked_m2, rel=1e-6)


def test_width_of_zero_is_lifted() -> None:
    width = np.full(101, 6.0)
    width[:20] = 0.0
    drive = drive_from_log(straight(width_m=width), GROUND, SPREAD, SPREADER)
    assert leg_m(drive, TURN) == pytest.approx(40.0, abs=0.5)
    assert "0 while lifted" in told(drive, "work or turn")[0]
    ground = boundary_from_log(straight(width_m=width), 3.0)
    assert ground.area == pytest.approx(160 * 6.0, rel=0.03) and ground.bounds[0] == pytest.approx(40.0, abs=1.0)


def test_log_without_width_has_the_operations_width() -> None:
    drive = drive_from_log(straight(), GROUND, SPREAD, SPREADER)
    assert drive.width_m == 6.0 and not told(drive, "working width")
