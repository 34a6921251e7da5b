"""Pictures for parking: how often trips cross each few metres of the field, and the plan of the sheet."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterator

import matplotlib
import numpy as np
import shapely
from markupsafe import Markup
from numpy.typing import NDArray
from PIL import Image
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from trafficplan.decide.park import Weighed
from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_job import ParkJob
from trafficplan.decide.park_place import Candidate
from trafficplan.names import HAUL, ROAD
from trafficplan.report.plan_picture import GROUND, INK, QUIET, WAY, Paper, bar_length
from trafficplan.report.words import safe, say
from trafficplan.routes.passes import Drive

Floats = NDArray[np.float64]

#: Places up to this far from the field are drawn on the sheet, the best one up to the other [m].
NEAR_M, FAR_M = 150.0, 600.0
#: Least width of the sheet's picture [mm].
LEAST_WIDE_MM = 90.0
#: Height of the foot with north arrow and scale bar [mm].
FOOT_MM = 8.0
#: Side of the squares in which crossings are counted [m], about an outfit's width; lower bounds of the steps.
CELL_M = 3.0
STEPS = (1, 2, 5, 10, 20, 50)
COLOURS = tuple(
    tuple(round(255 * part) for part in matplotlib.colormaps["cividis_r"](0.12 + 0.88 * i / (len(STEPS) - 1))[:3])
    for i in range(len(STEPS))
)


def crossings(job: ParkJob, one: Weighed) -> tuple[NDArray[np.int64], tuple[float, float, float, float]]:
    """Return how often trips to a place (and the trailer's own) cross each square of the field, and the bounds.

    Rows run from north to south; a square outside the field is -1.
    """
    west, south, east, north = job.field.polygon.bounds
    cols, rows = math.ceil((east - west) / CELL_M), math.ceil((north - south) / CELL_M)
    length = np.zeros(rows * cols)
    for drive, legs in ((one.served, (HAUL,)), (one.brings, None)):
        for x, y, metres in _pieces(drive, legs):
            col = np.floor((x - west) / CELL_M).astype(np.int64)
            row = np.floor((north - y) / CELL_M).astype(np.int64)
            inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
            np.add.at(length, row[inside] * cols + col[inside], metres[inside])
    counts = np.ceil(length / CELL_M - 0.5).astype(np.int64).reshape(rows, cols)
    east_of = west + (np.arange(cols) + 0.5) * CELL_M
    north_of = north - (np.arange(rows) + 0.5) * CELL_M
    outside = ~shapely.contains_xy(job.field.polygon.buffer(CELL_M), *np.meshgrid(east_of, north_of))
    counts[outside] = -1
    return counts, (west, north - rows * CELL_M, west + cols * CELL_M, north)


def _pieces(drive: Drive, legs: tuple[int, ...] | None) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Yield the middles of half-metre pieces of a drive's way on some legs (None: all inside the field) and their
    lengths.
    """
    chosen = np.isin(drive.leg[:-1], legs) if legs is not None else drive.leg[:-1] != ROAD
    a, b = drive.xy[:-1][chosen], drive.xy[1:][chosen]
    long = np.hypot(*(b - a).T)
    count = np.maximum(1, np.ceil(long / 0.5)).astype(np.int64)
    of = np.repeat(np.arange(len(a)), count)
    place = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    share = ((place + 0.5) / count[of])[:, None]
    xy = a[of] + share * (b - a)[of]
    yield xy[:, 0], xy[:, 1], (long / count)[of]


def crossing_image(counts: NDArray[np.int64]) -> str:
    """Return counts as a picture in a data address: clear where nothing crosses."""
    step = np.searchsorted(np.array(STEPS), counts, side="right")
    image = Image.fromarray(step.astype(np.uint8), mode="P")
    image.putpalette([0, 0, 0, *(part for colour in COLOURS for part in colour)])
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True, transparency=0)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode()


def sheet_picture(answer: ParkAnswer, width_mm: float, height_mm: float, most: int) -> Markup:
    """Return the plan of the sheet: field, places by number (the nearest misses where none is left), the trailer's way to the
    best one."""
    job = answer.job
    shown = [one.candidate for one in answer.places[:most]] or list(answer.refused[:most])
    spots = [shapely.Point(one.spot.pose.x, one.spot.pose.y) for one in shown]
    near = [one for rank, one in enumerate(spots) if job.field.polygon.distance(one) < (NEAR_M if rank else FAR_M)]
    paper = _paper(shapely.union_all([job.field.polygon, *near]), width_mm, height_mm)
    frame = shapely.box(
        paper.west,
        paper.north - (paper.height - FOOT_MM) / paper.scale,
        paper.west + paper.width / paper.scale,
        paper.north,
    )
    parts = [
        f'<path d="{_path(job.field.polygon, paper)}" fill="{GROUND}" fill-rule="evenodd" stroke="{INK}" stroke-width="0.5"/>'
    ]
    for track in job.farm.tracks:
        parts += [_line(one, paper, "#8a7f6c", 0.6) for one in _lines(track.line.intersection(frame))]
    for place in job.farm.places:
        if place.kind == "watercourse":
            parts += [
                _line(one, paper, "#3f6f94", 0.5)
                for one in _lines(
                    place.shape.boundary if not isinstance(place.shape, LineString) else place.shape, frame
                )
            ]
        if place.kind in ("overhead_line", "public_road") and isinstance(place.shape, LineString):
            dash = ' stroke-dasharray="2 1"' if place.kind == "overhead_line" else ""
            parts += [
                _line(one, paper, "#4b3f63" if dash else "#8b8577", 0.5, dash) for one in _lines(place.shape, frame)
            ]
    if answer.places and shown[0].trip is not None:
        way = LineString(shown[0].trip.xy[: shown[0].trip.stop + 1])
        parts += [_line(one, paper, WAY, 0.7, ' stroke-dasharray="1.6 0.8"') for one in _lines(way, frame)]
    for gate in job.field.gateways:
        ((x, y),) = paper.at(np.array([[gate.x, gate.y]]))
        parts.append(
            f'<rect x="{x - 1.2:.2f}" y="{y - 1.2:.2f}" width="2.4" height="2.4" fill="#fff" stroke="{INK}" stroke-width="0.5" transform="rotate(45 {x:.2f} {y:.2f})"/>'
        )
    taken: list[tuple[float, float]] = []
    for rank, one in enumerate(shown):
        if spots[rank] in near:
            parts += _mark(one, paper, rank == 0 and bool(answer.places), taken)
    parts += _foot(paper, job.farm.units)
    words = f"{job.field.key}: places for {job.trailer.title}"
    return Markup(
        f'<svg viewBox="0 0 {paper.width:.1f} {paper.height:.1f}" role="img" aria-label="{safe(words)}" '
        f'style="width:{paper.width:.1f}mm;max-width:100%" font-family="system-ui, DejaVu Sans, sans-serif">'
        f"<title>{safe(words)}</title>{''.join(parts)}</svg>"
    )


def _paper(shape: BaseGeometry, width_mm: float, height_mm: float) -> Paper:
    """Return the paper: as large as the box lets the places be, and wide enough for north arrow and scale bar."""
    west, south, east, north = shape.bounds
    edge, foot = 5.0, FOOT_MM
    wide, high = max(east - west, 1.0), max(north - south, 1.0)
    scale = min((width_mm - 2 * edge) / wide, (height_mm - 2 * edge - foot) / high)
    width = max(wide * scale + 2 * edge, LEAST_WIDE_MM)
    left = (west + east) / 2 - width / 2 / scale
    return Paper(scale, left, north + edge / scale, width, high * scale + 2 * edge + foot)


def _lines(shape: BaseGeometry, frame: BaseGeometry | None = None) -> list[Floats]:
    cut = shape if frame is None else shape.intersection(frame)
    return [np.asarray(part.coords)[:, :2] for part in shapely.get_parts(cut) if isinstance(part, LineString)]


def _points(xy: Floats, paper: Paper, between: str = " ") -> str:
    return between.join(f"{x:.2f},{y:.2f}" for x, y in paper.at(xy))


def _path(shape: Polygon | MultiPolygon, paper: Paper) -> str:
    rings = [
        ring
        for part in shapely.get_parts(shape.simplify(0.05 / paper.scale))
        for ring in (part.exterior, *part.interiors)
    ]
    return " ".join("M" + _points(np.asarray(ring.coords)[:, :2], paper, "L") + "Z" for ring in rings)


def _line(xy: Floats, paper: Paper, colour: str, width: float, more: str = "") -> str:
    thin = shapely.get_coordinates(LineString(xy).simplify(0.05 / paper.scale))
    return f'<polyline points="{_points(thin, paper)}" fill="none" stroke="{colour}" stroke-width="{width:g}"{more}/>'


def _mark(one: Candidate, paper: Paper, best: bool, taken: list[tuple[float, float]]) -> Iterator[str]:
    """Draw what stands and its number beside it, where none stands yet."""
    for part in one.stands.geoms:
        yield f'<path d="{_path(part, paper)}" fill="{INK}"/>'
    ((x, y),) = paper.at(np.array([[one.spot.pose.x, one.spot.pose.y]]))
    size = 2.8 if best else 2.2
    around = [
        (x + away * math.sin(turn), y - away * math.cos(turn))
        for away in (size + 0.9, 2 * size + 1.2, 3 * size + 1.5)
        for turn in np.radians([0, 60, -60, 120, -120, 180])
    ]
    edge = size + 0.3
    around = [
        (min(max(a, edge), paper.width - edge), min(max(b, edge), paper.height - FOOT_MM - edge)) for a, b in around
    ]
    free = [at for at in around if all(math.hypot(at[0] - a, at[1] - b) > 5.2 for a, b in taken)]
    at = (free or around)[0]
    taken.append(at)
    fill, ink = (INK, "#fff") if best else ("#fff", INK)
    yield (
        f'<line x1="{x:.2f}" y1="{y:.2f}" x2="{at[0]:.2f}" y2="{at[1]:.2f}" stroke="{INK}" stroke-width="0.25"/>'
        f'<circle cx="{at[0]:.2f}" cy="{at[1]:.2f}" r="{size}" fill="{fill}" stroke="{INK}" stroke-width="0.3"/>'
        f'<text x="{at[0]:.2f}" y="{at[1] + 0.43 * size:.2f}" font-size="{1.2 * size:.2f}" text-anchor="middle" '
        f'fill="{ink}">{one.number}</text>'
    )


def _foot(paper: Paper, units: str) -> Iterator[str]:
    y = paper.height - 3.0
    metres = bar_length(0.25 * paper.width / paper.scale, units)
    long = metres * paper.scale
    x = paper.width - 4 - long
    yield (
        f'<path d="M4,{y + 1.5:.2f}l2,-5.5l2,5.5l-2,-1.2z" fill="{INK}"/>'
        f'<text x="9" y="{y + 1.5:.2f}" font-size="2.9" fill="{QUIET}">north (grid)</text>'
        f'<path d="M{x:.2f},{y:.2f}v1.2h{long:.2f}v-1.2" fill="none" stroke="{INK}" stroke-width="0.4"/>'
        f'<text x="{x - 1.5:.2f}" y="{y + 1.5:.2f}" font-size="2.9" text-anchor="end" fill="{INK}">'
        f"{safe(say('length', metres, units))}</text>"
    )
