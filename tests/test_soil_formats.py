"""Soil as points, rasters, mixed units and other silt bounds; heights and their slope."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from rasterio.warp import transform_geom
from shapely.geometry import shape
from spoiled_farms import (
    CRS,
    EAST,
    NORTH,
    remove,
    rewrite,
    square,
    write_good,
)
from spoiled_vectors import all_of, points, raster, remove_soil, toml, top

from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.overview import understood
from trafficplan.inputs.soil_cover import soil_shares
from trafficplan.names import Note


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


def shares(farm: Farm) -> dict[str, float]:
    return soil_shares(farm.soil_map, farm.fields["Park"])


# points


def test_each_place_takes_the_soil_of_its_nearest_point(folder: Path) -> None:
    points([(20, 50), (80, 50), (90, 10)], ["A", "B", "B"])(folder)
    farm = read_farm(folder)
    # A and the first B meet at x = 50; the line halfway from (20, 50) to (90, 10) runs through (55, 30) with
    # slope 70/40 and meets x = 50 at y = 30 - 5 x 1.75 = 21.25 and y = 0 at x = 55 - 30 / 1.75 = 37.857: the
    # third point takes a triangle of (50 - 37.857) x 21.25 / 2 = 129.0 m2 from the western half
    assert shares(farm) == pytest.approx({"A": 0.5 - 0.01290, "B": 0.5 + 0.01290}, abs=2e-5)
    (note,) = notes(farm, "assumed", "soil between the points")
    assert note.value == "A, B; up to 58 m from its point"  # (20, 50) to a corner of its ground, hypot(30, 50) = 58.3 m


def test_one_point_is_the_soil_of_the_whole_field(folder: Path) -> None:
    points([(-30, 50)], ["A"])(folder)
    farm = read_farm(folder)
    assert shares(farm) == pytest.approx({"A": 1.0}, abs=1e-4)
    assert "up to 139 m" in notes(farm, "assumed", "soil between")[0].value  # hypot(130, 50) = 139.3 m


def test_points_carry_their_own_sand_and_clay(folder: Path) -> None:
    remove("horizons.csv")(folder)
    places = [shapely.Point(EAST + 25, NORTH + 50), shapely.Point(EAST + 75, NORTH + 50)]
    values = {"sand_pct": [40.0, 10.0], "clay_pct": [20.0, 60.0]}
    rewrite("soil", lambda _: gpd.GeoDataFrame(values, geometry=places, crs=CRS))(folder)
    farm = read_farm(folder)
    assert {key: unit.horizons[0].texture for key, unit in farm.soil_units.items()} == {
        "soil 1": "loam",
        "soil 2": "clay",
    }
    assert shares(farm) == pytest.approx({"soil 1": 0.5, "soil 2": 0.5}, abs=1e-4)


def test_far_points_are_warned_of(folder: Path) -> None:
    points([(-150, 50)], ["A"])(folder)
    assert notes(read_farm(folder), "warned", "soil points are far")


# rasters

CLASSES = '[soil_raster]\nclasses = { 1 = "A", 2 = "B" }\n'


def cells(rows: int = 14, cols: int = 14, border: float = 0.5) -> np.ndarray:
    """Return class 1 in the west and class 2 in the east."""
    values = np.ones((rows, cols), dtype=np.uint8)
    values[:, int(cols * border) :] = 2
    return values


def test_raster_of_classes_gives_exact_shares(folder: Path) -> None:
    # the grid begins 20 m west of the field: columns 0-6 of 10 m end 50 m into it
    all_of(remove_soil, raster("soil.tif", cells()), toml(CLASSES))(folder)
    farm = read_farm(folder)
    assert shares(farm) == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-6)
    assert "soil.tif" in farm.inputs
    assert farm.soil_units["A"].horizons[0].texture == "loam"


def test_cells_without_a_value_are_gaps_with_their_hectares(folder: Path) -> None:
    values = cells()
    values[5:7, 4:6] = 0  # 4 cells of 100 m2 within the field
    all_of(remove_soil, raster("soil.tif", values, nodata=0), toml(CLASSES))(folder)
    farm = read_farm(folder)
    (note,) = notes(farm, "assumed", "without a soil polygon")
    assert "0.04 ha" in note.what and note.value == "A"
    assert shares(farm) == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-6)


@pytest.mark.parametrize(
    "code, cell", [("EPSG:4326", 2.5e-4), ("EPSG:3035", 17.0), ("EPSG:3346", 31.0), ("EPSG:3857", 45.0)]
)
def test_raster_in_any_system_and_resolution_against_its_cells_as_polygons(
    folder: Path, code: str, cell: float
) -> None:
    west, south, east, north = gpd.GeoSeries([square(-400, -400, 900, 900)], crs=CRS).to_crs(code).total_bounds
    cols, rows = int((east - west) / cell), int((north - south) / cell)
    values = np.random.default_rng(7).integers(1, 3, (rows, cols)).astype(np.uint8)
    grid = from_origin(west, north, cell, cell)
    remove_soil(folder)
    with rasterio.open(folder / "soil.tif", "w", driver="GTiff", height=rows, width=cols, count=1,
                       dtype="uint8", crs=code, transform=grid) as target:  # fmt: skip
        target.write(values, 1)
    toml(CLASSES)(folder)
    farm = read_farm(folder)
    park = farm.fields["Park"].polygon
    expected = {"A": 0.0, "B": 0.0}
    for row in range(rows):
        for col in range(cols):
            x, y = grid * (col, row)
            box = shape(transform_geom(code, CRS, shapely.box(x, y - cell, x + cell, y).__geo_interface__))
            expected["AB"[values[row, col] - 1]] += box.intersection(park).area / 1e4
    assert sum(expected.values()) == pytest.approx(1.0, abs=1e-5)
    assert shares(farm) == pytest.approx(expected, abs=1e-6)  # 0.01 m2
    drawn = [patch.polygon for patch in farm.soil_map]
    twice = sum(one.intersection(park).area for one in drawn) - shapely.union_all(drawn).intersection(park).area
    assert abs(twice) < 1e-3 and not notes(farm, "assumed", "without a soil polygon")


def textures(folder: Path, sand: np.ndarray, clay: np.ndarray, more: str = "") -> Farm:
    remove_soil(folder)
    if (folder / "horizons.csv").exists():
        remove("horizons.csv")(folder)
    raster("sand.tif", sand.astype(np.float32), nodata=-1)(folder)
    raster("clay.tif", clay.astype(np.float32), nodata=-1)(folder)
    toml(f'[soil_raster]\nsand = "sand.tif"\nclay = "clay.tif"\n{more}')(folder)
    return read_farm(folder)


def two_textures() -> tuple[np.ndarray, np.ndarray]:
    west = cells() == 1
    return np.where(west, 40.0, 10.0), np.where(west, 20.0, 60.0)


def test_rasters_of_sand_and_clay_are_grouped_by_usda_class(folder: Path) -> None:
    sand, clay = two_textures()
    sand[:, :4] = 44.0  # 20 m of the loam are sandier: mean over 7 columns (4 x 44 + 3 x 40) / 7 = 42.286
    farm = textures(folder, sand, clay)
    assert shares(farm) == pytest.approx({"clay": 0.5, "loam": 0.5}, abs=1e-6)
    loam = farm.soil_units["loam"].horizons[0]
    assert (loam.sand, loam.clay, loam.bottom_m) == pytest.approx((0.42286, 0.20, 1.0), abs=1e-4)
    assert loam.sand + loam.silt + loam.clay == pytest.approx(1.0)
    assert notes(farm, "assumed", "rasters of sand and clay")


def test_rasters_in_grams_per_kilogram_and_with_gaps(folder: Path) -> None:
    sand, clay = two_textures()
    sand, clay = sand * 10, clay * 10
    clay[8:10, 8:10] = -1  # no value in 4 cells, 0.04 ha
    farm = textures(folder, sand, clay, 'unit = "g/kg"\n')
    assert shares(farm) == pytest.approx({"clay": 0.5, "loam": 0.5}, abs=1e-6)
    assert "0.04 ha" in notes(farm, "assumed", "without a soil polygon")[0].what


def test_clay_on_another_grid_takes_its_nearest_cell(folder: Path) -> None:
    sand, clay = two_textures()
    remove_soil(folder)
    remove("horizons.csv")(folder)
    raster("sand.tif", sand.astype(np.float32))(folder)
    raster("clay.tif", np.kron(clay, np.ones((4, 4))).astype(np.float32), cell=2.5)(folder)
    toml('[soil_raster]\nsand = "sand.tif"\nclay = "clay.tif"\n')(folder)
    farm = read_farm(folder)
    assert shares(farm) == pytest.approx({"clay": 0.5, "loam": 0.5}, abs=1e-6)
    assert notes(farm, "assumed", "clay.tif: grid")


# silt of 2 to 63 um

#: Share of the silt of 2-63 um that is finer than 50 um: ln(50 / 2) / ln(63 / 2) = 3.21888 / 3.44999
FINER = 0.93301


def test_silt_to_63_um_is_converted_with_a_note(folder: Path) -> None:
    top("silt_bound_um = 63")(folder)
    farm = read_farm(folder)
    first = farm.soil_units["A"].horizons[0]
    assert (first.silt, first.clay) == pytest.approx((0.40 * FINER, 0.20), abs=1e-5)
    assert first.sand == pytest.approx(0.40 + 0.40 * (1 - FINER), abs=1e-5)
    (note,) = notes(farm, "assumed", "soil: sand and silt")
    assert "93.3 %" in note.value and note.source.startswith("ours")
    assert notes(farm, "warned", "horizons.csv, row 4: texture")  # a class in words, no fractions


def test_silt_to_63_um_can_change_the_class(folder: Path) -> None:
    # 37 % sand, 52 % silt, 11 % clay: silt loam by name; 48.5 % of USDA silt, 40.5 % sand: loam
    sand, clay = np.full((14, 14), 37.0), np.full((14, 14), 11.0)
    assert list(textures(folder, sand, clay).soil_units) == ["silt loam"]
    top("silt_bound_um = 63")(folder)
    farm = read_farm(folder)
    assert list(farm.soil_units) == ["loam"]
    assert farm.soil_units["loam"].horizons[0].silt == pytest.approx(0.52 * FINER, abs=1e-4)


# overlaps, ground outside


def test_small_overlap_is_cut_and_told_in_hectares(folder: Path) -> None:
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 60.8, 120), square(50, -10, 60, 120)]))(folder)
    farm = read_farm(folder)
    assert shares(farm) == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-5)  # 0.8 m x 100 m go to the later one
    (note,) = notes(farm, "warned", "soil polygons overlap")
    assert note.value == "0.01 ha"


def test_a_patch_drawn_on_a_background_counts(folder: Path) -> None:
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 120, 120), square(20, 20, 50, 50)]))(folder)
    farm = read_farm(folder)
    assert shares(farm) == pytest.approx({"A": 0.75, "B": 0.25}, abs=1e-5)
    assert notes(farm, "warned", "soil polygons overlap")[0].value == "0.25 ha"


def test_soil_outside_the_fields_is_measured(folder: Path) -> None:
    # two polygons of 60 m x 120 m, side by side: 1.44 ha, of which 1 ha lies in the field
    told = understood(read_farm(folder))["soil_map"]
    assert told == {"polygons": 2, "outside_fields_ha": pytest.approx(0.44, abs=1e-4)}
