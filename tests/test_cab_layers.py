"""The plan as a GeoPackage, read back: lines, loads, pressures, minutes; a style for each layer."""

import sqlite3
from dataclasses import replace
from xml.etree import ElementTree as ET

import geopandas as gpd
import pyogrio
import pytest
import shapely
from cab_plans import CRS, RATE, cab_plan, without_table

from trafficplan.names import LEGS
from trafficplan.report.cab_layers import write_layers

LAYERS = ("drive", "run_outs", "swaths", "not_spread")


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    path = tmp_path_factory.mktemp("cab") / "plan.gpkg"
    write_layers(path, cab_plan())
    return path


def test_the_layers_are_there_in_the_plans_coordinates(package):
    assert sorted(name for name, _ in pyogrio.list_layers(package)) == sorted([*LAYERS, "layer_styles"])
    for name in LAYERS:
        assert gpd.read_file(package, layer=name).crs == CRS


def test_drive_is_one_line_in_pieces_by_leg_and_load(package):
    plan, drive = cab_plan(), gpd.read_file(package, layer="drive")
    assert list(drive.order) == list(range(1, len(drive) + 1)) and set(drive.leg) <= set(LEGS)
    ends = [shapely.get_point(one, -1) for one in drive.geometry[:-1]]
    starts = [shapely.get_point(one, 0) for one in drive.geometry[1:]]
    assert all(a.equals(b) for a, b in zip(ends, starts, strict=True))
    assert drive.km.sum() == pytest.approx(sum(plan.km().values()), abs=0.001 * len(drive))
    assert drive.minutes.sum() == pytest.approx(plan.hours * 60, abs=0.005 * len(drive))
    work = drive[drive.leg == "work"]
    spread = (work.load_start_t - work.load_end_t).sum() * 1e3
    assert spread == pytest.approx(work.km.sum() * 1e3 * plan.width_m * RATE, rel=0.002)
    assert set(drive.load) == set(range(1, len(plan.loads_kg) + 1))


def test_pressures_follow_the_ground(package):
    drive = gpd.read_file(package, layer="drive")
    assert set(drive.trailer_bar[drive.leg == "road"]) == {2.4}
    assert set(drive.trailer_bar[drive.leg != "road"]) == {1.2}
    assert set(drive.front_bar) == {0.8, 1.6}


def test_run_outs_swaths_and_strips(package):
    plan = cab_plan()
    outs = gpd.read_file(package, layer="run_outs")
    assert list(outs.load) == list(range(1, 23)) and outs.geometry[0].coords[0] == pytest.approx(plan.run_outs[0])
    assert outs.spread_t.sum() == pytest.approx(sum(plan.loads_kg) / 1e3, abs=0.01)
    assert len(gpd.read_file(package, layer="swaths")) == len(plan.swaths)
    strips = gpd.read_file(package, layer="not_spread")
    assert list(strips.why) == ["within 10 m of the ditch"]
    assert strips.area_ha[0] == pytest.approx(strips.geometry[0].area / 1e4, abs=1e-4)


def test_every_layer_has_a_style_that_a_map_program_finds(package):
    with sqlite3.connect(package) as base:
        rows = base.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles").fetchall()
    base.close()
    assert {row[0] for row in rows} == set(LAYERS) and all(row[2] == 1 for row in rows)
    styles = {name: ET.fromstring(qml) for name, qml, _ in rows}
    legs = [one.get("value") for one in styles["drive"].iter("category")]
    assert legs == list(LEGS)


def test_no_pressure_column_without_a_table_and_empty_layers_are_written(tmp_path):
    path = tmp_path / "plan.gpkg"
    write_layers(path, replace(without_table(cab_plan()), unspread=(), swaths=()))
    assert not [name for name in gpd.read_file(path, layer="drive").columns if name.endswith("_bar")]
    assert len(gpd.read_file(path, layer="not_spread")) == len(gpd.read_file(path, layer="swaths")) == 0


def test_the_same_plan_gives_the_same_bytes(package, tmp_path):
    write_layers(tmp_path / "again.gpkg", cab_plan())
    assert (tmp_path / "again.gpkg").read_bytes() == package.read_bytes()


def test_a_place_that_cannot_be_written_is_an_error_of_the_system(tmp_path):
    with pytest.raises(OSError, match=r"plan\.gpkg"):
        write_layers(tmp_path / "nowhere" / "plan.gpkg", cab_plan())
