"""A good farm of 1 ha, written in code, and the ways to spoil it."""

from __future__ import annotations

import functools
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from pyproj import Transformer

#: South-west corner of the farm in the working CRS; made-up place on flat land.
CRS = "EPSG:32635"
EAST, NORTH = 500_000.0, 6_100_000.0

FARM = """name = "One Hectare"
season = 2026
timezone = "Europe/Vilnius"
units = "metric"
crs = "EPSG:32635"

[tracks."harvest.tsv"]
time = { column = "time", unit = "s" }
x = { column = "long", unit = "degrees" }
y = { column = "lat", unit = "degrees" }
flow = { column = "mass", unit = "lb/s" }
step = { column = "dist", unit = "in" }
"""

OUTFIT = """title = "Tractor with trailed spreader"
width_m = 12.0
radius_m = 7.0
capacity_t = 9.0
empties = "rear"
field_km_h = 8.0
track_km_h = 35.0
antenna_behind_m = 0.0

[[vehicle]]
name = "tractor"
kind = "powered"
hitch_behind_m = 1.0
  [[vehicle.axle]]
  name = "front"
  behind_m = -2.8
  tyre = "600/65R28"
  track_width_m = 1.9
  empty_t = 3.1
  full_t = 2.6
  field_bar = 1.0
  track_bar = 1.6
  [[vehicle.axle]]
  name = "rear"
  tyre = "650/75R38"
  track_width_m = 1.9
  empty_t = 5.0
  full_t = 7.3
  field_bar = 1.0
  track_bar = 1.6

[[vehicle]]
name = "spreader"
kind = "drawn"
drawbar_m = 5.0
  [[vehicle.axle]]
  name = "trailer"
  tyre = "710/70R42"
  track_width_m = 2.1
  empty_t = 4.0
  full_t = 11.2
  field_bar = 1.4
  track_bar = 2.0
  adjust = "hose"
  adjust_min = 6
"""

OPERATIONS = """\
id,date,start_time,field,job,outfit,rate,load,change,pressure,drive,gateway,till_depth_m,moisture
1,2026-03-20,08:00,Park,slurry,spreader,30 m3/ha,,empties,,tramlines,South gate,,moulds
2,2026-04-10,,Park,plough,spreader,,,,front:1.0;rear:0.8,swaths,,0.22,"top:crumbles,deep:smears"
3,2026-10-01,09:30,Park,harvest,spreader,8 t/ha,9 t,fills,,harvest.tsv,,,15
"""

SCENARIOS = """[lighter]
title = "Lighter loads"
  [[lighter.change]]
  jobs = ["slurry"]
  load_factor = 0.7
  pressure = "trailer:1.0"
"""

HORIZONS = """unit,top_m,bottom_m,texture,sand_pct,silt_pct,clay_pct,organic_pct,density_g_cm3
A,0,0.3,loam,40,40,20,2.5,1.40
A,0.3,1.2,clay loam,30,38,32,0.8,1.50
B,0,1.0,silty clay loam,,,,3.0,
"""

WEATHER = "date,rain_mm,et0_mm\n2026-03-18,4.0,1.1\n2026-03-19,0.0,1.4\n2026-03-20,0.5,1.2\n"

TYRES = """tyre,load_kg,speed_km_h,pressure_bar
710/70R42,4000,40,1.2
710/70R42,5000,40,1.6
710/70R42,5000,10,1.0
"""


def square(west: float, south: float, width: float, height: float) -> shapely.Polygon:
    """Return a rectangle by its offset from the farm's corner [m]."""
    return shapely.box(EAST + west, NORTH + south, EAST + west + width, NORTH + south + height)


def layers() -> dict[str, gpd.GeoDataFrame]:
    """Return the farm's vector layers in the working CRS: 1 ha with two soils and three tramlines."""
    point = shapely.Point(EAST + 50, NORTH)
    lines = [shapely.LineString([(EAST + x, NORTH - 10), (EAST + x, NORTH + 110)]) for x in (38, 50, 62)]
    frames = {
        "fields": {
            "field": ["Park"],
            "crop": ["maize"],
            "tillage_depth_m": [0.25],
            "geometry": [square(0, 0, 100, 100)],
        },
        "soil": {"unit": ["A", "B"], "geometry": [square(-10, -10, 60, 120), square(50, -10, 60, 120)]},
        "access": {
            "kind": ["gateway", "track", "yard"],
            "name": ["South gate", "Lane", "Yard"],
            "field": ["Park", "", ""],
            "width_m": [6.0, np.nan, np.nan],
            "surface": ["", "gravel", ""],
            "geometry": [
                point,
                shapely.LineString([(EAST + 50, NORTH - 1), (EAST + 50, NORTH - 80)]),
                square(40, -100, 20, 20),
            ],
        },
        "tramlines": {"field": ["Park"] * 3, "geometry": lines},
    }
    return {name: gpd.GeoDataFrame(columns, crs=CRS) for name, columns in frames.items()}


def track() -> str:
    """Return a recorded track: up and down the field, a fix each 2 s."""
    north = np.concatenate([np.arange(5, 96, 4.0), np.arange(95, 4, -4.0)])
    east = np.concatenate([np.full(23, 30.0), np.full(23, 42.0)])
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + east, NORTH + north)
    rows = [f"{x:.8f}\t{y:.8f}\t10.0\t{2 * i}\t157.5" for i, (x, y) in enumerate(zip(lon, lat, strict=True))]
    return "\n".join(["long\tlat\tmass\ttime\tdist", *rows]) + "\n"


@functools.cache
def good_files() -> dict[str, bytes]:
    """Return the good farm's files; made once per run of the tests."""
    texts = {
        "farm.toml": FARM,
        "operations.csv": OPERATIONS,
        "scenarios.toml": SCENARIOS,
        "horizons.csv": HORIZONS,
        "weather.csv": WEATHER,
        "tyre_tables.csv": TYRES,
        "outfits/spreader.toml": OUTFIT,
        "tracks/harvest.tsv": track(),
    }
    files = {name: content.encode() for name, content in texts.items()}
    with tempfile.TemporaryDirectory() as folder:
        for name, frame in layers().items():
            path = Path(folder) / f"{name}.geojson"
            frame.to_crs("EPSG:4326").to_file(path, driver="GeoJSON", COORDINATE_PRECISION=9)
            files[path.name] = path.read_bytes()
    return files


def write_good(folder: Path) -> Path:
    """Write the good farm into a new folder and return it."""
    (folder / "outfits").mkdir(parents=True)
    (folder / "tracks").mkdir()
    for name, content in good_files().items():
        (folder / name).write_bytes(content)
    return folder


@dataclass(frozen=True)
class Spoiling:
    """One way to spoil the good farm, and what must be said of it."""

    name: str
    spoil: Callable[[Path], None]
    where: str
    what: str
    found: str = ""
    mend: str = ""
    problems: int = 1


def text(file: str, old: str, new: str) -> Callable[[Path], None]:
    """Replace a text that occurs in a file."""

    def spoil(folder: Path) -> None:
        path = folder / file
        before = path.read_text(encoding="utf-8")
        assert old in before, (file, old)
        path.write_text(before.replace(old, new, 1), encoding="utf-8")

    return spoil


def write(file: str, content: str | bytes) -> Callable[[Path], None]:
    """Write a file anew."""
    raw = content.encode() if isinstance(content, str) else content
    return lambda folder: (folder / file).write_bytes(raw) and None


def remove(file: str) -> Callable[[Path], None]:
    return lambda folder: (folder / file).unlink()


def feature(file: str, number: int, change: Callable[[dict], object]) -> Callable[[Path], None]:
    """Change one feature of a GeoJSON file as plain JSON."""

    def spoil(folder: Path) -> None:
        path = folder / file
        data = json.loads(path.read_text())
        change(data["features"][number])
        path.write_text(json.dumps(data))

    return spoil


def every(file: str, change: Callable[[list[float]], list[float]]) -> Callable[[Path], None]:
    """Change every position of a GeoJSON file."""

    def walk(node: list) -> list:
        return change(node) if isinstance(node[0], int | float) else [walk(one) for one in node]

    def spoil(folder: Path) -> None:
        path = folder / file
        data = json.loads(path.read_text())
        for one in data["features"]:
            one["geometry"]["coordinates"] = walk(one["geometry"]["coordinates"])
        path.write_text(json.dumps(data))

    return spoil


def prop(key: str, value: object) -> Callable[[dict], object]:
    return lambda one: one["properties"].__setitem__(key, value)


def second_field(west: float) -> Callable[[Path], None]:
    """Add a field of 1 ha that begins `west` m east of the first one's western edge."""

    def spoil(folder: Path) -> None:
        frame = layers()["fields"]
        more = frame.assign(field="Long Acre", geometry=[square(west, 0, 100, 100)])
        both = gpd.GeoDataFrame(
            {"field": ["Park", "Long Acre"], "geometry": [frame.geometry[0], more.geometry[0]]}, crs=CRS
        )
        both.to_crs("EPSG:4326").to_file(folder / "fields.geojson", driver="GeoJSON", COORDINATE_PRECISION=9)

    return spoil


def rewrite(layer: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> Callable[[Path], None]:
    """Write a layer anew after a change in the working CRS."""

    def spoil(folder: Path) -> None:
        frame = change(layers()[layer])
        frame.to_crs("EPSG:4326").to_file(folder / f"{layer}.geojson", driver="GeoJSON", COORDINATE_PRECISION=9)

    return spoil


def to_shapefile(frame: gpd.GeoDataFrame, path: Path) -> None:
    """Write a Shapefile; columns cut to 10 characters as the format does, without a warning."""
    short = frame.rename(columns={name: name[:10] for name in frame.columns if name != "geometry"})
    short.to_file(path)


def no_crs_shapefile(folder: Path) -> None:
    (folder / "fields.geojson").unlink()
    to_shapefile(layers()["fields"], folder / "fields.shp")
    (folder / "fields.prj").unlink()


def all_of(*steps: Callable[[Path], None]) -> Callable[[Path], None]:
    return lambda folder: [step(folder) for step in steps] and None


def line_of_ring(one: dict) -> None:
    one["geometry"] = {"type": "LineString", "coordinates": one["geometry"]["coordinates"][0]}


def swap(position: list[float]) -> list[float]:
    return [position[1], position[0]]


def metres(position: list[float]) -> list[float]:
    return [EAST, NORTH]


OUT = "outfits/spreader.toml"
OPS = "operations.csv"
