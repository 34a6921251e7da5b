"""Paths of axles behind each other."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from routes_farm import axle, drive_along, operation, outfit

from trafficplan.errors import InputError
from trafficplan.machines.outfit import Outfit, Vehicle
from trafficplan.routes.build import passes_of
from trafficplan.routes.follow import axle_paths, steady_radius, tractrix


def circle(radius: float, turns: float = 6.0, chord: float = 0.3) -> np.ndarray:
    angle = np.arange(0.0, turns * 2 * math.pi, chord / radius)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


# Steady circle sqrt(R^2 + M^2 - L^2) (closed form): radius, hitch behind, drawbar, radius of the drawn axle.
@pytest.mark.parametrize(("radius", "hitch", "drawbar", "expected"), [(8.0, 1.0, 6.0, 5.385), (10.0, 0.0, 5.0, 8.660)])
def test_drawn_axle_in_a_steady_circle(radius: float, hitch: float, drawbar: float, expected: float) -> None:
    assert steady_radius(radius, hitch, drawbar) == pytest.approx(expected, abs=0.001)
    tractor = Vehicle("tractor", "powered", (axle("rear", 0.0),), hitch_behind_m=hitch)
    trailer = Vehicle("trailer", "drawn", (axle("trailer", 0.0),), drawbar)
    rig = Outfit("rig", "Rig", (tractor, trailer), radius_m=radius)
    _, paths = axle_paths(drive_along(circle(radius)), rig)
    assert np.hypot(*paths[1][-50:].T) == pytest.approx(expected, abs=0.01)


def test_front_axle_runs_wider_than_the_fixed_one() -> None:
    # Rigid body on the fixed axle's path: sqrt(8^2 + 2.8^2) = 8.476 m (Pythagoras)
    _, paths = axle_paths(drive_along(circle(8.0)), outfit(drawbar=0.0, radius=8.0))
    assert np.hypot(*paths[0][50:-50].T) == pytest.approx(8.476, abs=0.01)
    assert np.hypot(*paths[1].T) == pytest.approx(8.0, abs=0.01)


@pytest.mark.parametrize("steps", [1, 2, 7, 100])
def test_straight_pull_from_a_right_angle(steps: int) -> None:
    # tan(phi/2) = tan(45 deg) e^-1 -> 40.395 deg after one drawbar length, however it is cut (closed form)
    hitch = np.column_stack([np.linspace(0.0, 5.0, steps + 1), np.zeros(steps + 1)])
    heading = tractrix(hitch, 5.0, math.pi / 2)
    assert math.degrees(heading[-1]) == pytest.approx(40.395, abs=0.001)
    # lateral distance L sech(1) = 3.2403 m (closed form)
    assert 5.0 * math.sin(heading[-1]) == pytest.approx(3.2403, abs=0.0001)


def test_too_long_a_drawbar_is_refused() -> None:
    with pytest.raises(InputError, match="jack-knife"):
        axle_paths(drive_along(circle(8.0)), outfit(radius=8.0, drawbar=8.5))


@pytest.mark.parametrize("drawbar", [3.0, 8.0])
def test_drawbar_up_to_the_limit_is_accepted(drawbar: float) -> None:
    _, paths = axle_paths(drive_along(circle(8.0)), outfit(radius=8.0, drawbar=drawbar))
    assert np.isfinite(paths[2]).all()


def test_chain_of_two_drawn_vehicles() -> None:
    # R 10, M 1, L 4 -> sqrt(85); then M 1.5, L 5 -> sqrt(85 + 2.25 - 25) = 7.890 m (closed form)
    dolly = Vehicle("dolly", "drawn", (axle("dolly", 0.0),), 4.0, hitch_behind_m=1.5)
    cart = Vehicle("cart", "drawn", (axle("cart", 0.0),), 5.0)
    rig = Outfit("rig", "Rig", (Vehicle("tractor", "powered", (axle("rear", 0.0),)), dolly, cart), radius_m=10.0)
    _, paths = axle_paths(drive_along(circle(10.0)), rig)
    assert np.hypot(*paths[2][-50:].T) == pytest.approx(7.890, abs=0.01)


def test_carried_axle_moves_rigidly() -> None:
    carried = Vehicle("drill", "carried", (axle("press", 1.5),))
    rig = Outfit("rig", "Rig", (Vehicle("tractor", "powered", (axle("rear", 0.0),)), carried), radius_m=8.0)
    _, paths = axle_paths(drive_along(circle(8.0)), rig)
    # hitch 1.0 m behind the axle, press wheels 1.5 m behind the hitch: sqrt(8^2 + 2.5^2) (Pythagoras)
    assert np.hypot(*paths[1][50:-50].T) == pytest.approx(math.hypot(8.0, 2.5), abs=0.01)


@pytest.mark.parametrize("steering", ["offset", "crab"])
def test_offset_axle_runs_beside_its_path_in_work_only(steering: str) -> None:
    line = np.column_stack([np.arange(0.0, 60.0, 0.5), np.zeros(120)])
    shifted = axle("rear", 0.0, steering=steering, offset_m=0.4)
    rig = Outfit("rig", "Rig", (Vehicle("carrier", "powered", (shifted,)),))
    _, work = axle_paths(drive_along(line), rig)
    _, turn = axle_paths(drive_along(line, leg=1), rig)
    assert work[0][:, 1] == pytest.approx(0.4)
    assert turn[0][:, 1] == pytest.approx(0.0)


@settings(deadline=None, derandomize=True)
@given(st.floats(0.0, 2 * math.pi), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_moving_and_turning_the_farm_changes_nothing(angle: float, east: float, north: float) -> None:
    bend = np.array(
        [
            [0.0, 0.0],
            [40.0, 0.0],
            *(
                np.array([40.0, 8.0])
                + 8.0 * np.column_stack([np.sin(np.linspace(0.06, 3.0, 50)), -np.cos(np.linspace(0.06, 3.0, 50))])
            ),
            [0.0, 16.0],
        ]
    )
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    _, before = axle_paths(drive_along(bend), outfit())
    _, after = axle_paths(drive_along(bend @ turn + [east, north]), outfit())
    for a, b in zip(before, after, strict=True):
        assert np.allclose(a @ turn + [east, north], b, atol=1e-5)


def test_extra_vertices_on_a_straight_change_no_path() -> None:
    line = np.array([[0.0, 0.0], [60.0, 0.0], [60.0 + 1e-9, 60.0], [0.0, 61.0]])
    dense = np.array([[x, 0.0] for x in np.arange(0.0, 60.0, 0.5)] + line[1:].tolist())
    _, plain = axle_paths(drive_along(line), outfit())
    _, cut = axle_paths(drive_along(dense), outfit())
    assert plain[2][-1] == pytest.approx(cut[2][-1], abs=0.02)


def test_passes_carry_loads_and_pressures() -> None:
    line = np.column_stack([np.arange(0.0, 100.0, 10.0), np.zeros(10)])
    drive = replace(drive_along(line), load_kg=np.linspace(12e3, 0.0, 10))
    job = operation(pressures_pa={"*": 0.8e5, "front": 1.1e5}, runs_at_depth_m=0.2)
    front, rear, trailer = passes_of(drive, outfit(), job, 4)
    assert (front.pressure_pa, rear.pressure_pa, trailer.pressure_pa) == (1.1e5, 0.8e5, 0.8e5)
    assert {p.operation for p in (front, rear, trailer)} == {4}
    assert trailer.runs_at_depth_m == 0.2
    for part in (front, rear, trailer):
        assert len(part.xy) == len(part.load_n) == len(part.leg) == len(part.furrow)
    # 30 kN empty, 60 kN full, linear in the load
    assert trailer.load_n[0] == pytest.approx(60e3)
    assert trailer.load_n[-1] == pytest.approx(30e3)


def test_pressure_of_the_outfit_where_the_job_has_none() -> None:
    line = np.array([[0.0, 0.0], [50.0, 0.0]])
    assert passes_of(drive_along(line), outfit(), operation(), 0)[0].pressure_pa == 1.0e5
