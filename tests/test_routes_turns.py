"""Turns of least radius and the order of bouts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from trafficplan.routes.bends import Run, join_runs
from trafficplan.routes.order import bout_order
from trafficplan.routes.turns import (
    WORDS,
    best_turn,
    bulb_height,
    bulb_turn_length,
    dubins_words,
    rings_of,
    u_turn_length,
    word_line,
)

OPEN = rings_of(None)
# Closed forms of arcs and straights, worked by hand: radius, spacing, length of the turn [m].
U_TURNS = [(6.0, 24.0, 30.85), (6.0, 12.0, 18.85)]
BULBS = [(6.0, 6.0, 36.20), (6.0, 3.0, 40.35), (8.0, 12.0, 41.30)]


@pytest.mark.parametrize(("radius", "spacing", "length"), U_TURNS)
def test_u_turn_length(radius: float, spacing: float, length: float) -> None:
    assert u_turn_length(radius, spacing) == pytest.approx(length, abs=0.01)


@pytest.mark.parametrize(("radius", "spacing", "length"), BULBS)
def test_bulb_turn_length(radius: float, spacing: float, length: float) -> None:
    assert bulb_turn_length(radius, spacing) == pytest.approx(length, abs=0.01)


@pytest.mark.parametrize(("radius", "spacing", "length"), U_TURNS + BULBS)
def test_shortest_turn_between_bouts_is_the_closed_form(radius: float, spacing: float, length: float) -> None:
    a, b = np.array([0.0, 0.0, math.pi / 2]), np.array([spacing, 0.0, -math.pi / 2])
    line, found, inside = best_turn(a, b, radius, *OPEN)
    assert inside
    assert found == pytest.approx(length, abs=0.01)
    assert LineString(line).length == pytest.approx(length, rel=1e-3)


def test_bulb_height_reaches_as_far_as_the_drawn_turn() -> None:
    # r + sqrt(4 r^2 - (w/2 + r)^2) = 13.94 m for r 6, w 6 (closed form)
    a, b = np.array([0.0, 0.0, math.pi / 2]), np.array([6.0, 0.0, -math.pi / 2])
    line, _, _ = best_turn(a, b, 6.0, *OPEN)
    assert bulb_height(6.0, 6.0) == pytest.approx(13.94, abs=0.01)
    assert line[:, 1].max() == pytest.approx(13.94, abs=0.03)


POSE = st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(-4, 4))


@settings(deadline=None, derandomize=True)
@given(POSE, POSE, st.floats(3.0, 12.0))
def test_every_word_ends_at_its_pose(a: tuple[float, ...], b: tuple[float, ...], radius: float) -> None:
    start, end = np.array(a), np.array(b)
    parts = dubins_words(start, end, radius)
    for word in np.flatnonzero(np.isfinite(parts[:, 3])):
        line = word_line(start, radius, WORDS[word], parts[word, :3], 0.5, 1e9)
        assert np.hypot(*(line[-1] - end[:2])) < 1e-4 * radius
        turned = start[2] + float((WORDS[word] * parts[word, :3]).sum())
        assert abs(math.sin((turned - end[2]) / 2.0)) < 1e-4
        assert parts[word, 3] >= np.hypot(*(end - start)[:2]) - 1e-4


def test_turn_stays_inside_the_field_where_one_fits() -> None:
    # The shortest way from east to north-west goes over the fence at x = 10; a longer one stays inside.
    fence = rings_of(Polygon([(-60, -60), (10, -60), (10, 60), (-60, 60)]))
    a, b = np.array([0.0, 0.0, 0.0]), np.array([0.0, 4.0, math.pi])
    free, _, _ = best_turn(a, b, 8.0, *OPEN)
    kept, length, inside = best_turn(np.array([-8.0, 0.0, math.pi / 4]), b, 8.0, *fence)
    assert free[:, 0].max() > 10.0
    assert inside
    assert kept[:, 0].max() <= 10.0
    assert length < 200.0


def test_no_word_fits_into_a_lane_and_that_is_told() -> None:
    lane = rings_of(Polygon([(-100, -3), (100, -3), (100, 3), (-100, 3)]))
    a, b = np.array([0.0, 0.0, 0.0]), np.array([0.0, 0.0, math.pi])
    _, _, inside = best_turn(a, b, 8.0, *lane)
    assert not inside


def test_ways_are_shortened_to_a_plain_bend() -> None:
    # A right-angled corner of two ways: the bend is the quarter circle of the radius, pi/2 r long.
    a = Run(np.array([[0.0, 0.0], [100.0, 0.0]]), 2, 0.0, 0.0, way=True)
    b = Run(np.array([[100.0, 0.0], [100.0, 100.0]]), 2, 0.0, 0.0, way=True)
    line = join_runs([a, b], 8.0)
    total = sum(LineString(p).length for p in line.xy)
    assert total == pytest.approx(200.0 - 16.0 + 8.0 * math.pi / 2, abs=0.05)


@settings(deadline=None, derandomize=True)
@given(st.integers(1, 60), st.integers(1, 7))
def test_bout_order_takes_each_bout_once(count: int, step: int) -> None:
    assert sorted(bout_order(count, step)) == list(range(count))


@settings(deadline=None, derandomize=True)
@given(st.integers(1, 6), st.integers(1, 10))
def test_bout_order_needs_no_bulb_in_whole_blocks(step: int, blocks: int) -> None:
    order = np.array(bout_order(2 * step * blocks, step))
    assert np.abs(np.diff(order)).min() >= step
