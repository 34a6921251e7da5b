"""Heights of the ground and their slope."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from spoiled_farms import CRS, EAST, NORTH, square, write_good
from spoiled_vectors import raster, top

from trafficplan.farm.elevation import Elevation, slope, slopes_within
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.overview import understood
from trafficplan.names import Note
from trafficplan.report.overview_text import overview_lines


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


def plane(rise_east: float, rise_north: float, rows: int = 30, cols: int = 30, cell: float = 5.0) -> np.ndarray:
    """Return heights of a plane at the cell centres, 100 m in the upper left corner."""
    x, y = (np.arange(cols) + 0.5) * cell, -(np.arange(rows) + 0.5) * cell
    return 100 + rise_east * x[None, :] + rise_north * y[:, None]


def test_slope_of_a_plane_is_exact() -> None:
    model = Elevation(EAST, NORTH + 150, 5.0, plane(0.03, -0.04).astype(np.float32))
    found = slope(model)
    assert np.isnan(found[0]).all() and np.isnan(found[:, -1]).all()
    assert found[1:-1, 1:-1] == pytest.approx(0.05, abs=1e-5)  # hypot(0.03, 0.04)
    whole = shapely.box(EAST, NORTH, EAST + 150, NORTH + 150)
    assert slopes_within(model, whole).size == 28 * 28
    assert slopes_within(model, shapely.box(0, 0, 1, 1)).size == 0


@pytest.mark.parametrize("unit, factor", [(None, 1.0), ("ft", 0.3048)])
def test_check_tells_the_steepest_slope_of_each_field(folder: Path, unit: str | None, factor: float) -> None:
    raster("elevation.tif", (plane(0.06, 0.08) / factor).astype(np.float32), cell=5.0)(folder)
    if unit:
        top(f'elevation_unit = "{unit}"')(folder)
    farm = read_farm(folder)
    assert farm.elevation is not None and "elevation.tif" in farm.inputs
    (told,) = understood(farm)["fields"]
    assert told["slope_pct_max"] == pytest.approx(10.0, abs=0.1)  # hypot(6, 8) %
    words = "\n".join(overview_lines(understood(farm), []))
    assert "steepest" in words and f"{told['slope_pct_max']:g} %" in words
    assert "0.44 ha of the soil map lie outside the fields" in words  # 2 x 60 m x 120 m less 1 ha
    assert bool(notes(farm, "assumed", "elevation.tif: unit")) == (unit is None)


def test_heights_in_another_system_are_laid_over_the_fields(folder: Path) -> None:
    # a cone in the working CRS, sampled on a grid of degrees of about 2 m: its slope is 8 % everywhere
    west, south, east, north = gpd.GeoSeries([square(-60, -60, 220, 220)], crs=CRS).to_crs("EPSG:4326").total_bounds
    cols, rows = 120, 120
    grid = from_origin(west, north, (east - west) / cols, (north - south) / rows)
    lon, lat = west + (np.arange(cols) + 0.5) * grid.a, north + (np.arange(rows) + 0.5) * grid.e
    places = gpd.GeoSeries(gpd.points_from_xy(*[one.ravel() for one in np.meshgrid(lon, lat)]), crs="EPSG:4326").to_crs(
        CRS
    )
    away = np.hypot(places.x.to_numpy() - EAST - 50, places.y.to_numpy() - NORTH + 300)
    with rasterio.open(folder / "elevation.tif", "w", driver="GTiff", height=rows, width=cols, count=1,
                       dtype="float32", crs="EPSG:4326", transform=grid) as target:  # fmt: skip
        target.write((20 + 0.08 * away).reshape(rows, cols).astype(np.float32), 1)
    farm = read_farm(folder)
    assert farm.elevation is not None
    found = slopes_within(farm.elevation, farm.fields["Park"].polygon)
    assert found.size > 1000
    assert float(np.median(found)) == pytest.approx(0.08, abs=0.002)  # bilinear between cells


def test_without_heights_nothing_is_said(folder: Path) -> None:
    farm = read_farm(folder)
    assert farm.elevation is None and "slope_pct_max" not in understood(farm)["fields"][0]
