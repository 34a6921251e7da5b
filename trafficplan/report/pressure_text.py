"""The answer about pressures as plain text: three lines, then tables, limits and cautions."""

from __future__ import annotations

from collections.abc import Sequence

from trafficplan.decide.advice import Advice, moisture_line, place
from trafficplan.decide.pressure import Ladder
from trafficplan.report.both_units import lines_in
from trafficplan.report.pressure_result import Told
from trafficplan.report.pressure_words import answer_lines, cost_lines
from trafficplan.report.words import figure, say, say_day, unit_of
from trafficplan.units import FOOT, GRAVITY, KPA, pressure_text

Table = tuple[str, list[str], list[list[str]]]


def text_of(told: Told) -> str:
    """Return the whole answer for the terminal."""
    lines: list[str] = []
    lines += answer_lines(told.lead(), told.units)
    lines += [told_of_lighter(told)] if len(told.advices) > 1 else []
    lines += ["", basis_line(told), ""]
    for title, head, rows in [*tables(told), *ladder_tables(told)]:
        lines += [title, *_columns(head, rows), ""]
    for title, sentences in blocks(told):
        lines += [title, *(f"  {one}" for one in sentences), ""]
    lines += ["Cautions", *(f"  {one.text}" for one in told.cautions)]
    return "\n".join(lines)


def told_of_lighter(told: Told) -> str:
    """Return what the lightest load of a range would be answered, in one sentence."""
    light = told.advices[0]
    first, _, last = answer_lines(light, told.units)
    only = lines_in([f"With only {light.question.load_kg / 1e3:g} t"], told.units)[0]
    return f"{only}: {first} {last.split('More would help')[0]}{_go(last)}"


def _go(last: str) -> str:
    return "Chance" + last.rsplit("Chance", 1)[1]


def basis_line(told: Told) -> str:
    """Return what the answer was asked for: outfit, load, ground, moisture, judged layer."""
    question = told.lead().question
    loads = " to ".join(f"{one.question.load_kg / 1e3:g}" for one in told.advices)
    where = told.field or "whole farm"
    soils = ", ".join(unit.key for unit in question.units)
    layer = {"deep": "the deep layer", "surface": "the surface", "both": "surface and deep layer"}
    tilled = f"tilled to {say('depth', question.tillage_m, told.units)}" if question.tillage_m else "not tilled"
    (told_basis,) = lines_in([
        f"{question.outfit.title}, {loads} t on board. {where} ({tilled}; {soils}). Soil {moisture_line(question.tension_pa)} "
        f"({told.words['moisture']}). Letting down is judged by {layer[told.lead().protect]} ({told.words['protect']}). All pressures are cold."
    ], told.units)  # fmt: skip
    return told_basis


def tables(told: Told) -> list[Table]:
    """Return the tables: axles, contact and stress by depth, rolling."""
    lead = told.lead()
    return [_axles(lead, told.units), _deeper(lead, told.units), _rolls(lead)]


def ladder_tables(told: Told) -> list[Table]:
    """Return ladders of the governing axle and of those that can change; axles that are alike share one."""
    lead = told.lead()
    governing = lead.rows[lead.chosen.governing()]
    groups: dict[tuple[object, ...], list[Ladder]] = {}
    for one in told.ladders:
        if one.rows is governing or one.rows.can_change():
            alike = (one.rows.axle.wheels[0].tyre, round(one.rows.field.wheel_n()), one.rungs.pressures_pa.tobytes())
            groups.setdefault(alike, []).append(one)
    return [_ladder(group, lead, told.units) for group in groups.values()]


def reach_head(units: str) -> str:
    """Return the head of the column that tells how deep 50 kPa reaches."""
    return f"{say('stress', 50.0, units)} to"


def contact(area_m2: float, units: str) -> str:
    """Return a contact area."""
    return f"{area_m2 / FOOT**2:.1f} sq ft" if units == "us" else f"{area_m2:.2f} m2"


def _axles(advice: Advice, units: str) -> Table:
    judged, half = place(advice.question, advice.question.judged_m), place(advice.question, 0.5)
    depth = say("depth", advice.question.judged_m, units)
    head = [
        "axle",
        "wheel",
        "field",
        "track",
        "one for both",
        f"at {depth}",
        f"at {say('depth', 0.5, units)}",
        reach_head(units),
    ]
    head += ["chance below", "chance tilled"]
    rows = []
    for one, at in zip(advice.rows, advice.chosen.axles, strict=True):
        field, track = (one.field_pa, one.track_pa) if advice.stop else (one.one_pa, one.one_pa)
        rows.append(
            [
                one.axle.key,
                say("mass", one.field.wheel_n() / GRAVITY, units),
                pressure_text(field) if field else "none named",
                pressure_text(track) if track else "none named",
                pressure_text(one.one_pa) if one.one_pa else "none named",
                _band(at.rungs.stress_pa[0, judged], at.rungs.upper_pa[0, judged], units),
                _band(at.rungs.stress_pa[0, half], at.rungs.upper_pa[0, half], units),
                say("depth", float(at.rungs.reach_m[0]), units),
                f"{at.judged[0]:.1f}",
                f"{at.tilled:.1f}" if advice.question.tillage_m else "-",
            ]
        )
    return "Each axle with its heaviest wheel (second figure of stress: the cautious run)", head, rows


def _band(central_pa: float, upper_pa: float, units: str) -> str:
    low, high = figure("stress", central_pa / KPA, units), figure("stress", upper_pa / KPA, units)
    return f"{low} {unit_of('stress', units)}" if low == high else f"{low}-{high} {unit_of('stress', units)}"


def _deeper(advice: Advice, units: str) -> Table:
    head = ["axle", "contact", "mean stress there", *(say("depth", float(d), units) for d in advice.question.depths_m)]
    rows = []
    for at in advice.chosen.axles:
        one = at.rungs
        figures = [figure("stress", v / KPA, units) for v in one.stress_pa[0]]
        mean = say("stress", float(one.mean_pa[0]) / KPA, units)
        rows.append([at.load.axle.key, contact(float(one.area_m2[0]), units), mean, *figures])
    return f"Contact of a wheel, and stress by depth in {unit_of('stress', units)}", head, rows


def _rolls(advice: Advice) -> Table:
    head = ["in the field", "rolling", "pull", "slip", "efficiency", "fuel to roll"]
    rows = []
    for name, one in (
        ("as advised", advice.chosen),
        ("one pressure", advice.track),
        ("as in the file", advice.given),
    ):
        if name != "as in the file" and not advice.advised():
            continue
        roll = one.rolling
        rows.append(
            [
                name,
                f"{sum(roll.resistance_n) / 1e3:.1f} kN",
                f"{roll.pull_n / 1e3:.1f} kN",
                "over 30 %" if roll.slip is None else f"{100 * roll.slip:.0f} %",
                "-" if roll.efficiency is None else f"{roll.efficiency:.2f}",
                "-" if roll.litres_per_h is None else f"{roll.litres_per_h:.0f} l/h",
            ]
        )
    return "Rolling and pulling", head, rows


def _ladder(alike: Sequence[Ladder], advice: Advice, units: str) -> Table:
    judged, half = place(advice.question, advice.question.judged_m), place(advice.question, 0.5)
    unit = unit_of("stress", units)
    deep = say("depth", advice.question.judged_m, units)
    head = ["pressure", f"{deep} {unit}", f"{say('depth', 0.5, units)} {unit}", reach_head(units), "chance"]
    head += [f"{say('depth', 0.1, units)} {unit}", "allowed on"]
    ladder = alike[0]
    one, rows = ladder.rungs, []
    for i, pascal in enumerate(one.pressures_pa):
        stress = one.stress_pa[i] / KPA
        rows.append(
            [
                pressure_text(float(pascal)),
                figure("stress", stress[judged], units),
                figure("stress", stress[half], units),
                say("depth", float(one.reach_m[i]), units),
                f"{ladder.chance[i, judged]:.1f}",
                figure("stress", stress[place(advice.question, 0.1)], units),
                ", ".join(ladder.legs[i]) or "-",
            ]
        )
    axles = " and ".join(one.rows.axle.key for one in alike)
    return f"Ladder of pressures: {axles}, {ladder.rows.axle.wheels[0].tyre.code}", head, rows


def blocks(told: Told) -> list[tuple[str, list[str]]]:
    """Return the sentences below the tables, by title."""
    lead = told.lead()
    found = [("What it costs", cost_lines(lead, told.units)), ("Loads", load_lines(told))]
    if told.seen:
        found.append(("Seen", [*seen_lines(told), "A clean surface says nothing about the layer below the plough."]))
    warned = [f"{note.what}: {note.value}; {note.why}" for note in told.notes if note.kind == "warned"]
    found += [("Warnings", warned), ("Assumed", _assumed(told))]
    return [(title, lines_in(lines, told.units)) for title, lines in found if lines]


def _assumed(told: Told) -> list[str]:
    """Return the assumptions; what was assumed alike of several things is told once."""
    alike: dict[tuple[str, str], list[str]] = {}
    for note in told.notes:
        if note.kind == "assumed":
            alike.setdefault((note.value, note.why), []).append(note.what)
    lines = []
    for (value, why), things in alike.items():
        _, _, last = things[0].rpartition(": ")
        firsts = [thing.rpartition(": ")[0] for thing in things]
        what = things[0] if len(things) == 1 else f"{last} of {', '.join(firsts)}".replace("soil unit ", "")
        lines.append(f"{what}: {value} ({why})")
    return lines


def load_lines(told: Told) -> list[str]:
    """Return how the wheel loads came about: hitch, pull, slope."""
    lead = told.lead()
    lines = []
    if told.hitch is not None:
        least = f", least while emptying {told.hitch.least_n / GRAVITY:.0f} kg"
        limit = "" if told.hitch.limit_n is None else f", limit {told.hitch.limit_n / GRAVITY:.0f} kg"
        lines.append(
            f"At the hitch {told.hitch.full_n / GRAVITY:.0f} kg full, {told.hitch.empty_n / GRAVITY:.0f} kg empty{least}{limit}."
            " Axle figures are those on the scale, coupled: behind the rear axle the hitch presses that axle by more than its"
            " load and lightens the front."
        )
    for one in lead.rows:
        if one.field.pull_n > 0:
            lines.append(
                f"The pull in the field, at the pressures of the outfit's file, presses {one.axle.key} by"
                f" {one.field.pull_n / GRAVITY:.0f} kg more and lightens the front as much."
            )
    if lead.question.slope > 0:
        shares = ", ".join(f"{one.axle.key} {100 * one.field.downhill:.0f} %" for one in lead.rows)
        lines.append(
            f"Across {100 * lead.question.slope:.0f} % side slope the lower wheels carry {shares}: at rest and rigid."
        )
    lines.append("Stability cannot be computed here: it is a limit of its own, also on slopes that look harmless.")
    if any(one.torque for one in lead.rows):
        lines.append("It pulls hard: no bonus for low speed, so its powered axles are read at 30 km/h or faster.")
    return lines


def seen_lines(told: Told) -> list[str]:
    """Return what people saw, one line each."""
    lines = []
    for one in told.seen:
        at = ", ".join(f"{'all axles' if k == '*' else k} {pressure_text(v)}" for k, v in one.pressures_pa.items())
        rut = "" if one.rut_m is None else f"; rut {say('depth', one.rut_m, told.units)}"
        slip = "" if one.slip is None else f"; slip {100 * one.slip:.0f} %"
        field = f" {one.field}" if one.field else ""
        lines.append(f"{say_day(one.day)}{field}: {at}{rut}{slip}{'; ' + one.surface if one.surface else ''}")
    return lines


def _columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    wide = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    return [
        "  " + "  ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)).rstrip() for row in (head, *rows)
    ]
