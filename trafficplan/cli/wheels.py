"""Wheels, ground and models as people write them on the command line, checked before any work starts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from trafficplan.decide.beneath import Ground, Models, WheelCase, ground_of
from trafficplan.errors import InputError, Problem
from trafficplan.inputs.record import as_number, range_mend
from trafficplan.machines.inflation import (
    COLD_CELSIUS,
    NEVER_BLEED,
    cold_pressure_gas_law,
    hot_pressure_gas_law,
)
from trafficplan.machines.tyre import Tyre, assumed_aspect, track_from_sizes, tyre_from_code
from trafficplan.names import Note
from trafficplan.soil.strength import strength_range
from trafficplan.units import BAR, GRAVITY, KPA, bar_to_psi, pressure_text, psi_to_bar

#: Cold pressures that farm tyres run at [bar], and from where on one is asked whether it is bar (common
#: practice, no source).
BAR_LOW, BAR_ASK, BAR_HIGH = 0.2, 4.5, 10.0

USUAL_SOIL, USUAL_TEXTURE, USUAL_TILL_M = "moulds", "loam", 0.25


def ground_asked(asked: Mapping[str, Any]) -> tuple[Ground, list[Note]]:
    """Return the ground from the options soil, texture, till_m and strength_kpa, and what was assumed."""
    notes = [
        Note("assumed", what, value, f"no {option} given", "common practice, no source")
        for what, value, option, given in (
            ("soil moisture", USUAL_SOIL, "--soil", asked["soil"]),
            ("texture", USUAL_TEXTURE, "--texture", asked["texture"] or asked["strength_kpa"]),
            ("tillage depth", f"{USUAL_TILL_M:g} m", "--till", asked["till_m"]),
        )
        if given is None
    ]
    till = USUAL_TILL_M if asked["till_m"] is None else float(asked["till_m"])
    if not 0.0 <= till <= 1.0:
        mend = f"if {till:g} is in cm, write --till {till / 100:g}" if 1.0 < till <= 100.0 else "give metres, as 0.25"
        raise InputError(Problem("tillage depth out of range", "option --till", f"{till:g}", "0 to 1 m", mend))
    strength = None if asked["strength_kpa"] is None else asked["strength_kpa"] * KPA
    ground = ground_of(asked["texture"] or USUAL_TEXTURE, asked["soil"] or USUAL_SOIL, till, strength)
    strength_range(ground.texture, "settled", ground.top_pa)  # an unknown texture is told before any wheel is
    return ground, notes


def models_asked(asked: Mapping[str, Any]) -> Models:
    """Return the models from the options area, shape and nu."""
    usual = Models()
    return Models(asked["area"] or usual.area, asked["shape"] or usual.shape, asked["nu"])


def wheels_asked(
    rows: Sequence[tuple[Mapping[str, str], Sequence[str]]], ground: Ground
) -> tuple[list[WheelCase], list[Note]]:
    """Return the wheels from their options (and those written twice), and notes; every problem is listed."""
    wheels: list[WheelCase] = []
    notes: list[Note] = []
    problems: list[Problem] = []
    for number, (given, twice) in enumerate(rows, start=1):
        place = f"wheel {number}" if len(rows) > 1 else "wheel"
        found = [_twice(place, name) for name in twice]
        case = None if found else _wheel(given, place, ground, notes, found)
        problems += found
        if case is not None:
            wheels.append(case)
    if problems:
        raise InputError(problems)
    return wheels, notes


def _twice(place: str, name: str) -> Problem:
    option = "--" + name.replace("_", "-")
    return Problem(
        "an option given twice for one wheel",
        f"{place}, {option}",
        "twice",
        "once per wheel",
        "start each wheel with its own --tyre, then its load and pressure",
    )


def _wheel(
    given: Mapping[str, str], place: str, ground: Ground, notes: list[Note], problems: list[Problem]
) -> WheelCase | None:
    before = len(problems)
    size = _size(given, place, notes, problems)
    load = _number(given, "load_kg", place, "kg of this one wheel, as 3500", problems)
    gap = _number(given, "dual", place, "metres between the side walls, as 0.1", problems) if "dual" in given else None
    pressure = 0.0
    if "track" not in given:
        pressure = _pressure(given, place, notes, problems)
    furrow = ground.tillage_m if "furrow" in given else 0.0
    if "furrow" in given and ground.tillage_m == 0.0:
        problems.append(
            Problem(
                "a furrow without tillage",
                f"{place}, --furrow",
                "--till 0",
                "the depth of the furrow",
                "give --till with the ploughing depth in m",
            )
        )
    if len(problems) > before or size is None or load is None:
        return None
    return WheelCase(size, load * GRAVITY, pressure, gap, furrow)


def _size(given: Mapping[str, str], place: str, notes: list[Note], problems: list[Problem]) -> Tyre | None:
    if "tyre" not in given and "track" not in given:
        mend = "add --track LENGTH ROLLERS" if "track_width" in given else "add --tyre with the size code, as 650/65R38"
        problems.append(Problem("a wheel without a size", place, "no --tyre and no --track", "one of them", mend))
        return None
    try:
        tyre = tyre_from_code(given["tyre"], f"{place}, --tyre") if "tyre" in given else None
        if "track" in given:
            return _track(given, tyre, place, notes, problems)
    except InputError as error:
        problems += error.problems
        return None
    aspect = assumed_aspect(given["tyre"])
    if aspect is not None:
        notes.append(
            Note(
                "assumed",
                f"{place}: section height of {given['tyre']}",
                f"{aspect:g} x width",
                "the inch code does not tell it",
                "memory of usual sizes",
            )
        )
    return tyre


def _track(
    given: Mapping[str, str], tyre: Tyre | None, place: str, notes: list[Note], problems: list[Problem]
) -> Tyre | None:
    """Return the rubber track; its width is --track-width, else that of the tyre."""
    parts = given["track"].replace(",", " ").split()
    length, rollers = (as_number(part) for part in parts) if len(parts) == 2 else (None, None)
    if length is None or rollers is None or rollers != round(rollers):
        problems.append(
            Problem(
                "track not understood",
                f"{place}, --track",
                given["track"],
                "length on the ground in m and number of rollers",
                "write for example --track 1.8 4",
            )
        )
        return None
    if "track_width" in given:
        width = _number(given, "track_width", place, "metres, as 0.6", problems)
    elif tyre is not None:
        width = tyre.width_m
        notes.append(
            Note(
                "assumed",
                f"{place}: width of the track",
                f"{width:g} m",
                f"no --track-width; as wide as {tyre.code}",
                "ours",
            )
        )
    else:
        problems.append(
            Problem(
                "a track without a width",
                f"{place}, --track-width",
                "none",
                "width of the belt in m",
                "write for example --track-width 0.6",
            )
        )
        return None
    if "pressure_bar" in given:
        notes.append(Note("warned", f"{place}: inflation pressure", "not used", "a track has none", "ours"))
    return None if width is None else track_from_sizes(width, length, int(rollers), f"{place}, --track")


def _number(given: Mapping[str, str], name: str, place: str, needed: str, problems: list[Problem]) -> float | None:
    where = f"{place}, --{name.replace('_', '-')}"
    text = given.get(name)
    if text is None:
        problems.append(Problem("an option is missing", where, "nothing", needed, "every wheel needs its own"))
        return None
    number = as_number(text.strip())
    if number is None:
        mend = (
            f"write a decimal point: {text.replace(',', '.')}"
            if as_number(text.replace(",", "."))
            else "write the number alone"
        )
        problems.append(Problem("not a number", where, repr(text), needed, mend))
    return number


def _pressure(given: Mapping[str, str], place: str, notes: list[Note], problems: list[Problem]) -> float:
    """Return the cold pressure [Pa]; psi or kPa written as bar is asked about, never converted."""
    bar = _number(given, "pressure_bar", place, "bar, cold, as 1.0", problems)
    celsius = (
        _number(given, "gauge_celsius", place, "degrees C, as 50", problems)
        if "gauge_celsius" in given
        else COLD_CELSIUS
    )
    if bar is None or celsius is None:
        return 0.0
    where = f"{place}, --pressure-bar"
    if not BAR_LOW <= bar <= BAR_HIGH:
        mend = range_mend(bar, BAR_LOW, BAR_HIGH, "bar")
        problems.append(
            Problem(
                "a pressure that no farm tyre runs at",
                where,
                f"{bar:g} bar",
                f"{BAR_LOW:g} to {BAR_HIGH:g} bar",
                mend,
            )
        )
        return 0.0
    if bar > BAR_ASK:
        question = f"is it psi? {bar:g} psi is {psi_to_bar(bar):.2f} bar"
        notes.append(
            Note(
                "warned",
                f"{place}: inflation pressure",
                f"{bar:g} bar",
                question,
                "common practice, no source",
            )
        )
    if "gauge_celsius" not in given:
        return bar * BAR
    try:
        cold = float(cold_pressure_gas_law(bar * BAR, celsius))
        hot = float(hot_pressure_gas_law(bar * BAR, celsius))
    except InputError as error:
        problems += error.problems
        return 0.0
    if cold < BAR_LOW * BAR:
        problems.append(
            Problem(
                "hardly any pressure left when cold",
                where,
                f"{bar:g} bar at {celsius:g} C",
                f"at least {BAR_LOW:g} bar cold",
                "check the gauge and the temperature",
            )
        )
    why = (
        f"the gauge was read at {celsius:g} C; set to {bar:g} bar cold this tyre would read "
        f"{pressure_text(hot)} there. {NEVER_BLEED}"
    )
    notes.append(
        Note(
            "warned",
            f"{place}: cold pressure",
            f"{cold / BAR:.2f} bar ({bar_to_psi(cold / BAR):.0f} psi) at {COLD_CELSIUS:g} C",
            why,
            "gas law",
        )
    )
    return cold
