"""The planned drive of one operation: in, headland rounds, swaths, turns, trips for loads, out: one
continuous line."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from trafficplan.errors import InputError, Problem
from trafficplan.farm.field import FarmTrack, Field, Place
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ENTRY, EXIT, ROAD, TURN, WORK, Note
from trafficplan.routes.access import Entrance, entrances
from trafficplan.routes.bends import (
    Ground,
    cut,
    ground_of,
    join_runs,
    joint,
    length_of,
)
from trafficplan.routes.haul import closed, field_ways, nearest_node
from trafficplan.routes.order import Bout, blocks_of, bouts_of, nearest_block
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import (
    Swath,
    along_tramlines,
    best_heading,
    headland_rounds,
    headland_width,
    skip_step,
    swaths,
    with_turning_room,
    working_width,
)
from trafficplan.routes.trips import PartWork, Planning, add_road, add_way, add_ways, add_work

ROOM_M = 1.0  # between a turn beyond the end of a swath and the boundary
MOST_TRIPS = 2000
SAME_POINT_M = 1e-3  # vertices nearer to the next one are left out


def plan_drive(
    ground: Field,
    operation: Operation,
    outfit: Outfit,
    tracks: Sequence[FarmTrack] = (),
    places: Sequence[Place] = (),
) -> Drive:
    """Plan the drive of one operation.

    Parameters
    ----------
    ground : the field; operation, outfit : what is done and with what
    tracks, places : the farm tracks, yard and the rest around the fields

    Returns
    -------
    Drive : from the yard and back to it; legs `road` outside the field

    Raises
    ------
    InputError : the job needs a load and there is none, or more than 2000 loads
    """
    width = working_width(operation, outfit)
    reached, notes = entrances(ground, operation.gateway, tracks, places)
    wide, more = headland_width(ground, operation, outfit)
    all_notes = [*notes, *more]
    parts, unreached = [], 0.0
    for part, entrance in reached:
        if entrance is None:
            unreached += part.area
            all_notes.append(
                Note(
                    "warned",
                    f"field {ground.key}: a part of {part.area / 1e4:.2f} ha",
                    "not worked",
                    "no gateway opens into it",
                    "",
                )
            )
            continue
        work, said = _part_work(ground, part, entrance, operation, width, wide, outfit.radius_m)
        parts.append(work)
        all_notes += said
    planning, said = _start(operation, outfit, width, sum(p.work_m for p in parts))
    all_notes += said
    for work in parts:
        _drive_part(planning, work)
    return _finish(ground, planning, all_notes)


def _part_work(
    ground: Field,
    part: Polygon,
    entrance: Entrance,
    operation: Operation,
    width: float,
    wide: float,
    radius: float,
) -> tuple[PartWork, tuple[Note, ...]]:
    """Lay out rounds and swaths of one part."""
    notes: list[Note] = []
    rounds = max(1, math.ceil(wide / width - 1e-6))
    outer, holes, inner = headland_rounds(part, width, rounds, radius)
    least = max(3.0, width / 3.0)
    laid: list[Swath] = []
    if operation.drive == "tramlines":
        laid = along_tramlines(ground.tramlines, inner, least)
        if not laid:
            notes.append(
                Note(
                    "assumed",
                    f"field {ground.key}: drive of {operation.job}",
                    "swaths",
                    "there are no tramlines in it",
                    "common practice, no source",
                )
            )
    if not laid:
        if operation.heading_deg is not None:
            heading = math.radians(90.0 - operation.heading_deg)
        else:
            heading = best_heading(part)
        room = inner.union(inner.buffer(width).intersection(part.buffer(-(radius + 1.0))))
        laid = swaths(inner, room, width, heading, least)
    laid = with_turning_room(laid, part, radius + ROOM_M)
    middle = next((lines for lines in outer[len(outer) // 2 :: -1] if lines), [])
    ways_rings = [*middle, *[lines[0] for lines in holes]]
    gate = entrance.gateway_xy
    ways = field_ways(part, ways_rings, laid, (float(gate[0]), float(gate[1])))
    return PartWork(part, entrance, ground_of(part), ways, outer, holes, laid), tuple(notes)


def _start(operation: Operation, outfit: Outfit, width: float, work_m: float) -> tuple[Planning, tuple[Note, ...]]:
    """Return the state at the start: how much is applied per metre, and the first load."""
    full = operation.load_kg if operation.load_kg is not None else outfit.capacity_kg
    where = f"operation {operation.key}"
    if operation.change == "constant" or operation.rate_kg_m2 is None:
        notes: tuple[Note, ...] = ()
        if operation.change != "constant":
            notes = (Note("warned", f"{where}: load", "constant", "no rate is given, so the load cannot change", ""),)
        elif operation.load_kg is None and full > 0.0:
            notes = (
                Note(
                    "assumed",
                    f"{where}: load",
                    f"{full / 1e3:.1f} t all the way",
                    "no load and no rate are given: the capacity",
                    "common practice, no source",
                ),
            )
        return Planning(operation, outfit, width, 0.0, full, 0.0, full), notes
    kg_m = operation.rate_kg_m2 * width
    need = kg_m * work_m
    if full <= 0.0 or need / full > MOST_TRIPS:
        raise InputError(
            Problem(
                "the load does not suit the rate",
                where,
                f"load {full:.0f} kg for {need:.0f} kg in all",
                f"a load above 0 and at most {MOST_TRIPS} loads",
                "give a load, or the outfit's capacity_t",
            )
        )
    first = min(full, need) if operation.change == "empties" else 0.0
    return Planning(operation, outfit, width, kg_m, full, need, first), ()


def _drive_part(planning: Planning, part: PartWork) -> None:
    """Drive one part: in, rounds, swaths, out."""
    add_road(planning, part.entrance, True, ENTRY)
    for number, lines in enumerate(part.outer):
        for xy in lines:
            _round(planning, part, xy, number > 0)
    for lines in _nearest_first(part.holes, planning):
        for xy in lines:
            _round(planning, part, xy, False)
    holes = [Polygon(ring) for ring in part.part.interiors]
    blocks = blocks_of(bouts_of(part.swaths, holes))
    in_order = planning.operation.runs_at_depth_m > 0.0
    step = skip_step(planning.width_m, planning.outfit.radius_m, in_order)
    while blocks:
        i, bouts = nearest_block(blocks, planning.here, step)
        blocks.pop(i)
        before: NDArray[np.float64] | None = None
        for bout in bouts:
            before = _bout(planning, part, bout, before)
    last = nearest_node(part.ways, planning.here)
    add_ways(planning, part, (last, 0), EXIT)
    add_road(planning, part.entrance, False, EXIT)


def _nearest_first(holes: list[list[NDArray[np.float64]]], planning: Planning) -> list[list[NDArray[np.float64]]]:
    """Return the rounds of holes, nearest hole first, each seen from the one before."""
    left, out, here = list(holes), [], planning.here
    while left:
        best = min(range(len(left)), key=lambda i: float(np.hypot(*(left[i][0] - here).T).min()))
        out.append(left.pop(best))
        here = out[-1][-1][-1]
    return out


def _far(planning: Planning) -> float:
    """Return the distance beyond which a way along the rounds is taken instead of a turn [m]."""
    return 4.0 * planning.outfit.radius_m + 3.0 * planning.width_m


def _round(planning: Planning, part: PartWork, xy: NDArray[np.float64], inner: bool) -> None:
    """Work one round: from where the turn into it is shortest, either way round."""
    radius = planning.outfit.radius_m
    apart = np.hypot(*(xy - planning.here).T)
    nearest = float(LineString(xy).project(shapely.points(planning.here)))
    if apart.min() > _far(planning):
        target = nearest_node(part.ways, cut(xy, nearest, nearest + 1.0)[0])
        add_ways(planning, part, (nearest_node(part.ways, planning.here), target), TURN)
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
    best = min(options, key=lambda line: _turn_cost(here, line, radius, part.ground))
    side = 0
    if inner and planning.operation.runs_at_depth_m > 0.0:
        side = -1 if shapely.LinearRing(best).is_ccw else 1
    add_work(planning, part, best, side, swath=False)


def _turn_cost(a: NDArray[np.float64], b: NDArray[np.float64], radius: float, ground: Ground) -> float:
    """Return the length of the turn between two lines, far more where it leaves the ground [m]."""
    _, _, turn, inside = joint(a, b, (0.0, 0.0), radius, ground)
    return length_of(turn) + (0.0 if inside else 1000.0)


def _bout(planning: Planning, part: PartWork, bout: Bout, before: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Work one bout from the nearer end; returns the middle of it, where the furrow of the next one lies."""
    radius = planning.outfit.radius_m
    here = planning.runs[-1].xy
    forward = [s.xy for s in bout.swaths]
    backward = [xy[::-1] for xy in forward[::-1]]
    costs = [_turn_cost(here, lines[0], radius, part.ground) for lines in (forward, backward)]
    ends = [float(np.hypot(*(lines[0][0] - here[-1]))) for lines in (forward, backward)]
    if min(ends) > _far(planning) or min(costs) >= 1000.0:
        costs = ends
    lines = forward if costs[0] <= costs[1] else backward
    for number, xy in enumerate(lines):
        if number == 0 or not _past_obstacle(planning, part, xy):
            _approach(planning, part, xy)
        side = 0
        if before is not None and planning.operation.runs_at_depth_m > 0.0:
            along, to = xy[-1] - xy[0], before - xy[0]
            side = 1 if along[0] * to[1] - along[1] * to[0] > 0.0 else -1
        add_work(planning, part, xy, side, swath=True)
    return np.asarray((lines[0][0] + lines[-1][-1]) / 2.0)


def _past_obstacle(planning: Planning, part: PartWork, xy: NDArray[np.float64]) -> bool:
    """Append a pose beside the obstacle between the last swath and the next, if the outfit can swing past
    there."""
    here, radius = planning.runs[-1].xy, planning.outfit.radius_m
    gap = LineString([here[-1], xy[0]])
    length = gap.length
    along = (xy[1] - xy[0]) / np.hypot(*(xy[1] - xy[0]))
    options = []
    for lines in part.holes:
        if not closed(lines[0]) or not Polygon(lines[0]).intersects(gap):
            continue
        to = lines[0] - here[-1]
        beside = along[0] * to[:, 1] - along[1] * to[:, 0]
        for lateral in (beside.max(), beside.min()):
            middle = here[-1] + along * length / 2.0 + lateral * np.array([-along[1], along[0]])
            step = np.array([middle - along, middle + along])
            cost = _turn_cost(here, step, radius, part.ground) + _turn_cost(step, xy, radius, part.ground)
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
    if apart <= _far(planning):
        _, _, _, inside = joint(here, xy, (0.0, 0.0), planning.outfit.radius_m, part.ground)
        if inside:
            return
    nodes = nearest_node(part.ways, here[-1]), nearest_node(part.ways, xy[0])
    add_ways(planning, part, nodes, TURN)


def _finish(ground: Field, planning: Planning, notes: list[Note]) -> Drive:
    """Join the runs and measure what was worked."""
    if not planning.runs:
        empty = np.empty(0)
        return Drive(
            planning.operation.key,
            np.empty((0, 2)),
            empty,
            empty,
            empty.astype(np.int8),
            empty.astype(np.int8),
            planning.width_m,
            0,
            0.0,
            ground.polygon.area,
            tuple(notes),
        )
    line = join_runs(planning.runs, planning.outfit.radius_m)
    xy = np.concatenate([p[:-1] for p in line.xy] + [line.xy[-1][-1:]])
    kept = np.append(np.hypot(*np.diff(xy, axis=0).T) > SAME_POINT_M, True)
    xy = xy[kept]
    leg, load, furrow = (
        np.concatenate([p[:-1] for p in pieces] + [pieces[-1][-1:]])[kept]
        for pieces in (line.leg, line.load_kg, line.furrow)
    )
    speed = np.where(leg[:-1] == ROAD, planning.outfit.track_m_s, planning.outfit.field_m_s)
    time = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T) / speed)])
    worked = (
        shapely.union_all(
            [LineString(r.xy).buffer(planning.width_m / 2.0, cap_style="flat") for r in planning.runs if r.leg == WORK]
        )
        .intersection(ground.polygon)
        .area
    )
    if line.outside:
        notes.append(
            Note(
                "warned",
                f"field {ground.key}: turns of {planning.operation.job}",
                f"{line.outside}",
                "so many turns of the outfit's least radius do not fit inside the field",
                "",
            )
        )
    return Drive(
        planning.operation.key,
        xy,
        time,
        load,
        leg,
        furrow,
        planning.width_m,
        planning.trips,
        float(worked),
        float(ground.polygon.area - worked),
        tuple(notes),
    )
