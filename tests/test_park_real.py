"""Where a 16 t grain trailer should have stood: the harvested maize field of the open data, unloaded into by its combine.

Measured: track, grain mass, soil map. Assumed: combine, trailer, gateway at the corner where the log ends (the farm
folder's README says so). The log itself shows no stop for unloading: somebody drove alongside.
"""

import math
from functools import partial

import numpy as np
import pytest
from real_field import make_real_farm, read_fixes

from trafficplan.cli.asked_park import job_of
from trafficplan.decide.park_answer import answer_of
from trafficplan.inputs.farm import read_farm
from trafficplan.whatif import season_before
from trafficplan.work.parking import weigh_all

pytestmark = pytest.mark.real

TRAILER = """# Assumed: a usual tandem grain trailer behind a usual tractor.
title = "Tractor with 16 t grain trailer"
width_m = 3.0
radius_m = 8.0
capacity_t = 16.0
track_km_h = 35.0
vehicle = [
  { name = "tractor", kind = "powered", hitch_behind_m = 1.0, axle = [
    { name = "front", behind_m = -2.8, tyre = "540/65R28", empty_t = 3.4, full_t = 3.0, track_bar = 1.6 },
    { name = "rear", tyre = "650/65R38", empty_t = 5.0, full_t = 7.4, track_bar = 1.6 } ] },
  { name = "trailer", kind = "drawn", drawbar_m = 5.5, axle = [
    { name = "tandem_1", behind_m = -0.9, tyre = "560/60R22.5", empty_t = 2.8, full_t = 9.8, track_bar = 4.0 },
    { name = "tandem_2", behind_m = 0.9, tyre = "560/60R22.5", empty_t = 2.8, full_t = 9.8, track_bar = 4.0 } ] },
]
"""
#: Found by summing the log: 232.9 t of wet grain.
GRAIN_T = 232.9


@pytest.fixture(scope="module")
def answered(open_data, tmp_path_factory):
    folder = make_real_farm(tmp_path_factory.mktemp("real") / "farm", open_data)
    (folder / "outfits" / "trailer.toml").write_text(TRAILER, encoding="utf-8")
    farm = read_farm(folder)
    area = farm.fields["Maize"].polygon.area / 1e4
    asked = {
        "field": "Maize", "outfit": "trailer", "served_by": "combine", "rate": f"{GRAIN_T / area:.4f} t/ha", "job": None,
        "change": None, "date": None, "soil": "moulds", "stay_h": None, "coupled": False, "pad": None, "heap": None,
        "candidates": 12, "cell_m": 3.0, "workers": 1,
    }  # fmt: skip
    job = job_of(farm, folder, asked)
    before = season_before(farm, farm.scenarios["base"], job.field, job.plan, job.operation.day)
    return job, answer_of(job, before, partial(weigh_all, workers=1))


def test_loads_follow_from_the_measured_mass(answered):
    job, answer = answered
    best = answer.best
    assert job.fills and job.need_kg == pytest.approx(GRAIN_T * 1e3, rel=1e-3)
    assert best.trailer_trips == math.ceil(GRAIN_T / 16.0)
    # 8 t hopper: 30 full ones at least; rounds and swaths overlap, so a little more is harvested twice
    assert 30 <= best.trips <= 34


def test_it_stands_on_the_headland_by_the_corner_with_the_gateway(answered):
    job, answer = answered
    spot, gate = answer.best.candidate.spot, job.field.gateways[0]
    away = math.hypot(spot.pose.x - gate.x, spot.pose.y - gate.y)
    west, south, east, north = job.field.polygon.bounds
    assert spot.kind in ("headland", "gateway") and away < 0.3 * math.hypot(east - west, north - south)
    assert answer.places[-1].lasting_m2 > answer.places[0].lasting_m2
    told = {one.key: one for one in answer.others}
    assert not told["hard track"].possible and "no yard and no hard track" in told["hard track"].why
    missing = [one for one in answer.notes if "on the farm's map" in one.what]
    assert missing and "overhead line" in missing[0].what


def test_the_log_shows_no_stop_for_unloading(answered, open_data):
    """Facts of the log: between passes it stands for turns only; once, for two minutes, it stands longer."""
    assert answered[1].places
    x, y, _ = read_fixes(open_data / "grain-harvest" / "track.tsv")
    table = np.genfromtxt(open_data / "grain-harvest" / "track.tsv", skip_header=1)
    pauses = np.diff(table[:, 3]) - table[1:, 4]
    long = pauses[pauses > 60]
    assert len(long) <= 2 and long.sum() < 300 and len(x) == len(y) == len(table)
