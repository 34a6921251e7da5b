"""The answer about parking as data (--json)."""

from __future__ import annotations

import math
from typing import Any

from trafficplan.decide.park import Weighed
from trafficplan.decide.park_answer import ParkAnswer
from trafficplan.decide.park_job import ParkJob
from trafficplan.decide.park_others import Other
from trafficplan.decide.park_place import Candidate
from trafficplan.decide.park_stands import Standing, Stress
from trafficplan.report.cautions import Caution, cautions_for
from trafficplan.report.park_words import against, answer_lines, draws, note_words, other_words, refusal
from trafficplan.routes.parking_limits import Limit
from trafficplan.units import GRAVITY, KPA


def cautions_of(job: ParkJob) -> tuple[Caution, ...]:
    """Return the cautions that an answer about parking, or about a heap, shows."""
    return cautions_for({"parking", "chance", "hitch", "road"} if job.heap is None else {"heap", "chance", "road"})


def result_of(answer: ParkAnswer) -> dict[str, Any]:
    """Return the answer as plain data; names end with their unit."""
    job, best = answer.job, answer.best
    hitch = answer.uncoupling.hitch
    return {
        "answer": answer_lines(answer),
        "field": job.field.key,
        "outfit": job.trailer.key,
        "served": job.served.key,
        "change": job.operation.change,
        "date": job.operation.day.isoformat(),
        "moisture": "" if job.operation.moisture is None else job.operation.moisture.words,
        "tension_top_kpa": round(job.tension_pa[0] / KPA, 2),
        "tension_deep_kpa": round(job.tension_pa[1] / KPA, 2),
        "need_t": round(job.need_kg / 1e3, 3),
        "trailer_load_t": round(job.trailer_kg / 1e3, 3),
        "minute_worth_m2": job.minute_m2,
        "stay_h": None if job.stay_s is None else job.stay_s / 3600,
        "crs": job.farm.crs,
        "heap": _heap(job),
        "uncoupled": job.uncoupled,
        "uncoupling": {
            "allowed": answer.uncoupling.allowed,
            "why": answer.uncoupling.why,
            "hitch_least_kg": None if hitch is None else round(hitch.least_n / GRAVITY, 1),
            "hitch_most_kg": None if hitch is None else round(hitch.most_n / GRAVITY, 1),
        },
        "best": None if best is None else best.candidate.number,
        "places": [_place(answer, one, rank) for rank, one in enumerate(answer.places, 1)],
        "refused": [_refused(answer, one) for one in answer.refused],
        "other_ways": [_other(answer, one) for one in answer.others],
        "sure": _sure(answer),
        "cautions": [one.text for one in cautions_of(job)],
    }


def _heap(job: ParkJob) -> dict[str, Any] | None:
    heap = job.heap
    if heap is None:
        return None
    height = heap.height_m(job.need_kg)
    return {
        "length_m": heap.length_m,
        "width_m": heap.width_m,
        "mean_height_m": None if height is None else round(height, 2),
        "pressure_kpa": round(job.need_kg * GRAVITY / heap.area_m2 / KPA, 2),
    }


def _where(one: Candidate) -> dict[str, Any]:
    pose = one.spot.pose
    return {
        "place": one.number,
        "kind": one.spot.kind,
        "words": one.words,
        "gateway": one.spot.gateway or None,
        "by_gateway": one.gateway,
        "on_field": one.spot.on_field,
        "x_m": round(pose.x, 2),
        "y_m": round(pose.y, 2),
        "heading_deg": round((90.0 - math.degrees(pose.heading)) % 360.0, 1),
    }


def _place(answer: ParkAnswer, one: Weighed, rank: int) -> dict[str, Any]:
    best = answer.places[0]
    score = one.score
    return {
        "rank": rank,
        **_where(one.candidate),
        "reason": draws(answer.job, one) if one is best else against(answer.job, one, best),
        "lasting_expected_added_m2": round(one.lasting_m2, 1),
        "lasting_likely_added_m2": round(one.likely_m2, 1),
        "likely_added_by_zone_m2": {
            zone: round(score.after.over_m2[zone] - score.before.over_m2[zone], 1) for zone in score.after.over_m2
        },
        "lasting_more_than_best_m2": round(one.lasting_m2 - best.lasting_m2, 1),
        "minutes_min": round(one.minutes, 2),
        "more_than_best_min": round(one.minutes - best.minutes, 2),
        "waiting_min": round(one.wait_s / 60, 2),
        "way_km": round(one.km, 3),
        "refills": one.trips,
        "trailer_loads": one.trailer_trips,
        "crossings_of_the_place": one.visits,
        "ways_m2": round(one.crossed_m2, 1),
        "ways_crossed_mean": round(one.crossings, 2),
        "drawn_t_km": round(one.drawn_t_km, 3),
        "worth_m2": round(one.worth_m2(answer.job.minute_m2), 1),
        "standing": None if one.stands is None else _standing(one.stands),
        "warnings": [note_words(note) for note in one.warnings],
        "limits": [_limit(limit) for limit in one.candidate.limits],
    }


def _refused(answer: ParkAnswer, one: Candidate) -> dict[str, Any]:
    return {
        **_where(one),
        "why": refusal(one, answer.job.farm.units),
        "failed": [_limit(limit) for limit in one.failed],
    }


def _limit(limit: Limit) -> dict[str, Any]:
    return {
        "limit": limit.what,
        "found": round(limit.found, 3),
        "needed": round(limit.needed, 3),
        "at_most": limit.at_most,
        "unit": limit.unit,
        "misses_by": round(max(limit.miss, 0.0), 3),
    }


def _standing(one: Standing) -> dict[str, Any]:
    return {
        "soil": one.soil,
        "judged_depth_m": one.judged_m,
        "wheels": [_stress(wheel) for wheel in one.wheels],
        "jack_stand": None if one.jack is None else _stress(one.jack),
        "jack_stand_on_board": None if one.board is None else _stress(one.board),
        "heap": None if one.heap is None else _stress(one.heap),
    }


def _stress(one: Stress) -> dict[str, Any]:
    return {
        "what": one.what,
        "load_kg": round(one.load_n / GRAVITY, 1),
        "contact_area_m2": round(one.area_m2, 4),
        "chance_judged": round(one.judged, 4),
        "depths": [
            {"depth_m": float(depth), "stress_kpa": round(float(stress) / KPA, 2), "chance": round(float(chance), 4)}
            for depth, stress, chance in zip(one.depths_m, one.stress_pa, one.chance, strict=True)
        ],
    }


def _other(answer: ParkAnswer, one: Other) -> dict[str, Any]:
    best = answer.places[0]
    return {
        "way": one.key,
        "words": other_words(one, answer),
        "possible": one.possible,
        "places": list(one.numbers),
        "minutes_min": round(one.minutes, 2) if one.possible else None,
        "more_than_best_min": round(one.minutes - best.minutes, 2) if one.possible else None,
        "way_km": round(one.km, 3) if one.possible else None,
        "lasting_expected_added_m2": round(one.lasting_m2, 1) if one.possible else None,
        "lasting_more_than_best_m2": round(one.lasting_m2 - best.lasting_m2, 1) if one.possible else None,
    }


def _sure(answer: ParkAnswer) -> dict[str, Any] | None:
    found = answer.sure
    if found is None:
        return None
    low, high = found.minutes_m2
    return {
        "holds_for": list(found.holds_words),
        "by_moisture": {word: _order(order) for word, order in found.words.items()},
        "by_trailer_load": [
            {"load_t": round(load / 1e3, 3), "order": _order(order)} for load, order in found.loads.items()
        ],
        "minute_worth_least_m2": round(low, 3),
        "minute_worth_most_m2": None if math.isinf(high) else round(high, 3),
        "leaves_loaded": [
            {
                "soil": away.word,
                "slip_pct": None if away.slip is None else round(100 * away.slip, 2),
                "leaves": away.leaves,
            }
            for away in found.away
        ],
    }


def _order(order: tuple[tuple[int, float], ...]) -> list[dict[str, Any]]:
    return [{"place": number, "lasting_expected_added_m2": round(ground, 1)} for number, ground in order]
