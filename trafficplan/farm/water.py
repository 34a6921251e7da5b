"""Soil water of the fields by day: the farm's weather, the field's crop and its soils, put through the water balance."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer
from shapely import Polygon

from trafficplan.farm import defaults, season
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Moisture, Operation
from trafficplan.farm.weather import Weather
from trafficplan.names import Note
from trafficplan.soil.crops import crop_days, crop_named
from trafficplan.soil.day import TOP_M
from trafficplan.soil.evapotranspiration import DayWeather, reference_evapotranspiration
from trafficplan.soil.water import daily_balance, stores_of
from trafficplan.units import KPA

Floats = NDArray[np.float64]

#: A soil under less of a field than this counts for nothing there.
SOIL_SHARE = 0.01
#: How people are told where a moisture comes from.
BY_BALANCE = "water balance of the day"
SOURCE = "FAO-56 water balance of weather.csv (docs/days.md)"

#: Words of a job that sow or harvest the field's crop.
SOWS = ("drill", "sow", "seed", "plant")
HARVESTS = ("harvest", "combine", "lift")

#: Months in which a soil may be taken to stand at field capacity, north of the equator.
WINTER = (11, 12, 1, 2, 3)

#: Height above the sea where no elevation is known [m] (ours; a hundred metres more or less change nothing that counts).
ALTITUDE_M = 100.0

#: Least and greatest depth of the top layer [m].
_TOP_RANGE_M = (0.10, 0.60)


@dataclass(frozen=True)
class FieldWater:
    """The soils of one field day by day, from the first day of the weather to its last.

    Attributes
    ----------
    days : datetime64[D], (n,), every day of the calendar
    known : (n,) whether the weather has that day
    units : keys of the soil units, in the order of the last axis below
    tension_pa : (n, 2, units) of the top and the deep layer
    rain_mm, et0_mm : (n,) NaN where the day is not known
    mean_c : (n,) middle of coldest and warmest [degrees C], NaN where the temperatures are not known
    top_m : depth at which the top layer ends
    notes, soil_notes : what was assumed of weather and crop, and of each soil unit
    """

    days: NDArray[np.datetime64]
    known: NDArray[np.bool_]
    units: tuple[str, ...]
    tension_pa: Floats
    rain_mm: Floats
    et0_mm: Floats
    mean_c: Floats
    top_m: float
    notes: tuple[Note, ...]
    soil_notes: Mapping[str, tuple[Note, ...]]

    def place(self, day: dt.date) -> int | None:
        """Return the index of a day, or None where the weather does not have it."""
        at = int((np.datetime64(day, "D") - self.days[0]).astype(np.int64))
        return at if 0 <= at < len(self.days) and self.known[at] else None


#: Balances by weather: they live as long as the weather does.
_KEPT: WeakKeyDictionary[Weather, dict[tuple[object, ...], FieldWater]] = WeakKeyDictionary()


def water_of(farm: Farm, field: Field) -> FieldWater | None:
    """Return the water of all the farm's soils as they lie under a field; None without weather.

    Kept for as long as the weather is.
    """
    if farm.weather is None or not farm.soil_units:
        return None
    tillage, _ = season.tillage_depth(field, farm.operations)
    top = min(max(tillage or TOP_M, _TOP_RANGE_M[0]), _TOP_RANGE_M[1])
    sown, harvested = (_days(farm, field, words) for words in (SOWS, HARVESTS))
    centre = field.polygon.centroid
    units = tuple(farm.soil_units.values())
    key = (field.key, field.crop, top, sown, harvested, farm.crs, centre.x, centre.y, id(farm.elevation), units)
    kept = _KEPT.setdefault(farm.weather, {})
    if key not in kept:
        kept[key] = _water(farm, field, top, sown, harvested, _latitude(farm, field), _altitude(farm))
    return kept[key]


def moisture_on(farm: Farm, field: Field, unit_key: str, day: dt.date) -> Moisture | None:
    """Return the moisture of one soil under a field on a day; None without weather, or where it lacks that day.

    Parameters
    ----------
    unit_key : a soil unit of the farm
    """
    water = water_of(farm, field)
    return None if water is None else _moisture(water, unit_key, day)


def _moisture(water: FieldWater, unit_key: str, day: dt.date) -> Moisture | None:
    at = water.place(day)
    if at is None or unit_key not in water.units:
        return None
    top, deep = (float(one) for one in water.tension_pa[at, :, water.units.index(unit_key)])
    return Moisture(top, deep, f"{BY_BALANCE}: top {top / KPA:.0f} kPa, deep {deep / KPA:.0f} kPa")


def moistures_of(
    farm: Farm, operation: Operation, units: Sequence[str]
) -> tuple[tuple[tuple[float, float], ...], tuple[Note, ...]]:
    """Return the tension of the top and the deep layer of each soil unit on an operation's day [Pa], and how come by.

    What the operation says counts first, then the water balance of the day, then the farm's usual moisture.
    """
    if operation.moisture is not None:
        given = operation.moisture.top_pa, operation.moisture.deep_pa
        return tuple(given for _ in units), ()
    what = f"operation {operation.key}"
    usual = defaults.note("moisture", what)
    field = farm.fields.get(operation.field)
    water = None if field is None else water_of(farm, field)
    if water is None or field is None:
        return tuple((defaults.MOISTURE_PA, defaults.MOISTURE_PA) for _ in units), (usual,)
    found = [_moisture(water, unit, operation.day) for unit in units]
    told = [one for one in found if one is not None]
    if len(told) < len(found) or not told:
        lacking = Note("warned", f"{what}: weather", f"none on {operation.day}", "the file has no row for its day")
        return tuple((defaults.MOISTURE_PA, defaults.MOISTURE_PA) for _ in units), (usual, lacking)
    value = f"{BY_BALANCE}: top {_span([one.top_pa for one in told])}, deep {_span([one.deep_pa for one in told])}"
    note = Note("assumed", f"{what}: {defaults.DEFAULTS['moisture'].what}", value, "not given", SOURCE)
    return tuple((one.top_pa, one.deep_pa) for one in told), (note, *notes_of(farm, field, units))


def notes_of(farm: Farm, field: Field, units: Sequence[str]) -> tuple[Note, ...]:
    """Return what the water balance of some soils under a field rests on."""
    water = water_of(farm, field)
    if water is None:
        return ()
    return (*water.notes, *(note for unit in units for note in water.soil_notes.get(unit, ())))


def _span(tensions_pa: Sequence[float]) -> str:
    low, high = (f"{one / KPA:.0f}" for one in (min(tensions_pa), max(tensions_pa)))
    return f"{low} kPa" if low == high else f"{low} to {high} kPa"


def _days(farm: Farm, field: Field, words: Sequence[str]) -> tuple[dt.date, ...]:
    return tuple(
        one.day for one in farm.operations if one.field == field.key and any(word in one.job.lower() for word in words)
    )


def _latitude(farm: Farm, field: Field) -> float:
    centre = field.polygon.centroid
    to_degrees = Transformer.from_crs(farm.crs, "EPSG:4326", always_xy=True)
    return float(to_degrees.transform(centre.x, centre.y)[1])


def _altitude(farm: Farm) -> float | None:
    if farm.elevation is None:
        return None
    heights = farm.elevation.height_m[np.isfinite(farm.elevation.height_m)]
    return float(np.median(heights)) if len(heights) else None


def _water(
    farm: Farm,
    field: Field,
    top_m: float,
    sown: tuple[dt.date, ...],
    harvested: tuple[dt.date, ...],
    latitude: float,
    altitude: float | None,
) -> FieldWater:
    weather = farm.weather
    assert weather is not None
    days, known, columns = _calendar(weather)
    notes: list[Note] = []
    high = ALTITUDE_M if altitude is None else altitude
    et0, more = reference_evapotranspiration(
        DayWeather(
            (days - days.astype("datetime64[Y]")).astype(np.int64) + 1,
            *(columns[name] for name in _COLUMNS if name != "rain_mm"),
        ),
        latitude,
        high,
    )
    notes += more
    if altitude is None and any("Penman" in note.value for note in more):
        notes.append(Note("assumed", "weather: height above the sea", f"{high:g} m", "no elevation is known", "ours"))
    crop, note = crop_named(field.crop, f"field {field.key}")
    stores, _ = stores_of(tuple(farm.soil_units.values()), top_m)
    balance = daily_balance(stores, columns["rain_mm"], et0, crop_days(crop, days, sown, harvested, south=latitude < 0))
    mean = 0.5 * (columns["tmin_c"] + columns["tmax_c"])
    notes += [note, *_weather_notes(days, known, mean, columns["rain_mm"], latitude)]
    return FieldWater(
        days=days,
        known=known,
        units=stores.keys,
        tension_pa=balance.tension_pa[:, :2],
        rain_mm=columns["rain_mm"],
        et0_mm=et0,
        mean_c=mean,
        top_m=top_m,
        notes=tuple(dict.fromkeys(notes)),
        soil_notes={key: stores_of((unit,), top_m)[1] for key, unit in farm.soil_units.items()},
    )


#: Columns of the weather that the balance uses; those but rain in the order of DayWeather.
_COLUMNS = ("rain_mm", "et0_mm", "tmin_c", "tmax_c", "rh_pct", "wind_m_s", "sun_h", "radiation_mj_m2")


def _calendar(weather: Weather) -> tuple[NDArray[np.datetime64], NDArray[np.bool_], dict[str, Floats]]:
    """Return every day from the first to the last, which of them the weather has, and its columns on them."""
    first, last = weather.days[0], weather.days[-1]
    days = np.arange(first, last + np.timedelta64(1, "D"), dtype="datetime64[D]")
    at = (weather.days - first).astype(np.int64)
    known = np.zeros(len(days), dtype=np.bool_)
    known[at] = True
    columns: dict[str, Floats] = {}
    for name in _COLUMNS:
        columns[name] = np.full(len(days), np.nan)
        columns[name][at] = getattr(weather, name)
    return days, known, columns


def _weather_notes(
    days: NDArray[np.datetime64], known: NDArray[np.bool_], mean_c: Floats, rain_mm: Floats, latitude: float
) -> list[Note]:
    notes = []
    month = int(str(days[0])[5:7])
    winter = month in WINTER if latitude >= 0 else (month + 5) % 12 + 1 in WINTER
    what, value = "soil water at the start", f"field capacity on {days[0]}"
    if winter:
        notes.append(Note("assumed", what, value, "the weather begins in winter", "ours"))
    else:
        why = "the weather begins outside winter: until the next one the soil may be told as wetter than it is"
        notes.append(Note("warned", what, value, why))
    if not known.all():
        value = f"{int((~known).sum())} of {len(days)}"
        why = "over a day without a row the soil is left as it was"
        notes.append(Note("warned", "soil water: days without weather", value, why))
    cold = int(np.isnan(mean_c[known]).sum())
    if cold:
        value = f"no temperatures on {cold} of {int(known.sum())} days"
        notes.append(Note("warned", "soil water: frost", value, "whether the ground was frozen is not known"))
    frost = int(((mean_c < 0) & (np.nan_to_num(rain_mm) > 0)).sum())
    if frost:
        value = f"rain of {frost} days below 0 degrees C counts as rain"
        why = "snow, frost in the ground and thaw are not reckoned"
        notes.append(Note("warned", "soil water: snow", value, why))
    return notes


def soil_shares(farm: Farm, field: Field) -> dict[str, float]:
    """Return the soil units under a field and the share of its area on each, largest first.

    Ground that the soil map leaves open is shared among the mapped soils.
    """
    shares: dict[str, float] = {}
    left: Polygon = field.polygon  # type: ignore[assignment]
    for patch in reversed(farm.soil_map):  # where two cover the same ground the later counts
        if not patch.polygon.intersects(left):
            continue
        area = patch.polygon.intersection(left).area
        if area > 0:
            shares[patch.unit] = shares.get(patch.unit, 0.0) + area
            left = left.difference(patch.polygon)  # type: ignore[assignment]
    whole = sum(shares.values())
    ordered = sorted(shares.items(), key=lambda pair: (-pair[1], pair[0]))
    return {key: area / whole for key, area in ordered} if whole > 0 else {}
