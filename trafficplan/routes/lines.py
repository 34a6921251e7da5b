"""Work along lines: into each round and bout by the shortest turn, past obstacles, over ways where they lie far."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from trafficplan.names import TURN
from trafficplan.routes.bends import Ground, cut, joint, length_of
from trafficplan.routes.haul import closed, nearest_node
from trafficplan.routes.order import Bout
from trafficplan.routes.trips import PartWork, Planning, add_way, add_ways, add_work, begin

AT_END_M = 0.5  # an outfit nearer to the end of a swath than this has just worked it


def nearest_first(
    holes: tuple[tuple[NDArray[np.float64], ...], ...], planning: Planning
) -> list[tuple[NDArray[np.float64], ...]]:
    """Return the rounds of holes, nearest hole first, each seen from the one before."""
    left, out, here = list(holes), [], planning.here
    while left:
        best = min(range(len(left)), key=lambda i: float(np.hypot(*(left[i][0] - here).T).min()))
        out.append(left.pop(best))
        here = out[-1][-1][-1]
    return out


def far(planning: Planning) -> float:
    """Return the distance beyond which a way along the rounds is taken instead of a turn [m]."""
    return 4.0 * planning.outfit.radius_m + 3.0 * planning.width_m


def work_round(planning: Planning, part: PartWork, xy: NDArray[np.float64], inner: bool) -> None:
    """Work one round: from where the turn into it is shortest, either way round."""
    begin(planning, part)
    radius = planning.outfit.radius_m
    apart = np.hypot(*(xy - planning.here).T)
    nearest = float(LineString(xy).project(shapely.points(planning.here)))
    if apart.min() > far(planning):
        target = nearest_node(part.ways, cut(xy, nearest, nearest + 1.0)[0])
        add_ways(planning, part, (nearest_node(part.ways, planning.here), target), planning.way_leg)
    here = planning.runs[-1].xy
    options = []
    if closed(xy):
        whole = length_of(xy)
        twice = np.concatenate([xy, xy[1:]])
        at = LineString(xy).project(shapely.points(here[-1]))
        for way in (1.0, -1.0):
            for ahead in (0.5, 1.0, 1.5, 2.0, 3.0, 4.0):
                start = (at + way * ahead * radius) % whole
                line = cut(twice, start, start + whole)
                options.append(line if way > 0 else line[::-1])
    else:
        options = [xy, xy[::-1]]
    best = min(options, key=lambda line: turn_cost(here, line, radius, part.ground))
    side = 0
    if inner and planning.operation.runs_at_depth_m > 0.0:
        side = -1 if shapely.LinearRing(best).is_ccw else 1
    add_work(planning, part, best, side, swath=False)


def turn_cost(a: NDArray[np.float64], b: NDArray[np.float64], radius: float, ground: Ground) -> float:
    """Return the length of the turn between two lines, far more where it leaves the ground [m]."""
    _, _, turn, inside = joint(a, b, (0.0, 0.0), radius, ground)
    return length_of(turn) + (0.0 if inside else 1000.0)


def work_bout(
    planning: Planning, part: PartWork, bout: Bout, before: NDArray[np.float64] | None, backwards: bool | None = None
) -> NDArray[np.float64]:
    """Work one bout, from the nearer end unless told; returns the middle of it, where the furrow of the next one
    lies."""
    begin(planning, part)
    radius = planning.outfit.radius_m
    here = planning.runs[-1].xy
    forward = [s.xy for s in bout.swaths]
    backward = [xy[::-1] for xy in forward[::-1]]
    costs = [turn_cost(here, lines[0], radius, part.ground) for lines in (forward, backward)]
    ends = [float(np.hypot(*(lines[0][0] - here[-1]))) for lines in (forward, backward)]
    if min(ends) > far(planning) or min(costs) >= 1000.0:
        costs = ends
    if backwards is None:
        backwards = costs[0] > costs[1]
    lines = backward if backwards else forward
    for number, xy in enumerate(lines):
        at_end = number > 0 and float(np.hypot(*(planning.here - lines[number - 1][-1]))) < AT_END_M
        if number == 0 or not ((at_end and _straight_on(planning, part, xy)) or _past_obstacle(planning, part, xy)):
            _approach(planning, part, xy)
        side = 0
        if before is not None and planning.operation.runs_at_depth_m > 0.0:
            along, to = xy[-1] - xy[0], before - xy[0]
            side = 1 if along[0] * to[1] - along[1] * to[0] > 0.0 else -1
        add_work(planning, part, xy, side, swath=True)
    return np.asarray((lines[0][0] + lines[-1][-1]) / 2.0)


def _straight_on(planning: Planning, part: PartWork, xy: NDArray[np.float64]) -> bool:
    """Append the ground between two swaths of a bout that is crossed with nothing spread, if nothing stands in it."""
    between = np.array([planning.here, xy[0]])
    if not part.laid.part.covers(LineString(between)):
        return False
    add_way(planning, between, TURN, part.ground)
    return True


def _past_obstacle(planning: Planning, part: PartWork, xy: NDArray[np.float64]) -> bool:
    """Append a pose beside the obstacle between the last swath and the next, if the outfit can swing past
    there."""
    here, radius = planning.runs[-1].xy, planning.outfit.radius_m
    gap = LineString([here[-1], xy[0]])
    length = gap.length
    along = (xy[1] - xy[0]) / np.hypot(*(xy[1] - xy[0]))
    options = []
    for lines in part.laid.holes:
        if not closed(lines[0]) or not Polygon(lines[0]).intersects(gap):
            continue
        to = lines[0] - here[-1]
        beside = along[0] * to[:, 1] - along[1] * to[:, 0]
        for lateral in (beside.max(), beside.min()):
            middle = here[-1] + along * length / 2.0 + lateral * np.array([-along[1], along[0]])
            step = np.array([middle - along, middle + along])
            cost = turn_cost(here, step, radius, part.ground) + turn_cost(step, xy, radius, part.ground)
            options.append((cost, lateral, step))
    best = min(options, key=lambda o: o[:2]) if options else None
    if best is None or best[0] >= 1000.0:
        return False
    add_way(planning, best[2], TURN, part.ground)
    return True


def _approach(planning: Planning, part: PartWork, xy: NDArray[np.float64]) -> None:
    """Append a way along the rounds to a line that is far off, or that no turn inside the field reaches."""
    here = planning.runs[-1].xy
    apart = float(np.hypot(*(xy[0] - here[-1])))
    if apart <= far(planning):
        _, _, _, inside = joint(here, xy, (0.0, 0.0), planning.outfit.radius_m, part.ground)
        if inside:
            return
    nodes = nearest_node(part.ways, here[-1]), nearest_node(part.ways, xy[0])
    add_ways(planning, part, nodes, planning.way_leg)
