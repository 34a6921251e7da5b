"""What to do with the pressures found: change or keep one, go today or wait, and what would help more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from trafficplan.decide.pressure import (
    AxleRows,
    Question,
    Setting,
    pressures_for,
    rows_of,
    setting,
    setting_of,
)
from trafficplan.machines.tyre_table import table_of
from trafficplan.soil.moisture import HAND_TEST, moisture_word

Protect = Literal["deep", "surface", "both"]
Plan = Literal["field", "track"]

#: Share by which letting down must lower an axle's stress in the protected layer to be worth a stop (ours).
WORTH = 0.05

#: Depth that stands for the surface [m].
SURFACE_M = 0.10

#: Step of the loads that are tried [kg], and the least share of a load that is still worth a trip (ours).
LOAD_STEP_KG, LEAST_SHARE = 500.0, 0.3

#: Slowest track that is proposed [m/s] (ours).
SLOWEST_M_S = 15 / 3.6 - 1e-6

#: Fuel while standing with the compressor on [l/h] (memory: a tractor engine at raised idle).
STANDING_L_H = 6.0


@dataclass(frozen=True)
class Verdict:
    """Go or wait by the limit on the chance just below tillage.

    Attributes
    ----------
    chance, soil : highest chance just below tillage at the advised pressures, and the soil that has it
    wait_for : hand-test word at which the limit is kept, "" if none does
    lighter_kg : largest load that keeps the limit today, None if none of use does
    """

    go: bool
    chance: float
    soil: str
    limit: float
    wait_for: str
    lighter_kg: float | None


@dataclass(frozen=True)
class Stop:
    """What changing the pressures costs against one pressure for the whole trip, per load.

    Attributes
    ----------
    minutes : two changes, hoses one axle after the other, central ones together
    hectares : what would be worked in that time
    standing_l : fuel while standing
    saved_l : fuel saved in the field, per load (per hour of work where the rate is not known)
    per_load : whether `saved_l` is per load
    """

    minutes: float
    hectares: float
    standing_l: float
    saved_l: float | None
    per_load: bool


@dataclass(frozen=True)
class Slower:
    """A slower track: its speed [m/s], one pressure by axle for the whole trip [Pa], and whether the gap closes."""

    speed_m_s: float
    one_pa: dict[str, float]
    closes: bool


@dataclass(frozen=True)
class Advice:
    """The whole answer for one load.

    Attributes
    ----------
    rows : what the tables say, by axle
    track, field, chosen, given : the outfit in the field at the pressures of the trip as one, let down, as
        advised, and as the outfit's file has them
    stop : whether changing the pressures is advised (false too where nothing can change)
    lighter, doubled : two thirds of the load; twice the wheels under the governing axle and its equals,
        which are `doubled_under` (places in rows)
    words : the chosen pressures at each word of the hand test
    slower : a slower track that lets one pressure do more, None if there is none or no need
    """

    question: Question
    protect: Protect
    rows: tuple[AxleRows, ...]
    track: Setting
    field: Setting
    chosen: Setting
    given: Setting
    table: Setting
    stop: bool
    cost: Stop | None
    verdict: Verdict
    lighter: tuple[float, Setting] | None
    doubled: Setting
    doubled_under: tuple[int, ...]
    words: dict[str, Setting]
    slower: Slower | None

    def shift_n(self) -> float:
        """Return the most that the pull takes off the front axle, in the field or on the track [N]."""
        return max(max(one.field.pull_n, one.track.pull_n) for one in self.rows)

    def advised(self) -> bool:
        """Return whether any pressure is named."""
        return any(one.one_pa or one.field_pa for one in self.rows)


def advise(question: Question, protect: Protect, limit: float, rate_kg_m2: float | None) -> Advice:
    """Return the answer for a load.

    Parameters
    ----------
    protect : the layer by which letting down is judged
    limit : most chance just below tillage at which people go
    rate_kg_m2 : product per area, for what a stop costs per load, or None
    """
    rows = rows_of(question)
    track = setting(question, rows, pressures_for(rows, "track"))
    field = setting(question, rows, pressures_for(rows, "field"))
    stop = _worth(question, rows, track, field, protect)
    chosen = field if stop else track
    plan: Plan = "field" if stop else "track"
    alike = _alike(rows, chosen)
    return Advice(
        question,
        protect,
        rows,
        track,
        field,
        chosen,
        setting(question, rows, pressures_for(rows, "given")),
        setting(question, rows, pressures_for(rows, "table")),
        stop,
        _stop_cost(question, rows, track, field, rate_kg_m2),
        _verdict(question, chosen, plan, limit),
        _lighter(question, plan),
        _doubled(question, rows, chosen, alike),
        alike,
        {word: _moist(question, rows, chosen, word) for word in HAND_TEST},
        _slower(question, rows),
    )


def _changing(rows: Sequence[AxleRows]) -> list[int]:
    """Return the axles whose field pressure is below the one for the whole trip."""
    return [
        i
        for i, one in enumerate(rows)
        if one.can_change() and one.field_pa and one.one_pa and one.field_pa < one.one_pa - 1.0
    ]


def place(question: Question, depth_m: float) -> int:
    """Return the index of the depth nearest to `depth_m`."""
    return int(np.argmin(np.abs(question.depths_m - depth_m)))


def _worth(question: Question, rows: Sequence[AxleRows], track: Setting, field: Setting, protect: Protect) -> bool:
    looked = {"deep": (question.judged_m,), "surface": (SURFACE_M,), "both": (SURFACE_M, question.judged_m)}
    for i in _changing(rows):
        before, after = track.axles[i].rungs.stress_pa[0], field.axles[i].rungs.stress_pa[0]
        for depth in looked[protect]:
            k = place(question, depth)
            if after[k] <= (1.0 - WORTH) * before[k]:
                return True
    return False


def _at_plan(question: Question, plan: Plan) -> Setting:
    rows = rows_of(question)
    return setting(question, rows, pressures_for(rows, plan))


def _verdict(question: Question, chosen: Setting, plan: Plan, limit: float) -> Verdict:
    chance, soil = chosen.judged()
    if chance <= limit:
        return Verdict(True, chance, soil, limit, "", None)
    wait = ""
    for word in ("moulds", "crumbles"):
        drier = max(question.tension_pa[1], HAND_TEST[word])
        if drier <= question.tension_pa[1]:
            continue
        other = replace(question, tension_pa=(max(question.tension_pa[0], drier), drier))
        if _at_plan(other, plan).judged()[0] <= limit:
            wait = word
            break
    return Verdict(False, chance, soil, limit, wait, _light_enough(question, plan, limit))


def _light_enough(question: Question, plan: Plan, limit: float) -> float | None:
    """Return the largest load in whole steps that keeps the limit, at the pressures it allows."""
    least = math.ceil(LEAST_SHARE * question.load_kg / LOAD_STEP_KG)
    most = math.ceil(question.load_kg / LOAD_STEP_KG) - 1
    if least > most or question.load_kg <= 0:
        return None

    def keeps(step: int) -> bool:
        other = replace(question, load_kg=step * LOAD_STEP_KG)
        return _at_plan(other, plan).judged()[0] <= limit

    if not keeps(least):
        return None
    while least < most:
        middle = (least + most + 1) // 2
        least, most = (middle, most) if keeps(middle) else (least, middle - 1)
    return least * LOAD_STEP_KG


def _lighter(question: Question, plan: Plan) -> tuple[float, Setting] | None:
    if question.load_kg <= 0:
        return None
    other = replace(question, load_kg=question.load_kg * 2 / 3)
    return other.load_kg, _at_plan(other, plan)


def _alike(rows: Sequence[AxleRows], chosen: Setting) -> tuple[int, ...]:
    """Return the governing axle and those that carry as much on the same tyre: doubling one alone helps nothing."""
    lead = rows[chosen.governing()]
    return tuple(
        i
        for i, one in enumerate(rows)
        if one.axle.wheels[0].tyre == lead.axle.wheels[0].tyre and one.field.load_n > 0.9 * lead.field.load_n
    )


def _doubled(question: Question, rows: Sequence[AxleRows], chosen: Setting, under: Sequence[int]) -> Setting:
    """Return the setting with twice the wheels, on axles of their own, under some axles."""
    loads = [one.field for one in rows]
    for i in under:
        loads[i] = replace(loads[i], load_n=0.5 * loads[i].load_n)
    return setting_of(question, rows, loads, [one.pressure_pa for one in chosen.axles])


def _moist(question: Question, rows: Sequence[AxleRows], chosen: Setting, word: str) -> Setting:
    other = replace(question, tension_pa=(HAND_TEST[word], HAND_TEST[word]))
    return setting(other, rows, [one.pressure_pa for one in chosen.axles])


def _slower(question: Question, rows: Sequence[AxleRows]) -> Slower | None:
    """Return the speed on the track that closes the gap to the field best: the fastest that closes it whole."""
    changing = _changing(rows)
    tracks = [leg for leg in question.legs if not leg.on_soil]
    if not changing or not tracks:
        return None
    tables = [table_of(question.tables, rows[i].axle.wheels[0].tyre.code) for i in changing]
    speeds = {row.speed_m_s for table in tables if table for row in table.rows}
    fastest = max(leg.speed_m_s for leg in tracks)
    found = None
    for speed in sorted((one for one in speeds if SLOWEST_M_S <= one < fastest), reverse=True):
        legs = tuple(leg if leg.on_soil else replace(leg, speed_m_s=min(leg.speed_m_s, speed)) for leg in question.legs)
        slow = rows_of(replace(question, legs=legs))
        ones = {rows[i].axle.key: slow[i].one_pa or 0.0 for i in changing}
        if any(slow[i].one_pa is None for i in changing) or not any(
            (slow[i].one_pa or 0.0) < (rows[i].one_pa or 0.0) - 1.0 for i in changing
        ):
            continue
        found = Slower(speed, ones, not _changing(slow))
        if found.closes:
            return found
    return found


def _stop_cost(
    question: Question, rows: Sequence[AxleRows], track: Setting, field: Setting, rate_kg_m2: float | None
) -> Stop | None:
    changing = [rows[i].axle for i in _changing(rows)]
    if not changing:
        return None
    central = max((axle.adjust_min for axle in changing if axle.adjust == "central"), default=0.0)
    once = central + sum(axle.adjust_min for axle in changing if axle.adjust == "hose")
    minutes = 2 * once
    speed = next((leg.speed_m_s for leg in question.legs if leg.on_soil), question.outfit.field_m_s)
    pace = question.outfit.width_m * speed  # m2/s
    saved = None
    if track.rolling.litres_per_h is not None and field.rolling.litres_per_h is not None:
        saved = track.rolling.litres_per_h - field.rolling.litres_per_h
    per_load = bool(rate_kg_m2) and question.load_kg > 0
    if saved is not None and per_load and rate_kg_m2:
        saved *= question.load_kg / rate_kg_m2 / pace / 3600
    return Stop(minutes, pace * minutes * 60 / 1e4, minutes / 60 * STANDING_L_H, saved, per_load)


def moisture_line(tension_pa: tuple[float, float]) -> str:
    """Return the moisture of both layers in words.

    Examples
    --------
    >>> moisture_line((15e3, 5e3))
    'moulds above the plough, smears below'
    """
    words = [moisture_word(one) for one in tension_pa]
    return words[0] if words[0] == words[1] else f"{words[0]} above the plough, {words[1]} below"
