"""Reference evapotranspiration: which rule counts where, and laws; worked examples stand in tests/published."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.soil.evapotranspiration import (
    DayWeather,
    daylight_hours,
    extraterrestrial_radiation,
    hargreaves_samani_1985,
    penman_monteith_allen_1998,
    radiation_from_temperatures,
    reference_evapotranspiration,
    vapour_pressure,
)

laws = settings(derandomize=True, max_examples=40, deadline=None, database=None)


def days(**columns):
    """Weather of 6 July (day 187) on as many days as the columns are long; what is not named is missing."""
    count = len(next(iter(columns.values())))
    empty = {
        name: np.full(count, np.nan)
        for name in ("et0_mm", "tmin_c", "tmax_c", "rh_pct", "wind_m_s", "sun_h", "radiation_mj_m2")
    }
    given = {name: np.array(values, dtype=float) for name, values in columns.items()}
    return DayWeather(np.full(count, 187), **{**empty, **given})


#: Uccle, 6 July: FAO-56, Example 18. Its two humidities make 1.409 kPa; as one mean humidity by eq. 19 that is 69.9 %.
UCCLE = {"tmin_c": [12.3], "tmax_c": [21.5], "wind_m_s": [2.078], "sun_h": [9.25]}


def test_uccle_through_the_whole_way():
    humidity = 100 * 1.409 / (0.5 * float(vapour_pressure(12.3) + vapour_pressure(21.5)))
    et0, notes = reference_evapotranspiration(days(**UCCLE, rh_pct=[humidity]), 50.8, 100.0)
    assert et0[0] == pytest.approx(3.88, abs=0.03)
    assert [note.value for note in notes] == ["Penman-Monteith, on 1 of 1 days"]


def test_measured_radiation_goes_before_hours_of_sun():
    by_sun = days(**UCCLE, rh_pct=[70.0])
    same = replace(by_sun, radiation_mj_m2=np.array([22.07]))  # FAO-56, Example 18: what its hours of sun make
    dark = replace(by_sun, radiation_mj_m2=np.array([5.0]))
    values = [reference_evapotranspiration(one, 50.8, 100.0)[0][0] for one in (by_sun, same, dark)]
    assert values[1] == pytest.approx(values[0], abs=0.02) and values[2] < values[0] - 1.0


def test_given_values_go_before_everything():
    et0, notes = reference_evapotranspiration(days(**UCCLE, et0_mm=[2.2]), 50.8, 100.0)
    assert et0[0] == 2.2 and notes[0].value == "as given, on 1 of 1 days" and len(notes) == 1


def test_lyon_with_temperatures_alone_goes_by_hargreaves():
    """FAO-56, Example 20: 5.03 mm by Hargreaves (July 15th there, day 196)."""
    weather = replace(days(tmin_c=[14.8], tmax_c=[26.6]), day_of_year=np.array([196]))
    et0, notes = reference_evapotranspiration(weather, 45.72, 200.0)
    assert et0[0] == pytest.approx(5.03, abs=0.03)
    assert [note.value for note in notes] == ["Hargreaves, on 1 of 1 days"]


def test_each_missing_column_is_told_once_with_its_days():
    weather = days(
        tmin_c=[10.0] * 4, tmax_c=[20.0] * 4, rh_pct=[70, 70, np.nan, np.nan], wind_m_s=[3, np.nan, 3, 3],
        sun_h=[8, 8, 8, np.nan],
    )  # fmt: skip
    et0, notes = reference_evapotranspiration(weather, 50.8, 100.0)
    told = {note.what: note.value for note in notes}
    assert told["weather: humidity"] == "dew point at the coldest temperature, on 2 of 4 days"
    assert told["weather: wind"] == "2 m/s, on 1 of 4 days"
    assert told["weather: radiation"] == "from the span of temperatures, inland, on 1 of 4 days"
    assert np.all(et0 > 1.0) and all(note.source for note in notes)


def test_missing_wind_is_two_metres_and_calm_air_half_a_metre():
    named = {**UCCLE, "rh_pct": [60.0]}
    missing = {key: value for key, value in named.items() if key != "wind_m_s"}
    two, none, still, half = (
        reference_evapotranspiration(days(**one), 50.8, 100.0)[0][0]
        for one in (
            {**named, "wind_m_s": [2.0]},
            missing,
            {**named, "wind_m_s": [0.0]},
            {**named, "wind_m_s": [0.5]},
        )
    )
    assert two == none and still == half < two


def test_a_day_with_nothing_stays_unknown_and_disturbs_no_other():
    et0, _ = reference_evapotranspiration(days(tmin_c=[np.nan, 10.0], tmax_c=[np.nan, 20.0]), 50.8, 100.0)
    assert np.isnan(et0[0]) and et0[1] == pytest.approx(
        float(hargreaves_samani_1985(10.0, 20.0, extraterrestrial_radiation(50.8, 187)))
    )


def test_no_sun_beyond_the_polar_circle_gives_numbers():
    above = extraterrestrial_radiation(78.0, np.arange(1, 367))
    assert np.all(np.isfinite(above)) and np.all(above >= -1e-9)
    assert np.all((daylight_hours(-70.0, np.arange(1, 367)) >= 0) & (daylight_hours(70.0, np.arange(1, 367)) <= 24))


@laws
@given(
    st.floats(-15, 25), st.floats(0.5, 20), st.floats(20, 100), st.floats(0.5, 10), st.floats(0.3, 1.0),
    st.floats(0.1, 20),
)  # fmt: skip
def test_drier_air_and_more_light_never_lower_it(tmin, span, humidity, wind, share, drop):
    above = float(extraterrestrial_radiation(50.8, 187))
    full = float(vapour_pressure(tmin) + vapour_pressure(tmin + span)) / 2

    def et0(rh, light):
        return float(penman_monteith_allen_1998(tmin, tmin + span, rh / 100 * full, wind, light, above, 100.0))

    base = et0(humidity, share * 0.75 * above)
    assert et0(humidity, min(1.0, share + 0.2) * 0.75 * above) >= base - 1e-9 or share >= 1.0
    assert base >= 0 and radiation_from_temperatures(tmin, tmin + span, above) < above
    # drier air also cools the ground by radiation: the wind's share of the answer still grows
    if wind >= 2:
        assert et0(max(humidity - drop, 1.0), share * 0.75 * above) >= base - 0.05
