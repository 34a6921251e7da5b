"""Places to park judged over processes."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from trafficplan.decide.park import Weighed, weigh
from trafficplan.decide.park_job import ParkJob
from trafficplan.decide.park_place import Candidate
from trafficplan.errors import InputError
from trafficplan.whatif import Before
from trafficplan.work.pool import in_processes

#: Fewer places than this are judged in this process: starting others takes longer.
LEAST = 12


def weigh_all(
    job: ParkJob,
    before: Before,
    places: Sequence[Candidate],
    workers: int | None = None,
    told: Callable[[int], None] = lambda _done: None,
) -> list[Weighed | InputError]:
    """Return what each place does, in the order given, or why it cannot be driven.

    Parameters
    ----------
    workers : processes; None: one per core, or none for few places
    told : called with how many are done
    """
    count = workers or (os.cpu_count() or 1 if len(places) >= LEAST else 1)
    found: list[Weighed | InputError | None] = [None] * len(places)
    for done, (place, one) in enumerate(in_processes(_one, (job, before), list(places), count), 1):
        found[place] = one
        told(done)
    return [one for one in found if one is not None]


def _one(shared: tuple[ParkJob, Before], place: Candidate) -> Weighed | InputError:
    return weigh(*shared, place)
