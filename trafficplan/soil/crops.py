"""What grows, by day: how much water a crop draws, from how deep, and how much of the ground it shades.

The table `crops.csv` holds FAO-56's basal crop coefficients (Table 17), heights (Table 12), root depths and the share of
water that is easily drawn (Table 22; the smaller depth, the cautious one) as transcribed in public code, and lengths of
stages from its Table 11 or, where it has none for cool lowlands, ours. The days on which growth starts are ours.
"""

from __future__ import annotations

import csv
import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from trafficplan.names import Note

Floats = NDArray[np.float64]

TABLE_SOURCE = "FAO-56, Tables 11, 12, 17 and 22 (crops.csv)"

#: How deep a crop roots on its first day [m], and the basal coefficient of ground without plants (FAO-56 uses 0.15 to
#: 0.20 as the least coefficient for what is shaded: memory).
FIRST_ROOT_M, LEAST_KCB = 0.2, 0.15

#: Coefficient of a wet surface (FAO-56 eq. 72, its first part in mild weather: memory).
WET_SURFACE = 1.2

#: A drilling counts as the crop's own when it is this near to the table's day, a harvest when it is that near (ours).
NEAR_SOWN, NEAR_HARVEST = dt.timedelta(days=60), dt.timedelta(days=75)

#: Shift of the seasons south of the equator.
HALF_YEAR = dt.timedelta(days=182)


@dataclass(frozen=True)
class Crop:
    """One row of the table.

    Attributes
    ----------
    kind : "winter" (sown the autumn before), "spring", "lasting" (grass and its like) or "bare"
    kcb : basal coefficient at first, at full growth and at the end
    depletion : share of the water in reach that is drawn without stress
    lengths : of the four stages [days]
    starts : month and day on which it is sown, or starts to grow
    """

    key: str
    words: tuple[str, ...]
    kind: str
    kcb: tuple[float, float, float]
    height_m: float
    root_m: float
    depletion: float
    lengths: tuple[int, int, int, int]
    starts: tuple[int, int]
    lengths_from: str


@dataclass(frozen=True)
class CropDays:
    """A crop by day, (d,) each: basal coefficient, share of the ground that it shades, root depth [m].

    `depletion` as in Crop.
    """

    kcb: Floats
    shade: Floats
    root_m: Floats
    depletion: float


@cache
def crop_table() -> tuple[Crop, ...]:
    """Return the table, in its order."""
    with (files("trafficplan.soil") / "crops.csv").open(encoding="utf-8") as lines:
        return tuple(_crop(row) for row in csv.DictReader(lines))


def _crop(row: dict[str, str]) -> Crop:
    month, day = (int(part) for part in row["starts"].split("-"))
    a, b, c, d = (int(row[f"{stage}_days"]) for stage in ("ini", "dev", "mid", "late"))
    return Crop(
        row["crop"],
        (row["crop"], *(word for word in row["words"].split("|") if word)),
        row["kind"],
        (float(row["kcb_ini"]), float(row["kcb_mid"]), float(row["kcb_end"])),
        float(row["height_m"]),
        float(row["root_m"]),
        float(row["depletion"]),
        (a, b, c, d),
        (month, day),
        row["lengths_from"],
    )


def crop_named(text: str, where: str) -> tuple[Crop, Note]:
    """Return the crop that a field's words name, and the Note about it; unknown: bare ground, which dries least below.

    Parameters
    ----------
    text : as people write it ("Winter wheat, second")
    where : the field, for the Note

    Examples
    --------
    >>> [crop_named(text, "field A")[0].key for text in ("Winter Barley", "Spring oats", "rye grass", "asters")]
    ['winter barley', 'oats', 'grass', 'fallow']
    """
    plain = " ".join(re.findall(r"[a-z]+", text.lower()))
    fitting = [
        (len(word), crop) for crop in crop_table() for word in crop.words if re.search(rf"\b{word}(s|es)?\b", plain)
    ]
    if fitting:
        crop = max(fitting, key=lambda one: one[0])[1]
        why = f"the field's crop is {text}; lengths of its stages: {crop.lengths_from}"
        return crop, Note("assumed", f"{where}: water that the crop draws", crop.key, why, TABLE_SOURCE)
    bare = crop_table()[-1]
    why = f"{f'no crop in the table is like {text}' if plain else 'no crop is given'}; bare ground dries least below"
    return bare, Note("assumed", f"{where}: water that the crop draws", "as bare ground", why, "ours")


def crop_days(
    crop: Crop,
    days: NDArray[np.datetime64],
    sown: Sequence[dt.date] = (),
    harvested: Sequence[dt.date] = (),
    south: bool = False,
) -> CropDays:
    """Return a crop day by day.

    Parameters
    ----------
    days : datetime64[D], (d,), in order
    sown, harvested : days of the field's own drilling and harvest; those near the table's days replace them. A drilling
        at another time is the start of the next crop, of which nothing but its first stage is known.
    south : the farm lies south of the equator: the table's days are half a year later
    """
    kcb, shade, root = np.zeros(len(days)), np.zeros(len(days)), np.zeros(len(days))
    first, last = (int(str(day)[:4]) for day in (days[0], days[-1]))
    left = list(sown)
    for year in range(first - 1, last + 2):
        start = dt.date(year, *crop.starts) + (HALF_YEAR if south else dt.timedelta(0))
        own = [day for day in left if crop.kind != "bare" and abs(day - start) <= NEAR_SOWN]
        if own:
            left.remove(own[0])
            start = own[0]
        _grow(crop, days, start, harvested, (kcb, shade, root))
    for day in left:
        _young(days, day, (kcb, root))
    if crop.kind == "lasting":
        shade[:] = _shade(crop, crop.kcb[1])
        root[:], kcb[:] = crop.root_m, np.maximum(kcb, crop.kcb[0])
    return CropDays(kcb, shade, root, crop.depletion)


def _grow(
    crop: Crop,
    days: NDArray[np.datetime64],
    start: dt.date,
    harvested: Sequence[dt.date],
    into: tuple[Floats, Floats, Floats],
) -> None:
    """Write one season of a crop into coefficient, shade and root depth."""
    kcb, shade, root = into
    ini, dev, mid, late = crop.lengths
    whole = ini + dev + mid + late
    if whole == 0:
        return
    end = start + dt.timedelta(days=whole)
    own = [day for day in harvested if crop.kind != "lasting" and abs(day - end) <= NEAR_HARVEST]
    if own:
        whole = (own[0] - start).days
    full, ripe = min(ini + dev, whole), max(min(ini + dev, whole), whole - late)
    age = (days - np.datetime64(start)).astype(np.int64).astype(np.float64)
    grows = (age >= 0) & (age <= whole)
    points = np.array([0.0, min(ini, full), full, ripe, whole])
    values = np.array([crop.kcb[0], crop.kcb[0], crop.kcb[1], crop.kcb[1], crop.kcb[2]])
    now = np.interp(age[grows], points, values)
    kcb[grows] = now
    grown = np.where(age[grows] > full, crop.kcb[1], now)  # ripe plants shade as full-grown ones do
    shade[grows] = [_shade(crop, float(one)) for one in grown]
    root[grows] = np.interp(age[grows], [0.0, full], [min(FIRST_ROOT_M, crop.root_m), crop.root_m])


def _young(days: NDArray[np.datetime64], day: dt.date, into: tuple[Floats, Floats]) -> None:
    """Write the first stage of an unknown next crop from its drilling on, where nothing else grows."""
    kcb, root = into
    age = (days - np.datetime64(day)).astype(np.int64)
    place = (age >= 0) & (age < 120) & (kcb == 0.0)
    kcb[place], root[place] = LEAST_KCB, FIRST_ROOT_M


def _shade(crop: Crop, kcb: float) -> float:
    """Return the share of the ground that a crop shades at a coefficient (FAO-56 eq. 76: memory)."""
    share = max(kcb - LEAST_KCB, 0.0) / (WET_SURFACE - LEAST_KCB)
    span = max(crop.kcb[1] - crop.kcb[0], 1e-9)
    height = crop.height_m * min(max((kcb - crop.kcb[0]) / span, 0.0), 1.0)
    return float(min(share ** (1.0 + 0.5 * height), 0.99))
