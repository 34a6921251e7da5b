"""The kernel against the slow reference: a 40 m field with everything that can happen on it."""

import math

import numpy as np
import pytest
import shapely
from slow_reference import lay, member, season_of_cell, stretches

from trafficplan.farm.grid import Grid
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import OperationEvents, SeasonLayers
from trafficplan.traffic.season import execute, prepare_season, run_season

DEPTHS = (0.10, 0.20, 0.30, 0.35, 0.50, 0.70, 1.00)
DEEP_FROM = 0.25
GRID = Grid.around((0.0, 0.0, 40.0, 40.0), 0.5, "EPSG:32615")
GRAVITY = 9.80665
WIDE = Tyre("650/65R30.5", "tyre", 0.65, 1.62, 0.42)
NARROW = Tyre("380/90R46", "tyre", 0.38, 1.85, 0.34)
SINGLE = Axle("rear", 0.0, (Wheel(WIDE, 0.97), Wheel(WIDE, -0.97)), 4e4, 9e4, 1e5, 2e5)
DUALS = Axle("dual", 0.0, tuple(Wheel(NARROW, o) for o in (0.71, 1.33, -0.71, -1.33)), 4e4, 9e4, 8e4, 2e5)

#: Tables: nearest step of a load ladder (within 1.6 %), linear between exact loads and between offsets 2.5 cm apart.
#: Measured here: up to 2.0 kPa off at 10 cm (the steep flank beside a tyre), 1.2 at 35 cm, 0.5 at 1 m; rms 0.35, 0.27
#: and 0.12 kPa where there is stress at all.
RELATIVE, ABSOLUTE_PA, RMS_PA = 0.03, 2000.0, 500.0


def soil(strength_kpa: float, nu: float) -> SoilDay:
    depths = np.array(DEPTHS)
    strength = strength_kpa * 1e3 * (0.7 + depths)
    return SoilDay(depths, np.full(7, 1e4), strength, np.full(7, 0.5), np.where(depths < 0.32, nu, 5.0))


def one_pass(operation, axle, points, load, pressure=1e5, runs_at=0.0, furrow=0, road=()):
    xy = np.array(points, dtype=float)
    n = len(xy)
    leg = np.zeros(n, np.int8)
    leg[list(road)] = ROAD
    return Pass(operation, axle, pressure, runs_at, xy, np.linspace(*load, n), leg, np.full(n, furrow, np.int8))


def bent() -> list[tuple[float, float]]:
    return [
        (-3.0, 3.1),
        (4.3, 4.2),
        (11.9, 5.1),
        (19.2, 7.3),
        (25.4, 11.8),
        (29.9, 18.1),
        (31.2, 25.6),
        (28.3, 32.5),
    ]


def loop() -> list[tuple[float, float]]:
    """In, a full circle of 5.2 m that crosses its own way, a tight hook of 1.5 m, and out."""
    turn = [(20.03 + 5.2 * math.sin(a), 22.11 - 5.2 * math.cos(a)) for a in np.linspace(0, 2 * math.pi, 17)]
    hook = [(34.5 + 1.5 * math.sin(a), 18.3 - 1.5 * math.cos(a)) for a in np.linspace(0, math.pi, 7)]
    return [
        (4.1, 16.3),
        (11.8, 16.6),
        (15.9, 16.5),
        *turn[:-1],
        (20.4, 16.8),
        (27.6, 16.8),
        *hook,
        (27.13, 20.47),
    ]


def season() -> tuple[OperationEvents, ...]:
    moist, wet = (soil(55, 5.0), soil(80, 5.0)), (soil(45, 6.0), soil(60, 6.0))
    none = np.zeros((0, 4))
    furrow = [(7.7, 36.2), (7.9, 28.6), (8.3, 21.1), (8.2, 13.5), (8.35, 5.9)]
    work = np.array(furrow)
    swept = np.column_stack([work[:-1], work[1:]])
    reversing = [(24.2, 36.1), (31.6, 35.2), (25.3, 34.6), (18.2, 33.9)]
    return (
        OperationEvents(
            (one_pass(0, SINGLE, bent(), (5e4, 1.2e5)), one_pass(0, DUALS, bent(), (9e4, 9e4), 8e4, road=(5,))),
            moist, 0.0, none, 0.0,
        ),
        OperationEvents((one_pass(1, SINGLE, furrow, (8e4, 8e4), 9e4, 0.22, 1),), moist, 0.25, swept, 4.3),
        OperationEvents((one_pass(2, DUALS, loop(), (1.4e5, 6e4), 1.2e5),), wet, 0.0, none, 0.0),
        OperationEvents((one_pass(3, SINGLE, reversing, (7e4, 7.4e4)),), wet, 0.15, swept[1:3] + 6.3, 3.1),
        OperationEvents((one_pass(4, SINGLE, furrow[::-1], (8e4, 8.8e4), 9e4, 0.22, -1),), wet, 0.0, none, 0.0),
    )  # fmt: skip


def classes() -> np.ndarray:
    row, col = np.indices(GRID.shape)
    kind = (col > 35).astype(np.uint8)
    kind[(row < 9) & (col > 60)] = 255
    return kind


@pytest.fixture(scope="module")
def fast() -> SeasonLayers:
    return run_season(GRID, classes(), DEPTHS, DEEP_FROM, season())


@pytest.fixture(scope="module")
def slow():
    laid, kind = lay(season()), classes()
    return {
        (r, c): season_of_cell(GRID, r, c, int(kind[r, c]), DEPTHS, DEEP_FROM, laid, RELATIVE)
        for r in range(GRID.rows)
        for c in range(GRID.cols)
    }


def plane(slow, get) -> np.ndarray:
    out = np.array([get(*slow[r, c]) for r in range(GRID.rows) for c in range(GRID.cols)])
    return np.moveaxis(out.reshape(GRID.rows, GRID.cols, *out.shape[1:]), (0, 1), (-2, -1))


def test_every_stretch_is_its_own(fast):
    """The scene is made so that the kernel neither merges nor splits stretches (else the comparison means little)."""
    prepared = prepare_season(GRID, classes(), DEPTHS, DEEP_FROM, season())
    wanted = sum(len(way) for laid in lay(season()) for way in [*laid.ways, *laid.swept])
    assert len(prepared.floats) == wanted


def test_passes_and_wheeled_agree_exactly(fast, slow):
    np.testing.assert_array_equal(fast.passes_16, plane(slow, lambda cell, *_: cell.sixteenths))
    mask = plane(slow, lambda cell, *_: sum(1 << (4 * i + j) for i, j in cell.touched))
    np.testing.assert_array_equal(fast.wheeled_mask, mask)
    assert fast.passes_16.max() > 40  # almost three full passes somewhere


def test_events_agree_exactly(slow):
    """With hardly any strength every visit counts as over: the counts are the events."""
    kind = classes()
    weak = tuple(
        OperationEvents(
            op.passes,
            tuple(SoilDay(s.depths_m, s.tension_pa, np.ones(7), s.spread, s.nu) for s in op.soils),
            op.till_depth_m, op.swept, op.swept_width_m,
        )
        for op in season()
    )  # fmt: skip
    layers, events = execute(prepare_season(GRID, kind, DEPTHS, DEEP_FROM, weak), GRID, kind, DEPTHS)
    expected = plane(slow, lambda cell, *_: cell.events)
    np.testing.assert_array_equal(layers.over[-1], expected)
    assert events == expected.sum() > 6_000


def test_stress_ratio_and_compaction_agree(fast, slow):
    stress = plane(slow, lambda cell, *_: cell.stress)
    np.testing.assert_allclose(fast.stress_pa, stress, rtol=RELATIVE, atol=ABSOLUTE_PA)
    error = (fast.stress_pa - stress)[:, stress[0] > 0]
    assert np.sqrt((error**2).mean(axis=1)).max() < RMS_PA
    ratio = plane(slow, lambda cell, *_: cell.ratio)
    np.testing.assert_allclose(fast.ratio, ratio, rtol=RELATIVE, atol=0.05)
    compaction = plane(slow, lambda cell, *_: cell.compaction)
    np.testing.assert_allclose(fast.compaction, compaction, atol=0.05)
    assert compaction.max() > 0.5


def test_over_counts_agree_within_the_tables_error(fast, slow):
    low, high = (plane(slow, lambda cell, *_, n=n: getattr(cell, n)) for n in ("over_low", "over_high"))
    assert np.all(fast.over >= low) and np.all(fast.over <= high)
    middle = plane(slow, lambda cell, *_: cell.over)
    assert (fast.over != middle).mean() < 0.01
    assert fast.over.max() >= 3


def test_first_and_worst_operation_agree(fast, slow):
    first, worst = plane(slow, lambda _, first, __: first), plane(slow, lambda _, __, worst: worst)
    assert (fast.first_over != first).mean() < 0.01  # ties within the tables' error
    assert (fast.worst != worst).mean() < 0.02
    assert len(np.unique(fast.worst)) >= 5


def test_traffic_agrees_per_wheel_strip(fast):
    """Each wheel's load x length lies under its strip: sums over the field and over one straight wheel track."""
    total = 0.0
    box = shapely.box(*GRID.bounds)
    for op in season():
        for one in op.passes:
            for i in range(len(one.xy) - 1):
                if one.leg[i] != ROAD:
                    inside = shapely.LineString(one.xy[i : i + 2]).intersection(box).length
                    total += inside * 0.5 * (one.load_n[i] + one.load_n[i + 1]) / GRAVITY * 1e3
    # the first pass enters the box 3 m after its start, at a load a little above its mean and filaments off its axis
    assert fast.traffic_g_m.sum(dtype=float) == pytest.approx(total, rel=2e-3)
    assert np.all(fast.traffic_g_m[fast.passes_16 == 0] <= fast.traffic_g_m.max() * 0.5)


def test_strip_is_the_mitred_buffer():
    """Membership by planes is the flat-capped, mitred buffer of a gently bent path (shapely)."""
    xy = np.array(bent())
    flat = np.zeros(len(xy))
    strip = shapely.buffer(shapely.LineString(xy), 2.97, cap_style="flat", join_style="mitre", mitre_limit=10)
    x, y = GRID.centres()
    for row in range(0, GRID.rows, 3):
        for col in range(0, GRID.cols, 3):
            inside = any(
                member(stretch, (x[col], y[row]), 2.97) is not None for stretch in stretches(xy, flat, flat, flat)
            )
            assert inside == shapely.contains_xy(strip, x[col], y[row])


def test_tiling_at_the_edges_of_the_reference_scene(fast):
    """Tiles that cut through bends and folds change no byte."""
    for tile in (7, 16, 33):
        other = run_season(GRID, classes(), DEPTHS, DEEP_FROM, season(), threads=2, tile=tile)
        for name in (
            "passes_16",
            "wheeled_mask",
            "traffic_g_m",
            "stress_pa",
            "ratio",
            "over",
            "compaction",
            "worst",
        ):
            assert getattr(fast, name).tobytes() == getattr(other, name).tobytes(), (tile, name)
