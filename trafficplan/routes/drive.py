"""The planned drive of one operation: in, headland rounds, swaths, turns, trips for loads, out: one
continuous line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import Point

from trafficplan.errors import InputError, Problem
from trafficplan.farm.field import FarmTrack, Field, Place
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD, Note
from trafficplan.routes.access import Entrance, entrances
from trafficplan.routes.bends import Line, join_runs
from trafficplan.routes.choice import Choice
from trafficplan.routes.fill import NOWHERE, no_way, road_home, road_to
from trafficplan.routes.haul import flattened, nearest_node, way_length
from trafficplan.routes.laid import Laid, lay, ways_of, worked_of
from trafficplan.routes.lines import nearest_first, work_bout, work_round
from trafficplan.routes.loads import balanced
from trafficplan.routes.order import Bout, blocks_of, by_distance, foreseen, nearest_block
from trafficplan.routes.passes import Drive
from trafficplan.routes.refused import nothing_fits, part_left_out, problems_of
from trafficplan.routes.standing import does_not_fit, flattened_ha
from trafficplan.routes.swaths import headland_width, skip_step, turning_room, working_width
from trafficplan.routes.trips import PartWork, Planning, Source, come_in, go_out
from trafficplan.routes.visits import work_in_sequence

MOST_TRIPS = 2000
PLAIN = Choice()
SAME_POINT_M = 1e-3  # vertices nearer to the next one are left out


def plan_drive(
    ground: Field,
    operation: Operation,
    outfit: Outfit,
    tracks: Sequence[FarmTrack] = (),
    places: Sequence[Place] = (),
    choice: Choice = PLAIN,
) -> Drive:
    """Plan the drive of one operation.

    Parameters
    ----------
    ground : the field; operation, outfit : what is done and with what
    tracks, places : the farm tracks, yard and the rest around the fields
    choice : order, fill point, size of the loads, ground that may be spread

    Returns
    -------
    Drive : from the yard and back to it; legs `road` outside the field

    Raises
    ------
    InputError : a rate, width, load or choice that makes no sense; no load where one is needed, or more than 2000; the
        tramlines do not fit the working width; nothing of the outfit fits into the field; no way from a gateway to the
        fill point
    """
    wrong = problems_of(ground, operation, outfit, choice)
    if wrong:
        raise InputError(wrong)
    width = working_width(operation, outfit)
    reached, notes = entrances(ground, operation.gateway, tracks, places)
    wide, more = headland_width(ground, operation, outfit)
    all_notes = [*notes, *more]
    laid: list[tuple[Laid, Entrance]] = []
    for part, entrance in reached:
        if entrance is None:
            all_notes.append(part_left_out(ground, part, "no gateway opens into it"))
            continue
        found, said = lay(ground, part, operation, width, wide, outfit.radius_m, choice.spread_on)
        if found.misfit_m is not None:
            raise InputError(_misfit(ground, operation, outfit, tracks, places, choice, found.misfit_m))
        all_notes += said
        if found.work_m > 0.0:
            laid.append((found, entrance))
            all_notes += _beyond(ground, operation, found)
        elif choice.spread_on is None or found.part.intersects(choice.spread_on):
            all_notes.append(part_left_out(ground, part, "no round and no bout of this outfit fits into it"))
    if not laid and any(entrance is not None for _, entrance in reached):
        raise InputError(nothing_fits(ground, operation, outfit, choice))
    works = _reached(ground, laid, operation, outfit, choice, tracks, places)
    planning, said = _start(operation, outfit, width, sum(found.work_m for found, _ in laid), choice)
    all_notes += said
    for number, work in enumerate(works):
        _drive_part(planning, work, number == len(works) - 1)
    return _finish(ground, planning, [found for found, _ in laid], all_notes)


def _beyond(ground: Field, operation: Operation, laid: Laid) -> list[Note]:
    """Return a note of the ground that strips cover though it may not be worked."""
    if laid.beyond_m2 < 1.0:
        return []
    what, why = (
        f"field {ground.key}: {operation.job} beyond the ground that may be worked",
        "strips reach over its corners",
    )
    return [Note("warned", what, f"{laid.beyond_m2:.0f} m2", f"{why}: switch off or close sections there")]


def _misfit(
    ground: Field,
    operation: Operation,
    outfit: Outfit,
    tracks: Sequence[FarmTrack],
    places: Sequence[Place],
    choice: Choice,
    spacing_m: float,
) -> Problem:
    """Return the problem that tramlines do not fit, with what driving in swaths would flatten."""
    across = plan_drive(ground, replace(operation, drive="swaths"), outfit, tracks, places, choice)
    ha = flattened_ha(across, ground.tramlines, outfit)
    share = 1e6 * ha / ground.polygon.area
    flattened = f"the wheels then flatten {ha:.2f} ha of the crop, {share:.1f} % of the field"
    where = f"operation {operation.key}, field {ground.key}"
    return does_not_fit(where, working_width(operation, outfit), spacing_m, flattened)


def _reached(
    field: Field,
    laid: list[tuple[Laid, Entrance]],
    operation: Operation,
    outfit: Outfit,
    choice: Choice,
    tracks: Sequence[FarmTrack],
    places: Sequence[Place],
) -> list[PartWork]:
    """Return each part with its ways and where its loads come from.

    Raises
    ------
    InputError : no way leads from a gateway to the fill point
    """
    xy = choice.fill_xy if operation.change != "constant" else None
    reversing = choice.reversing and all(v.kind != "drawn" for v in outfit.vehicles)
    grounds = [found.ground._replace(reversing=reversing) for found, _ in laid]
    if xy is None:
        to_gate = operation.change == "fills" and all(v.kind != "drawn" for v in outfit.vehicles)
        source: Source = "gate" if to_gate else "yard"
        return [
            PartWork(found, gate, ways_of(found, gate.gateway_xy, None), source, gate.road[::-1], NOWHERE, ground)
            for (found, gate), ground in zip(laid, grounds, strict=True)
        ]
    here = Point(xy)
    own = next((k for k, (found, _) in enumerate(laid) if found.part.covers(here)), None)
    if own is None and field.polygon.covers(here):
        raise InputError(no_way(field, laid[0][1] if laid else None, xy))
    stop_in: PartWork | None = None
    if own is not None:
        found, entrance = laid[own]
        ways = ways_of(found, entrance.gateway_xy, xy)
        stop_in = PartWork(found, entrance, ways, "part", NOWHERE, NOWHERE, grounds[own])
    parts = []
    for k, (found, entrance) in enumerate(laid):
        ways = ways_of(found, entrance.gateway_xy, None)
        if stop_in is None:
            road, home = road_to(field, entrance, xy, tracks), road_home(xy, tracks, places)
            parts.append(PartWork(found, entrance, ways, "outside", road, home, grounds[k]))
        elif k == own:
            parts.append(stop_in)
        else:
            gate_xy = stop_in.entrance.gateway_xy
            road = road_to(field, entrance, (float(gate_xy[0]), float(gate_xy[1])), tracks)
            parts.append(PartWork(found, entrance, ways, "other part", road, NOWHERE, grounds[k], stop_in))
    return parts


def _start(
    operation: Operation, outfit: Outfit, width: float, work_m: float, choice: Choice
) -> tuple[Planning, tuple[Note, ...]]:
    """Return the state at the start: how much is applied per metre, and how large loads may be."""
    full = operation.load_kg if operation.load_kg is not None else outfit.capacity_kg
    where = f"operation {operation.key}"
    if operation.change == "constant" or operation.rate_kg_m2 is None:
        notes: tuple[Note, ...] = ()
        if operation.change != "constant":
            notes = (Note("warned", f"{where}: load", "constant", "no rate is given, so the load cannot change", ""),)
        elif operation.load_kg is None and full > 0.0:
            value, why = f"{full / 1e3:.1f} t all the way", "no load and no rate are given: the capacity"
            notes = (Note("assumed", f"{where}: load", value, why, "common practice, no source"),)
        return Planning(operation, outfit, width, 0.0, full, 0.0, full, choice, full, trips=1), notes
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
    if choice.size == "balanced":
        full = balanced(full, need)
    trips = 0 if operation.change == "empties" else 1  # an empty outfit takes on its first load on the way
    return Planning(operation, outfit, width, kg_m, full, need, 0.0, choice, full, trips), ()


def _drive_part(planning: Planning, part: PartWork, last: bool) -> None:
    """Drive one part: in, rounds, swaths, out."""
    laid = part.laid
    blocks = blocks_of(list(laid.bouts))
    step = skip_step(planning.width_m, planning.outfit.radius_m, _in_order(planning))
    if planning.choice.size == "to headland" and not _in_sequence(planning):
        bouts = [bout for block in _known_order(planning, part, blocks, step) for bout in block]
        planning.coming = [*flattened(laid.outer), *flattened(laid.holes), *bouts]
    come_in(planning, part)
    for number, lines in enumerate(laid.outer):
        for xy in lines:
            work_round(planning, part, xy, number > 0)
    for lines in nearest_first(laid.holes, planning):
        for xy in lines:
            work_round(planning, part, xy, False)
    if _in_sequence(planning):
        work_in_sequence(planning, part, last)
        blocks = []
    for block in _in_turn(planning, part, blocks, step):
        before: NDArray[np.float64] | None = None
        for bout in block:
            before = work_bout(planning, part, bout, before)
    go_out(planning, part, last)


def _in_sequence(planning: Planning) -> bool:
    """Tell whether bouts are driven in the sequence of least way without work: not where wheels run in a furrow."""
    return planning.choice.order == "shortest" and planning.operation.runs_at_depth_m == 0.0


def _in_order(planning: Planning) -> bool:
    """Tell whether each bout lies beside the one before."""
    return planning.operation.runs_at_depth_m > 0.0 or planning.choice.order == "neighbouring"


def _in_turn(planning: Planning, part: PartWork, blocks: list[list[Bout]], step: int) -> Iterator[list[Bout]]:
    """Yield blocks of bouts in driving order: the plain one goes on with the block nearest to where a trip ended."""
    if planning.choice.order in ("far first", "near first") or planning.choice.size == "to headland":
        yield from _known_order(planning, part, blocks, step)
        return
    left = list(blocks)
    while left:
        i, bouts = nearest_block(left, planning.here, step)
        left.pop(i)
        yield bouts


def _known_order(planning: Planning, part: PartWork, blocks: list[list[Bout]], step: int) -> list[list[Bout]]:
    """Return blocks of bouts in an order that does not depend on where trips end."""
    ways, out = part.ways, part.way_out

    def out_m(bout: Bout) -> float:
        ends = (bout.swaths[0].xy[0], bout.swaths[-1].xy[-1])
        return min(way_length(ways, nearest_node(ways, end), out) for end in ends)

    if planning.choice.order in ("far first", "near first"):
        return by_distance(blocks, step, out_m, planning.choice.order == "far first")
    return foreseen(blocks, part.entrance.gateway_xy, step)


def _finish(ground: Field, planning: Planning, laid: list[Laid], notes: list[Note]) -> Drive:
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
    waited = np.diff(np.cumsum(_waits(line))[kept], prepend=0.0)
    time = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T) / speed + waited[:-1])])
    worked = worked_of(laid, ground.polygon)
    if planning.midway and planning.choice.size == "to headland":
        what = f"field {ground.key}: loads of {planning.operation.job} to the headland"
        reach = f"a load lasts {planning.full_kg / planning.kg_m:.0f} m, less than the bout"
        notes.append(Note("warned", what, f"{planning.midway}", f"so many run out inside a bout all the same: {reach}"))
    if line.outside:
        what, why = (
            f"field {ground.key}: turns of {planning.operation.job}",
            "so many turns of the outfit's least radius do",
        )
        notes.append(Note("warned", what, f"{line.outside}", f"{why} not fit inside the field", ""))
    notes += _wider_headland(ground, planning)
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
        line.reverses,
    )


def _wider_headland(ground: Field, planning: Planning) -> list[Note]:
    """Return a note of the headland that the turns would fit on, where the one given is narrower."""
    width, radius = planning.width_m, planning.outfit.radius_m
    room = turning_room(width, radius, skip_step(width, radius, _in_order(planning)))
    if ground.headland_m is None or ground.headland_m >= room:
        return []
    what = f"field {ground.key}: headland for {planning.operation.job}"
    why = (
        f"one of {ground.headland_m:g} m is given; turns of {radius:g} m radius need this, or swing over worked ground"
    )
    return [Note("warned", what, f"{room:.1f} m", why)]


def _waits(line: Line) -> NDArray[np.float64]:
    """Return how long the outfit stands at each vertex of a line [s]."""
    first = np.cumsum([0] + [len(xy) - 1 for xy in line.xy])
    waits = np.zeros(first[-1] + 1)
    np.add.at(waits, first[:-1], line.wait_s)
    return waits
