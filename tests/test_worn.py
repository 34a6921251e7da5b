"""Freshly loosened places: weak down to their depth, in every command; worn ones only told apart."""

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from audit_farm import write_audit_farm
from shapely import box
from spoiled_farms import CRS, EAST, NORTH

from trafficplan.chain import Plan, run_field
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import SoilPatch
from trafficplan.farm.worn import WornPlace, loosened_soil
from trafficplan.inputs.farm import read_farm
from trafficplan.soil.unit import Horizon, SoilUnit

PLAN = Plan(cell=1.0, depths_m=(0.2, 0.35, 0.7))


def with_worn(folder: Path, kind: str, depth_m: float | None) -> Farm:
    """The western half of Cedar is such a place."""
    write_audit_farm(folder)
    half = box(EAST + 200, NORTH, EAST + 230, NORTH + 66)
    frame = gpd.GeoDataFrame({"kind": [kind], "name": ["west"], "depth_m": [depth_m]}, geometry=[half], crs=CRS)
    frame.to_crs("EPSG:4326").to_file(folder / "worn.geojson")
    return read_farm(folder)


def ratios(farm: Farm) -> dict[str, np.ndarray]:
    result = run_field(farm, farm.scenarios["base"], farm.fields["Cedar"], PLAN)
    west = np.arange(result.grid.shape[1]) * result.grid.cell + result.grid.west < EAST + 230
    arrays = result.stored.arrays
    return {
        f"{side} {depth}": arrays[f"ratio_{depth}"][:, chosen]
        for depth in (35, 70)
        for side, chosen in (("west", west), ("east", ~west))
    }


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> dict[str, np.ndarray]:
    return ratios(read_farm(write_audit_farm(tmp_path_factory.mktemp("plain") / "farm")))


def test_a_loosened_place_is_weaker_down_to_its_depth_and_nowhere_else(plain, tmp_path) -> None:
    loose = ratios(with_worn(tmp_path / "farm", "loosened", 0.4))
    for untouched in ("east 35", "east 70", "west 70"):
        np.testing.assert_array_equal(loose[untouched], plain[untouched])
    wheeled = (plain["west 35"] > 0) & (plain["west 35"] < 65535)  # the highest is outside the field
    assert wheeled.any() and (loose["west 35"][wheeled] > plain["west 35"][wheeled]).all()


def test_a_worn_place_is_reckoned_as_the_soil_around_it(plain, tmp_path) -> None:
    worn = ratios(with_worn(tmp_path / "farm", "worn", None))
    for name, values in plain.items():
        np.testing.assert_array_equal(worn[name], values)


def test_the_depth_is_assumed_where_none_is_given(tmp_path) -> None:
    farm = with_worn(tmp_path / "farm", "loosened", None)
    assert "A, loosened to 45 cm" in farm.soil_units
    assert any(note.what == "depth of a freshly loosened place" or "place west" in note.what for note in farm.notes)
    assert any(note.value == "of a tilled layer down to 0.45 m" for note in farm.notes)


def test_soil_is_cut_at_the_depth_and_ground_adds_up() -> None:
    """By hand: 100 m2, 20 of them loosened to 0.4 m, 10 more to 0.3 m; measured strength counts only below."""
    unit = SoilUnit("A", "", (Horizon(0.0, 0.3, "loam"), Horizon(0.3, 1.0, "clay", strength_pa=9e4, cores=12)))
    places = [
        WornPlace("shallow", "loosened", box(0, 0, 3, 10), 0.3),
        WornPlace("deep", "loosened", box(0, 0, 2, 10), 0.4),
        WornPlace("old", "worn", box(5, 0, 9, 10)),
    ]
    units, patches, notes = loosened_soil({"A": unit}, [SoilPatch("A", box(0, 0, 10, 10))], places, 0.45)
    areas = {patch.unit: patch.polygon.area for patch in patches}
    assert areas == {"A, loosened to 40 cm": 20.0, "A, loosened to 30 cm": 10.0, "A": 70.0}
    deep = units["A, loosened to 40 cm"].horizons
    told = [(one.top_m, one.bottom_m, one.texture, one.state, one.strength_pa, one.cores) for one in deep]
    assert told == [
        (0.0, 0.3, "loam", "tilled", None, 0),
        (0.3, 0.4, "clay", "tilled", None, 0),
        (0.4, 1.0, "clay", "settled", 9e4, 12),
    ]
    assert units["A"] == unit and len(notes) == 2
    assert loosened_soil({"A": unit}, patches[-1:], [], 0.45) == ({"A": unit}, patches[-1:], ())
    assert replace(deep[0], state="settled") == unit.horizons[0]
