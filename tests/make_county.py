"""Write an invented county of farms: 40 farms, 1,040 fields, 40,000 ha; the same bytes every time.

Run by hand: python tests/make_county.py FOLDER [FARMS]

Every farm is a block of fields between lanes, on stripes of the sample farm's soils, with its outfits, tyre tables and
weather. Nothing here exists; the coordinates only make sun, time zone and map projection agree.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from make_sample_farm import machines, season, soils, weather
from numpy.typing import NDArray
from pyproj import Transformer
from shapely.geometry.base import BaseGeometry

CRS = "EPSG:32635"
EAST_M, NORTH_M = 400_000.0, 6_060_000.0
FARMS_ACROSS = 8
LANE_M = 12.0
FARMS, FIELDS, FIELD_HA = 40, 26, 38.6
LOST_TO_BENDS = 0.933  # what the crooked sides leave of a square, on average

COLUMNS = (
    "id",
    "date",
    "field",
    "job",
    "outfit",
    "rate",
    "load",
    "change",
    "drive",
    "till_depth_m",
    "runs_at_depth_m",
    "moisture",
)

#: Crop -> its year: month and day, job of the sample farm's outfits, other columns. Ten operations each.
YEARS: dict[str, tuple[tuple[str, str, dict[str, str]], ...]] = {
    "winter wheat": (
        ("03-24", "slurry", {"rate": "25 m3/ha", "moisture": "top:moulds,deep:smears"}),
        ("04-28", "spray", {"rate": "0.2 m3/ha"}),
        ("05-14", "spray", {"rate": "0.2 m3/ha"}),
        ("06-02", "spray", {"rate": "0.2 m3/ha"}),
        ("08-05", "harvest", {"load": "6.5 t", "change": "constant"}),
        ("08-05", "chase", {"rate": "7.8 t/ha"}),
        ("08-28", "cultivate", {"till_depth_m": "0.12"}),
        ("09-04", "dung", {"rate": "20 t/ha", "moisture": "moulds"}),
        ("09-08", "plough", {"till_depth_m": "0.24", "runs_at_depth_m": "0.22"}),
        ("09-19", "drill", {"rate": "0.19 t/ha"}),
    ),
    "spring barley": (
        ("04-07", "dung", {"rate": "25 t/ha", "moisture": "moulds"}),
        ("04-14", "cultivate", {"till_depth_m": "0.20"}),
        ("04-19", "drill", {"rate": "0.17 t/ha"}),
        ("05-12", "spray", {"rate": "0.2 m3/ha"}),
        ("05-30", "spray", {"rate": "0.2 m3/ha"}),
        ("06-20", "spray", {"rate": "0.2 m3/ha"}),
        ("08-12", "harvest", {"load": "6.5 t", "change": "constant"}),
        ("08-12", "chase", {"rate": "5.6 t/ha"}),
        ("09-10", "cultivate", {"till_depth_m": "0.12"}),
        ("10-06", "slurry", {"rate": "18 m3/ha", "moisture": "smears"}),
    ),
    "grass": (
        ("03-30", "slurry", {"rate": "20 m3/ha", "moisture": "moulds"}),
        ("05-26", "harvest", {"rate": "4.0 t/ha"}),
        ("06-03", "slurry", {"rate": "18 m3/ha"}),
        ("06-12", "spray", {"rate": "0.2 m3/ha"}),
        ("07-08", "harvest", {"rate": "3.2 t/ha"}),
        ("07-16", "slurry", {"rate": "18 m3/ha"}),
        ("08-20", "harvest", {"rate": "2.8 t/ha"}),
        ("08-29", "slurry", {"rate": "15 m3/ha"}),
        ("09-25", "harvest", {"rate": "1.9 t/ha"}),
        ("10-08", "slurry", {"rate": "15 m3/ha", "moisture": "smears"}),
    ),
}  # fmt: skip
TILLAGE_M = {"winter wheat": 0.24, "spring barley": 0.20, "grass": 0.0}


@dataclass(frozen=True)
class Size:
    """How big the farms are: fields a farm, hectares a field, operations a field (the first of its crop's year)."""

    fields: int = FIELDS
    field_ha: float = FIELD_HA
    operations: int = 10


@dataclass(frozen=True)
class Drawn:
    """One farm on the ground: field -> (crop, outline, gateway), lanes by name, the yard."""

    fields: dict[str, tuple[str, shapely.Polygon, shapely.Point]]
    lanes: dict[str, shapely.LineString]
    yard: shapely.Polygon
    extent: shapely.Polygon


def draw_farm(number: int, size: Size) -> Drawn:
    """Return farm `number` of the county: rows of slightly crooked fields along lanes that meet at the yard."""
    chance = random.Random(f"farm {number}")
    side = math.sqrt(size.field_ha * 1e4 / LOST_TO_BENDS)
    across = math.ceil(math.sqrt(size.fields))
    rows = math.ceil(size.fields / across)
    step_x, step_y = side, side + LANE_M
    room = math.ceil(math.sqrt(size.fields)) * (side + LANE_M) + 8 * LANE_M
    west = EAST_M + number % FARMS_ACROSS * room
    south = NORTH_M + number // FARMS_ACROSS * room
    fields: dict[str, tuple[str, shapely.Polygon, shapely.Point]] = {}
    lanes: dict[str, shapely.LineString] = {}
    crops = sorted(YEARS)
    for row in range(rows):
        lane_y = south + row * step_y + LANE_M / 2
        nodes = [(west - LANE_M, lane_y)]
        for column in range(min(across, size.fields - row * across)):
            x, y = west + column * step_x, south + row * step_y + LANE_M
            bend = [chance.uniform(0.0, 0.06) * side for _ in range(4)]
            shape = shapely.Polygon(
                [(x + 2, y), (x + side - 2, y), (x + side - 2 - bend[0], y + side - 2 - bend[1]), (x + 2 + bend[2], y + side - 2 - bend[3])]
            )  # fmt: skip
            gate = shapely.Point(x + side / 2, y)
            fields[f"Field {row + 1}-{column + 1}"] = (chance.choice(crops), shape, gate)
            nodes.append((gate.x, lane_y))
        lanes[f"Lane {row + 1}"] = shapely.LineString(nodes)
    lanes["Spine"] = (
        shapely.LineString([(west - LANE_M, south + row * step_y + LANE_M / 2) for row in range(rows)])
        if rows > 1
        else lanes["Lane 1"]
    )
    yard = shapely.box(west - 4 * LANE_M, south - LANE_M, west - LANE_M, south + LANE_M)
    extent = shapely.box(
        west - 5 * LANE_M, south - 2 * LANE_M, west + across * step_x + LANE_M, south + rows * step_y + 2 * LANE_M
    )
    return Drawn(fields, lanes, yard, extent)


def draw_soils(number: int, extent: shapely.Polygon) -> list[tuple[str, BaseGeometry]]:
    """Return the soil map: four slanting stripes of the sample farm's units, without gaps."""
    chance = random.Random(f"soil {number}")
    west, south, east, north = extent.bounds
    units = chance.sample(sorted(soils.HORIZONS), 4)
    cuts = [
        west - 1,
        *(west + (east - west) * (share + chance.uniform(-0.08, 0.08)) for share in (0.25, 0.5, 0.75)),
        east + 1,
    ]
    slant = chance.uniform(-0.1, 0.1) * (north - south)
    edges = [0.0 if i in (0, 4) else slant for i in range(5)]
    stripes = []
    for i, unit in enumerate(units):
        low, high = (cuts[i], edges[i]), (cuts[i + 1], edges[i + 1])
        corners = [(low[0], south), (high[0], south), (high[0] + high[1], north), (low[0] + low[1], north)]
        stripes.append((unit, shapely.Polygon(corners).intersection(extent)))
    return stripes


def layer(features: list[tuple[dict[str, Any], BaseGeometry]]) -> str:
    """Return GeoJSON in WGS84, one feature to a line, rounded to about 1 cm."""
    degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)

    def convert(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(degrees.transform(xy[:, 0], xy[:, 1])).round(7)

    shapes = shapely.orient_polygons(
        shapely.transform(np.array([shape for _, shape in features], dtype=object), convert)
    )
    lines = [
        json.dumps({"type": "Feature", "properties": properties, "geometry": json.loads(shapely.to_geojson(shape))})
        for (properties, _), shape in zip(features, shapes, strict=True)
    ]
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"


def operations_csv(number: int, drawn: Drawn, size: Size) -> str:
    """Return operations.csv: each field's crop's year, every field a few days off."""
    chance = random.Random(f"season {number}")
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for name, (crop, _, _) in drawn.fields.items():
        late = chance.randrange(6)
        for count, (day, job, more) in enumerate(YEARS[crop][: size.operations], start=1):
            outfit, change = season.JOBS[job]
            date = dt.date.fromisoformat(f"{season.YEAR}-{day}") + dt.timedelta(days=late)
            row = {"id": f"{name.removeprefix('Field ')}-{count}", "date": date.isoformat(), "field": name, "job": job}
            writer.writerow(row | {"outfit": outfit, "change": change, "drive": "swaths"} | more)
    return out.getvalue()


def make_farm(folder: Path, number: int, size: Size | None = None) -> Path:
    """Write farm `number` of the county into a folder of its own and return it."""
    size = size or Size()
    drawn = draw_farm(number, size)
    fields = [
        ({"field": name, "crop": crop, "tillage_depth_m": TILLAGE_M[crop]}, shape)
        for name, (crop, shape, _) in drawn.fields.items()
    ]
    access: list[tuple[dict[str, Any], BaseGeometry]] = [
        ({"kind": "gateway", "name": f"{name} gate", "field": name, "width_m": 8.0}, gate)
        for name, (_, _, gate) in drawn.fields.items()
    ]
    access += [({"kind": "track", "name": name, "surface": "gravel"}, line) for name, line in drawn.lanes.items()]
    access.append(({"kind": "yard", "name": "Yard"}, drawn.yard))
    texts = {
        "farm.toml": f'# An invented farm.\nname = "County farm {number + 1}"\nseason = {season.YEAR}\n'
        f'timezone = "Europe/Vilnius"\nunits = "metric"\ncrs = "{CRS}"\n',
        "fields.geojson": layer(fields),
        "soil.geojson": layer([({"unit": unit}, shape) for unit, shape in draw_soils(number, drawn.extent)]),
        "horizons.csv": soils.horizons_csv(),
        "access.geojson": layer(access),
        "operations.csv": operations_csv(number, drawn, size),
        "weather.csv": weather.weather_csv(season.YEAR),
        "tyre_tables.csv": machines.tyre_tables_csv(),
    }
    texts |= {f"outfits/{name}.toml": text for name, text in machines.outfits().items()}
    (folder / "outfits").mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


def make_county(folder: Path, farms: int = FARMS, size: Size | None = None) -> list[Path]:
    """Write the farms of the county, one folder each, and return the folders."""
    return [make_farm(folder / f"farm-{number + 1:02d}", number, size) for number in range(farms)]


if __name__ == "__main__":
    made = make_county(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else FARMS)
    print(f"{len(made)} farms in {sys.argv[1]}")
