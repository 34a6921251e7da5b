"""The answer about parking as one A4 page to print: where, why, a plan, what else, cautions. Needs no network."""

from __future__ import annotations

from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.report.page import packaged, template_environment
from trafficplan.report.park_picture import sheet_picture
from trafficplan.report.park_result import cautions_of
from trafficplan.report.park_text import basis_line, table_of
from trafficplan.report.park_words import (
    answer_lines,
    note_words,
    other_words,
    pressure_line,
    refusal,
    standing_words,
    sure_lines,
    time_line,
    work_line,
)

#: Places, refused ones and warnings that the sheet has room for.
MOST, MOST_REFUSED, MOST_WARNINGS = 5, 2, 3


def render_sheet(answer: ParkAnswer) -> str:
    """Return the sheet as text."""
    job = answer.job
    lines = [line for line in answer_lines(answer) if line]
    head, rows = table_of(answer, MOST) if answer.places else ([], [])
    stands = next((one for one in answer.places if one.stands is not None), None)
    told = [pressure_line(job), time_line()]
    if stands is not None and stands.stands is not None:
        told = [*standing_words(stands.stands, job.farm.units), *told, work_line(stands)]
    best = answer.best
    return (
        template_environment()
        .from_string(packaged("park_sheet.html"))
        .render(
            farm=job.farm.title,
            title=f"Parking in {job.field.key}",
            basis=basis_line(answer),
            lines=lines,
            map=sheet_picture(answer, 186.0, 62.0, MOST),
            head=head,
            rows=rows,
            standing=told,
            standing_at="" if stands is None else f" at place {stands.candidate.number}",
            others=[] if best is None else [other_words(one, best, job.farm.units) for one in answer.others],
            sure=sure_lines(answer),
            refused=[
                f"place {one.number}, {one.words}: {refusal(one, job.farm.units)}"
                for one in answer.refused[:MOST_REFUSED]
            ],
            warnings=[note_words(one) for one in answer.notes if one.kind == "warned"][:MOST_WARNINGS],
            assumed=[
                f"{one.what} {one.value}" for one in answer.notes if one.kind == "assumed" and "distance" in one.what
            ],
            cautions=[one.text for one in cautions_of()],
        )
    )
