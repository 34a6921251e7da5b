"""Where a trailer may stand: outlines, candidate places, ways, and every limit hit exactly, just inside, just outside."""

import math
from dataclasses import replace

import numpy as np
import pytest
from park_ground import LANE, SPUR, SQUARE, YARD, spreader, trailer
from shapely import LineString, MultiPolygon, Point, box

from trafficplan.errors import InputError
from trafficplan.farm.elevation import Elevation
from trafficplan.farm.field import FarmTrack, Gateway, Place
from trafficplan.names import ENTRY, ROAD
from trafficplan.routes import parking_limits as limits
from trafficplan.routes.parking import Pose, Spot, bodies_of, outline, passage, spots, turned
from trafficplan.routes.parking_way import Roads, drive_between, drive_of, loads_of, trip_between, trip_to
from trafficplan.routes.passes import Drive

TRAILER = trailer()
BODIES, NOTES = bodies_of(TRAILER)
#: What stands: a box from x 20 to 30 and y 20 to 22.5.
STANDS = MultiPolygon([box(20, 20, 30, 22.5)])
HAIR = 0.001


def roads(outfit=TRAILER, field=SQUARE, tracks=(LANE, SPUR), places=(YARD,), lines=()):
    return Roads(field, outfit, bodies_of(outfit)[0], tracks, places, lines)


# outlines


def test_outline_of_a_tractor_and_trailer_by_hand():
    tractor, drawn = BODIES.parts
    # trailer: eye 6 m ahead of the middle of the bogie, body 1.5 m behind its last axle, which is 0.9 m behind
    assert (drawn.front_m, drawn.rear_m, drawn.left) == pytest.approx((6.0, -2.4, True))
    # tractor: reference 6 + 1 m ahead of the bogie, front axle 3 m and front 4.5 m ahead of that
    assert (tractor.front_m, tractor.rear_m, tractor.left) == pytest.approx((11.5, 6.0, False))
    assert BODIES.length_m == pytest.approx(13.9) and BODIES.lag_m == pytest.approx(7.0)
    assert BODIES.left_length_m == pytest.approx(8.4)
    # tyres 0.65 m wide, 2.0 m apart: 2.65 m
    assert drawn.width_m == pytest.approx(2.65) and "13.9 m long" in NOTES[0].value


def test_uncoupled_only_the_trailer_stands_and_poses_turn_on_the_spot():
    pose = Pose(100.0, 50.0, math.radians(30))
    both, alone = outline(pose, BODIES), outline(pose, BODIES, coupled=False)
    assert both.area == pytest.approx(8.4 * 2.65 + 5.5 * BODIES.parts[0].width_m)
    assert alone.area == pytest.approx(8.4 * 2.65)
    back = outline(turned(pose, BODIES), BODIES)
    around, around_back = both.minimum_rotated_rectangle, back.minimum_rotated_rectangle
    assert around.symmetric_difference(around_back).area < 1e-6


def test_an_outfit_that_draws_nothing_stands_whole():
    bodies, _ = bodies_of(spreader())
    assert [one.left for one in bodies.parts] == [True] and bodies.lag_m == 0.0


# limits: exactly, just inside, just outside


@pytest.mark.parametrize(
    ("kind", "needed"), [("watercourse", 10.0), ("well", 50.0), ("overhead_line", 15.0), ("public_road", 8.0)]
)
@pytest.mark.parametrize(("more", "kept"), [(0.0, True), (HAIR, True), (-HAIR, False)])
def test_distances_exactly_inside_and_outside(kind, needed, more, kept):
    east = 30.0 + needed + more
    place = Place("it", kind, LineString([(east, -500), (east, 500)]))
    ((limit, told),) = limits.distance_limits(STANDS, [place])
    assert (limit.kept, limit.needed, told.key) == (kept, needed, "it")
    assert limit.found == pytest.approx(needed + more) and limit.miss == pytest.approx(-more, abs=1e-9)


def test_the_farms_own_distance_goes_first():
    place = Place("ditch", "watercourse", LineString([(36.0, -500), (36.0, 500)]))
    assert not next(limits.distance_limits(STANDS, [place]))[0].kept
    assert next(limits.distance_limits(STANDS, [place], {"distance_watercourse_m": 6.0}))[0].kept


@pytest.mark.parametrize(("west", "kept"), [(30.0, True), (30.0 + HAIR, True), (30.0 - HAIR, False)])
def test_keep_outs_may_be_touched_not_entered(west, kept):
    ((limit, _),) = limits.distance_limits(STANDS, [Place("copse", "keep_out", box(west, 0, 90, 90))])
    assert limit.kept is kept


@pytest.mark.parametrize(("east", "kept"), [(30.0, True), (30.0 + HAIR, True), (30.0 - HAIR, False)])
def test_what_stands_stays_on_its_ground(east, kept):
    spot = Spot("headland", Pose(25, 21, 0), "", "", True, box(0, 0, east, 100), LineString([(0, 21), (90, 21)]))
    (limit,) = limits.ground_limit(STANDS, spot)
    assert limit.kept is kept and limit.found == pytest.approx(max(0.0, 30.0 - east))


def tilted(rise: float) -> Elevation:
    """A plane that rises to the east."""
    x = np.arange(60) + 0.5
    return Elevation(0.0, 60.0, 1.0, np.broadcast_to(rise * x, (60, 60)).astype(np.float32))


@pytest.mark.parametrize(("rise", "kept"), [(0.03125, True), (0.0625, False)])
def test_slope_beneath_what_stands(rise, kept):
    (limit,) = limits.slope_limit(STANDS, tilted(rise))
    assert limit.found == pytest.approx(100 * rise, abs=0.01) and limit.kept is kept
    # exactly at, just under and just over the farm's own limit
    for own, fits in ((limit.found, True), (limit.found + 0.01, True), (limit.found - 0.01, False)):
        assert next(limits.slope_limit(STANDS, tilted(rise), {"standing_slope_pct": own})).kept is fits
    assert list(limits.slope_limit(STANDS, None)) == []


@pytest.mark.parametrize(("most", "kept"), [(20e3, True), (20e3 + 1, True), (20e3 - 1, False), (None, False)])
def test_drains_and_bridges_under_what_stands(most, kept):
    drain = Place("drain 1", "drain", LineString([(0, 21), (90, 21)]), most)
    (limit,) = limits.bearing_limits(STANDS, [drain], 20e3)
    assert limit.kept is kept
    away = Place("drain 2", "drain", LineString([(0, 40), (90, 40)]), 1.0)
    assert list(limits.bearing_limits(STANDS, [away], 20e3)) == []


@pytest.mark.parametrize(("x", "kept"), [(104.0, True), (104.0 + HAIR, True), (104.0 - HAIR, False)])
def test_the_way_through_the_gateway_stays_free(x, kept):
    stands = MultiPolygon([box(x, 2, x + 10, 5)])
    (limit,) = limits.passage_limits(stands, SQUARE)
    assert limit.kept is kept
    assert passage(100, 0, np.array([0.0, 1.0]), 8.0).bounds == pytest.approx((96, 0, 104, 12))


def straight_in() -> Drive:
    """A drive straight through the south gate and on."""
    xy = np.array([[100.0, -40.0], [100.0, 0.0], [100.0, 60.0]])
    return Drive("x", xy, np.arange(3.0), np.zeros(3), np.array([ROAD, ENTRY, ENTRY], np.int8),
                 np.zeros(3, np.int8), 3.0, 1, 0.0, 0.0)  # fmt: skip


@pytest.mark.parametrize(("width", "kept"), [(2.65, True), (2.65 + HAIR, True), (2.65 - HAIR, False)])
def test_a_gateway_as_wide_as_the_outfit_when_driven_straight_through(width, kept):
    outfit = trailer()
    bodies, _ = bodies_of(outfit)
    assert bodies.width_m == pytest.approx(2.65)
    gate = Gateway("South gate", "Square", 100, 0, width)
    limit = limits.gateway_limit(straight_in(), outfit, bodies, gate, (0.0, 1.0))
    assert limit.needed == pytest.approx(2.65, abs=1e-6) and limit.kept is kept


def test_a_longer_trailer_sweeps_more_of_a_gateway_after_a_bend():
    swept = []
    for drawbar in (3.0, 5.0, 7.0):
        outfit = trailer(drawbar)
        trip = trip_to(roads(outfit), in_the_field())
        one = drive_of(roads(outfit), trip, [(0.0, 0.0)], "x")
        limit = limits.gateway_limit(one, outfit, bodies_of(outfit)[0], SQUARE.gateways[0], (0.0, 1.0))
        swept.append(limit.needed)
    assert 2.65 < swept[0] < swept[1] < swept[2]


def test_a_trailer_that_cannot_follow_is_refused_in_words():
    outfit = trailer(drawbar_m=9.0, radius_m=8.0)
    trip = trip_to(roads(outfit), in_the_field())
    with pytest.raises(InputError, match="jack-knife"):
        limits.gateway_limit(drive_of(roads(outfit), trip, [(0.0, 0.0)], "x"), outfit, bodies_of(outfit)[0],
                             SQUARE.gateways[0], (0.0, 1.0))  # fmt: skip


@pytest.mark.parametrize(("most", "kept"), [(30e3, True), (30e3 + 1, True), (30e3 - 1, False)])
def test_tracks_and_bridges_on_the_way_carry_the_mass(most, kept):
    lane = FarmTrack("Lane", LANE.line, "gravel", most)
    bridge = Place("bridge", "bridge", LineString([(-100, -15), (-100, -5)]), most)
    trip = trip_to(roads(tracks=(lane, SPUR)), in_the_field())
    drive = drive_of(roads(), trip, [(0.0, 0.0)], "x")
    found = list(limits.way_limits(drive, (lane, SPUR), [bridge], 30e3))
    assert [one.what for one in found] == ["mass on farm track Lane", "mass over bridge bridge"]
    assert all(one.kept is kept for one in found)


def test_ways_cross_no_ditch_in_the_field_but_over_a_bridge():
    all_spots = spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 20)
    north = max((one for one in all_spots if one.kind == "headland"), key=lambda one: one.pose.y)
    drive = drive_of(roads(), trip_to(roads(), north), [(0.0, 0.0)], "x")
    ditch = Place("ditch", "watercourse", LineString([(0, 50.0), (200, 50.0)]))
    (limit,) = limits.way_limits(drive, (), [ditch], 30e3)
    assert not limit.kept
    bridge = Place("bridge", "bridge", LineString([(0, 50.0), (200, 50.0)]), 50e3)
    assert all(one.kept for one in limits.way_limits(drive, (), [ditch, bridge], 30e3))
    beside = Place("road ditch", "watercourse", LineString([(95, -5), (105, -5)]))
    assert all(one.kept for one in limits.way_limits(drive, (), [beside], 30e3))  # under the farm track


# candidate places and ways


def in_the_field() -> Spot:
    return next(one for one in spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 20) if one.kind == "headland")


def test_candidates_are_of_every_kind_apart_and_repeatable():
    tramlines = tuple(LineString([(x, 0), (x, 200)]) for x in (30.0, 60.0, 90.0, 120.0, 150.0, 170.0))
    found = spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 24, tramlines)
    assert {one.kind for one in found} == {"headland", "gateway", "tramline", "yard", "hard track"}
    assert 18 <= len(found) <= 26
    xy = np.array([(one.pose.x, one.pose.y) for one in found])
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1)) + 1e9 * np.eye(len(xy))
    assert apart.min() > 6.0
    assert found == spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 24, tramlines)
    for one in found:
        if one.kind == "headland":
            stands = outline(one.pose, BODIES)
            assert all(limit.kept for limit in limits.ground_limit(stands, one))
            assert stands.distance(SQUARE.polygon.exterior) == pytest.approx(1.0, abs=0.05)


def test_soft_tracks_are_no_candidates():
    earth = FarmTrack("Lane", LANE.line, "earth")
    assert not [one for one in spots(SQUARE, BODIES, (earth,), (), 20) if not one.on_field]


@pytest.mark.parametrize("kind", ["headland", "gateway", "tramline"])
def test_the_way_in_and_out_stands_where_it_should_and_bends_no_tighter(kind):
    lines = tuple(LineString([(x, 12), (x, 188)]) for x in (30.0, 90.0, 150.0))
    there = roads(lines=lines)
    for spot in [one for one in spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 20, lines) if one.kind == kind]:
        trip = trip_to(there, spot)
        ref = trip.pose.along(BODIES.lag_m)
        assert math.dist(trip.xy[trip.stop], ref) < 0.05
        assert outline(trip.pose, BODIES).centroid.distance(outline(spot.pose, BODIES).centroid) < 0.5
        assert trip.xy[0] == pytest.approx(trip.xy[-1]) and trip.leg[0] == ROAD and trip.turns_outside == 0
        step = np.diff(trip.xy, axis=0)
        bend = (np.diff(np.arctan2(step[:, 1], step[:, 0])) + np.pi) % (2 * np.pi) - np.pi
        near = (np.hypot(*step[:-1].T) + np.hypot(*step[1:].T)) / 2
        assert (np.abs(bend) / np.maximum(near, 0.4)).max() < 1.35 / TRAILER.radius_m


def test_loads_and_drive_of_several_trips():
    assert loads_of(40e3, 16e3, fills=True) == ((0.0, 16e3), (0.0, 16e3), (0.0, 8e3))
    assert loads_of(16e3, 16e3, fills=False) == ((16e3, 0.0),)
    there, spot = roads(), in_the_field()
    trip = trip_to(there, spot)
    drive = drive_of(there, trip, loads_of(24e3, 16e3, fills=False), "x")
    step = np.hypot(*np.diff(drive.xy, axis=0).T)
    assert step.sum() == pytest.approx(2 * (trip.road_m + trip.field_m), rel=1e-9)
    # traffic by hand: way in with the load, way out with nothing
    once = np.hypot(*np.diff(trip.xy, axis=0).T)
    into = once[: trip.stop].sum()
    assert (step * (drive.load_kg[:-1] + drive.load_kg[1:]) / 2).sum() == pytest.approx(into * 24e3, rel=1e-4)
    assert drive.trips == 2


def test_a_place_outside_is_reached_over_the_tracks_alone():
    spot = next(one for one in spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 20) if one.kind == "hard track")
    trip = trip_to(roads(), spot)
    assert (trip.leg == ROAD).all() and trip.field_m == 0.0 and trip.road_m > 0.0
    assert Point(trip.xy[trip.stop]).distance(LANE.line) < 0.5


# from one place straight to another


def moved(first: str, then: str):
    there = roads()
    found = {one.words: one for one in spots(SQUARE, BODIES, (LANE, SPUR), (YARD,), 20)}
    a, b = (trip_to(there, found[name]) for name in (first, then))
    return there, a, b, *trip_between(there, a, b)


def test_a_load_is_moved_over_the_headland_not_round_by_the_gateway():
    there, a, b, both, second = moved("headland, east", "headland, north-east")
    for place, trip in ((both.stop, a), (second, b)):
        assert math.dist(both.xy[place], trip.pose.along(BODIES.lag_m)) < 0.05
    step = np.hypot(*np.diff(both.xy, axis=0).T)
    between = step[both.stop : second].sum()
    straight = math.dist((a.pose.x, a.pose.y), (b.pose.x, b.pose.y))
    assert straight <= between < 2 * straight + 60.0
    assert (both.leg[both.stop : second] != ROAD).all() and step[
        both.leg[:-1] != ROAD
    ].max() < 200.0  # one line, a side at most
    # in to the first, out from the second: the same ways as alone
    alone = np.hypot(*np.diff(a.xy, axis=0).T)
    assert step[: both.stop].sum() == pytest.approx(alone[: a.stop].sum(), rel=1e-6)
    home = np.hypot(*np.diff(b.xy, axis=0).T)[b.stop :].sum()
    assert step[second:].sum() == pytest.approx(home, rel=1e-6)
    # traffic by hand: 16 t in, 6 t between, empty out
    drive = drive_between(there, a, b, (16e3, 6e3, 0.0), "x")
    long = np.hypot(*np.diff(drive.xy, axis=0).T)
    carried = (long * (drive.load_kg[:-1] + drive.load_kg[1:]) / 2).sum()
    assert carried == pytest.approx(16e3 * step[: both.stop].sum() + 6e3 * between, rel=1e-4) and drive.trips == 1


@pytest.mark.parametrize(
    "names", [("headland, east", "on the hard track Lane"), ("on the hard track Lane", "headland, east")]
)
def test_a_load_is_moved_between_field_and_track_by_the_road(names):
    _, a, b, both, second = moved(*names)
    for place, trip in ((both.stop, a), (second, b)):
        assert math.dist(both.xy[place], trip.pose.along(BODIES.lag_m)) < 0.05
    step = np.hypot(*np.diff(both.xy, axis=0).T)
    assert len(both.leg) == len(both.xy) and both.stop < second
    # outside the field it keeps to the lane and the spur
    road = np.flatnonzero(both.leg[:-1] == ROAD)
    middles = (both.xy[road] + both.xy[road + 1]) / 2
    lane = LANE.line.union(SPUR.line)
    assert max(lane.distance(Point(xy)) for xy in middles) < 20.0
    assert both.road_m + both.field_m == pytest.approx(step.sum(), rel=1e-9)


def test_two_trailers_whose_bodies_overlap_are_one_valid_outline():
    tractor, drawn = TRAILER.vehicles
    second = replace(drawn, key="second", drawbar_m=2.0)
    train = replace(TRAILER, vehicles=(tractor, replace(drawn, hitch_behind_m=1.0), second))
    bodies, _ = bodies_of(train)
    # body of the first reaches 1.5 m behind its axles, the hitch to the second lies 1.4 m ahead of that end
    first, last = bodies.parts[1:]
    assert last.front_m > first.rear_m
    stands = outline(Pose(100.0, 60.0, 0.3), bodies)
    assert stands.is_valid and stands.area < sum((one.front_m - one.rear_m) * one.width_m for one in bodies.parts)
    place = Place("copse", "keep_out", box(0, 0, 200, 200))
    ((limit, _),) = limits.distance_limits(stands, [place])
    assert limit.found == pytest.approx(stands.area)  # ground that two bodies share counts once
    assert all(one.kept for one in limits.passage_limits(stands, SQUARE))


def test_where_turns_off_the_tramlines_do_not_fit_the_way_keeps_to_the_headland():
    lines = tuple(
        LineString([(6 + 24 * k, 0), (6 + 24 * k, 200)]) for k in range(9)
    )  # the fifth runs out of the gateway
    spot = next(one for one in spots(SQUARE, BODIES, (), (), 20, lines) if one.words == "headland, north")
    both, plain = trip_to(roads(lines=lines), spot), trip_to(roads(), spot)
    assert plain.turns_outside == 0 and both.turns_outside == 0
    assert both.field_m <= plain.field_m + 1e-6
