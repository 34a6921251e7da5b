"""A soil survey as it is delivered: map units that mix several soils, read without retyping."""

import shutil
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from spoiled_farms import OPS, feature, prop, remove, text, write, write_good
from spoiled_vectors import toml

from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.soil_cover import soil_shares
from trafficplan.names import Note


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


def shares(farm: Farm) -> dict[str, float]:
    return soil_shares(farm.soil_map, farm.fields["Park"])


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
def test_survey_units_without_horizons_are_refused_under_a_field_with_hectares(open_data: Path, folder: Path) -> None:
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
        assert float(note.what.partition(f"{unit} (")[2].partition(" ha")[0]) == pytest.approx(AREAS[unit], abs=0.02)


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
