"""Weather of the farm by day, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Weather:
    """One value per day of `days`, in order; NaN where a value is not given. Each is equal to itself alone.

    Attributes
    ----------
    days : datetime64[D]
    rain_mm, et0_mm : rain and reference evapotranspiration [mm]; without et0 both temperatures are there
    tmin_c, tmax_c : [degrees Celsius]
    rh_pct, wind_m_s, sun_h, radiation_mj_m2 : relative humidity [%], wind at 2 m [m/s], hours of sun, solar radiation
        of the whole day [MJ/m2]
    """

    days: NDArray[np.datetime64]
    rain_mm: NDArray[np.float64]
    et0_mm: NDArray[np.float64]
    tmin_c: NDArray[np.float64]
    tmax_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]
    wind_m_s: NDArray[np.float64]
    sun_h: NDArray[np.float64]
    radiation_mj_m2: NDArray[np.float64]


def joined(measured: Weather, forecast: Weather) -> Weather:
    """Return measured weather with a forecast after it and in its holes; where both have a day the measured one counts.

    Days before the measured weather begins are left out: they would move its start.
    """
    new = (forecast.days > measured.days[0]) & ~np.isin(forecast.days, measured.days)
    order = np.argsort(np.concatenate([measured.days, forecast.days[new]]), kind="stable")
    columns = {
        one.name: np.concatenate([getattr(measured, one.name), getattr(forecast, one.name)[new]])[order]
        for one in fields(Weather)
    }
    return Weather(**columns)
