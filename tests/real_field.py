"""Make a farm folder from the open data: one maize field, its combine's own log and its official soil map.

What is measured (track, soil map) comes from the open data; the rest (machine, texture classes, gateway,
tillage depth) is assumed, and the README that is written beside it says so.
Run by hand: python tests/real_field.py FOLDER
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import geopandas
import numpy as np
import pandas
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from shapely.geometry.base import BaseGeometry

CRS = "EPSG:32615"
HEADER_M = 9.144  # 12 rows of 30 inches
LONGEST_STEP_M = 9.0  # between fixes of one pass (3 s of work); from pass to pass it is longer
CLOSED_GAP_M = 3.0  # narrower gaps between passes are wobble of the fixes, not obstacles
CLOSED_BAY_M = 20.0  # passes end in a ragged line; the field's edge does not
STRAIGHT = 0.95  # cosine of the angle between one step and the next
SMALLEST_OBSTACLE_M2 = 150.0

FARM = """\
name = "Maize field south of Mankato"
season = 2011
timezone = "America/Chicago"
units = "us"
crs = "EPSG:32615"

[columns.soil]
unit = "MUSYM"

[tracks."track.tsv"]
time = { column = "time", unit = "s" }
x = { column = "long", unit = "degrees" }
y = { column = "lat", unit = "degrees" }
flow = { column = "mass", unit = "lb/s" }
record = { column = "seconds", unit = "s" }
step = { column = "dist", unit = "in" }
crs = "EPSG:4326"
separator = "tab"
"""

COMBINE = """\
# Assumed: nothing is known of the machine but the width of its header.
title = "Combine with a 12-row maize header"
width_m = 9.144
radius_m = 7.5
capacity_t = 8.0
density_t_m3 = 0.72
field_km_h = 7.3
track_km_h = 20.0

[[vehicle]]
name = "combine"
kind = "powered"

  [[vehicle.axle]]
  name = "front"
  behind_m = 0.0
  tyre = "800/65R32"
  wheels = 2
  track_width_m = 3.0
  empty_t = 10.5
  full_t = 17.0
  field_bar = 1.8
  track_bar = 1.8
  adjust = "none"

  [[vehicle.axle]]
  name = "rear"
  behind_m = 3.8
  tyre = "500/70R24"
  wheels = 2
  track_width_m = 2.8
  empty_t = 6.5
  full_t = 8.0
  field_bar = 1.6
  track_bar = 1.6
  adjust = "none"
"""

#: From memory of the county's soil legend and not verified.
TEXTURES = {
    "105C": "clay loam",
    "110": "silty clay loam",
    "211": "silty clay loam",
    "230": "silty clay loam",
    "319": "silt loam",
}

OPERATIONS = """\
id,date,field,job,outfit,change,drive
harvest,2011-11-05,Maize,harvest,combine,fills,track.tsv
"""

README = """\
# Maize field south of Mankato

Measured: the combine's log (tracks/track.tsv; University of Minnesota Precision Agriculture Center, as
distributed in the R data package agridat, licence CC BY-SA 3.0) and the soil map (SSURGO, Blue Earth County,
USDA-NRCS, public domain).

Derived: the boundary, as the ground within half a header of the passes.

Assumed: the machine with its masses, tyres and pressures; the texture classes of the soil units (from memory
of the county's legend, not verified); the gateway (the corner where the log ends); tillage to 25 cm.
"""


def read_fixes(log: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return x, y [m] and grain flow [lb/s] of every record of the log."""
    table = pandas.read_csv(log, sep="\t")
    to_metres = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    x, y = to_metres.transform(table["long"].to_numpy(float), table["lat"].to_numpy(float))
    return np.asarray(x), np.asarray(y), table["mass"].to_numpy(float)


def in_work(x: NDArray[np.float64], y: NDArray[np.float64], flow: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return for each step between two fixes whether the header was harvesting on it.

    A longer step counts too where it runs straight on with its neighbours: there records are missing.
    """
    step = np.hypot(np.diff(x), np.diff(y))
    along = np.column_stack([np.diff(x), np.diff(y)]) / np.maximum(step, 1e-9)[:, None]
    straight = np.ones(len(step), dtype=bool)
    onward = (along[1:] * along[:-1]).sum(axis=1) > STRAIGHT
    straight[1:] &= onward
    straight[:-1] &= onward
    return ((step <= LONGEST_STEP_M) | straight) & (flow[1:] > 0)


def close_gaps(ground: BaseGeometry, gap_m: float) -> BaseGeometry:
    """Return `ground` with gaps and bays narrower than `gap_m` filled."""
    return ground.buffer(gap_m / 2, join_style="mitre").buffer(-gap_m / 2, join_style="mitre")


def boundary(x: NDArray[np.float64], y: NDArray[np.float64], flow: NDArray[np.float64]) -> shapely.Polygon:
    """Return the ground that the header went over, small gaps closed, obstacles left as holes [m]."""
    ends = np.stack([np.column_stack([x[:-1], y[:-1]]), np.column_stack([x[1:], y[1:]])], axis=1)
    strips = shapely.buffer(shapely.linestrings(ends[in_work(x, y, flow)]), HEADER_M / 2)
    ground = close_gaps(shapely.union_all(strips), CLOSED_GAP_M).buffer(-1.0).buffer(1.0)
    largest = max(getattr(ground, "geoms", [ground]), key=lambda part: part.area)
    rim = close_gaps(shapely.Polygon(largest.exterior), CLOSED_BAY_M)
    obstacles = [hole for hole in map(shapely.Polygon, largest.interiors) if hole.area > SMALLEST_OBSTACLE_M2]
    field = rim.difference(shapely.union_all(obstacles)).simplify(0.3)
    assert isinstance(field, shapely.Polygon)
    return field


def write_layer(frame: geopandas.GeoDataFrame, path: Path) -> None:
    """Write a layer as GeoJSON in WGS84, coordinates to 7 decimals."""
    degrees = frame.to_crs("EPSG:4326")
    degrees.geometry = shapely.transform(np.asarray(degrees.geometry), lambda xy: xy.round(7))
    path.write_text(degrees.to_json(drop_id=True) + "\n", encoding="utf-8")


def horizons() -> str:
    """Return horizons.csv: topsoil and subsoil of one assumed texture class per unit."""
    rows = ["unit,top_m,bottom_m,texture"]
    for unit, texture in TEXTURES.items():
        rows += [f"{unit},0,0.25,{texture}", f"{unit},0.25,1.2,{texture}"]
    return "\n".join(rows) + "\n"


def make_real_farm(folder: Path, open_data: Path) -> Path:
    """Write the farm folder of the real field into `folder`, return it; `open_data` holds grain-harvest/."""
    source = open_data / "grain-harvest"
    for part in (folder, folder / "outfits", folder / "tracks"):
        part.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source / "track.tsv", folder / "tracks" / "track.tsv")
    x, y, flow = read_fixes(source / "track.tsv")
    field = boundary(x, y, flow)
    rim = shapely.get_coordinates(field.exterior)
    corner = rim[np.argmax(rim.sum(axis=1))]  # the north-east corner, where the log ends
    write_layer(
        geopandas.GeoDataFrame(
            {"field": ["Maize"], "crop": ["maize"], "tillage_depth_m": [0.25]}, geometry=[field], crs=CRS
        ),
        folder / "fields.geojson",
    )
    write_layer(
        geopandas.GeoDataFrame(
            {"kind": ["gateway"], "name": ["North-east gate"], "field": ["Maize"], "width_m": [12.0]},
            geometry=[shapely.Point(corner)],
            crs=CRS,
        ),
        folder / "access.geojson",
    )
    soil = geopandas.read_file(source / "soil_map_units.shp")[["MUSYM", "geometry"]]
    write_layer(soil, folder / "soil.geojson")
    (folder / "farm.toml").write_text(FARM, encoding="utf-8")
    (folder / "outfits" / "combine.toml").write_text(COMBINE, encoding="utf-8")
    (folder / "horizons.csv").write_text(horizons(), encoding="utf-8")
    (folder / "operations.csv").write_text(OPERATIONS, encoding="utf-8")
    (folder / "README.md").write_text(README, encoding="utf-8")
    return folder


def open_data_folder() -> Path:
    """Return the folder of the open data: TRAFFICPLAN_OPEN_DATA, or beside the repository."""
    beside = Path(__file__).resolve().parents[2] / "shared" / "open-data"
    return Path(os.environ.get("TRAFFICPLAN_OPEN_DATA", beside))


if __name__ == "__main__":
    print(make_real_farm(Path(sys.argv[1]), open_data_folder()))
