"""Columns in other units, text in other character sets, weather under its usual names."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from spoiled_farms import OPERATIONS, OPS, feature, layers, prop, text, write, write_good
from spoiled_vectors import toml, top

from trafficplan.farm.farm import Farm
from trafficplan.inputs.farm import read_farm
from trafficplan.names import Note


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def notes(farm: Farm, kind: str, words: str) -> list[Note]:
    return [one for one in farm.notes if one.kind == kind and words in one.what]


# columns and text


def test_columns_in_other_units_are_converted(folder: Path) -> None:
    change = feature("fields.geojson", 0, lambda one: one["properties"].update(DEEP=12, tillage_depth_m=None))
    change(folder)
    feature("fields.geojson", 0, prop("headland_width_m", 60))(folder)
    mapping = (
        '[columns.fields]\ntillage_depth_m = { column = "DEEP", unit = "in" }\nheadland_width_m = { unit = "ft" }\n'
    )
    toml(mapping)(folder)
    text("horizons.csv", "A,0,0.3,loam", "A,0,30,loam")(folder)
    text("horizons.csv", "A,0.3,1.2", "A,30,120")(folder)
    text("horizons.csv", "B,0,1.0", "B,0,100")(folder)
    text("horizons.csv", "40,40,20,2.5,1.40", "400,400,200,25,1400")(folder)
    text("horizons.csv", "30,38,32,0.8,1.50", "300,380,320,8,1500")(folder)
    text("horizons.csv", ",3.0,", ",30,")(folder)
    lengths = 'top_m = { unit = "cm" }\nbottom_m = { unit = "cm" }\ndensity_g_cm3 = { unit = "kg/m3" }\n'
    shares = "".join(f'{one}_pct = {{ unit = "g/kg" }}\n' for one in ("sand", "silt", "clay", "organic"))
    toml(f"[columns.horizons]\n{lengths}{shares}")(folder)
    farm = read_farm(folder)
    assert farm.fields["Park"].tillage_depth_m == pytest.approx(12 * 0.0254)
    assert farm.fields["Park"].headland_m == pytest.approx(60 * 0.3048)
    top_layer, below = farm.soil_units["A"].horizons
    assert (top_layer.bottom_m, below.bottom_m) == pytest.approx((0.3, 1.2))
    assert (top_layer.sand, top_layer.clay, top_layer.organic) == pytest.approx((0.4, 0.2, 2.5))
    assert top_layer.density_kg_m3 == pytest.approx(1400)


NAMED = "P\u00e4rk"  # has a letter that is another byte in each character set


def named(folder: Path) -> None:
    feature("fields.geojson", 0, prop("field", NAMED))(folder)
    feature("access.geojson", 0, prop("field", ""))(folder)
    for index in range(3):
        feature("tramlines.geojson", index, prop("field", ""))(folder)
    write(OPS, OPERATIONS.replace("Park", NAMED))(folder)


def recoded(folder: Path, encoding: str) -> None:
    data = json.loads((folder / "fields.geojson").read_text())
    (folder / "fields.geojson").write_bytes(json.dumps(data, ensure_ascii=False).encode(encoding))


@pytest.mark.parametrize(
    "encoding, told", [("utf-8", ""), ("utf-8-sig", ""), ("latin-1", "cp1252"), ("cp1252", "cp1252")]
)
def test_geojson_in_other_character_sets(folder: Path, encoding: str, told: str) -> None:
    named(folder)
    recoded(folder, encoding)
    farm = read_farm(folder)
    assert list(farm.fields) == [NAMED]
    assert [told in note.value for note in notes(farm, "assumed", "fields.geojson: character set")] == [True] * bool(
        told
    )


def test_character_set_of_farm_toml_goes_before_the_guess(folder: Path) -> None:
    field = "\u0160iaur\u0117"  # Baltic letters: cp1257
    feature("fields.geojson", 0, prop("field", field))(folder)
    feature("access.geojson", 0, prop("field", ""))(folder)
    for index in range(3):
        feature("tramlines.geojson", index, prop("field", ""))(folder)
    write(OPS, OPERATIONS.replace("Park", field).encode("cp1257"))(folder)
    recoded(folder, "cp1257")
    top('encoding = "cp1257"')(folder)
    farm = read_farm(folder)
    assert list(farm.fields) == [field] and {one.field for one in farm.operations} == {field}
    assert notes(farm, "assumed", "fields.geojson: character set")[0].source == "farm.toml, encoding"


def drop_cpg(folder: Path) -> None:
    (folder / "fields.cpg").unlink()


def keep(_: Path) -> None:
    return None


@pytest.mark.parametrize(
    "encoding, step, told",
    [("UTF-8", keep, ""), ("UTF-8", drop_cpg, ""), ("cp1252", keep, ""), ("cp1252", drop_cpg, "cp1252")],
)
def test_table_of_a_shapefile_in_other_character_sets(
    folder: Path, encoding: str, step: Callable[[Path], None], told: str
) -> None:
    named(folder)
    (folder / "fields.geojson").unlink()
    frame = layers()["fields"].assign(field=NAMED)
    frame.rename(columns={"tillage_depth_m": "tillage_de"}).to_file(folder / "fields.shp", encoding=encoding)
    step(folder)
    farm = read_farm(folder)
    assert list(farm.fields) == [NAMED]
    assert [told in note.value for note in notes(farm, "assumed", "character set")] == [True] * bool(told)


# weather

DAYS = "2026-03-18,{}\n2026-03-19,{}\n"


@pytest.mark.parametrize(
    "header, first, second",
    [
        ("date,rain_in,tmin_f,tmax_f", "0.5,41,68", "0,32,50"),
        ("date,Precipitation (mm),Temp min [C],Temp max [C]", "12.7,5,20", "0,0,10"),
        ("day,prcp_cm,t_min_k,t_max_k", "1.27,278.15,293.15", "0,273.15,283.15"),
    ],
)
def test_usual_weather_columns_are_understood_with_their_units(
    folder: Path, header: str, first: str, second: str
) -> None:
    write("weather.csv", f"{header}\n" + DAYS.format(first, second))(folder)
    farm = read_farm(folder)
    assert farm.weather is not None
    assert farm.weather.rain_mm.tolist() == pytest.approx([12.7, 0.0])  # 0.5 in = 12.7 mm
    assert farm.weather.tmin_c.tolist() == pytest.approx([5.0, 0.0])  # 41 F, 32 F
    assert farm.weather.tmax_c.tolist() == pytest.approx([20.0, 10.0])  # 68 F, 50 F
    assert len(notes(farm, "assumed", "weather.csv: column")) == 3


def test_weather_in_other_units_can_be_mapped(folder: Path) -> None:
    write("weather.csv", "date,Niederschlag,ETP\n" + DAYS.format("0.4,0.11", "0,0.14"))(folder)
    toml('[columns.weather]\nrain_mm = { column = "Niederschlag", unit = "cm" }\n'
         'et0_mm = { column = "ETP", unit = "cm" }\n')(folder)  # fmt: skip
    weather = read_farm(folder).weather
    assert weather is not None and weather.rain_mm.tolist() == pytest.approx([4.0, 0.0])
    assert weather.et0_mm.tolist() == pytest.approx([1.1, 1.4])
