"""The answer about parking as one A4 page to print: where, why, a plan, what else, cautions. Needs no network."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.report.page import packaged, template_environment
from trafficplan.report.park_picture import sheet_picture
from trafficplan.report.park_result import cautions_of
from trafficplan.report.park_text import basis_line, refused_words, table_of
from trafficplan.report.park_words import (
    answer_lines,
    note_words,
    other_words,
    pressure_line,
    standing_title,
    standing_words,
    sure_lines,
    time_line,
    work_line,
)

#: Places, refused ones and warnings that the sheet has room for.
MOST, MOST_REFUSED, MOST_WARNINGS = 5, 2, 3
#: Rows of the table that are kept where the words are many, and the least height of the plan [mm].
LEAST_ROWS, LEAST_PLAN_MM = 3, 36.0
#: Height that is left for plan, answer, reasons and columns on one page [mm].
ROOM_MM = 168.0


def render_sheet(answer: ParkAnswer) -> str:
    """Return the sheet as text; the plan takes the height that the words leave on one page."""
    job, best = answer.job, answer.best
    units = job.farm.units
    lines = [line for line in answer_lines(answer) if line]
    head, rows = table_of(answer, MOST) if answer.places else ([], [])
    stands = next((one for one in answer.places if one.stands is not None), None)
    told = [pressure_line(job), time_line(job)]
    if stands is not None and stands.stands is not None:
        told = [*standing_words(stands.stands, units), *told, work_line(stands)]
    others = [] if best is None else [other_words(one, answer) for one in answer.others]
    refused = refused_words(answer)[: MOST_REFUSED if rows else MOST]
    warnings = [note_words(one) for one in answer.notes if one.kind == "warned"][:MOST_WARNINGS]
    kept = [one for one in answer.notes if one.kind == "assumed" and "distance kept from" in one.what]
    assumed = ["; ".join(f"{one.what.split('distance kept from ')[1]} {one.value}" for one in kept)] if kept else []
    sides = [*told, *others, *sure_lines(answer), *refused, *warnings, *assumed]
    while len(rows) > LEAST_ROWS and plan_height_mm(lines, [row[-1] for row in rows], sides) <= LEAST_PLAN_MM:
        rows = rows[:-1]  # the page shows them all
    return (
        template_environment()
        .from_string(packaged("park_sheet.html"))
        .render(
            farm=job.farm.title,
            title=f"{'Parking' if job.heap is None else 'Heap'} in {job.field.key}",
            basis=basis_line(answer),
            lines=lines,
            map=sheet_picture(answer, 186.0, plan_height_mm(lines, [row[-1] for row in rows], sides), MOST),
            head=head,
            rows=rows,
            standing=told,
            standing_title=("Standing" if job.heap is None else "The heap")
            if stands is None
            else standing_title(stands, answer.places[0]),
            others=others,
            sure=sure_lines(answer),
            refused=refused,
            warnings=warnings,
            assumed=assumed,
            cautions=[one.text for one in cautions_of(job)],
        )
    )


def plan_height_mm(lines: Sequence[str], reasons: Sequence[str], sides: Sequence[str]) -> float:
    """Return the height of the plan [mm]: what the answer, the reasons of the table and the two columns leave of a page.

    Examples
    --------
    >>> plan_height_mm(["short"], ["best"], ["short"]), plan_height_mm(["long " * 100], ["long " * 60], ["long " * 900])
    (75.0, 36.0)
    """
    used = 4.6 * _rows(lines, 106) + 3.4 * _rows(reasons, 54) + 3.3 * _rows(sides, 61) / 2
    return min(75.0, max(LEAST_PLAN_MM, ROOM_MM - used))


def _rows(texts: Sequence[str], wide: int) -> int:
    """Return about how many rows texts take in a column so many letters wide."""
    return sum(math.ceil(len(one) / wide) for one in texts)
