"""Soil as points, rasters, mixed units and other silt bounds; heights and their slope."""

import shutil
from collections.abc import Callable
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
    OPS,
    feature,
    prop,
    remove,
    rewrite,
    square,
    text,
    write,
    write_good,
)
from spoiled_vectors import all_of, points, raster, remove_soil, toml, top

from trafficplan.errors import InputError
from trafficplan.farm.elevation import Elevation, slope, slopes_within
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
    assert (
        note.value == "A, B; up to 58 m from its point"
    )  # (20, 50) to a corner of its ground, hypot(30, 50) = 58.3 m


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
    west, south, east, north = (
        gpd.GeoSeries([square(-400, -400, 900, 900)], crs=CRS).to_crs(code).total_bounds
    )
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
    twice = (
        sum(one.intersection(park).area for one in drawn) - shapely.union_all(drawn).intersection(park).area
    )
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
    rewrite("soil", lambda f: f.assign(geometry=[square(-10, -10, 60.8, 120), square(50, -10, 60, 120)]))(
        folder
    )
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


# a soil survey as it is delivered: map units that mix several soils

SURVEY = """
[columns.soil]
unit = "MUSYM"
[columns.components]
unit = "musym"
component = "cokey"
name = "compname"
share_pct = "comppct_r"
[columns.horizons]
component = "cokey"
top_m = { column = "hzdept_r", unit = "cm" }
bottom_m = { column = "hzdepb_r", unit = "cm" }
sand_pct = "sandtotal_r"
silt_pct = "silttotal_r"
clay_pct = "claytotal_r"
organic_pct = "om_r"
density_g_cm3 = "dbthirdbar_r"
"""

#: Hectares by unit of the published map; the last three have no horizons.
AREAS = {
    "He": 390.27, "SsA": 388.13, "Dh": 224.24, "RsB": 145.28, "RsA": 94.18, "Sr": 49.22, "CoA": 46.91, "Mc": 39.75,
    "Sh": 29.69, "SsU": 23.24, "Tw": 17.14, "Pe": 10.27, "Sm": 0.10, "W": 116.89, "BPI": 19.10, "LVS": 5.60,
}  # fmt: skip
BARE = ("W", "BPI", "LVS")
SURVEY_CRS = "EPSG:26915"


def survey(folder: Path, data: Path, ground: Callable[[gpd.GeoDataFrame], shapely.Geometry]) -> Path:
    """Make a farm on the published soil map, its files untouched; `ground` draws the field in the survey's metres."""
    for name in ("access.geojson", "tramlines.geojson", "scenarios.toml", "soil.geojson"):
        (folder / name).unlink()
    shutil.copy(data / "soil_map_units.geojson", folder / "soil.geojson")
    for name in ("horizons.csv", "components.csv"):
        (folder / name).unlink(missing_ok=True)
        shutil.copy(data / name, folder / name)
    map_units = gpd.read_file(data / "soil_map_units.geojson").to_crs(SURVEY_CRS)
    field = gpd.GeoDataFrame({"field": ["Park"]}, geometry=[ground(map_units)], crs=SURVEY_CRS)
    (folder / "fields.geojson").unlink()
    field.to_file(folder / "fields.gpkg")
    text("farm.toml", 'crs = "EPSG:32635"', f'crs = "{SURVEY_CRS}"')(folder)
    toml(SURVEY)(folder)
    write(OPS, "id,date,field,job,outfit\n1,2026-03-20,Park,roll,spreader\n")(folder)
    return folder


@pytest.mark.real
def test_survey_areas_by_unit_and_mean_clay_are_the_published_ones(open_data: Path, folder: Path) -> None:
    def dry(units: gpd.GeoDataFrame) -> shapely.Geometry:
        square_of_survey = shapely.box(659500, 3739000, 663500, 3743000)
        return square_of_survey.difference(units[units.MUSYM.isin(BARE)].union_all())

    farm = read_farm(survey(folder, open_data / "delta-soil-map", dry))
    found = shares(farm)
    for unit, area in AREAS.items():
        if unit not in BARE:
            assert found[unit] == pytest.approx(area, abs=0.02), unit
    assert sum(found.values()) == pytest.approx(1458.40, abs=0.02)
    assert len(farm.soil_units) == 13

    def clay_to_25_cm(unit: str) -> float:
        parts = [(min(one.bottom_m, 0.25) - one.top_m, one.clay) for one in farm.soil_units[unit].horizons]
        return sum(thick * clay for thick, clay in parts if thick > 0) / 0.25

    mean = sum(area * clay_to_25_cm(unit) for unit, area in found.items()) / sum(found.values())
    assert 100 * mean == pytest.approx(38.15, abs=0.01)  # published: largest component, 0-25 cm, 1,458.40 ha
    clays = [one.clay for unit in farm.soil_units.values() for one in unit.horizons]
    assert min(clays) >= 0.115 - 1e-9 and max(clays) <= 0.75 + 1e-9  # published range of all components
    for unit in ("Sr", "SsA", "SsU"):  # published: the largest component is 50 to 55 % of the unit
        (note,) = notes(farm, "assumed", f"soil unit {unit}: one of its")
        assert 50 <= float(note.value.partition("(")[2].partition(" %")[0]) <= 55
        assert "largest" in note.why


@pytest.mark.real
def test_survey_units_without_horizons_are_refused_under_a_field_with_hectares(
    open_data: Path, folder: Path
) -> None:
    survey(folder, open_data / "delta-soil-map", lambda units: units.union_all().envelope)
    with pytest.raises(InputError) as caught:
        read_farm(folder)
    (problem,) = caught.value.problems
    assert problem.what == "soil units without horizons"
    for unit in BARE:
        area = float(problem.found.partition(f"{unit} (")[2].partition(" ha")[0])
        assert area == pytest.approx(AREAS[unit], abs=0.02)


@pytest.mark.real
def test_survey_units_without_horizons_beside_the_fields_are_left_out_with_hectares(
    open_data: Path, folder: Path
) -> None:
    def in_largest(units: gpd.GeoDataFrame) -> shapely.Geometry:
        hectare = units[units.MUSYM == "He"].geometry.iloc[0].representative_point().buffer(20)
        return hectare

    farm = read_farm(survey(folder, open_data / "delta-soil-map", in_largest))
    assert list(shares(farm)) == ["He"]
    (note,) = [one for one in farm.notes if one.what.startswith("soil units")]
    for unit in BARE:
        assert float(note.what.partition(f"{unit} (")[2].partition(" ha")[0]) == pytest.approx(
            AREAS[unit], abs=0.02
        )


def test_a_unit_takes_its_largest_soil_with_horizons(folder: Path) -> None:
    table = "unit,component,name,share_pct\nA,1,Rock,60\nA,2,Heavy,25\nA,3,Light,15\nB,4,Even,100\n"
    write("components.csv", table)(folder)
    rows = "component,top_m,bottom_m,texture\n2,0,1,clay\n3,0,1,sand\n4,0,1,loam\n"
    write("horizons.csv", rows)(folder)
    farm = read_farm(folder)
    assert (farm.soil_units["A"].title, farm.soil_units["A"].horizons[0].texture) == ("Heavy", "clay")
    (note,) = notes(farm, "assumed", "soil unit A: one of its 3 soils")
    assert note.value == "Heavy (25 % of the unit)"
    assert not notes(farm, "assumed", "soil unit B: one of its")


def test_stones_organic_matter_density_and_strength_reach_the_unit(folder: Path) -> None:
    remove("horizons.csv")(folder)
    for index in (0, 1):
        for key, value in (("texture", "loam"), ("stones_pct", 12), ("organic_pct", 3.1), ("density_g_cm3", 1.35),
                           ("strength_kpa", 96), ("cores", 8)):  # fmt: skip
            feature("soil.geojson", index, prop(key, value))(folder)
    horizon = read_farm(folder).soil_units["A"].horizons[0]
    assert (
        horizon.stones,
        horizon.organic,
        horizon.density_kg_m3,
        horizon.strength_pa,
        horizon.cores,
    ) == pytest.approx((0.12, 3.1, 1350, 96_000, 8))


# heights


def plane(
    rise_east: float, rise_north: float, rows: int = 30, cols: int = 30, cell: float = 5.0
) -> np.ndarray:
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
    assert bool(notes(farm, "assumed", "elevation.tif: unit")) == (unit is None)


def test_heights_in_another_system_are_laid_over_the_fields(folder: Path) -> None:
    # a cone in the working CRS, sampled on a grid of degrees of about 2 m: its slope is 8 % everywhere
    west, south, east, north = (
        gpd.GeoSeries([square(-60, -60, 220, 220)], crs=CRS).to_crs("EPSG:4326").total_bounds
    )
    cols, rows = 120, 120
    grid = from_origin(west, north, (east - west) / cols, (north - south) / rows)
    lon, lat = west + (np.arange(cols) + 0.5) * grid.a, north + (np.arange(rows) + 0.5) * grid.e
    places = gpd.GeoSeries(
        gpd.points_from_xy(*[one.ravel() for one in np.meshgrid(lon, lat)]), crs="EPSG:4326"
    ).to_crs(CRS)
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
