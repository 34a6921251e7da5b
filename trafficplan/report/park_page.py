"""The page about parking: answer, map with numbered places and the traffic each draws, tables, cautions; no network."""

from __future__ import annotations

import json
from typing import Any

import folium
import numpy as np
import shapely
from markupsafe import Markup
from shapely import LineString

from trafficplan import __version__
from trafficplan.decide.park import Weighed
from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_place import Candidate
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
from trafficplan.report.page import SIGNS, note_groups, packaged, template_environment
from trafficplan.report.park_picture import COLOURS, STEPS, crossing_image, crossings
from trafficplan.report.park_result import cautions_of
from trafficplan.report.park_text import basis_line, blocks, table_of
from trafficplan.report.park_words import answer_lines, draws, limit_words, note_words, refusal
from trafficplan.report.words import safe

#: Places whose traffic is on the map, and refused ones that are told.
MOST = 40


def render_page(answer: ParkAnswer) -> str:
    """Return the page as text; the same answer gives the same bytes."""
    job = answer.job
    drawn = _draw(answer)
    lines = [line for line in answer_lines(answer) if line]
    head, rows = table_of(answer, MOST) if answer.places else ([], [])
    titled = [
        (title, told)
        for title, told in blocks(answer, MOST)
        if not title.startswith(("Refused", "Warnings", "Assumed"))
    ]
    kinds = {place.kind for place in job.farm.places} | ({"track"} if job.farm.tracks else set())
    values: dict[str, Any] = {
        "title": f"{'Parking' if job.heap is None else 'Heap'}: {job.field.key}",
        "eyebrow": "Where to leave the loaded trailer" if job.heap is None else "Where to put the heap",
        "farm": job.farm.title,
        "basis": basis_line(answer),
        "lines": lines,
        "head": head,
        "rows": rows,
        "blocks": titled,
        "refused": [(one.number, one.words, refusal(one, job.farm.units)) for one in answer.refused],
        "steps": [(Markup("rgb({},{},{})".format(*colour)), _step_words(i)) for i, colour in enumerate(COLOURS)],
        "signs": [(kind, words) for kind, words in SIGNS.items() if kind in kinds],
        "notes": note_groups(answer.notes, answer.job.farm.units),
        "cautions": [one.text for one in cautions_of(job)],
        "css": Markup(packaged("page.css")),
        "map_head": Markup(drawn.head),
        "map_body": Markup(drawn.body),
        "map_script": Markup(drawn.script),
        "map_name": Markup(drawn.name),
        "data": Markup(json.dumps(_data(answer, drawn)).replace("<", "\\u003c")),
        "crs": job.farm.crs,
        "origin": f"{drawn.origin[0]:.0f} E, {drawn.origin[1]:.0f} N",
        "version": __version__,
    }
    return template_environment().from_string(packaged("park.html")).render(values)


def _step_words(i: int) -> str:
    if i + 1 == len(STEPS):
        return f"{STEPS[i]} and more"
    return f"{STEPS[i]}" if STEPS[i + 1] == STEPS[i] + 1 else f"{STEPS[i]} to {STEPS[i + 1] - 1}"


def _draw(answer: ParkAnswer) -> MapParts:
    """Draw the field, its surroundings and the numbered places."""
    job = answer.job
    origin = origin_of([job.field])
    chart = blank_map()
    aerial = draw_surroundings(chart, job.farm, origin)
    for part in rings(job.field.polygon, origin):
        add(chart, folium.Polygon, part, color="#1f2a30", weight=2, fill=False, interactive=False)
    for line in job.field.tramlines:
        add(chart, folium.PolyLine, local_line(line.coords, origin), color="#5d6468", weight=1, dash_array="5 4",
            opacity=0.6, interactive=False)  # fmt: skip
    taken = [(one.candidate.spot.pose.x, one.candidate.spot.pose.y) for one in answer.places]
    x, y = name_place(job.field, taken)
    mark(chart, x, y, f'<span class="field-name">{safe(job.field.key)}</span>', "mark-field", (0, 0), origin)
    for gate in job.field.gateways:
        html = f'<span class="gate-mark"></span><span class="gate-name">{safe(gate.key)}</span>'
        mark(chart, gate.x, gate.y, html, "mark-gate", (16, 16), origin)
    for one in answer.refused:
        html = f'<span class="refused-mark">{one.number}</span>'
        mark(chart, one.spot.pose.x, one.spot.pose.y, html, "mark-refused", (20, 20), origin)
    for rank, place in reversed(list(enumerate(answer.places[:MOST]))):
        kind = "place-mark best" if rank == 0 else "place-mark"
        html = f'<button type="button" class="{kind}" data-place="{place.candidate.number}">{place.candidate.number}</button>'
        pose = place.candidate.spot.pose
        mark(chart, pose.x, pose.y, html, "mark-place", (26, 26), origin)
    return map_parts(chart, origin, aerial)


def _data(answer: ParkAnswer, drawn: MapParts) -> dict[str, Any]:
    """Return what the page's script needs: for each place its picture, outline, way and words."""
    job = answer.job
    x0, y0 = drawn.origin
    spots = [one.candidate.stands for one in answer.places] + [one.stands for one in answer.refused]
    near = [one for one in spots if one.distance(job.field.polygon) < 250.0]
    west, south, east, north = shapely.total_bounds([job.field.polygon, *near])
    places: dict[str, Any] = {}
    for one in answer.places[:MOST]:
        places[str(one.candidate.number)] = _place(answer, one, drawn)
    for refused in answer.refused:
        places[str(refused.number)] = _outline(refused, drawn) | {
            "title": f"Place {refused.number}: {refused.words}", "lines": [_failed(refused, job.farm.units)],
        }  # fmt: skip
    return {
        "bounds": [[south - y0, west - x0], [north - y0, east - x0]],
        "us": job.farm.units == "us",
        "best": None if answer.best is None else answer.best.candidate.number,
        "places": places,
    }


def _failed(one: Candidate, units: str) -> str:
    if one.trip is None:
        return one.problem
    return "Refused: " + "; ".join(limit_words(limit, units) for limit in one.failed)


def _outline(one: Candidate, drawn: MapParts) -> dict[str, Any]:
    return {"outline": [local_line(part.exterior.coords, drawn.origin) for part in one.stands.geoms]}


def _place(answer: ParkAnswer, one: Weighed, drawn: MapParts) -> dict[str, Any]:
    x0, y0 = drawn.origin
    counts, (west, south, east, north) = crossings(answer.job, one)
    trip = one.candidate.trip
    way: list[list[float]] = []
    if trip is not None:
        near = LineString(trip.xy[: trip.stop + 1]).simplify(0.5)
        way = local_line(np.asarray(near.coords), drawn.origin)
    return {
        **_outline(one.candidate, drawn),
        "title": f"Place {one.candidate.number}: {one.candidate.words}",
        "lines": [draws(answer.job, one), *(note_words(note) for note in one.warnings)],
        "image": crossing_image(counts),
        "image_bounds": [[south - y0, west - x0], [north - y0, east - x0]],
        "way": way,
    }
