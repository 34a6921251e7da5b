"""Recorded logs turned into drives: an invented log with known faults, and a real one."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from routes_farm import field, operation, outfit
from shapely import Point, Polygon

from trafficplan.farm.operation import Log
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD, TURN, WORK
from trafficplan.routes.fixes import clean, log_facts
from trafficplan.routes.logs import boundary_from_log, drive_from_log, smoothed
from trafficplan.routes.passes import Drive

WIDTH = 9.144  # m, header of 12 rows = 360 inches
HARVEST = operation(rate_kg_m2=0.9, change="fills")
HEADER = replace(outfit(6.0, 7.0, 6e3, 0.0), field_m_s=2.0)
GROUND = field(Polygon([(-10, -10), (210, -10), (210, 40), (-10, 40)]))


def bouts(noise: float = 0.0) -> Log:
    """Two bouts of 200 m, 12 m apart, a half-round turn between them; 2 m/s, a fix each second, 5 kg/s."""
    first = np.column_stack([np.arange(0.0, 201.0, 2.0), np.zeros(101)])
    angle = np.arange(1, 9) * np.pi / 9
    turn = np.column_stack([200.0 + 6.0 * np.sin(angle), 6.0 - 6.0 * np.cos(angle)])
    xy = np.concatenate([first, turn, first[::-1] + [0.0, 12.0]])
    xy = xy + np.random.default_rng(5).normal(0.0, noise, xy.shape)
    flow = np.full(len(xy), 5.0)
    flow[101:109] = 0.0
    return Log("bouts", np.arange(float(len(xy))), xy[:, 0], xy[:, 1], flow_kg_s=flow)


def spoiled(log: Log, **columns: np.ndarray) -> Log:
    return replace(log, **columns)


def told(drive: Drive, words: str) -> bool:
    return any(words in note.what or words in note.why for note in drive.notes)


def leg_m(drive: Drive, leg: int) -> float:
    return float(np.hypot(*np.diff(drive.xy, axis=0).T)[drive.leg[:-1] == leg].sum())


def test_plain_log_gives_work_and_a_turn() -> None:
    drive = drive_from_log(bouts(), GROUND, HARVEST, HEADER)
    assert leg_m(drive, WORK) == pytest.approx(400.0, abs=15.0)
    assert leg_m(drive, TURN) == pytest.approx(6.0 * np.pi, abs=15.0)
    assert drive.worked_m2 == pytest.approx(leg_m(drive, WORK) * 6.0, rel=0.01)
    assert drive.load_kg[-1] == pytest.approx(202 * 5.0, rel=0.02)  # 202 records in work at 5 kg
    assert np.hypot(*np.diff(drive.xy, axis=0).T).min() > 1e-6


def test_stamps_out_of_order_and_repeated_are_mended() -> None:
    log = bouts()
    order = np.arange(len(log.x))
    order[[40, 41]] = [41, 40]
    order = np.insert(order, 70, 70)
    mixed = Log("mixed", log.time_s[order], log.x[order], log.y[order], flow_kg_s=log.flow_kg_s[order])
    drive = drive_from_log(mixed, GROUND, HARVEST, HEADER)
    assert told(drive, "out of order") and told(drive, "repeated")
    assert np.allclose(drive.xy, drive_from_log(log, GROUND, HARVEST, HEADER).xy, atol=1e-6)
    assert (log_facts(mixed).out_of_order, log_facts(mixed).repeated) == (1, 1)


def test_mass_of_merged_records_is_not_lost() -> None:
    log = bouts()
    order = np.insert(np.arange(len(log.x)), 70, 70)
    mixed = Log("mixed", log.time_s[order], log.x[order], log.y[order], flow_kg_s=log.flow_kg_s[order])
    assert clean(mixed).flow_kg is not None
    assert clean(mixed).flow_kg.sum() == pytest.approx(log.flow_kg_s.sum() + 5.0)


def test_single_fix_far_off_is_left_out() -> None:
    log = bouts()
    y = log.y.copy()
    y[50] += 25.0
    drive = drive_from_log(spoiled(log, y=y), GROUND, HARVEST, HEADER)
    assert told(drive, "far off the way")
    assert np.abs(drive.xy[(drive.xy[:, 0] > 80) & (drive.xy[:, 0] < 120) & (drive.xy[:, 1] < 5), 1]).max() < 0.1


def test_jump_is_not_driven_but_the_tank_goes_on() -> None:
    log = bouts()
    keep = np.r_[0:40, 60:209]
    holed = Log("holed", log.time_s[keep], log.x[keep], log.y[keep], flow_kg_s=log.flow_kg_s[keep])
    drive = drive_from_log(holed, GROUND, HARVEST, HEADER)
    assert leg_m(drive, ROAD) == pytest.approx(42.0, abs=0.5)
    assert told(drive, "jumps")
    after = drive.load_kg[np.flatnonzero(drive.leg == ROAD)[-1] + 1]
    assert after >= 40 * 5.0 - 1e-6
    assert log_facts(holed).jumps == 1


def test_noise_while_standing_is_left_out() -> None:
    log = bouts()
    rng = np.random.default_rng(2)
    place = np.repeat([[100.0, 0.0]], 60, axis=0) + rng.uniform(-0.1, 0.1, (60, 2))
    x, y = np.insert(log.x, 51, place[:, 0]), np.insert(log.y, 51, place[:, 1])
    flow = np.insert(log.flow_kg_s, 51, np.zeros(60))
    stood = Log("stood", np.arange(float(len(x))), x, y, flow_kg_s=flow)
    drive = drive_from_log(stood, GROUND, HARVEST, HEADER)
    assert told(drive, "standing still")
    length = np.hypot(*np.diff(drive.xy, axis=0).T).sum()
    assert length == pytest.approx(418.8, abs=2.0)
    # standing for a minute with 250 kg on board is under a quarter of 6 t: no unloading
    assert drive.trips == 1


def test_standing_with_a_full_enough_tank_is_unloading() -> None:
    log = bouts()
    time = log.time_s + 60.0 * (np.arange(len(log.x)) > 150)
    small = replace(HEADER, capacity_kg=2500.0)
    drive = drive_from_log(spoiled(log, time_s=time), GROUND, HARVEST, small)
    assert drive.trips == 2
    assert any("1 times standing" in note.value for note in drive.notes)
    assert drive.load_kg.max() == pytest.approx(143 * 5.0, rel=0.02)


def test_full_tank_is_emptied() -> None:
    drive = drive_from_log(bouts(), GROUND, HARVEST, replace(HEADER, capacity_kg=400.0))
    assert drive.load_kg.max() <= 400.0 + 1e-9
    assert drive.trips == 1 + 1010 // 400
    assert any("2 times because full" in note.value for note in drive.notes)


def test_rate_empties_a_spreader() -> None:
    log = replace(bouts(), flow_kg_s=None)
    drive = drive_from_log(log, GROUND, operation(rate_kg_m2=1.0, change="empties", load_kg=6e3), HEADER)
    assert drive.load_kg[0] == 6e3
    assert drive.load_kg[-1] == pytest.approx(6e3 - drive.worked_m2, rel=0.02)
    assert told(drive, "no flow")


def test_recorded_load_is_kept() -> None:
    log = replace(bouts(), load_kg=np.linspace(0.0, 3000.0, 210))
    drive = drive_from_log(log, GROUND, HARVEST, HEADER)
    assert drive.load_kg[-1] == 3000.0
    assert (np.diff(drive.load_kg) >= -1e-9).all()


def test_far_outside_the_field_is_road() -> None:
    log = bouts()
    away = np.column_stack([np.arange(-100.0, 0.0, 2.0), np.zeros(50)])
    x, y = np.concatenate([away[:, 0], log.x]), np.concatenate([away[:, 1], log.y])
    flow = np.concatenate([np.zeros(50), log.flow_kg_s])
    drive = drive_from_log(Log("away", np.arange(float(len(x))), x, y, flow_kg_s=flow), GROUND, HARVEST, HEADER)
    # the field begins at x = -10, road is more than 30 m outside it
    assert drive.xy[:-1][drive.leg[:-1] == ROAD][:, 0].max() < -40.0
    assert leg_m(drive, ROAD) == pytest.approx(60.0, abs=4.0)


def test_antenna_is_shifted_to_the_reference_point() -> None:
    ahead = replace(HEADER, antenna_behind_m=-1.5)  # antenna 1.5 m ahead of the reference point
    drive = drive_from_log(bouts(), GROUND, HARVEST, ahead)
    assert drive.xy[0] == pytest.approx([-1.5, 0.0], abs=1e-6)
    assert drive.xy[-1] == pytest.approx([1.5, 12.0], abs=1e-6)


def test_smoothing_halves_the_wobble_of_headings() -> None:
    rng = np.random.default_rng(1)
    x = np.arange(0.0, 100.0, 0.4)
    xy = np.column_stack([x, rng.normal(0.0, 0.03, len(x))])
    still = np.zeros(len(x), dtype=bool)

    def wobble(line: np.ndarray) -> float:
        step = np.diff(line, axis=0)
        return float(np.arctan2(step[:, 1], step[:, 0])[10:-10].std())

    assert wobble(smoothed(xy, still)) < 0.5 * wobble(xy)


def test_too_few_fixes_are_told() -> None:
    log = Log("short", np.array([0.0, 1.0]), np.array([0.0, 1.0]), np.zeros(2))
    drive = drive_from_log(log, GROUND, HARVEST, HEADER)
    assert len(drive.xy) == 0 and told(drive, "too few")


def test_log_without_stamps() -> None:
    log = replace(bouts(), time_s=np.full(210, np.nan))
    drive = drive_from_log(log, GROUND, HARVEST, HEADER)
    assert told(drive, "no time stamps")
    assert leg_m(drive, WORK) == pytest.approx(400.0, abs=15.0)


# A maize field harvested south of Mankato, Minnesota, 5 November 2011: track of the combine, University of
# Minnesota Precision Agriculture Center, as in the R package agridat (gartner.corn), CC BY-SA 3.0.

FOLDER = Path(os.environ.get("TRAFFICPLAN_OPEN_DATA", Path(__file__).parents[2] / "shared" / "open-data"))
TRACK = FOLDER / "grain-harvest" / "track.tsv"
real = [
    pytest.mark.real,
    pytest.mark.skipif(not TRACK.exists(), reason="open data (grain-harvest/track.tsv) are not here"),
]


@lru_cache
def harvest_log() -> Log:
    table = pd.read_csv(TRACK, sep="\t")
    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True)
    x, y = to_utm.transform(table["long"].to_numpy(), table["lat"].to_numpy())
    pound, inch = 0.45359237, 0.0254
    return Log(
        "track.tsv",
        table["time"].to_numpy(float),
        x,
        y,
        flow_kg_s=table["mass"].to_numpy() * pound,
        step_m=table["dist"].to_numpy() * inch,
        record_s=table["seconds"].to_numpy(float),
    )


@lru_cache
def harvest() -> tuple[Drive, Polygon]:
    ground = boundary_from_log(harvest_log(), WIDTH)
    combine: Outfit = outfit(WIDTH, 7.0, 9e3, 0.0)
    return drive_from_log(harvest_log(), field(ground), HARVEST, combine), ground


class TestRealHarvest:
    """Expected: facts found by summing the file's own columns."""

    pytestmark = real

    def test_facts(self) -> None:
        facts = log_facts(harvest_log())
        assert facts.fixes == 4949
        assert facts.path_m == pytest.approx(30_700.0, rel=0.01)
        assert facts.sensor_m == pytest.approx(29_900.0, rel=0.005)
        assert facts.mass_kg == pytest.approx(232_900.0, rel=0.005)
        assert facts.hours == pytest.approx(4 + 33 / 60, abs=0.02)
        assert (facts.jumps, facts.pauses) == (2, 69)
        assert facts.share_used > 0.99

    def test_worked_area(self) -> None:
        drive, ground = harvest()
        assert drive.worked_m2 == pytest.approx(274_000.0, rel=0.02)
        assert ground.area == pytest.approx(274_000.0, rel=0.02)
        assert drive.unworked_m2 < 0.03 * ground.area

    def test_obstacle_in_the_north_stays_visible(self) -> None:
        _, ground = harvest()
        _, _, _, north = ground.bounds
        holes = [Polygon(ring) for ring in ground.interiors]
        assert [hole for hole in holes if hole.area > 300.0 and north - hole.centroid.y < 100.0]

    def test_all_grain_goes_through_the_tank(self) -> None:
        drive, _ = harvest()
        unloaded = -np.minimum(np.diff(drive.load_kg), 0.0).sum()
        assert unloaded + drive.load_kg[-1] == pytest.approx(232_900.0, rel=0.005)
        assert drive.load_kg.min() >= 0.0 and drive.load_kg.max() <= 9e3 + 1e-6
        # at least as many loads as 232.9 t need, at 9 t each
        assert 26 <= drive.trips <= 40

    def test_way_is_one_line(self) -> None:
        drive, ground = harvest()
        step = np.hypot(*np.diff(drive.xy, axis=0).T)
        assert step[drive.leg[:-1] != ROAD].max() < 30.0
        work = drive.xy[drive.leg == WORK]
        assert max(Point(p).distance(ground) for p in work[::50]) < 6.0
        assert (np.diff(drive.time_s) >= 0.0).all()
        for words in ("out of order", "jumps", "pauses", "smoothed", "without a record", "unloaded"):
            assert told(drive, words)
