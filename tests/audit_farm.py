"""A small farm for the tests of the audit: three fields of 0.4 ha, wet soil, a log, a haulier; all invented."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import shapely
from spoiled_farms import CRS, EAST, NORTH, OUTFIT, write_good

OPERATIONS = """\
id,date,start_time,field,job,outfit,rate,load,change,drive,gateway,till_depth_m,moisture,latest,fixed_because
a-slurry,2026-03-20,08:00,Alder,slurry,spreader,60 m3/ha,,empties,swaths,Alder south,,smears,,
a-plough,2026-04-02,,Alder,plough,roller,,,constant,swaths,,0.22,moulds,,
b-slurry,2026-03-21,08:00,Birch,slurry,spreader,60 m3/ha,,empties,swaths,,,smears,,booked
b-again,2026-03-22,08:00,Birch,slurry,spreader,60 m3/ha,,empties,swaths,,,smears,,
c-roll,2026-04-10,,Cedar,roll,roller,,,constant,swaths,,,moulds,,
"""

#: Enough for the tractor alone, invented; the loaded trailer is beyond them.
TYRES = """\
tyre,load_kg,speed_km_h,pressure_bar
600/65R28,2000,40,0.6
650/75R38,3000,40,0.6
710/70R42,4000,40,1.2
"""

#: Fields 60 m wide and 66 m high, 40 m apart.
PLACES = {"Alder": 0.0, "Birch": 100.0, "Cedar": 200.0}


def square(west: float) -> shapely.Polygon:
    return shapely.box(EAST + west, NORTH, EAST + west + 60, NORTH + 66)


def write_audit_farm(folder: Path, name: str = "Three Fields", operations: str = OPERATIONS) -> Path:
    """Write the farm; a plain tractor without load is its roller."""
    write_good(folder)
    shutil.rmtree(folder / "tracks")
    for gone in ("tramlines.geojson", "scenarios.toml", "weather.csv"):
        (folder / gone).unlink()
    shapes = [square(west) for west in PLACES.values()]
    fields = gpd.GeoDataFrame({"field": list(PLACES), "crop": ["wheat", "wheat", "beans"], "tillage_depth_m": [0.22, 0.22, 0.2]}, geometry=shapes, crs=CRS)  # fmt: skip
    fields.to_crs("EPSG:4326").to_file(folder / "fields.geojson")
    around = shapely.box(EAST - 50, NORTH - 50, EAST + 350, NORTH + 150)
    gpd.GeoDataFrame({"unit": ["A"]}, geometry=[around], crs=CRS).to_crs("EPSG:4326").to_file(folder / "soil.geojson")
    gates = [("Alder south", "Alder", 30.0, 0.0), ("Alder north", "Alder", 5.0, 66.0), ("Birch south", "Birch", 130.0, 0.0), ("Cedar south", "Cedar", 230.0, 0.0)]  # fmt: skip
    rows = {
        "kind": ["gateway"] * 4,
        "name": [g[0] for g in gates],
        "field": [g[1] for g in gates],
        "width_m": [6.0] * 4,
    }
    points = [shapely.Point(EAST + x, NORTH + y) for _, _, x, y in gates]
    gpd.GeoDataFrame(rows, geometry=points, crs=CRS).to_crs("EPSG:4326").to_file(folder / "access.geojson")
    (folder / "farm.toml").write_text(
        f'name = "{name}"\nseason = 2026\ntimezone = "Europe/Vilnius"\ncrs = "{CRS}"\n', encoding="utf-8"
    )
    (folder / "outfits" / "roller.toml").write_text(_roller(), encoding="utf-8")
    (folder / "outfits" / "wide.toml").write_text(_wide(), encoding="utf-8")
    (folder / "operations.csv").write_text(operations, encoding="utf-8")
    (folder / "tyre_tables.csv").write_text(TYRES, encoding="utf-8")
    return folder


def _roller() -> str:
    """Return a tractor alone with a roll of 6 m."""
    head, _, _ = OUTFIT.partition('[[vehicle]]\nname = "spreader"')
    head = head.replace("Tractor with trailed spreader", "Tractor with roll").replace("width_m = 12.0", "width_m = 6.0")
    return head.replace("capacity_t = 9.0\n", "").replace('empties = "rear"\n', "")


def _wide() -> str:
    """Return the spreader with a trailer on much wider tyres at half the pressure."""
    wide = OUTFIT.replace("Tractor with trailed spreader", "Spreader on wide tyres")
    return wide.replace('tyre = "710/70R42"', 'tyre = "1050/50R32"').replace("field_bar = 1.4", "field_bar = 0.7")
