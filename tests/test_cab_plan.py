"""A plan as plain data: stretches, loads and swaths of a drive, against drives that one can count by hand."""

import numpy as np
import pytest
from cab_plans import cab_plan, without_table

from trafficplan.decide.cab import load_numbers, stretches, swaths_of
from trafficplan.names import HAUL, ROAD, TURN, WORK
from trafficplan.routes.passes import Drive


def drive(rows: list[tuple[float, float, float, int]]) -> Drive:
    """A drive from x, y, load, leg of each vertex, 1 m/s."""
    xy = np.array([row[:2] for row in rows], dtype=float)
    time = np.append(0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T)))
    load = np.array([row[2] for row in rows], dtype=float)
    leg = np.array([row[3] for row in rows], dtype=np.int8)
    return Drive("op", xy, time, load, leg, leg * 0, 12.0, 2, 0.0, 0.0)


#: Two swaths north of a road; the load runs out half way along the first.
TWO_LOADS = [
    (0, -10, 600, ROAD), (0, 0, 600, WORK), (0, 50, 0, HAUL), (0, 100, 0, HAUL), (20, 0, 0, ROAD), (20, -10, 0, ROAD),
    (20, -11, 500, ROAD), (20, -10, 900, ROAD), (0, 0, 900, HAUL), (0, 50, 900, WORK), (0, 100, 300, TURN),
    (12, 100, 300, WORK), (12, 75, 0, HAUL), (20, -10, 0, ROAD),
]  # fmt: skip


def test_loads_are_counted_where_more_comes_on_board():
    assert load_numbers(drive(TWO_LOADS)).tolist() == [1] * 6 + [2] * 8


def test_stretches_share_their_ends_and_cover_the_drive():
    one = drive(TWO_LOADS)
    found = stretches(one)
    assert [(part.leg, part.load) for part in found] == [
        (ROAD, 1), (WORK, 1), (HAUL, 1), (ROAD, 1), (ROAD, 2), (HAUL, 2), (WORK, 2), (TURN, 2), (WORK, 2), (HAUL, 2)
    ]  # fmt: skip
    assert found[0].first == 0 and found[-1].last == len(one.xy) - 1
    assert all(before.last == after.first for before, after in zip(found, found[1:], strict=False))


def test_a_job_that_takes_up_unloads_between_loads():
    rows = [(x, y, 900 - load, leg) for x, y, load, leg in TWO_LOADS]
    assert load_numbers(drive(rows)).tolist() == [1] * 6 + [2] * 8


def test_a_job_without_change_is_one_load():
    one = drive([(0, 0, 5, WORK), (0, 9, 5, TURN), (9, 9, 5, WORK)])
    assert set(load_numbers(one)) == {1}
    assert stretches(drive([(0, 0, 5, WORK)])) == ()


def test_a_swath_cut_by_a_refill_is_whole_again():
    first, second = swaths_of(drive(TWO_LOADS))
    assert list(first.coords) == [(0, 0), (0, 50), (0, 100)]
    assert list(second.coords) == [(12, 100), (12, 75)]


def test_a_swath_whose_rest_was_worked_from_the_far_end_is_whole_again():
    rows = [(0, 0, 9, WORK), (0, 40, 0, HAUL), (30, 40, 9, HAUL), (0, 100, 9, WORK), (0, 70, 8, WORK), (0, 40, 7, TURN)]
    (line,) = swaths_of(drive(rows))
    assert line.length == pytest.approx(100) and line.coords[0] == (0, 0) and line.coords[-1] == (0, 100)


def test_neighbours_stay_apart():
    rows = [(0, 0, 9, WORK), (0, 40, 8, TURN), (1, 41, 8, TURN), (1.5, 40, 8, WORK), (1.5, 0, 7, TURN)]
    assert len(swaths_of(drive(rows))) == 2


def test_kilometres_by_leg_add_up_to_the_drive():
    plan = cab_plan()
    assert sum(plan.km().values()) == pytest.approx(np.hypot(*np.diff(plan.drive.xy, axis=0).T).sum() / 1e3)
    assert sum(one.length for one in plan.swaths) / 1e3 == pytest.approx(plan.km()["work"], rel=0.002)


def test_pressures_are_named_for_all_axles_or_for_none():
    assert cab_plan().names_pressures()
    assert not without_table(cab_plan()).names_pressures()
