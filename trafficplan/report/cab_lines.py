"""The drive of a plan as lines for other programs: thinned to centimetres, in degrees where they ask for them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from trafficplan.decide.cab import CabPlan, Stretch, stretches
from trafficplan.names import LEGS, ROAD
from trafficplan.routes.passes import Drive
from trafficplan.units import BAR

Floats = NDArray[np.float64]

#: A thinned line leaves the driven one by at most this [m] (ours: well below what any receiver in a cab can tell).
THINNED_M = 0.05


@dataclass(frozen=True)
class Piece:
    """One stretch of a drive, thinned: its leg and load number, vertices [m], load [kg] and speed [m/s] there."""

    stretch: Stretch
    xy: Floats
    load_kg: Floats
    speed_m_s: Floats

    @property
    def leg(self) -> str:
        """Name of the leg."""
        return LEGS[self.stretch.leg]

    @property
    def on_road(self) -> bool:
        """Whether the stretch lies outside the field."""
        return self.stretch.leg == ROAD


def pieces(drive: Drive) -> Iterator[Piece]:
    """Yield the stretches of a drive in order, without the vertices that lie on the line of their neighbours."""
    steps = np.hypot(*np.diff(drive.xy, axis=0).T)
    times = np.diff(drive.time_s)
    speed = np.divide(steps, times, out=np.zeros_like(steps), where=times > 0)
    speed = np.append(speed, speed[-1:])
    for one in stretches(drive):
        places = np.arange(one.first, one.last + 1)
        kept = places[kept_vertices(drive.xy[places])]
        yield Piece(one, drive.xy[kept], drive.load_kg[kept], speed[np.minimum(kept, one.last - 1)])


def kept_vertices(xy: Floats, within_m: float = THINNED_M) -> NDArray[np.intp]:
    """Return the places of the vertices that a thinned line keeps; the first and the last are among them."""
    numbered = shapely.linestrings(np.column_stack([xy, np.arange(len(xy))]))
    thin = shapely.simplify(numbered, within_m, preserve_topology=False)
    return np.asarray(shapely.get_coordinates(thin, include_z=True)[:, 2].astype(np.intp))


def to_degrees(plan: CabPlan) -> Transformer:
    """Return the change from the plan's coordinates to longitude and latitude (WGS84)."""
    return Transformer.from_crs(plan.crs, "EPSG:4326", always_xy=True)


def pressures_bar(plan: CabPlan, *, on_road: bool) -> dict[str, float]:
    """Return axle -> pressure to set on a leg [bar, to a hundredth]; empty where none may be named."""
    if not plan.names_pressures():
        return {}
    given = {one.axle: one.track_pa if on_road else one.field_pa for one in plan.axles}
    return {axle: round(pressure / BAR, 2) for axle, pressure in given.items() if pressure is not None}
