"""Tyres and rubber tracks: geometry from the size code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Tyre:
    """Geometry of one tyre, or of one rubber track.

    Attributes
    ----------
    code : size code as on the side wall ("650/65R30.5"), or a name for a track
    kind : "tyre" or "track"
    width_m : nominal section width (belt width of a track)
    diameter_m : overall diameter (of a track: 0)
    section_height_m : section height (of a track: 0)
    track_length_m : length of belt on the ground (of a tyre: 0)
    rollers : number of rollers that carry the belt (of a tyre: 0)
    """

    code: str
    kind: Literal["tyre", "track"]
    width_m: float
    diameter_m: float
    section_height_m: float
    track_length_m: float = 0.0
    rollers: int = 0
