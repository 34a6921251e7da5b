"""Gateways in and near corners of fields, with the track along a side, straight in, or ending at the gateway."""

import math
from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm
from shapely import LineString, Point, Polygon

from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.inputs.farm import read_farm
from trafficplan.routes.access import entrances
from trafficplan.routes.parking import bodies_of, spots
from trafficplan.routes.parking_limits import gateway_limit
from trafficplan.routes.parking_way import Roads, drive_of, trip_to


def ray(degrees, length):
    return length * np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])


def corner_farm(corner, off, way):
    """A field with a corner at 0, 0 between east and `corner` degrees; a gateway so far along its south side; a track."""
    field = Polygon([(0, 0), ray(0, 200), ray(0, 200) + ray(corner, 200), ray(corner, 200)])
    gate = Gateway("gate", "field", float(off), 0.0, 6.0)
    lines = {
        "along the side": [(-150, -3.5), (150, -3.5)],
        "straight in": [tuple(ray(corner / 2 + 180, 150)), (off, 0)],
        "ending at the gateway": [(-150, -6), (off, -6), (off, 0)],
    }
    track = FarmTrack("lane", LineString(lines[way]), "gravel")
    yard = Place("yard", "yard", Point(lines[way][0]).buffer(8.0))
    return Field("field", field, "", 0.25, None, (gate,), ()), (track,), (yard,)


@pytest.fixture(scope="module")
def outfit():
    """A tractor with a trailer, 13.9 m long and 2.71 m wide."""
    return read_farm(sample_farm()).outfits["chaser"]


def width_swept(outfit, field, tracks, places):
    bodies, _ = bodies_of(outfit)
    roads = Roads(field, outfit, bodies, tracks, places, ())
    spot = next(one for one in spots(field, bodies, tracks, places, 12, ()) if one.kind == "headland")
    trip = trip_to(roads, spot, "gate")
    x, y = trip.entrance.gateway_xy
    gate = replace(trip.entrance.gateway, x=float(x), y=float(y))
    inward = (float(trip.entrance.inward[0]), float(trip.entrance.inward[1]))
    return gateway_limit(drive_of(roads, trip, [(0.0, 0.0)], "way"), outfit, bodies, gate, inward).needed


@pytest.mark.parametrize("way", ["along the side", "straight in", "ending at the gateway"])
@pytest.mark.parametrize("off", [0, 1, 5, 40])
@pytest.mark.parametrize("corner", [60, 90, 120])
def test_an_outfit_goes_through_a_gateway_in_a_corner_as_through_another(outfit, corner, off, way):
    """It needs its width, more where it comes in at a slant: 2.71 / sin(45) = 3.8 m and what a trailer cuts in; no loop
    before the gateway, which took over 20 m."""
    most = 9.0 if way == "ending at the gateway" else 6.0
    assert 2.71 <= width_swept(outfit, *corner_farm(corner, off, way)) < most


@pytest.mark.parametrize("off", [0, 1, 5])
def test_the_way_to_a_gateway_moved_off_a_corner_does_not_go_by_the_corner(off):
    field, tracks, places = corner_farm(90, off, "ending at the gateway")
    ((_, entrance),), _ = entrances(field, "gate", tracks, places)
    assert entrance.gateway_xy == pytest.approx((6.0, 0.0)) and entrance.inward == pytest.approx((0.0, 1.0))
    assert entrance.road[-1] == pytest.approx((6.0, 0.0)) and entrance.road[-2] == pytest.approx((off, -6.0))


def test_a_gateway_away_from_corners_is_reached_by_its_own_track():
    field, tracks, places = corner_farm(90, 40, "ending at the gateway")
    ((_, entrance),), _ = entrances(field, "gate", tracks, places)
    assert entrance.gateway_xy == pytest.approx((40.0, 0.0)) and entrance.road[-1] == pytest.approx((40.0, 0.0))
    assert np.hypot(*(entrance.road - (40.0, -6.0)).T).min() < 0.02
