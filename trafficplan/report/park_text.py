"""The answer about parking as plain text: the answer, the ranked table, what is refused, other ways, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_place import Candidate
from trafficplan.report.park_result import cautions_of
from trafficplan.report.park_words import (
    against,
    answer_lines,
    capital,
    load_words,
    note_words,
    other_words,
    pressure_line,
    refusal,
    signed_minutes,
    soil_words,
    standing_title,
    standing_words,
    sure_lines,
    time_line,
    work_line,
)
from trafficplan.report.words import count, figure, say, unit_of

#: Places in the table of the terminal, and refused ones that are told.
MOST_PLACES, MOST_REFUSED = 12, 8


def text_of(answer: ParkAnswer, out: str | None) -> str:
    """Return the whole answer for the terminal."""
    lines = [*[line for line in answer_lines(answer) if line], "", basis_line(answer)]
    if answer.places:
        head, rows = table_of(answer, MOST_PLACES)
        lines += ["", *columns(head, rows)]
        if len(answer.places) > MOST_PLACES:
            lines.append(f"and {count(len(answer.places) - MOST_PLACES, 'more place')} within all limits")
    for title, sentences in blocks(answer, MOST_REFUSED):
        lines += ["", title, *(f"  {one}" for one in sentences)]
    if out:
        lines += ["", f"Open {out}/park.html; print {out}/sheet.html."]
    lines += ["", "Cautions", *(f"  {one.text}" for one in cautions_of(answer.job))]
    return "\n".join(lines)


def basis_line(answer: ParkAnswer) -> str:
    """Return what the answer was asked for."""
    job = answer.job
    tons = (
        f"{job.trailer_kg / 1e3:.1f} t" if job.farm.units == "metric" else f"{figure('mass', job.trailer_kg, 'us')} lb"
    )
    word = "takes from" if job.fills else "serves"
    if job.heap is not None:
        word = "fetches what comes from" if job.fills else "brings what is taken by"
    stays = "" if job.stay_s is None else f", stands {job.stay_s / 3600:g} h"
    if job.heap is not None:
        stays = f", on a heap of {say('length', job.heap.length_m, job.farm.units)} by {say('length', job.heap.width_m, job.farm.units)}{stays}"
    return (
        f"{job.trailer.title}, {tons} a load, {word} {job.served.title} in {job.field.key} on {job.operation.day}; "
        f"{load_words(job.need_kg, job.farm.units)} in all{stays}. Soil {soil_words(job)}. {len(answer.places) + len(answer.refused)} places looked at."
    )


def table_of(answer: ParkAnswer, most: int) -> tuple[list[str], list[list[str]]]:
    """Return the ranked table: head and rows."""
    units = answer.job.farm.units
    patch, far = unit_of("patch", units), unit_of("distance", units)
    head = ["rank", "place", "where", f"lasting, {patch}", "more", "min", "more", far, "crossed", "why"]
    best = answer.places[0]
    rows = []
    for rank, one in enumerate(answer.places[:most], 1):
        rows.append(
            [
                f"{rank}", f"{one.candidate.number}", one.candidate.words, figure("patch", one.lasting_m2, units),
                figure("patch", one.lasting_m2 - best.lasting_m2, units, sign=True), f"{one.minutes:.0f}",
                signed_minutes(one.minutes - best.minutes), figure("distance", one.km, units), f"{one.visits}",
                "best" if one is best else against(answer.job, one, best),
            ]
        )  # fmt: skip
    return head, rows


def columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table as lines; the first two and the worded columns to the left, figures to the right."""
    left = {2, len(head) - 1}
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    return [
        "  ".join(cell.ljust(w) if i in left else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in [head, *rows]
    ]  # fmt: skip


def refused_words(answer: ParkAnswer) -> list[str]:
    """Return why places are refused, those that are refused for the same reason together."""
    alike: dict[str, list[Candidate]] = {}
    for one in answer.refused:
        alike.setdefault(refusal(one, answer.job.farm.units), []).append(one)
    return [
        f"{f'place {found[0].number}, {found[0].words}' if len(found) == 1 else 'places ' + ', '.join(f'{one.number}' for one in found)}: {why}"
        for why, found in alike.items()
    ]  # fmt: skip


def blocks(answer: ParkAnswer, most_refused: int) -> list[tuple[str, list[str]]]:
    """Return titled sentences: what stands, refused places, other ways, how sure, warnings."""
    units = answer.job.farm.units
    found: list[tuple[str, list[str]]] = []
    stands = next((one for one in answer.places if one.stands is not None), None)
    if stands is not None and stands.stands is not None:
        title = standing_title(stands, answer.places[0])
        found.append(
            (
                title,
                [
                    *standing_words(stands.stands, units),
                    time_line(answer.job),
                    pressure_line(answer.job),
                    work_line(stands),
                ],
            )
        )
    if answer.refused:
        told = refused_words(answer)
        if len(told) > most_refused:
            told = [*told[:most_refused], f"and {count(len(told) - most_refused, 'reason')} more"]
        found.append((f"Refused ({len(answer.refused)}), the nearest misses first", told))
    if answer.others:
        found.append(("Other ways, against the best place", [other_words(one, answer) for one in answer.others]))
        found.append(("How sure", sure_lines(answer)))
    warned = [note_words(note) for note in answer.notes if note.kind == "warned"]
    if warned:
        found.append(("Warnings", warned))
    assumed = [f"{capital(note.what)}: {note.value} ({note.why})" for note in answer.notes if note.kind == "assumed"]
    if assumed:
        found.append(("Assumed", assumed))
    return found
