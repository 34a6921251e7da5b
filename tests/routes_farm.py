"""Small fields and outfits for the tests of routes; all invented for the tests."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
from shapely import LineString, MultiPolygon, Point, Polygon

from trafficplan.farm.field import Field, Gateway
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.routes.passes import Drive

TYRE = Tyre("600/65R28", "tyre", 0.6, 1.5, 0.39)
OBLONG = Polygon([(0, 0), (400, 0), (400, 250), (0, 250)])
NOTCHED = Polygon(
    [(0, 0), (500, 0), (520, 350), (300, 360), (290, 180), (180, 170), (150, 380), (0, 300)],
    [[(100, 80), (140, 80), (140, 110), (100, 110)], list(Point(400, 150).buffer(6).exterior.coords)],
)


def axle(key: str, behind: float, empty: float = 30e3, full: float = 60e3, **more: Any) -> Axle:
    return Axle(key, behind, (Wheel(TYRE, 1.0), Wheel(TYRE, -1.0)), empty, full, 1.0e5, 1.6e5, **more)


def outfit(width: float = 12.0, radius: float = 7.0, capacity: float = 12e3, drawbar: float = 5.0) -> Outfit:
    vehicles = [Vehicle("tractor", "powered", (axle("front", -2.8), axle("rear", 0.0)))]
    if drawbar:
        vehicles.append(Vehicle("trailer", "drawn", (axle("trailer", 0.0),), drawbar))
    return Outfit("outfit", "Outfit", tuple(vehicles), capacity, width_m=width, radius_m=radius)


def operation(**given: Any) -> Operation:
    row: dict[str, Any] = {
        "key": "op",
        "row": 2,
        "day": dt.date(2026, 4, 1),
        "start": None,
        "field": "field",
        "job": "job",
        "outfit": "outfit",
    }
    return Operation(**(row | given))


def field(
    polygon: Polygon | MultiPolygon,
    gates: tuple[tuple[float, float], ...] = (),
    headland: float | None = None,
    tramlines: tuple[LineString, ...] = (),
) -> Field:
    gateways = tuple(Gateway(f"gate {i}", "field", x, y, 6.0) for i, (x, y) in enumerate(gates))
    return Field("field", polygon, "wheat", 0.25, headland, gateways, tramlines)


def drive_along(xy: np.ndarray, leg: int = 0) -> Drive:
    none = np.zeros(len(xy))
    legs = np.full(len(xy), leg, dtype=np.int8)
    return Drive("op", np.asarray(xy, dtype=float), none, none, legs, legs * 0, 3.0, 1, 0.0, 0.0)


def tightest(xy: np.ndarray, window_m: float = 4.0) -> float:
    """Return the least radius of a line [m]: length over turning within every window of its way."""
    step = np.diff(xy, axis=0)
    long = np.hypot(step[:, 0], step[:, 1])
    heading = np.arctan2(step[:, 1], step[:, 0])
    bend = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
    s = np.cumsum(long)[:-1]
    total = np.concatenate([[0.0], np.cumsum(bend)])
    turned = total[np.searchsorted(s, s + window_m)] - total[: len(s)]
    return float((window_m + 0.5) / max(turned.max(), 1e-9))
