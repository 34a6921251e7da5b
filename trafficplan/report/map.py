"""The map of the report: folium without a network, in local metres, all but the layers drawn on it.

The layers themselves are small pictures that the page's script colours (see picture.py and page.js).
"""

from __future__ import annotations

import base64
import importlib.metadata
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import folium
from branca.element import Figure, MacroElement
from folium.raster_layers import ImageOverlay
from folium.template import Template
from shapely import LineString, MultiPolygon, Point, Polygon

from trafficplan.assess.summary import WorstPlace
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, Place
from trafficplan.report.aerial import aerial_image
from trafficplan.report.words import safe

#: A picture of one clear pixel: Leaflet asks for a marker's picture even where none is drawn.
_CLEAR = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAC"
    "hwGA60e6kgAAAABJRU5ErkJggg=="
)

#: How the ground around the fields is drawn: kind -> Leaflet path options.
PLACE_STYLES: dict[str, dict[str, object]] = {
    "watercourse": {"color": "#3f6f94", "weight": 3, "fill_color": "#8fb3cc", "fill_opacity": 0.6},
    "yard": {"color": "#6b655a", "weight": 1, "fill_color": "#cfc8b8", "fill_opacity": 0.9},
    "keep_out": {
        "color": "#6b655a",
        "weight": 1.5,
        "dash_array": "2 4",
        "fill_color": "#d9d4c7",
        "fill_opacity": 0.5,
    },
    "overhead_line": {"color": "#4b3f63", "weight": 2, "dash_array": "10 4 2 4"},
    "public_road": {"color": "#8b8577", "weight": 5},
    "drain": {"color": "#3f6f94", "weight": 1.5, "dash_array": "1 4"},
    "bridge": {"color": "#1f2a30", "weight": 6},
    "well": {"color": "#3f6f94", "weight": 2, "fill_color": "#8fb3cc", "fill_opacity": 0.9},
}


@dataclass(frozen=True)
class MapParts:
    """The rendered map, ready to be placed on a page.

    `head` loads Leaflet from data in the file, `body` is the empty map, `script` draws it, `name` is its
    variable,
    `origin` the west and south of the local metres in the farm's CRS, `aerial` whether a background image is
    drawn.
    """

    head: str
    body: str
    script: str
    name: str
    origin: tuple[float, float]
    aerial: bool


class _OfflineMap(folium.Map):
    """A folium map whose Leaflet travels in the file."""

    default_js: list[tuple[str, str]] = []
    default_css: list[tuple[str, str]] = []


class _ClearMarkers(MacroElement):
    """Stops Leaflet from asking for the files of its own marker pictures."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "delete L.Icon.Default.prototype._getIconUrl;"
        "L.Icon.Default.mergeOptions({iconUrl: '"
        + _CLEAR
        + "', iconRetinaUrl: '"
        + _CLEAR
        + "', shadowUrl: '"
        + _CLEAR
        + "'});"
        "{% endmacro %}"
    )


@cache
def _leaflet() -> tuple[str, str]:
    """Return Leaflet's script and style sheet as data addresses; its pictures are inside."""
    files = {Path(str(file)).name: file for file in importlib.metadata.files("xstatic-leaflet") or ()}
    script = re.sub(r"//# sourceMappingURL=\S+", "", files["leaflet.js"].read_text(encoding="utf-8"))
    style = files["leaflet.css"].read_text(encoding="utf-8")

    def inside(match: re.Match[str]) -> str:
        data = base64.b64encode(files[match.group(1)].read_binary()).decode()
        return f"url(data:image/png;base64,{data})"

    style = re.sub(r"url\(images/([\w-]+\.png)\)", inside, style)
    script_data, style_data = (base64.b64encode(text.encode()).decode() for text in (script, style))
    return f"data:text/javascript;base64,{script_data}", f"data:text/css;base64,{style_data}"


def origin_of(fields: Iterable[Field]) -> tuple[float, float]:
    """Return the origin of the local metres: the south-west corner of all fields, down to whole 100 m."""
    bounds = [field.polygon.bounds for field in fields]
    west, south = (float(min(box[axis] for box in bounds) // 100 * 100) for axis in (0, 1))
    return west, south


def local_line(points: Iterable[Sequence[float]], origin: tuple[float, float]) -> list[list[float]]:
    """Return points as [y, x] in local metres, to the decimetre."""
    return [[round(point[1] - origin[1], 1), round(point[0] - origin[0], 1)] for point in points]


def rings(shape: Polygon | MultiPolygon, origin: tuple[float, float]) -> list[list[list[list[float]]]]:
    """Return polygons as lists of rings (outer first) in local metres."""
    parts = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    return [
        [local_line(ring.coords, origin) for ring in (part.exterior, *part.interiors)]
        for part in parts
        if not part.is_empty
    ]


def blank_map() -> folium.Map:
    """Return an empty map in local metres whose Leaflet travels in the file."""
    leaflet_script, leaflet_style = _leaflet()
    chart = _OfflineMap(
        location=[0.0, 0.0],
        tiles=None,
        crs="Simple",
        zoom_start=-1,
        zoom_snap=0.25,
        zoom_delta=0.5,
        attribution_control=False,
        scroll_wheel_zoom=False,
        max_zoom=4,
    )
    chart.options["min_zoom"] = -6
    chart.default_js = [("leaflet", leaflet_script)]
    chart.default_css = [("leaflet_css", leaflet_style)]
    add(chart, _ClearMarkers)
    return chart


def draw_map(farm: Farm, fields: Sequence[Field], worst: Sequence[WorstPlace]) -> MapParts:
    """Draw outlines, gateways, farm tracks, places, names and the numbered worst places of a farm.

    Parameters
    ----------
    farm : for the ground around the fields and the background image
    fields : in the order of the report
    worst : numbered from 1 as given
    """
    origin = origin_of(fields)
    chart = blank_map()
    aerial = draw_surroundings(chart, farm, origin)
    taken = [(place.x, place.y) for place in worst]
    for index, field in enumerate(fields):
        _draw_field(chart, field, index, taken, origin)
    for number, spot in enumerate(worst, 1):
        beside = " beside" if spot.zone == "gateway" else ""
        mark(
            chart,
            spot.x,
            spot.y,
            f'<span class="worst-mark{beside}">{number}</span>',
            "mark-worst",
            (24, 24),
            origin,
        )
    return map_parts(chart, origin, aerial)


def draw_surroundings(chart: folium.Map, farm: Farm, origin: tuple[float, float]) -> bool:
    """Draw the background image, places and farm tracks; tell whether there is an image."""
    aerial = aerial_image(farm.aerial, farm.crs) if farm.aerial else None
    if aerial:
        west, south, east, north = aerial.bounds
        box = [[south - origin[1], west - origin[0]], [north - origin[1], east - origin[0]]]
        ImageOverlay(aerial.address, box, opacity=0.75, pane="tilePane", pixelated=False).add_to(chart)
    for place in farm.places:
        _draw_place(chart, place, origin)
    for track in farm.tracks:
        line = local_line(track.line.coords, origin)
        add(chart, folium.PolyLine, line, color="#ffffff", weight=6, opacity=0.9, interactive=False)
        add(chart, folium.PolyLine, line, color="#8a7f6c", weight=3, opacity=1.0, interactive=False)
    return aerial is not None


def add(chart: folium.Map, element: Any, *values: object, **options: object) -> None:
    """Make an element of folium (its classes are partly untyped) and put it on the map."""
    element(*values, **options).add_to(chart)


def _draw_place(chart: folium.Map, place: Place, origin: tuple[float, float]) -> None:
    """Draw one place around the fields."""
    style = PLACE_STYLES.get(place.kind, {"color": "#6b655a", "weight": 1.5})
    if isinstance(place.shape, LineString):
        stroke = {key: value for key, value in style.items() if not key.startswith("fill")}
        line = local_line(place.shape.coords, origin)
        add(chart, folium.PolyLine, line, fill=False, interactive=False, **stroke)
        return
    for part in rings(place.shape, origin):
        add(chart, folium.Polygon, part, fill="fill_color" in style, interactive=False, **style)
    if place.kind in {"yard", "well"}:
        centre = place.shape.representative_point()
        html = f'<span class="ground-name">{safe(place.key)}</span>'
        mark(chart, centre.x, centre.y, html, "mark-ground", (0, 0), origin)


def _draw_field(
    chart: folium.Map,
    field: Field,
    index: int,
    taken: Sequence[tuple[float, float]],
    origin: tuple[float, float],
) -> None:
    """Draw outline, name and gateways of one field."""
    for part in rings(field.polygon, origin):
        add(chart, folium.Polygon, part, color="#1f2a30", weight=1.6, fill=False, interactive=False)
    x, y = name_place(field, [*taken, *((gate.x, gate.y) for gate in field.gateways)])
    mark(chart, x, y, f'<span class="field-name">{safe(field.key)}</span>', "mark-field", (0, 0), origin)
    for place, gateway in enumerate(field.gateways):
        html = (
            f'<span class="gate-mark"></span><span class="gate-name">{safe(gateway.key)}'
            f'<b data-field="{index}" data-gateway="{place}"></b></span>'
        )
        mark(chart, gateway.x, gateway.y, html, "mark-gate", (16, 16), origin)


def name_place(field: Field, taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return where a field's name stands: inside, near the middle, away from marks that are already there."""
    west, south, east, north = field.polygon.bounds
    middle = field.polygon.representative_point()
    steps = [share / 8 for share in range(1, 8)]
    spots = [Point(west + (east - west) * across, south + (north - south) * up) for up in steps for across in steps]
    inside = [spot for spot in spots if field.polygon.contains(spot)] or [middle]
    room = 0.3 * min(east - west, north - south)

    def worth(spot: Point) -> float:
        # Names are wide and low: a mark to the side must be further away than one above.
        gaps = (math.hypot((spot.x - x) / 2, spot.y - y) for x, y in taken)
        return min(room, min(gaps, default=room)) - 0.2 * spot.distance(middle)

    best = max(inside, key=worth)
    return best.x, best.y


def mark(
    chart: folium.Map,
    x: float,
    y: float,
    html: str,
    name: str,
    size: tuple[int, int],
    origin: tuple[float, float],
) -> None:
    """Place a piece of HTML at a point."""
    icon = folium.DivIcon(html=html, class_name=name, icon_size=size, icon_anchor=(size[0] // 2, size[1] // 2))
    location = local_line([(x, y)], origin)[0]
    folium.Marker(location, icon=icon, interactive=False, keyboard=False).add_to(chart)


def map_parts(chart: folium.Map, origin: tuple[float, float], aerial: bool) -> MapParts:
    """Render the map; folium's random ids are numbered in order: the same map gives the same bytes."""
    root = chart.get_root()
    assert isinstance(root, Figure)
    root.render()
    texts = [root.header.render(), root.html.render(), root.script.render(), chart.get_name()]
    numbers: dict[str, str] = {}

    def numbered(match: re.Match[str]) -> str:
        return numbers.setdefault(match.group(0), f"{len(numbers) + 1}")

    # Data addresses hold no run of exactly 32 hex digits between other signs, ids do.
    head, body, script, name = (re.sub(r"(?<=_)[0-9a-f]{32}\b", numbered, text) for text in texts)
    head = re.sub(r'<meta name="viewport".*?/>', "", head, flags=re.DOTALL)
    head = re.sub(r"<style>html, body.*?</style>|<style>#map \{.*?</style>", "", head, flags=re.DOTALL)
    return MapParts(head, body, script, name, origin, aerial)
