"""Maps of an audit for paper and screen: chance of lasting damage over the farm, and field by field; no script.

Plain SVG in metres of the farm's CRS; every field's picture is in the page once and used by both maps.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_rgb
from numpy.typing import NDArray
from PIL import Image
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.assess.summary import WorstPlace
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
#: Fields that cover less of their common box than this are laid side by side, under a line of this height.
SCATTERED, LABEL = 0.05, 22.0
#: Field's map: width and greatest height.
FIELD_WIDE, FIELD_HIGH = 400.0, 330.0
TRACK, WATER = "#a39a88", "#3f6f94"

_LASTING = MEASURES["lasting"]


@dataclass(frozen=True)
class _Sheet:
    """Metres of the CRS laid on a drawing, north up: `scale` units a metre; the corner `west`, `north` at `left`, `top`."""

    scale: float
    west: float
    north: float
    width: float
    height: float
    left: float = 0.0
    top: float = 0.0

    def x(self, east: float) -> float:
        """Return a place on the drawing, to a tenth."""
        return round(self.left + (east - self.west) * self.scale, 1)

    def y(self, north: float) -> float:
        """Return a place on the drawing, to a tenth."""
        return round(self.top + (self.north - north) * self.scale, 1)


def _fitted(bounds: tuple[float, float, float, float], wide: float, low: float, high: float) -> _Sheet:
    """Return the sheet on which a box fills the width, or the height."""
    west, south, east, north = bounds
    span = max(east - west, 1.0), max(north - south, 1.0)
    scale = min(wide / span[0], high / span[1])
    height = max(low, span[1] * scale)
    return _Sheet(scale, (west + east) / 2 - wide / scale / 2, north + (height / scale - span[1]) / 2, wide, height)


def _side_by_side(fields: Sequence[Field]) -> list[_Sheet]:
    """Return a sheet per field, in rows, all of the largest scale at which they fit."""
    low, high = 1e-4, 10.0
    for _ in range(40):
        middle = math.sqrt(low * high)
        sheets = _rows(fields, middle)
        bottom = max(one.top + one.height for one in sheets)
        low, high = (middle, high) if bottom <= HIGH and _fits(sheets) else (low, middle)
    return _rows(fields, low)


def _fits(sheets: Sequence[_Sheet]) -> bool:
    return all(one.left + one.width <= WIDE + 1e-6 for one in sheets)


def _rows(fields: Sequence[Field], scale: float) -> list[_Sheet]:
    sheets: list[_Sheet] = []
    left, top, tallest = 0.0, LABEL, 0.0
    for field in fields:
        west, south, east, north = field.polygon.bounds
        width, height = max((east - west) * scale, 9.0 * len(field.key)), (north - south) * scale
        if left > 0 and left + width > WIDE:
            left, top, tallest = 0.0, top + tallest + LABEL + 8.0, 0.0
        sheets.append(_Sheet(scale, west, north, width, height, left, top))
        left, tallest = left + width + 14.0, max(tallest, height)
    return sheets


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


def farm_map(account: FarmAccount, pictures: Mapping[str, Picture]) -> tuple[Markup, str]:
    """Return the map of the whole farm, and words under it: chance of lasting damage, names, worst places by number.

    Fields that lie far apart are laid side by side at one scale: in their places nothing could be seen.
    """
    driven = [i for i, one in enumerate(account.fields) if one.jobs] or list(range(len(account.fields)))
    fields = [account.farm.fields[account.fields[i].field] for i in driven]
    bounds = np.array([field.polygon.bounds for field in fields])
    whole = (*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0))
    ground = sum(field.polygon.area for field in fields)
    apart = ground < SCATTERED * (whole[2] - whole[0]) * (whole[3] - whole[1])
    if apart:
        sheets = _side_by_side(fields)
        height = max(one.top + one.height for one in sheets)
        parts: list[Markup] = []
    else:
        sheet = _fitted((whole[0], whole[1], whole[2], whole[3]), WIDE, LOW, HIGH)
        sheets, height = [sheet] * len(fields), sheet.height
        parts = _surroundings(sheet, account)
    for index, field, sheet in zip(driven, fields, sheets, strict=True):
        parts += [_used(sheet, pictures[field.key], index), _outline(sheet, field.polygon)]
    small = 10.0 if len(fields) > 25 else 15.0
    for field, sheet in zip(fields, sheets, strict=True):
        point = field.polygon.representative_point()
        x, y = (sheet.left, sheet.top - 5) if apart else (sheet.x(point.x), sheet.y(point.y))
        parts.append(_text(x, y, field.key, 14.0 if apart else small, "start" if apart else "middle", bold=True))
    by_name = {field.key: sheet for field, sheet in zip(fields, sheets, strict=True)}
    for number, place in enumerate(account.worst[:NUMBERED], 1):
        parts.append(_numbered(by_name[place.field], place, number))
    parts.append(_bar(sheets[0], account.farm.units, height + 22))
    parts.append(_legend(height + 44))
    words = "They lie far apart and are laid side by side here, all at one scale. " if apart else ""
    left_out = len(account.fields) - len(driven)
    if left_out:
        words += f"Not drawn: {left_out} field{'s' if left_out > 1 else ''} in which nothing drove. "
    return _drawing(WIDE, height + 84, "Chance of lasting damage over the farm", parts), words


def _numbered(sheet: _Sheet, place: WorstPlace, number: int) -> Markup:
    x, y = sheet.x(place.x), sheet.y(place.y)
    return Markup(
        f'<circle cx="{x}" cy="{y}" r="10" fill="{INK}" stroke="#fff" stroke-width="1.5"/>'
        f'<text x="{x}" y="{y + 4.5}" font-size="13" font-weight="700" fill="#fff" text-anchor="middle">{number}</text>'
    )


def field_map(account: FarmAccount, field: Field, picture: Picture, index: int) -> Markup:
    """Return the map of one field."""
    sheet = _fitted(field.polygon.bounds, FIELD_WIDE, 60.0, FIELD_HIGH)
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
    return _drawing(sheet.width, sheet.height + 36, f"Chance of lasting damage in {field.key}", parts)


def _drawing(width: float, height: float, words: str, parts: Iterable[Markup]) -> Markup:
    return Markup(
        f'<svg class="chart" role="img" aria-label="{safe(words)}" viewBox="-12 -12 {width + 24:g} {height + 12:g}">'
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
    most = min(sheet.width / 2, WIDE / 4) / sheet.scale / unit
    power = 10.0 ** math.floor(math.log10(max(most, 1.0)))
    length = max(power * lead for lead in (1.0, 2.0, 5.0) if power * lead <= max(most, 1.0)) * unit
    width = round(length * sheet.scale, 1)
    words = f"{figure('length', length, units)} {unit_of('length', units)}, north is up"
    size = 14.0 if sheet.width > FIELD_WIDE else 15.0
    return Markup(f'<path d="M0 {y:g}h{width}" stroke="{INK}" stroke-width="3"/>') + _text(
        width + 8, y + 5, words, size, "start", colour=QUIET
    )


def chance_chart(zones: Sequence[Sequence[float]], units: str) -> Markup:
    """Return the hectares by chance as columns in the colours of the maps, all zones added up.

    Parameters
    ----------
    zones : zone -> hectares by chance in steps of equal width, 0 to 1
    """
    steps = [sum(zone[i] for zone in zones) for i in range(len(zones[0]) if zones else 0)]
    most = max(steps, default=0.0)
    if most <= 0:
        return Markup("")
    wide, high = WIDE / len(steps), 150.0
    colours = step_colours(_LASTING)
    parts = []
    for i, hectares in enumerate(steps):
        height = round(high * hectares / most, 1)
        colour = colours[int(np.searchsorted([upper - 1e-6 for upper in _LASTING.breaks], (i + 0.5) / len(steps)))]
        x, top = i * wide, 24 + high - height
        parts.append(
            Markup(f'<rect x="{x + 4:g}" y="{top:g}" width="{wide - 8:g}" height="{height:g}" fill="{colour}"/>')
        )
        parts.append(_text(x + wide / 2, top - 6, figure("area", hectares, units), 15, "middle"))
        words = f"{i / len(steps):.1f} to {(i + 1) / len(steps):.1f}"
        parts.append(_text(x + wide / 2, high + 44, words, 14, "middle", colour=QUIET))
    return _drawing(WIDE, high + 52, f"Ground by chance of lasting damage, {unit_of('area', units)}", parts)


def _legend(y: float) -> Markup:
    """Return the colours of the chance with their words and bounds, in two rows."""
    uppers = [upper for upper, _ in CHANCE_WORDS[:-1]]
    bounds = ["", *(f", up to {upper:g}" for upper in uppers), f", over {uppers[-1]:g}"]
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
        parts.append(_text(x + 30, top + 12, f"{word}{bound}", 14, "start"))
    return Markup("").join(parts)
