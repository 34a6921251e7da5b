"""Planned drives: continuity, bends, coverage, loads, ways in and out."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from routes_farm import NOTCHED, OBLONG, field, operation, outfit, tightest
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.affinity import rotate, translate

from trafficplan.errors import InputError
from trafficplan.farm.field import FarmTrack, Place
from trafficplan.names import ENTRY, EXIT, HAUL, ROAD, TURN, WORK
from trafficplan.routes.build import passes_of
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import best_heading, headland_width, skip_step

SPREAD = operation(rate_kg_m2=3.0, change="empties")  # 30 t/ha
HARVEST = operation(rate_kg_m2=0.9, change="fills")  # 9 t/ha
PLOUGH = operation(till_depth_m=0.25, runs_at_depth_m=0.25)
L_SHAPE = Polygon([(0, 0), (300, 0), (300, 120), (140, 120), (140, 260), (0, 260)])
TRIANGLE = Polygon([(0, 0), (420, 30), (120, 300)])

CASES = {
    "spreader": (field(rotate(OBLONG, 17), ((200.0, 0.0),), 12.0), SPREAD, outfit()),
    "drill": (field(OBLONG, ((200.0, 0.0),)), operation(), outfit(3.0, 8.0, 0.0)),
    "sprayer": (field(OBLONG, ((200.0, 0.0),)), operation(), outfit(24.0, 8.0, 0.0)),
    "plough": (field(OBLONG, ((0.0, 100.0),)), PLOUGH, outfit(2.0, 6.0, 0.0, 0.0)),
    "combine": (field(NOTCHED, ((250.0, 0.0),)), HARVEST, outfit(9.0, 7.0, 9e3, 0.0)),
    "notched": (field(NOTCHED, ((250.0, 0.0),)), operation(rate_kg_m2=2.0, change="empties"), outfit()),
    "notched drill": (field(NOTCHED, ((250.0, 0.0),)), operation(), outfit(3.0, 6.0, 0.0)),
    "L": (field(L_SHAPE, ((150.0, 0.0),)), operation(), outfit(6.0, 7.0, 0.0)),
    "triangle": (field(TRIANGLE, ((0.0, 0.0),)), operation(), outfit(6.0, 7.0, 0.0)),
}
every_case = pytest.mark.parametrize("case", CASES)


@lru_cache
def planned(case: str) -> Drive:
    return plan_drive(*CASES[case])


def legs_m(drive: Drive) -> np.ndarray:
    """Length of each leg [m]."""
    return np.bincount(drive.leg[:-1], weights=np.hypot(*np.diff(drive.xy, axis=0).T), minlength=6)


@every_case
def test_drive_is_one_line_without_jumps(case: str) -> None:
    # that no vertex is out of place shows in the bends, tested below
    drive = planned(case)
    step = np.diff(drive.xy, axis=0)
    assert np.hypot(*step.T).min() > 1e-6
    assert (np.diff(drive.time_s) > 0.0).all()
    assert {len(v) for v in (drive.xy, drive.time_s, drive.load_kg, drive.leg, drive.furrow)} == {len(drive.xy)}


@every_case
def test_no_bend_is_tighter_than_the_radius(case: str) -> None:
    # 10 % slack: arcs are drawn as chords of half a metre, and angles are taken over 4 m
    assert tightest(planned(case).xy) > 0.9 * CASES[case][2].radius_m


@every_case
def test_work_covers_the_field(case: str) -> None:
    drive, ground = planned(case), CASES[case][0].polygon
    strips = [LineString(s.reshape(2, 2)).buffer(drive.width_m / 2 + 1e-6) for s in drive.swept]
    covered = shapely.union_all(strips).intersection(ground).area
    assert covered / ground.area >= 0.97
    assert drive.worked_m2 == pytest.approx(covered, rel=0.02)
    assert drive.worked_m2 + drive.unworked_m2 == pytest.approx(ground.area)


@every_case
def test_wheels_stay_in_the_field_and_out_of_holes(case: str) -> None:
    drive, ground = planned(case), CASES[case][0].polygon
    inside = np.isin(drive.leg[:-1], (WORK, TURN, HAUL))
    lines = shapely.linestrings(np.stack([drive.xy[:-1], drive.xy[1:]], axis=1)[inside])
    out = shapely.length(shapely.difference(lines, ground.buffer(0.1))).sum()
    if not any("do not fit" in note.why for note in drive.notes):
        assert out < 2.5 * 2 * drive.trips  # the step through the gateway
    holes = [Polygon(ring).buffer(-0.1) for ring in ground.interiors]
    assert not any(shapely.intersects(lines, hole).any() for hole in holes)


@pytest.mark.parametrize("case", ["spreader", "notched"])
def test_what_leaves_the_tank_is_rate_times_area(case: str) -> None:
    drive, job = planned(case), CASES[case][1]
    used = -np.diff(drive.load_kg)[drive.leg[:-1] == WORK].sum()
    assert used == pytest.approx(job.rate_kg_m2 * drive.width_m * legs_m(drive)[WORK], rel=1e-3)
    assert drive.load_kg.max() <= CASES[case][2].capacity_kg + 1e-6
    assert drive.load_kg.min() >= -1e-6
    assert drive.load_kg[-1] == pytest.approx(0.0, abs=20.0)
    # metres per load d = 10000 M / (q w): 12 t at 30 t/ha and 12 m are 333.3 m (closed form)
    assert drive.trips == math.ceil(used / CASES[case][2].capacity_kg - 1e-6)


def test_first_load_of_the_spreader_lasts_333_m() -> None:
    drive = planned("spreader")
    first = np.flatnonzero(drive.load_kg <= 1.0)[0]
    step = np.hypot(*np.diff(drive.xy[: first + 1], axis=0).T)
    assert step[drive.leg[:first] == WORK].sum() == pytest.approx(333.3, abs=0.5)


def test_tank_that_fills_never_runs_over() -> None:
    drive = planned("combine")
    gained = np.diff(drive.load_kg)[drive.leg[:-1] == WORK].sum()
    assert gained == pytest.approx(0.9 * 9.0 * legs_m(drive)[WORK], rel=1e-3)
    assert drive.load_kg.max() <= 9e3 + 1e-6
    assert drive.trips == math.floor(gained / 9e3) + 1


def test_load_only_changes_in_work_and_while_turning_at_the_yard() -> None:
    drive = planned("spreader")
    change = np.abs(np.diff(drive.load_kg)) > 1e-6
    assert set(np.unique(drive.leg[:-1][change])) == {WORK, ROAD}


def test_furrow_wheels_face_the_worked_side() -> None:
    drive = planned("plough")
    work = np.flatnonzero((drive.leg[:-1] == WORK) & (drive.furrow[:-1] != 0))
    steps = np.hypot(*np.diff(drive.xy, axis=0).T)
    long = [i for i in work if steps[i] > 100.0]
    assert len(long) > 50
    done: list[LineString] = []
    wrong = 0
    for i in np.flatnonzero(drive.leg[:-1] == WORK):
        a, b = drive.xy[i], drive.xy[i + 1]
        if i in set(long):
            along = (b - a) / steps[i]
            left = np.array([-along[1], along[0]])
            beside = (a + b) / 2 + drive.furrow[i] * 2.0 * left
            wrong += not any(line.distance(Point(beside)) < 1.1 for line in done)
        done.append(LineString([a, b]))
    assert wrong == 0


def test_other_jobs_have_no_furrow() -> None:
    assert not planned("drill").furrow.any()


def test_drive_comes_in_and_goes_out_over_the_farm_track() -> None:
    track = FarmTrack("lane", LineString([(-300, -40), (200, -40), (600, -40)]), "gravel")
    yard = Place("yard", "yard", Point(-300, -40).buffer(20))
    ground = field(OBLONG, ((50.0, 0.0), (380.0, 0.0)))
    drive = plan_drive(ground, operation(), outfit(12.0), (track,), (yard,))
    for end in (drive.xy[0], drive.xy[-1]):
        assert np.hypot(*(end - [-300.0, -40.0])) < 25.0
    road = drive.xy[:-1][drive.leg[:-1] == ROAD]
    assert road[:, 1].max() < 1.0
    # nearest gateway by the track: 350 m along and 40 m up, against 680 + 40
    assert legs_m(drive)[ROAD] == pytest.approx(2 * 390.0, rel=0.05)
    entry = drive.xy[np.flatnonzero(drive.leg == ENTRY)[0]]
    assert np.hypot(*(entry - [50.0, 0.0])) < 1.0
    assert legs_m(drive)[EXIT] > 0.0
    named = plan_drive(ground, operation(gateway="gate 1"), outfit(12.0), (track,), (yard,))
    assert legs_m(named)[ROAD] == pytest.approx(2 * 720.0, rel=0.05)


def test_field_split_by_a_ditch_is_driven_through_each_gateway() -> None:
    other = translate(OBLONG, 0.0, 256.0)
    split = MultiPolygon([OBLONG, other])
    both = plan_drive(field(split, ((200.0, 0.0), (200.0, 506.0))), operation(), outfit(12.0))
    assert both.worked_m2 / split.area > 0.97
    one = plan_drive(field(split, ((200.0, 0.0),)), operation(), outfit(12.0))
    assert one.unworked_m2 == pytest.approx(OBLONG.area, rel=0.05)
    assert any("no gateway opens into it" in note.why for note in one.notes)
    assert (one.xy[one.leg == WORK][:, 1] < 253.0).all()


def test_field_without_a_gateway_gets_an_assumed_one() -> None:
    drive = plan_drive(field(OBLONG), operation(), outfit(12.0))
    assert any(note.kind == "assumed" and "gateway" in note.what for note in drive.notes)


def test_tramlines_are_followed() -> None:
    x = np.linspace(0.0, 400.0, 81)
    curve = [LineString(np.column_stack([x, y + 15.0 * np.sin(x / 60.0)])) for y in range(40, 230, 24)]
    shuffled = tuple(curve[i] for i in (3, 0, 7, 1, 5, 2, 6, 4))
    ground = field(OBLONG, ((200.0, 0.0),), 12.0, shuffled)
    drive = plan_drive(ground, operation(drive="tramlines"), outfit(24.0, 8.0))
    work = drive.xy[:-1][drive.leg[:-1] == WORK]
    inner = work[(work[:, 1] > 30) & (work[:, 1] < 220) & (work[:, 0] > 40) & (work[:, 0] < 360)]
    assert len(inner) > 100
    assert shapely.distance(shapely.points(inner), shapely.union_all(curve)).max() < 0.05
    assert tightest(drive.xy) > 7.2


def test_tramlines_that_are_missing_are_told() -> None:
    drive = plan_drive(field(OBLONG, ((200.0, 0.0),)), operation(drive="tramlines"), outfit(24.0, 8.0))
    assert any("no tramlines" in note.why for note in drive.notes)
    assert drive.worked_m2 / OBLONG.area > 0.97


@pytest.mark.parametrize(("asked", "degrees"), [(None, 0.0), (90.0, 0.0), (0.0, 90.0), (30.0, 60.0)])
def test_direction_of_the_swaths(asked: float | None, degrees: float) -> None:
    drive = plan_drive(field(OBLONG, ((200.0, 0.0),)), operation(heading_deg=asked), outfit(12.0))
    step = np.diff(drive.xy, axis=0)[drive.leg[:-1] == WORK]
    long = step[np.hypot(*step.T) > 30.0]
    off = np.abs(np.sin(np.arctan2(long[:, 1], long[:, 0]) - math.radians(degrees)))
    assert (off < 1e-3).mean() > 0.6


def test_best_heading_is_along_the_longest_edge() -> None:
    assert math.sin(best_heading(rotate(OBLONG, 17)) - math.radians(17)) == pytest.approx(0.0, abs=1e-6)


def test_headland_width_given_and_assumed() -> None:
    assert headland_width(field(OBLONG, (), 15.0), operation(), outfit()) == (15.0, ())
    # one bout of 24 m is wider than the turning room 8 + 3 m
    wide, notes = headland_width(field(OBLONG), operation(), outfit(24.0, 8.0))
    assert wide == 24.0 and notes[0].kind == "assumed"
    # 3 m wide, radius 8 m: the turn reaches 8 m, half the implement 1.5 m
    assert headland_width(field(OBLONG), operation(), outfit(3.0, 8.0))[0] == pytest.approx(9.5)


@pytest.mark.parametrize(("width", "radius", "step"), [(24.0, 8.0, 1), (16.0, 8.0, 1), (12.0, 8.0, 2), (3.0, 8.0, 6)])
def test_bouts_are_skipped_so_that_turns_need_no_bulb(width: float, radius: float, step: int) -> None:
    assert skip_step(width, radius, False) == step
    assert skip_step(width, radius, True) == 1


@pytest.mark.parametrize("angle", [90.0, 37.0])
def test_turning_the_farm_changes_no_total(angle: float) -> None:
    ground, job, rig = CASES["spreader"]
    gate = rotate(Point(ground.gateways[0].x, ground.gateways[0].y), angle, origin=(0, 0))
    turned = field(rotate(ground.polygon, angle, origin=(0, 0)), ((gate.x, gate.y),), 12.0)
    a, b = planned("spreader"), plan_drive(turned, job, rig)
    assert b.worked_m2 == pytest.approx(a.worked_m2, rel=1e-3)
    assert legs_m(b)[WORK] == pytest.approx(legs_m(a)[WORK], rel=1e-3)


def test_same_inputs_give_the_same_drive() -> None:
    again = plan_drive(*CASES["notched"])
    assert np.array_equal(planned("notched").xy, again.xy)
    assert np.array_equal(planned("notched").load_kg, again.load_kg)


def test_trailer_path_is_continuous_over_the_whole_drive() -> None:
    passes = passes_of(planned("notched"), outfit(), SPREAD, 0)
    for part in passes:
        assert np.hypot(*np.diff(part.xy, axis=0).T).max() < 400.0
    own, tractor = passes[2].xy, passes[1].xy
    # the trailer's axle is never farther from the tractor's than hitch and drawbar together
    assert np.hypot(*(own - tractor).T).max() <= 6.0 + 1e-6


def test_load_that_cannot_serve_the_rate_is_refused() -> None:
    with pytest.raises(InputError, match="load"):
        plan_drive(field(OBLONG), SPREAD, replace(outfit(), capacity_kg=0.0))


def test_job_without_a_rate_keeps_its_load() -> None:
    drive = plan_drive(field(OBLONG), operation(), outfit(24.0, 8.0, 3000.0))
    assert np.unique(drive.load_kg).tolist() == [3000.0]
    assert any("capacity" in note.why for note in drive.notes)


def test_gateway_in_a_corner_is_passed_inside_the_field() -> None:
    drive = plan_drive(field(OBLONG, ((0.0, 0.0),)), SPREAD, outfit())
    assert not any("do not fit" in note.why for note in drive.notes)


def test_field_too_narrow_for_a_round_is_worked_in_swaths() -> None:
    # 26 m wide: a round 6 m inside would leave 14 m between its sides, less than twice the radius of 8 m
    strip = Polygon([(0, 0), (500, 10), (500, 36), (0, 26)])
    drive = plan_drive(field(strip, ((250.0, 5.0),)), operation(), outfit(12.0, 8.0, 0.0))
    assert drive.worked_m2 / strip.area > 0.85


def test_headland_narrower_than_the_turn_still_gives_one_line() -> None:
    drive = plan_drive(field(OBLONG, ((200.0, 0.0),), 6.0), PLOUGH, outfit(2.0, 6.0, 0.0, 0.0))
    assert drive.worked_m2 / OBLONG.area > 0.9
    assert tightest(drive.xy) > 0.9 * 6.0


def test_unknown_gateway_is_told() -> None:
    drive = plan_drive(field(OBLONG, ((200.0, 0.0),)), operation(gateway="north"), outfit(12.0))
    assert any("no gateway of this name" in note.why for note in drive.notes)


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.lists(st.floats(60.0, 220.0), min_size=5, max_size=9), st.sampled_from([3.0, 6.0, 12.0, 24.0]))
def test_any_star_shaped_field_is_driven(reach: list[float], width: float) -> None:
    angle = np.arange(len(reach)) * 2 * np.pi / len(reach)
    shape = Polygon(np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))
    drive = plan_drive(field(shape), operation(), outfit(width, 7.0, 0.0))
    # runs that meet within 4.6 degrees are joined without a bend: some more slack than above
    assert tightest(drive.xy) > 0.85 * 7.0
    assert drive.worked_m2 / shape.area > 0.8
    assert drive.worked_m2 <= shape.area + 1e-6
