"""Places to park as layers of a GeoPackage: points with their figures, outlines of what stands, the trailer's way."""

from __future__ import annotations

import errno
import math
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely import LineString, Point

from trafficplan.decide.park import Weighed
from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_place import Candidate
from trafficplan.report.park_styles import STYLE_NAMES, outlines_style, places_style, ways_style
from trafficplan.report.park_words import against, note_words, refusal
from trafficplan.report.vector import UNWRITTEN, add_style, write_layer

COLUMNS = (
    "place", "rank", "kind", "words", "keeps_limits", "heading_deg", "lasting_m2", "more_m2", "minutes", "more_min",
    "way_km", "refills", "trailer_loads", "crossings", "drawn_t_km", "why", "warnings",
)  # fmt: skip


def write_places(path: Path, answer: ParkAnswer) -> None:
    """Write the layers `places`, `outlines` and `ways` (docs/park.md).

    Raises
    ------
    OSError
        The file cannot be written.
    """
    crs, units = answer.job.farm.crs, answer.job.farm.units
    rows = [_row(answer, one, rank) for rank, one in enumerate(answer.places, 1)]
    rows += [_refused(one, units) for one in answer.refused]
    found = [*(one.candidate for one in answer.places), *answer.refused]
    points = [Point(one.spot.pose.x, one.spot.pose.y) for one in found]
    numbers = [one.number for one in found]
    ways = [(one.number, one.trip.xy) for one in found if one.trip is not None and len(one.trip.xy) > 1]
    layers = (
        ("places", _frame({name: [row[name] for row in rows] for name in COLUMNS}, points, crs), "Point"),
        ("outlines", _frame({"place": numbers}, [one.stands for one in found], crs), "MultiPolygon"),
        ("ways", _frame({"place": [n for n, _ in ways]}, [LineString(xy) for _, xy in ways], crs), "LineString"),
    )
    try:
        for name, frame, kind in layers:
            write_layer(path, name, frame, append=name != "places", kind=kind)
        for name, style in (("places", places_style), ("outlines", outlines_style), ("ways", ways_style)):
            words = STYLE_NAMES[name]
            add_style(path, name, words, f"{words}: {answer.job.field.key}", style())
    except (*UNWRITTEN, sqlite3.Error) as error:  # a full disk shows in any of these forms
        raise OSError(errno.EIO, f"{path.name}: {str(error)[:200]}") from None


def _frame(columns: dict[str, list[Any]], shapes: list[Any], crs: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def _common(one: Candidate) -> dict[str, Any]:
    return {
        "place": one.number,
        "kind": one.spot.kind,
        "words": one.words,
        "heading_deg": round((90.0 - math.degrees(one.spot.pose.heading)) % 360.0, 1),
    }


def _row(answer: ParkAnswer, one: Weighed, rank: int) -> dict[str, Any]:
    best = answer.places[0]
    return {
        **_common(one.candidate),
        "rank": rank,
        "keeps_limits": True,
        "lasting_m2": round(one.lasting_m2, 1),
        "more_m2": round(one.lasting_m2 - best.lasting_m2, 1),
        "minutes": round(one.minutes, 1),
        "more_min": round(one.minutes - best.minutes, 1),
        "way_km": round(one.km, 3),
        "refills": one.trips,
        "trailer_loads": one.trailer_trips,
        "crossings": one.visits,
        "drawn_t_km": round(one.drawn_t_km, 2),
        "why": "best" if one is best else against(answer.job, one, best),
        "warnings": "; ".join(note_words(note) for note in one.warnings) or None,
    }


def _refused(one: Candidate, units: str) -> dict[str, Any]:
    empty: dict[str, Any] = dict.fromkeys(COLUMNS)
    return {**empty, **_common(one), "keeps_limits": False, "why": refusal(one, units)}
