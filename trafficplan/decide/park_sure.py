"""How sure the choice of a place is: wetter or drier soil, a lighter or heavier trailer, another worth of time, rain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from trafficplan.decide.park import Weighed, ranked
from trafficplan.decide.park_job import ParkJob, top_word_of
from trafficplan.decide.park_others import with_job
from trafficplan.decide.park_stands import Away, get_away, wetter
from trafficplan.decide.trip import most_within_plates
from trafficplan.farm.elevation import slopes_within
from trafficplan.farm.operation import Moisture
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.whatif import Before

#: Places that are judged again, besides the best one outside the field; trailer loads tried, as shares (ours).
AGAIN, LOADS = 3, (0.7, 1.2)


@dataclass(frozen=True)
class Sure:
    """How the choice changes.

    Attributes
    ----------
    words : hand-test word -> numbers of places, the best first, and their lasting damage [m2]
    loads : trailer load [kg] -> the same
    holds_words : words for which the best place stays the best
    minutes_m2 : from which to which worth of a minute [m2] it stays the best among all
    away : getting away loaded from the field, on the soil of the day and after a day's rain
    """

    words: Mapping[str, tuple[tuple[int, float], ...]]
    loads: Mapping[float, tuple[tuple[int, float], ...]]
    holds_words: tuple[str, ...]
    minutes_m2: tuple[float, float]
    away: tuple[Away, ...]


def sure(job: ParkJob, before: Before, places: Sequence[Weighed], minute_m2: float) -> Sure:
    """Return how sure the choice among places (the best first) is."""
    again = again_of(places)
    best = places[0].candidate.number
    known = tuple((one.candidate.number, one.lasting_m2) for one in ranked(again, minute_m2))
    words = {}
    for word in HAND_TEST:
        if job.operation.moisture is not None and same_word(job, word):
            words[word] = known
            continue
        tension = HAND_TEST[word]
        changed = replace(job, operation=replace(job.operation, moisture=Moisture(tension, tension, word)))
        words[word] = _order(changed, before, again, minute_m2)
    most = most_within_plates(job.trailer, LOADS[-1] * job.trailer_kg)
    loads = {job.trailer_kg: known}
    for share in LOADS:
        load = min(share * job.trailer_kg, max(most, job.trailer_kg))
        if abs(load - job.trailer_kg) > 100.0:
            loads[load] = _order(replace(job, trailer_kg=load), before, again, minute_m2)
    return Sure(
        words,
        loads,
        tuple(word for word, order in words.items() if order[0][0] == best),
        worth_range(places),
        leaving(job),
    )


def same_word(job: ParkJob, word: str) -> bool:
    """Return whether the job is told for exactly the tension that a word stands for."""
    return all(abs(one - HAND_TEST[word]) < 1.0 for one in job.tension_pa)


def again_of(places: Sequence[Weighed]) -> list[Weighed]:
    """Return the places that are judged again: the best outside the field and the best few on it."""
    outside = [one for one in places if not one.candidate.spot.on_field][:1]
    inside = [one for one in places if one.candidate.spot.on_field][:AGAIN]
    return sorted([*outside, *inside], key=places.index)


def _order(job: ParkJob, before: Before, again: Sequence[Weighed], minute_m2: float) -> tuple[tuple[int, float], ...]:
    found = ranked([with_job(one, job, before) for one in again], minute_m2)
    return tuple((one.candidate.number, one.lasting_m2) for one in found)


def worth_range(places: Sequence[Weighed]) -> tuple[float, float]:
    """Return from which to which worth of a minute [m2] the first place stays the best; the end may be inf."""
    best, low, high = places[0], 0.0, math.inf
    for one in places[1:]:
        minutes, ground = one.minutes - best.minutes, one.lasting_m2 - best.lasting_m2
        if minutes < -1e-9:  # quicker, but worse for the ground: better from some worth on
            high = min(high, ground / -minutes)
        elif minutes > 1e-9:  # better for the ground, but slower: better up to some worth
            low = max(low, -ground / minutes)
    return low, max(low, high)


def leaving(job: ParkJob) -> tuple[Away, ...]:
    """Return how the loaded outfit gets away from the field on the day and after a day's rain."""
    steepest = 0.0
    if job.farm.elevation is not None:
        found = slopes_within(job.farm.elevation, job.field.polygon)
        steepest = float(found.max()) if len(found) else 0.0
    word = top_word_of(job)
    told = dict.fromkeys([word, wetter(word)])
    return tuple(get_away(job.trailer, job.trailer_kg, one, steepest) for one in told)
