"""The map of `check --map`: soil units in colours, fields, gateways, lines and recorded tracks as they were read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import folium
import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log
from trafficplan.report.map import (
    MapParts,
    add,
    blank_map,
    draw_surroundings,
    local_line,
    map_parts,
    mark,
    name_place,
    origin_of,
    rings,
)
from trafficplan.report.words import safe, say

#: Nine light colours that colour-blind people tell apart and black text is readable on (Paul Tol, "light" scheme,
#: SRON technical note on colour schemes, 2021; from memory), in an order that puts the blues of water last.
SOIL_COLOURS = (
    "#eedd88", "#ee8866", "#44bb99", "#ffaabb", "#bbcc33", "#aaaa00", "#dddddd", "#99ddff", "#77aadd",
)  # fmt: skip

INK, TRAMLINE, RECORDED = "#1f2a30", "#5d6468", "#7a2a55"

#: A recorded track is not joined over a gap longer than this [m].
GAP_M = 60.0
#: Pieces of a soil unit in a field that get their name: at least this share of the field, at most so many.
NAMED_SHARE, MOST_NAMES = 0.06, 80


@dataclass(frozen=True)
class SoilPiece:
    """The ground of one soil unit within one field."""

    unit: str
    field: Field
    shape: MultiPolygon

    @property
    def area_ha(self) -> float:
        """Area in hectares."""
        return float(self.shape.area) / 1e4


def soil_colours(units: Sequence[str]) -> dict[str, str]:
    """Return a colour for each soil unit; after nine they begin again."""
    return {unit: SOIL_COLOURS[i % len(SOIL_COLOURS)] for i, unit in enumerate(units)}


def soil_pieces(farm: Farm) -> list[SoilPiece]:
    """Return the soil map cut to the fields; where polygons overlap the later one counts."""
    shapes = [patch.polygon for patch in farm.soil_map]
    tree = STRtree(shapes)
    pieces = []
    for field in farm.fields.values():
        found = sorted(int(i) for i in tree.query(field.polygon, predicate="intersects"))
        later: BaseGeometry = Polygon()
        cut: dict[str, list[shapely.Geometry]] = {}
        for index in reversed(found):
            own = shapes[index].intersection(field.polygon).difference(later)
            later = later.union(shapes[index])
            cut.setdefault(farm.soil_map[index].unit, []).extend(
                part for part in shapely.get_parts(own) if isinstance(part, Polygon) and part.area > 1.0
            )
        pieces += [
            SoilPiece(unit, field, MultiPolygon(_polygons(shapely.union_all(parts))))
            for unit, parts in sorted(cut.items())
            if parts
        ]
    return pieces


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon)]


def draw_understood(farm: Farm, pieces: Sequence[SoilPiece], colours: Mapping[str, str]) -> MapParts:
    """Draw a farm as it was read.

    Parameters
    ----------
    pieces : the soil map cut to the fields, drawn strong; the rest of it is drawn pale
    colours : soil unit -> colour
    """
    fields = list(farm.fields.values())
    origin = origin_of(fields)
    chart = blank_map()
    _draw_soil(chart, farm, pieces, colours, origin)
    aerial = draw_surroundings(chart, farm, origin)
    for field in fields:
        for line in field.tramlines:
            points = local_line(line.coords, origin)
            add(chart, folium.PolyLine, points, color=TRAMLINE, weight=1, dash_array="5 4", opacity=0.9,
                interactive=False, class_name="tramline")  # fmt: skip
    for log in farm.logs.values():
        for part in log_lines(log):
            points = local_line(part.coords, origin)
            add(chart, folium.PolyLine, points, color=RECORDED, weight=1.3, opacity=0.9, interactive=False,
                class_name="recorded")  # fmt: skip
    taken = _draw_fields(chart, farm, fields, origin)
    _name_soil(chart, pieces, taken, origin)
    return map_parts(chart, origin, aerial)


def _draw_soil(
    chart: folium.Map,
    farm: Farm,
    pieces: Sequence[SoilPiece],
    colours: Mapping[str, str],
    origin: tuple[float, float],
) -> None:
    """Draw the whole soil map pale, and strong where it lies in a field; pointing at it tells unit and area."""
    west, south, east, north = shapely.total_bounds([field.polygon for field in farm.fields.values()])
    reach = shapely.box(west, south, east, north).buffer(0.25 * max(east - west, north - south) + 50.0)
    for patch in farm.soil_map:
        near = patch.polygon.intersection(reach)
        for part in rings(MultiPolygon(_polygons(near)), origin):
            add(chart, folium.Polygon, part, color="#8b8577", weight=0.6, fill=True, fill_opacity=0.3,
                fill_color=colours[patch.unit], interactive=False, class_name="soil")  # fmt: skip
    for piece in pieces:
        words = (
            f"<b>{safe(piece.unit)}</b><br>{safe(say('area', piece.area_ha, farm.units))} in {safe(piece.field.key)}"
        )
        for part in rings(piece.shape, origin):
            add(chart, folium.Polygon, part, color="#5d6468", weight=0.8, fill=True, fill_opacity=0.85,
                fill_color=colours[piece.unit], class_name="soil",
                tooltip=folium.Tooltip(words, sticky=True))  # fmt: skip


def log_lines(log: Log) -> Iterator[LineString]:
    """Return a recorded track as lines, cut where it leaps, told to half a metre."""
    points = np.column_stack([log.x, log.y])
    step = np.hypot(*np.diff(points, axis=0).T)
    for run in np.split(points, np.flatnonzero(step > GAP_M) + 1):
        if len(run) > 1:
            line = LineString(run).simplify(0.5)
            if isinstance(line, LineString) and line.length > 0:
                yield line


def _draw_fields(
    chart: folium.Map, farm: Farm, fields: Sequence[Field], origin: tuple[float, float]
) -> list[tuple[float, float]]:
    """Draw outlines, names with areas, gateways; return the places that are taken by names and marks."""
    taken = [(gate.x, gate.y) for field in fields for gate in field.gateways]
    for field in fields:
        for part in rings(field.polygon, origin):
            add(
                chart,
                folium.Polygon,
                part,
                color="#ffffff",
                weight=4.5,
                fill=False,
                opacity=0.85,
                interactive=False,
            )
            add(chart, folium.Polygon, part, color=INK, weight=2.2, fill=False, opacity=1, interactive=False)
        x, y = name_place(field, [(gate.x, gate.y) for gate in field.gateways])
        taken.append((x, y))
        area = say("area", field.polygon.area / 1e4, farm.units)
        name = f'<span class="field-name">{safe(field.key)}<b>{safe(area)}</b></span>'
        mark(chart, x, y, name, "mark-field", (0, 0), origin)
        for gate in field.gateways:
            html = f'<span class="gate-mark"></span><span class="gate-name">{safe(gate.key)}</span>'
            mark(chart, gate.x, gate.y, html, "mark-gate", (16, 16), origin)
    return taken


def _name_soil(
    chart: folium.Map,
    pieces: Sequence[SoilPiece],
    taken: Sequence[tuple[float, float]],
    origin: tuple[float, float],
) -> None:
    """Write the names of the larger pieces into them, away from what stands there already."""
    used = list(taken)
    large = [one for one in pieces if one.shape.area >= NAMED_SHARE * one.field.polygon.area]
    for piece in sorted(large, key=lambda one: -one.shape.area)[:MOST_NAMES]:
        largest = max(piece.shape.geoms, key=lambda part: part.area)
        x, y = name_place(replace(piece.field, polygon=largest), used)
        used.append((x, y))
        mark(chart, x, y, f'<span class="soil-name">{safe(piece.unit)}</span>', "mark-soil", (0, 0), origin)
