"""How long reading takes: 1,000 fields of 100 vertices on 1,000 soil polygons (printed, not asserted)."""

import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from spoiled_farms import CRS, EAST, NORTH, OPS, text, write, write_good

from trafficplan.inputs.farm import read_farm

SIDE = 32  # 32 x 32 fields, 120 m apart


def big_farm(folder: Path) -> Path:
    """Write a farm of 1,000 round fields of 100 vertices and a soil map of 1,000 squares of 90 vertices."""
    write_good(folder)
    places = [(EAST + 120 * (i % SIDE), NORTH + 120 * (i // SIDE)) for i in range(1000)]
    turn = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    rings = [np.column_stack([x + 55 * np.cos(turn), y + 55 * np.sin(turn)]) for x, y in places]
    names = [f"Field {i}" for i in range(1000)]
    soils = [shapely.segmentize(shapely.box(x - 40, y - 60, x + 80, y + 60), 5.5) for x, y in places]
    units = ["A" if i % 3 else "B" for i in range(1000)]
    fields = gpd.GeoDataFrame({"field": names}, geometry=shapely.polygons(rings), crs=CRS)
    for name in ("access.geojson", "tramlines.geojson", "scenarios.toml", "fields.geojson", "soil.geojson"):
        (folder / name).unlink()
    fields.to_file(folder / "fields.gpkg")
    gpd.GeoDataFrame({"unit": units}, geometry=soils, crs=CRS).to_file(folder / "soil.gpkg")
    write(OPS, "id,date,field,job,outfit\n1,2026-03-20,Field 1,roll,spreader\n")(folder)
    text("farm.toml", 'name = "One Hectare"', 'name = "Thousand"')(folder)
    return folder


@pytest.mark.benchmark
def test_reading_a_thousand_fields_and_soil_polygons(tmp_path: Path) -> None:
    folder = big_farm(tmp_path / "farm")
    read_farm(write_good(tmp_path / "small"))  # libraries are loaded
    begin = time.perf_counter()
    farm = read_farm(folder)
    took = time.perf_counter() - begin
    assert len(farm.fields) == 1000 and len(farm.soil_map) >= 1000
    vertices = sum(shapely.get_num_coordinates(field.polygon) for field in farm.fields.values())
    print(f"\n1,000 fields ({vertices} vertices) and {len(farm.soil_map)} soil polygons read in {took:.2f} s")
