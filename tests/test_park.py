"""Parking: what places draw, rank against brute force, statics against closed forms, uncoupling, waiting, other ways."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from park_ground import LANE, SPUR, YARD, axle, spreader, trailer
from shapely import LineString, box

from trafficplan.chain import Plan
from trafficplan.decide import park, park_job, park_place
from trafficplan.decide.park_answer import answer_of
from trafficplan.decide.park_others import ends_of_loads, spliced, ways_m
from trafficplan.decide.park_stands import get_away, pad_stress, standing, wetter
from trafficplan.decide.park_sure import worth_range
from trafficplan.decide.park_time import Refills, refills_of, waiting_s
from trafficplan.errors import InputError
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field, Gateway, Place, SoilPatch
from trafficplan.farm.operation import Moisture, Operation, Scenario
from trafficplan.machines.outfit import Vehicle
from trafficplan.names import HAUL, ROAD
from trafficplan.soil.elastic import corner_newmark_1935
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.units import GRAVITY
from trafficplan.whatif import Before, judge, season_before
from trafficplan.work.parking import weigh_all

DAY = dt.date(2026, 4, 1)
LOAM = SoilUnit("loam", "loam", (Horizon(0.0, 1.5, "loam"),))
MOULDS = Moisture(15e3, 15e3, "moulds")
SMALL = Field("Small", box(0, 0, 120, 100), "wheat", 0.25, 12.0, (Gateway("South gate", "Small", 60, 0, 8.0),), ())


def farm_of(field: Field = SMALL, outfits=None, places=(YARD,), tracks=(LANE, SPUR)) -> Farm:
    named = outfits or {"trailer": trailer(), "spreader": spreader()}
    tracks = tuple(replace(one, line=LineString([(60, -10), (60, 0)])) if one is SPUR else one for one in tracks)
    return Farm(
        "park", "Park", 2026, "UTC", "EPSG:32635", "metric", {field.key: field}, {"loam": LOAM},
        (SoilPatch("loam", field.polygon.buffer(50)),), named, (), {"base": Scenario("base", "base")}, {}, tracks, places,
        None, {}, (),
    )  # fmt: skip


def job_of(farm: Farm | None = None, **given) -> park_job.ParkJob:
    farm = farm or farm_of()
    (field,) = farm.fields.values()
    operation = Operation(
        "park", 0, DAY, None, field.key, "spreading", "spreader", 1.0, None, "empties", moisture=MOULDS
    )
    values = {
        "farm": farm, "field": field, "trailer": farm.outfits["trailer"], "operation": operation, "plan": Plan(1.0),
        "need_kg": field.polygon.area, "trailer_kg": 16e3, "uncoupled": True, "count": 8, "pad_m": (0.25, 0.25),
        "tension_pa": (15e3, 15e3),
    }  # fmt: skip
    return park_job.ParkJob(**(values | given))


def before_of(job: park_job.ParkJob) -> Before:
    return season_before(job.farm, job.farm.scenarios["base"], job.field, job.plan, DAY)


@pytest.fixture(scope="module")
def answered():
    job = job_of()
    before = before_of(job)
    return job, before, answer_of(job, before, lambda *given: weigh_all(*given, workers=1))


# statics


@pytest.mark.parametrize(
    ("m", "n", "corner"),  # Newmark 1935, arithmetic; 0.1752 also in Fadum's table (1948)
    [(1.0, 1.0, 0.17522), (0.5, 0.5, 0.08403), (0.2, 0.4, 0.03280), (0.6, 1.0, 0.13605), (1.0, 2.0, 0.19994),
     (2.0, 2.0, 0.23247)],
)  # fmt: skip
def test_a_pad_is_four_corners_of_newmark(m, n, corner):
    # pad of 2m x 2n at depth 1, load so that its pressure is 1: the middle is four corners m x n
    stress = pad_stress(4 * m * n, (2 * m, 2 * n), np.array([1.0]), np.array([3]))
    assert float(stress[0]) == pytest.approx(4 * corner, abs=4e-5)
    assert float(stress[0]) == pytest.approx(4 * float(corner_newmark_1935(1.0, m, n, 1.0)), rel=1e-4)


def test_a_larger_board_and_more_depth_bring_less_stress():
    depths, nu = np.array([0.1, 0.3, 0.6]), np.array([5, 5, 5])
    foot, board = (pad_stress(20e3, (side, side), depths, nu) for side in (0.25, 0.6))
    assert (foot > board).all() and (np.diff(foot) < 0).all()


def test_standing_tells_wheels_and_jack_stand_only_where_it_is_uncoupled():
    outfit = trailer()
    alone = standing(outfit, LOAM, 0.25, 16e3, (15e3, 15e3), (0.25, 0.25), uncoupled=True)
    whole = standing(outfit, LOAM, 0.25, 16e3, (15e3, 15e3), (0.25, 0.25), uncoupled=False)
    assert [one.what for one in alone.wheels] == ["axle t1", "axle t2"] and len(whole.wheels) == 4
    assert whole.jack is None and alone.jack is not None and alone.board is not None
    # weighed: the tractor carries 3.2 + 7.8 t full and 9.0 t empty; 10 % of the empty trailer rests on the hitch
    hitch = (3.2 + 7.8 - 9.0) * 1000 + 6000 * 0.1 / 0.9
    assert alone.jack.load_n / GRAVITY == pytest.approx(hitch, rel=1e-6)
    assert alone.wheels[0].load_n == pytest.approx(5000 * GRAVITY)
    assert alone.judged_m == 0.3 and alone.worst().judged == max(one.judged for one in [*alone.wheels, alone.jack])
    assert alone.board.judged < alone.jack.judged


def test_uncoupling_is_refused_where_the_hitch_lifts_while_it_is_unloaded():
    assert park_job.uncoupling(job_of())[0].allowed
    lifting = replace(trailer(), empties="front")  # what is left stands behind the axle
    farm = farm_of(outfits={"trailer": lifting, "spreader": spreader()})
    told, _ = park_job.uncoupling(job_of(farm, trailer=lifting))
    assert not told.allowed and "would tip back" in told.why and told.hitch is not None and told.hitch.least_n < 0
    near = replace(
        trailer(), vehicles=(trailer().vehicles[0], Vehicle("trailer", "drawn", (axle("t1", 0, 1.0, 17.0),), 6.0))
    )
    near = replace(
        near,
        vehicles=(
            replace(near.vehicles[0], axles=(axle("front", -3, 3.6, 3.6, 1.9), axle("rear", 0, 5.4, 5.4, 1.9))),
            near.vehicles[1],
        ),
    )  # nothing of the load rests on the hitch: 10 % of 1 t is all there is
    told, _ = park_job.uncoupling(job_of(farm_of(outfits={"trailer": near, "spreader": spreader()}), trailer=near))
    assert not told.allowed and "near zero" in told.why
    assert not park_job.uncoupling(job_of(trailer=spreader()))[0].allowed


def test_wetter_soil_lets_it_away_with_more_slip():
    slips = [get_away(trailer(), 16e3, word).slip for word in ("crumbles", "moulds", "smears")]
    assert slips[0] < slips[1] < slips[2]
    assert [wetter(word) for word in ("crumbles", "moulds", "smears")] == ["moulds", "smears", "smears"]
    uphill = get_away(trailer(), 16e3, "moulds", grade=0.1).slip
    assert uphill is None or uphill > slips[1]


# time


def test_waiting_by_hand():
    refills = Refills(np.array([0.0, 600.0, 1200.0, 1800.0]), np.full(4, 4e3), np.arange(4))
    # 8 t trailer: empty after the second (600 s), away 900 s: back at 1500, the third waits 300 s; then the fourth at 2100
    assert waiting_s(refills, 8e3, 900.0, 1) == pytest.approx(300.0)
    assert waiting_s(refills, 8e3, 900.0, 2) == 0.0
    # 4 t: each refill empties it; away 900 s, the next is due after 600 s: 300 s three times
    assert waiting_s(refills, 4e3, 900.0, 1) == pytest.approx(900.0)
    # a refill larger than what is left waits in the middle: 6 t, the second takes 2 t, waits for the other 2 t
    assert waiting_s(refills, 6e3, 900.0, 1) == pytest.approx(900.0 + 300.0)


def test_refills_are_the_jumps_of_the_load(answered):
    _, _, answer = answered
    one = answer.places[0]
    found = refills_of(one.served, fills=False)
    assert found.amounts_kg.sum() == pytest.approx(one.served.worked_m2 * 1.0, rel=0.15)
    assert found.amounts_kg.max() <= 2000.0 + 1e-6 and (np.diff(found.times_s) > 0).all()


# what places draw


def test_traffic_drawn_is_trips_times_way_times_mass(answered):
    job, _, answer = answered
    for one in answer.places[:3]:
        total = 0.0
        for drive, outfit, legs in ((one.served, spreader(), (HAUL,)), (one.brings, trailer(), None)):
            empty = sum(axle_.empty_n for axle_ in outfit.axles()) / GRAVITY
            step = np.hypot(*np.diff(drive.xy, axis=0).T)
            on = drive.leg[:-1] == HAUL if legs else drive.leg[:-1] != ROAD
            mean = (drive.load_kg[:-1] + drive.load_kg[1:]) / 2
            total += float((step * (empty + mean))[on].sum()) / 1e6
        # axles run beside the line of the drive: bends differ by a little
        assert one.drawn_t_km == pytest.approx(total, rel=0.05)
        if one.candidate.spot.on_field:
            assert one.visits == 2 * (one.trips + one.trailer_trips)


def test_rank_equals_brute_force(answered):
    job, before, answer = answered
    brute = []
    for candidate in park_place.candidates(job)[0]:
        if not candidate.legal:
            continue
        served, brings = park.drives(job, candidate)
        score = judge(job.farm, before, [(park_job.bring(job), brings), (job.operation, served)])
        seconds = (
            served.time_s[-1]
            + brings.time_s[-1]
            + waiting_s(refills_of(served, False), job.trailer_kg, park.away_s(job, candidate), 1)
        )
        brute.append((score.lasting_more_ha * 1e4 + 15.0 * seconds / 60, candidate.number))
    assert [one.candidate.number for one in answer.places] == [number for _, number in sorted(brute)]
    assert len(brute) >= 4
    # over processes it is the same
    both = weigh_all(job, before, [one.candidate for one in answer.places], workers=2)
    assert [one.lasting_m2 for one in both] == [one.lasting_m2 for one in answer.places]


def test_a_place_on_the_hard_track_keeps_the_trailer_off_the_field(answered):
    _, _, answer = answered
    hard = [one for one in answer.places if not one.candidate.spot.on_field]
    assert hard and all((one.brings.leg == ROAD).all() and one.stands is None and one.visits == 0 for one in hard)


def test_trailer_drives_at_road_pressure():
    own = park_job.bring(job_of())
    assert own.pressures_pa == {"front": 2.4e5, "rear": 2.4e5, "t1": 2.4e5, "t2": 2.4e5}


def test_no_legal_place_is_an_answer_with_the_nearest_miss():
    ring = SMALL.polygon.buffer(400)
    job = job_of(farm_of(places=(Place("copse", "keep_out", ring),)))
    answer = answer_of(job, before_of(job), lambda *given: weigh_all(*given, workers=1))
    assert answer.places == () and answer.best is None and answer.nearest is not None
    assert answer.nearest.failed[0].what.startswith("ground inside keep-out copse")
    assert answer.nearest == min(answer.refused, key=lambda one: (one.missing, one.number))


# other ways and how sure


def test_other_ways_are_all_told(answered):
    job, _, answer = answered
    told = {one.key: one for one in answer.others}
    assert list(told) == ["hard track", "moved once", "two trailers", "let down", "no trailer"]
    assert told["hard track"].possible and not told["two trailers"].possible  # one load does: 12 t on a 16 t trailer
    assert not told["let down"].possible  # no tyre table


def test_two_places_spliced_are_one_line_and_the_same_work(answered):
    _, _, answer = answered
    a, b = [one for one in answer.places if one.candidate.spot.on_field][:2]
    lengths = ways_m(a)
    assert len(lengths) == a.trips and (lengths > 0).all()
    k = max(1, a.trips // 2)
    both = spliced(a, b, k)
    assert both is not None
    i, j = ends_of_loads(a)[k], ends_of_loads(b)[k]
    step = np.hypot(*np.diff(both.xy, axis=0).T)
    assert step[both.leg[:-1] != ROAD].max() < 120.0 and len(both.xy) == i + len(b.served.xy) - j
    work = [float(np.hypot(*np.diff(one.xy, axis=0).T)[one.leg[:-1] == 0].sum()) for one in (a.served, both)]
    assert work[1] == pytest.approx(work[0], rel=0.02)


def test_range_of_the_worth_of_a_minute_by_hand(answered):
    _, _, answer = answered
    base = answer.places[0]

    def at(minutes, ground):
        return replace(base, minutes=minutes, lasting_m2=ground)

    # 10 minutes slower but 50 m2 better: better below 5 m2 a minute; 20 quicker but 400 m2 worse: better above 20
    assert worth_range([at(100, 500), at(110, 450), at(80, 900)]) == pytest.approx((5.0, 20.0))


def test_sure_tells_every_word_and_other_loads(answered):
    _, _, answer = answered
    assert list(answer.sure.words) == ["smears", "moulds", "crumbles"]
    ground = [dict(answer.sure.words[word])[answer.best.candidate.number] for word in ("smears", "moulds", "crumbles")]
    assert ground[0] > ground[1] > ground[2]
    assert answer.sure.words["moulds"][0][0] == answer.best.candidate.number
    assert len(answer.sure.loads) == 3 and [one.word for one in answer.sure.away] == ["moulds", "smears"]


def test_a_trailer_too_long_for_the_gateway_is_told():
    narrow = replace(SMALL, gateways=(Gateway("South gate", "Small", 60, 0, 3.0),))
    listed, _ = park_place.candidates(job_of(farm_of(narrow)))
    inside = [one for one in listed if one.spot.on_field]
    assert inside and all(not one.legal for one in inside)
    assert all(any(limit.what == "width of gateway South gate" for limit in one.failed) for one in inside)
    stiff = trailer(drawbar_m=9.0)
    listed, _ = park_place.candidates(
        job_of(farm_of(outfits={"trailer": stiff, "spreader": spreader()}), trailer=stiff)
    )
    assert all("jack-knife" in one.problem for one in listed if one.spot.on_field)


def test_a_job_that_cannot_be_driven_is_told_not_raised():
    job = job_of()
    before = before_of(job)
    candidate = next(one for one in park_place.candidates(job)[0] if one.legal)
    hopeless = replace(job, operation=replace(job.operation, load_kg=1e-3))
    assert isinstance(park.weigh(hopeless, before, candidate), InputError)
