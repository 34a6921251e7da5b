"""What was asked of `trafficplan park`, checked and turned into a job to place."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from trafficplan.assess.limits import surface_note
from trafficplan.chain import Plan
from trafficplan.cli.asked import known, refuse
from trafficplan.cli.asked_heap import heap_notes, heap_of
from trafficplan.cli.asked_spread import moisture_of, rate_of
from trafficplan.decide.park_job import ParkJob
from trafficplan.decide.park_stands import FOOT_M
from trafficplan.decide.trip import most_within_plates
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.farm.distances import DISTANCE_KEYS, not_drawn
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.farm.water import moistures_of, soil_shares
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.access import entrances
from trafficplan.routes.drive import plan_drive

#: How many places may be looked at.
COUNTS = (4, 400)
#: Trailer loads beyond this are a slip of the pen.
MOST_LOADS = 400


def job_of(farm: Farm, folder: Path, asked: Mapping[str, Any]) -> ParkJob:
    """Return what is to be placed.

    Raises
    ------
    InputError
        An option is wrong, the served outfit carries nothing or never needs a refill, or the trailer carries nothing.
    """
    notes: list[Note] = []
    field = farm.fields[known("--field", [asked["field"]], farm.fields)[0]]
    trailer = farm.outfits[known("--outfit", [asked["outfit"]], farm.outfits)[0]]
    served = farm.outfits[known("--served-by", [asked["served_by"]], farm.outfits)[0]]
    _check(asked, trailer, served)
    rate, density = rate_of(folder, served, asked["rate"], asked["job"], notes)
    operation = replace(
        _operation(farm, field, served, asked, notes), rate_kg_m2=rate, moisture=moisture_of(folder, asked["soil"])
    )
    told = surface_note(operation)
    notes += [told] if told is not None else []
    if operation.moisture is None:
        operation = _with_day_moisture(farm, operation, notes)
    operation = _drivable(farm, field, served, operation, notes)
    need = rate * _worked_m2(farm, field, operation)
    _needs_refills(served, operation, need)
    load = _trailer_load(trailer, need, notes)
    heap = heap_of(asked, density)
    if heap is not None:
        notes += heap_notes(heap, need)
    notes += not_drawn(farm.places, [kind for kind, key in DISTANCE_KEYS.items() if key])
    notes += [
        defaults.note("fill_min", "each load moved over", farm.defaults),
        defaults.note("trailer_turn_min", "the trailer", farm.defaults),
        defaults.note("minute_m2", "rank of the places", farm.defaults),
    ]
    return ParkJob(
        farm, field, trailer, operation, Plan(asked["cell_m"]), need, load, heap is None and not asked["coupled"],
        asked["candidates"], FOOT_M if heap is not None else _pad(asked["pad"], notes), None if asked["stay_h"] is None else 3600 * asked["stay_h"], _tension(farm, field, operation),
        tuple(dict.fromkeys(notes)), heap,
    )  # fmt: skip


def _check(asked: Mapping[str, Any], trailer: Outfit, served: Outfit) -> None:
    if trailer.key == served.key:
        raise refuse("the same outfit twice", "--served-by", served.key, "another outfit than the trailer",
                     "name the outfit that is filled from the trailer, or that fills it")  # fmt: skip
    if trailer.capacity_kg <= 0:
        raise refuse("this outfit carries nothing", "--outfit", trailer.key, "an outfit with capacity_t",
                     f"add capacity_t to outfits/{trailer.key}.toml")  # fmt: skip
    if served.capacity_kg <= 0:
        raise refuse("the served outfit carries nothing and never needs a refill", "--served-by", served.key,
                     "an outfit with capacity_t", f"add capacity_t to outfits/{served.key}.toml")  # fmt: skip
    if not COUNTS[0] <= asked["candidates"] <= COUNTS[1]:
        raise refuse("number of candidates out of range", "--candidates", asked["candidates"],
                     f"{COUNTS[0]} to {COUNTS[1]}", "leave it away: 30")  # fmt: skip
    if asked["stay_h"] is not None and not 0 < asked["stay_h"] <= 24 * 60:
        raise refuse("hours out of range", "--stay", asked["stay_h"], "more than 0, at most 1440 hours", "give hours")
    if not 0.1 <= asked["cell_m"] <= 10:
        raise refuse(
            "cell size out of range", "--cell", asked["cell_m"], "0.1 to 10 m", "take 1, or 2 for a quick look"
        )


def _operation(farm: Farm, field: Field, served: Outfit, asked: Mapping[str, Any], notes: list[Note]) -> Operation:
    """Return the job of the served outfit: its row of operations.csv if there is one, else made up."""
    own = [one for one in farm.operations if one.outfit == served.key]
    here = [one for one in own if one.field == field.key]
    day = _day(asked["date"])
    rows = [one for one in here if day in (None, one.day)] or here
    row = next((one for one in rows if one.change != "constant"), rows[0] if rows else None)
    change = next((one.change for one in [*rows, *here, *own] if one.change != "constant"), None)
    if asked["change"] is not None:
        (change,) = known("--change", [asked["change"]], ("empties", "fills"))  # type: ignore[assignment]
    if change is None:
        change = "empties"
        notes.append(Note("assumed", f"outfit {served.key}: its load", "empties", "no operation of it says whether it "
                          "spreads or harvests; --change tells", ""))  # fmt: skip
    drive = "tramlines" if field.tramlines and change != "fills" else "swaths"
    if row is not None:
        if row.drive.startswith("track:"):
            notes.append(Note("assumed", f"operation {row.key}: drive", drive, "a recorded track cannot be driven by "
                              "another place; a planned drive stands for it", ""))  # fmt: skip
        else:
            drive = row.drive
    when = day or (row.day if row else None)
    if when is None:
        days = [one.day for one in farm.operations if one.field == field.key]
        when = max(days) + dt.timedelta(days=1) if days else dt.date(farm.season, 1, 1)
        notes.append(
            Note("assumed", "day of the job", when.isoformat(), "no --date: after all operations of the field")
        )
    elif day is None:
        more = len({one.day for one in here})
        told = "no --date: the day of its row in operations.csv" + (f", the first of {more} days" if more > 1 else "")
        notes.append(Note("assumed", "day of the job", when.isoformat(), told))
    elif when.year != farm.season:
        why = f"the farm's season is {farm.season}: what was driven in other years is not known, and does not count"
        notes.append(Note("warned", "day of the job", when.isoformat(), why))
    made = Operation("park", 0, when, None, field.key, asked["job"] or "served", served.key)
    base = made if row is None else row
    return replace(
        base, key="park", day=when, surface=base.surface if base.day == when else "", change=change, drive=drive, load_kg=None, rate_kg_m2=None, moisture=None,
        job=asked["job"] or base.job, earliest=None, latest=None,
    )  # fmt: skip


def _day(text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise refuse("not a date", "--date", text, "a day as YYYY-MM-DD", "write for example 2026-04-03") from None


def _with_day_moisture(farm: Farm, operation: Operation, notes: list[Note]) -> Operation:
    """Return the operation with the moisture of its row on that day, where the day was asked for or is the row's own."""
    rows = [one for one in farm.operations if one.field == operation.field and one.day == operation.day]
    given = next((one for one in rows if one.moisture is not None and one.outfit == operation.outfit), None)
    given = given or next((one for one in rows if one.moisture is not None), None)
    if given is not None:
        notes.append(Note("assumed", "soil moisture", given.moisture.words if given.moisture else "",
                          f"as operation {given.key} says for that day", "operations.csv"))  # fmt: skip
        return replace(operation, moisture=given.moisture)
    notes += moistures_of(farm, operation, tuple(soil_shares(farm, farm.fields[operation.field])))[1]
    return operation


def _tension(farm: Farm, field: Field, operation: Operation) -> tuple[float, float]:
    """Return the tension of the wettest soil of the field, of the top and the deep layer [Pa]."""
    units = tuple(soil_shares(farm, field)) or tuple(farm.soil_units)
    found, _ = moistures_of(farm, operation, units)
    return min(one[0] for one in found), min(one[1] for one in found)


def _drivable(farm: Farm, field: Field, served: Outfit, operation: Operation, notes: list[Note]) -> Operation:
    """Return the operation as it can be driven: in swaths where nobody said how and the tramlines do not fit.

    Raises
    ------
    InputError
        It cannot be driven.
    """
    try:
        plan_drive(field, operation, served, farm.tracks, farm.places)
    except InputError as error:
        own = any(one.outfit == served.key and one.field == field.key for one in farm.operations)
        if own or operation.drive != "tramlines":
            raise
        told = error.problems[0]
        notes.append(Note("warned", "drive of the job", "swaths", f"{told.what}: {told.found}"))
        return replace(operation, drive="swaths")
    return operation


def _worked_m2(farm: Farm, field: Field, operation: Operation) -> float:
    """Return the area of the parts of a field that a gateway opens into [m2]."""
    reached, _ = entrances(field, operation.gateway, farm.tracks, farm.places)
    return sum(part.area for part, entrance in reached if entrance is not None)


def _needs_refills(served: Outfit, operation: Operation, need_kg: float) -> None:
    if need_kg <= served.capacity_kg:
        word = "unloaded" if operation.change == "fills" else "refilled"
        raise refuse(
            f"the served outfit never needs to be {word}: the trailer draws nothing", "--served-by", served.key,
            f"more than its {served.capacity_kg / 1e3:.1f} t for the field; the rate comes to {need_kg / 1e3:.1f} t",
            "check --rate; one load does, so park by the gate or stay in the yard",
        )  # fmt: skip


def _trailer_load(trailer: Outfit, need_kg: float, notes: list[Note]) -> float:
    most = most_within_plates(trailer, trailer.capacity_kg)
    if most <= 0:
        raise refuse("an axle is over its plate when empty", "--outfit", trailer.key, "axle loads within the plates",
                     f"check the weights in outfits/{trailer.key}.toml")  # fmt: skip
    if most < trailer.capacity_kg - 1.0:
        notes.append(Note("warned", f"outfit {trailer.key}: load", f"{most / 1e3:.1f} t",
                          "more would put an axle over its plate", f"outfits/{trailer.key}.toml"))  # fmt: skip
    if need_kg > MOST_LOADS * most:
        raise refuse("the rate does not suit the trailer", "--rate", f"{need_kg / 1e3:.0f} t",
                     f"at most {MOST_LOADS} trailer loads of {most / 1e3:.1f} t", "check number and unit")  # fmt: skip
    return min(most, need_kg)


def _pad(text: str | None, notes: list[Note]) -> tuple[float, float]:
    """Return the sides of what lies under the jack stand [m], from centimetres "60x60"."""
    if text is None:
        notes.append(Note("assumed", "foot of the jack stand", f"{FOOT_M[0] * 100:.0f} x {FOOT_M[1] * 100:.0f} cm",
                          "no --pad: nothing lies beneath it", "common practice, no source"))  # fmt: skip
        return FOOT_M
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*x\s*(\d+(?:\.\d+)?)\s*(?:cm)?\s*", text)
    if match is None or not all(5 <= float(side) <= 300 for side in match.groups()):
        raise refuse("not a pad", "--pad", text, "two sides of 5 to 300 cm", "write for example 60x60")
    return float(match[1]) / 100, float(match[2]) / 100
