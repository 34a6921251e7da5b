"""Drives with choices: order, fill point, size of the loads."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import shapely
from routes_farm import field, operation, outfit, tightest
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.affinity import translate

from trafficplan.errors import InputError
from trafficplan.farm.field import FarmTrack, Place
from trafficplan.names import HAUL, ROAD, TURN, WORK
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.loads import Ahead, balanced, to_headland
from trafficplan.routes.passes import Drive
from trafficplan.routes.tell import loads_kg, run_outs, ways_m

BLOCK = Polygon([(0, 0), (260, 0), (260, 180), (0, 180)])
GATE = (40.0, 0.0)
LANE = FarmTrack("lane", LineString([(-400, -40), (40, -40), (300, -40)]), "gravel")
YARD = Place("yard", "yard", Point(-400, -40).buffer(20))
SPREAD = operation(rate_kg_m2=3.0, change="empties")  # 30 t/ha
HARVEST = operation(rate_kg_m2=0.9, change="fills")
RIG = outfit(12.0, 6.5, 9e3)
HEAP = (100.0, 6.0)
BESIDE_LANE = (200.0, -45.0)


@lru_cache
def driven(job: str = "spread", **choice: Any) -> Drive:
    work = {"spread": SPREAD, "harvest": HARVEST}[job]
    return plan_drive(field(BLOCK, (GATE,)), work, RIG, (LANE,), (YARD,), Choice(**choice))


def swath_lines(drive: Drive) -> np.ndarray:
    """Height above the south side of each east-west stretch of work inside the headland, in driving order."""
    a, b = drive.xy[:-1], drive.xy[1:]
    flat = (drive.leg[:-1] == WORK) & (np.abs(a[:, 1] - b[:, 1]) < 1e-6) & (np.abs(a[:, 0] - b[:, 0]) > 5.0)
    heights = np.round(a[flat & (a[:, 1] > 12.5) & (a[:, 1] < 167.5), 1], 1)
    return heights[np.append(True, np.diff(heights) != 0.0)]


def test_plain_choice_is_the_drive_without_a_choice() -> None:
    bare = plan_drive(field(BLOCK, (GATE,)), SPREAD, RIG, (LANE,), (YARD,))
    for name in ("xy", "time_s", "load_kg", "leg"):
        assert np.array_equal(getattr(bare, name), getattr(driven(), name))


def test_same_drive_whatever_was_driven_before() -> None:
    # what is shared between drives must not depend on which drive came first
    first = plan_drive(field(BLOCK, (GATE,)), SPREAD, RIG, (LANE,), (YARD,), Choice(order="far first"))
    for fill in (None, HEAP, BESIDE_LANE):
        plan_drive(field(BLOCK, (GATE,)), replace(SPREAD, load_kg=7e3), RIG, (LANE,), (YARD,), Choice(fill_xy=fill))
    again = plan_drive(field(BLOCK, (GATE,)), SPREAD, RIG, (LANE,), (YARD,), Choice(order="far first"))
    assert np.array_equal(first.xy, again.xy)
    assert np.array_equal(first.time_s, again.time_s)


CHOICES = [
    {}, {"order": "neighbouring"}, {"order": "far first"}, {"order": "near first"}, {"fill_xy": HEAP},
    {"fill_xy": BESIDE_LANE}, {"size": "balanced"}, {"size": "to headland"}, {"order": "shortest"},
    {"order": "shortest", "size": "to headland", "fill_xy": HEAP},
    {"order": "far first", "size": "to headland", "fill_xy": HEAP, "fill_s": 90.0},
]  # fmt: skip
each_choice = pytest.mark.parametrize(
    "choice", CHOICES, ids=[" ".join(map(str, c.values())) or "plain" for c in CHOICES]
)


@each_choice
@pytest.mark.parametrize("job", ["spread", "harvest"])
def test_every_choice_works_the_field_and_moves_all_of_the_product(job: str, choice: dict[str, Any]) -> None:
    drive, rate = driven(job, **choice), {"spread": 3.0, "harvest": 0.9}[job]
    assert np.hypot(*np.diff(drive.xy, axis=0).T).min() > 1e-6
    assert (np.diff(drive.time_s) > 0.0).all()
    assert tightest(drive.xy) > 0.9 * RIG.radius_m
    assert drive.worked_m2 / BLOCK.area > 0.99
    # sum of loads = rate x area driven over at work, to 0.5 %
    assert loads_kg(drive).sum() == pytest.approx(rate * drive.width_m * ways_m(drive).work, rel=5e-3)
    assert drive.load_kg.max() <= RIG.capacity_kg + 1e-6 and drive.load_kg.min() >= -1e-6
    assert len(loads_kg(drive)) == drive.trips
    assert not any("do not fit" in note.why for note in drive.notes)


@each_choice
def test_no_choice_leaves_the_field_but_through_the_gateway(choice: dict[str, Any]) -> None:
    drive = driven(**choice)
    inside = drive.leg[:-1] != ROAD
    lines = shapely.linestrings(np.stack([drive.xy[:-1], drive.xy[1:]], axis=1)[inside])
    out = shapely.difference(lines, BLOCK.buffer(0.1))
    out = out[~shapely.is_empty(out)]
    assert all(line.distance(Point(GATE)) < 3.0 for line in out)


def test_neighbouring_bouts_lie_side_by_side() -> None:
    heights = swath_lines(driven(order="neighbouring"))
    assert len(heights) == 13
    assert np.abs(np.diff(heights)).max() < 12.5


def test_far_bouts_come_first_or_last() -> None:
    far, near = swath_lines(driven(order="far first")), swath_lines(driven(order="near first"))
    assert sorted(set(far)) == sorted(set(near))
    # the gateway is in the south: the first third lies north of the last third
    assert far[:4].mean() > far[-4:].mean() + 80.0
    assert near[:4].mean() < near[-4:].mean() - 80.0


def test_heap_in_the_field_is_where_loads_change() -> None:
    drive = driven(fill_xy=HEAP)
    jump = np.flatnonzero(np.diff(drive.load_kg) > 100.0)
    assert len(jump) == drive.trips
    # the outfit stops on the way that passes nearest, half a working width beside the heap at most
    assert np.hypot(*(drive.xy[jump] - HEAP).T).max() < 6.5
    assert (drive.leg[jump] == HAUL).all()
    roads = np.flatnonzero(drive.leg[:-1] == ROAD)
    # the road is driven twice only: out to the field and home
    assert (np.diff(roads) > 1).sum() == 1
    assert drive.load_kg[roads].max() < 1e-6


def test_heap_spares_the_road_and_the_gateway() -> None:
    assert ways_m(driven(fill_xy=HEAP)).road < 0.2 * ways_m(driven()).road


def test_trailer_at_the_farm_track_is_reached_over_the_track() -> None:
    drive = driven(fill_xy=BESIDE_LANE)
    jump = np.flatnonzero(np.diff(drive.load_kg) > 100.0)
    assert (drive.leg[jump] == ROAD).all()
    # each trip: 40 m of lane to the gateway, 160 m along it and back, and a turn at each end
    each = ways_m(drive).road / drive.trips
    assert 2 * 200.0 < each < 2 * 200.0 + 150.0
    assert drive.xy[drive.leg == ROAD][:, 1].min() > -75.0


def test_load_that_grows_is_left_at_the_heap() -> None:
    drive = driven("harvest", fill_xy=HEAP)
    drop = np.flatnonzero(np.diff(drive.load_kg) < -100.0)
    assert len(drop) == drive.trips
    assert np.hypot(*(drive.xy[drop] - HEAP).T).max() < 6.5
    assert drive.load_kg[-1] == 0.0


def test_time_at_the_fill_point_is_added_once_a_load() -> None:
    for fill in (None, HEAP, BESIDE_LANE):
        quick, slow = driven(fill_xy=fill), driven(fill_xy=fill, fill_s=240.0)
        assert np.array_equal(quick.xy, slow.xy)
        assert slow.time_s[-1] - quick.time_s[-1] == pytest.approx(240.0 * slow.trips, abs=1e-6)


@pytest.mark.parametrize("fill", [(130.0, 400.0), (900.0, -40.0)])
def test_fill_point_that_no_way_leads_to_is_refused(fill: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="no way leads from the gateway to the fill point"):
        driven(fill_xy=fill)


def test_fill_point_in_an_obstacle_is_refused() -> None:
    holed = field(Polygon(BLOCK.exterior, [Point(130, 90).buffer(15).exterior]), (GATE,))
    with pytest.raises(InputError, match="no way leads"):
        plan_drive(holed, SPREAD, RIG, (LANE,), (YARD,), Choice(fill_xy=(130.0, 90.0)))


def test_heap_in_the_other_part_of_a_split_field() -> None:
    split = field(MultiPolygon([BLOCK, translate(BLOCK, 0.0, -260.0)]), (GATE, (40.0, -80.0)))
    drive = plan_drive(split, SPREAD, RIG, (LANE,), (YARD,), Choice(fill_xy=(100.0, -86.0)))
    jump = np.flatnonzero(np.diff(drive.load_kg) > 100.0)
    assert np.hypot(*(drive.xy[jump] - (100.0, -86.0)).T).max() < 6.5
    assert drive.worked_m2 / split.polygon.area > 0.99
    assert loads_kg(drive).sum() == pytest.approx(3.0 * 12.0 * ways_m(drive).work, rel=5e-3)


def test_balanced_loads_are_alike_and_as_few() -> None:
    full, even = loads_kg(driven()), loads_kg(driven(size="balanced"))
    assert len(full) == len(even)
    assert full[-1] < 0.9 * full[0]
    assert even == pytest.approx(np.full(len(even), full.sum() / len(full)), rel=1e-6)


def test_loads_to_the_headland_end_with_a_bout() -> None:
    drive = driven(size="to headland")
    ends = run_outs(drive)
    # the headland is 12 m wide: every load ends on it, none inside
    assert shapely.distance(shapely.points(ends), BLOCK.exterior).max() < 12.0 + 1e-6
    inside = run_outs(driven())
    assert shapely.distance(shapely.points(inside), BLOCK.exterior).max() > 20.0


def test_bouts_longer_than_a_load_are_told() -> None:
    small = replace(SPREAD, load_kg=5e3)  # lasts 139 m, bouts are 236 m
    drive = plan_drive(field(BLOCK, (GATE,)), small, RIG, choice=Choice(size="to headland"))
    said = [note for note in drive.notes if "run out inside a bout" in note.why]
    assert len(said) == 1 and said[0].kind == "warned"
    assert drive.worked_m2 / BLOCK.area > 0.99


def test_equal_loads_by_hand() -> None:
    # 20 t in loads of at most 9 t are three of 6.667 t; 18 t are two of 9 t
    assert balanced(9e3, 20e3) == pytest.approx(20e3 / 3)
    assert balanced(9e3, 18e3) == pytest.approx(9e3)


def test_load_ends_where_the_way_out_is_short() -> None:
    # bouts of 200 m, ends alternately 10 m and 210 m from the way out; a full load lasts 650 m: after 400 m the way
    # out is 10 m, after 600 m it is 210 m
    bouts = [Ahead(200.0, out, True) for out in (210.0, 10.0, 210.0, 10.0)]
    assert to_headland(650.0, bouts) == pytest.approx(400.0)
    # half of the longest such stretch is the least
    assert to_headland(650.0, [Ahead(100.0, 1.0, True), Ahead(500.0, 400.0, True)]) == pytest.approx(600.0)
    # no load lasts for a bout of 200 m: begun all the same; the 60 m that are left of one go with the next
    assert to_headland(150.0, bouts) == pytest.approx(150.0)
    assert to_headland(150.0, [Ahead(60.0, 10.0, True), *bouts]) == pytest.approx(150.0)
    # a load that lasts for a bout but not for the next one too ends with the first
    assert to_headland(250.0, bouts) == pytest.approx(200.0)
    # a round may be left anywhere
    assert to_headland(150.0, [Ahead(900.0, 50.0, False)]) == pytest.approx(150.0)


def test_hose_weight_is_a_constant_load() -> None:
    # a drag hose: nothing on board, the weight of the hose on the drawbar all day
    hose = operation(change="constant", load_kg=800.0)
    drive = plan_drive(field(BLOCK, (GATE,)), hose, RIG, (LANE,), (YARD,), Choice(order="far first", fill_xy=HEAP))
    assert np.unique(drive.load_kg).tolist() == [800.0]
    assert drive.trips == 1
    assert len(run_outs(drive)) == 0 and len(loads_kg(drive)) == 0
    assert ways_m(drive).haul < 400.0


def test_lighter_loads_are_more_and_haul_more() -> None:
    heavy = driven()
    light = plan_drive(field(BLOCK, (GATE,)), replace(SPREAD, load_kg=6e3), RIG, (LANE,), (YARD,))
    assert light.trips == math.ceil(loads_kg(heavy).sum() / 6e3)
    assert ways_m(light).haul > ways_m(heavy).haul
    assert (light.leg == TURN).any()


@pytest.mark.parametrize("choice", [{}, {"size": "to headland"}, {"size": "to headland", "fill_xy": HEAP}])
def test_way_back_from_the_fill_point_is_a_trip_and_no_turn(choice: dict[str, Any]) -> None:
    drive = driven(**choice)
    step = np.hypot(*np.diff(drive.xy, axis=0).T)
    work = np.flatnonzero(drive.leg[:-1] == WORK)
    for i in np.flatnonzero(np.diff(drive.load_kg) > 100.0)[1:]:
        back = slice(i, work[np.searchsorted(work, i)])
        # only the last bend into the line is a turn
        assert step[back][drive.leg[:-1][back] == TURN].sum() < 8.0 * RIG.radius_m


def test_a_bout_that_misses_the_ground_that_may_be_spread_is_left_out():
    from shapely import box

    from trafficplan.routes.swaths import Swath, inside_only

    laid = [Swath(np.array([[0.0, y], [100.0, y]]), i, 0.0, 100.0) for i, y in enumerate((20.0, 80.0))]
    (kept,) = inside_only(laid, box(10, 0, 60, 40), 12.0, 4.0)
    assert (
        kept.bout == 0
        and kept.xy[0, 0] == pytest.approx(10.0, abs=0.1)
        and kept.xy[-1, 0] == pytest.approx(60.0, abs=0.1)
    )
