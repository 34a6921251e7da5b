"""What was asked of `trafficplan pressure`, checked and turned into questions."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np

from trafficplan.cli.asked import known, refuse
from trafficplan.decide.advice import Protect
from trafficplan.decide.pressure import Question
from trafficplan.decide.trip import Leg, most_within_plates, over_plate
from trafficplan.errors import InputError, Problem
from trafficplan.farm import defaults, season, water
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Moisture, Operation
from trafficplan.inputs.tickets import weighed_outfit
from trafficplan.machines.outfit import Outfit
from trafficplan.names import DEPTHS, Note
from trafficplan.soil.day import TOP_M
from trafficplan.soil.moisture import tensions_from_text
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import GRAVITY, KM_H

#: Legs that run off the soil, by the first word of their name.
OFF_SOIL = ("track", "road")


@dataclass(frozen=True)
class Case:
    """The questions, one per load (lighter first), and how their parts were come by, in words."""

    questions: tuple[Question, ...]
    protect: Protect
    limit: float
    rate_kg_m2: float | None
    field: str
    words: Mapping[str, str]
    notes: tuple[Note, ...]


def case_of(farm: Farm, tickets: Path | None, asked: Mapping[str, Any]) -> Case:
    """Return the questions that the options ask.

    Raises
    ------
    InputError
        An option is wrong, or an axle would stand over its plate.
    """
    notes: list[Note] = []
    (key,) = known("--outfit", [asked["outfit"]], farm.outfits)
    outfit = weighed_outfit(farm.outfits[key], tickets) if tickets else farm.outfits[key]
    field = known("--field", [asked["field"]], farm.fields)[0] if asked["field"] else ""
    operation = _operation(farm, key, field, asked["date"], notes)
    field = field or (operation.field if operation else "")
    loads = _loads(outfit, operation, asked["load"], bool(tickets), notes)
    tension, moisture = _moisture(farm, operation, field, asked, notes)
    tillage, judged = _tillage(farm, field, operation, notes)
    depths = np.array(sorted({*DEPTHS, judged}))
    slope, pull = asked["side_slope_pct"], asked["pull_kn"]
    if not 0 <= slope <= 60:
        raise refuse("side slope out of range", "--side-slope", slope, "0 to 60 %", "give rise over run in percent")
    if not 0 <= pull <= 300:
        raise refuse("draft out of range", "--pull-kn", pull, "0 to 300 kN", "give the draft of the implement in kN")
    questions = tuple(
        Question(
            outfit, farm.tyre_tables, load, _legs(outfit, asked["leg"], notes), _units(farm, field, notes), depths,
            tillage, _loose(farm, field, operation), judged, tension, slope / 100, pull * 1e3,
            any(one.outfit == key and one.till_depth_m > 0 for one in farm.operations),
        )
        for load in loads
    )  # fmt: skip
    if (furrow := max((one.runs_at_depth_m for one in farm.operations if one.outfit == key), default=0.0)) > 0:
        why = "its wheels on that side load the soil from there down; the figures here are for wheels on the land"
        notes.append(Note("warned", f"outfit {key}: wheels in the open furrow", f"{furrow:g} m deep", why))
    notes.append(defaults.note("go_chance", "go rule", farm.defaults))
    return Case(
        questions,
        _protect(asked["protect"], tillage),
        defaults.number("go_chance", farm.defaults),
        _rate(farm, key, field, operation),
        field,
        {"moisture": moisture, "protect": "asked" if asked["protect"] else "by the field"},
        tuple(dict.fromkeys(notes)),
    )


def _operation(farm: Farm, outfit: str, field: str, date: str | None, notes: list[Note]) -> Operation | None:
    if date is None:
        return None
    try:
        day = dt.date.fromisoformat(date)
    except ValueError:
        raise refuse("not a date", "--date", date, "a day as YYYY-MM-DD", "write for example 2026-04-03") from None
    fits = [one for one in farm.operations if one.day == day and one.outfit == outfit and field in ("", one.field)]
    if fits:
        return fits[0]
    notes.append(
        Note("warned", f"{day}", "no operation of this outfit", "load and moisture are not from operations.csv")
    )
    return None


def _loads(
    outfit: Outfit,
    operation: Operation | None,
    text: str | None,
    weighed: bool,
    notes: list[Note],
) -> list[float]:
    """Return the loads asked for [kg], lighter first; checked against plates."""
    if text is not None:
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:-\s*(\d+(?:\.\d+)?))?\s*t?\s*", text)
        if match is None:
            raise refuse(
                "not a load",
                "--load",
                text,
                "tonnes: 9, or a range 7-9",
                "write numbers with a decimal point",
            )
        loads = sorted({float(one) * 1e3 for one in match.groups() if one})
    elif operation is not None and operation.load_kg is not None and not weighed:
        loads = [operation.load_kg]
    else:
        loads = [outfit.capacity_kg]
        notes.append(Note("assumed", "load", f"{loads[0] / 1e3:g} t", "not given; full", f"outfits/{outfit.key}.toml"))
    most = 1.3 * outfit.capacity_kg
    if loads[-1] > most:
        mend = "give tonnes, not kg" if loads[-1] >= 1e5 else "check the load, or weigh the outfit with it"
        found, needed = f"{loads[-1] / 1e3:g} t", f"at most {most / 1e3:.1f} t (1.3 times the capacity)"
        raise refuse("more than the outfit holds", "--load", found, needed, mend)
    check_plates(outfit, loads[-1])
    return loads


def check_plates(outfit: Outfit, load_kg: float) -> None:
    """Refuse a load that puts an axle over its plate."""
    over = over_plate(outfit, load_kg)
    if not over:
        return
    most = most_within_plates(outfit, load_kg)
    mend = f"load at most {most / 1e3:.1f} t" if most > 0 else "it is over its plate empty: check the weights"
    raise InputError(
        [
            Problem(
                "an axle over its plate", f"outfit {outfit.key}, axle {axle.key}",
                f"{load / GRAVITY:.0f} kg with {load_kg / 1e3:g} t on board",
                f"at most {(axle.plated_n or 0) / GRAVITY:.0f} kg", mend,
            )
            for axle, load in over
        ]
    )  # fmt: skip


def _moisture(
    farm: Farm, operation: Operation | None, field: str, asked: Mapping[str, Any], notes: list[Note]
) -> tuple[tuple[float, float], str]:
    """Return the tension of the top and the deep layer [Pa]: as asked, of the operation, of the day, or assumed."""
    if asked["soil"] is not None:
        return tensions_from_text(asked["soil"], "option --soil"), "as given"
    if operation is not None and operation.moisture is not None:
        return (operation.moisture.top_pa, operation.moisture.deep_pa), f"from operation {operation.key}"
    wettest = _of_the_day(farm, field, asked["date"])
    if wettest is not None:
        notes.append(
            Note("assumed", f"{asked['date']}: soil moisture", wettest.words, "not given; the wettest soil of the field",
                 water.SOURCE)
        )  # fmt: skip
        return (wettest.top_pa, wettest.deep_pa), f"by the {water.BY_BALANCE}"
    notes.append(defaults.note("moisture", "the day", farm.defaults))
    return tensions_from_text(defaults.word("moisture", farm.defaults), "farm.toml, defaults"), "assumed"


def _of_the_day(farm: Farm, field: str, date: str | None) -> Moisture | None:
    """Return the moisture of the field's wettest soil on a day, by the water balance; None where it is not known."""
    if not field or date is None:
        return None
    day, place = dt.date.fromisoformat(date), farm.fields[field]
    known = [water.moisture_on(farm, place, key, day) for key in water.soil_shares(farm, place)]
    return min((one for one in known if one is not None), key=lambda one: (one.deep_pa, one.top_pa), default=None)


def _tillage(farm: Farm, field: str, operation: Operation | None, notes: list[Note]) -> tuple[float, float]:
    """Return the tillage depth [m] and the depth just below it by which the answer is judged."""
    if field and operation is not None:
        tillage = season.next_tillage_depth(farm.fields[field], farm.operations, operation)
    elif field:
        tillage = farm.fields[field].tillage_depth_m
    else:
        tillage = max(one.tillage_depth_m for one in farm.fields.values())
        notes.append(Note("assumed", "tillage depth", f"{tillage:g} m", "no field named; the deepest of the farm"))
    if tillage > 0:
        return tillage, round(tillage + 0.05, 3)
    why = "nothing is tilled: nothing is repairable; judged where a plough would have ended"
    notes.append(Note("assumed", "depth of the verdict", f"{TOP_M + 0.05:g} m", why, "ours"))
    return 0.0, round(TOP_M + 0.05, 3)


def _loose(farm: Farm, field: str, operation: Operation | None) -> float:
    """Return how deep the field lies freshly tilled on the operation's day [m]."""
    if operation is None:
        return 0.0
    before = [
        one.till_depth_m
        for one in farm.operations[: farm.operations.index(operation)]
        if one.field == field and one.till_depth_m > 0 and operation.day - one.day <= season.FRESH
    ]
    return max(before, default=0.0)


def _legs(outfit: Outfit, texts: Sequence[str], notes: list[Note]) -> tuple[Leg, ...]:
    legs: list[Leg] = []
    mend = "write for example --leg field:8 --leg track:35"
    for text in texts:
        match = re.fullmatch(r"\s*([^:]+?)\s*:\s*(\d+(?:\.\d+)?)\s*(?:km/h)?\s*", text)
        if match is None or not 0.5 <= float(match[2]) <= 100:
            raise refuse("not a leg", "--leg", text, "a name, a colon and 0.5 to 100 km/h", mend)
        if any(leg.name == match[1] for leg in legs):
            raise refuse("a leg comes twice", "--leg", text, "each leg once", "give it another name")
        legs.append(Leg(match[1], float(match[2]) * KM_H, not match[1].lower().startswith(OFF_SOIL)))
    for name, speed, on_soil in (("field", outfit.field_m_s, True), ("track", outfit.track_m_s, False)):
        if not any(leg.on_soil == on_soil for leg in legs):
            legs.append(Leg(name, speed, on_soil))
            source = f"outfits/{outfit.key}.toml"
            notes.append(Note("assumed", f"leg {name}", f"{speed / KM_H:.0f} km/h", "not given", source))
    return tuple(legs)


def _units(farm: Farm, field: str, notes: list[Note]) -> tuple[SoilUnit, ...]:
    if not field:
        notes.append(Note("assumed", "soils", "all of the farm's", "no field named"))
        return tuple(farm.soil_units.values())
    keys = [key for key, share in water.soil_shares(farm, farm.fields[field]).items() if share >= water.SOIL_SHARE]
    if not keys:
        problem = Problem("no soil lies under the field", f"field {field}", "no polygon of the soil map touches it",
                          "a soil map that covers the field", "extend the soil map")  # fmt: skip
        raise InputError(problem)
    return tuple(farm.soil_units[key] for key in sorted(keys))


def _protect(text: str | None, tillage_m: float) -> Protect:
    if text is None:
        return "deep" if tillage_m > 0 else "both"
    for word in get_args(Protect):
        if text == word:
            return word  # type: ignore[no-any-return]
    raise refuse("unknown word", "--protect", text, "deep, surface or both", "use one of these words")


def _rate(farm: Farm, outfit: str, field: str, operation: Operation | None) -> float | None:
    """Return the rate of the day's operation, else that of the outfit's next one in the field or anywhere."""
    if operation is not None:
        return operation.rate_kg_m2
    fits = [one for one in farm.operations if one.outfit == outfit and one.rate_kg_m2 and field in ("", one.field)]
    return fits[0].rate_kg_m2 if fits else None
