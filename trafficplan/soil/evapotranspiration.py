"""Reference evapotranspiration by day from what a weather file has: FAO-56, with its own rules for what is missing.

Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56. Its pieces (radiation, vapour pressure, the
equation itself) come from the library refet, in its ASCE form, which for grass by day is FAO-56's. Values are in the
units of that paper: degrees C, kPa, m/s at 2 m, MJ/m2 a day, mm a day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from refet import calcs

from trafficplan.names import Note

Floats = NDArray[np.float64]

SOURCE = "FAO-56 (Allen et al. 1998)"

#: Wind where none is measured [m/s at 2 m] (FAO-56, worked example of Lyon: found), and the least that the equation
#: is used with (FAO-56: memory).
WIND_M_S = 2.0
LEAST_WIND_M_S = 0.5

#: Radiation from temperatures: share of the root of their difference, inland (FAO-56, example of Lyon: found).
INLAND = 0.16

#: Latitude beyond which days without sunrise make no sense of the rules above [degrees].
POLAR_DEG = 66.0


@dataclass(frozen=True)
class DayWeather:
    """What is known of each day, in order; arrays of one length, NaN where a value is missing.

    Attributes
    ----------
    day_of_year : 1 to 366
    et0_mm : reference evapotranspiration as given
    tmin_c, tmax_c, rh_pct, wind_m_s, sun_h, radiation_mj_m2 : temperatures, mean relative humidity, wind at 2 m, hours
        of sun, solar radiation of the whole day
    """

    day_of_year: NDArray[np.int64]
    et0_mm: Floats
    tmin_c: Floats
    tmax_c: Floats
    rh_pct: Floats
    wind_m_s: Floats
    sun_h: Floats
    radiation_mj_m2: Floats


def extraterrestrial_radiation(latitude_deg: float, day_of_year: ArrayLike) -> Floats:
    """Return the radiation above the air [MJ/m2 a day] (FAO-56 eq. 21).

    Examples
    --------
    >>> round(float(extraterrestrial_radiation(50.80, 187)), 2)
    41.09
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(calcs.ra_daily(np.radians(np.clip(latitude_deg, -POLAR_DEG, POLAR_DEG)), day))


def daylight_hours(latitude_deg: float, day_of_year: ArrayLike) -> Floats:
    """Return the hours from sunrise to sunset (FAO-56 eq. 34).

    Examples
    --------
    >>> round(float(daylight_hours(50.80, 187)), 1)
    16.1
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    latitude = np.radians(np.clip(latitude_deg, -POLAR_DEG, POLAR_DEG))
    return np.asarray(24.0 / np.pi * calcs.sunset_hour_angle(latitude, calcs.declination(day)))


def radiation_angstrom(sun_h: ArrayLike, daylight_h: ArrayLike, ra_mj_m2: ArrayLike) -> Floats:
    """Return solar radiation from hours of sun [MJ/m2 a day]: (0.25 + 0.5 n/N) Ra (FAO-56 eq. 35)."""
    sun, day, above = (np.asarray(one, dtype=np.float64) for one in (sun_h, daylight_h, ra_mj_m2))
    return np.asarray((0.25 + 0.5 * np.minimum(sun / np.maximum(day, 1e-9), 1.0)) * above)


def radiation_from_temperatures(tmin_c: ArrayLike, tmax_c: ArrayLike, ra_mj_m2: ArrayLike) -> Floats:
    """Return solar radiation where none is measured [MJ/m2 a day]: 0.16 sqrt(Tmax - Tmin) Ra (FAO-56 eq. 50)."""
    span = np.maximum(np.asarray(tmax_c, dtype=np.float64) - np.asarray(tmin_c, dtype=np.float64), 0.0)
    return np.asarray(INLAND * np.sqrt(span) * np.asarray(ra_mj_m2, dtype=np.float64))


def vapour_pressure(temperature_c: ArrayLike) -> Floats:
    """Return the pressure of saturated vapour [kPa] (FAO-56 eq. 11), shape of `temperature_c`."""
    given = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(calcs.sat_vapor_pressure(given)).reshape(given.shape)


def penman_monteith_allen_1998(
    tmin_c: ArrayLike,
    tmax_c: ArrayLike,
    vapour_kpa: ArrayLike,
    wind_m_s: ArrayLike,
    radiation_mj_m2: ArrayLike,
    ra_mj_m2: ArrayLike,
    altitude_m: float,
    ground_mj_m2: ArrayLike = 0.0,
) -> Floats:
    """Return the reference evapotranspiration of grass [mm a day] (FAO-56 eq. 6); arguments broadcast.

    Parameters
    ----------
    vapour_kpa : actual vapour pressure [kPa]
    wind_m_s : wind at 2 m
    radiation_mj_m2, ra_mj_m2 : solar radiation on the ground and above the air [MJ/m2 a day]
    altitude_m : height above the sea [m]
    ground_mj_m2 : heat into the ground [MJ/m2 a day]; by day it is taken as 0

    Examples
    --------
    >>> round(float(penman_monteith_allen_1998(12.3, 21.5, 1.409, 2.078, 22.07, 41.09, 100.0)), 2)
    3.88
    """
    low, high, ea, wind, rs, ra, ground = np.broadcast_arrays(
        *(
            np.asarray(one, dtype=np.float64)
            for one in (tmin_c, tmax_c, vapour_kpa, wind_m_s, radiation_mj_m2, ra_mj_m2, ground_mj_m2)
        )
    )
    shape = low.shape
    low, high, ea, wind, rs, ra, ground = (np.ravel(one) for one in (low, high, ea, wind, rs, ra, ground))
    mean = 0.5 * (low + high)
    clouds = calcs.fcd_daily(rs, calcs.rso_simple(ra, altitude_m))
    net = calcs.rn_daily(rs, calcs.rnl_daily(high, low, ea, clouds))
    deficit = np.maximum(0.5 * (vapour_pressure(low) + vapour_pressure(high)) - ea, 0.0)
    psychrometric = 0.000665 * calcs.air_pressure(altitude_m)
    et0 = calcs.etsz(net, ground, mean, wind, deficit, calcs.es_slope(mean), psychrometric, 900.0, 0.34)
    return np.asarray(np.maximum(et0, 0.0)).reshape(shape)


def hargreaves_samani_1985(tmin_c: ArrayLike, tmax_c: ArrayLike, ra_mj_m2: ArrayLike) -> Floats:
    """Return the reference evapotranspiration from temperatures alone [mm a day] (FAO-56 eq. 52).

    Too high where the air is humid, too low where it is windy (above 3 m/s).

    Examples
    --------
    >>> round(float(hargreaves_samani_1985(14.8, 26.6, 40.55)), 2)
    5.03
    """
    low, high = np.asarray(tmin_c, dtype=np.float64), np.asarray(tmax_c, dtype=np.float64)
    above = 0.408 * np.asarray(ra_mj_m2, dtype=np.float64)
    et0 = 0.0023 * (0.5 * (low + high) + 17.8) * np.sqrt(np.maximum(high - low, 0.0)) * above
    return np.asarray(np.maximum(et0, 0.0))


def reference_evapotranspiration(
    weather: DayWeather, latitude_deg: float, altitude_m: float
) -> tuple[Floats, tuple[Note, ...]]:
    """Return the reference evapotranspiration of each day [mm], and how it was come by.

    Given values count first. Else Penman-Monteith with what is measured and FAO-56's own rules for what is not: dew
    point at the coldest temperature, wind of 2 m/s, radiation from hours of sun or from temperatures. Days that have
    temperatures alone go by Hargreaves. NaN on days without a value and without both temperatures.
    """
    w = weather
    above = extraterrestrial_radiation(latitude_deg, w.day_of_year)
    sun = radiation_angstrom(w.sun_h, daylight_hours(latitude_deg, w.day_of_year), above)
    has_light = ~np.isnan(w.radiation_mj_m2) | ~np.isnan(sun)
    light = np.where(np.isnan(w.radiation_mj_m2), sun, np.minimum(w.radiation_mj_m2, above))
    light = np.where(has_light, light, radiation_from_temperatures(w.tmin_c, w.tmax_c, above))
    saturated = 0.5 * (vapour_pressure(w.tmin_c) + vapour_pressure(w.tmax_c))
    dry = np.isnan(w.rh_pct)
    vapour = np.where(dry, vapour_pressure(w.tmin_c), w.rh_pct / 100.0 * saturated)
    calm = np.isnan(w.wind_m_s)
    wind = np.where(calm, WIND_M_S, np.maximum(w.wind_m_s, LEAST_WIND_M_S))
    whole = penman_monteith_allen_1998(w.tmin_c, w.tmax_c, vapour, wind, light, above, altitude_m)
    given = ~np.isnan(w.et0_mm)
    warm = ~given & ~np.isnan(w.tmin_c) & ~np.isnan(w.tmax_c)
    bare = warm & dry & calm & ~has_light
    computed = np.where(bare, hargreaves_samani_1985(w.tmin_c, w.tmax_c, above), whole)
    used = warm & ~bare
    return np.where(given, w.et0_mm, computed), _notes(given, bare, used, dry, calm, has_light)


def _notes(*masks: NDArray[np.bool_]) -> tuple[Note, ...]:
    """Return one Note for each way and each rule that was used, with its days."""
    given, bare, used, dry, calm, has_light = masks
    what, days = "weather: reference evapotranspiration", len(given)
    told = (
        (given, what, "as given", "the file has it", "weather.csv"),
        (used, what, "Penman-Monteith", "computed from the weather of the day", SOURCE),
        (bare, what, "Hargreaves", "only temperatures are known; too high in humid, too low in windy air", SOURCE),
        (used & dry, "weather: humidity", "dew point at the coldest temperature", "not measured", SOURCE),
        (used & calm, "weather: wind", f"{WIND_M_S:g} m/s", "not measured", SOURCE),
        (used & ~has_light, "weather: radiation", "from the span of temperatures, inland", "not measured", SOURCE),
    )
    return tuple(
        Note("assumed", name, f"{value}, on {int(mask.sum())} of {days} days", why, source)
        for mask, name, value, why, source in told
        if mask.any()
    )
