"""Fit days in words: what a day allows and why, days in a row as one line, the answer of a field."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trafficplan.decide.days import HEAVY_RAIN_MM, RAIN_DAYS, STATES, FieldDays
from trafficplan.report.words import count, say, say_chance, say_day
from trafficplan.soil.moisture import WORD_LIMITS, moisture_word
from trafficplan.units import INCH, KPA

#: Rain over the days of a reason from which it is named [mm] (ours).
NAMED_RAIN_MM = 10.0

#: States of a day, as codes.
FIT, LIGHTER, LEAVE, RAIN, WATER, FROST, UNKNOWN = range(len(STATES))
CLOSED = (RAIN, WATER, FROST)


@dataclass(frozen=True)
class Stretch:
    """Days in a row with one state: first and last index, the state, and what people read."""

    start: int
    end: int
    state: int
    text: str

    @property
    def days(self) -> int:
        """Return how many days it has."""
        return self.end - self.start + 1


def load_text(load_kg: float, units: str) -> str:
    """Return a load as people write it.

    Examples
    --------
    >>> load_text(6500.0, "metric"), load_text(6000.0, "us")
    ('6.5 t', '13,200 lb')
    """
    return f"{load_kg / 1e3:.3g} t" if units == "metric" else say("mass", load_kg, units)


def rain_text(rain_mm: float, units: str, fine: bool = False) -> str:
    """Return rain as people read it, to a whole millimetre or a fine tenth of it.

    Examples
    --------
    >>> rain_text(37.6, "metric"), rain_text(25.4, "us")
    ('38 mm', '1.0 in')
    """
    if units == "metric":
        return f"{rain_mm:.1f} mm" if fine else f"{rain_mm:.0f} mm"
    return f"{rain_mm / (1e3 * INCH):.{2 if fine else 1}f} in"


def full_text(found: FieldDays, units: str) -> str:
    """Return the full load in words; an outfit without a load has none."""
    return f"the full load of {load_text(found.load_kg, units)}" if found.load_kg > 0 else "the outfit"


def reason(found: FieldDays, at: int, units: str, dated: bool = False) -> str:
    """Return why a day does not allow the full load: the deep layer of the worst soil, and what wetted it.

    Parameters
    ----------
    dated : say which day it is, among several
    """
    soil = int(found.soil[at])
    deep = float(found.deep_pa[at, soil])
    word = moisture_word(deep)
    where = f" on {found.units[soil].key}" if len(found.units) > 1 else ""
    on = f" on {say_day(date_of(found, at))}" if dated else ""
    text = f"deep layer {word}{where} ({deep / KPA:.0f} kPa{on})"
    rain = found.rain_before(at)
    if word != "crumbles" and rain >= NAMED_RAIN_MM:
        return f"{text} after {rain_text(rain, units)} in {RAIN_DAYS} days"
    if word == "smears" and not np.any(found.deep_pa[: at + 1, soil] > WORD_LIMITS[1]):
        return f"{text}; it has not dried since winter"
    if word == "crumbles":
        wheels = "with the full load the wheels" if found.load_kg > 0 else "the wheels"
        return f"{text}, yet {wheels} press {found.ratio_worst[at]:.1f} times what it is likely to bear"
    return text


def day_words(found: FieldDays, at: int, units: str) -> str:
    """Return what a day allows, with the reason."""
    return _words(found, at, at, at, units)


def _words(found: FieldDays, start: int, end: int, worst: int, units: str) -> str:
    """Return what days in a row with one state allow; `worst` is the day that tells the reason."""
    state = int(found.state[worst])
    if state == FIT:
        fit = f"full load, {load_text(found.load_kg, units)}" if found.load_kg > 0 else "fit"
        return fit + surface_text(found, start, end)
    why = reason(found, worst, units, dated=end > start)
    if state == LIGHTER:
        least, most = (load_text(float(one), units) for one in _ends(found.fit_load_kg[start : end + 1]))
        best = "" if least == most else f", on the best of them {most}"
        return f"up to {least}{best}: {why}{surface_text(found, start, end)}"
    if state == LEAVE:
        return f"leave it: {why}{_too_little(found, start, end, units)}"
    if state == RAIN:
        rain = [rain_text(float(one), units, fine=True) for one in _ends(found.rain_mm[start : end + 1])]
        limit = rain_text(HEAVY_RAIN_MM, units)
        return f"leave it: {' to '.join(dict.fromkeys(rain))} of rain; over {limit} in a day no reading counts"
    if state == WATER:
        return "refused: waterlogged, the top layer is close to saturation"
    if state == FROST:
        return "refused: frozen ground is likely, the day's mean is below 0 degrees C"
    return "no weather for it"


def surface_smears(found: FieldDays) -> np.ndarray:
    """Return on which days the top layer of any soil of the field smears, (days,)."""
    return np.asarray(np.nan_to_num(found.top_pa, nan=np.inf).min(axis=1) < WORD_LIMITS[0])


def surface_text(found: FieldDays, start: int, end: int) -> str:
    """Return that the top layer smears on days that the deep layer allows, "" where it does not."""
    wet = int(surface_smears(found)[start : end + 1].sum())
    if not wet:
        return ""
    some = "" if wet == end - start + 1 else f" on {wet} of them"
    return f"; the top layer smears{some}: ruts, no weather to till or drill"


def _too_little(found: FieldDays, start: int, end: int, units: str) -> str:
    """Return that a load would be fit which is too small to be worth a trip, "" where none is."""
    load = found.fit_load_kg[start : end + 1]
    if found.load_kg <= 0 or np.isnan(load).all():
        return ""
    most = float(np.nanmax(load))
    return f"; only up to {load_text(most, units)} would be fit" if most > 0 else "; only the empty outfit would be fit"


def _ends(values: Sequence[float] | np.ndarray) -> tuple[float, float]:
    return float(np.nanmin(values)), float(np.nanmax(values))


def stretches(found: FieldDays, units: str, first: int = 0) -> tuple[Stretch, ...]:
    """Return the calendar from a day on (its index) as days in a row, in order."""
    changes = first + np.flatnonzero(np.diff(found.state[first:])) + 1
    starts, ends = [first, *changes.tolist()], [*(changes - 1).tolist(), len(found.state) - 1]
    made = []
    for start, end in zip(starts, ends, strict=True):
        chances = np.nan_to_num(found.chance_worst[start : end + 1], nan=0.0)
        worst = start + int(chances.argmax())
        made.append(Stretch(start, end, int(found.state[start]), _words(found, start, end, worst, units)))
    return tuple(made)


def date_of(found: FieldDays, at: int) -> dt.date:
    """Return the date of a day."""
    day: dt.date = found.days[at].astype(object)
    return day


def span(found: FieldDays, start: int, end: int) -> str:
    """Return the days from one to another as people write them."""
    first, last = say_day(date_of(found, start)), say_day(date_of(found, end))
    return first if start == end else f"{first} to {last}"


def least_chance(found: FieldDays) -> tuple[float, int, int] | None:
    """Return the least chance with the full load on an open day, and the longest run of days that have it."""
    open_days = np.isin(found.state, (FIT, LIGHTER, LEAVE))
    if not open_days.any():
        return None
    least = float(found.chance_worst[open_days].min())
    has = open_days & (found.chance_worst <= least + 0.02)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], has.astype(np.int8), [0]])))
    runs = list(zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True))
    start, end = max(runs, key=lambda run: (run[1] - run[0], -run[0]))
    return least, start, end


def answer(found: FieldDays, units: str) -> str:
    """Return the answer of a field in one or two sentences."""
    counts = [int((found.state == code).sum()) for code in range(len(STATES))]
    runs = stretches(found, units)
    full = full_text(found, units)
    rest = []
    if counts[LIGHTER] and counts[FIT]:
        rest.append(f"lighter loads on {count(counts[LIGHTER], 'day')}")
    if counts[LEAVE]:
        rest.append(f"leave it on {count(counts[LEAVE], 'day')}")
    if closed := sum(counts[code] for code in CLOSED):
        rest.append(f"closed by rain, frost or standing water on {count(closed, 'day')}")
    if counts[UNKNOWN]:
        rest.append(f"no weather for {count(counts[UNKNOWN], 'day')}")
    tail = f" {_capital('; '.join(rest))}." if rest else ""
    for code, words in ((FIT, f"Fit with {full}"), (LIGHTER, f"Never fit with {full}, with a lighter one")):
        if counts[code]:
            first = next(run for run in runs if run.state == code)
            longest = max((run for run in runs if run.state == code), key=lambda run: run.days)
            more = "" if longest is first else f", longest from {span(found, longest.start, longest.end)}"
            wet = int((surface_smears(found) & (found.state == code)).sum())
            smears = f"; on {wet} of them the top layer smears: ruts, no weather to till or drill" if wet else ""
            first_text = span(found, first.start, first.end)
            return f"{words} on {count(counts[code], 'day')}: first {first_text}{more}{smears}.{tail}"
    least = least_chance(found)
    if least is None:
        return f"No open day.{tail}"
    chance, start, end = least
    empty = float(found.chance_empty[start : end + 1].min())
    bare = f", with nothing on board {say_chance(empty)}" if found.load_kg > 0 else ""
    line = f"No day is fit for {full} at the limit of {found.limit:g}: at best overstress is {say_chance(chance)}"
    return f"{line}{bare}.{tail}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def title(found: FieldDays, units: str) -> str:
    """Return field, outfit and load in one line."""
    load = f", {load_text(found.load_kg, units)}" if found.load_kg > 0 else ""
    job = f", {found.job}" if found.job else ""
    return f"{found.field.key}: {found.outfit.title}{job}{load}"


def wheel_line(found: FieldDays, units: str) -> str:
    """Return which wheel leads, its pressure, and from which depth on it is judged."""
    table = found.table
    pressure = f" at {say('pressure', table.pressure_pa / 1e5, units)}" if table.pressure_pa > 0 else ""
    dry, _, wet = (say("depth", one, units) for one in table.reach_m)
    return (
        f"Heaviest wheel: {table.axle}, {say('mass', table.wheel_kg, units)}{pressure}; below it 50 kPa reach {dry} deep "
        f"where the soil crumbles, {wet} where it smears. Judged from {say('depth', found.judged_m, units)} down, by the "
        "worst soil of the field."
    )


def done_lines(found: FieldDays, units: str) -> list[str]:
    """Return what was done with the outfit in the field, and what that day allowed at this load."""
    lines = []
    for one in found.operations:
        at = int((np.datetime64(one.day) - found.days[0]).astype(np.int64))
        by_hand = f"; by hand it was {one.moisture.words}" if one.moisture is not None else ""
        words = day_words(found, at, units).replace("leave it: ", "not fit: ", 1)
        lines.append(f"{say_day(one.day)} {one.job} ({one.key}): {words}{by_hand}")
    return lines
