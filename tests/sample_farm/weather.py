"""An invented year of daily weather for a river plain in the Baltic lowland: mild wet autumn, cold winter."""

from __future__ import annotations

import datetime as dt
import math
import random

SEED = 2026

#: Month -> mean temperature [C], chance of rain, mean rain of a rainy day [mm], bright sun [h/day],
#: humidity [%], wind [m/s]. Drawn after what is usual in the Baltic lowland (memory); no station's record.
MONTHS = (
    (-3.5, 0.52, 2.4, 1.2, 88, 4.2),
    (-3.0, 0.46, 2.2, 2.4, 85, 4.0),
    (0.8, 0.42, 2.5, 4.4, 78, 3.9),
    (7.2, 0.36, 3.1, 6.6, 70, 3.6),
    (12.9, 0.36, 4.2, 8.8, 68, 3.2),
    (16.2, 0.38, 5.2, 9.2, 71, 3.0),
    (18.3, 0.40, 5.9, 8.7, 74, 2.8),
    (17.2, 0.38, 5.6, 7.8, 77, 2.8),
    (12.4, 0.42, 4.4, 5.4, 82, 3.2),
    (6.8, 0.46, 3.8, 3.2, 86, 3.6),
    (2.0, 0.52, 3.0, 1.3, 90, 4.0),
    (-1.8, 0.54, 2.6, 0.8, 90, 4.2),
)


def of_day(day: dt.date, column: int) -> float:
    """Return a monthly value on one day, linear between the middles of the months."""
    position = (day.month - 1) + (day.day - 15.5) / 30.4
    low = math.floor(position)
    share = position - low
    return MONTHS[low % 12][column] * (1 - share) + MONTHS[(low + 1) % 12][column] * share


def weather_csv(year: int) -> str:
    """Return weather.csv of one calendar year; the same bytes for the same year."""
    chance = random.Random(SEED)
    rows = ["date,rain_mm,tmin_c,tmax_c,rh_pct,wind_m_s,sun_h"]
    spell, wet = 0.0, False
    day = dt.date(year, 1, 1)
    while day.year == year:
        spell = 0.75 * spell + 4.2 * (chance.random() - 0.5)  # warm and cold spells last for days
        wet = chance.random() < of_day(day, 1) + (0.16 if wet else -0.11)
        rain = -of_day(day, 2) * math.log(1.0 - chance.random()) if wet else 0.0
        light = chance.random()
        sun = of_day(day, 3) * (0.15 + 0.55 * light if wet else 0.85 + 0.75 * light)
        half_range = 2.0 + 0.55 * sun
        mean = of_day(day, 0) + spell + (-0.6 if wet else 0.4)
        humidity = min(99.0, of_day(day, 4) + (7.0 if wet else -5.0) + 6.0 * (chance.random() - 0.5))
        wind = max(0.5, of_day(day, 5) + 2.6 * (chance.random() - 0.5))
        low, high = mean - half_range, mean + half_range
        rows.append(f"{day},{rain:.1f},{low:.1f},{high:.1f},{humidity:.0f},{wind:.1f},{sun:.1f}")
        day += dt.timedelta(days=1)
    return "\n".join(rows) + "\n"
