"""What the page's script reads: pictures, legends, zones, drives and crossings as JSON."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup
from shapely import LineString

from trafficplan.assess.summary import FieldSummary
from trafficplan.farm.farm import Farm
from trafficplan.report.answer import BASE, Answer
from trafficplan.report.legend import MEASURES, script_measure
from trafficplan.report.map import MapParts, local_line, rings
from trafficplan.report.picture import Picture, measure_of
from trafficplan.report.words import QUANTITIES, safe, say, say_day, unit_of

#: Layers a field may bring to the page.
MOST_LAYERS = 12

#: Zones and drives are drawn to this tolerance [m].
ZONE_TOLERANCE_M, DRIVE_TOLERANCE_M = 0.5, 1.0

#: Zoom (log2 of pixels per metre) from which names of gateways are drawn.
NEAR_ZOOM = -1.25


def script_data(
    farm: Farm,
    summaries: Mapping[str, Sequence[FieldSummary]],
    titles: Mapping[str, str],
    pictures: Mapping[tuple[str, str], Sequence[Picture]],
    drawn: MapParts,
    told: Answer,
) -> Markup:
    """Return the data of the page's script as JSON in which every text has gone through `safe`.

    Raises
    ------
    ValueError
        when a field brings more layers than a page should carry
    """
    for (scenario, field), layers in pictures.items():
        if len(layers) > MOST_LAYERS:
            raise ValueError(f"{scenario}, {field}: {len(layers)} layers for the page, at most {MOST_LAYERS}")
    png: dict[bytes, int] = {}
    measures = _measures(farm.units, pictures)
    data: dict[str, object] = {
        "scenarios": [titles[key] for key in summaries],
        "measures": measures,
        "jobs": list(_jobs(summaries)),
        "fields": _fields(summaries, pictures, drawn.origin, png),
        "bounds": _bounds(summaries[BASE], drawn.origin),
        "first": _first(measures, told, summaries),
        "paper": _index(measures, "depth_reached" if told.full_scale else "lasting"),
        "aerial": drawn.aerial,
        "us": farm.units == "us",
        "near_zoom": NEAR_ZOOM,
        "say_side": [f"0 {unit_of('length', farm.units)}", QUANTITIES["length"][farm.units][0]],
        "say_cell": say(
            "length",
            max((picture.cell for layers in pictures.values() for picture in layers), default=1.0),
            farm.units,
        ),
    }
    text = json.dumps(
        {**_safe_texts(data), "png": [base64.b64encode(image).decode() for image in png]},
        separators=(",", ":"),
    )
    return Markup(text)


def _safe_texts(value: Any) -> Any:
    """Return data with every text in it made harmless."""
    if type(value) is float:  # nearly all of it: coordinates
        return value
    if isinstance(value, str):
        return str(safe(value))
    if isinstance(value, Mapping):
        return {str(safe(key)): _safe_texts(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_safe_texts(part) for part in value]
    return value


def _measures(units: str, pictures: Mapping[tuple[str, str], Sequence[Picture]]) -> list[dict[str, Any]]:
    """Return the measures of which there is a picture, in the order of the legend, each with its depths."""
    depths: dict[str, set[int]] = {}
    for layers in pictures.values():
        for picture in layers:
            measure, depth = measure_of(picture.layer)
            depths.setdefault(measure, set()).update([] if depth is None else [depth])
    return [
        {
            **script_measure(measure, units),
            "depths": [
                {"tag": f"{depth:d}", "text": say("depth", depth / 100, units)} for depth in sorted(depths[key])
            ],
        }
        for key, measure in MEASURES.items()
        if key in depths
    ]


def _index(measures: Sequence[Mapping[str, Any]], key: str) -> int:
    return next((index for index, measure in enumerate(measures) if measure["key"] == key), 0)


def _first(
    measures: Sequence[Mapping[str, Any]], told: Answer, summaries: Mapping[str, Sequence[FieldSummary]]
) -> dict[str, object]:
    """Return what the map shows first: lasting damage of base, and the shallowest depth below tillage.

    Where the scale is full: depth reached, as the difference of the best scenario from base.
    """
    deep = 100 * max(field.deep_from_m for field in summaries[BASE])
    tags = next(([int(depth["tag"]) for depth in measure["depths"]] for measure in measures if measure["depths"]), [])
    depth = next((index for index, tag in enumerate(tags) if tag >= deep), 0)
    best = list(summaries).index(told.best) if told.full_scale else 0
    measure = _index(measures, "depth_reached" if told.full_scale else "lasting")
    return {"scenario": best, "measure": measure, "depth": depth, "change": best > 0}


def _bounds(fields: Sequence[FieldSummary], origin: tuple[float, float]) -> list[list[float]]:
    """Return the south-west and north-east corner of all fields in local metres."""
    boxes = [field.field.polygon.bounds for field in fields]
    west, south = (min(box[axis] for box in boxes) for axis in (0, 1))
    east, north = (max(box[axis] for box in boxes) for axis in (2, 3))
    return local_line([(west, south), (east, north)], origin)


def _jobs(summaries: Mapping[str, Sequence[FieldSummary]]) -> dict[str, int]:
    """Return the jobs of all scenarios by their words, numbered in the order of the season."""
    parts = sorted(
        (part for fields in summaries.values() for field in fields for part in field.parts),
        key=lambda part: part.day,
    )
    words = dict.fromkeys(f"{say_day(part.day)}, {part.job}" for part in parts)
    return {word: number for number, word in enumerate(words)}


def _fields(
    summaries: Mapping[str, Sequence[FieldSummary]],
    pictures: Mapping[tuple[str, str], Sequence[Picture]],
    origin: tuple[float, float],
    png: dict[bytes, int],
) -> list[dict[str, object]]:
    """Return each field with its zones, and by scenario its pictures, crossings and drives.

    `png` collects the images: one that several scenarios share travels once.
    """
    jobs = _jobs(summaries)
    by_key = {scenario: {field.field.key: field for field in fields} for scenario, fields in summaries.items()}
    told: list[dict[str, object]] = []
    for summary in summaries[BASE]:
        key = summary.field.key
        west, south, east, north = summary.grid.bounds
        own = [by_key[scenario].get(key) for scenario in summaries]
        told.append(
            {
                "name": key,
                "box": _box((west, south, east, north), origin),
                "zones": {
                    zone: rings(shape.simplify(ZONE_TOLERANCE_M), origin)  # type: ignore[arg-type]
                    for zone, shape in summary.zone_shapes.items()
                    if zone in {"headland", "gateway"}
                },
                "pictures": [
                    {picture.layer: _picture(picture, origin, png) for picture in pictures.get((scenario, key), ())}
                    for scenario in summaries
                ],
                "crossings": [
                    [
                        None if field is None or gate.key not in field.crossings else round(field.crossings[gate.key])
                        for gate in summary.field.gateways
                    ]
                    for field in own
                ],
                "drives": [_drives(field, jobs, origin) for field in own],
            }
        )
    return told


def _box(bounds: tuple[float, float, float, float], origin: tuple[float, float]) -> list[float]:
    """Return west, south, east, north in local metres; cell edges are kept to the millimetre."""
    return [round(value - origin[index % 2], 3) for index, value in enumerate(bounds)]


def _picture(picture: Picture, origin: tuple[float, float], png: dict[bytes, int]) -> dict[str, object]:
    number = png.setdefault(picture.png, len(png))
    return {
        "png": number,
        "low": picture.low,
        "high": picture.high,
        "cell": picture.cell,
        "box": _box(picture.bounds, origin),
    }


def _drives(
    field: FieldSummary | None, jobs: Mapping[str, int], origin: tuple[float, float]
) -> list[dict[str, object]]:
    """Return the drives of a field, each with the number of its job."""
    if field is None:
        return []
    drives = []
    for part in field.parts:
        line = field.drives.get(part.operation)
        if isinstance(line, LineString) and not line.is_empty:
            thin = line.simplify(DRIVE_TOLERANCE_M)
            drives.append({"job": jobs[f"{say_day(part.day)}, {part.job}"], "line": local_line(thin.coords, origin)})
    return drives
