"""The sample farm is what its generator writes, and its numbers hold together."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path
from typing import Any

import make_sample_farm
import networkx
import numpy as np
import pytest
import shapely
from pyproj import Transformer

from trafficplan.inputs.farm import read_farm

SAMPLE = Path(__file__).parents[1] / "sample_fields" / "ostara_flats"
WRITTEN = sorted(
    str(path.relative_to(SAMPLE)) for path in SAMPLE.rglob("*") if path.is_file() and path.name != "map.png"
)
NEAR_DEG = 3e-7  # 3 cm: geometry engines differ in the last decimal of a rounded corner


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_sample_farm.make_sample_farm(tmp_path_factory.mktemp("sample"))


def features(path: Path) -> list[dict[str, Any]]:
    return list(json.loads(path.read_text(encoding="utf-8"))["features"])


def shapes(path: Path) -> list[Any]:
    return [shapely.from_geojson(json.dumps(feature["geometry"])) for feature in features(path)]


def metres(shape: Any) -> Any:
    to_metres = Transformer.from_crs("EPSG:4326", make_sample_farm.CRS, always_xy=True)
    return shapely.transform(shape, lambda xy: np.column_stack(to_metres.transform(xy[:, 0], xy[:, 1])))


def rows(name: str) -> list[dict[str, str]]:
    with (SAMPLE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def outfits() -> dict[str, dict[str, Any]]:
    return {path.stem: tomllib.loads(path.read_text("utf-8")) for path in (SAMPLE / "outfits").glob("*.toml")}


def axles(outfit: dict[str, Any]) -> list[dict[str, Any]]:
    return [axle for vehicle in outfit["vehicle"] for axle in vehicle.get("axle", [])]


def test_generator_writes_every_file(fresh: Path) -> None:
    assert sorted(str(path.relative_to(fresh)) for path in fresh.rglob("*") if path.is_file()) == WRITTEN


def test_generator_writes_the_same_bytes_twice(fresh: Path, tmp_path: Path) -> None:
    again = make_sample_farm.make_sample_farm(tmp_path)
    for name in WRITTEN:
        assert (again / name).read_bytes() == (fresh / name).read_bytes(), name


@pytest.mark.parametrize("name", [name for name in WRITTEN if not name.endswith(".geojson")])
def test_tables_are_what_the_generator_writes(fresh: Path, name: str) -> None:
    assert (fresh / name).read_bytes() == (SAMPLE / name).read_bytes()


@pytest.mark.parametrize("name", [name for name in WRITTEN if name.endswith(".geojson")])
def test_layers_are_what_the_generator_writes(fresh: Path, name: str) -> None:
    ours, theirs = features(SAMPLE / name), features(fresh / name)
    assert [feature["properties"] for feature in ours] == [feature["properties"] for feature in theirs]
    for one, other in zip(shapes(SAMPLE / name), shapes(fresh / name), strict=True):
        assert shapely.hausdorff_distance(one, other) < NEAR_DEG


def test_fields_are_valid_apart_and_on_the_soil_map() -> None:
    fields = [metres(shape) for shape in shapes(SAMPLE / "fields.geojson")]
    soil = shapely.union_all([metres(shape) for shape in shapes(SAMPLE / "soil.geojson")])
    assert all(field.is_valid for field in fields)
    assert sum(field.area for field in fields) == pytest.approx(shapely.union_all(fields).area, abs=0.5)
    assert 120e4 < sum(field.area for field in fields) < 250e4
    assert max(field.difference(soil).area for field in fields) < 0.5
    assert sum(len(part.interiors) for field in fields for part in shapely.get_parts(field)) == 2


def test_every_gateway_lies_on_its_field_and_the_lanes_reach_it_from_the_yard() -> None:
    access = list(zip(features(SAMPLE / "access.geojson"), map(metres, shapes(SAMPLE / "access.geojson")), strict=True))
    fields = {
        feature["properties"]["field"]: metres(shape)
        for feature, shape in zip(features(SAMPLE / "fields.geojson"), shapes(SAMPLE / "fields.geojson"), strict=True)
    }
    network: networkx.Graph[tuple[float, float]] = networkx.Graph()
    raw = {id(feature): feature["geometry"]["coordinates"] for feature, _ in access}
    for feature, _ in access:
        if feature["properties"]["kind"] == "track":
            networkx.add_path(network, [tuple(xy) for xy in raw[id(feature)]])
    assert networkx.number_connected_components(network) == 1
    yard = next(shape for feature, shape in access if feature["properties"]["kind"] == "yard")
    assert any(yard.covers(metres(shapely.Point(node))) for node in network)
    gateways = [(feature, shape) for feature, shape in access if feature["properties"]["kind"] == "gateway"]
    assert {feature["properties"]["field"] for feature, _ in gateways} == set(fields)
    for feature, shape in gateways:
        assert fields[feature["properties"]["field"]].boundary.distance(shape) < 0.05
        assert tuple(raw[id(feature)]) in network


def test_axle_loads_add_up_to_the_capacity() -> None:
    for name, outfit in outfits().items():
        carried = sum(axle["full_t"] - axle["empty_t"] for axle in axles(outfit))
        assert carried == pytest.approx(outfit.get("capacity_t", 0.0), abs=0.015), name


def lowest_bar(tyre: str, wheel_kg: float, km_h: float) -> float:
    """Return the lowest pressure of the sample's own table at or above the load and the speed."""
    return min(
        float(row["pressure_bar"])
        for row in rows("tyre_tables.csv")
        if row["tyre"] == tyre and float(row["load_kg"]) >= wheel_kg and float(row["speed_km_h"]) >= km_h
    )


def test_no_pressure_is_below_the_tyre_table() -> None:
    changed: dict[tuple[str, str], float] = {}
    for change in tomllib.loads((SAMPLE / "scenarios.toml").read_text("utf-8"))["lower_pressure"]["change"]:
        for pair in change["pressure"].split(";"):
            axle_name, bar = pair.split(":")
            changed[change["outfits"][0], axle_name] = float(bar)
    for name, outfit in outfits().items():
        for axle in (axle for axle in axles(outfit) if "tyre" in axle):
            dual = 0.88 if axle["wheels"] == 4 else 1.0  # duals carry less each (common practice, memory)
            wheel_kg = max(axle["empty_t"], axle["full_t"]) * 1000 / axle["wheels"] / dual
            needed = lowest_bar(axle["tyre"], wheel_kg, outfit["field_km_h"])
            lower = changed.pop((name, axle["name"]), axle["field_bar"])
            assert needed <= lower <= axle["field_bar"], (name, axle["name"])
            assert lowest_bar(axle["tyre"], wheel_kg, outfit["track_km_h"]) <= axle["track_bar"]
    assert not changed, "a scenario names an axle that no outfit has"


def test_tyre_tables_rise_with_pressure_and_fall_with_speed() -> None:
    table = {
        (row["tyre"], float(row["speed_km_h"]), float(row["pressure_bar"])): float(row["load_kg"])
        for row in rows("tyre_tables.csv")
    }
    for (tyre, km_h, bar), load_kg in table.items():
        higher = [load for (code, v, p), load in table.items() if code == tyre and v == km_h and p > bar]
        faster = [load for (code, v, p), load in table.items() if code == tyre and p == bar and v > km_h]
        assert all(load > load_kg for load in higher)
        assert all(load < load_kg for load in faster)


def test_textures_agree_with_sand_and_clay() -> None:
    """USDA class limits as published in the Soil Survey Manual (memory)."""
    for row in rows("horizons.csv"):
        sand, silt, clay = (float(row[f"{part}_pct"]) for part in ("sand", "silt", "clay"))
        assert sand + silt + clay == 100
        limits = {
            "sand": silt + 1.5 * clay < 15,
            "loamy sand": silt + 1.5 * clay >= 15 and silt + 2 * clay < 30,
            "sandy loam": silt + 2 * clay >= 30 and 7 <= clay < 20 and sand > 52,
            "loam": 7 <= clay < 27 and 28 <= silt < 50 and sand <= 52,
            "clay loam": 27 <= clay < 40 and 20 < sand <= 45,
            "clay": clay >= 40 and sand <= 45 and silt < 40,
        }
        assert limits[row["texture"]], row


def test_every_field_has_work_and_spreading_stays_off_wet_days() -> None:
    operations = rows("operations.csv")
    rain = {row["date"]: float(row["rain_mm"]) for row in rows("weather.csv")}
    assert len(rain) == 365
    for feature in features(SAMPLE / "fields.geojson"):
        assert sum(row["field"] == feature["properties"]["field"] for row in operations) >= 3
    assert all(rain[row["date"]] < 1.0 for row in operations)
    assert [row["date"] for row in operations] == sorted(row["date"] for row in operations)


def test_the_reader_takes_the_farm_without_a_warning() -> None:
    farm = read_farm(SAMPLE)
    assert (len(farm.fields), len(farm.operations), len(farm.outfits)) == (8, 40, 8)
    assert list(farm.scenarios) == ["base", "lower_pressure", "lighter_loads", "other_gates", "wait_for_dry"]
    assert [note for note in farm.notes if note.kind != "assumed"] == []
