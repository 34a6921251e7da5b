"""Bouts driven in the order, in the directions and with the loads that leave the least way without work."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from trafficplan.names import HAUL, WORK
from trafficplan.routes.bends import Ground, Run, join_runs, joint, length_of
from trafficplan.routes.haul import nearest_node, way_lengths
from trafficplan.routes.lines import far, work_bout
from trafficplan.routes.sequence import Sequence, Tracks, best_sequence
from trafficplan.routes.trips import PartWork, Planning, add_ways, fetch, spent

MOST_M = 1e6  # stands for a way that there is none for
SAMPLED = 5  # ends from which a whole trip is driven to see how long it is


def work_in_sequence(planning: Planning, part: PartWork, last: bool) -> None:
    """Work all bouts of a part; `last`: the drive ends with them."""
    bouts = part.laid.bouts
    if not bouts:
        return
    visits = sequence_of(planning, part, last).visits
    lasts = _lasts([v.work_m for v in visits], [v.filled for v in visits])
    number = 0
    for bout, group in groupby(visits, key=lambda v: v.bout):
        first, *more = list(group)
        sizes = [m for m in lasts[number : number + 1 + len(more)] if m is not None]
        number += 1 + len(more)
        planning.lasts_m = sizes if planning.choice.size == "to headland" else []
        planning.far_back = [visit.reversed != first.reversed for visit in more]
        if first.filled and not spent(planning):
            fetch(planning, part)
        work_bout(planning, part, bouts[bout], None, first.reversed)
    planning.lasts_m, planning.far_back = [], []


def _lasts(work_m: list[float], filled: list[bool]) -> list[float | None]:
    """Return for each visit with a new load how long that is to last [m], None for the others."""
    out: list[float | None] = []
    reach = 0.0
    for work, new in zip(reversed(work_m), reversed(filled), strict=True):
        reach += work
        out.append(reach if new else None)
        reach = 0.0 if new else reach
    return out[::-1]


def sequence_of(planning: Planning, part: PartWork, last: bool) -> Sequence:
    """Return the sequence of the bouts of a part from where the outfit stands, with what it has on board."""
    tracks = tracks_of(planning, part, last)
    if planning.kg_m == 0.0:
        return best_sequence(tracks, math.inf)
    return best_sequence(
        tracks,
        planning.full_kg / planning.kg_m,
        planning.room_kg / planning.kg_m,
        part_loads=planning.choice.size != "balanced",
        fills=not planning.empties,
        whole_bouts=planning.choice.size == "to headland",
    )


def tracks_of(planning: Planning, part: PartWork, last: bool) -> Tracks:
    """Return the bouts of a part and the ways between them, as the drive takes them."""
    bouts, ways, radius = part.laid.bouts, part.ways, planning.outfit.radius_m
    into = [xy for bout in bouts for xy in (bout.swaths[0].xy, bout.swaths[-1].xy[::-1])]
    leaving = [xy[::-1] for xy in into]
    nodes = [nearest_node(ways, xy[0]) for xy in into]
    key = radius, far(planning)
    if key not in ways.turns:
        ways.turns[key] = _turns(leaving, into, np.minimum(way_lengths(ways, nodes), MOST_M), *key, part.ground)
    here = planning.runs[-1].xy
    exit_to = part.way_out if last and not planning.empties and planning.kg_m > 0.0 else 0
    places = [nearest_node(ways, here[-1]), part.way_out, exit_to]
    apart = np.minimum(way_lengths(ways, [*places, *nodes])[:3], MOST_M)
    first = _turns([here], into, apart[:1, 3:], *key, part.ground)
    length = np.array([sum(length_of(s.xy) for s in bout.swaths) for bout in bouts])
    fill = np.zeros(len(into) + 1)
    if planning.kg_m > 0.0:
        fill[:-1] = _half_trips(planning, part, leaving, into)
        nearest = int(np.argmin(apart[1, 3:]))
        fill[-1] = max(fill[nearest] + apart[0, 1] - apart[1, 3 + nearest], 0.0)
    return Tracks(length, np.vstack([ways.turns[key], first]), fill, apart[2, 3:])


def _turns(
    leaving: list[NDArray[np.float64]],
    into: list[NDArray[np.float64]],
    apart: NDArray[np.float64],
    radius: float,
    reach: float,
    ground: Ground,
) -> NDArray[np.float64]:
    """Return the ways from leaving each line to coming into each: turns between near ends where they stay inside the
    field, else the ways `apart` [m]."""
    ways, pairs = apart.copy(), len(leaving) == len(into)
    here, there = np.array([xy[-1] for xy in leaving]), np.array([xy[0] for xy in into])
    gaps = np.hypot(*(here[:, None, :] - there[None, :, :]).transpose(2, 0, 1))
    for a, b in zip(*np.nonzero(gaps <= reach), strict=True):
        if pairs and (a // 2 == b // 2 or b < a):
            continue
        _, _, turn, inside = joint(leaving[a], into[b], (0.0, 0.0), radius, ground)
        if inside:
            ways[a, b] = length_of(turn)
            if pairs:  # the same turn the other way
                ways[b, a] = ways[a, b]
    return ways


def _half_trips(
    planning: Planning, part: PartWork, leaving: list[NDArray[np.float64]], into: list[NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Return half of the way from each end of the bouts to the fill point and back [m], as it is driven.

    What lies beyond the ways of the field is driven from a few ends, near and far; a stop on them costs no way.
    """
    known, radius, out = part.ways.trips, planning.outfit.radius_m, part.way_out
    if radius not in known:
        nodes = [nearest_node(part.ways, xy[0]) for xy in into]
        known[radius] = np.array(
            [
                _trip_m(planning, part, a, None, (node, out)) + _trip_m(planning, part, None, b, (out, node))
                for a, b, node in zip(leaving, into, nodes, strict=True)
            ]
        )
    trips = known[radius]
    if part.source in ("part", "gate"):
        return np.asarray(trips / 2.0)
    beyond = []
    for end in np.argsort(trips, kind="stable")[np.linspace(0, len(trips) - 1, SAMPLED).astype(int)]:
        back = out, nearest_node(part.ways, into[end][0])
        beyond.append(_trip_m(planning, part, leaving[end], into[end], back) - trips[end])
    return np.asarray((trips + np.median(beyond)) / 2.0)


def _trip_m(
    planning: Planning,
    part: PartWork,
    leaving: NDArray[np.float64] | None,
    into: NDArray[np.float64] | None,
    nodes: tuple[int, int],
) -> float:
    """Return the way from one line of work over the way between two nodes to another line [m]; with both lines also the
    way to the fill point before that."""
    trial = replace(planning, runs=[], lasts_m=[], far_back=[])
    if leaving is not None:
        trial.runs.append(Run(leaving, WORK, 0.0, 0.0))
        if into is not None:
            fetch(trial, part)
    add_ways(trial, part, nodes, HAUL)
    if into is not None:
        trial.runs.append(Run(into, WORK, 0.0, 0.0, ground=part.ground))
    line = join_runs(trial.runs, planning.outfit.radius_m)
    return sum(length_of(xy) for xy in _unbroken(line.xy)) - sum(
        length_of(xy) for xy in (leaving, into) if xy is not None
    )


def _unbroken(pieces: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """Return pieces of a line, each from the end of the one before."""
    return pieces[:1] + [np.concatenate([a[-1:], b]) for a, b in pairwise(pieces)]
