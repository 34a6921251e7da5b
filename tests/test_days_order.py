"""Days from best to worst, windows, and colours of the calendar: dark is bad, as on the maps."""

import datetime as dt
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from test_days import days_of, farm_of, job, soil, weather

from trafficplan.decide.days import STATES
from trafficplan.decide.days_order import best_in, degrees, open_days, ranks_of, runs_of, window_of
from trafficplan.report.days_chart import _SHADES
from trafficplan.report.days_words import FIT, LEAVE, LIGHTER


def calendar(chances, states=None, ratios=None):
    """A calendar from 1 May with chosen chances; open (leave) where no state is told."""
    first = dt.date(2026, 5, 1)
    found = days_of(
        farm_of([soil("a")], weather()), first=first, last=first + dt.timedelta(days=len(chances) - 1)
    )  # fmt: skip
    codes = [STATES.index(name) for name in (states or ["leave"] * len(chances))]
    return replace(
        found,
        chance_worst=np.array(chances, dtype=float),
        ratio_worst=np.array(ratios if ratios is not None else [1.5] * len(chances), dtype=float),
        state=np.array(codes),
    )


def test_days_are_told_apart_by_steps_of_a_tenth_and_closed_days_are_left_out():
    found = calendar(
        [0.72, 0.74, 0.58, 0.61, 0.10, 0.71], ["leave", "leave", "lighter", "leave", "frozen", "leave"]
    )  # fmt: skip
    assert open_days(found).tolist() == [True, True, True, True, False, True]
    made = degrees(found)
    assert [(one.days, one.runs) for one in made] == [(2, ((2, 3),)), (3, ((0, 1), (5, 5)))]
    assert made[0].chance == (0.58, 0.61) and made[1].chance == (0.71, 0.74)


def test_where_the_scale_is_full_the_stress_ratio_still_ranks():
    found = calendar([0.97, 0.96, 0.97, 0.93], ratios=[3.1, 2.6, 3.0, 2.1])
    assert [one.runs for one in degrees(found)] == [((3, 3),), ((1, 1),), ((0, 0), (2, 2))]
    assert np.argsort(ranks_of(found)).tolist()[:2] == [3, 1]


def test_runs_in_a_row_the_longest_first():
    assert runs_of(np.array([True, False, True, True, False, True])) == ((2, 3), (0, 0), (5, 5))
    assert runs_of(np.array([False])) == ()


def test_the_best_days_of_a_window():
    found = calendar([0.5, 0.9, 0.8, 0.7, 0.7, 0.9])
    best = best_in(found, dt.date(2026, 5, 2), dt.date(2026, 5, 6))
    assert best is not None and (best.start, best.end, best.chance) == (3, 4, pytest.approx(0.7))
    assert best_in(found, dt.date(2026, 6, 1), dt.date(2026, 6, 9)) is None
    assert best_in(calendar([0.5], ["frozen"]), dt.date(2026, 5, 1), dt.date(2026, 5, 1)) is None


def test_a_booked_day_has_no_window():
    day, last = dt.date(2026, 5, 4), dt.date(2026, 5, 9)
    assert window_of(job(day, latest=last)) == (day, last)
    assert window_of(job(day)) is None and window_of(job(day, latest=last, fixed_because="booked")) is None


def test_dark_is_bad_as_on_the_maps():
    light = [sum(to_rgb(matplotlib.colormaps["magma_r"](_SHADES[kind]))) for kind in (FIT, LIGHTER, LEAVE)]
    assert light[0] > light[1] + 0.5 > light[2] + 1.0
