"""Other ways than one trailer in one place: moved once in mid-job, two trailers, on the hard track, let down.

None of them is assumed to be better: each is driven and judged like the places.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.park import Weighed, away_s, weighed
from trafficplan.decide.park_job import ParkJob, bring
from trafficplan.decide.park_place import Candidate, front_limits, nearest_miss, roads_of, served_limits, words_of
from trafficplan.decide.park_time import LEAST_KG, waiting_s
from trafficplan.decide.pressure import Question, pressures_for, rows_of
from trafficplan.decide.trip import Leg
from trafficplan.errors import InputError
from trafficplan.farm import defaults
from trafficplan.names import WORK
from trafficplan.routes.access import yard_of
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.parking_way import drive_between, drive_of, loads_of
from trafficplan.routes.passes import Drive
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import pressure_text
from trafficplan.whatif import Before, judge

Floats = NDArray[np.float64]

#: Places among which a second one is looked for, pairs that are driven, and how far apart the end of a load may lie in
#: the drives to both [m] (ours).
AMONG, PAIRS, SAME_END_M = 8, 3, 5.0


@dataclass(frozen=True)
class Other:
    """One other way, told against the best place.

    Attributes
    ----------
    key : "moved once", "two trailers", "hard track", "let down" or "no trailer"
    words : what is done
    possible : it can be done; else `why`
    minutes, km, lasting_m2, likely_m2 : as of a place
    numbers : of the places used
    """

    key: str
    words: str
    possible: bool
    why: str = ""
    minutes: float = 0.0
    km: float = 0.0
    lasting_m2: float = 0.0
    likely_m2: float = 0.0
    numbers: tuple[int, ...] = ()


def others(
    job: ParkJob, before: Before, places: Sequence[Weighed], refused: Sequence[Candidate], units: Sequence[SoilUnit]
) -> tuple[Other, ...]:
    """Return all other ways; `places` are those that may be used, the best first, `refused` those that may not."""
    return (
        hard_track(places, refused, job.heap is not None),
        moved_once(job, before, places),
        two_trailers(job, places),
        let_down(job, before, places, units),
        no_trailer(job, before),
    )


def _of(key: str, words: str, one: Weighed) -> Other:
    return Other(key, words, True, "", one.minutes, one.km, one.lasting_m2, one.likely_m2, (one.candidate.number,))


def hard_track(places: Sequence[Weighed], refused: Sequence[Candidate], heap: bool = False) -> Other:
    """Return the best place on a hard track or in a yard: leave it there and drive further."""
    found = [one for one in places if not one.candidate.spot.on_field]
    words = "leave it on the hard track and drive further"
    if heap:
        words = "put the heap in a yard and drive further"
    if found:
        return _of("hard track", f"{words}: {found[0].candidate.words}", found[0])
    hard = [one for one in refused if not one.spot.on_field]
    if not hard:
        where = "yard" if heap else "yard and no hard track near the field"
        return Other("hard track", words, False, f"no {where} is on the farm's map")
    miss = nearest_miss(hard)
    failed = miss.failed if miss else ()
    why = f"none keeps its limits; the nearest misses {failed[0].what}" if failed else "none can be reached"
    return Other("hard track", words, False, why)


def two_trailers(job: ParkJob, places: Sequence[Weighed]) -> Other:
    """Return the best place for two trailers in turn, the same ways and less waiting: it need not be the best for one."""
    if job.heap is not None:
        return Other("two trailers", "two trailers in turn", False, "nobody waits for a trailer at a heap")
    if places[0].trailer_trips < 2:
        why = "one trailer load does for the whole job"
        return Other("two trailers", f"two trailers in turn {places[0].candidate.words}", False, why)
    found = []
    for one in places:
        wait = waiting_s(one.refills, job.trailer_kg, away_s(job, one.candidate), 2)
        words = f"two trailers in turn {one.candidate.words}"
        found.append(replace(_of("two trailers", words, one), minutes=one.minutes - (one.wait_s - wait) / 60))
    return min(found, key=lambda one: round(one.lasting_m2 + job.minute_m2 * one.minutes, 3))


def ways_m(one: Weighed) -> Floats:
    """Return the length of the way to each refill and back to work [m]."""
    drive = one.served
    step = np.append(np.hypot(*np.diff(drive.xy, axis=0).T), 0.0)
    work = drive.leg == WORK
    along = np.cumsum(step) - step
    found = []
    for vertex in one.refills.vertices:
        before, after = np.flatnonzero(work[:vertex]), np.flatnonzero(work[vertex:])
        start = along[before[-1] + 1] if len(before) else along[0]
        end = along[vertex + after[0]] if len(after) else along[-1]
        found.append(float(end - start))
    return np.array(found)


def ends_of_loads(one: Weighed) -> list[int]:
    """Return the vertex at which work ends before each refill; -1 before the first work."""
    work = one.served.leg == WORK
    found = []
    for vertex in one.refills.vertices:
        before = np.flatnonzero(work[:vertex])
        found.append(int(before[-1]) + 1 if len(before) else -1)
    return found


def spliced(a: Weighed, b: Weighed, k: int) -> Drive | None:
    """Return the drive that uses place a for the first k refills and b from then on; None where the ends of that load
    lie apart in the two drives.
    """
    i, j = ends_of_loads(a)[k], ends_of_loads(b)[k]
    if i < 0 or j < 0 or np.hypot(*(a.served.xy[i] - b.served.xy[j])) > SAME_END_M:
        return None
    if abs(a.served.load_kg[i] - b.served.load_kg[j]) > 1.0:
        return None
    first, then = a.served, b.served
    return replace(
        first,
        xy=np.concatenate([first.xy[:i], then.xy[j:]]),
        time_s=np.concatenate([first.time_s[:i], then.time_s[j:] - then.time_s[j] + first.time_s[i]]),
        load_kg=np.concatenate([first.load_kg[:i], then.load_kg[j:]]),
        leg=np.concatenate([first.leg[:i], then.leg[j:]]),
        furrow=np.concatenate([first.furrow[:i], then.furrow[j:]]),
    )


def moved_once(job: ParkJob, before: Before, places: Sequence[Weighed]) -> Other:
    """Return the best pair of places, the trailer moved from one to the other in mid-job.

    Pairs are chosen by the time on the ways to the refills and of the trailer; the best few are driven and judged.
    """
    words = "moved once in mid-job" if job.heap is None else "two heaps"
    among = [one for one in places if one.trips > 1][:AMONG]
    field_first = [one for one in places if one.candidate.spot.on_field and one.trips > 1][:AMONG]
    among = list({one.candidate.number: one for one in [*among, *field_first]}.values())
    pairs: list[tuple[float, Weighed, Weighed, int]] = []
    lengths = {one.candidate.number: ways_m(one) for one in among}
    for a, b in itertools.permutations(among, 2):
        count = min(len(lengths[a.candidate.number]), len(lengths[b.candidate.number]))
        for k in range(1, count):
            first, then = lengths[a.candidate.number][:k].sum(), lengths[b.candidate.number][k:].sum()
            trailer = _trips_s(job, a, float(a.refills.amounts_kg[:k].sum()))
            trailer += _trips_s(job, b, float(b.refills.amounts_kg[k:].sum()))
            pairs.append(((first + then) / job.served.field_m_s + trailer, a, b, k))
    pairs.sort(key=lambda one: (one[0], one[1].candidate.number, one[2].candidate.number, one[3]))
    done: list[Other] = []
    tried: set[tuple[int, int]] = set()
    for _, a, b, k in pairs:
        key = (a.candidate.number, b.candidate.number)
        if key in tried:
            continue
        found = _moved(job, before, a, b, k)
        if found is not None:
            tried.add(key)
            done.append(found)
        if len(done) >= PAIRS:
            break
    if not done:
        why = "one refill does for the job" if not among else "no two places fit together"
        return Other("moved once", words, False, why)
    return min(done, key=lambda one: one.lasting_m2 + job.minute_m2 * one.minutes)


def _trips_s(job: ParkJob, one: Weighed, load_kg: float) -> float:
    """Return how long the trailer drives to bring (or fetch) so much at a place [s]."""
    trip = one.candidate.trip
    assert trip is not None
    once = trip.road_m / job.trailer.track_m_s + trip.field_m / job.trailer.field_m_s
    return once * len(loads_of(load_kg, job.trailer_kg, job.fills))


def _moved(job: ParkJob, before: Before, a: Weighed, b: Weighed, k: int) -> Other | None:
    served = spliced(a, b, k)
    if served is None:
        return None
    first_kg = float(a.refills.amounts_kg[:k].sum())
    rest_kg = float(b.refills.amounts_kg[k:].sum())
    brings = moved_loads(job, a, b, first_kg, rest_kg)
    own = bring(job)
    try:
        score = judge(job.farm, before, [*((own, one) for one in brings), (job.operation, served)])
    except InputError:
        return None
    refills = replace(
        a.refills,
        times_s=np.concatenate([a.refills.times_s[:k], b.refills.times_s[k:]]),
        amounts_kg=np.concatenate([a.refills.amounts_kg[:k], b.refills.amounts_kg[k:]]),
        vertices=np.concatenate([a.refills.vertices[:k], b.refills.vertices[k:]]),
    )
    away = max(away_s(job, a.candidate), away_s(job, b.candidate))
    wait = 0.0 if job.heap is not None else waiting_s(refills, job.trailer_kg, away, 1)
    seconds = float(served.time_s[-1]) + wait + sum(float(one.time_s[-1]) for one in brings)
    km = sum(float(np.hypot(*np.diff(one.xy, axis=0).T).sum()) for one in [served, *brings]) / 1e3
    words = (
        f"{'moved once: first' if job.heap is None else 'two heaps:'} {a.candidate.words} for {k} {'unloading' if job.fills else 'refill'}"
        f"{'' if k == 1 else 's'}, then {b.candidate.words}"
    )
    return Other(
        "moved once", words, True, "", seconds / 60, km, score.lasting_more_ha * 1e4, score.deep_more_ha * 1e4,
        (a.candidate.number, b.candidate.number),
    )  # fmt: skip


def moved_loads(job: ParkJob, a: Weighed, b: Weighed, first_kg: float, rest_kg: float) -> list[Drive]:
    """Return the trailer's drives to both places: full loads to the one, the load that the move falls into straight from
    there to the other, the rest to the other.
    """
    roads, key, full = roads_of(job), bring(job).key, job.trailer_kg
    one, two = a.candidate.trip, b.candidate.trip
    assert one is not None and two is not None
    before = math.floor(first_kg / full + 1e-9)
    at_first = first_kg - before * full  # what the moved load gives (or takes) at the first place
    found = [drive_of(roads, one, loads_of(before * full, full, job.fills), key)] if before else []
    if at_first > LEAST_KG:
        at_second = min(full - at_first, rest_kg)
        rest_kg -= at_second
        whole = at_first + at_second
        loads = (0.0, at_first, whole) if job.fills else (whole, at_second, 0.0)
        found.append(drive_between(roads, one, two, loads, key))
    if rest_kg > LEAST_KG:
        found.append(drive_of(roads, two, loads_of(rest_kg, full, job.fills), key))
    return found


def let_down(job: ParkJob, before: Before, places: Sequence[Weighed], units: Sequence[SoilUnit]) -> Other:
    """Return the best place on the field with the trailer's outfit let down to what its tyres' tables allow there."""
    words = "the trailer's tyres let down before the field"
    best = next((one for one in places if one.candidate.spot.on_field), None)
    if best is None:
        return Other("let down", words, False, "the trailer does not go on the field")
    words = f"{words} ({best.candidate.words})"
    trailer = job.trailer
    legs = (Leg("field", trailer.field_m_s, True), Leg("track", trailer.track_m_s, False))
    tillage = max(0.0, job.field.tillage_depth_m)
    judged = round(tillage + 0.05, 3) if tillage else 0.3
    rows = rows_of(
        Question(trailer, job.farm.tyre_tables, job.trailer_kg, legs, tuple(units), np.array([0.2, judged, 0.5]),
                 tillage, 0.0, judged, job.tension_pa)
    )  # fmt: skip
    named = [one for one in rows if one.field_pa is not None and one.can_change()]
    if not named:
        return Other(
            "let down", words, False, "no maker's table for its tyres, or no axle whose pressure can be changed"
        )
    lower = dict(zip([one.axle.key for one in rows], pressures_for(rows, "field"), strict=True))
    pressures = {
        one.axle.key: min(lower[one.axle.key], one.axle.track_pa)
        if one.field_pa is not None and one.can_change()
        else one.axle.track_pa
        for one in rows
    }
    own = replace(bring(job), pressures_pa=pressures)
    score = judge(job.farm, before, [(own, best.brings), (job.operation, best.served)])
    told = ", ".join(f"{one.axle.key} {pressure_text(pressures[one.axle.key])}" for one in named)
    minutes = 2 * sum(one.axle.adjust_min for one in named) * best.trailer_trips
    return Other(
        "let down", f"{words}: {told}", True, "", best.minutes + minutes, best.km, score.lasting_more_ha * 1e4,
        score.deep_more_ha * 1e4, (best.candidate.number,),
    )  # fmt: skip


def no_trailer(job: ParkJob, before: Before) -> Other:
    """Return the job without the trailer: the served outfit drives to the yard itself with every load."""
    words = f"no {job.thing} at all, {job.served.title} drives to the yard itself"
    yard = yard_of(job.farm.places)
    if yard is None:
        return Other("no trailer", words, False, "no yard is on the farm's map")
    # the yard as a point: every trip is driven over the tracks, as to a trailer that stands there
    choice = Choice(fill_xy=yard, fill_s=60.0 * defaults.number("fill_min", job.farm.defaults))
    try:
        served = plan_drive(job.field, job.operation, job.served, job.farm.tracks, job.farm.places, choice)
        score = judge(job.farm, before, [(job.operation, served)])
    except InputError as error:
        return Other("no trailer", words, False, words_of(error))
    missed = [one for one in (*served_limits(job, served), *front_limits(job, None)) if not one.kept]
    if missed:
        return Other("no trailer", words, False, f"it misses {missed[0].what}")
    km = float(np.hypot(*np.diff(served.xy, axis=0).T).sum()) / 1e3
    lasting, likely = score.lasting_more_ha * 1e4, score.deep_more_ha * 1e4
    return Other("no trailer", words, True, "", float(served.time_s[-1]) / 60, km, lasting, likely)


def with_job(one: Weighed, job: ParkJob, before: Before) -> Weighed:
    """Return a place judged again for a changed job: other moisture, or another trailer load."""
    loads = loads_of(job.need_kg, job.trailer_kg, job.fills)
    assert one.candidate.trip is not None
    brings = drive_of(roads_of(job), one.candidate.trip, loads, bring(job).key)
    return weighed(job, before, one.candidate, one.served, brings)
