"""Soil water of a farm's fields: which moisture counts, what is told of it, and that no weather changes nothing."""

import datetime as dt
import json
from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm
from spoiled_farms import write_good
from typer.testing import CliRunner

from trafficplan.assess.profiles import wheel_profiles
from trafficplan.chain import Plan, prepare, soils_of
from trafficplan.cli.main import app
from trafficplan.farm import defaults
from trafficplan.farm.operation import Change, Scenario
from trafficplan.farm.season import apply_scenario
from trafficplan.farm.water import moisture_on, moistures_of, notes_of, soil_shares, water_of
from trafficplan.farm.weather import Weather
from trafficplan.inputs.farm import read_farm

DEPTHS = (0.1, 0.3, 0.5)
APRIL = dt.date(2026, 4, 20)


def weather(first="2026-01-01", days=365, **columns):
    given = {"rain_mm": np.zeros(days), "et0_mm": np.full(days, 2.0), **columns}
    empty = {
        name: np.full(days, np.nan)
        for name in ("tmin_c", "tmax_c", "rh_pct", "wind_m_s", "sun_h", "radiation_mj_m2")
        if name not in given
    }
    start = np.datetime64(first, "D")
    return Weather(np.arange(start, start + np.timedelta64(days, "D")), **{**empty, **given})


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """The good farm of 1 ha with a year of weather: 30 mm of rain in the middle of April."""
    read = read_farm(write_good(tmp_path_factory.mktemp("water") / "farm"))
    rain = np.zeros(365)
    rain[102:105] = 10.0
    return replace(read, weather=weather(rain_mm=rain))


def unknown(farm, day, key="1"):
    return replace(next(one for one in farm.operations if one.key == key), day=day, moisture=None, drive="swaths")


# order of what counts ---------------------------------------------------------------------------------------


def test_what_the_operation_says_goes_before_the_water_balance(farm):
    given = replace(unknown(farm, APRIL), moisture=farm.operations[0].moisture)
    tensions, notes = moistures_of(farm, given, ("A", "B"))
    assert tensions == ((15e3, 15e3), (15e3, 15e3)) and notes == ()


def test_each_soil_gets_its_own_moisture_of_the_day(farm):
    tensions, notes = moistures_of(farm, unknown(farm, APRIL), ("A", "B"))
    assert tensions[0] != tensions[1] and all(1e2 < one < 1.6e6 for pair in tensions for one in pair)
    for key, pair in zip(("A", "B"), tensions, strict=True):
        told = moisture_on(farm, farm.fields["Park"], key, APRIL)
        assert (told.top_pa, told.deep_pa) == pair and told.words.startswith("water balance of the day: top ")
    note = next(one for one in notes if one.what == "operation 1: soil moisture")
    assert note.value.startswith("water balance of the day: top ") and note.kind == "assumed" and note.source


def test_soils_of_the_chain_meet_that_moisture(farm):
    operation = unknown(farm, APRIL)
    soils, _ = soils_of(farm, ("A", "B"), operation, DEPTHS, 0.25, 0.0)
    tensions, _ = moistures_of(farm, operation, ("A", "B"))
    for soil, (top, deep) in zip(soils, tensions, strict=True):
        assert soil.tension_pa.tolist() == [top, deep, deep]


def test_a_measured_strength_stays_what_it_is_whatever_the_day(farm):
    unit = farm.soil_units["A"]
    hard = replace(unit, horizons=tuple(replace(one, strength_pa=120e3, cores=12) for one in unit.horizons))
    measured = replace(farm, soil_units={**farm.soil_units, "A": hard})
    for day in (APRIL, dt.date(2026, 8, 1)):
        soils, _ = soils_of(measured, ("A",), unknown(farm, day), DEPTHS, 0.25, 0.0)
        assert soils[0].strength_pa.tolist() == [120e3] * 3


@pytest.mark.parametrize("day", [dt.date(2025, 12, 31), dt.date(2027, 1, 1)])
def test_a_day_beyond_the_weather_is_assumed_and_named(farm, day):
    assert moisture_on(farm, farm.fields["Park"], "A", day) is None
    tensions, notes = moistures_of(farm, unknown(farm, day), ("A", "B"))
    assert tensions == ((defaults.MOISTURE_PA,) * 2,) * 2
    assert [(one.kind, one.value) for one in notes] == [("assumed", "moulds"), ("warned", f"none on {day}")]


def test_a_hole_in_the_weather_is_a_day_beyond_it(farm):
    whole = farm.weather
    keep = np.ones(365, dtype=bool)
    keep[108:110] = False
    columns = {name: getattr(whole, name)[keep] for name in whole.__dataclass_fields__}
    holed = replace(farm, weather=Weather(**columns))
    field = farm.fields["Park"]
    assert moisture_on(holed, field, "A", dt.date(2026, 4, 19)) is None
    assert moisture_on(holed, field, "A", dt.date(2026, 4, 21)) is not None
    told = {one.what: one.value for one in notes_of(holed, field, ["A"])}
    assert told["soil water: days without weather"] == "2 of 365"


def test_without_weather_everything_is_as_it_was(farm):
    dry = replace(farm, weather=None)
    operation = unknown(farm, APRIL)
    tensions, notes = moistures_of(dry, operation, ("A", "B"))
    assert tensions == ((defaults.MOISTURE_PA,) * 2,) * 2
    assert notes == (defaults.note("moisture", "operation 1"),)
    assert water_of(dry, farm.fields["Park"]) is None and notes_of(dry, farm.fields["Park"], ["A"]) == ()
    assert moisture_on(dry, farm.fields["Park"], "A", APRIL) is None


# scenarios --------------------------------------------------------------------------------------------------


def test_another_day_drops_what_was_felt_on_the_old_one_but_only_where_the_new_one_is_known(farm):
    later = Scenario("later", "later", (Change(operations=("1",), day=APRIL),))
    moved = next(one for one in apply_scenario(farm, later) if one.key == "1")
    assert moved.day == APRIL and moved.moisture is None
    told = Scenario("told", "told", (Change(operations=("1",), day=APRIL, moisture=farm.operations[1].moisture),))
    assert next(one for one in apply_scenario(farm, told) if one.key == "1").moisture == farm.operations[1].moisture
    blind = replace(farm, weather=None)
    assert next(one for one in apply_scenario(blind, later) if one.key == "1").moisture is not None
    same = Scenario("same", "same", (Change(operations=("1",), day=farm.operations[0].day),))
    assert next(one for one in apply_scenario(farm, same) if one.key == "1").moisture is not None


# what is told -----------------------------------------------------------------------------------------------


def test_profiles_say_where_the_moisture_comes_from(farm):
    operation = unknown(farm, APRIL)
    told = {}
    for name, one, op in (
        ("balance", farm, operation),
        ("assumed", replace(farm, weather=None), operation),
        ("given", farm, replace(operation, moisture=farm.operations[0].moisture)),
    ):
        laid = prepare(replace(one, operations=(op,)), one.scenarios["base"], one.fields["Park"], Plan(cell=2.0))
        (profile,) = wheel_profiles(laid.operations, laid.events, laid.depths_m)
        told[name] = profile.moisture
    assert told["balance"].startswith("by the water balance of the day (deep layer ")
    assert told["assumed"] == "moulds (assumed)" and told["given"] == "moulds"


def test_start_snow_and_height_are_told(farm):
    field = farm.fields["Park"]
    summer = replace(farm, weather=weather("2026-06-01", 60))
    told = {one.what: one for one in notes_of(summer, field, ["A"])}
    assert told["soil water at the start"].kind == "warned" and "2026-06-01" in told["soil water at the start"].value
    winter = {one.what: one for one in notes_of(farm, field, ["A"])}
    assert winter["soil water at the start"].kind == "assumed"
    assert winter["soil water: frost"].value == "no temperatures on 365 of 365 days"
    cold = weather(rain_mm=np.full(365, 1.0), tmin_c=np.full(365, -4.0), tmax_c=np.full(365, 1.0),
                   et0_mm=np.full(365, np.nan), wind_m_s=np.full(365, 3.0))  # fmt: skip
    told = {one.what: one for one in notes_of(replace(farm, weather=cold), field, ["A"])}
    assert "soil water: frost" not in told
    assert told["soil water: snow"].value.startswith("rain of 365 days below 0 degrees C")
    assert told["weather: height above the sea"].value == "100 m"


def test_notes_are_of_the_soils_that_were_asked_for(farm):
    field = farm.fields["Park"]
    units = {one.what.split(":")[0] for one in notes_of(farm, field, ["B"]) if one.what.startswith("soil unit")}
    assert units == {"soil unit B"}


def test_a_part_of_the_farm_gives_the_same_water(farm):
    """A worker sees one field and its soils alone."""
    field = farm.fields["Park"]
    part = replace(farm, soil_units={"B": farm.soil_units["B"]})
    whole = moisture_on(farm, field, "B", APRIL)
    assert moisture_on(part, field, "B", APRIL) == whole
    assert notes_of(part, field, ["B"]) == notes_of(farm, field, ["B"])


def test_the_balance_is_kept_as_long_as_the_weather(farm):
    field = farm.fields["Park"]
    assert water_of(farm, field) is water_of(replace(farm, title="x"), field)
    assert water_of(replace(farm, weather=replace(farm.weather)), field) is not water_of(farm, field)


def test_pressure_of_a_day_takes_the_wettest_soil_of_its_field(farm, tmp_path):
    folder = write_good(tmp_path / "farm")
    days = [f"2026-{month:02d}-{day:02d},0.0,2.0" for month in (3, 4) for day in range(1, 31)]
    (folder / "weather.csv").write_text("date,rain_mm,et0_mm\n" + "\n".join(days) + "\n", encoding="utf-8")
    told = []
    for options in (("--field", "Park", "--date", "2026-04-20"), ("--field", "Park"), ("--date", "2026-04-20")):
        done = CliRunner().invoke(app, ["pressure", str(folder), "--outfit", "spreader", *options, "--json"])
        told.append(json.loads(done.stdout))
    read = read_farm(folder)
    both = [moisture_on(read, read.fields["Park"], key, dt.date(2026, 4, 20)) for key in ("A", "B")]
    wettest = min(both, key=lambda one: one.deep_pa)
    assert told[0]["result"]["tension_deep_kpa"] == pytest.approx(wettest.deep_pa / 1e3)
    assert any("water balance of the day" in note["value"] for note in told[0]["assumptions"])
    assert told[1]["result"]["tension_deep_kpa"] == told[2]["result"]["tension_deep_kpa"] == 15.0


# the ground -------------------------------------------------------------------------------------------------


def test_shares_of_soils_sum_to_one_and_the_later_patch_counts(farm):
    shares = soil_shares(farm, farm.fields["Park"])
    assert shares == pytest.approx({"A": 0.5, "B": 0.5}, abs=1e-6)
    over = replace(farm, soil_map=(*farm.soil_map, replace(farm.soil_map[0], unit="B")))
    assert soil_shares(over, farm.fields["Park"]) == pytest.approx({"B": 1.0})
    assert soil_shares(replace(farm, soil_map=()), farm.fields["Park"]) == {}


def test_the_sample_farm_is_wet_in_march_and_dry_in_july():
    farm = read_farm(sample_farm())
    field = farm.fields["Mill Field"]
    for unit in soil_shares(farm, field):
        march, july = (moisture_on(farm, field, unit, dt.date(2026, month, 23)) for month in (3, 7))
        assert march.deep_pa < 10e3 < 33e3 < july.deep_pa
