"""The answer about pressures in words: three lines first, then limits and costs."""

from __future__ import annotations

from collections.abc import Sequence

from trafficplan.decide.advice import SURFACE_M, Advice, Slower, place
from trafficplan.decide.pressure import AxleRows, Setting
from trafficplan.decide.trip import STEEPEST, Leg
from trafficplan.machines.tyre_table import NoPressure
from trafficplan.report.both_units import lines_in
from trafficplan.report.words import say, say_chance
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.units import GRAVITY, KM_H, KPA, pressure_text

#: A change smaller than this is told as none (share of the stress, m of depth reached).
NOTHING, NOTHING_M = 0.01, 0.005
#: A change smaller than this share is told as "hardly".
HARDLY = 0.08


def answer_lines(advice: Advice, units: str) -> list[str]:
    """Return the three lines: pressures per leg; what they help; what would help more, and go or wait."""
    lines = [pressure_line(advice), help_line(advice, units), f"{more_line(advice, units)} {go_line(advice)}"]
    return lines_in(lines, units)


def pressure_line(advice: Advice) -> str:
    """Return the first line: pressure by axle and leg, or why none is named."""
    named = [one for one in advice.rows if one.one_pa]
    if advice.question.slope > STEEPEST:
        slope = f"{100 * advice.question.slope:.0f} %"
        return f"No lowest pressure is advised: a side slope of {slope} is above {100 * STEEPEST:.0f} %."
    if not named:
        return "No pressure is named: " + "; ".join(_reasons(advice, advice.rows)) + "."
    soil, hard = _speeds(advice, True), _speeds(advice, False)
    if not advice.stop:
        line = f"One pressure for the whole trip, {soil} and {hard}: {_listed(named, 'one')}."
    else:
        down = [one for one in named if one.field_pa != one.track_pa]
        rest = [one for one in named if one.field_pa == one.track_pa]
        stays = f"; {_names(rest)} stay{'s' if len(rest) == 1 else ''}" if rest else ""
        on_track, in_field = _listed(named, "track"), _listed(down, "field")
        line = f"{hard[0].upper()}{hard[1:]}: {on_track}. {soil[0].upper()}{soil[1:]}: {in_field}{stays}."
    without = [one for one in advice.rows if not one.one_pa and one.axle.wheels[0].tyre.kind == "tyre"]
    return line + (" None named: " + "; ".join(_reasons(advice, without)) + "." if without else "")


def _speeds(advice: Advice, on_soil: bool) -> str:
    legs = [leg for leg in advice.question.legs if leg.on_soil == on_soil]
    usual = "field" if on_soil else "track"
    if len(legs) == 1 and legs[0].name == usual:
        return f"{'in the field' if on_soil else 'on the track'} at {round(legs[0].speed_m_s / KM_H, 1):g} km/h"
    told = ", ".join(f"{leg.name} {round(leg.speed_m_s / KM_H, 1):g} km/h" for leg in legs)
    return f"{'on soil' if on_soil else 'off the soil'} ({told})"


def _listed(rows: Sequence[AxleRows], plan: str) -> str:
    """Return axle and pressure; axles with the same pressure are told together."""
    groups: dict[str, list[AxleRows]] = {}
    for one in rows:
        value = {"one": one.one_pa, "track": one.track_pa, "field": one.field_pa}[plan]
        groups.setdefault(pressure_text(value) if value else "none named", []).append(one)
    return ", ".join(f"{_names(alike)} {text}" for text, alike in groups.items())


def _names(rows: Sequence[AxleRows]) -> str:
    return joined([one.axle.key for one in rows])


def joined(names: Sequence[str]) -> str:
    """Return names as people list them.

    Examples
    --------
    >>> joined(["front", "rear", "trailer"])
    'front, rear and trailer'
    """
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _reasons(advice: Advice, rows: Sequence[AxleRows]) -> list[str]:
    """Return axle and why it gets no pressure for the trip; one that is fit for the field alone says so."""
    found = []
    for one in rows:
        reason = no_pressure_reason(one, advice.question.legs)
        alone = f" (in the field alone {pressure_text(one.field_pa)})" if one.field_pa else ""
        found += [f"{one.axle.key}: {reason}{alone}"] if reason else []
    return found


def no_pressure_reason(rows: AxleRows, legs: Sequence[Leg]) -> str:
    """Return why an axle gets no pressure on some leg, "" where it gets one on all."""
    tyre = rows.axle.wheels[0].tyre
    if tyre.kind == "track":
        return "a rubber track has none"
    for leg in legs:
        row = rows.rows[leg.name]
        if not isinstance(row, NoPressure):
            continue
        if row.reason == "no_table":
            return f"no maker's table for {tyre.code}"
        if row.reason == "speed":
            fastest = f"{round(row.most / KM_H, 1):g} km/h"
            return f"{round(row.asked / KM_H, 1):g} km/h is over the last row of {tyre.code} ({fastest})"
        if row.reason == "stability":
            asked, most = pressure_text(row.asked), pressure_text(row.most)
            return f"the least pressure for stability ({asked}) is above the table of {tyre.code} ({most})"
        each = f", {rows.derate:g} of the table as a dual" if rows.derate < 1 else ""
        return (
            f"{row.asked * rows.derate:.0f} kg a wheel at {round(leg.speed_m_s / KM_H, 1):g} km/h is over the last row of "
            f"{tyre.code} ({row.most * rows.derate:.0f} kg{each})"
        )
    return ""


def layer_words(advice: Advice, units: str) -> str:
    """Return how the judged depth is called."""
    depth = say("depth", advice.question.judged_m, units)
    return f"just below the plough ({depth})" if advice.question.tillage_m > 0 else f"at {depth}"


def help_line(advice: Advice, units: str) -> str:
    """Return the second line: what letting down helps and what not, and which wheel governs."""
    lead = _governing(advice, units)
    if not advice.advised():
        return "As the outfit's file sets them: " + state_words(advice, advice.given, units) + f" {lead}"
    if not any(one.can_change() for one in advice.rows):
        return f"No axle can change its pressure; {state_words(advice, advice.chosen, units)} {lead}"
    if advice.cost is None and any(one.can_change() and not one.one_pa for one in advice.rows):
        return (
            "An axle that can change its pressure has no named one, so letting down is not judged. "
            f"{state_words(advice, advice.chosen, units)} {lead}"
        )
    if advice.cost is None:
        return (
            "The tables ask no more on the track than in the field: nothing to let down. "
            f"{state_words(advice, advice.chosen, units)} {lead}"
        )
    central = 1.0 - advice.field.stress_pa() / advice.track.stress_pa()
    cautious = 1.0 - advice.field.upper_pa() / advice.track.upper_pa()
    places = {
        f"at {say('depth', SURFACE_M, units)}": place(advice.question, SURFACE_M),
        layer_words(advice, units): place(advice.question, advice.question.judged_m),
        f"at {say('depth', 0.5, units)}": place(advice.question, 0.5),
    }
    reach = (advice.track.reach_m(), advice.field.reach_m())
    if float(central.max()) < NOTHING and reach[0] - reach[1] < NOTHING_M:
        return (
            f"Letting down leaves the outfit's highest stress as it is. {_own(advice, units)}. Now "
            f"{state_words(advice, advice.chosen, units)}{_minutes(advice)} {lead}"
        )
    told = ", ".join(f"{_range(float(central[k]), float(cautious[k]))} {name}" for name, k in places.items())
    line = f"{told}; 50 kPa {_reach(*reach, units)}: {_help_words([float(central[k]) for k in places.values()])}"
    if not advice.rows[advice.chosen.governing()].can_change():
        return (
            f"Letting down takes of the outfit's highest stress {line}. {_own(advice, units)}.{_minutes(advice)} {lead}"
        )
    return f"Letting down takes {line}.{_minutes(advice)} {lead}"


def _range(central: float, cautious: float) -> str:
    """Return a share by the central and the cautious run, one figure where they agree."""
    low, high = sorted((round(100 * central), round(100 * cautious)))
    if low == high or high - low <= 1:
        return _percent(central)
    return f"{low}-{high} %" if low >= 1 else f"up to {high} %"


def _reach(before_m: float, after_m: float, units: str) -> str:
    before, after = say("depth", before_m, units), say("depth", after_m, units)
    return f"still reaches {after}" if before == after else f"reaches {after} instead of {before}"


def _minutes(advice: Advice) -> str:
    return f" It costs {advice.cost.minutes:.0f} min a trip." if advice.cost else ""


def _percent(share: float) -> str:
    return "nothing" if share < NOTHING else f"{100 * share:.0f} %"


def _help_words(shares: Sequence[float]) -> str:
    top, below, half = shares
    if half >= HARDLY:
        return "it helps down to 50 cm"
    if below >= HARDLY:
        return "it helps the top and the layer below the plough, hardly 50 cm"
    return "it helps the top, hardly what lies below" if top >= HARDLY else "it hardly helps at any depth"


def _own(advice: Advice, units: str) -> str:
    """Return what letting down does under the axles that change, where another axle governs."""
    k = place(advice.question, advice.question.judged_m)
    groups: dict[str, list[AxleRows]] = {}
    for i, one in enumerate(advice.rows):
        before = advice.track.axles[i].rungs.stress_pa[0, k]
        after = advice.field.axles[i].rungs.stress_pa[0, k]
        if one.can_change() and after < before * (1 - NOTHING):
            groups.setdefault(_percent(1 - after / before), []).append(one)
    parts = [f"{_names(alike)} {share}" for share, alike in groups.items()]
    if not parts:
        return "Nothing changes under the axles let down"
    return f"Under the wheels let down it falls more, {layer_words(advice, units)}: {', '.join(parts)}"


def _governing(advice: Advice, units: str) -> str:
    i = advice.chosen.governing()
    one = advice.rows[i]
    said = f"The {one.axle.key} wheel governs ({say('mass', one.field.wheel_n() / GRAVITY, units)})"
    others = [row.axle.key for k, row in enumerate(advice.rows) if k != i and row.can_change()]
    if not one.can_change() and others:
        return f"{said}: no pressure on {' or '.join(others)} changes the deepest number."
    if one.can_change() and one.field.kind != "powered":
        return f"{said}: no pressure on the tractor changes the deepest number."
    return f"{said}."


def state_words(advice: Advice, setting: Setting, units: str) -> str:
    """Return stress just below tillage and at 50 cm and the depth reached of a setting."""
    question = advice.question
    parts = []
    for name, depth in (
        (layer_words(advice, units), question.judged_m),
        (f"at {say('depth', 0.5, units)}", 0.5),
    ):
        k = place(question, depth)
        central = setting.stress_pa()[k] / KPA
        upper = max(one.rungs.upper_pa[0, k] for one in setting.axles) / KPA
        band = f" (up to {say('stress', upper, units)})" if upper > 1.03 * central else ""
        parts.append(f"{say('stress', central, units)}{band} {name}")
    return f"{', '.join(parts)}; 50 kPa reaches {say('depth', setting.reach_m(), units)}."


def more_line(advice: Advice, units: str) -> str:
    """Return what would help more than pressure, with numbers."""
    base = advice.chosen
    options: list[str] = []
    if advice.lighter is not None:
        load, other = advice.lighter
        options.append(f"two thirds of the load ({load / 1e3:.1f} t), {_against(advice, base, other, units)}")
    doubled = joined([advice.rows[i].axle.key for i in advice.doubled_under])
    k = place(advice.question, advice.question.judged_m)
    if advice.doubled.stress_pa()[k] < 0.995 * base.stress_pa()[k]:
        options.append(f"twice the wheels under {doubled}, {_against(advice, base, advice.doubled, units)}")
    if advice.slower is not None:
        options.append(_slower_words(advice.slower))
    before = advice.verdict.chance
    for word in ("moulds", "crumbles"):
        after = advice.words[word].judged()[0]
        if HAND_TEST[word] > advice.question.tension_pa[1] and after < before - 0.05:
            options.append(f"a day when it {word}, chance {after:.1f} instead of {before:.1f}")
    return "More would help: " + "; ".join(options) + "."


def _slower_words(slower: Slower) -> str:
    at = f"{slower.speed_m_s / KM_H:.0f} km/h on the track"
    groups: dict[str, list[str]] = {}
    for key, value in slower.one_pa.items():
        groups.setdefault(pressure_text(value), []).append(key)
    ones = ", ".join(f"{joined(keys)} {text}" for text, keys in groups.items())
    if slower.closes:
        return f"{at}, where one pressure does both ({ones})"
    return f"{at}, one pressure for all then {ones}"


def _against(advice: Advice, base: Setting, other: Setting, units: str) -> str:
    k, half = place(advice.question, advice.question.judged_m), place(advice.question, 0.5)
    before, after = base.stress_pa(), other.stress_pa()
    below = _percent(1 - float(after[k] / before[k]))
    return (
        f"{below} off {'below the plough' if advice.question.tillage_m > 0 else layer_words(advice, units)} and "
        f"{_percent(1 - float(after[half] / before[half]))} at {say('depth', 0.5, units)}"
    )


def go_line(advice: Advice) -> str:
    """Return today or wait, by the limit on the chance below the plough."""
    verdict = advice.verdict
    below = "below the plough" if advice.question.tillage_m > 0 else f"at {100 * advice.question.judged_m:.0f} cm"
    said = f"Chance of overstress {below} {say_chance(verdict.chance)} on {verdict.soil}, limit {verdict.limit:g}"
    if verdict.go:
        return f"{said}: today."
    if round(verdict.chance, 1) <= verdict.limit:
        said += " (just over)"
    lighter = f", or take {verdict.lighter_kg / 1e3:.1f} t today" if verdict.lighter_kg else ""
    if verdict.wait_for:
        return f"{said}: wait until it {verdict.wait_for}{lighter}."
    if lighter:
        return f"{said}: wait until it is drier than any word of the hand test{lighter}."
    return (
        f"{said}: wait until a lighter outfit can go; neither crumbling soil nor a third of the load brings this "
        "one under the limit. Dig and look: strength is known to about plus or minus half."
    )


def cost_lines(advice: Advice, units: str) -> list[str]:
    """Return what changing pressures costs against one, and what stability costs the soil."""
    lines = [_stop_words(advice, units)] if advice.cost is not None else []
    for one, free, used in zip(advice.rows, advice.table.axles, advice.field.axles, strict=True):
        if one.table_field_pa is None or one.field_pa is None:
            continue
        if one.field_pa > one.table_field_pa * (1 + 1e-9):
            k = place(advice.question, advice.question.judged_m)
            more = 100 * (used.rungs.stress_pa[0] / free.rungs.stress_pa[0] - 1.0)
            lines.append(
                f"{one.axle.key}: your least pressure for stability, {pressure_text(one.field_pa)}, stands over the "
                f"table's {pressure_text(one.table_field_pa)}; it costs the soil {more[0]:.0f} % at the top and "
                f"{more[k]:.0f} % {layer_words(advice, units)}."
            )
    return lines


def _stop_words(advice: Advice, units: str) -> str:
    cost = advice.cost
    assert cost is not None
    per = "a load" if cost.per_load else "an hour of work"
    saved = "; in the field it saves hardly any fuel"
    if cost.saved_l is None or cost.saved_l >= 0.1:
        saved = "" if cost.saved_l is None else f"; in the field it saves {cost.saved_l:.1f} l {per}"
    return (
        f"Letting down and pumping up again takes {cost.minutes:.0f} min a trip and {cost.standing_l:.1f} l "
        f"standing{saved}. In that time {say('area', cost.hectares, units)} would be worked."
    )
