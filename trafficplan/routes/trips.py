"""Work and trips: a drive grows run by run; where the load runs out it goes to the yard and comes back."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import HAUL, ROAD, TURN, WORK
from trafficplan.routes.access import Entrance
from trafficplan.routes.bends import Ground, Run, cut, length_of, smooth_pieces
from trafficplan.routes.haul import Ways, flattened, nearest_node, way_length, way_line
from trafficplan.routes.swaths import Swath


@dataclass(frozen=True)
class PartWork:
    """What is to be worked in one part of a field, and the ways in it."""

    part: Polygon
    entrance: Entrance
    ground: Ground
    ways: Ways
    outer: list[list[NDArray[np.float64]]]
    holes: list[list[NDArray[np.float64]]]
    swaths: list[Swath]

    @property
    def work_m(self) -> float:
        """Length of all work [m]."""
        rounds = [*flattened(self.outer), *flattened(self.holes)]
        return sum(length_of(xy) for xy in rounds) + sum(length_of(s.xy) for s in self.swaths)


@dataclass
class Planning:
    """State while a drive grows: runs so far, load on board, product still needed."""

    operation: Operation
    outfit: Outfit
    width_m: float
    kg_m: float
    full_kg: float
    need_kg: float
    load_kg: float
    trips: int = 1
    runs: list[Run] = field(default_factory=list)

    @property
    def here(self) -> NDArray[np.float64]:
        """End of the last run."""
        return np.asarray(self.runs[-1].xy[-1])


def add_way(
    planning: Planning,
    xy: NDArray[np.float64],
    leg: int,
    ground: Ground | None,
    way: bool = False,
    turn: int | None = None,
) -> None:
    """Append a run that carries the load unchanged."""
    load = planning.load_kg
    leg_turn = turn if turn is not None else leg
    planning.runs.append(Run(xy, leg, load, load, way=way, turn_leg=leg_turn, ground=ground))


def add_ways(planning: Planning, part: PartWork, nodes: tuple[int, int], leg: int) -> None:
    """Append the way between two nodes, if there is any."""
    line = way_line(part.ways, *nodes)
    if len(line) > 1:
        for piece in smooth_pieces(line, planning.outfit.radius_m):
            add_way(planning, piece, leg, part.ground, way=True)


def add_road(planning: Planning, entrance: Entrance, inbound: bool, leg: int) -> None:
    """Append the road and the step through the gateway."""
    gate, inward = entrance.gateway_xy, entrance.inward
    step = np.array([gate, gate + 2.0 * inward])
    road = entrance.road if inbound else entrance.road[::-1]
    pieces = smooth_pieces(road, planning.outfit.radius_m)
    if inbound:
        for piece in pieces:
            add_way(planning, piece, ROAD, None, way=True)
        add_way(planning, step, leg, None, turn=ROAD)
    else:
        add_way(planning, step[::-1], leg, planning.runs[-1].ground)
        for piece in pieces:
            add_way(planning, piece, ROAD, None, way=True)


def add_work(planning: Planning, part: PartWork, xy: NDArray[np.float64], furrow: int, swath: bool) -> None:
    """Work a line; where the load runs out (or the tank is full), make a trip and go on."""
    empties, start = planning.operation.change == "empties", xy[0]
    while True:
        length = length_of(xy)
        room = planning.load_kg if empties else planning.full_kg - planning.load_kg
        reach = room / planning.kg_m if planning.kg_m > 0.0 else math.inf
        done = xy if reach >= length - 0.01 else cut(xy, 0.0, max(reach, 0.02))
        used = planning.kg_m * min(length_of(done), reach)
        after = planning.load_kg - used if empties else planning.load_kg + used
        if planning.kg_m == 0.0:
            after = planning.load_kg
        planning.runs.append(Run(done, WORK, planning.load_kg, after, furrow=furrow, ground=part.ground))
        planning.load_kg, planning.need_kg = after, planning.need_kg - used
        if done is xy:
            return
        rest = cut(xy, length_of(done), length)
        xy = _trip(planning, part, rest, np.array(start), swath)
        if swath and math.hypot(*(xy[0] - rest[0])) > 0.01:
            _work_back(planning, part, xy, furrow, np.array(start))
            return


def _work_back(
    planning: Planning, part: PartWork, xy: NDArray[np.float64], furrow: int, start: NDArray[np.float64]
) -> None:
    """Work the rest of a swath from its far end, then leave over the part that is done."""
    add_work(planning, part, xy, -furrow, swath=True)
    if math.hypot(*(planning.here - xy[-1])) < 0.01:
        add_way(planning, np.array([xy[-1], start]), TURN, part.ground)


def _trip(
    planning: Planning, part: PartWork, rest: NDArray[np.float64], start: NDArray[np.float64], swath: bool
) -> NDArray[np.float64]:
    """Go to unload or refill and come back; returns the rest of the line in the direction in which it is
    worked.

    Out of a swath the way leads on to its end. The way back enters the swath where that is nearer to the
    gateway.
    """
    ways = part.ways
    if swath:
        add_way(planning, rest, HAUL, part.ground)
    out = nearest_node(ways, planning.here)
    add_ways(planning, part, (out, 0), HAUL)
    at_gate = planning.operation.change == "fills" and all(v.kind != "drawn" for v in planning.outfit.vehicles)
    if not at_gate:
        add_road(planning, part.entrance, False, HAUL)
    planning.trips += 1
    if planning.operation.change == "empties":
        planning.load_kg = min(planning.full_kg, planning.need_kg)
    else:
        planning.load_kg = 0.0
    if not at_gate:
        add_road(planning, part.entrance, True, HAUL)
    if not swath:
        add_ways(planning, part, (0, nearest_node(ways, rest[0])), HAUL)
        return rest
    ends = nearest_node(ways, start), nearest_node(ways, rest[-1])
    if way_length(ways, ends[1], 0) < way_length(ways, ends[0], 0):
        add_ways(planning, part, (0, ends[1]), HAUL)
        return rest[::-1]
    add_ways(planning, part, (0, ends[0]), HAUL)
    add_way(planning, np.array([start, rest[0]]), HAUL, part.ground, way=False)
    return rest
