"""Maps of an audit for paper and screen: chance of lasting damage over the farm, and field by field; no script.

Plain SVG in metres of the farm's CRS; every field's picture is in the page once and used by both maps.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Mapping

import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_rgb
from numpy.typing import NDArray
from PIL import Image
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.decide.farm_account import FarmAccount
from trafficplan.farm.field import Field
from trafficplan.report.charts import INK, QUIET
from trafficplan.report.legend import MEASURES, UNTOUCHED_COLOUR, step_colours
from trafficplan.report.picture import Picture, decode
from trafficplan.report.words import CHANCE_WORDS, figure, safe, unit_of
from trafficplan.units import FOOT

#: Worst places that the farm's map numbers.
NUMBERED = 5
#: Farm's map: width, and least and greatest height [units of the drawing].
WIDE, LOW, HIGH = 1000.0, 330.0, 600.0
#: Field's map: width and greatest height.
FIELD_WIDE, FIELD_HIGH = 400.0, 420.0
TRACK, WATER = "#a39a88", "#3f6f94"

_LASTING = MEASURES["lasting"]


class _Sheet:
    """Metres of the CRS laid on a drawing: north is up."""

    def __init__(self, bounds: tuple[float, float, float, float], wide: float, low: float, high: float) -> None:
        west, south, east, north = bounds
        span = max(east - west, 1.0), max(north - south, 1.0)
        self.scale = min(wide / span[0], high / span[1])
        self.width = wide
        self.height = max(low, span[1] * self.scale)
        self.west = (west + east) / 2 - wide / self.scale / 2
        self.north = north + (self.height / self.scale - span[1]) / 2

    def x(self, east: float) -> float:
        """Return a place on the drawing, to a tenth."""
        return round((east - self.west) * self.scale, 1)

    def y(self, north: float) -> float:
        """Return a place on the drawing, to a tenth."""
        return round((self.north - north) * self.scale, 1)


def field_image(picture: Picture, index: int) -> Markup:
    """Return a field's picture as an SVG symbol that maps use: its colours are the steps of the chance."""
    values = decode(picture)
    edges = np.array([1e-9, *(upper - 1e-6 for upper in _LASTING.breaks)])
    steps = np.searchsorted(edges, np.nan_to_num(values), side="right").astype(np.uint8)
    steps[np.isnan(values)] = len(_LASTING.breaks) + 2
    rows, cols = values.shape
    return Markup(
        f'<symbol id="chance-{index}" viewBox="0 0 {cols} {rows}" preserveAspectRatio="none">'
        f'<image width="{cols}" height="{rows}" href="data:image/png;base64,{_png(steps)}"/></symbol>'
    )


def _png(steps: NDArray[np.uint8]) -> str:
    colours = [UNTOUCHED_COLOUR, *step_colours(_LASTING), "#ffffff"]
    image = Image.fromarray(steps, mode="P")
    image.putpalette([round(255 * part) for colour in colours for part in to_rgb(colour)])
    target = io.BytesIO()
    image.save(target, "PNG", compress_level=9, transparency=len(colours) - 1, bits=4)
    return base64.b64encode(target.getvalue()).decode()


def farm_map(account: FarmAccount, pictures: Mapping[str, Picture]) -> Markup:
    """Return the map of the whole farm: chance of lasting damage, fields by name, worst places by number."""
    fields = [account.farm.fields[one.field] for one in account.fields]
    bounds = np.array([field.polygon.bounds for field in fields])
    whole = (*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0))
    sheet = _Sheet((whole[0], whole[1], whole[2], whole[3]), WIDE, LOW, HIGH)
    parts = [*_surroundings(sheet, account)]
    for index, field in enumerate(fields):
        parts.append(_used(sheet, pictures[field.key], index))
        parts.append(_outline(sheet, field.polygon))
    small = 10.0 if len(fields) > 25 else 15.0
    for field in fields:
        point = field.polygon.representative_point()
        parts.append(_text(sheet.x(point.x), sheet.y(point.y), field.key, small, "middle", bold=True))
    for number, place in enumerate(account.worst[:NUMBERED], 1):
        x, y = sheet.x(place.x), sheet.y(place.y)
        parts.append(Markup(f'<circle cx="{x}" cy="{y}" r="10" fill="{INK}" stroke="#fff" stroke-width="1.5"/>'))
        parts.append(
            Markup(
                f'<text x="{x}" y="{y + 4.5}" font-size="13" font-weight="700" fill="#fff" text-anchor="middle">'
                f"{number}</text>"
            )
        )
    parts.append(_bar(sheet, account.farm.units, sheet.height + 22))
    parts.append(_legend(sheet.height + 44))
    words = "Chance of lasting damage over the farm"
    return _drawing(sheet, sheet.height + 84, words, parts)


def field_map(account: FarmAccount, field: Field, picture: Picture, index: int) -> Markup:
    """Return the map of one field."""
    sheet = _Sheet(field.polygon.bounds, FIELD_WIDE, 60.0, FIELD_HIGH)
    parts = [_used(sheet, picture, index), _outline(sheet, field.polygon)]
    for gate in field.gateways:
        x, y = sheet.x(gate.x), sheet.y(gate.y)
        parts.append(
            Markup(
                f'<rect x="{x - 5}" y="{y - 5}" width="10" height="10" fill="#fff" stroke="{INK}" stroke-width="2" '
                f'transform="rotate(45 {x} {y})"/>'
            )
        )
    parts.append(_bar(sheet, account.farm.units, sheet.height + 24))
    return _drawing(sheet, sheet.height + 36, f"Chance of lasting damage in {field.key}", parts)


def _drawing(sheet: _Sheet, height: float, words: str, parts: Iterable[Markup]) -> Markup:
    return Markup(
        f'<svg class="chart" role="img" aria-label="{safe(words)}" viewBox="-12 -12 {sheet.width + 24:g} {height + 12:g}">'
        f"{Markup('').join(parts)}</svg>"
    )


def _used(sheet: _Sheet, picture: Picture, index: int) -> Markup:
    west, south, east, north = picture.bounds
    x, y = sheet.x(west), sheet.y(north)
    return Markup(
        f'<use href="#chance-{index}" x="{x}" y="{y}" width="{round((east - west) * sheet.scale, 1)}" '
        f'height="{round((north - south) * sheet.scale, 1)}"/>'
    )


def _rings(sheet: _Sheet, shape: Polygon | MultiPolygon) -> str:
    parts = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return " ".join(f"M{_line(sheet, ring.coords)}Z" for ring in rings)


def _line(sheet: _Sheet, coordinates: Iterable[tuple[float, ...]]) -> str:
    return "L".join(f"{sheet.x(one[0])} {sheet.y(one[1])}" for one in coordinates)


def _outline(sheet: _Sheet, shape: Polygon | MultiPolygon) -> Markup:
    return Markup(f'<path d="{_rings(sheet, shape)}" fill="none" stroke="{INK}" stroke-width="1.6"/>')


def _surroundings(sheet: _Sheet, account: FarmAccount) -> list[Markup]:
    """Return farm tracks, watercourses and yards, clipped to the drawing."""
    parts = [
        Markup(f'<path d="M{_line(sheet, track.line.coords)}" fill="none" stroke="{TRACK}" stroke-width="2.5"/>')
        for track in account.farm.tracks
    ]
    for place in account.farm.places:
        colour = WATER if place.kind in ("watercourse", "drain") else TRACK
        if isinstance(place.shape, LineString):
            parts.append(
                Markup(
                    f'<path d="M{_line(sheet, place.shape.coords)}" fill="none" stroke="{colour}" stroke-width="2"/>'
                )
            )
        elif place.kind in ("yard", "watercourse"):
            parts.append(Markup(f'<path d="{_rings(sheet, place.shape)}" fill="{colour}" fill-opacity="0.35"/>'))
    return parts


def _text(x: float, y: float, text: str, size: float, anchor: str, bold: bool = False, colour: str = INK) -> Markup:
    """Return a text with a white halo."""
    weight = ' font-weight="700"' if bold else ""
    return Markup(
        f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" text-anchor="{anchor}"{weight} fill="{colour}" stroke="#fff" '
        f'stroke-width="{size / 4:g}" stroke-linejoin="round" paint-order="stroke">{safe(text)}</text>'
    )


def _bar(sheet: _Sheet, units: str, y: float) -> Markup:
    """Return a scale bar; north is up."""
    unit = 1.0 if units == "metric" else FOOT
    most = sheet.width / sheet.scale / 4 / unit
    power = 10.0 ** math.floor(math.log10(max(most, 1.0)))
    length = max(power * lead for lead in (1.0, 2.0, 5.0) if power * lead <= max(most, 1.0)) * unit
    width = round(length * sheet.scale, 1)
    words = f"{figure('length', length, units)} {unit_of('length', units)}, north is up"
    size = 14.0 if sheet.width > FIELD_WIDE else 15.0
    return Markup(f'<path d="M0 {y:g}h{width}" stroke="{INK}" stroke-width="3"/>') + _text(
        width + 8, y + 5, words, size, "start", colour=QUIET
    )


def _legend(y: float) -> Markup:
    """Return the colours of the chance with their words and bounds, in two rows."""
    uppers = [upper for upper, _ in CHANCE_WORDS[:-1]]
    bounds = ["", *(f"to {upper:g}" for upper in uppers), f"over {uppers[-1]:g}"]
    words = ["no load reached here", *(word for _, word in CHANCE_WORDS)]
    parts = [Markup("")]
    for i, (colour, word, bound) in enumerate(
        zip([UNTOUCHED_COLOUR, *step_colours(_LASTING)], words, bounds, strict=True)
    ):
        x, top = (i % 4) * 250, y + (i // 4) * 24
        parts.append(
            Markup(
                f'<rect x="{x}" y="{top:g}" width="22" height="14" fill="{colour}" stroke="{QUIET}" stroke-width="0.6"/>'
            )
        )
        parts.append(_text(x + 30, top + 12, f"{word} {bound}".strip(), 14, "start"))
    return Markup("").join(parts)
