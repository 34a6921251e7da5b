"""The ground of Ostara Flats, drawn in metres: road, river, lanes, ditches, and the fields between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.interpolate import CubicSpline
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

Corners = Sequence[tuple[float, float]]


def curve(corners: Corners, step_m: float = 15.0) -> LineString:
    """Return a smooth line through `corners` with a vertex about every `step_m`."""
    knots = np.array(corners, dtype=float)
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T))])
    pieces = max(2, round(chainage[-1] / step_m))
    return LineString(CubicSpline(chainage, knots)(np.linspace(0.0, chainage[-1], pieces + 1)))


def blob(corners: Corners, step_m: float = 4.0) -> Polygon:
    """Return a smooth closed shape through `corners`."""
    knots = np.array([*corners, corners[0]], dtype=float)
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T))])
    pieces = max(12, round(chainage[-1] / step_m))
    at = np.linspace(0.0, chainage[-1], pieces + 1)[:-1]
    return Polygon(CubicSpline(chainage, knots, bc_type="periodic")(at))


RIVER = curve(
    [(-420, 150), (-180, 95), (40, 60), (270, -25), (520, -60), (790, 15), (1040, 105), (1290, 95), (1540, 5)]
    + [(1800, -60), (2080, -45), (2330, 20)]
)
RIVER_WIDTH_M = 17.0
ROAD = curve([(-420, 1010), (0, 962), (420, 930), (900, 944), (1400, 986), (1900, 1003), (2330, 985)], 25.0)

MAIN_LANE = curve([(948, 876), (946, 800), (951, 690), (965, 590), (966, 512)])
WEST_LANE = curve([(966, 512), (860, 512), (700, 496), (540, 472), (330, 478), (170, 474), (-30, 446)])
EAST_LANE = curve([(966, 512), (1080, 527), (1240, 514), (1440, 487), (1640, 512), (1930, 522)])
DRIVEWAY = LineString([(948, 876), (953, 910), (956, 947)])
RIVER_LANE = curve([(966, 512), (952, 400), (925, 280), (912, 175), (915, 86)])

WEST_HEDGE = curve([(58, 1010), (30, 800), (-6, 560), (-22, 380), (-8, 200), (22, 20), (60, -160)])
EAST_HEDGE = curve([(1876, 1050), (1897, 800), (1912, 560), (1896, 330), (1868, 130), (1872, -60), (1880, -200)])
NORTH_WEST_HEDGE = curve([(412, 1000), (436, 850), (489, 700), (520, 580), (532, 472)])
NORTH_EAST_HEDGE = curve([(1432, 1040), (1424, 900), (1391, 760), (1380, 620), (1386, 494)])
SOUTH_WEST_DITCH = curve([(432, 474), (440, 380), (470, 250), (462, 120), (441, -47)])
SOUTH_EAST_HEDGE = curve([(1494, 489), (1490, 400), (1517, 250), (1524, 120), (1500, -40)])
SPLIT_DITCH = curve([(1196, 521), (1202, 430), (1232, 320), (1238, 200), (1226, 107)])

YARD = Polygon([(883, 838), (1003, 846), (1000, 918), (958, 925), (884, 921)])
POND = blob([(742, 208), (775, 190), (806, 204), (812, 236), (786, 258), (752, 246)])
COPSE = blob([(1168, 728), (1212, 706), (1262, 722), (1276, 768), (1240, 801), (1190, 790), (1160, 764)])
WELL = Point(872, 884)
BRIDGE = LineString([(420, 475.2), (444, 473.2)])
DRAINS = [curve([(545, 440), (520, 380), (463, 330)]), curve([(640, 452), (560, 350), (472, 268)])]
OVERHEAD_LINE = LineString([(-60, 640), (480, 696), (1020, 752), (1290, 780), (1560, 808), (2100, 864)])
MARSH = blob([(1770, 40), (1815, -20), (1880, -40), (1910, 30), (1900, 130), (1840, 118), (1796, 88)])
ORCHARD = Polygon([(776, 834), (884, 838), (884, 921), (781, 918)])

#: Field -> a point inside each of its parts, crop, depth of the regular tillage [m], headland width [m].
FIELDS: dict[str, tuple[Corners, str, float | None, float | None]] = {
    "Road Field": ([(230, 700)], "winter wheat", None, 24.0),
    "Yard Field": ([(700, 650)], "spring barley", None, None),
    "Birch Hill": ([(1120, 620)], "winter rape", None, 24.0),
    "Mill Field": ([(1650, 750)], "winter wheat", None, 24.0),
    "Heron Meadow": ([(200, 250)], "grass", 0.0, None),
    "Oxbow": ([(680, 350)], "field beans", None, None),
    "Ditch Field": ([(1090, 350), (1370, 350)], "winter wheat", None, 24.0),
    "Sand Rise": ([(1700, 350)], "oats", None, None),
}

#: Gateway -> field, a point near it, its width [m], and the lane that leads there (an index of LANES).
GATEWAYS: dict[str, tuple[str, tuple[float, float], float, str]] = {
    "Road Field south gate": ("Road Field", (380, 484), 8.0, "West Lane"),
    "Road Field corner gate": ("Road Field", (60, 466), 6.0, "West Lane"),
    "Yard Field top gate": ("Yard Field", (940, 800), 10.0, "Main Lane"),
    "Yard Field low gate": ("Yard Field", (620, 488), 7.0, "West Lane"),
    "Birch Hill gate": ("Birch Hill", (957, 650), 8.0, "Main Lane"),
    "Mill Field gate": ("Mill Field", (1500, 494), 8.0, "East Lane"),
    "Meadow gate": ("Heron Meadow", (300, 472), 6.0, "West Lane"),
    "Oxbow lane gate": ("Oxbow", (957, 430), 7.0, "River Lane"),
    "Oxbow low gate": ("Oxbow", (914, 200), 6.0, "River Lane"),
    "Ditch Field west gate": ("Ditch Field", (1030, 519), 8.0, "East Lane"),
    "Ditch Field east gate": ("Ditch Field", (1330, 498), 7.0, "East Lane"),
    "Sand Rise gate": ("Sand Rise", (1620, 510), 7.0, "East Lane"),
}

#: Lane -> its line, surface, greatest mass [t] or None.
LANES: dict[str, tuple[LineString, str, float | None]] = {
    "Driveway": (DRIVEWAY, "asphalt", None),
    "Main Lane": (MAIN_LANE, "gravel", None),
    "West Lane": (WEST_LANE, "earth", None),
    "East Lane": (EAST_LANE, "gravel", None),
    "River Lane": (RIVER_LANE, "grass", 30.0),
}

#: Kind, name, greatest mass [t] or None, shape of whatever else lies on the map.
PLACES: list[tuple[str, str, float | None, BaseGeometry]] = [
    ("yard", "Yard", None, YARD),
    ("keep_out", "Orchard", None, ORCHARD),
    ("keep_out", "Copse", None, COPSE),
    ("keep_out", "Marsh", None, MARSH),
    ("watercourse", "Pond", None, POND),
    ("watercourse", "Ostara", None, RIVER.buffer(RIVER_WIDTH_M / 2).simplify(0.2)),
    ("watercourse", "Meadow ditch", None, SOUTH_WEST_DITCH),
    ("watercourse", "Middle ditch", None, SPLIT_DITCH),
    ("drain", "Oxbow drain 1", None, DRAINS[0]),
    ("drain", "Oxbow drain 2", None, DRAINS[1]),
    ("bridge", "Ditch bridge", 40.0, BRIDGE),
    ("public_road", "Plain road", None, ROAD),
    ("overhead_line", "Line to the mill", None, OVERHEAD_LINE),
    ("well", "Yard well", None, WELL),
]

TRAMLINE_M = 24.0
SHORTEST_TRAMLINE_M = 40.0
#: Field -> line that its tramlines run along.
TRAMLINES: dict[str, Any] = {
    "Road Field": NORTH_WEST_HEDGE.simplify(400.0),
    "Birch Hill": EAST_LANE,
    "Mill Field": NORTH_EAST_HEDGE.simplify(400.0),
    "Ditch Field": SPLIT_DITCH.simplify(12.0),
}


@dataclass(frozen=True)
class Ground:
    """Everything that lies on the map of the farm [m]."""

    fields: dict[str, Polygon | MultiPolygon]
    gateways: dict[str, Point]
    lanes: list[tuple[str, str, LineString]]
    tramlines: list[tuple[str, LineString]]


def parts_of(shape: BaseGeometry) -> list[Any]:
    """Return the parts of a shape that may have one or many."""
    return [part for part in getattr(shape, "geoms", [shape]) if not part.is_empty]


def draw_fields() -> dict[str, Polygon | MultiPolygon]:
    """Return the fields: what is left between road, river, lanes, hedges and ditches."""
    frame = Polygon([*WEST_HEDGE.coords, *reversed(EAST_HEDGE.coords)])
    south = Polygon([*RIVER.coords, (2400, -900), (-500, -900)])
    north = Polygon([*ROAD.coords, (2400, 1900), (-500, 1900)])
    taken = [
        frame.exterior.buffer(3.0),
        south,
        RIVER.buffer(RIVER_WIDTH_M / 2 + 12.0),
        north,
        ROAD.buffer(9.0),
    ]
    taken += [lane.buffer(3.5) for lane, _, _ in LANES.values()]
    taken += [line.buffer(2.5) for line in (NORTH_WEST_HEDGE, NORTH_EAST_HEDGE, SOUTH_EAST_HEDGE)]
    taken += [line.buffer(3.0) for line in (SOUTH_WEST_DITCH, SPLIT_DITCH)]
    taken += [YARD.buffer(4.0), ORCHARD.buffer(4.0), POND.buffer(5.0), COPSE.buffer(4.0), MARSH.buffer(6.0)]
    faces = parts_of(frame.difference(shapely.union_all(taken)).buffer(-6.0).buffer(6.0))
    fields: dict[str, Polygon | MultiPolygon] = {}
    for name, (seeds, _, _, _) in FIELDS.items():
        found = [next(face for face in faces if face.contains(Point(seed))).simplify(0.15) for seed in seeds]
        fields[name] = MultiPolygon(found) if len(found) > 1 else found[0]
    return fields


def draw_gateways(fields: dict[str, Polygon | MultiPolygon]) -> dict[str, Point]:
    """Return each gateway as a point on the boundary of its field."""
    gateways = {}
    for name, (field, near, _, _) in GATEWAYS.items():
        rim = fields[field].boundary
        gateways[name] = rim.interpolate(rim.project(Point(near)))
    return gateways


def draw_lanes(gateways: dict[str, Point]) -> list[tuple[str, str, LineString]]:
    """Return the lanes cut where a spur leads to a gateway, and the spurs; ends that meet are the same."""
    pieces = []
    for lane, (line, surface, _) in LANES.items():
        leads_to = [name for name, gate in GATEWAYS.items() if gate[3] == lane]
        stops = {name: line.project(gateways[name]) for name in leads_to}
        stops |= {other: line.project(Point(LANES[other][0].coords[0])) for other in meeting(lane)}
        cuts = sorted({0.0, line.length, *stops.values()})
        for number, (start, end) in enumerate(zip(cuts[:-1], cuts[1:], strict=True), start=1):
            pieces.append((f"{lane} {number}", surface, LineString(substring(line, start, end).coords)))
        for name in leads_to:
            pieces.append((f"to {name}", "earth", LineString([line.interpolate(stops[name]), gateways[name]])))
    return pieces


def meeting(lane: str) -> list[str]:
    """Return the lanes that start somewhere along `lane`."""
    line = LANES[lane][0]
    return [other for other in LANES if other != lane and line.distance(Point(LANES[other][0].coords[0])) < 1.0]


def draw_tramlines(fields: dict[str, Polygon | MultiPolygon]) -> list[tuple[str, LineString]]:
    """Return tramlines every 24 m along one edge and the headland tramline that they end at."""
    lines = []
    for name, edge in TRAMLINES.items():
        for part in parts_of(fields[name]):
            inside = part.buffer(-TRAMLINE_M / 2, join_style="mitre")
            round_the_edge = [ring for face in parts_of(inside) for ring in (face.exterior, *face.interiors)]
            lines += [(name, LineString(ring.simplify(0.5).coords)) for ring in round_the_edge]
            lines += [(name, line) for line in beside(edge, part, inside)]
    return lines


def beside(edge: LineString, part: Polygon, inside: BaseGeometry) -> list[LineString]:
    """Return the lines in `inside` along `edge` every 24 m, the first 36 m from the field's edge."""
    first, last = np.array(edge.coords[0]), np.array(edge.coords[-1])
    along = (last - first) / np.hypot(*(last - first))
    longer = LineString([first - 400 * along, *edge.coords, last + 400 * along])
    to_field = np.array(part.centroid.coords[0]) - first
    side = np.sign(along[0] * to_field[1] - along[1] * to_field[0])  # left of the edge is positive
    lines: list[LineString] = []
    for number in range(1, 60):
        away = part.distance(longer) + TRAMLINE_M * (number + 0.5)
        line = longer.offset_curve(side * away, quad_segs=4).intersection(inside)
        lines += [piece.simplify(0.2) for piece in parts_of(line) if piece.length > SHORTEST_TRAMLINE_M]
    return lines


def draw() -> Ground:
    """Return the whole ground."""
    fields = draw_fields()
    gateways = draw_gateways(fields)
    return Ground(fields, gateways, draw_lanes(gateways), draw_tramlines(fields))
