"""Drives on a part of the ground, in a standing crop, and what they tell of the ground covered."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import shapely
from routes_farm import axle, drive_along, field, operation, outfit, tightest
from shapely import LineString, MultiPolygon, Point, box

from trafficplan.errors import InputError
from trafficplan.machines.outfit import Outfit, Vehicle
from trafficplan.names import HAUL, TURN, WORK
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.passes import Drive
from trafficplan.routes.standing import every
from trafficplan.routes.tell import (
    coverage,
    efficiency,
    flattened_ha,
    idle_share,
    loads_kg,
    ways_m,
    wheels_outside,
    work_lines,
)

BLOCK = box(0, 0, 260, 180)
GATE = (40.0, 0.0)
SPREAD = operation(rate_kg_m2=3.0, change="empties")
RIG = outfit(12.0, 6.5, 9e3)
WELL = Point(140, 95).buffer(20)
STREAM = LineString([(260, 0), (260, 180)]).buffer(10)
DITCH = LineString([(-10, 110), (270, 90)]).buffer(5)
ZONES = {
    "well": BLOCK.difference(WELL),
    "stream": BLOCK.difference(STREAM),
    "strip": BLOCK.difference(DITCH),
    "half": box(120, 0, 260, 180),
    "all": BLOCK.difference(shapely.union_all([WELL, STREAM, DITCH])),
}
each_zone = pytest.mark.parametrize("zone", ZONES)


@lru_cache
def spread(zone: str) -> Drive:
    return plan_drive(field(BLOCK, (GATE,)), SPREAD, RIG, choice=Choice(spread_on=ZONES[zone]))


def along(y: float) -> LineString:
    return LineString([(-20.0, y), (280.0, y)])


@each_zone
def test_nothing_is_spread_outside_the_ground_that_may_be(zone: str) -> None:
    drive, ground = spread(zone), ZONES[zone]
    strips = [LineString(xy).buffer(6.0, cap_style="flat") for xy in work_lines(drive)]
    beyond = shapely.union_all(strips).difference(ground.buffer(0.05))
    # a round about a well is drawn in chords: a few square metres at most
    assert beyond.area < 5.0
    found = coverage(drive, field(BLOCK, (GATE,)), ground)
    assert found.beyond_m2 < 10.0
    assert found.ground_m2 == pytest.approx(ground.area)
    assert found.worked_m2 / ground.area > 0.99
    assert found.worked_m2 + sum(m.area_m2 for m in found.missed) <= ground.area + 1e-6


@each_zone
def test_load_only_changes_where_it_is_spread(zone: str) -> None:
    drive = spread(zone)
    off = ~shapely.contains_xy(ZONES[zone].buffer(0.1), *((drive.xy[:-1] + drive.xy[1:]) / 2).T)
    used = -np.diff(drive.load_kg)
    assert np.abs(used[off & np.isin(drive.leg[:-1], (WORK, TURN, HAUL))]).max(initial=0.0) < 1e-6
    assert loads_kg(drive).sum() == pytest.approx(3.0 * 12.0 * ways_m(drive).work, rel=5e-3)
    assert tightest(drive.xy) > 0.85 * RIG.radius_m


def test_ground_that_may_not_be_spread_is_crossed_straight() -> None:
    middle = LineString([(120, -10), (140, 190)])
    ground = BLOCK.difference(middle.buffer(5))
    drive = plan_drive(field(BLOCK, (GATE,)), SPREAD, RIG, choice=Choice(spread_on=ground, order="near first"))
    steps = shapely.linestrings(np.stack([drive.xy[:-1], drive.xy[1:]], axis=1))
    crossing = (drive.leg[:-1] == TURN) & shapely.crosses(steps, middle)
    along_bouts = np.abs(np.diff(drive.xy, axis=0)[crossing][:, 1]) < 1e-6
    # 13 bouts; where a load runs out before the strip, the outfit goes on to the end and comes back from the far side
    assert along_bouts.sum() >= 10
    assert not (shapely.crosses(steps, middle) & (drive.leg[:-1] == WORK)).any()


def test_coverage_by_hand() -> None:
    # two strips of 10 m x 100 m that overlap by 2 m x 100 m, the second reaching 3 m beyond a field of 100 m x 15 m
    xy = np.array([[0.0, 5.0], [100.0, 5.0], [130.0, 9.0], [100.0, 13.0], [0.0, 13.0]])
    drive = replace(drive_along(xy), width_m=10.0, leg=np.array([WORK, TURN, TURN, WORK, WORK], dtype=np.int8))
    found = coverage(drive, field(box(0, 0, 100, 15), ()))
    assert found.worked_m2 == pytest.approx(1500.0, abs=0.1)
    assert found.doubled_m2 == pytest.approx(200.0, abs=0.1)
    assert found.beyond_m2 == pytest.approx(300.0, abs=0.1)
    assert found.missed == ()


def test_missed_ground_says_where_and_why() -> None:
    tongue = BLOCK.union(box(255, 100, 300, 106))
    found = coverage(plan_drive(field(tongue, (GATE,)), SPREAD, RIG), field(tongue, (GATE,)))
    (piece,) = [missed for missed in found.missed if missed.area_m2 > 200.0]
    assert piece.area_m2 == pytest.approx(40 * 6.0, abs=60.0)
    assert "does not fill" in piece.why
    apart = MultiPolygon([BLOCK, box(0, 200, 260, 300)])
    found = coverage(plan_drive(field(apart, (GATE,)), SPREAD, RIG), field(apart, (GATE,)))
    assert found.missed[0].area_m2 == pytest.approx(26000.0)
    assert "no gateway" in found.missed[0].why


# Spacing of tramlines 24 m: 24 m and 27 m follow each, 48 m each second, 12 m and 36 m none.
@pytest.mark.parametrize(("width", "count"), [(24.0, 1), (27.0, 1), (48.0, 2), (72.0, 3), (12.0, None), (36.0, None)])
def test_which_tramlines_a_width_follows(width: float, count: int | None) -> None:
    assert every(width, 24.0) == count


def test_width_that_the_tramlines_do_not_fit_is_refused_with_the_choices() -> None:
    lines = tuple(along(y) for y in range(36, 180, 24))
    ground, job = field(BLOCK, (GATE,), 24.0, lines), replace(SPREAD, drive="tramlines")
    with pytest.raises(InputError) as caught:
        plan_drive(ground, job, RIG)
    (problem,) = caught.value.problems
    assert problem.found == "working width 12 m, tramlines every 24.0 m"
    assert "24, 48 or 72 m" in problem.needed
    swaths = plan_drive(ground, SPREAD, RIG)
    assert f"flatten {flattened_ha(swaths, lines, RIG):.2f} ha" in problem.mend


def test_wide_outfit_follows_every_second_tramline() -> None:
    lines = tuple(along(y) for y in range(18, 180, 12))
    ground = field(BLOCK, (GATE,), 12.0, lines)
    drive = plan_drive(ground, operation(drive="tramlines"), outfit(24.0, 8.0, 0.0))
    flat = [xy for xy in work_lines(drive) if np.ptp(xy[:, 1]) < 0.1 and np.ptp(xy[:, 0]) > 100]
    heights = sorted({round(float(xy[0, 1])) for xy in flat} & set(range(18, 180, 12)))
    assert len(heights) >= 5
    assert set(np.diff(heights)) == {24}


def test_flattened_crop_by_hand() -> None:
    # wheels 0.6 m wide, 2 m apart, three axles one behind the other: 2 x 0.6 m x 400 m = 480 m2 off the tramline
    rig = Outfit("rig", "Rig", (Vehicle("tractor", "powered", (axle("rear", 0.0),)),))
    drive = drive_along(np.array([[0.0, 10.03], [400.0, 30.07]]))
    assert flattened_ha(drive, (), rig) == pytest.approx(0.0480, rel=0.03)
    # along a tramline nothing more is flattened
    assert flattened_ha(drive, (LineString([(-5, 9.78), (405, 30.32)]),), rig) < 0.001
    # nor by a second drive in the same wheelings
    again = drive_along(np.array([[0.0, 10.03], [400.0, 30.07], [0.0, 10.03]]))
    assert flattened_ha(again, (), rig) == pytest.approx(0.0480, rel=0.03)


def test_tramlines_flatten_less_than_swaths() -> None:
    lines = tuple(along(y) for y in range(12, 180, 24))
    ground, rig = field(BLOCK, (GATE,), 24.0, lines), outfit(24.0, 8.0, 0.0)
    kept = flattened_ha(plan_drive(ground, operation(drive="tramlines"), rig), lines, rig)
    free = flattened_ha(plan_drive(ground, operation(heading_deg=0.0), rig), lines, rig)
    assert kept < 0.6 * free


def test_efficiency_by_hand() -> None:
    # 100 m at work and 50 m turning at 1 m/s: two thirds of the time, one third of the way idle
    xy = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0]])
    drive = drive_along(xy)
    drive = replace(drive, time_s=np.array([0.0, 100.0, 150.0]), leg=np.array([WORK, TURN, TURN], dtype=np.int8))
    assert efficiency(drive) == pytest.approx(2 / 3)
    assert idle_share(drive) == pytest.approx(1 / 3)


def test_trailer_that_leaves_the_field_in_a_turn_is_told() -> None:
    # a U-turn of 8 m radius whose outermost point lies 0.4 m inside the fence: the tractor's own middle stays in, the
    # trailer's outer wheel (1.3 m from its middle, on a radius of 5.385 m) stays in too; 1.5 m nearer it does not
    angle = np.linspace(-np.pi / 2, np.pi / 2, 40)
    arc = np.column_stack([100.0 + 8.0 * np.cos(angle), 8.0 * np.sin(angle)])
    xy = np.concatenate([[[0.0, -8.0]], arc, [[0.0, 8.0]]])
    leg = np.full(len(xy), TURN, dtype=np.int8)
    leg[0] = WORK
    drive = replace(drive_along(xy), leg=leg)
    rig = outfit(12.0, 8.0)
    fence = 108.4
    assert wheels_outside(drive, rig, field(box(-20, -30, fence, 30), ())) == ()
    (note,) = wheels_outside(drive, rig, field(box(-20, -30, fence - 1.5, 30), ()))
    assert note.kind == "warned" and note.value == "1 turns"


def test_trips_keep_to_curved_tramlines() -> None:
    x = np.linspace(0.0, 260.0, 53)
    lines = tuple(LineString(np.column_stack([x, y + 14.0 * np.sin(x / 45.0)])) for y in range(50, 150, 24))
    ground, job = field(BLOCK, (GATE,), 24.0, lines), replace(SPREAD, drive="tramlines")
    drive = plan_drive(ground, job, outfit(24.0, 8.0, 4e3))
    assert drive.trips > 20
    moved = np.isin(drive.leg[:-1], (TURN, HAUL))
    points = shapely.points((drive.xy[:-1] + drive.xy[1:])[moved] / 2.0)
    inside = shapely.distance(points, BLOCK.exterior) > 24.0 + 2.2 * 8.0  # beyond headland and turns
    assert inside.sum() > 50
    apart = shapely.distance(points[inside], shapely.union_all(lines))
    assert (apart < 0.1).mean() > 0.95
    assert apart.max() < 4.0  # the bend from one way into the next
