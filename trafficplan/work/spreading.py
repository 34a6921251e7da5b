"""Spreading plans from the question to the answer: fields one after the other, ways of doing the job over processes."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from string import ascii_uppercase

from trafficplan.chain import Plan
from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.spread import Candidate, SpreadJob, drive_of, judged
from trafficplan.decide.spread_plan import FieldPlan, Share, cab_plan, day_of, where_it_smears
from trafficplan.decide.weighing import shortlist
from trafficplan.errors import InputError, Problem
from trafficplan.names import Note
from trafficplan.report.spread_result import reason
from trafficplan.whatif import Before, season_before
from trafficplan.work.alternatives import try_all

#: Called with the field, the share of all that is done, seconds since the start, and the best so far.
Told = Callable[[str, float, float, Alternative | None], None]


@dataclass(frozen=True)
class SpreadPlans:
    """The plans of all fields asked for, and the order in which they fit the day.

    Attributes
    ----------
    unplanned : fields that an interrupt left out
    failed : field -> why it cannot be driven
    """

    fields: tuple[FieldPlan, ...]
    day: tuple[Share, ...]
    hours: float | None
    unplanned: tuple[str, ...] = ()
    failed: Mapping[str, tuple[Problem, ...]] = field(default_factory=dict)

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything assumed and warned of, once."""
        return tuple(dict.fromkeys(note for one in self.fields for note in one.notes))


def plan_fields(
    jobs: Sequence[SpreadJob],
    plan: Plan,
    count: int,
    most: int,
    hours: float | None,
    workers: int | None,
    told: Told = lambda _field, _share, _seconds, _best: None,
) -> SpreadPlans:
    """Plan the job on each field, on top of its season before the day.

    Parameters
    ----------
    plan : cell and depths; count : length of the short list; most : ways that are tried at most
    hours : time there is for all fields, None: no limit

    Raises
    ------
    InputError
        What is done now cannot be driven on any of the fields.
    """
    done: list[FieldPlan] = []
    failed: dict[str, tuple[Problem, ...]] = {}
    for i, job in enumerate(jobs):

        def told_here(share: float, seconds: float, best: Alternative | None, job: SpreadJob = job, i: int = i) -> None:
            told(job.field.key, (i + share) / len(jobs), seconds, best)

        try:
            done.append(_plan_field(job, plan, count, most, hours if len(jobs) == 1 else None, workers, told_here))
        except KeyboardInterrupt:
            if not done:
                raise
            break
        except InputError as error:
            failed[job.field.key] = tuple(error.problems)
            continue
        if not done[-1].whole:
            break
    if not done:
        raise InputError([problem for problems in failed.values() for problem in problems])
    known = {*(one.field for one in done), *failed}
    unplanned = tuple(job.field.key for job in jobs if job.field.key not in known)
    return SpreadPlans(tuple(done), day_of(done, hours), hours, unplanned, failed)


def _plan_field(
    job: SpreadJob,
    plan: Plan,
    count: int,
    most: int,
    hours: float | None,
    workers: int | None,
    told: Callable[[float, float, Alternative | None], None],
) -> FieldPlan:
    start = time.perf_counter()
    before = season_before(job.farm, job.farm.scenarios["base"], job.field, plan, job.operation.day)
    tried = try_all(job, before, most, workers, hours, told)
    short = shortlist(tried.alternatives, job.field.polygon.area / 1e4, count, job.hour_ha, hours)
    candidates = {letter: tried.candidates[one.key] for letter, one in zip(ascii_uppercase, short, strict=False)}
    chosen = [replace(one, key=letter) for letter, one in zip(ascii_uppercase, short, strict=False)]
    best = next(one for one in chosen if one.recommended)
    base = next(one for one in chosen if one.baseline)
    drive = drive_of(job, candidates[best.key])
    smears, all_told = ({}, True) if job.operation.moisture else _smears(job, before, candidates)
    refused = Counter(error.problems[0].what for _, error in tried.refused)
    cab = cab_plan(job, candidates[best.key], best, drive)
    notes = [*cab.notes, *before.laid.notes]
    return FieldPlan(
        job, tuple(chosen), smears, candidates, reason(best, base, job.farm.units), cab,
        len(tried.alternatives), tuple(refused.most_common()), tried.whole and all_told, time.perf_counter() - start,
        tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _smears(job: SpreadJob, before: Before, candidates: Mapping[str, Candidate]) -> tuple[dict[str, Alternative], bool]:
    """Return the short list where the soil smears: what people need to know when the moisture is only assumed.

    An interrupt keeps what was judged; then the second is False.
    """
    out: dict[str, Alternative] = {}
    try:
        for letter, candidate in candidates.items():
            answer = judged(job, before, where_it_smears(candidate))
            if isinstance(answer, Alternative):
                out[letter] = answer
    except KeyboardInterrupt:
        return out, False
    return out, True
