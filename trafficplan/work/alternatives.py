"""Alternatives judged over processes: the best so far is known at every moment, and an interrupt keeps it."""

from __future__ import annotations

import itertools
import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.spread import ROUTES_KEPT, Candidate, SpreadJob, judged, loads, routes
from trafficplan.decide.weighing import advised, covering, unbeaten
from trafficplan.errors import InputError
from trafficplan.routes.passes import Drive
from trafficplan.whatif import Before
from trafficplan.work.pool import sharing

#: Called with the share that is done, seconds since the start, and the best so far.
Told = Callable[[float, float, Alternative | None], None]
Judged = Alternative | InputError


@dataclass(frozen=True)
class Tried:
    """What was judged: alternatives (the baseline first), their candidates by key, and what could not be driven.

    `whole` is False where an interrupt cut it short.
    """

    alternatives: tuple[Alternative, ...]
    candidates: dict[str, Candidate]
    refused: tuple[tuple[Candidate, InputError], ...]
    whole: bool


def try_all(job: SpreadJob, before: Before, most: int, workers: int | None, hours: float | None, told: Told) -> Tried:
    """Judge up to `most` ways of doing a job: first every way of driving, then the best with other loads and pressures.

    Raises
    ------
    InputError
        What is done now cannot be driven: then nothing can be compared.
    """
    count = workers or os.cpu_count() or 1
    start = time.perf_counter()
    found: dict[str, tuple[Candidate, Judged]] = {}
    field_ha = job.field.polygon.area / 1e4
    ways = routes(job)[:most]
    whole = True

    def say(done: int, planned: int, phase: float) -> None:
        told(phase + 0.5 * done / max(1, planned), time.perf_counter() - start, _best(job, found, hours))

    try:
        with sharing(_judge_group, (job, before), count) as each:
            for done in _judge(each, ways, found):
                say(done, len(ways), 0.0)
            base = found[ways[0].key][1]
            if isinstance(base, InputError):
                raise base
            more = loads(job, _kept(found, field_ha), len(ways) + 1)[: most - len(ways)]
            for done in _judge(each, more, found):
                say(done, len(more), 0.5)
    except KeyboardInterrupt:
        if ways[0].key not in found or isinstance(found[ways[0].key][1], InputError):
            raise  # without what is done now nothing can be compared
        whole = False
    alternatives = _alternatives(found)
    refused = tuple((one, judged) for one, judged in found.values() if isinstance(judged, InputError))
    return Tried(tuple(alternatives), {key: one for key, (one, _) in found.items()}, refused, whole)


def _judge(
    each: Callable[[Sequence[list[Candidate]]], Iterator[tuple[int, list[Judged]]]],
    candidates: Sequence[Candidate],
    found: dict[str, tuple[Candidate, Judged]],
) -> Iterator[int]:
    """Judge candidates into `found` and yield how many are done; those that share their drive go together."""
    groups = [list(group) for _, group in itertools.groupby(candidates, key=_way)]
    done = 0
    for place, answers in each(groups):
        for candidate, answer in zip(groups[place], answers, strict=True):
            found[candidate.key] = candidate, answer
        done += len(answers)
        yield done


def _way(candidate: Candidate) -> tuple[object, ...]:
    operation = candidate.operation
    return operation.heading_deg, operation.gateway, operation.load_kg, candidate.choice


def _judge_group(shared: tuple[SpreadJob, Before], candidates: list[Candidate]) -> list[Judged]:
    known: dict[object, Drive] = {}
    return [judged(*shared, candidate, known) for candidate in candidates]


def _alternatives(found: dict[str, tuple[Candidate, Judged]]) -> list[Alternative]:
    """Return what could be judged, in the order of the candidates."""
    ordered = sorted(found.items(), key=lambda item: int(item[0]))
    return [answer for _, (_, answer) in ordered if isinstance(answer, Alternative)]


def _best(job: SpreadJob, found: dict[str, tuple[Candidate, Judged]], hours: float | None) -> Alternative | None:
    so_far = _alternatives(found)
    if not so_far or so_far[0].key != "1":  # what is done now comes first
        return None
    return advised(covering(so_far, so_far[0], job.field.polygon.area / 1e4), job.hour_ha, hours)


def _kept(found: dict[str, tuple[Candidate, Judged]], field_ha: float) -> list[Candidate]:
    """Return the ways of driving that are tried with other loads: those that nothing beats, fewest hectares first."""
    so_far = _alternatives(found)
    standing = unbeaten(covering(so_far, so_far[0], field_ha))
    standing.sort(key=lambda one: (one.lasting_more_ha, one.hours))
    return [found[one.key][0] for one in standing[:ROUTES_KEPT]]
