"""Work and trips: a drive grows run by run; where the load runs out it goes to the fill point and comes back."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ENTRY, EXIT, HAUL, ROAD, TURN, WORK
from trafficplan.routes.access import Entrance
from trafficplan.routes.bends import Ground, Run, cut, length_of, pieces_of
from trafficplan.routes.choice import Choice
from trafficplan.routes.haul import Ways, nearest_node, way_length, way_pieces
from trafficplan.routes.laid import Laid
from trafficplan.routes.loads import Ahead, to_headland
from trafficplan.routes.order import Bout, far_end

Source = Literal["yard", "gate", "part", "outside", "other part"]

LEAST_M = 0.02  # less work than this is not begun with what is on board
STOP_M = 0.2  # way over which the load changes where the outfit stands at a fill point in the field


@dataclass(frozen=True)
class PartWork:
    """What is to be worked in one part of a field, how it is reached, the ways in it, and where its loads come from.

    Attributes
    ----------
    source : where loads are taken on or left: the "yard", the "gate", in the "part" itself, "outside" or in the
        "other part" of the field
    fill_road : (n, 2) from the gateway to the fill point outside, or to the gateway of the part that it lies in
    fill_home : (n, 2) from a fill point outside to the yard; empty where none is known
    ground : where turns must stay
    fill_in : the other part of the field that the fill point lies in
    """

    laid: Laid
    entrance: Entrance
    ways: Ways
    source: Source
    fill_road: NDArray[np.float64]
    fill_home: NDArray[np.float64]
    ground: Ground
    fill_in: PartWork | None = None

    @property
    def way_out(self) -> int:
        """Node of the ways at which loads leave them: the fill point in the part, else the gateway."""
        return self.ways.stop if self.ways.stop is not None else 0


@dataclass
class Planning:
    """State while a drive grows: runs so far, load on board, product still needed.

    Attributes
    ----------
    kg_m : product per metre of work, 0 where the load does not change [kg/m]
    full_kg : largest load allowed; where the load grows, what the present one may grow to is limit_kg
    trips : loads so far; midway : loads that ended inside a bout
    coming : lines still to come after the present one, where the size of a load asks for them
    lasts_m : how much work the next loads are for, where a sequence of bouts says so
    far_back : for the next trips out of a bout, whether to come back by its far end; empty: by the end nearer to the fill
        point
    wait_s : time that the outfit stands before the next run
    way_leg : leg of the way to the next line: a trip's after a load was changed, else a turn
    """

    operation: Operation
    outfit: Outfit
    width_m: float
    kg_m: float
    full_kg: float
    need_kg: float
    load_kg: float
    choice: Choice
    limit_kg: float
    trips: int
    midway: int = 0
    coming: list[Bout | NDArray[np.float64]] = field(default_factory=list)
    lasts_m: list[float] = field(default_factory=list)
    far_back: list[bool] = field(default_factory=list)
    wait_s: float = 0.0
    way_leg: int = TURN
    runs: list[Run] = field(default_factory=list)

    @property
    def here(self) -> NDArray[np.float64]:
        """End of the last run."""
        return np.asarray(self.runs[-1].xy[-1])

    @property
    def empties(self) -> bool:
        """Whether the load shrinks with the work."""
        return self.operation.change == "empties"

    @property
    def room_kg(self) -> float:
        """What can still be worked with before the next trip [kg]."""
        return self.load_kg if self.empties else self.limit_kg - self.load_kg


def add_run(planning: Planning, run: Run) -> None:
    """Append a run; time that the outfit stood before it goes with it."""
    planning.runs.append(replace(run, wait_s=planning.wait_s) if planning.wait_s > 0.0 else run)
    planning.wait_s = 0.0


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
    add_run(planning, Run(xy, leg, load, load, way=way, turn_leg=leg_turn, ground=ground))


def add_ways(planning: Planning, part: PartWork, nodes: tuple[int, int], leg: int) -> None:
    """Append the way between two nodes, if there is any."""
    for piece in way_pieces(part.ways, *nodes, planning.outfit.radius_m):
        add_way(planning, piece, leg, part.ground, way=True)


def add_road(planning: Planning, line: NDArray[np.float64]) -> None:
    """Append a way on open ground outside the field."""
    if len(line) < 2:
        return
    for piece in pieces_of(line.tobytes(), planning.outfit.radius_m):
        add_way(planning, piece, ROAD, None, way=True)


def pass_gate(planning: Planning, entrance: Entrance, inbound: bool, leg: int) -> None:
    """Append the step through the gateway."""
    step = np.array([entrance.gateway_xy, entrance.gateway_xy + 2.0 * entrance.inward])
    if inbound:
        add_way(planning, step, leg, None, turn=ROAD)
    else:
        add_way(planning, step[::-1], leg, planning.runs[-1].ground)


def next_kg(planning: Planning, part: PartWork, rest: NDArray[np.float64] | None = None, swath: bool = False) -> float:
    """Return the size of the next load [kg]; `rest` is what is left of the present line, a swath or not."""
    most = min(planning.full_kg, planning.need_kg) if planning.empties else planning.full_kg
    if planning.lasts_m:
        return min(most, planning.lasts_m.pop(0) * planning.kg_m)
    if planning.choice.size != "to headland" or planning.need_kg <= planning.full_kg:
        return most
    lasts = to_headland(planning.full_kg / planning.kg_m, _ahead(planning, part, rest, swath))
    return min(most, lasts * planning.kg_m)


def _ahead(planning: Planning, part: PartWork, rest: NDArray[np.float64] | None, swath: bool) -> Iterator[Ahead]:
    """Yield the lines to come, seen from where loads leave the field; each bout is left by its other end."""
    ways, out = part.ways, part.way_out
    here = ways.xy[out]
    if rest is not None:
        here = rest[-1]
        yield Ahead(length_of(rest), way_length(ways, nearest_node(ways, here), out), swath)
    for line in planning.coming:
        if isinstance(line, Bout):
            here = far_end(line, here)
            work = sum(length_of(s.xy) for s in line.swaths)
        else:
            here = line[int(np.argmin(np.hypot(*(line - here).T)))]
            work = length_of(line)
        yield Ahead(work, way_length(ways, nearest_node(ways, here), out), isinstance(line, Bout))


def spent(planning: Planning) -> bool:
    """Tell whether no line can be begun before the next trip, though there is still work to do."""
    least = LEAST_M * planning.kg_m
    return planning.kg_m > 0.0 and planning.room_kg < least and planning.need_kg > least


def change_load(planning: Planning, part: PartWork, next_load_kg: float) -> None:
    """Take on the next load, or leave the present one; where the outfit stands in the field, over a last step there."""
    before, standing = planning.load_kg, part if part.source == "part" else part.fill_in
    if planning.empties:
        planning.load_kg = next_load_kg
    else:
        planning.load_kg, planning.limit_kg = 0.0, next_load_kg
    planning.trips += next_load_kg > 0.0
    if standing is not None:
        end = planning.runs[-1].xy[-2:]
        step = STOP_M * (end[1] - end[0]) / np.hypot(*(end[1] - end[0]))
        xy = np.array([end[1], end[1] + step])
        add_run(planning, Run(xy, HAUL, before, planning.load_kg, turn_leg=HAUL, ground=standing.ground))
    planning.wait_s += planning.choice.fill_s


def come_in(planning: Planning, part: PartWork) -> None:
    """Come from the yard into a part, over the fill point where a load has to be taken on first."""
    empty, other = planning.empties and spent(planning), part.fill_in
    if empty and part.source == "outside":
        add_road(planning, part.fill_home[::-1])
        change_load(planning, part, next_kg(planning, part))
        come_from_fill(planning, part, ENTRY)
        return
    if empty and other is not None:
        come_in_at(planning, other)
        add_ways(planning, other, (0, other.way_out), ENTRY)
        change_load(planning, part, next_kg(planning, part))
        come_from_fill(planning, part, ENTRY)
        return
    if empty and part.source in ("yard", "gate"):
        change_load(planning, part, next_kg(planning, part))
    come_in_at(planning, part)
    if empty and part.source == "part":
        add_ways(planning, part, (0, part.way_out), ENTRY)
        change_load(planning, part, next_kg(planning, part))


def come_in_at(planning: Planning, part: PartWork) -> None:
    """Come from the yard through the gateway of a part."""
    add_road(planning, part.entrance.road)
    pass_gate(planning, part.entrance, True, ENTRY)


def go_out(planning: Planning, part: PartWork, last: bool) -> None:
    """Leave a part for the yard; a load that grew is left at its fill point after the last part."""
    home = part
    if last and not planning.empties and planning.load_kg > 0.0 and part.source in ("part", "outside", "other part"):
        go_to_fill(planning, part)
        change_load(planning, part, 0.0)
        if part.source == "outside":
            add_road(planning, part.fill_home)
            return
        home = part.fill_in or part
    add_ways(planning, home, (nearest_node(home.ways, planning.here), 0), EXIT)
    pass_gate(planning, home.entrance, False, EXIT)
    add_road(planning, home.entrance.road[::-1])


def go_to_fill(planning: Planning, part: PartWork) -> None:
    """Append the way to the fill point."""
    add_ways(planning, part, (nearest_node(part.ways, planning.here), part.way_out), HAUL)
    if part.source in ("part", "gate"):
        return
    pass_gate(planning, part.entrance, False, HAUL)
    add_road(planning, part.fill_road)
    if part.fill_in is not None:
        pass_gate(planning, part.fill_in.entrance, True, HAUL)
        add_ways(planning, part.fill_in, (0, part.fill_in.way_out), HAUL)


def come_from_fill(planning: Planning, part: PartWork, leg: int) -> None:
    """Append the way from the fill point to where the ways of the part begin."""
    if part.source in ("part", "gate"):
        return
    if part.fill_in is not None:
        add_ways(planning, part.fill_in, (part.fill_in.way_out, 0), leg)
        pass_gate(planning, part.fill_in.entrance, False, leg)
    add_road(planning, part.fill_road[::-1])
    pass_gate(planning, part.entrance, True, leg)


def fetch(planning: Planning, part: PartWork, rest: NDArray[np.float64] | None = None, swath: bool = False) -> None:
    """Go to the fill point, take on a load (or leave one), and come back to where the ways begin."""
    go_to_fill(planning, part)
    change_load(planning, part, next_kg(planning, part, rest, swath))
    come_from_fill(planning, part, HAUL)
    planning.way_leg = HAUL


def begin(planning: Planning, part: PartWork) -> None:
    """Get ready for the next line: with nothing on board to work with, go to the fill point first."""
    if spent(planning):
        fetch(planning, part)
    planning.coming = planning.coming[1:]


def add_work(planning: Planning, part: PartWork, xy: NDArray[np.float64], furrow: int, swath: bool) -> None:
    """Work a line; where the load runs out (or the tank is full), make a trip and go on."""
    whole, at = xy, 0.0
    while True:
        length = length_of(xy)
        reach = planning.room_kg / planning.kg_m if planning.kg_m > 0.0 else math.inf
        done = xy if reach >= length - 0.01 else cut(xy, 0.0, max(reach, 0.02))
        used = planning.kg_m * min(length_of(done), reach)
        after = planning.load_kg - used if planning.empties else planning.load_kg + used
        if planning.kg_m == 0.0:
            after = planning.load_kg
        add_run(planning, Run(done, WORK, planning.load_kg, after, furrow=furrow, ground=part.ground))
        planning.load_kg, planning.need_kg = after, planning.need_kg - used
        planning.way_leg = TURN
        if done is xy:
            return
        worked = length_of(done)
        at += worked
        xy = cut(xy, worked, length)
        if swath:
            planning.midway += 1
            behind = cut(whole, 0.0, at)
            if _swath_trip(planning, part, xy, behind):
                _work_back(planning, part, xy[::-1], furrow, behind[::-1])
                return
        else:
            fetch(planning, part, xy)
            add_ways(planning, part, (part.way_out, nearest_node(part.ways, xy[0])), HAUL)


def _work_back(
    planning: Planning, part: PartWork, xy: NDArray[np.float64], furrow: int, behind: NDArray[np.float64]
) -> None:
    """Work the rest of a swath from its far end, then leave over the stretch that was done before."""
    add_work(planning, part, xy, -furrow, swath=True)
    if math.hypot(*(planning.here - xy[-1])) < 0.01:
        add_way(planning, behind, TURN, part.ground)


def _swath_trip(planning: Planning, part: PartWork, rest: NDArray[np.float64], done: NDArray[np.float64]) -> bool:
    """Make a trip out of a swath: on to its end, to the fill point, and back to the swath; returns whether to its far
    end.

    Unless told by which end, the way back enters the swath where that is nearer to the fill point: at the far end the
    rest is worked backwards, at the near end the way leads over what is done.
    """
    ways, out = part.ways, part.way_out
    add_way(planning, rest, HAUL, part.ground)
    near, far = nearest_node(ways, done[0]), nearest_node(ways, rest[-1])
    fetch(planning, part, rest, swath=True)
    back = way_length(ways, far, out) < way_length(ways, near, out)
    if planning.far_back:
        back = planning.far_back.pop(0)
    add_ways(planning, part, (out, far if back else near), HAUL)
    if not back:
        add_way(planning, done, HAUL, part.ground, way=False)
    return back
