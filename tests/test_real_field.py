"""The real maize field: one combine's log and the official soil map, through the whole program."""

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
import rasterio
from real_field import make_real_farm

from trafficplan.chain import Plan, prepare
from trafficplan.inputs.farm import read_farm
from trafficplan.names import ROAD
from trafficplan.routes.fixes import log_facts
from trafficplan.traffic.season import run_season

pytestmark = pytest.mark.real


@pytest.fixture(scope="session")
def farm_folder(open_data, once):
    return once("real-farm", lambda folder: make_real_farm(folder / "farm", open_data)) / "farm"


@pytest.fixture(scope="session")
def farm(farm_folder):
    return read_farm(farm_folder)


@pytest.fixture(scope="session")
def laid(farm):
    return prepare(farm, farm.scenarios["base"], farm.fields["Maize"], Plan(cell=0.5))


@pytest.fixture(scope="session")
def result(farm_folder, once):
    def make(folder):
        command = [sys.executable, "-m", "trafficplan", "map", str(farm_folder), "--out", str(folder / "out"), "--json"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        (folder / "answer.json").write_text(done.stdout)

    return once("real-result", make)


def test_the_log_holds_what_its_publisher_says(farm):
    # facts of the data set: 30.7 km along the fixes, 27.4 ha = distance x header width, 232.9 t of wet grain
    (log,) = farm.logs.values()
    facts = log_facts(log)
    assert facts.path_m == pytest.approx(30_700, rel=0.01)
    assert facts.sensor_m * 9.144 / 1e4 == pytest.approx(27.4, rel=0.02)
    assert facts.mass_kg == pytest.approx(232_900, rel=0.005)


def test_the_drive_keeps_path_and_worked_area(laid):
    (drive,) = laid.drives
    length = np.hypot(*np.diff(drive.xy, axis=0).T).sum()
    assert length == pytest.approx(
        30_700, rel=0.05
    )  # the turns between two fixes are drawn as driven, so a little longer
    assert drive.worked_m2 / 1e4 == pytest.approx(27.4, rel=0.02)
    assert drive.load_kg.max() <= 8000 + 1e-6 and drive.load_kg.min() >= 0


def test_traffic_over_cells_is_mass_times_path(laid):
    layers = run_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events)
    expected = 0.0
    for one in laid.events[0].passes:
        steps = np.hypot(*np.diff(one.xy, axis=0).T)
        mean_kg = (one.load_n[:-1] + one.load_n[1:]) / 2 / 9.80665
        expected += float((steps * mean_kg)[one.leg[:-1] != ROAD].sum())
    assert layers.traffic_g_m.sum(dtype=np.float64) / 1e3 == pytest.approx(expected, rel=0.005)
    # independent of the passes: 17 t empty and half an 8 t tank over 30.7 km, within what the tank's filling may shift
    assert expected / 1e6 == pytest.approx(21.0 * 30.7, rel=0.08)


def test_five_soils_and_no_gap(laid):
    assert set(laid.ground.units) == {"105C", "110", "211", "230", "319"}
    assert laid.ground.gap_ha < 0.01


def test_whole_command_writes_the_contracted_files(result):
    out = result / "out"
    answer = json.loads((result / "answer.json").read_text())
    assert set(answer) == {"command", "version", "inputs", "result", "assumptions", "warnings", "errors"}
    assert answer["errors"] == [] and answer["assumptions"]
    (base,) = answer["result"]["scenarios"]
    assert base["area_ha"] == pytest.approx(27.7, rel=0.02)
    zones = pd.read_csv(out / "zones.csv")
    deep = zones[(zones.zone == "all") & (zones.depth_m == 0.5)].iloc[0]
    assert deep["layer"] == "deep" and 0 < deep["overstressed_ha"] < deep["area_ha"]
    # one pass of 8-row bouts with two wheels of .8 m on 9.14 m: derived 2 x .8 / 9.14 = 17.5 %, plus turns
    assert 15 < deep["wheeled_pct"] < 25
    parts = zones[(zones.depth_m == 0.5) & zones.zone.isin(["headland", "gateway", "infield"])]
    assert parts.area_ha.sum() == pytest.approx(deep["area_ha"], abs=2e-4)
    run = json.loads((out / "run.json").read_text())
    assert run["crs"] == "EPSG:32615" and "tracks/track.tsv" in run["inputs"]


def test_layers_tell_their_unit_scale_and_place(result):
    folder = result / "out" / "layers" / "base" / "Maize"
    with rasterio.open(folder / "ratio_50.tif") as layer:
        values = layer.read(1, masked=True) * layer.scales[0]
        assert layer.crs.to_epsg() == 32615 and layer.nodata == 65535 and layer.descriptions[0].endswith("50 cm deep")
        assert layer.res == (0.5, 0.5)
    zones = pd.read_csv(result / "out" / "zones.csv")
    row = zones[(zones.zone == "all") & (zones.depth_m == 0.5)].iloc[0]
    assert (values > 1).sum() * 0.25 / 1e4 == pytest.approx(row.overstressed_ha, abs=1e-4)
    with rasterio.open(folder / "stress_50.tif") as layer:
        assert layer.units[0] == "kPa"
