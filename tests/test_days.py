"""Fit days: states of days, loads, agreement with the pressures' own answer, laws, and the next fit day."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
import shapely
from test_pressure import outfit

from trafficplan.decide.days import STATES, field_days, next_fit_day
from trafficplan.decide.days_load import loads_up_to, set_to, stress_table
from trafficplan.decide.pressure import Question, pressures_for, rows_of, setting
from trafficplan.decide.trip import Leg
from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, SoilPatch
from trafficplan.farm.operation import Moisture, Operation, Scenario
from trafficplan.farm.water import water_of
from trafficplan.farm.weather import Weather, joined
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.units import KM_H

SQUARE = shapely.box(500_000.0, 6_100_000.0, 500_100.0, 6_100_100.0)
WEST = shapely.box(500_000.0, 6_100_000.0, 500_075.0, 6_100_100.0)
EAST = shapely.box(500_075.0, 6_100_000.0, 500_100.0, 6_100_100.0)
FIRST, LAST = dt.date(2026, 1, 1), dt.date(2026, 12, 31)


def weather(rain=None, mean=10.0, first="2026-01-01", days=365):
    rain_mm = np.zeros(days)
    for day, value in (rain or {}).items():
        rain_mm[int((np.datetime64(day) - np.datetime64(first)).astype(int))] = value
    start = np.datetime64(first, "D")
    none = np.full(days, np.nan)
    mean_c = np.full(days, mean) if np.isscalar(mean) else mean
    return Weather(
        np.arange(start, start + days), rain_mm, np.full(days, 2.0), mean_c - 3, mean_c + 3, none, none, none, none
    )


def soil(key, strength_kpa=None, texture="loam"):
    strong = None if strength_kpa is None else strength_kpa * 1e3
    return SoilUnit(key, key, (Horizon(0.0, 1.5, texture, strength_pa=strong, cores=12 if strong else 0),))


def farm_of(units, sky, operations=(), crop="grass", tillage=0.25):
    shapes = (SQUARE,) if len(units) == 1 else (WEST, EAST)
    field = Field("Park", SQUARE, crop, tillage, None, (), ())
    return Farm(
        "f", "F", 2026, "UTC", "EPSG:32635", "metric", {"Park": field}, {one.key: one for one in units},
        tuple(SoilPatch(one.key, shape) for one, shape in zip(units, shapes, strict=True)), {"spreader": outfit()},
        tuple(operations), {"base": Scenario("base", "base")}, {}, (), (), None, {}, (), sky,
    )  # fmt: skip


def days_of(farm, load_kg=6000.0, limit=0.5, first=FIRST, last=LAST, tables=None):
    return field_days(farm, farm.fields["Park"], farm.outfits["spreader"], load_kg, limit, first, last, tables=tables)


def at(found, day):
    return int((np.datetime64(day) - found.days[0]).astype(int))


def state(found, day):
    return STATES[found.state[at(found, day)]]


# states -----------------------------------------------------------------------------------------------------


def test_strong_ground_is_fit_and_weak_ground_is_left():
    strong, weak = (days_of(farm_of([soil("a", kpa)], weather())) for kpa in (400.0, 40.0))
    assert set(strong.state.tolist()) == {0} and np.all(strong.fit_load_kg == 6000.0)
    assert set(weak.state.tolist()) == {2} and np.all(np.isnan(weak.fit_load_kg))
    assert np.all(weak.chance_worst > 0.9) and np.all(strong.chance_worst < 0.1)


def test_between_them_a_lighter_load_is_fit_and_it_is_the_heaviest_that_is():
    # stress just below tillage at full load and empty tell a strength at which only a part of the load is fit
    table = stress_table(outfit(), 6000.0, 0.30)
    full, empty = (float(table.stress_pa[i, 1, 1].max()) for i in (-1, 0))
    farm = farm_of([soil("a", 0.5 * (full + empty) / 1e3)], weather())
    found = days_of(farm)
    i = at(found, "2026-05-01")
    assert state(found, "2026-05-01") == "lighter" and 1800.0 <= found.fit_load_kg[i] < 6000.0
    kept, more = (
        days_of(farm, load, first=dt.date(2026, 5, 1), last=dt.date(2026, 5, 1)).chance_worst[0]
        for load in (found.fit_load_kg[i], found.fit_load_kg[i] + 500.0)
    )
    assert kept <= 0.5 < more


def test_heavy_rain_frost_and_standing_water_close_a_day_whatever_the_soil():
    mean = np.full(365, 10.0)
    mean[20] = -2.0
    rain = {"2026-03-10": 10.1, "2026-03-20": 10.0} | {f"2026-04-{day:02d}": 9.9 for day in range(1, 30)}
    found = days_of(farm_of([soil("a", 900.0, "clay")], weather(rain, mean)))
    assert state(found, "2026-03-10") == "heavy rain" and state(found, "2026-03-20") == "fit"
    assert state(found, "2026-01-21") == "frozen" and state(found, "2026-01-22") == "fit"
    assert state(found, "2026-04-28") == "waterlogged"
    assert np.all(np.isnan(found.fit_load_kg[found.state > 1]))


def test_days_without_weather_are_unknown_and_the_rest_is_done():
    found = days_of(farm_of([soil("a", 400.0)], weather(days=100)), last=dt.date(2026, 4, 20))
    assert [STATES[one] for one in found.state[98:102]] == ["fit", "fit", "unknown", "unknown"]
    assert np.isnan(found.chance_worst[100:]).all() and not np.isnan(found.chance_worst[:100]).any()


def test_without_weather_or_soil_it_is_refused_in_words():
    with pytest.raises(InputError, match="no weather"):
        days_of(farm_of([soil("a")], None))
    with pytest.raises(InputError, match="no soil lies under the field"):
        days_of(replace(farm_of([soil("a")], weather()), soil_map=()))


# soils ------------------------------------------------------------------------------------------------------


def test_the_worst_soil_judges_and_shares_of_area_are_told():
    found = days_of(farm_of([soil("strong", 400.0), soil("weak", 40.0)], weather()))
    i = at(found, "2026-05-01")
    assert found.shares == pytest.approx((0.75, 0.25)) and found.units[found.soil[i]].key == "weak"
    assert found.fit_share[i] == pytest.approx(0.75) and state(found, "2026-05-01") == "leave"
    alone = [
        days_of(farm_of([soil(key, kpa)], weather())).chance_worst[i]
        for key, kpa in (("strong", 400.0), ("weak", 40.0))
    ]
    assert found.chance_worst[i] == pytest.approx(max(alone))
    assert found.chance_mean[i] == pytest.approx(0.75 * alone[0] + 0.25 * alone[1])


def test_a_day_agrees_with_what_pressure_says_of_that_moisture():
    """The same outfit, load and soil at the day's two tensions, by the other command's way."""
    farm = farm_of([soil("a")], weather())
    found = days_of(farm)
    for day in ("2026-02-01", "2026-05-20", "2026-06-20"):
        i = at(found, day)
        tension = float(found.top_pa[i, 0]), float(found.deep_pa[i, 0])
        question = Question(
            outfit(), {}, 6000.0, (Leg("field", outfit().field_m_s, True), Leg("track", 35 * KM_H, False)),
            (farm.soil_units["a"],), np.array(found.table.depths_m), 0.25, 0.0, 0.30, tension,
        )  # fmt: skip
        rows = rows_of(question)
        given = setting(question, rows, pressures_for(rows, "given"))
        assert found.chance_worst[i] == pytest.approx(max(one.deep for one in given.axles), abs=2e-3)
        assert found.table.wheel_kg == pytest.approx(max(row.field.wheel_n() for row in rows) / 9.80665, rel=0.02)


# laws -------------------------------------------------------------------------------------------------------


def test_less_load_and_less_pressure_never_raise_the_chance():
    farm = farm_of([soil("a")], weather({"2026-05-01": 30.0}))
    full, half = days_of(farm), days_of(farm, 3000.0)
    assert np.all(half.chance_worst <= full.chance_worst + 1e-12)
    soft = replace(farm, outfits={"spreader": set_to(outfit(), {"*": 0.8e5})})
    assert np.all(days_of(soft).chance_worst <= full.chance_worst + 1e-12)
    assert np.all(full.chance_empty <= full.chance_worst + 1e-12)


def test_rain_never_makes_a_day_fitter():
    dry = days_of(farm_of([soil("a")], weather()))
    wet = days_of(farm_of([soil("a")], weather({"2026-03-25": 40.0})))
    i = at(dry, "2026-03-25")
    assert np.all(wet.chance_worst[i:] >= dry.chance_worst[i:] - 1e-12)
    assert wet.chance_worst[i + 1] > dry.chance_worst[i + 1] and wet.rain_before(i + 4) == pytest.approx(40.0)
    assert np.array_equal(wet.chance_worst[:i], dry.chance_worst[:i])


def test_the_heaviest_fit_load_does_not_depend_on_the_load_that_was_asked_for():
    day = dt.date(2026, 5, 1)

    def of(kpa, load):
        return days_of(farm_of([soil("a", kpa)], weather()), load, first=day, last=day)

    kpa = next(one for one in np.arange(30.0, 120.0, 0.5) if of(one, 6000.0).fit_load_kg[0] == 1000.0)
    found = {load: of(kpa, load) for load in (6000.0, 3000.0, 1500.0, 1000.0)}
    assert {one.fit_load_kg[0] for one in found.values()} == {1000.0}
    # of 6 t it is too little to be worth a trip, of 3 t it is a third
    assert [state(one, day) for one in found.values()] == ["leave", "lighter", "lighter", "fit"]


def test_where_only_the_empty_outfit_is_fit_its_load_is_nothing():
    day = dt.date(2026, 5, 1)
    sky = weather()
    tried = (days_of(farm_of([soil("a", kpa)], sky), first=day, last=day) for kpa in np.arange(30.0, 120.0, 0.5))
    found = next(one for one in tried if not np.isnan(one.fit_load_kg[0]))  # the weakest soil that carries anything
    assert state(found, day) == "leave" and found.fit_load_kg[0] == 0.0
    weak = days_of(farm_of([soil("a", 20.0)], weather()), first=day, last=day)
    assert state(weak, day) == "leave" and np.isnan(weak.fit_load_kg[0])


def test_loads_that_are_tried():
    assert loads_up_to(0.0).tolist() == [0.0]
    assert loads_up_to(1700.0).tolist() == [0.0, 500.0, 1000.0, 1500.0, 1700.0]
    assert len(loads_up_to(60_000.0)) <= 61 and loads_up_to(60_000.0)[-1] == 60_000.0


def test_pressures_of_an_operation_replace_those_of_the_outfit():
    assert [axle.field_pa for axle in set_to(outfit(), {"*": 0.7e5, "rear": 0.9e5}).axles()] == [0.7e5, 0.9e5, 0.7e5]
    assert set_to(outfit(), {}) == outfit()


def test_stress_is_kept_between_fields():
    tables = {}
    farm = farm_of([soil("a")], weather())
    one, other = days_of(farm, tables=tables), days_of(farm, tables=tables)
    assert len(tables) == 1 and one.table is other.table


# the next fit day -------------------------------------------------------------------------------------------


def job(day, **more):
    return Operation("1", 2, day, None, "Park", "slurry", "spreader", **more)


def season(kpa=None):
    """Grass that dries from spring on: a soil without a measured strength gets fit some day in early summer."""
    return farm_of([soil("a", kpa)], weather(), crop="grass")


def test_the_next_fit_day_is_the_first_within_the_window():
    farm = season()
    found = days_of(farm, limit=0.75)
    fit = [found.days[i].astype(dt.date) for i in np.flatnonzero(found.state == 0)]
    assert FIRST < fit[0] < dt.date(2026, 7, 1)
    early = fit[0] - dt.timedelta(days=9)
    field = farm.fields["Park"]
    assert next_fit_day(farm, field, job(early, latest=fit[0] + dt.timedelta(days=5)), 0.75) == fit[0]
    assert next_fit_day(farm, field, job(early, latest=fit[0] - dt.timedelta(days=1)), 0.75) is None
    assert next_fit_day(farm, field, job(fit[0], latest=fit[-1]), 0.75) == fit[0]


def test_what_is_booked_is_never_moved_and_no_window_is_its_own_day():
    farm = season(400.0)
    field, day = farm.fields["Park"], dt.date(2026, 5, 1)
    assert next_fit_day(farm, field, job(day, latest=LAST), 0.5) == day
    assert next_fit_day(farm, field, job(day), 0.5) == day
    assert next_fit_day(farm, field, job(day, latest=LAST, fixed_because="contractor booked"), 0.5) is None
    assert next_fit_day(replace(farm, weather=None), field, job(day, latest=LAST), 0.5) is None
    assert next_fit_day(farm, field, job(dt.date(2027, 3, 1), latest=dt.date(2027, 3, 9)), 0.5) is None


def test_what_was_felt_by_hand_counts_on_its_own_day_only():
    farm = season()
    field, day = farm.fields["Park"], dt.date(2026, 6, 20)
    assert next_fit_day(farm, field, job(day, latest=LAST), 0.75) == day
    wet = Moisture(5e3, 5e3, "smears")
    assert next_fit_day(farm, field, job(day, latest=LAST, moisture=wet), 0.75) == day + dt.timedelta(days=1)
    assert next_fit_day(farm, field, job(day, moisture=wet), 0.75) is None


# forecast ---------------------------------------------------------------------------------------------------


def test_a_forecast_goes_on_where_the_measured_weather_ends():
    past, ahead = weather(days=120), weather({"2026-05-03": 25.0}, first="2026-04-25", days=20)
    both = joined(past, ahead)
    assert len(both.days) == 134 and both.days[119] == np.datetime64("2026-04-30") and both.rain_mm[122] == 25.0
    farm = farm_of([soil("a")], both)
    assert water_of(farm, farm.fields["Park"]).place(dt.date(2026, 5, 14)) is not None
    found = days_of(farm, first=dt.date(2026, 4, 28), last=dt.date(2026, 5, 14))
    assert state(found, "2026-05-03") == "heavy rain" and not (found.state == 6).any()


def test_a_forecast_fills_holes_of_the_measured_weather_but_does_not_move_its_start():
    past, ahead = weather(days=120), weather({"2026-04-20": 7.0, "2026-04-25": 9.0}, first="2025-12-20", days=140)
    keep = past.days != np.datetime64("2026-04-20")
    holed = replace(past, **{name: getattr(past, name)[keep] for name in vars(past)})
    both = joined(holed, ahead)
    assert np.array_equal(both.days, np.arange("2026-01-01", "2026-05-09", dtype="datetime64[D]"))
    rain = dict(zip(both.days.astype(str), both.rain_mm, strict=True))
    assert rain["2026-04-20"] == 7.0 and rain["2026-04-25"] == 0.0  # the hole, and a day that was measured
