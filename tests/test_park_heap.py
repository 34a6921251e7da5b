"""A heap in place of the trailer: what it presses, what it keeps from, who waits, and the words of it."""

import json

import numpy as np
import pytest
from conftest import sample_farm
from shapely import LineString, Point
from test_park_command import ASKED, farm_in
from typer.testing import CliRunner

from trafficplan.cli.asked_heap import heap_notes, heap_of
from trafficplan.cli.main import app
from trafficplan.decide.park_stands import heap_standing, pad_stress
from trafficplan.errors import InputError
from trafficplan.farm.field import Place
from trafficplan.inputs.farm import read_farm
from trafficplan.routes.parking import Bodies, Body, Pose, outline
from trafficplan.routes.parking_heap import Heap, driving, middle_m, with_heap
from trafficplan.routes.parking_limits import bearing_limits, distance_limits, drain_limits

OUTFIT = Bodies((Body("tractor", 12.0, 7.0, 2.5, False), Body("trailer", 6.0, -2.0, 2.5, True)), 8.0)
WET = (6e3, 6e3)


def test_the_heap_lies_behind_the_outfit_and_does_not_drive():
    whole = with_heap(OUTFIT, Heap(20.0, 5.0))
    assert (whole.length_m, whole.width_m, whole.left_length_m) == (34.0, 5.0, 28.0)
    assert middle_m(whole) == -12.0 and middle_m(OUTFIT) is None
    assert driving(whole) == OUTFIT and with_heap(OUTFIT, None) is OUTFIT
    east = outline(Pose(100.0, 50.0, 0.0), whole)
    assert east.bounds == pytest.approx((78.0, 47.5, 112.0, 52.5))
    assert east.area == pytest.approx(
        20 * 5 + 8 * 2.5 + 5 * 2.5
    )  # heap, trailer and tractor; a metre of drawbar between
    north = outline(Pose(100.0, 50.0, np.pi / 2), whole)
    assert north.bounds == pytest.approx((97.5, 28.0, 102.5, 62.0))


@pytest.mark.parametrize(
    ("distance", "kept"), [(10.0, True), (10.001, True), (9.999, False), (0.0, False)], ids=["exact", "out", "in", "on"]
)
@pytest.mark.parametrize("kind", ["drain", "watercourse"])
def test_drains_and_water_keep_their_distance_from_the_heap(kind, distance, kept):
    """The heap's near end is at x = 78; a line runs so far west of it."""
    stands = outline(Pose(100.0, 50.0, 0.0), with_heap(OUTFIT, Heap(20.0, 5.0)))
    west = 78.0 - distance
    place = Place("line", kind, LineString([(west, 0.0), (west, 100.0)]))
    found = (
        list(drain_limits(stands, [place])) if kind == "drain" else [one for one, _ in distance_limits(stands, [place])]
    )
    (limit,) = found
    assert limit.found == pytest.approx(distance) and limit.needed == 10.0 and limit.kept is kept


def test_the_farms_own_distances_win_and_other_places_are_no_drains():
    stands = outline(Pose(100.0, 50.0, 0.0), with_heap(OUTFIT, Heap(20.0, 5.0)))
    drain = Place("tile", "drain", LineString([(70.0, 0.0), (70.0, 100.0)]))
    (own,) = drain_limits(stands, [drain, Place("well", "well", Point(0.0, 0.0))], {"heap_drain_m": 8.0})
    assert own.kept and own.needed == 8.0 and own.what == "distance to drain tile"
    over = Place("tile", "drain", LineString([(90.0, 0.0), (90.0, 100.0)]), max_kg=100e3)
    (mass,) = bearing_limits(stands, [over], 150e3)
    assert not mass.kept and mass.miss == pytest.approx(50e3)


def test_a_wide_heap_presses_with_its_weight_over_its_ground_at_every_depth():
    """150 t on 60 x 60 m: 150e3 x 9.80665 / 3600 = 408.6 Pa; a metre down nothing has spread yet."""
    unit = next(iter(read_farm(sample_farm()).soil_units.values()))
    found = heap_standing(Heap(60.0, 60.0), 150e3, unit, 0.25, WET)
    assert found.heap.load_n / found.heap.area_m2 == pytest.approx(408.610, rel=1e-5)
    assert found.heap.stress_pa == pytest.approx(np.full(len(found.heap.depths_m), 408.610), rel=1e-3)
    assert found.wheels == () and found.jack is None and found.board is None and found.worst() is found.heap
    assert found.judged_m == 0.30  # 5 cm below the tillage


def test_a_small_heap_spreads_as_newmark_says():
    """2 x 2 m, 1 m down: four corners of m = n = 1, of which each is 0.1752 (Newmark 1935; Fadum's table 1948)."""
    load = 40e3 * 9.80665
    assert float(pad_stress(load, (2.0, 2.0), np.array([1.0]), np.array([3]))[0]) == pytest.approx(
        4 * 0.1752 * load / 4.0, rel=1e-3
    )


def test_more_on_the_same_ground_is_worse():
    unit = next(iter(read_farm(sample_farm()).soil_units.values()))
    light, heavy = (heap_standing(Heap(10.0, 4.0), mass, unit, 0.25, WET).heap for mass in (50e3, 400e3))
    assert heavy.judged > light.judged and np.all(heavy.stress_pa > light.stress_pa)


def asked(heap, coupled=False, pad=None):
    return {"heap": heap, "coupled": coupled, "pad": pad}


@pytest.mark.parametrize("text", ["20x5", "20 x 5", "20.0x5m", " 20 x 5 m "])
def test_the_ground_of_a_heap_is_read(text):
    assert heap_of(asked(text), 700.0) == Heap(20.0, 5.0, 700.0)
    assert heap_of(asked(None), 700.0) is None


@pytest.mark.parametrize("text", ["", "20", "0x5", "20x0.5", "201x5", "-20x5", "20x5x2", "nanx5", "20ftx5"])
def test_what_is_no_ground_is_refused(text):
    with pytest.raises(InputError, match="not the ground of a heap"):
        heap_of(asked(text), None)


@pytest.mark.parametrize("more", [{"coupled": True}, {"pad": "60x60"}])
def test_what_belongs_to_a_trailer_is_refused(more):
    with pytest.raises(InputError, match="a heap stands, no trailer") as caught:
        heap_of(asked("20x5", **more), None)
    assert (
        caught.value.problems[0].where == f"--{next(iter(more))}" or next(iter(more)) in caught.value.problems[0].where
    )


def test_a_high_heap_is_warned_of():
    """300 t at 750 kg/m3 are 400 m3; on 20 x 5 m that is 4 m, on 25 x 5 m it is 3.2 m."""
    assert [note.kind for note in heap_notes(Heap(25.0, 5.0, 750.0), 300e3)] == ["assumed", "assumed"]
    high = [note for note in heap_notes(Heap(20.0, 5.0, 750.0), 300e3) if note.kind == "warned"]
    assert len(high) == 1 and high[0].value.startswith("4.0 m")
    assert all(note.kind == "assumed" for note in heap_notes(Heap(2.0, 2.0), 300e3))  # density not known


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = farm_in(tmp_path_factory.mktemp("farm") / "farm")
    out = tmp_path_factory.mktemp("out")
    run = CliRunner().invoke(app, ["park", str(folder), *ASKED, "--heap", "12x4", "--out", str(out), "--json"])
    assert run.exit_code == 0, run.output
    return json.loads(run.stdout), out


def test_nobody_waits_and_the_trailer_is_not_uncoupled(done):
    result = done[0]["result"]
    assert result["places"] and all(one["waiting_min"] == 0 for one in result["places"])
    assert result["uncoupled"] is False and result["uncoupling"]["hitch_least_kg"] is None
    (two,) = [one for one in result["other_ways"] if one["way"] == "two trailers"]
    assert two["possible"] is False and "nobody waits" in two["words"]
    assert not [one for one in result["places"] + result["refused"] if one["kind"] == "hard track"]


def test_its_figures_are_told(done):
    result = done[0]["result"]
    heap = result["heap"]
    assert (heap["length_m"], heap["width_m"]) == (12.0, 4.0)
    assert heap["pressure_kpa"] == pytest.approx(result["need_t"] * 9.80665 / 48.0, abs=0.01)
    on_field = next(one for one in result["places"] if one["on_field"])
    standing = on_field["standing"]
    assert standing["wheels"] == [] and standing["jack_stand"] is None
    assert standing["heap"]["load_kg"] == pytest.approx(1000 * result["need_t"], abs=1.0)
    assert standing["heap"]["contact_area_m2"] == 48.0


def test_words_and_pages_speak_of_the_heap(done):
    answer, out = done
    told = " ".join(answer["result"]["answer"])
    assert "ncouple" not in told and "Getting away" not in told
    page, sheet = ((out / name).read_text() for name in ("park.html", "sheet.html"))
    assert "Where to put the heap" in page and "Where to leave the loaded trailer" not in page
    assert "Heap in Park" in sheet and "jack stand" not in sheet.lower()
    cautions = " ".join(answer["result"]["cautions"])
    assert "before anything is heaped" in cautions and "wheels chocked" not in cautions
    assumed = {note["what"]: note["value"] for note in answer["assumptions"]}
    assert (
        assumed["loader at the heap"] == "not counted" and "heap" in assumed and "foot of the jack stand" not in assumed
    )
