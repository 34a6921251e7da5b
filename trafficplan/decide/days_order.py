"""The days of a calendar from best to worst: where no day is fit, some still do less harm than others.

Only open days count: heavy rain, standing water and frost close a day whatever its chance. Days whose chance is the same
to the step of 0.1 that people see are equally good. Where the scale is full, from 0.9 on, the stress ratio still ranks.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.days import STATES, FieldDays
from trafficplan.farm.operation import Operation

#: Step of the stress ratio by which days are told apart where the chance is at the top of its scale (ours).
RATIO_STEP = 0.25

#: States of a day on which the ground is not closed.
OPEN = tuple(STATES.index(name) for name in ("fit", "lighter", "leave"))


@dataclass(frozen=True)
class Degree:
    """Open days that are equally good.

    Attributes
    ----------
    chance : least and greatest, with the full load on the worst soil
    ratio : least and greatest stress ratio there
    days : how many
    runs : (first, last) index of days in a row, the longest first
    fit_load_kg : least and greatest load that is fit on them; None where on none of them even the empty outfit is
    """

    chance: tuple[float, float]
    ratio: tuple[float, float]
    days: int
    runs: tuple[tuple[int, int], ...]
    fit_load_kg: tuple[float, float] | None


@dataclass(frozen=True)
class Best:
    """The best open days of a window in a row: their index, the highest chance among them."""

    start: int
    end: int
    chance: float


def open_days(found: FieldDays) -> NDArray[np.bool_]:
    """Return which days are open, (days,)."""
    return np.isin(found.state, OPEN)


def steps_of(found: FieldDays) -> NDArray[np.float64]:
    """Return the chance of each day to the step of 0.1 that people see, at most 0.9, (days,); NaN: no weather."""
    return np.asarray(np.minimum(np.floor(10.0 * found.chance_worst + 0.5), 9.0) / 10.0)


def ranks_of(found: FieldDays) -> NDArray[np.float64]:
    """Return the rank of each day, (days,), smaller is better: its step of chance, at the top of the scale of ratio."""
    steps = steps_of(found)
    return np.where(steps < 0.9, steps, 1.0 + np.floor(found.ratio_worst / RATIO_STEP))


def degrees(found: FieldDays) -> tuple[Degree, ...]:
    """Return the open days from best to worst, those that are equally good together."""
    there, ranks = open_days(found), ranks_of(found)
    made = []
    for rank in np.unique(ranks[there]):
        which = there & (ranks == rank)
        load = found.fit_load_kg[which]
        ends = None if np.isnan(load).all() else (float(np.nan_to_num(load).min()), float(np.nanmax(load)))
        chance, ratio = (
            (float(one[which].min()), float(one[which].max())) for one in (found.chance_worst, found.ratio_worst)
        )
        made.append(Degree(chance, ratio, int(which.sum()), runs_of(which), ends))
    return tuple(made)


def runs_of(which: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Return first and last index of the days in a row, the longest first, of equal ones the earliest.

    Examples
    --------
    >>> runs_of(np.array([True, False, True, True]))
    ((2, 3), (0, 0))
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(np.int8), [0]])))
    runs = zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True)
    return tuple(sorted(runs, key=lambda run: (run[0] - run[1], run[0])))


def best_in(found: FieldDays, first: dt.date, last: dt.date) -> Best | None:
    """Return the best open days in a row within a window, ends included; None where the calendar has none there."""
    day = found.days.astype("datetime64[D]")
    which = open_days(found) & (day >= np.datetime64(first)) & (day <= np.datetime64(last))
    if not which.any():
        return None
    ranks = ranks_of(found)
    start, end = runs_of(which & (ranks == ranks[which].min()))[0]
    return Best(start, end, float(found.chance_worst[start : end + 1].max()))


def window_of(operation: Operation) -> tuple[dt.date, dt.date] | None:
    """Return the days on which an operation may be done; None where its day is fixed, or it has no window."""
    if operation.fixed_because or (operation.earliest is None and operation.latest is None):
        return None
    return operation.earliest or operation.day, operation.latest or operation.day
