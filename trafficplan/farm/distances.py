"""Distances that work keeps from overhead lines, watercourses, wells, public roads and keep-outs.

The distances are the person's own, from local rules: farm.toml, table `defaults`. Where one is blank a cautious
one of ours excludes ground instead, and a Note says so. None is ever zero, but for keep-outs, whose edge is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import shapely
from shapely import MultiPolygon, Polygon

from trafficplan.farm import defaults
from trafficplan.farm.field import Place
from trafficplan.farm.ground import as_area
from trafficplan.names import Note

Area = Polygon | MultiPolygon

#: Kinds of places that ask for a distance -> the default's name; a keep-out ends where it is drawn.
DISTANCE_KEYS: dict[str, str | None] = {
    "overhead_line": "distance_overhead_line_m",
    "watercourse": "distance_watercourse_m",
    "well": "distance_well_m",
    "public_road": "distance_public_road_m",
    "keep_out": None,
}

#: Corners of a quarter circle; the polygon lies around the true circle, never inside it.
_QUARTER = 16


@dataclass(frozen=True)
class Forbidden:
    """Ground not to be used because a place is near.

    Attributes
    ----------
    kind : of the place, one of `DISTANCE_KEYS`
    place : the place itself
    distance_m : distance kept from its drawn edge [m]
    area : the ground asked about that is nearer than that
    """

    kind: str
    place: Place
    distance_m: float
    area: Area


def kept_m(kind: str, given: Mapping[str, float | str] | None = None) -> float:
    """Return the distance to keep from a kind of place [m].

    Parameters
    ----------
    kind : one of `DISTANCE_KEYS`; given : the farm's own defaults

    Examples
    --------
    >>> kept_m("well"), kept_m("keep_out"), kept_m("watercourse", {"distance_watercourse_m": 6.0})
    (50.0, 0.0, 6.0)
    """
    key = DISTANCE_KEYS[kind]
    return 0.0 if key is None else defaults.number(key, given)


def forbidden(
    places: Sequence[Place],
    ground: Area,
    given: Mapping[str, float | str] | None = None,
    kinds: Collection[str] = tuple(DISTANCE_KEYS),
) -> tuple[tuple[Forbidden, ...], tuple[Note, ...]]:
    """Return the ground that is too near to places, one entry per place that reaches it, and what was assumed.

    Parameters
    ----------
    places : of the farm, in the working CRS
    ground : the ground that is to be used (a field, or more) [m]
    given : the farm's own defaults
    kinds : which kinds count for this use; all of `DISTANCE_KEYS` unless said

    Examples
    --------
    >>> from shapely import LineString, box
    >>> ditch = Place("ditch", "watercourse", LineString([(-20, 0), (120, 0)]))
    >>> (found,), (note,) = forbidden([ditch], box(0, 0, 100, 100))
    >>> round(found.area.area / 100, 1), note.value
    (10.0, '10 m')
    """
    found: list[Forbidden] = []
    for place in places:
        if place.kind not in kinds or place.kind not in DISTANCE_KEYS:
            continue
        distance = kept_m(place.kind, given)
        if place.shape.distance(ground) > distance:
            continue
        area = as_area(shapely.intersection(around(place, distance), ground))
        if area.area > 0:
            found.append(Forbidden(place.kind, place, distance, area))
    return tuple(found), notes_of([(one.kind, one.place.key) for one in found], given)


def around(place: Place, distance_m: float) -> Area:
    """Return the ground within a distance of a place's drawn edge: nowhere less than the true distance [m]."""
    outer = distance_m / math.cos(math.pi / (4 * _QUARTER))
    return as_area(shapely.buffer(place.shape, outer, quad_segs=_QUARTER))


def notes_of(used: Sequence[tuple[str, str]], given: Mapping[str, float | str] | None = None) -> tuple[Note, ...]:
    """Return one Note per kind whose distance was used, with the names of the places: (kind, place) each."""
    notes = []
    for kind, key in DISTANCE_KEYS.items():
        names = list(dict.fromkeys(name for one, name in used if one == kind))
        if key is not None and names:
            notes.append(defaults.note(key, ", ".join(names), given))
    return tuple(notes)


def not_drawn(places: Sequence[Place], kinds: Collection[str]) -> tuple[Note, ...]:
    """Return a warning that names the kinds of which the farm's map holds none: the map may just not know them."""
    there = {place.kind for place in places}
    missing = [kind.replace("_", " ") for kind in DISTANCE_KEYS if kind in kinds and kind not in there]
    if not missing:
        return ()
    what = " and ".join(", ".join(missing).rsplit(", ", 1))
    return (Note("warned", f"{what} on the farm's map", "none", "nothing keeps away from what is not drawn: look"),)


def left_over(ground: Area, found: Sequence[Forbidden]) -> Area:
    """Return the ground that remains when all forbidden ground is taken away."""
    if not found:
        return ground
    return as_area(shapely.difference(ground, shapely.union_all([one.area for one in found])))
