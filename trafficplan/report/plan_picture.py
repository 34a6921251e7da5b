"""A plan drawn as an inline SVG: boundary, swaths with their direction, run-outs, gateway, ground not spread."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.decide.cab import CabPlan, stretches
from trafficplan.names import HAUL, ROAD
from trafficplan.report.words import safe, say

Floats = NDArray[np.float64]

INK, QUIET, WAY, GROUND = "#1f2a30", "#5d6468", "#31688e", "#f4f1e8"
#: Room around the field [mm], for north arrow and scale bar below it, and for names beside it where the box has it.
_EDGE_MM, _FOOT_MM, _SIDE_MM = 5.0, 9.0, 38.0
#: Swaths nearer to each other than this on paper are drawn in part only [mm].
_LEAST_GAP_MM = 1.1
#: Numbers of swaths need this much room [mm].
_NUMBER_GAP_MM = 1.8
#: Run-outs are numbered circles of this radius [mm]; smaller ones where there are many.
_MARK_MM, _MANY_MARK_MM, _MANY = 2.1, 1.6, 30
#: Width of a letter of a name, about [mm].
_LETTER_MM = 1.6
#: A fill point farther from the field than this share of its size is told in words.
_NEAR_SHARE = 0.2


@dataclass(frozen=True)
class Paper:
    """Where metres go on paper: scale [mm per m], west edge and north edge [m], size [mm]."""

    scale: float
    west: float
    north: float
    width: float
    height: float

    def at(self, xy: Floats) -> Floats:
        """Return places on paper [mm], y downwards."""
        return np.column_stack([(xy[:, 0] - self.west) * self.scale, (self.north - xy[:, 1]) * self.scale])


def plan_picture(plan: CabPlan, width_mm: float, height_mm: float, key: str = "plan") -> Markup:
    """Return the plan as an SVG that fits into a box.

    Parameters
    ----------
    key : sets the ids of this picture apart from those of others on the same page
    """
    paper = _paper(plan, width_mm, height_mm)
    parts = [
        _hatching(key),
        *_ground(plan, paper, key),
        *_ways(plan, paper),
        *_swaths(plan, paper),
        *_marks(plan, paper),
        *_foot(plan, paper),
    ]
    words = f"{plan.field}: {len(plan.swaths)} swaths, {len(plan.run_outs)} loads"
    return Markup(
        f'<svg class="plan" viewBox="0 0 {paper.width:.1f} {paper.height:.1f}" role="img" aria-label="{safe(words)}" '
        f'style="width:{paper.width:.1f}mm;max-width:100%" font-family="system-ui, DejaVu Sans, sans-serif">'
        f"<title>{safe(words)}</title>{''.join(parts)}</svg>"
    )


def _near(plan: CabPlan, xy: tuple[float, float] | None) -> bool:
    """Whether a place is in the field or so near that the picture can hold it."""
    if xy is None:
        return False
    west, south, east, north = plan.boundary.bounds
    room = _NEAR_SHARE * max(east - west, north - south)
    return west - room <= xy[0] <= east + room and south - room <= xy[1] <= north + room


def _paper(plan: CabPlan, width_mm: float, height_mm: float) -> Paper:
    """Return the paper: as large as the box lets the field be."""
    shapes = [plan.boundary.envelope]
    shapes += [shapely.Point(xy) for xy in (plan.gate_xy, plan.fill_xy) if xy is not None and _near(plan, xy)]
    west, south, east, north = shapely.total_bounds(shapes)
    wide, high = max(east - west, 1.0), max(north - south, 1.0)
    scale = min((width_mm - 2 * _EDGE_MM) / wide, (height_mm - 2 * _EDGE_MM - _FOOT_MM) / high)
    side = min(_SIDE_MM, (width_mm - wide * scale) / 2)
    return Paper(
        scale,
        west - side / scale,
        north + _EDGE_MM / scale,
        wide * scale + 2 * side,
        high * scale + 2 * _EDGE_MM + _FOOT_MM,
    )


def _hatching(key: str) -> str:
    return (
        f'<defs><pattern id="{key}-hatch" width="1.6" height="1.6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="1.6" height="1.6" fill="#fff"/>'
        f'<line x1="0" y1="0" x2="0" y2="1.6" stroke="{QUIET}" stroke-width="0.7"/></pattern></defs>'
    )


def _path(shape: Polygon | MultiPolygon, paper: Paper) -> str:
    """Return the outline of an area with its holes, to a tenth of a millimetre on paper."""
    thin = shape.simplify(0.05 / paper.scale)
    rings = [
        ring
        for part in shapely.get_parts(thin)
        if isinstance(part, Polygon)
        for ring in (part.exterior, *part.interiors)
    ]
    return " ".join("M" + _points(np.asarray(ring.coords)[:, :2], paper, "L") + "Z" for ring in rings)


def _points(xy: Floats, paper: Paper, between: str = " ") -> str:
    return between.join(f"{x:.2f},{y:.2f}" for x, y in paper.at(xy))


def _ground(plan: CabPlan, paper: Paper, key: str) -> Iterator[str]:
    yield (
        f'<path d="{_path(plan.boundary, paper)}" fill="{GROUND}" fill-rule="evenodd" stroke="{INK}" '
        f'stroke-width="0.5" stroke-linejoin="round"/>'
    )
    for one in plan.unspread:
        yield (
            f'<path d="{_path(one.shape, paper)}" fill="url(#{key}-hatch)" fill-rule="evenodd" stroke="{QUIET}" '
            f'stroke-width="0.2"/>'
        )
    for line in plan.tramlines:
        yield _line(np.asarray(line.coords)[:, :2], paper, QUIET, 0.15, ' stroke-dasharray="0.4 0.8"')


def _line(xy: Floats, paper: Paper, colour: str, width: float, more: str = "") -> str:
    thin = shapely.get_coordinates(LineString(xy).simplify(0.05 / paper.scale))
    return (
        f'<polyline points="{_points(thin, paper)}" fill="none" stroke="{colour}" stroke-width="{width:g}" '
        f'stroke-linejoin="round"{more}/>'
    )


def _ways(plan: CabPlan, paper: Paper) -> Iterator[str]:
    """Draw the trips for loads, dashed and quiet; farm tracks as far as the picture goes."""
    box = shapely.box(*_inside(paper))
    for one in stretches(plan.drive):
        if one.leg not in (HAUL, ROAD):
            continue
        drawn = LineString(plan.drive.xy[one.first : one.last + 1]).intersection(box)
        for part in shapely.get_parts(drawn):
            if isinstance(part, LineString):
                yield _line(np.asarray(part.coords)[:, :2], paper, "#a9a294", 0.25, ' stroke-dasharray="0.9 0.7"')


def _inside(paper: Paper) -> tuple[float, float, float, float]:
    """Return the metres that the picture shows: west, south, east, north."""
    high = (paper.height - _FOOT_MM) / paper.scale
    return paper.west, paper.north - high, paper.west + paper.width / paper.scale, paper.north


def _swaths(plan: CabPlan, paper: Paper) -> Iterator[str]:
    """Draw the swaths, an arrow and their number at the start; where they are too many, each second, third ..."""
    gap = max(plan.width_m * paper.scale, 1e-6)
    step = max(1, math.ceil(_LEAST_GAP_MM / gap))
    size = min(1.5, 0.35 * step * gap + 0.4)
    numbered = max(step, step * math.ceil(_NUMBER_GAP_MM / (step * gap)))
    for number, line in list(enumerate(plan.swaths, 1))[::step]:
        yield _line(np.asarray(line.coords)[:, :2], paper, WAY, 0.3)
        count = 1 if line.length < 300 else 2
        for i in range(count):
            yield _arrow(line, line.length * (i + 1) / (count + 1), size, paper)
        if (number - 1) % numbered == 0:
            ((x, y),) = paper.at(np.array([line.interpolate(1.6 / paper.scale).coords[0]]))
            yield (
                f'<text x="{x:.2f}" y="{y + 0.65:.2f}" font-size="1.9" text-anchor="middle" fill="{WAY}" '
                f'stroke="{GROUND}" stroke-width="0.7" paint-order="stroke">{number}</text>'
            )


def _arrow(line: LineString, at_m: float, size: float, paper: Paper) -> str:
    """Draw an arrow head on a line, pointing the way it is driven."""
    places = [line.interpolate(max(0.0, at_m - 1.0)), line.interpolate(min(line.length, at_m + 1.0))]
    (x0, y0), (x1, y1) = paper.at(np.array([[one.x, one.y] for one in places]))
    turn = math.degrees(math.atan2(y1 - y0, x1 - x0))
    return (
        f'<path d="M{-size:.2f},{-0.7 * size:.2f}L{0.6 * size:.2f},0L{-size:.2f},{0.7 * size:.2f}Z" fill="{WAY}" '
        f'transform="translate({(x0 + x1) / 2:.2f} {(y0 + y1) / 2:.2f}) rotate({turn:.0f})"/>'
    )


def _marks(plan: CabPlan, paper: Paper) -> Iterator[str]:
    """Draw names first, then run-outs as numbers, then gateway and fill point over them."""
    places = (("G", plan.gate_xy, plan.gateway or "gateway"), ("F", plan.fill_xy, f"fill {plan.fill_words}"))
    shown = [
        (*paper.at(np.array([xy]))[0].tolist(), letter, words)
        for letter, xy, words in places
        if xy is not None and _near(plan, xy)
    ]
    yield from (_name(x, y, words, plan, paper) for x, y, _, words in shown)
    yield from _run_outs(plan, paper, [(x, y) for x, y, _, _ in shown])
    yield from (_square(x, y, letter) for x, y, letter, _ in shown)


def _run_outs(plan: CabPlan, paper: Paper, taken: list[tuple[float, float]]) -> Iterator[str]:
    """Draw a dot where each load ends and its number there, or beside it with a line where others are in the way."""
    spots = [(x, y) for x, y in paper.at(np.array(plan.run_outs).reshape(-1, 2)).tolist()]
    radius = _MARK_MM if len(spots) <= _MANY else _MANY_MARK_MM
    for number, (x, y) in enumerate(spots, 1):
        place = next((one for one in _around(x, y, radius) if _free(one, taken, radius)), None)
        yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="0.6" fill="{INK}"/>'
        if place is None:
            continue
        taken.append(place)
        if place != (x, y):
            yield (
                f'<line x1="{x:.2f}" y1="{y:.2f}" x2="{place[0]:.2f}" y2="{place[1]:.2f}" stroke="{INK}" '
                f'stroke-width="0.25"/>'
            )
        yield _number(*place, number, radius)


def _around(x: float, y: float, radius: float) -> Iterator[tuple[float, float]]:
    """Yield a place and those around it, the nearest first."""
    yield x, y
    for away in (2.2, 3.4, 4.8):
        for eighth in range(8):
            turn = math.pi / 4 * eighth + math.pi / 8
            yield x + away * radius * math.cos(turn), y + away * radius * math.sin(turn)


def _free(place: tuple[float, float], taken: list[tuple[float, float]], radius: float) -> bool:
    return all(math.hypot(place[0] - a, place[1] - b) > 2.1 * radius for a, b in taken)


def _number(x: float, y: float, number: int, radius: float) -> str:
    size = radius * (1.2 if number < 100 else 0.95)
    return (
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius}" fill="#fff" stroke="{INK}" stroke-width="0.3"/>'
        f'<text x="{x:.2f}" y="{y + 0.36 * size:.2f}" font-size="{size:.2f}" text-anchor="middle" '
        f'fill="{INK}">{number}</text>'
    )


def _name(x: float, y: float, words: str, plan: CabPlan, paper: Paper) -> str:
    """Write a name beside a place: on the first side where it fits on the paper and lies beside the field."""
    long = _LETTER_MM * len(words)
    sides = (
        ("start", x + 3.2, y + 1.0, x + 3.2),
        ("end", x - 3.2, y + 1.0, x - 3.2 - long),
        ("start", x - 2.1, y + 5.2, x - 2.1),
        ("start", x - 2.1, y - 3.2, x - 2.1),
    )

    def suits(left: float, base: float) -> int:
        box = shapely.box(left, base - 2.2, left + long, base + 0.6)
        on_paper = left >= 0 and left + long <= paper.width and 0 < base < paper.height - _FOOT_MM
        drawn = shapely.transform(plan.boundary, paper.at)
        return 2 * on_paper - int(box.intersects(drawn))

    anchor, at, base, _ = max(sides, key=lambda side: suits(side[3], side[2]))
    return (
        f'<text x="{at:.2f}" y="{base:.2f}" font-size="2.9" text-anchor="{anchor}" fill="{INK}" '
        f'stroke="#fff" stroke-width="0.8" paint-order="stroke">{safe(words)}</text>'
    )


def _square(x: float, y: float, letter: str) -> str:
    return (
        f'<rect x="{x - 2.1:.2f}" y="{y - 2.1:.2f}" width="4.2" height="4.2" fill="{INK}" stroke="#fff" '
        f'stroke-width="0.3"/><text x="{x:.2f}" y="{y + 1.05:.2f}" font-size="3" font-weight="700" '
        f'text-anchor="middle" fill="#fff">{letter}</text>'
    )


def _foot(plan: CabPlan, paper: Paper) -> Iterator[str]:
    """Draw north arrow and scale bar below the field."""
    y = paper.height - 3.4
    yield (
        f'<path d="M4,{y + 1.5:.2f}l2,-5.5l2,5.5l-2,-1.2z" fill="{INK}"/>'
        f'<text x="9" y="{y + 1.5:.2f}" font-size="2.9" fill="{INK}">north (grid)</text>'
    )
    metres = bar_length(0.2 * paper.width / paper.scale, plan.units)
    long = metres * paper.scale
    x = paper.width - 4 - long
    yield (
        f'<path d="M{x:.2f},{y:.2f}v1.2h{long:.2f}v-1.2" fill="none" stroke="{INK}" stroke-width="0.4"/>'
        f'<text x="{x - 1.5:.2f}" y="{y + 1.5:.2f}" font-size="2.9" text-anchor="end" fill="{INK}">'
        f"{safe(say('length', metres, plan.units))}</text>"
    )


def bar_length(most_m: float, units: str) -> float:
    """Return a round length of a scale bar [m], at most `most_m`: 1, 2 or 5 times a power of ten in people's unit.

    Examples
    --------
    >>> bar_length(170.0, "metric"), round(bar_length(170.0, "us") / 0.3048)
    (100.0, 500)
    """
    unit = 1.0 if units == "metric" else 0.3048
    most = max(most_m / unit, 1.0)
    power = 10.0 ** math.floor(math.log10(most))
    return unit * max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most)
