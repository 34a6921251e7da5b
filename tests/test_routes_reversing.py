"""Three-point turns: their length, their room, and wheels that go backwards in them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from routes_farm import axle, field, operation, outfit
from shapely import LineString, box

from trafficplan.machines.outfit import Outfit, Vehicle
from trafficplan.names import TURN
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.follow import axle_paths, resampled
from trafficplan.routes.tell import coverage, ways_m
from trafficplan.routes.turns import rings_of, three_point, three_point_length
from trafficplan.routes.written import drive_of_plan, plan_of

OPEN = rings_of(None)
# Closed form (2 + pi) r - w, worked by hand: radius, spacing, length [m].
TURNS = [(6.0, 6.0, 24.85), (6.0, 3.0, 27.85), (8.0, 12.0, 29.13)]
FIELD = field(box(0, 0, 120, 90), ((60.0, 0.0),), 9.0)
MOUNTED = Outfit("mounted", "Mounted", (Vehicle("tractor", "powered", (axle("front", -2.8), axle("rear", 0.0))),))
PLOUGH = operation(till_depth_m=0.25, runs_at_depth_m=0.25, width_m=3.0)


def rig(radius: float = 7.0) -> Outfit:
    return Outfit("rig", "Rig", MOUNTED.vehicles, width_m=3.0, radius_m=radius)


@pytest.mark.parametrize(("radius", "spacing", "length"), TURNS)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_three_point_turn_is_the_closed_form(radius: float, spacing: float, length: float, side: float) -> None:
    assert three_point_length(radius, spacing) == pytest.approx(length, abs=0.01)
    a, b = np.array([0.0, 0.0, math.pi / 2]), np.array([side * spacing, 0.0, -math.pi / 2])
    turn = three_point(a, b, radius, *OPEN)
    assert turn is not None
    assert turn[1] == pytest.approx(length, abs=0.01)
    assert LineString(turn[0]).length == pytest.approx(length, rel=2e-3)
    # it reaches one radius beyond the bouts, where a bulb needs more
    assert turn[0][:, 1].max() == pytest.approx(radius, abs=0.01)
    assert turn[0][-1] == pytest.approx(b[:2])


def test_three_point_turn_bends_back_on_itself_twice() -> None:
    a, b = np.array([0.0, 0.0, math.pi / 2]), np.array([3.0, 0.0, -math.pi / 2])
    turn = three_point(a, b, 6.0, *OPEN)
    assert turn is not None
    step = np.diff(turn[0], axis=0)
    bend = np.abs((np.diff(np.arctan2(step[:, 1], step[:, 0])) + np.pi) % (2 * np.pi) - np.pi)
    assert (bend > 3.0).sum() == 2
    # backwards over 2 r - w = 9 m
    assert np.hypot(*step.T).max() == pytest.approx(9.0, abs=1e-6)


def test_no_three_point_turn_where_the_ground_ends() -> None:
    a, b = np.array([0.0, 0.0, math.pi / 2]), np.array([3.0, 0.0, -math.pi / 2])
    assert three_point(a, b, 6.0, *rings_of(box(-20, -50, 20, 5.0))) is None
    assert three_point(a, b, 6.0, *rings_of(box(-20, -50, 20, 6.5))) is not None


def test_reversing_fits_turns_on_a_narrow_headland() -> None:
    ahead = plan_drive(FIELD, PLOUGH, rig())
    back = plan_drive(FIELD, PLOUGH, rig(), choice=Choice(reversing=True))
    assert not any("do not fit" in note.why for note in back.notes)
    assert ways_m(back).turning < 0.8 * ways_m(ahead).turning
    assert coverage(back, FIELD).worked_m2 / FIELD.polygon.area > 0.95


def test_headland_that_turns_need_is_told() -> None:
    # radius 12 m in a field of 26 m: no turn fits; bulb over 3 m: r + sqrt(4 r^2 - (w/2 + r)^2) = 31.84 m, and half of 3 m
    narrow = field(box(0, 0, 120, 26), ((60.0, 0.0),), 3.0)
    drive = plan_drive(narrow, PLOUGH, rig(12.0))
    assert any("do not fit" in note.why for note in drive.notes)
    (wider,) = [note for note in drive.notes if "headland for" in note.what]
    assert wider.kind == "warned" and wider.value == "33.3 m"


def test_outfit_that_draws_something_never_reverses() -> None:
    drawn = outfit(3.0, 7.0, 0.0)
    plain = plan_drive(FIELD, PLOUGH, drawn)
    asked = plan_drive(FIELD, PLOUGH, drawn, choice=Choice(reversing=True))
    assert np.array_equal(plain.xy, asked.xy)
    assert not asked.reverses


def test_front_axle_stays_ahead_while_the_outfit_goes_backwards() -> None:
    drive = plan_drive(FIELD, PLOUGH, rig(), choice=Choice(reversing=True))
    assert drive.reverses
    fine, paths = axle_paths(drive, rig())
    front, rear = paths[0], paths[1]
    assert np.hypot(*(front - rear).T) == pytest.approx(np.full(len(rear), 2.8))
    # neither axle jumps: a step of the front axle is no longer than that of the rear and what it turns through
    _, heading = resampled(drive, 0.0)
    turned = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
    assert turned.max() < 0.2
    step = np.hypot(*np.diff(front, axis=0).T)
    assert (step <= np.hypot(*np.diff(rear, axis=0).T) + 2.8 * turned + 1e-6).all()
    # backwards: the front axle lies behind the way driven, only in turns
    along = np.diff(fine.xy, axis=0)
    behind = ((front - rear)[:-1] * along).sum(axis=1) < 0.0
    assert behind.any()
    assert (fine.leg[:-1][behind] == TURN).all()


def test_reversing_outlives_the_written_plan() -> None:
    drive = plan_drive(FIELD, PLOUGH, rig(), choice=Choice(reversing=True))
    again = drive_of_plan(plan_of(drive, "p"), PLOUGH, rig())
    for a, b in zip(axle_paths(drive, rig())[1], axle_paths(again, rig())[1], strict=True):
        assert np.array_equal(a, b)
