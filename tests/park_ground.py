"""Small ground and outfits made by hand for the tests about parking: a square field, a lane, a gateway, a trailer."""

from __future__ import annotations

from shapely import LineString, box

from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
from trafficplan.machines.tyre import tyre_from_code


def axle(key: str, behind: float, empty_t: float, full_t: float, wide: float = 2.0, code: str = "650/65R30.5") -> Axle:
    wheels = (Wheel(tyre_from_code(code), wide / 2), Wheel(tyre_from_code(code), -wide / 2))
    return Axle(key, behind, wheels, empty_t * 9806.65, full_t * 9806.65, 1.6e5, 2.4e5)


def trailer(drawbar_m: float = 6.0, capacity_kg: float = 16e3, radius_m: float = 8.0, empties: str = "even") -> Outfit:
    """A tractor with a tandem trailer: 3 m wheelbase, hitch 1 m behind, tandem 1.8 m; loads add up to the capacity."""
    tractor = Vehicle(
        "tractor", "powered", (axle("front", -3.0, 3.6, 3.2, 1.9), axle("rear", 0.0, 5.4, 7.8, 1.9)), hitch_behind_m=1.0
    )
    drawn = Vehicle("trailer", "drawn", (axle("t1", -0.9, 3.0, 10.0), axle("t2", 0.9, 3.0, 10.0)), drawbar_m=drawbar_m)
    return Outfit(
        "trailer", "Tractor and grain trailer", (tractor, drawn), capacity_kg, 760.0, 3.0, radius_m, empties,
        2.2, 5.5,
    )  # type: ignore[arg-type]  # fmt: skip


def spreader(width_m: float = 12.0, capacity_kg: float = 2000.0) -> Outfit:
    """A tractor with a mounted spreader."""
    tractor = Vehicle(
        "tractor", "powered",
        (axle("front", -2.8, 3.4, 2.9, 1.9, "480/65R28"), axle("rear", 0.0, 5.0, 7.5, 1.9, "600/65R38")),
    )  # fmt: skip
    return Outfit("spreader", "Spreader", (tractor,), capacity_kg, 1000.0, width_m, 6.0, "even", 2.5, 6.0)


SQUARE = Field("Square", box(0, 0, 200, 200), "wheat", 0.25, 12.0, (Gateway("South gate", "Square", 100, 0, 8.0),), ())
LANE = FarmTrack("Lane", LineString([(-300, -10), (300, -10)]), "gravel")
SPUR = FarmTrack("Spur", LineString([(100, -10), (100, 0)]), "gravel")
YARD = Place("Yard", "yard", box(-330, -40, -290, 20))
