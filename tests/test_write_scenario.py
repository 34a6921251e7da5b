"""Scenarios written as TOML read back equal."""

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from spoiled_farms import write_good

from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Change, Moisture, Scenario
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.write_scenario import over, scenario_toml
from trafficplan.soil.moisture import tensions_from_text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_good(tmp_path_factory.mktemp("written") / "farm")


@pytest.fixture(scope="module")
def farm(folder: Path) -> Farm:
    return read_farm(folder)


def read_back(folder: Path, scenario: Scenario, farm: Farm) -> Scenario:
    (folder / "scenarios.toml").write_text(scenario_toml(scenario, farm), encoding="utf-8")
    return read_farm(folder).scenarios[scenario.key]


def test_every_kind_of_change_reads_back_equal(folder: Path, farm: Farm) -> None:
    gate = farm.fields["Park"].gateways[0].key
    scenario = Scenario(
        "three changes",
        'Tanker "full", 60 % \\ less',
        (
            Change(jobs=("slurry",), load_factor=0.65, pressures_pa={"front": 100e3, "trailer": 140e3}),
            Change(operations=("1",), day=dt.date(2026, 3, 28), moisture=Moisture(12.3e3, 7.1e3, "top:12.3,deep:7.1")),
            Change(outfits=("spreader",), load_kg=6300.0, pressures_pa={"*": 80e3}),
            Change(fields=("Park",), gateway=gate, drive="tramlines", width_m=12.5, heading_deg=0.0),
            Change(operations=("2",), outfit="spreader"),
        ),
    )
    assert read_back(folder, scenario, farm) == scenario


def test_moisture_without_words_reads_back_as_the_same_tension(folder: Path, farm: Farm) -> None:
    back = read_back(folder, Scenario("dry", "dry", (Change(moisture=Moisture(23.7e3, 11e3, "")),)), farm)
    moisture = back.changes[0].moisture
    assert moisture is not None and (moisture.top_pa, moisture.deep_pa) == (23.7e3, 11e3)
    assert tensions_from_text(moisture.words) == (23.7e3, 11e3)


@given(st.floats(1.0, 9e4), st.floats(0.2e5, 10e5), st.floats(0.05, 2.0))
@settings(
    max_examples=200, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_numbers_keep_every_bit(load_kg: float, pressure_pa: float, factor: float) -> None:
    for value, unit in ((load_kg, 1e3), (pressure_pa, 1e5)):
        text = over(value, unit)
        assert "e" not in text
        assert float(text) * unit == pytest.approx(value, rel=2e-16)


def test_what_could_not_be_read_is_not_written(farm: Farm) -> None:
    for scenario in (
        Scenario("empty", "", ()),
        Scenario("x", "", (Change(fields=("Nowhere",), load_factor=0.5),)),
        Scenario("x", "", (Change(outfit="nothing"),)),
        Scenario("base", "", (Change(load_factor=0.5),)),
    ):
        with pytest.raises(ValueError):
            scenario_toml(scenario, farm)


def test_tramlines_that_are_not_there_are_refused(tmp_path: Path, farm: Farm) -> None:
    folder = write_good(tmp_path / "farm")
    (folder / "tramlines.geojson").unlink()
    text = (folder / "operations.csv").read_text().replace("tramlines", "swaths")
    (folder / "operations.csv").write_text(text)
    (folder / "scenarios.toml").write_text('[a]\n[[a.change]]\ndrive = "tramlines"\n')
    with pytest.raises(ValueError, match="field Park has no tramlines"):
        read_farm(folder)
