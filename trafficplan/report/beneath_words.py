"""What wheels do to the soil beneath them, in plain text: the answer first, then a table per wheel."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from trafficplan.decide.beneath import UPPER_GOVERNS_PA, DepthAnswer, Ground, WheelAnswer
from trafficplan.machines.inflation import IMPROVED_FLEXION, flexion_of
from trafficplan.names import Note
from trafficplan.report.cautions import cautions_for
from trafficplan.report.words import say_chance
from trafficplan.soil.moisture import moisture_word
from trafficplan.units import GRAVITY, KPA, pressure_text

WIDTH = 100


def wheel_title(one: WheelAnswer) -> str:
    """Return size, load and pressure of a wheel in one line."""
    case = one.case
    pressure = f", {pressure_text(case.pressure_pa)}" if case.tyre.kind == "tyre" else ""
    dual = f", dual with {case.dual_gap_m * 100:.0f} cm between" if case.dual_gap_m is not None else ""
    rollers = f" on {case.tyre.rollers} rollers" if case.tyre.kind == "track" and case.tyre.rollers else ""
    furrow = f", in the furrow {case.furrow_m * 100:.0f} cm deep" if case.furrow_m > 0.0 else ""
    return f"{case.tyre.code}{rollers}, {case.load_n / GRAVITY:.0f} kg{pressure}{dual}{furrow}"


def ground_title(ground: Ground) -> str:
    """Return texture, moisture and tillage in one line."""
    top, deep = moisture_word(ground.top_pa), moisture_word(ground.deep_pa)
    moist = top if ground.top_pa == ground.deep_pa else f"{top} above, {deep} below"
    tension = "" if ground.top_pa != ground.deep_pa else f" ({ground.top_pa / KPA:g} kPa)"
    till = f"tilled to {ground.tillage_m * 100:.0f} cm" if ground.tillage_m > 0.0 else "not tilled"
    measured = f", measured strength {ground.strength_pa / KPA:g} kPa" if ground.strength_pa is not None else ""
    return f"{ground.texture} that {moist}{tension}, {till}{measured}"


def in_words(
    answers: Sequence[WheelAnswer], smears: Sequence[WheelAnswer], ground: Ground, notes: Sequence[Note]
) -> str:
    """Return the whole answer of `trafficplan beneath` as plain text.

    Parameters
    ----------
    answers : one per wheel
    smears : the same wheels on soil that smears, or none where moisture was told
    ground : the soil
    notes : what was assumed and warned of
    """
    lines = [f"Soil: {ground_title(ground)}.", ""]
    for number, one in enumerate(answers, start=1):
        lines += [f"{number}. {wheel_title(one)}", *_sentences(one)]
        if smears:
            lines.append(f"   Were it to smear: {_leading(smears[number - 1])}.")
        lines += ["", *_table(one, ground), "", *_context(one)]
    for title, kind in (("warnings", ("warned", "repaired")), ("assumed", ("assumed",))):
        chosen = [note for note in notes if note.kind in kind]
        if chosen:
            lines.append(title)
            lines += [line for note in chosen for line in _wrapped(f"{note.what}: {note.value} - {note.why}", "  ")]
    lines.append("cautions")
    for caution in cautions_for(["chance", "no_table"]):
        lines += _wrapped(caution.text, "  ")
    return "\n".join(lines)


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _leading(one: WheelAnswer) -> str:
    """Return the depths that count: just below the plough, 50 cm, depth reached."""
    deep = [row for row in one.depths if row.layer == "deep"]
    parts = []
    if deep:
        parts.append(f"{'below the plough ' if len(deep) < len(one.depths) else ''}({_at(deep[0])})")
    half = [row for row in one.depths if abs(row.depth_m - 0.5) < 1e-9 and row not in deep[:1]]
    parts += [f"at {_at(row)}" for row in half]
    reached = f"50 kPa reaches {one.reached_m * 100:.0f} cm" if one.reached_m > 0.0 else "50 kPa is reached nowhere"
    return "; ".join([*parts, reached]).strip()


def _at(row: DepthAnswer) -> str:
    stress = row.stress_pa / KPA
    return f"{row.depth_m * 100:g} cm: {stress:.0f} kPa on {row.strength_pa / KPA:.0f}, {row.step}"


def _sentences(one: WheelAnswer) -> Iterator[str]:
    leading = _leading(one)
    yield f"   {leading[0].upper()}{leading[1:]}."
    yield (
        f"   Contact {one.area_m2:.2f} m2, mean {one.mean_pa / KPA:.0f} kPa, "
        f"highest {one.peak_pa / KPA:.0f} kPa; the topsoil feels up to {one.topsoil_pa / KPA:.0f} kPa."
    )
    if one.governs == "upper":
        yield (
            f"   Above {pressure_text(UPPER_GOVERNS_PA)} the steps follow the upper run: "
            "under hard tyres measured stress was nearer to it."
        )


def _table(one: WheelAnswer, ground: Ground) -> Iterator[str]:
    head = ("depth", "stress", "to upper", "strength (range)", "ratio", "step", "chance of overstress")
    yield "   {:>6}  {:>7}  {:>8}  {:>16}  {:>5}  {:<8}  {}".format(*head)
    tilled = True
    for row in one.depths:
        if tilled and row.layer == "deep" and ground.tillage_m > 0.0:
            yield f"   {f' plough, {ground.tillage_m * 100:.0f} cm: above mended by it, below lasting ':-^78}"
            tilled = False
        if row.depth_m < one.case.furrow_m:
            yield f"   {f'{row.depth_m * 100:g} cm':>6}  {'-':>7}  above the floor of the furrow"
            continue
        strength = f"{row.strength_pa / KPA:.0f} ({row.strength_low_pa / KPA:.0f}-{row.strength_high_pa / KPA:.0f})"
        yield (
            f"   {f'{row.depth_m * 100:g} cm':>6}  {row.stress_pa / KPA:>7.0f}  {row.upper_pa / KPA:>8.0f}  "
            f"{strength:>16}  {row.ratio:>5.2f}  {row.step:<8}  {say_chance(row.chance)}"
        )
    yield "   stress and strength in kPa; ratio and chance are of the stress, not of the upper run"


def _context(one: WheelAnswer) -> list[str]:
    """Return what IF or VF in front of the size means; no pressure."""
    letters = flexion_of(one.case.tyre.code)
    if letters is None or one.case.tyre.kind == "track":
        return []
    load, pressure = IMPROVED_FLEXION[letters]
    text = (
        f"{letters}: carries {(load - 1) * 100:.0f} % more at the same pressure, or the same at "
        f"{(1 - pressure) * 100:.0f} % less, as the standard means it. "
        "Its maker's table alone says what is allowed."
    )
    return [*_wrapped(text, "   "), ""]
