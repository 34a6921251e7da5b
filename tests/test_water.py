"""The day's water balance: nothing gets lost, rain never dries, FAO-56's stress, layers, crops by day."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.errors import InputError
from trafficplan.soil.crops import CropDays, crop_days, crop_named, crop_table
from trafficplan.soil.retention import FIELD_CAPACITY_PA
from trafficplan.soil.texture import TEXTURES
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.soil.water import (
    READILY_EVAPORABLE_MM,
    Stores,
    daily_balance,
    drain_share,
    stores_of,
    stress_allen_1998,
    surface_drying_allen_1998,
)

laws = settings(derandomize=True, max_examples=12, deadline=None, database=None)

CLAY = SoilUnit(
    "clay",
    "clay",
    (Horizon(0, 0.25, "clay", 0.17, 0.37, 0.46, 4.2, 1220), Horizon(0.25, 1.5, "clay", 0.14, 0.34, 0.52)),
)
LOAM = SoilUnit("loam", "loam", (Horizon(0, 0.28, "loam"), Horizon(0.28, 0.55, "loam", density_kg_m3=1550.0)))
SAND = SoilUnit("sand", "sand", (Horizon(0, 1.5, "sand", stones=0.1),))
UNITS = (CLAY, LOAM, SAND)
YEAR = np.arange("2026-01-01", "2027-01-01", dtype="datetime64[D]")


def bare(days):
    return CropDays(np.zeros(days), np.zeros(days), np.zeros(days), 0.5)


def wheat(days=YEAR):
    return crop_days(crop_named("winter wheat", "x")[0], days)


def weather(seed, days=365):
    random = np.random.default_rng(seed)
    rain = np.where(random.random(days) < 0.4, random.exponential(5.0, days), 0.0)
    et0 = 2.0 - 1.9 * np.cos(2 * np.pi * np.arange(days) / 365) + random.random(days)
    return rain, et0


# laws -------------------------------------------------------------------------------------------------------


@laws
@given(
    st.integers(0, 10_000), st.sampled_from([0.12, 0.25, 0.40]), st.sampled_from(["winter wheat", "grass", "fallow"])
)
def test_every_millimetre_of_rain_is_found_again(seed, top_m, crop):
    stores, _ = stores_of(UNITS, top_m)
    rain, et0 = weather(seed)
    found = daily_balance(stores, rain, et0, crop_days(crop_named(crop, "x")[0], YEAR))
    gone = found.evaporated_mm + found.drawn_mm + found.drained_mm + found.standing_mm
    stored = np.diff(found.water_mm.sum(axis=1), axis=0)
    assert rain[:, None] - gone == pytest.approx(stored, abs=1e-6)  # every day, every soil
    for one in (found.evaporated_mm, found.drawn_mm, found.drained_mm, found.standing_mm):
        assert one.min() >= 0.0
    assert np.all(found.water_mm <= stores.saturated_mm + 1e-6) and np.all(found.water_mm > 0.0)
    assert np.all(found.evaporated_mm + found.drawn_mm <= 2.0 * et0[:, None] + 1e-9)


@laws
@given(
    st.integers(0, 10_000), st.integers(0, 364), st.floats(0.5, 40.0), st.sampled_from([0.10, 0.25, 0.40]),
    st.sampled_from(["winter wheat", "grass", "fallow", "sugar beet"]),
)  # fmt: skip
def test_more_rain_never_leaves_a_drier_soil_that_day(seed, day, more, top_m, crop):
    """In each layer on the day itself. Weeks later a soil may be a millimetre drier: between the plants the surface was
    wetted and dries at full pace, while under them water drained away that was too much (FAO-56's own two parts)."""
    stores, _ = stores_of(UNITS, top_m)
    rain, et0 = weather(seed)
    wetter = rain.copy()
    wetter[day] += more
    days = crop_days(crop_named(crop, "x")[0], YEAR)
    one, other = (daily_balance(stores, sky, et0, days) for sky in (rain, wetter))
    assert np.array_equal(other.water_mm[: day + 1], one.water_mm[: day + 1])
    assert np.all(other.water_mm[day + 1] >= one.water_mm[day + 1] - 1e-9)
    assert np.all(other.tension_pa[day] <= one.tension_pa[day] * (1 + 1e-9))
    assert np.all(other.water_mm.sum(axis=1) >= one.water_mm.sum(axis=1) - 1.5)
    assert one.tension_pa.min() > 0.0


def test_units_do_not_disturb_each_other():
    rain, et0 = weather(3)
    together = daily_balance(stores_of(UNITS, 0.25)[0], rain, et0, wheat())
    for u, unit in enumerate(UNITS):
        alone = daily_balance(stores_of([unit], 0.25)[0], rain, et0, wheat())
        assert np.array_equal(alone.tension_pa[:, :, 0], together.tension_pa[:, :, u])


def test_a_year_cut_in_two_is_the_year():
    stores, _ = stores_of(UNITS, 0.25)
    rain, et0 = weather(5)
    rain[179] = 30.0  # after enough rain the surface has forgotten how dry it was
    whole = daily_balance(stores, rain, et0, wheat())
    rest = daily_balance(stores, rain[180:], et0[180:], wheat(YEAR[180:]), start_mm=whole.water_mm[180])
    assert rest.water_mm[-1] == pytest.approx(whole.water_mm[-1], abs=1e-6)


# published --------------------------------------------------------------------------------------------------


def test_the_stress_of_tomatoes_day_by_day():
    """FAO-56 chapter 8, worked case: FC .32, WP .12, root 0.8 m, p .40, 55 mm missing at first, 6 mm a day (inputs from
    memory; the ten coefficients follow by the paper's own recursion)."""
    ends = (0.2, 0.4, 0.8)
    thick = np.diff([0.0, *ends])[:, None] * 1e3
    field, wilting = 0.32 * thick, 0.12 * thick
    grid = np.array([FIELD_CAPACITY_PA, 1500e3])
    storage = np.stack([field, wilting], axis=-1)
    stores = Stores(
        ("x",), ends, grid, storage, field, wilting, 0.45 * thick, np.zeros((3, 1)), np.array([1e-9]), np.array([1e-9])
    )
    days = np.full(10, 1.0)
    crop = CropDays(days, np.full(10, 0.99), 0.8 * days, 0.40)
    start = field - 55.0 * thick / 800.0
    found = daily_balance(stores, np.zeros(10), 6.0 * days, crop, start)
    expected = [1, 1, 0.969, 0.908, 0.851, 0.798, 0.748, 0.702, 0.658, 0.617]
    assert found.drawn_mm[:, 0] / 6.0 == pytest.approx(expected, abs=1e-3)
    assert float(stress_allen_1998(100.0, 160.0, 0.4)) == pytest.approx(0.625)


def test_bare_ground_evaporates_at_full_pace_first_then_ever_less():
    stores, _ = stores_of([LOAM], 0.25)
    found = daily_balance(stores, np.zeros(60), np.full(60, 4.0), bare(60))
    lost = found.evaporated_mm[:, 0]
    assert lost[0] == pytest.approx(1.2 * 4.0)  # FAO-56: a wet surface by 1.2 times the reference
    assert np.all(np.diff(lost) <= 1e-9) and lost[-1] < 0.2
    assert lost.sum() <= stores.evaporable_mm[0] + 1e-6
    assert surface_drying_allen_1998([0.0, 9.0, 14.0, 19.0], 19.0, 9.0).tolist() == [1.0, 1.0, 0.5, 0.0]
    assert found.tension_pa[-1, 1, 0] == pytest.approx(FIELD_CAPACITY_PA, rel=0.02)  # nothing rises from below


def test_water_that_drains_anyway_leaves_no_dry_surface_behind():
    """Soaked ground that has drained to field capacity evaporates at full pace: what left while it drained is no debt."""
    stores, _ = stores_of([LOAM], 0.25)
    rain = np.array([30.0, 30.0, *np.zeros(8)])
    found = daily_balance(stores, rain, np.full(10, 4.0), bare(10))
    wet = found.water_mm[1:, 0, 0] >= stores.field_mm[0, 0]
    assert wet[:2].all() and found.evaporated_mm[: wet.sum() + 1, 0] == pytest.approx(1.2 * 4.0)
    dry = daily_balance(stores, np.zeros(10), np.full(10, 4.0), bare(10))
    after = int(np.flatnonzero(~wet)[0])  # the first evening below field capacity
    left = stores.field_mm[0, 0] - found.water_mm[after + 1, 0, 0]
    assert found.evaporated_mm[after + 1 : after + 3, 0].sum() >= dry.evaporated_mm[2:4, 0].sum() - 1e-9
    assert 0.0 < left <= 1.2 * 4.0


def test_evaporable_water_by_texture_is_within_the_published_ranges():
    """FAO-56 Table 19 (memory): 2-12 mm at full pace, 6-29 mm in all, sand least."""
    assert set(READILY_EVAPORABLE_MM) == set(TEXTURES)
    units = [SoilUnit(name, name, (Horizon(0, 1.5, name),)) for name in TEXTURES]
    stores, _ = stores_of(units, 0.25)
    by_name = dict(zip(stores.keys, stores.evaporable_mm, strict=True))
    assert min(READILY_EVAPORABLE_MM.values()) >= 2 and max(READILY_EVAPORABLE_MM.values()) <= 12
    assert np.all(stores.readily_mm < stores.evaporable_mm)
    # from the wetter field capacity of drained land: up to a tenth over the table
    assert 22 <= by_name["clay"] <= 32 and by_name["sand"] < by_name["loam"] <= 32


# layers -----------------------------------------------------------------------------------------------------


def test_a_soaked_soil_comes_back_to_field_capacity_in_one_to_three_days():
    assert drain_share(100.0) > drain_share(10.0) > drain_share(1.0)
    assert (1 - drain_share(1.0)) ** 3 == pytest.approx(0.1) == 1 - drain_share(100.0)
    stores, _ = stores_of([SAND], 0.25)
    found = daily_balance(stores, np.array([40.0, *np.zeros(9)]), np.zeros(10), bare(10))
    top = found.tension_pa[:, 0, 0]
    assert top[0] < 5e3 and top[-1] == pytest.approx(FIELD_CAPACITY_PA, rel=0.02) and np.all(np.diff(top[1:]) >= 0)


def test_a_dense_layer_holds_back_the_water_above_it():
    tight = SoilUnit("tight", "tight", (Horizon(0, 0.25, "sand"), Horizon(0.25, 1.5, "clay", density_kg_m3=1500.0)))
    rain = np.full(20, 25.0)
    held = daily_balance(stores_of([tight], 0.25)[0], rain, np.zeros(20), bare(20))
    free = daily_balance(stores_of([SAND], 0.25)[0], rain, np.zeros(20), bare(20))
    assert held.tension_pa[-1, 0, 0] < 1e3 < free.tension_pa[-1, 0, 0]
    assert held.standing_mm.sum() > 0 == free.standing_mm.sum()


def test_after_a_dry_summer_rain_reaches_the_ground_under_the_plough():
    stores, _ = stores_of([LOAM], 0.25)
    dry = np.stack([0.3 * stores.field_mm + 0.7 * stores.wilting_mm])[0]
    found = daily_balance(stores, np.full(40, 4.0), np.full(40, 1.0), bare(40), dry)
    deep = found.tension_pa[:, 1, 0]
    assert deep[0] > 100e3 and deep[-1] < 20e3
    assert np.all(np.diff(found.water_mm[:, 2, 0]) >= -1e-9)


def test_the_tension_of_a_day_is_the_wetter_of_morning_and_evening():
    stores, _ = stores_of([LOAM], 0.25)
    rain = np.zeros(30)
    rain[20] = 20.0
    found = daily_balance(stores, rain, np.full(30, 4.0), bare(30))
    top = found.tension_pa[:, 0, 0]
    assert np.all(np.diff(top[:20]) >= 0) and top[20] < top[19]
    assert top[0] == pytest.approx(FIELD_CAPACITY_PA, rel=1e-3)


def test_a_day_without_weather_leaves_the_soil_alone():
    stores, _ = stores_of([LOAM], 0.25)
    rain, et0 = np.zeros(5), np.full(5, 3.0)
    rain[2] = et0[2] = np.nan
    found = daily_balance(stores, rain, et0, wheat(YEAR[150:155]))
    assert np.array_equal(found.water_mm[3], found.water_mm[2]) and np.all(np.isfinite(found.tension_pa))


def test_a_unit_without_horizons_or_of_no_known_texture_is_refused():
    with pytest.raises(InputError, match="no horizon"):
        stores_of([SoilUnit("x", "x", ())], 0.25)
    with pytest.raises(InputError, match="unknown texture class"):
        stores_of([SoilUnit("x", "x", (Horizon(0, 1, "gravel"),))], 0.25)


# crops ------------------------------------------------------------------------------------------------------


def test_crops_are_named_as_people_name_them():
    names = {
        "Winter wheat": "winter wheat", "wheat (second)": "winter wheat", "Spring wheat": "spring wheat",
        "winter barley": "winter barley", "barley": "spring barley", "oilseed rape": "winter rape",
        "winter rape": "winter rape", "field beans": "field beans", "oats": "oats", "grass": "grass",
        "permanent pasture": "grass", "rye": "winter rye", "rye grass": "grass", "sugar beet": "sugar beet",
        "maize silage": "silage maize", "grain maize": "maize", "fallow": "fallow", "potatoes": "potatoes",
    }  # fmt: skip
    assert {text: crop_named(text, "x")[0].key for text in names} == names


@pytest.mark.parametrize("text", ["asters", "", "1234"])
def test_an_unknown_crop_counts_as_bare_ground_and_is_told(text):
    crop, note = crop_named(text, "field A")
    assert crop.kind == "bare" and note.value == "as bare ground" and note.what.startswith("field A")


def test_stages_are_days_of_the_year():
    days = wheat()
    on = {str(day): i for i, day in enumerate(YEAR)}
    # sown on 25 September, 160 + 75 days to full growth: 18 May; ripe from 1 August, gone after 25 August
    assert days.kcb[on["2026-01-15"]] == pytest.approx(0.15) and days.kcb[on["2026-05-20"]] == pytest.approx(1.10)
    assert days.kcb[on["2026-07-31"]] == pytest.approx(1.10) and days.kcb[on["2026-09-10"]] == 0.0
    assert days.kcb[on["2026-12-01"]] == pytest.approx(0.15) and days.shade[on["2026-08-15"]] > 0.8
    assert days.root_m[on["2026-01-01"]] < days.root_m[on["2026-04-01"]] < days.root_m[on["2026-06-01"]] == 1.5


def test_the_fields_own_drilling_and_harvest_move_the_stages():
    barley = crop_named("spring barley", "x")[0]
    usual = crop_days(barley, YEAR)
    own = crop_days(barley, YEAR, [dt.date(2026, 5, 5), dt.date(2026, 9, 20)], [dt.date(2026, 8, 12)])
    on = {str(day): i for i, day in enumerate(YEAR)}
    assert usual.kcb[on["2026-04-20"]] > 0 == own.kcb[on["2026-04-20"]]
    assert own.kcb[on["2026-08-12"]] > 0 == own.kcb[on["2026-08-14"]]
    assert own.kcb[on["2026-09-25"]] == 0.15  # the next crop, of which only the drilling is known


def test_south_of_the_equator_the_year_is_turned():
    wheat_crop = crop_named("winter wheat", "x")[0]
    north, south = crop_days(wheat_crop, YEAR), crop_days(wheat_crop, YEAR, south=True)
    assert north.kcb[180] > 1.0 > 0.3 > south.kcb[180] and south.kcb[330] > 1.0


def test_grass_is_there_all_year():
    days = crop_days(crop_named("grass", "x")[0], YEAR)
    assert days.kcb.min() == 0.30 and days.kcb.max() == 0.90 and days.root_m.min() == 0.5 and days.shade.min() > 0.5


def test_the_table_holds_believable_numbers():
    for crop in crop_table():
        assert 0 <= crop.kcb[0] <= crop.kcb[1] <= 1.2 and 0 <= crop.kcb[2] <= crop.kcb[1]
        assert 0 < crop.depletion < 1 and sum(crop.lengths) <= 366 and crop.lengths_from
        dt.date(2026, *crop.starts)
