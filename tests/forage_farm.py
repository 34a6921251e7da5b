"""Make a farm folder from the open data: nineteen fields cut by one forage harvester, with its own task data.

Measured: boundaries (where two overlap, the later one is cut) and time logs. Assumed: the machine with its
masses, tyres and pressures; one soil everywhere; tillage to 25 cm. Run by hand: python tests/forage_farm.py FOLDER
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from xml.etree import ElementTree

import geopandas
import shapely
from real_field import open_data_folder

CRS = "EPSG:32632"

FARM = f"""\
name = "Maize for silage"
season = 2020
timezone = "UTC"
crs = "{CRS}"
"""

HARVESTER = """\
# Assumed: nothing is known of the machine but the width of its header.
title = "Forage harvester with a 9 m header"
width_m = 9.0
radius_m = 7.5
capacity_t = 0
field_km_h = 5.0
track_km_h = 30.0

[[vehicle]]
name = "harvester"
kind = "powered"

  [[vehicle.axle]]
  name = "front"
  behind_m = 0.0
  tyre = "800/65R32"
  track_width_m = 2.6
  empty_t = 11.0
  field_bar = 1.6
  track_bar = 1.6

  [[vehicle.axle]]
  name = "rear"
  behind_m = 3.2
  tyre = "600/65R28"
  track_width_m = 2.4
  empty_t = 4.5
  field_bar = 1.4
  track_bar = 1.4
"""


def boundaries(main: Path) -> geopandas.GeoDataFrame:
    """Return the fields (PFD) of a TASKDATA.XML: rings are closed here, the standard leaves them open."""
    rows = []
    for one in ElementTree.parse(main).getroot().findall("PFD"):
        rings = [
            [(float(point.get("D")), float(point.get("C"))) for point in line.findall("PNT")]
            for line in one.findall("PLN/LSG[@A='1']")
        ]
        rows.append({"field": one.get("A"), "given_m2": float(one.get("D")), "geometry": shapely.Polygon(rings[0])})
    return geopandas.GeoDataFrame(rows, crs="EPSG:4326")


def cut_apart(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
    """Return fields without overlaps: the set's PFD-17 lies on 619 m2 of PFD-14, and is cut there."""
    shapes = list(frame.geometry)
    for i, shape in enumerate(shapes):
        for before in shapes[:i]:
            if shape.intersects(before):
                parts = shape.difference(before)
                shape = max(getattr(parts, "geoms", [parts]), key=lambda one: one.area)
        shapes[i] = shape
    return frame.set_geometry(geopandas.GeoSeries(shapes, index=frame.index, crs=frame.crs))


def tasks(main: Path) -> list[tuple[str, str, str]]:
    """Return (log, field, day) of all logs, in the order of the file."""
    found = []
    for task in ElementTree.parse(main).getroot().findall("TSK"):
        began = [one.get("A")[:10] for one in task.findall("TIM") if one.get("D") == "4"]
        for log, day in zip(task.findall("TLG"), began, strict=True):
            found.append((log.get("A"), task.get("E"), day))
    return found


def make_forage_farm(folder: Path, open_data: Path, fields: tuple[str, ...] = ()) -> Path:
    """Write the farm folder, of all fields or of some; one operation per log."""
    source = open_data / "forage-harvest" / "TASKDATA"
    (folder / "outfits").mkdir(parents=True)
    shutil.copytree(source, folder / "tracks" / "TASKDATA")
    frame = boundaries(source / "TASKDATA.XML")
    if fields:
        frame = frame[frame.field.isin(fields)]
    frame = cut_apart(frame)
    frame.assign(tillage_depth_m=0.25).drop(columns="given_m2").to_file(folder / "fields.geojson")
    around = shapely.box(*frame.to_crs(CRS).total_bounds).buffer(200)
    geopandas.GeoDataFrame({"unit": ["loam"]}, geometry=[around], crs=CRS).to_file(folder / "soil.geojson")
    rows = [f"{log},{day},{field},cut,harvester,TASKDATA/{log}" for log, field, day in tasks(source / "TASKDATA.XML")
            if not fields or field in fields]  # fmt: skip
    (folder / "farm.toml").write_text(FARM, encoding="utf-8")
    (folder / "outfits" / "harvester.toml").write_text(HARVESTER, encoding="utf-8")
    (folder / "horizons.csv").write_text("unit,top_m,bottom_m,texture\nloam,0,1.2,loam\n", encoding="utf-8")
    (folder / "operations.csv").write_text("\n".join(["id,date,field,job,outfit,drive", *rows, ""]), encoding="utf-8")
    return folder


if __name__ == "__main__":
    print(make_forage_farm(Path(sys.argv[1]), open_data_folder()))
