"""Distances from lines, water, wells and roads: what is kept, and what is said of it. Geometry by hand."""

import math

import pytest
from shapely import LineString, Point, box

from trafficplan.farm.distances import DISTANCE_KEYS, forbidden, kept_m, left_over, not_drawn
from trafficplan.farm.field import Place

FIELD = box(0, 0, 100, 100)


def test_cautious_distances_are_never_zero_and_the_farms_own_go_first():
    assert {kind: kept_m(kind) for kind in ("overhead_line", "watercourse", "well")} == {
        "overhead_line": 15.0, "watercourse": 10.0, "well": 50.0,
    }  # fmt: skip
    assert all(kept_m(kind) > 0 for kind, key in DISTANCE_KEYS.items() if key)
    assert kept_m("well", {"distance_well_m": 30.0}) == 30.0


def test_a_line_along_the_edge_takes_its_strip():
    line = Place("ditch", "watercourse", LineString([(-50, 0), (150, 0)]))
    (found,), (note,) = forbidden([line], FIELD)
    assert found.area.area == pytest.approx(100 * 10.0, rel=0.002)
    assert (note.kind, note.value) == ("assumed", "10 m") and "ditch" in note.what


def test_no_ground_nearer_than_the_distance_is_left_beside_a_well():
    well = Place("well", "well", Point(50, 50).buffer(1.0))
    found, _ = forbidden([well], FIELD)
    left = left_over(FIELD, found)
    assert left.distance(well.shape) >= 50.0 - 1e-9
    # four corners remain: a square less a circle of 51 m cut by it
    half, radius = 50.0, 51.0
    slice_ = radius**2 * math.acos(half / radius) - half * math.sqrt(radius**2 - half**2)
    assert left.area == pytest.approx(100**2 - math.pi * radius**2 + 4 * slice_, rel=0.03)


def test_places_too_far_off_and_kinds_not_asked_for_take_nothing_and_say_nothing():
    far = Place("line", "overhead_line", LineString([(0, -15.1), (100, -15.1)]))
    near = Place("line", "overhead_line", LineString([(0, -14.9), (100, -14.9)]))
    assert forbidden([far], FIELD) == ((), ())
    assert forbidden([near], FIELD, kinds=["well"]) == ((), ())
    assert len(forbidden([near], FIELD)[0]) == 1


def test_a_keep_out_ends_where_it_is_drawn_and_yards_do_not_count():
    places = [Place("copse", "keep_out", box(0, 0, 10, 10)), Place("yard", "yard", box(20, 20, 40, 40))]
    (found,), notes = forbidden(places, FIELD)
    assert found.area.area == pytest.approx(100.0) and found.distance_m == 0.0 and notes == ()


def test_the_farms_own_distance_is_told_as_its_own():
    line = Place("ditch", "watercourse", LineString([(-50, 0), (150, 0)]))
    _, (note,) = forbidden([line], FIELD, {"distance_watercourse_m": 6.0})
    assert (note.value, note.source) == ("6 m", "farm.toml, table defaults")


def test_kinds_missing_on_the_map_are_told():
    (note,) = not_drawn([Place("w", "well", Point(0, 0).buffer(1))], ["well", "overhead_line", "watercourse"])
    assert note.what.startswith("overhead line and watercourse") and note.kind == "warned"
    assert not_drawn([], []) == ()
