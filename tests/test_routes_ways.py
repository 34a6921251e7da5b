"""Shortest ways for loads against every way tried by hand, mirrored fields, and coverage of the sample farm."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
import shapely
from routes_farm import field, operation, outfit
from shapely import LineString, Point, Polygon, box
from shapely.affinity import scale

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import FarmTrack, Place
from trafficplan.inputs.farm import read_farm
from trafficplan.names import ROAD
from trafficplan.routes.access import entrances, track_network, way_over_tracks
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.haul import Ways, field_ways, way_length, way_line
from trafficplan.routes.swaths import Swath
from trafficplan.routes.tell import coverage, efficiency, loads_kg, ways_m

SAMPLE = Path(__file__).resolve().parents[1] / "sample_fields" / "ostara_flats"
SPREAD = operation(rate_kg_m2=3.0, change="empties")

# A network drawn by hand: two loops of lanes with a shortcut; lengths follow from the points (3-4-5 triangles).
LANES = {
    "yard": [(0, 0), (300, 0)],
    "south": [(300, 0), (900, 0)],
    "short": [(300, 0), (600, 400)],
    "north": [(600, 400), (900, 0)],
    "far": [(600, 400), (600, 700), (1200, 700)],
    "dead end": [(900, 0), (900, -200)],
}


def every_way(graph: nx.Graph, a: object, b: object) -> float:
    """The least length of all simple paths between two nodes, tried one by one."""
    lengths = [nx.path_weight(graph, path, "weight") for path in nx.all_simple_paths(graph, a, b)]
    return min(lengths, default=math.inf)


def hand_drawn() -> nx.Graph:
    return track_network([FarmTrack(key, LineString(points), "gravel") for key, points in LANES.items()])


def test_shortest_way_over_lanes_is_the_least_of_all_ways() -> None:
    graph = hand_drawn()
    nodes = sorted(graph.nodes)
    for a, b in itertools.combinations(nodes, 2):
        line = way_over_tracks(graph, a, b, 15.0)
        assert line is not None
        assert LineString(line).length == pytest.approx(every_way(graph, a, b), abs=1e-6)
    # by hand: 300 m, then 500 + 500 m over the shortcut or 600 m straight on; then 200 m
    line = way_over_tracks(graph, (0.0, 0.0), (900.0, -200.0), 15.0)
    assert line is not None and LineString(line).length == pytest.approx(300.0 + 600.0 + 200.0)
    line = way_over_tracks(graph, (0.0, 0.0), (1200.0, 700.0), 15.0)
    assert line is not None and LineString(line).length == pytest.approx(300.0 + 500.0 + 300.0 + 600.0)


def test_lanes_that_do_not_meet_have_no_way() -> None:
    apart = [
        FarmTrack("a", LineString([(0, 0), (100, 0)]), "earth"),
        FarmTrack("b", LineString([(200, 0), (300, 0)]), ""),
    ]
    assert way_over_tracks(track_network(apart), (0.0, 0.0), (300.0, 0.0), 15.0) is None


def test_road_to_the_nearer_gateway_is_the_least_of_all_ways() -> None:
    tracks = [FarmTrack(key, LineString(points), "gravel") for key, points in LANES.items()]
    yard = Place("yard", "yard", Point(0, 0).buffer(5))
    ground = field(box(850, -420, 1150, -200), ((900.0, -200.0), (1100.0, -200.0)))
    ((_, entrance),), _ = entrances(ground, None, tracks, [yard])
    assert entrance is not None and entrance.gateway.key == "gate 0"
    assert LineString(entrance.road).length == pytest.approx(1100.0, abs=1.0)


def small_ways() -> Ways:
    """One round of 60 m x 40 m and two bouts inside it, a gateway south, a heap on the second bout."""
    ring = np.array([(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0), (0.0, 0.0)])
    bouts = [Swath(np.array([(8.0, y), (52.0, y)]), k, 8.0, 52.0) for k, y in enumerate((14.0, 26.0))]
    return field_ways(box(-6, -6, 66, 46), [ring], bouts, (30.0, -6.0), (30.0, 27.0))


def test_ways_in_the_field_are_the_least_of_all_ways() -> None:
    ways = small_ways()
    assert ways.stop is not None
    assert ways.xy[ways.stop] == pytest.approx([30.0, 26.0])
    few = nx.Graph(ways.graph)
    for a, b in [(0, ways.stop), (0, 5), (3, ways.stop), (ways.stop, 8), (2, 9)]:
        least = nx.dijkstra_path_length(few, a, b)
        tried = min(nx.path_weight(few, path, "weight") for path in itertools.islice(_paths(few, a, b, least), 20000))
        assert way_length(ways, a, b) == pytest.approx(tried, abs=1e-9)
        line = way_line(ways, a, b)
        assert len(line) < 2 or LineString(line).length <= least + 1e-9


def _paths(graph: nx.Graph, a: int, b: int, least: float) -> itertools.chain[list[int]]:
    """All simple paths that are not longer than twice the least one, found by trying each step."""

    def walk(path: list[int], length: float) -> list[list[int]]:
        if length > 1.3 * least + 1e-9:
            return []
        if path[-1] == b:
            return [path]
        steps = ((n, graph.edges[path[-1], n]["weight"]) for n in graph[path[-1]] if n not in path)
        return [found for n, weight in steps for found in walk([*path, n], length + weight)]

    return itertools.chain(walk([a], 0.0))


SHAPES = {
    "box": (box(0, 0, 260, 180), (130.0, 0.0)),
    "irregular": (Polygon([(0, 0), (250, -14), (300, 120), (170, 230), (10, 190)]), (60.0, -3.36)),
    "L": (Polygon([(0, 0), (300, 0), (300, 120), (140, 130), (130, 260), (0, 240)]), (60.0, 0.0)),
}


@pytest.mark.parametrize("order", ["skip", "far first"])
@pytest.mark.parametrize("shape", SHAPES)
def test_mirrored_fields_give_mirrored_drives(shape: str, order: str) -> None:
    polygon, (x, y) = SHAPES[shape]
    choice = Choice(order=order)  # type: ignore[arg-type]
    here = plan_drive(field(polygon, ((x, y),)), SPREAD, outfit(12.0, 6.5), choice=choice)
    there = plan_drive(
        field(scale(polygon, -1, 1, origin=(0, 0)), ((-x, y),)), SPREAD, outfit(12.0, 6.5), choice=choice
    )
    a, b = ways_m(here), ways_m(there)
    # work and loads are alike but for how corners are drawn; where either way into the first round is as short, turns and
    # trips differ by where rounds begin
    assert a.work == pytest.approx(b.work, rel=1e-5)
    assert loads_kg(here) == pytest.approx(loads_kg(there), abs=1.0)
    assert a.turning + a.haul == pytest.approx(b.turning + b.haul, rel=0.02)
    assert here.worked_m2 == pytest.approx(there.worked_m2, rel=1e-4)


@lru_cache
def sample() -> Farm:
    return read_farm(SAMPLE)


@pytest.mark.parametrize(
    ("name", "least"),
    [("Road Field", 0.995), ("Yard Field", 0.995), ("Mill Field", 0.995), ("Heron Meadow", 0.995), ("Oxbow", 0.995),
     ("Ditch Field", 0.995), ("Sand Rise", 0.995), ("Birch Hill", 0.994)],
)  # fmt: skip
def test_sample_fields_are_spread_all_over(name: str, least: float) -> None:
    # Birch Hill has a tongue 13 m wide in which no outfit with a trailer turns: it stays unspread, and is told
    farm = sample()
    (dung,) = [one for one in farm.operations if one.key == "yard-dung"]
    ground, rig = farm.fields[name], farm.outfits["spreader"]
    drive = plan_drive(ground, replace(dung, field=name, gateway=None), rig, farm.tracks, farm.places)
    found = coverage(drive, ground)
    assert found.worked_m2 / found.ground_m2 >= least
    if name == "Birch Hill":
        assert found.missed[0].area_m2 > 400.0 and "too narrow" in found.missed[0].why
    # spread twice where bouts end at a slanting headland, and where the last bout overlaps: between 2 and 5 %
    assert 0.02 < found.doubled_m2 / found.ground_m2 < 0.05
    assert found.beyond_m2 < 5.0
    assert loads_kg(drive).sum() == pytest.approx(dung.rate_kg_m2 * drive.width_m * ways_m(drive).work, rel=5e-3)
    # what is spread on each square metre, once or twice, is the rate: worked and doubled ground together
    spread = found.worked_m2 + found.doubled_m2
    assert loads_kg(drive).sum() == pytest.approx(dung.rate_kg_m2 * spread, rel=5e-3)
    # field efficiency without trips: manure spreaders 0.60-0.63, fertiliser spreaders 0.68-0.70 (Iowa State A3-24,
    # PM 696), 0.60-0.80 (ASABE D497, memory)
    assert 0.60 <= efficiency(drive, trips=False) <= 0.80
    if not any("do not fit" in note.why for note in drive.notes):  # two fields have a tongue with one such turn
        assert shapely.distance(shapely.points(drive.xy[drive.leg != ROAD]), ground.polygon).max() < 3.0
