"""The whole answer about parking: places in their order, what is refused and why, other ways, how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from trafficplan.decide.park import Weighed, ranked
from trafficplan.decide.park_job import ParkJob, Uncoupling, farm_notes, uncoupling
from trafficplan.decide.park_others import Other, others
from trafficplan.decide.park_place import Candidate, candidates, nearest_miss, words_of
from trafficplan.decide.park_sure import Sure, sure
from trafficplan.errors import InputError
from trafficplan.names import Note
from trafficplan.whatif import Before

#: Judges places; the same order, an error where one cannot be driven.
WeighAll = Callable[[ParkJob, Before, Sequence[Candidate]], list[Weighed | InputError]]


@dataclass(frozen=True)
class ParkAnswer:
    """What is told.

    Attributes
    ----------
    places : that keep every limit, the best first; empty where none does
    refused : the others, those that miss by the least first
    others, sure : None where there is no place
    """

    job: ParkJob
    uncoupling: Uncoupling
    places: tuple[Weighed, ...]
    refused: tuple[Candidate, ...]
    others: tuple[Other, ...]
    sure: Sure | None
    notes: tuple[Note, ...]

    @property
    def best(self) -> Weighed | None:
        """The place that is advised."""
        return self.places[0] if self.places else None

    @property
    def nearest(self) -> Candidate | None:
        """The refused place that misses by the least."""
        return self.refused[0] if self.refused else None


def answer_of(job: ParkJob, before: Before, weigh_all: WeighAll) -> ParkAnswer:
    """Return the whole answer.

    Parameters
    ----------
    before : the field just before the day
    weigh_all : judges places, one after the other or over processes

    Raises
    ------
    InputError
        The job cannot be driven with any of the places that keep all limits.
    """
    coupling, notes = uncoupling(job)
    if job.uncoupled and not coupling.allowed:
        job = replace(job, uncoupled=False)
    listed, more = candidates(job)
    legal = [one for one in listed if one.legal]
    found = weigh_all(job, before, legal)
    errors = [one for one in found if isinstance(one, InputError)]
    if errors and len(errors) == len(found):
        raise errors[0]
    refused = [one for one in listed if not one.legal]
    weighed: list[Weighed] = []
    for candidate, one in zip(legal, found, strict=True):
        if isinstance(one, InputError):
            refused.append(replace(candidate, trip=None, problem=words_of(one)))
        elif not one.candidate.legal:  # the served outfit may not go there
            refused.append(one.candidate)
        else:
            weighed.append(one)
    places = tuple(ranked(weighed, job.minute_m2))
    refused.sort(key=lambda one: (one.missing, one.number))
    assert not refused or nearest_miss(refused) == refused[0]
    gathered = [*job.notes, *notes, *more, *farm_notes(job)]
    for one in places[:1]:
        gathered += [*one.warnings, *one.served.notes]
    if not places:
        return ParkAnswer(job, coupling, (), tuple(refused), (), None, tuple(dict.fromkeys(gathered)))
    laid = before.laid
    units = [job.farm.soil_units[unit] for unit in laid.ground.units]
    return ParkAnswer(
        job,
        coupling,
        places,
        tuple(refused),
        others(job, before, places, refused, units),
        sure(job, before, places, job.minute_m2),
        tuple(dict.fromkeys([*gathered, *laid.notes])),
    )
