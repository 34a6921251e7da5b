"""Choices of a planned drive that are no part of the operation: order, fill point, size of the loads, ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shapely import MultiPolygon, Polygon

Order = Literal["skip", "neighbouring", "far first", "near first", "shortest"]
Size = Literal["full", "balanced", "to headland"]


@dataclass(frozen=True)
class Choice:
    """How one operation is driven; the default is the plain drive of operations.csv.

    Attributes
    ----------
    order : which bout comes after which: "skip" (the next one is so far on that the turn needs no bulb),
        "neighbouring" (always the next), "far first" (from the far side back to the gateway), "near first"
        (from the gateway to the far side), "shortest" (least way without work)
    fill_xy : where loads are taken on (or, where they grow, left) [m]; None: the yard. A point in the field is reached
        over the ways of the field, one on or beside a farm track over the tracks
    fill_s : time at the fill point for each load [s]; it counts as time only
    size : "full" (each load as large as allowed), "balanced" (as many loads as full ones, all alike), "to headland" (each
        load ends at the end of a bout, the one nearest to the way out among those that the load reaches)
    spread_on : ground that may be spread, None: the whole field. Outside it the outfit drives on with nothing spread
    reversing : three-point turns where no turn ahead fits on the headland; only outfits that draw nothing make them
    """

    order: Order = "skip"
    fill_xy: tuple[float, float] | None = None
    fill_s: float = 0.0
    size: Size = "full"
    spread_on: Polygon | MultiPolygon | None = None
    reversing: bool = False
