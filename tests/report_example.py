"""An invented farm with three fields and three scenarios, as the report meets it; every number is made up."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon, box

from trafficplan.assess.summary import FieldSummary, OperationPart, WheelProfile, WorstPlace
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import FarmTrack, Field, Gateway, Place
from trafficplan.farm.grid import Grid
from trafficplan.farm.operation import Scenario
from trafficplan.names import Note
from trafficplan.report.picture import Picture, encode

CRS = "EPSG:32635"
DEPTHS = (0.10, 0.20, 0.35, 0.50, 0.70, 1.00)
WEST, SOUTH = 500_000.0, 6_100_000.0

#: Scenario -> title and the factor on every stress.
SCENARIOS = {
    "base": ("As planned", 1.0),
    "lighter": ("Two thirds of a load of slurry", 0.78),
    "drier": ("Slurry ten days later, on drier soil", 0.62),
}

SHAPES: dict[str, list[tuple[float, float]]] = {
    "Long Meadow": [(40, 60), (520, 40), (560, 420), (300, 470), (60, 400)],
    "Hill Piece": [(640, 80), (1010, 60), (1040, 430), (820, 520), (650, 380)],
    "Mill Corner": [(180, 560), (520, 540), (700, 620), (560, 820), (220, 800)],
}
GATES = {
    "Long Meadow": [("north gate", 300, 470), ("river gate", 40, 60)],
    "Hill Piece": [("west gate", 650, 380)],
    "Mill Corner": [("mill gate", 520, 540)],
}
JOBS: list[tuple[str, dt.date, str, str, float]] = [
    ("spread", dt.date(2026, 3, 14), "slurry", "tractor and tanker", 1.0),
    ("drill", dt.date(2026, 4, 2), "drilling", "tractor and drill", 0.35),
    ("spray-1", dt.date(2026, 5, 11), "spraying", "sprayer", 0.3),
    ("harvest", dt.date(2026, 8, 3), "harvest", "combine", 0.75),
    ("haul", dt.date(2026, 8, 3), "grain haulage", "tractor and trailer", 0.8),
    ("lime", dt.date(2026, 9, 20), "lime", "tractor and spreader", 0.6),
]


def example_farm(units: str = "metric", names: Mapping[str, str] | None = None, title: str = "Ostara Flats") -> Farm:
    """Return the farm; `names` renames fields."""
    names = names or {}
    fields = {}
    for key, corners in SHAPES.items():
        called = names.get(key, key)
        polygon = Polygon([(WEST + x, SOUTH + y) for x, y in corners])
        gates = tuple(Gateway(name, called, WEST + x, SOUTH + y, 6.0) for name, x, y in GATES[key])
        fields[called] = Field(called, polygon, "wheat", 0.22, 24.0, gates, ())
    return Farm(
        key="ostara",
        title=title,
        season=2026,
        timezone="Europe/Vilnius",
        crs=CRS,
        units=units,
        fields=fields,
        soil_units={},
        soil_map=(),
        outfits={},
        operations=(),
        scenarios={key: Scenario(key, text) for key, (text, _) in SCENARIOS.items()},
        logs={},
        tracks=(
            FarmTrack("main track", _line([(600, -30), (600, 300), (604, 540), (900, 640)]), "gravel"),
            FarmTrack("mill lane", _line([(604, 540), (520, 540)]), "earth"),
        ),
        places=(
            Place("the yard", "yard", box(WEST + 570, SOUTH - 60, WEST + 650, SOUTH)),
            Place("mill stream", "watercourse", _line([(0, -20), (20, 200), (10, 520), (150, 700), (160, 860)])),
            Place("line north", "overhead_line", _line([(0, 900), (1100, 560)])),
        ),
        aerial=None,
        inputs={"fields.geojson": "0" * 64},
        notes=(
            Note(
                "assumed",
                "antenna of tractor and tanker",
                "above the rear axle",
                "outfits do not say where it is",
                "common practice, no source",
            ),
        ),
    )


def _line(points: Sequence[tuple[float, float]]) -> LineString:
    return LineString([(WEST + x, SOUTH + y) for x, y in points])


def example_passes(field: Field, grid: Grid) -> NDArray[np.float64]:
    """Return wheel passes: tramlines every 24 m, a headland round, a fan from each gateway; NaN outside."""
    x, y = grid.centres()
    xs, ys = np.meshgrid(x, y)
    inside = np.zeros(grid.shape, dtype=bool)
    edge = np.full(grid.shape, 1e9)
    corners = list(field.polygon.exterior.coords)
    for (x0, y0), (x1, y1) in zip(corners[:-1], corners[1:], strict=True):
        crosses = (y0 > ys) != (y1 > ys)
        inside ^= crosses & (xs < (x1 - x0) * (ys - y0) / (y1 - y0 + 1e-12) + x0)
        along = np.clip(((xs - x0) * (x1 - x0) + (ys - y0) * (y1 - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2), 0, 1)
        edge = np.minimum(edge, np.hypot(xs - x0 - along * (x1 - x0), ys - y0 - along * (y1 - y0)))
    passes = np.zeros(grid.shape)
    offset = np.abs((xs - corners[0][0]) % 24 - 12)
    passes[(np.abs(offset - 1.0) < 0.6) & (edge > 22)] += 4
    passes[(np.abs(edge - 11) < 0.6) | (np.abs(edge - 13) < 0.6)] += 9
    for gate in field.gateways:
        near = np.hypot(xs - gate.x, ys - gate.y)
        passes += np.where(near < 26, 60 * np.exp(-near / 9), 0)
    passes[~inside] = np.nan
    return passes


def example_summary(scenario: str, field: Field, factor: float, far_over: bool = False) -> FieldSummary:
    """Return the summary of one field under one scenario; `far_over` fills the scale."""
    grid = Grid.around(field.polygon.bounds, 1.0, CRS, margin=2.0)
    area = field.polygon.area / 1e4
    wheeled = 0.31 * area
    tight, over, far = 0.08 * area * factor, 0.05 * area * factor, 0.03 * area * factor**3
    if far_over:
        tight, over, far = 0.0, 0.01 * area, 0.95 * wheeled
    deep = (area - wheeled, wheeled - tight - over - far, tight, over, far)
    gateway = field.polygon.intersection(Point(field.gateways[0].x, field.gateways[0].y).buffer(25))
    infield = field.polygon.buffer(-24).difference(gateway)
    headland = field.polygon.difference(field.polygon.buffer(-24)).difference(gateway)
    shapes = {"headland": headland, "gateway": gateway, "infield": infield, "all": field.polygon}
    crossings = {gate.key: 96.0 - 30.0 * place for place, gate in enumerate(field.gateways)}
    return FieldSummary(
        scenario=scenario,
        field=field,
        grid=grid,
        depths_m=DEPTHS,
        deep_from_m=0.22,
        rows=tuple(
            _row(scenario, field.key, zone, shape.area / 1e4, depth, factor)
            for zone, shape in shapes.items()
            for depth in DEPTHS
        ),
        zone_shapes=shapes,
        steps_ha={
            "deep": deep,
            "tilled": (area - wheeled, wheeled * 0.4, wheeled * 0.3, wheeled * 0.2, wheeled * 0.1),
        },
        parts=tuple(_part(key, day, job, outfit, weight * factor, area) for key, day, job, outfit, weight in JOBS),
        worst=_worst(field, factor),
        drives={key: _drive(field, shift) for shift, (key, *_) in enumerate(JOBS)},
        crossings=crossings,
        lasting_ha=over * 0.6 + far,
        wheeled_ha=wheeled,
        profiles=_profiles(factor),
        notes=(
            Note(
                "assumed",
                f"field {field.key}: headland width",
                "24 m",
                "fields.geojson does not give one",
                "one bout, common practice, no source",
            ),
            Note(
                "warned",
                f"field {field.key}: strength",
                "texture only",
                "no measured strength; read the chances as a ranking",
                "",
            ),
        ),
    )


def _row(scenario: str, field: str, zone: str, area: float, depth: float, factor: float) -> dict[str, object]:
    share = {"headland": 55.0, "gateway": 92.0, "infield": 22.0, "all": 31.0}[zone]
    stress = 190.0 * factor * math.exp(-depth / 0.6)
    return {
        "scenario": scenario,
        "field": field,
        "zone": zone,
        "area_ha": area,
        "wheeled_pct": share,
        "passes_mean": share / 12,
        "passes_max": 96.0,
        "traffic_t_km_ha": 140.0 * factor * share / 31,
        "depth_m": depth,
        "layer": "deep" if depth >= 0.22 else "tilled",
        "stress_kpa_p95": stress,
        "ratio_p95": stress / 95,
        "overstressed_ha": area * 0.08 * factor,
        "chance_mean": 0.2 * factor,
        "compaction_mean": 0.1 * factor,
        "depth_reached_m_p95": 0.62 * factor**0.5,
    }


def _part(key: str, day: dt.date, job: str, outfit: str, weight: float, area: float) -> OperationPart:
    added = max(0.0, weight - 0.55) * 0.12 * area
    return OperationPart(
        key,
        day,
        job,
        outfit,
        round(area / 3),
        area * 1.1,
        area * 0.35,
        area,
        area * 28 * weight,
        added,
        added * 1.4,
    )


def _drive(field: Field, shift: int) -> LineString:
    west, south, east, north = field.polygon.buffer(-20).bounds
    points = []
    for index, x in enumerate(np.arange(west + shift * 3, east, 24.0)):
        points += [(x, south), (x, north)] if index % 2 == 0 else [(x, north), (x, south)]
    return LineString(points)


def _worst(field: Field, factor: float) -> tuple[WorstPlace, ...]:
    gate = field.gateways[0]
    x, y = field.polygon.representative_point().coords[0]
    chance = min(0.97, 0.95 * factor)
    west, south, east, _ = field.polygon.bounds
    return (
        WorstPlace(
            field.key,
            gate.key,
            "gateway",
            gate.x,
            gate.y,
            420.0,
            1.9 * factor,
            0.35,
            0.35,
            chance,
            chance,
            96.0,
            "every load of slurry and grain goes through here, full one way",
        ),
        WorstPlace(
            field.key,
            "south headland",
            "headland",
            (west + east) / 2,
            south + 40,
            1850.0,
            1.5 * factor,
            0.35,
            0.35,
            0.84 * factor,
            0.84 * factor,
            18.0,
            "turns of all six operations, the tanker still half full",
        ),
        WorstPlace(
            field.key,
            "wet hollow",
            "infield",
            x,
            y,
            900.0,
            1.2 * factor,
            0.50,
            0.50,
            0.66 * factor,
            0.66 * factor,
            6.0,
            "softest soil of the field under the heaviest wheel of the year",
        ),
        WorstPlace(
            field.key,
            "row 4",
            "infield",
            x - 60,
            y + 30,
            640.0,
            1.05 * factor,
            0.35,
            0.35,
            0.55 * factor,
            0.55 * factor,
            4.0,
            "first full run of each load",
        ),
    )


def _profiles(factor: float) -> tuple[WheelProfile, ...]:
    made = []
    low, high = (20, 40, 55, 65, 75, 85), (40, 80, 95, 110, 125, 140)
    rows = [
        (
            "tractor and tanker",
            "spread",
            (
                ("tanker rear", 5200.0, 2.4),
                ("tanker front", 4900.0, 2.4),
                ("tractor rear", 3600.0, 1.4),
                ("tractor front", 1900.0, 1.2),
            ),
        ),
        ("combine", "harvest", (("front", 7400.0, 2.0), ("rear", 2300.0, 1.8))),
        ("sprayer", "spray-1", (("front", 2400.0, 2.2), ("rear", 2600.0, 2.2))),
    ]
    for outfit, operation, axles in rows:
        for axle, load, bar in axles:
            top = 60 + load / 60 * factor
            stress = tuple(top * math.exp(-depth / (0.35 + load / 2e4)) for depth in DEPTHS)
            upper = tuple(value * (1.25 if depth < 0.6 else 1.0) for value, depth in zip(stress, DEPTHS, strict=True))
            made.append(WheelProfile(outfit, axle, operation, load, bar, "moulds", DEPTHS, stress, upper, low, high))
    return tuple(made)


def example_pictures(field: Field, grid: Grid, factor: float) -> tuple[Picture, ...]:
    """Return twelve layers of one field; the same shape under the same scenario is made once."""
    key = (field.polygon.wkb, factor)
    if key not in _MADE:
        _MADE[key] = _pictures(field, grid, factor)
    return _MADE[key]


_MADE: dict[tuple[bytes, float], tuple[Picture, ...]] = {}


def _pictures(field: Field, grid: Grid, factor: float) -> tuple[Picture, ...]:
    passes = example_passes(field, grid)
    touched = np.where(np.isnan(passes), np.nan, np.where(passes > 0, 1.0, 0.0))
    level = touched * factor * (0.7 + 0.55 * np.log10(1 + np.nan_to_num(passes)))
    layers = {
        "lasting": np.clip(level * 0.62 - 0.12 * touched, 0, 1),
        "depth_reached": level * 0.48,
        "passes": passes,
        "traffic": passes * 42.0,
    }
    for tag, weight in (("20", 1.5), ("35", 1.15), ("50", 0.85), ("70", 0.6)):
        layers[f"ratio_{tag}"] = level * weight
        layers[f"stress_{tag}"] = level * weight * 95
    return tuple(encode(layer, values, grid) for layer, values in layers.items())


def example_report(
    units: str = "metric",
    names: Mapping[str, str] | None = None,
    far_over: bool = False,
    title: str = "Ostara Flats",
) -> dict[str, object]:
    """Return the keyword arguments of write_report, but for the path."""
    farm = example_farm(units, names, title)
    summaries: dict[str, list[FieldSummary]] = {}
    pictures: dict[tuple[str, str], tuple[Picture, ...]] = {}
    for scenario, (_, factor) in SCENARIOS.items():
        summaries[scenario] = [example_summary(scenario, field, factor, far_over) for field in farm.fields.values()]
        for summary in summaries[scenario]:
            pictures[scenario, summary.field.key] = example_pictures(summary.field, summary.grid, factor)
    notes = [*farm.notes, *(note for summary in summaries["base"] for note in summary.notes)]
    notes.append(
        replace(
            farm.notes[0],
            kind="repaired",
            what="fields.geojson: Hill Piece",
            value="ring closed",
            why="the outline was open",
        )
    )
    run = {"version": "0.1.0", "crs": CRS, "parameters": {"cell_m": 1.0, "depths_m": list(DEPTHS)}}
    return {"farm": farm, "summaries": summaries, "pictures": pictures, "notes": notes, "run": run}
