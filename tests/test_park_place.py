"""Places for a trailer: gateways, what the served outfit may cross, what stays free, what is warned of at each place."""

import sqlite3
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from park_ground import LANE, YARD, spreader, trailer
from shapely import LineString, MultiPolygon, box
from test_park import SMALL, before_of, farm_of, job_of

from trafficplan.decide import park, park_job, park_place
from trafficplan.decide.park_answer import answer_of
from trafficplan.decide.park_others import Other, moved_loads
from trafficplan.decide.park_sure import leaving
from trafficplan.decide.park_time import Refills, scaled, waiting_s
from trafficplan.farm.elevation import Elevation
from trafficplan.farm.field import FarmTrack, Gateway, Place
from trafficplan.names import HAUL, ROAD, WORK, Note
from trafficplan.report.park_layers import write_places
from trafficplan.report.park_text import refused_words
from trafficplan.report.park_words import (
    answer_lines,
    away_line,
    next_best,
    other_words,
    soil_words,
    time_line,
    warned_words,
)
from trafficplan.routes import parking_limits as limits
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.passes import Drive
from trafficplan.work.parking import weigh_all

NORTH = Gateway("North gate", "Small", 60, 100, 8.0)
AROUND = FarmTrack("North lane", LineString([(300, -10), (300, 110), (60, 110)]), "gravel")
TO_NORTH = FarmTrack("North spur", LineString([(60, 110), (60, 100)]), "gravel")


def answered(job):
    return answer_of(job, before_of(job), lambda *given: weigh_all(*given, workers=1))


def two_gates(**given):
    field = replace(SMALL, gateways=(*SMALL.gateways, NORTH))
    farm = farm_of(field)
    return job_of(replace(farm, tracks=(*farm.tracks, AROUND, TO_NORTH)), **given)


# gateways


def test_a_place_beside_the_second_gateway_is_driven_to_through_it():
    listed, _ = park_place.candidates(two_gates(count=16))
    inside = {one.spot.gateway: one for one in listed if one.spot.kind == "gateway" and "straight" in one.spot.words}
    north, south = inside["North gate"], inside["South gate"]
    assert north.gateway == "North gate" and north.trip.entrance.gateway.key == "North gate"
    assert south.gateway is None and south.trip.entrance.gateway.key == "South gate"
    # the way inside the field is no longer than twice from the gateway to the place and the turn on the headland
    assert north.trip.field_m < 2 * 100 and north.words == north.spot.words
    served, _ = park.drives(two_gates(), north)
    first = served.xy[np.flatnonzero(served.leg == WORK)[0]]
    assert abs(first[1] - 100) < abs(first[1] - 0)  # the served outfit begins at that gateway too


def test_the_gateway_of_the_jobs_own_row_comes_first():
    job = two_gates()
    job = replace(job, operation=replace(job.operation, gateway="North gate"))
    listed, _ = park_place.candidates(job)
    for one in listed:
        if one.spot.on_field and one.gateway is None:
            assert one.trip.entrance.gateway.key == "North gate"


def test_a_hard_track_by_the_second_gateway_is_served_through_it_where_that_is_better():
    job = two_gates(count=16)
    before = before_of(job)
    spot = next(one for one in park_place.candidates(job)[0] if "North lane" in one.words and one.trip.road_m > 700)
    both = park.weigh(job, before, spot)
    own = park.weighed(job, before, spot, *park.drives(job, spot))
    assert both.candidate.gateway == "North gate" and both.worth_m2(15.0) < own.worth_m2(15.0)
    assert both.candidate.words.endswith("by North gate")


@pytest.mark.parametrize(("y", "kept"), [(-21.3, True), (-18.0, False), (-1.4, False)])
def test_what_stands_outside_leaves_the_way_up_to_the_gateway_free(y, kept):
    stands = MultiPolygon([box(50, y - 1.3, 64, y + 1.3)])
    (limit,) = limits.passage_limits(stands, SMALL, inside=False)
    assert limit.kept is kept
    assert next(limits.passage_limits(stands, SMALL)).kept  # inside the field nothing is taken


def test_no_place_on_a_track_stands_in_front_of_the_gateway():
    job = job_of(count=20)
    tracks = [one for one in park_place.candidates(job)[0] if one.spot.kind == "hard track" and one.legal]
    front = box(56, -20, 64, 0)
    assert tracks and all(one.stands.intersection(front).area < 1e-6 for one in tracks)


# what the served outfit crosses


def hauling(load_kg=(0.0, 1000.0)) -> Drive:
    xy = np.array([[10.0, 50.0], [20.0, 50.0], [60.0, 50.0], [60.0, -10.0], [60.0, 50.0], [70.0, 50.0]])
    leg = np.array([WORK, HAUL, HAUL, HAUL, WORK, WORK], np.int8)
    load = np.array([0.0, load_kg[0], load_kg[0], load_kg[1], load_kg[1], 0.0])
    return Drive("x", xy, np.arange(6.0), load, leg, np.zeros(6, np.int8), 12.0, 1, 0.0, 0.0)


@pytest.mark.parametrize(("more", "kept"), [(0.0, True), (1.0, True), (-1.0, False)])
def test_bridges_and_tracks_carry_the_served_outfit_with_its_load(more, kept):
    # empty 3.4 + 5.0 t, 1 t on board on the way back
    bridge = Place("ford", "bridge", LineString([(55, -5), (65, -5)]), 9400.0 + more)
    lane = FarmTrack("Spur", LineString([(60, -10), (60, 0)]), "gravel", 9400.0 + more)
    farm = replace(farm_of(), places=(YARD, bridge), tracks=(LANE, lane))
    found = list(park_place.served_limits(job_of(farm), hauling()))
    assert [one.what for one in found] == ["spreader on farm track Spur", "spreader over bridge ford"]
    assert all(one.kept is kept and one.found == pytest.approx(9400.0) for one in found)


def test_a_place_before_a_bridge_that_does_not_carry_the_served_outfit_is_refused():
    bridge = Place("ford", "bridge", LineString([(55, -5), (65, -5)]), 9.0e3)
    farm = farm_of(places=(YARD, bridge))
    answer = answered(job_of(farm, count=6))
    assert answer.places == () and answer.nearest is not None
    assert any(limit.what == "spreader over bridge ford" for one in answer.refused for limit in one.failed)


def test_trips_through_a_keep_out_or_water_are_warned_of_unless_a_bridge_leads_over():
    ditch = Place("ditch", "watercourse", LineString([(0, 20), (120, 20)]))
    copse = Place("copse", "keep_out", box(30, 45, 50, 55))
    job = job_of(replace(farm_of(), places=(YARD, ditch, copse)))
    assert park_place.crossed_by(job, hauling()) == ("watercourse ditch", "keep-out copse")
    bridge = Place("bridge", "bridge", LineString([(60, 15), (60, 25)]), 40e3)
    job = job_of(replace(farm_of(), places=(YARD, ditch, bridge)))
    assert park_place.crossed_by(job, hauling()) == ()


@pytest.mark.parametrize(("west", "kept"), [(61.5, True), (61.4, False)])
def test_the_way_leaves_room_for_the_body_beside_a_keep_out(west, kept):
    way = Drive("x", np.array([[60.0, 0.0], [60.0, 80.0]]), np.arange(2.0), np.zeros(2), np.array([3, 3], np.int8),
                np.zeros(2, np.int8), 3.0, 1, 0.0, 0.0)  # fmt: skip
    (limit,) = limits.way_limits(way, (), [Place("copse", "keep_out", box(west, 20, 90, 40))], 30e3, half_m=1.5)
    assert limit.kept is kept


# product and time


def test_parts_that_no_gateway_opens_into_draw_no_loads():
    found = scaled(Refills(np.zeros(3), np.array([9e3, 9e3, 3e3]), np.arange(3)), 14e3)
    assert found.amounts_kg == pytest.approx([6e3, 6e3, 2e3])
    # 10 loads of 16 t bring 160 t: the served outfit waits for 9 of them, whatever its swaths overlap
    many = scaled(Refills(np.arange(19.0), np.full(19, 9e3), np.arange(19)), 160e3)
    assert waiting_s(many, 16e3, 1200.0, 1) == pytest.approx(9 * 1200.0, abs=60.0)


# warnings


def test_tipping_is_warned_of_at_every_place():
    line = Place("line", "overhead_line", LineString([(-50, 126), (200, 126)]))  # 26 m north of the field
    job = job_of(replace(farm_of(), places=(YARD, line)), count=12)
    answer = answered(job)
    near = [one for one in answer.places if one.candidate.spot.on_field and one.candidate.stands.bounds[3] > 97]
    assert near and answer.best not in near
    for one in near:
        (note,) = [note for note in one.warnings if note.what.startswith("tipping")]
        assert "line" in note.why and f"place {one.candidate.number}" in note.what
    far = [one for one in answer.places if one.candidate.stands.distance(line.shape) >= 30.0]
    assert far and not [note for one in far for note in one.warnings if note.what.startswith("tipping")]


def test_a_slope_that_is_not_known_is_told():
    bare = Elevation(0.0, 100.0, 5.0, np.full((20, 24), np.nan, np.float32))
    job = job_of(replace(farm_of(), elevation=bare))
    found = [park_place.warnings_at(job, one) for one in park_place.candidates(job)[0]]
    assert found and all(any(note.what.startswith("slope at place") for note in one) for one in found)


def test_what_was_assumed_of_the_farm_is_told_for_this_field_and_these_outfits():
    notes = tuple(
        Note("assumed", what, "1", "why", "")
        for what in ("field Small: tillage depth", "field Smallholding: tillage depth", "outfit trailer: speed",
                     "outfit trailer2: speed", "outfit spreader, tractor: width", "weather: years", "operation 9: rate",
                     "outfit trailer, tractor, front: field pressure", "tracks/log.tsv: pauses")
    )  # fmt: skip
    job = job_of(replace(farm_of(), notes=notes))
    told = [note.what for note in park_job.farm_notes(job)]
    assert told == ["field Small: tillage depth", "outfit trailer: speed", "outfit spreader, tractor: width",
                    "weather: years"]  # fmt: skip


def test_every_layer_of_the_geopackage_opens_with_a_style(tmp_path):
    answer = answered(job_of(count=6))
    write_places(tmp_path / "places.gpkg", answer)
    with sqlite3.connect(tmp_path / "places.gpkg") as base:
        rows = base.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles").fetchall()
    assert [row[0] for row in rows] == ["places", "outlines", "ways"] and all(row[2] for row in rows)
    looks = [ET.fromstring(row[1]).find("renderer-v2").get("type") for row in rows]
    assert looks == ["RuleRenderer", "singleSymbol", "singleSymbol"]


def test_these_outfits_are_the_ones_the_tests_count_with():
    assert sum(axle.empty_n for axle in spreader().axles()) / 9.80665 == pytest.approx(8400.0)
    assert trailer().capacity_kg == 16e3


# harvesters outside, two trailers, lighter loads


@pytest.mark.parametrize(("wide", "kept"), [(8.0, True), (8.001, False), (7.999, True)])
def test_a_harvester_unloads_outside_only_where_its_front_goes_through_the_gateway(wide, kept):
    outfits = {"trailer": trailer(), "spreader": spreader(width_m=wide)}
    job = job_of(farm_of(outfits=outfits))
    job = replace(job, operation=replace(job.operation, change="fills"))
    found = {one.spot.kind: list(park_place.front_limits(job, one)) for one in park_place.candidates(job)[0]}
    assert [(one.found, one.kept) for one in found["headland"]] == [(2.55, True)]  # in the field its front is off
    assert [(one.found, one.kept) for one in found["hard track"]] == [(wide, kept)]
    spreads = job_of(farm_of(outfits=outfits))
    for one in park_place.candidates(spreads)[0]:
        assert [limit.found for limit in park_place.front_limits(spreads, one)] == [2.55]


def test_a_gateway_too_narrow_for_the_served_outfit_refuses_every_place():
    narrow = replace(SMALL, gateways=(Gateway("South gate", "Small", 60, 0, 1.0),))
    answer = answered(job_of(farm_of(narrow), count=6))
    assert answer.places == ()
    outside = [one for one in answer.refused if not one.spot.on_field]
    assert outside and all(
        [limit.what for limit in one.failed] == ["width of spreader through gateway South gate"] for one in outside
    )


def test_no_trailer_at_all_is_among_the_ways_and_told_first_where_it_is_better():
    answer = answered(job_of(trailer_kg=4e3, count=6))
    job = answer.job
    (without,) = [one for one in answer.others if one.key == "no trailer"]
    filled = Choice(fill_xy=(YARD.shape.centroid.x, YARD.shape.centroid.y), fill_s=300.0)
    served = plan_drive(job.field, job.operation, job.served, job.farm.tracks, job.farm.places, filled)
    road = np.hypot(*np.diff(served.xy, axis=0).T)[served.leg[:-1] == ROAD].sum()
    assert road > 2 * 7 * 300  # seven loads, each over the lane and back
    assert without.possible and without.minutes == pytest.approx(served.time_s[-1] / 60) and without.numbers == ()
    # one small trailer is waited for; the yard is 350 m away: driving there takes less
    assert without.lasting_m2 + 15.0 * without.minutes < answer.best.worth_m2(15.0)
    title, why, where, *_ = answer_lines(answer)
    assert title == "No trailer: Spreader drives to the yard itself."
    assert why.startswith("The trailer does not pay: without it ") and "minutes less" in why
    assert where.startswith("If it has to stand: ") and where.endswith(f"(place {answer.best.candidate.number}).")
    nowhere = answered(job_of(farm_of(places=()), count=6))
    (without,) = [one for one in nowhere.others if one.key == "no trailer"]
    assert not without.possible and "no yard" in without.why


def test_two_trailers_have_a_best_place_of_their_own():
    job = job_of(trailer_kg=4e3, count=8)  # three loads: with one trailer the field's places wait longest
    answer = answered(job)
    (two,) = [one for one in answer.others if one.key == "two trailers"]
    worth = {}
    for one in answer.places:
        away = park.away_s(job, one.candidate)
        saved = (one.wait_s - waiting_s(one.refills, 4e3, away, 2)) / 60
        worth[one.candidate.number] = one.lasting_m2 + 15.0 * (one.minutes - saved)
    assert two.possible and two.numbers == (min(worth, key=worth.get),)
    assert two.lasting_m2 + 15.0 * two.minutes == pytest.approx(min(worth.values()))


def test_where_only_the_mass_is_too_much_the_load_that_would_do_is_told():
    lane = replace(LANE, max_kg=23e3)  # the empty outfit weighs 15 t
    farm = farm_of(places=(YARD, Place("all", "public_road", YARD.shape)))
    answer = answered(job_of(replace(farm, tracks=(lane, *farm.tracks[1:])), count=8))
    told = answer_lines(answer)
    assert answer.places == () and "mass on farm track Lane" in told[1]
    assert told[2] == "With 8.0 t on the trailer it would do."


def test_why_the_hard_track_is_not_possible_is_told():
    outfits = {"trailer": trailer(), "spreader": spreader(width_m=9.0)}
    job = job_of(farm_of(outfits=outfits), count=8)
    job = replace(job, operation=replace(job.operation, change="fills"))
    (hard,) = [one for one in answered(job).others if one.key == "hard track"]
    assert not hard.possible and "working width of spreader through gateway South gate" in hard.why


def test_long_waiting_for_one_trailer_is_told_with_what_a_second_one_saves():
    answer = answered(job_of(trailer_kg=4e3, count=8))
    (told,) = [line for line in answer_lines(answer) if line.startswith("Spreader waits")]
    best = answer.best
    (two,) = [one for one in answer.others if one.key == "two trailers"]
    # three loads: away twice, 20 minutes and the way each time
    assert best.wait_s / 60 > 40 and f"waits {best.wait_s / 60:.0f} of {best.minutes:.0f} minutes" in told
    assert f"would take {best.minutes - two.minutes:.0f} minutes less" in told
    assert not [line for line in answer_lines(answered(job_of(count=6))) if line.startswith("Spreader waits")]


def test_getting_away_goes_by_the_soil_under_the_wheels():
    wet_below, wet_above = (leaving(job_of(tension_pa=pair)) for pair in ((33e3, 5e3), (5e3, 33e3)))
    assert [one.word for one in wet_below] == ["crumbles", "moulds"] and [one.word for one in wet_above] == ["smears"]
    assert wet_below[0].slip < wet_above[0].slip


def test_lower_pressures_are_told_against_the_same_place():
    answer = answered(job_of(count=8))
    field = next(one for one in answer.places if one.candidate.spot.on_field)
    assert field is not answer.best
    number = (field.candidate.number,)
    lower = Other("let down", "let down", True, "", field.minutes + 12, field.km, field.lasting_m2 - 40, 0.0, number)
    told = other_words(lower, answer)
    assert told == (
        "Let down: against the same place at road pressure 12 minutes more, 40 m² less expected lasting damage."
    )


def test_a_long_stay_warns_where_it_does_not_get_away_after_rain():
    only_field = farm_of(places=(), tracks=())
    job = job_of(only_field, count=6, stay_s=36 * 3600.0)
    answer = answered(job)
    assert answer.best.candidate.spot.on_field
    stuck = replace(answer.sure, away=(*answer.sure.away[:-1], replace(answer.sure.away[-1], slip=None)))
    told = away_line(replace(answer, sure=stuck))
    assert "it stands for 36 hours: where rain may come in that time, choose a hard place" in told
    short = replace(answer, sure=stuck, job=replace(job, stay_s=6 * 3600.0))
    assert "hours" not in away_line(short) and time_line(short.job).startswith("It stands for 6 hours. ")


@pytest.mark.parametrize("change", ["empties", "fills"])
def test_the_load_that_the_move_falls_into_is_shared_between_the_places(change):
    job = job_of(count=8)
    job = replace(job, operation=replace(job.operation, change=change))
    before = before_of(job)
    found = [park.weigh(job, before, one) for one in park_place.candidates(job)[0] if one.legal and one.spot.on_field]
    a, b = found[:2]
    drives = moved_loads(job, a, b, 24e3, 20e3)  # 16 + 8 at the first place; 8 of the same load, then 12 at the second
    most = [round(float(one.load_kg.max())) for one in drives]
    assert most == [16000, 16000, 12000] and [one.trips for one in drives] == [1, 1, 1]
    steps = [np.unique(one.load_kg.round()) for one in drives]
    assert steps[1].tolist() == [0.0, 8000.0, 16000.0]
    direction = np.diff(drives[1].load_kg)
    assert (direction >= 0).all() if change == "fills" else (direction <= 0).all()
    whole = moved_loads(job, a, b, 32e3, 16e3)  # nothing on board when it moves: full loads to each place
    assert [(one.trips, round(float(one.load_kg.max()))) for one in whole] == [(2, 16000), (1, 16000)]


# what a reader stumbled over


def test_a_trailer_in_a_yard_stands_off_the_track_that_runs_through_it():
    yard = Place("Yard", "yard", box(-340, -50, -280, 30))
    through = FarmTrack("Drive", LineString([(-340, -10), (300, -10)]), "gravel")
    listed, _ = park_place.candidates(job_of(replace(farm_of(places=(yard,)), tracks=(through, LANE))))
    (one,) = [one for one in listed if one.spot.kind == "yard"]
    assert yard.shape.covers(one.stands) and one.stands.distance(through.line) >= 2.5
    # a yard as narrow as the track: it stands on it, and that is warned of
    strip = Place("Yard", "yard", box(-340, -12, -280, -8))
    listed, _ = park_place.candidates(job := job_of(replace(farm_of(places=(strip,)), tracks=(through,))))
    (one,) = [one for one in listed if one.spot.kind == "yard"]
    assert any(note.what.startswith("width of the track") for note in park_place.warnings_at(job, one))


def test_every_assumed_distance_that_was_held_is_told():
    road = Place("road", "public_road", LineString([(-50, 110), (200, 110)]))  # 10 m north of the field, 8 m are kept
    well = Place("far well", "well", LineString([(5000, 5000), (5001, 5000)]))
    _, notes = park_place.candidates(job_of(replace(farm_of(), places=(YARD, road, well)), count=12))
    told = [note for note in notes if "distance kept" in note.what]
    assert [(note.what.split(":")[0], note.value) for note in told] == [("road", "8 m")]


@pytest.mark.parametrize(
    ("height", "words"), [(None, "its height is not known"), (6.5, "it hangs 6.5 m high by the map")]
)
def test_a_line_is_told_with_its_height_where_it_is_near_and_where_it_is_driven_beneath(height, words):
    near = Place("north", "overhead_line", LineString([(-50, 126), (200, 126)]), height_m=height)
    over = Place(
        "lane line", "overhead_line", LineString([(-150, -60), (-150, 60)]), height_m=height
    )  # between yard and field
    answer = answered(job_of(replace(farm_of(), places=(YARD, near, over)), count=12))
    inside = [one for one in answer.places if one.candidate.spot.on_field]
    assert inside
    for one in inside:
        (beneath,) = [note for note in one.warnings if note.what.startswith("the way beneath")]
        assert "lane line" in beneath.what and beneath.value == words and "local rules" in beneath.why
    tips = [note for one in inside for note in one.warnings if note.what.startswith("tipping")]
    assert tips and all(words in note.why for note in tips)
    yard = [one for one in answer.places if one.candidate.spot.kind == "yard"]
    assert all(not [note for note in one.warnings if "overhead line north" in note.what] for one in yard)


def test_the_second_in_rank_is_offered_first_with_what_is_warned_of():
    answer = answered(job_of(count=12))
    first, *rest = next_best(answer)
    assert first is answer.places[1] and len(rest) <= 1
    assert all(one.candidate.spot.on_field != answer.best.candidate.spot.on_field for one in rest)
    tracks = [one for one in answer.places if one.candidate.spot.kind == "hard track"]
    assert tracks and warned_words(tracks[0]) == " Warned of there: width of the track: not known."


def test_soil_is_told_apart_where_top_and_below_differ():
    job = job_of(tension_pa=(5e3, 33e3))
    assert soil_words(job) == "moulds"  # as given
    by_day = replace(job, operation=replace(job.operation, moisture=None))
    assert soil_words(by_day) == "smears on top, crumbles below"
    assert soil_words(replace(by_day, tension_pa=(5e3, 5e3))) == "smears"


def test_places_refused_for_the_same_reason_are_told_together():
    narrow = replace(SMALL, gateways=(Gateway("South gate", "Small", 60, 0, 1.0),))
    answer = answered(job_of(farm_of(narrow), count=8))
    told = refused_words(answer)
    assert len(told) < len(answer.refused)
    (outside,) = [line for line in told if "width of spreader through gateway South gate" in line]
    numbers = [one.number for one in answer.refused if not one.spot.on_field]
    assert outside.startswith("places " + ", ".join(str(number) for number in numbers) + ": ")
