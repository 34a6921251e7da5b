"""The fill point: where loads are taken on or left, and the way to it from outside a field."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point

from trafficplan.errors import InputError, Problem
from trafficplan.farm.field import FarmTrack, Field, Place
from trafficplan.routes.access import Entrance, track_network, way_over_tracks, yard_of

#: A fill point outside the field lies no farther than this from a farm track or from the gateway (ours) [m].
BESIDE_M = 50.0
#: One that is nearer than this to a track is served from the track (ours) [m].
REACHED_M = 15.0
#: A straight way without a track crosses no more of the field than this [m].
CROSSED_M = 5.0
NOWHERE = np.empty((0, 2))


def road_to(
    ground: Field, entrance: Entrance, xy: tuple[float, float], tracks: Sequence[FarmTrack]
) -> NDArray[np.float64]:
    """Return the way from a gateway to a point outside the field as (n, 2): over the tracks, or straight.

    Straight where the point lies by the gateway, or where no tracks are known.

    Raises
    ------
    InputError : no track leads there
    """
    gate = (float(entrance.gateway_xy[0]), float(entrance.gateway_xy[1]))
    here = Point(xy)
    straight = LineString([gate, xy])
    if (not tracks or straight.length <= BESIDE_M) and straight.intersection(ground.polygon).length <= CROSSED_M:
        return np.array([gate, xy])
    near = min((here.distance(t.line) for t in tracks), default=np.inf)
    line = way_over_tracks(track_network(tracks), gate, xy, REACHED_M) if near <= BESIDE_M else None
    if line is None:
        raise InputError(no_way(ground, entrance, xy))
    return line


def no_way(ground: Field, entrance: Entrance | None, xy: tuple[float, float]) -> Problem:
    """Return the problem that no way leads from a gateway to the fill point."""
    return Problem(
        "no way leads from the gateway to the fill point",
        f"field {ground.key}" + (f", {entrance.gateway.key}" if entrance is not None else ""),
        f"fill point at {xy[0]:.0f}, {xy[1]:.0f}",
        f"a point in the field, within {BESIDE_M:.0f} m of the gateway, or beside a farm track that leads to the gateway",
        "move the fill point, draw the missing farm track, or choose another gateway",
    )


def road_home(xy: tuple[float, float], tracks: Sequence[FarmTrack], places: Sequence[Place]) -> NDArray[np.float64]:
    """Return the way from a fill point outside the field to the yard as (n, 2); empty where none is known."""
    yard = yard_of(places)
    if yard is None:
        return NOWHERE
    graph = track_network(tracks)
    if not graph:
        return np.array([xy, yard])
    line = way_over_tracks(graph, yard, xy, REACHED_M)
    return NOWHERE if line is None else line[::-1]
