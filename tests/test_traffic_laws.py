"""Laws of the kernel on 30 m fields: sums, order, tiles, threads, moves and turns."""

import dataclasses
import hashlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.farm.grid import Grid
from trafficplan.machines.contact import contact_area
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.soil.stress import stress_quartic, stress_track
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.kernel import run_tiles
from trafficplan.traffic.layers import OperationEvents, SeasonLayers
from trafficplan.traffic.season import run_season
from trafficplan.traffic.segments import LIGHTEST_N, level_of, load_of
from trafficplan.traffic.tables import Setup, axle_profile
from trafficplan.traffic.warmup import warm_up

DEPTHS = (0.10, 0.20, 0.35, 0.50, 0.70, 1.00)
DEEP_FROM = 0.25
GRAVITY = 9.80665
GRID = Grid.around((0.0, 0.0, 30.0, 30.0), 0.5, "EPSG:32615")
TYRE = Tyre("650/65R30.5", "tyre", 0.65, 1.62, 0.42)
LAWS = settings(max_examples=25, derandomize=True, deadline=None)
LAYERS = (
    "passes_16", "wheeled_mask", "traffic_g_m", "stress_pa", "ratio", "over", "compaction", "first_over", "worst",
)  # fmt: skip


def axle_of(offsets: tuple[float, ...], tyre: Tyre = TYRE) -> Axle:
    return Axle("axle", 0.0, tuple(Wheel(tyre, o) for o in offsets), 4e4, 9e4, 1e5, 2e5)


AXLE = axle_of((0.97, -0.97))


def soils(strength=6e4, nu=5.0, depths=DEPTHS) -> tuple[SoilDay, ...]:
    at = np.array(depths)
    return tuple(
        SoilDay(at, np.full(at.size, 1e4), k * strength * (0.6 + at), np.full(at.size, 0.5), np.full(at.size, nu))
        for k in (1.0, 1.4)
    )


def pass_of(xy, load, axle=AXLE, operation=0) -> Pass:
    n = len(xy)
    return Pass(operation, axle, 1e5, 0.0, xy, load, np.zeros(n, np.int8), np.zeros(n, np.int8))


def operation_of(*passes, till=0.0, soil=None) -> OperationEvents:
    swept = np.column_stack([passes[0].xy[:-1], passes[0].xy[1:]]) if passes else np.zeros((0, 4))
    return OperationEvents(tuple(passes), soil or soils(), till, swept, 3.0)


def run(*operations, grid=GRID, kind=None, depths=DEPTHS, **how) -> SeasonLayers:
    kind = np.add(*np.indices(grid.shape) // 20, dtype=np.int64) % 2 if kind is None else kind
    return run_season(grid, kind.astype(np.uint8), depths, DEEP_FROM, operations, **how)


def fingerprint(layers: SeasonLayers) -> str:
    digest = hashlib.sha256()
    for name in LAYERS:
        digest.update(np.ascontiguousarray(getattr(layers, name)).tobytes())
    return digest.hexdigest()


@st.composite
def ways(draw, low=2.0, high=28.0):
    """A wandering path and its load: 2 to 9 corners, sharp bends, repeated places and reversals included."""
    n = draw(st.integers(2, 9))
    whole = st.integers(int(low * 100), int(high * 100))
    xy = np.array([[draw(whole) / 100, draw(whole) / 100] for _ in range(n)])
    load = np.array([draw(st.integers(10, 150)) * 1e3 for _ in range(n)])
    return xy, load


def length_load(xy, load) -> float:
    """Return load x length of a path [g m], by hand."""
    return float((np.hypot(*np.diff(xy, axis=0).T) * 0.5 * (load[1:] + load[:-1])).sum() / GRAVITY * 1e3)


@LAWS
@given(ways(low=6.0, high=24.0))
def test_traffic_sums_to_load_times_length(way):
    """Nothing is lost: whole grams x metres of 8 filaments, which may lie outside the box only at mitred corners."""
    xy, load = way
    grid = Grid.around((-20.0, -20.0, 50.0, 50.0), 0.5, "EPSG:32615")
    layers = run(operation_of(pass_of(xy, load)), grid=grid)
    assert layers.traffic_g_m.sum(dtype=float) == pytest.approx(length_load(xy, load), abs=8 * 2 + 1e-4 * load.max())


@LAWS
@given(ways(), st.floats(1.0, 2.5))
def test_more_load_never_lowers_stress(way, factor):
    """Exact profiles rise with load and the ladder never turns: what is left is rounding of float32."""
    xy, load = way
    less, more = (run(operation_of(pass_of(xy, load * k))) for k in (1.0, factor))
    assert np.all(more.stress_pa >= less.stress_pa * (1 - 1e-5) - 1.0)
    assert np.all(more.over >= less.over)
    assert more.traffic_g_m.sum() >= less.traffic_g_m.sum()


@LAWS
@given(ways(), ways())
def test_tiles_and_threads_change_no_byte(one, two):
    season = (
        operation_of(pass_of(*one), till=0.2),
        operation_of(pass_of(*two, axle=axle_of((0.7, 1.3, -0.7, -1.3)))),
    )
    base = fingerprint(run(*season))
    for threads, tile in ((2, 64), (1, 7), (2, 16), (1, 200)):
        assert fingerprint(run(*season, threads=threads, tile=tile)) == base


@LAWS
@given(ways(), ways(), st.sampled_from([0.0, 0.2]))
def test_an_operation_never_lowers_a_layer_except_by_tillage(one, two, till):
    before = run(operation_of(pass_of(*one)))
    after = run(operation_of(pass_of(*one)), operation_of(pass_of(*two), till=till))
    for name in ("passes_16", "traffic_g_m", "stress_pa", "ratio", "over"):
        assert np.all(getattr(after, name) >= getattr(before, name)), name
    assert np.all((before.wheeled_mask & ~after.wheeled_mask) == 0)
    lower = after.compaction < before.compaction
    assert not lower[np.array(DEPTHS) > till].any()
    np.testing.assert_array_equal(after.first_over[before.first_over > 0], before.first_over[before.first_over > 0])


@LAWS
@given(st.integers(200, 1400), st.integers(-600, 600), st.sampled_from([30e3, 90e3, 120e3]), st.integers(1, 9))
def test_a_straight_pass_cut_in_two_changes_nothing(start, rise, load, cut):
    """At a vertex of a straight line both halves end square, so no ghost of the neighbour is needed."""
    a, b = np.array([2.03, start / 100]), np.array([27.91, start / 100 + 7 + rise / 100])
    middle = a + (b - a) * cut / 10
    whole = run(operation_of(pass_of(np.array([a, middle, b]), np.full(3, load))))
    halves = run(
        operation_of(pass_of(np.array([a, middle]), np.full(2, load)), pass_of(np.array([middle, b]), np.full(2, load)))
    )
    np.testing.assert_array_equal(whole.passes_16, halves.passes_16)
    np.testing.assert_array_equal(whole.over, halves.over)
    np.testing.assert_allclose(whole.stress_pa, halves.stress_pa, rtol=1e-4, atol=1.0)
    total = halves.traffic_g_m.sum(dtype=float)
    assert whole.traffic_g_m.sum(dtype=float) == pytest.approx(total, abs=16)


@LAWS
@given(ways(), st.integers(-4000, 4000), st.integers(-4000, 4000))
def test_moving_by_whole_cells_keeps_counts(way, east, south):
    """The sample point of a cell belongs to its row and column in the box, so the box moves with the field."""
    xy, load = way
    by = np.array([east * 0.5, -south * 0.5])
    moved = dataclasses.replace(GRID, west=GRID.west + by[0], north=GRID.north + by[1])
    here, there = run(operation_of(pass_of(xy, load))), run(operation_of(pass_of(xy + by, load)), grid=moved)
    assert (here.passes_16 != there.passes_16).mean() < 2e-3  # ties on a strip's edge, rounded anew
    assert (here.over != there.over).mean() < 2e-3
    assert np.abs(here.stress_pa - there.stress_pa).mean() < 50.0


@LAWS
@given(st.floats(0.0, 180.0), st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_turning_by_a_quarter_changes_statistics_within_rounding(heading, east, north):
    """Other cells and sample points, so single cells differ; over five bouts of 20 m the means hardly do."""
    angle = np.radians(heading)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.array([15.0 + east, 15.0 + north])
    bouts = [middle + across * 4.0 * i + along * np.array([[-10.0], [10.0]]) for i in range(-2, 3)]
    kind, load = np.zeros(GRID.shape), np.full(2, 9e4)
    here = run(operation_of(*[pass_of(xy, load) for xy in bouts]), kind=kind)
    turned = [np.column_stack([xy[:, 1], 30.0 - xy[:, 0]]) for xy in bouts]
    there = run(operation_of(*[pass_of(xy, load) for xy in turned]), kind=kind)
    assert float(there.passes_16.sum()) == pytest.approx(float(here.passes_16.sum()), rel=0.02)
    # grams x metres of 8 filaments a bout, each rounded once
    assert there.traffic_g_m.sum(dtype=float) == pytest.approx(here.traffic_g_m.sum(dtype=float), abs=80.0)
    for depth in range(len(DEPTHS)):
        means = [float(layers.stress_pa[depth].mean()) for layers in (here, there)]
        assert means[1] == pytest.approx(means[0], rel=0.10 if DEPTHS[depth] < 0.3 else 0.05)


def test_road_legs_and_light_axles_do_nothing():
    xy = np.array([[5.0, 5.0], [25.0, 9.0], [25.0, 25.0]])
    one = pass_of(xy, np.full(3, 9e4))
    road = dataclasses.replace(one, leg=np.full(3, ROAD, np.int8))
    nothing = run(operation_of(dataclasses.replace(one, load_n=np.zeros(3))), operation_of(road))
    assert all(not getattr(nothing, name).any() for name in LAYERS)


@pytest.mark.parametrize("points", [[], [[5.0, 5.0]], [[5.0, 5.0], [5.0, 5.0]]])
def test_a_pass_that_goes_nowhere_is_nothing(points):
    xy = np.array(points, dtype=float).reshape(-1, 2)
    layers = run(operation_of(pass_of(xy, np.full(len(xy), 9e4))), operation_of())
    assert all(not getattr(layers, name).any() for name in LAYERS)


def test_cells_outside_the_field_keep_traffic_but_no_stress():
    xy = np.array([[2.0, 15.2], [28.0, 15.9]])
    layers = run(operation_of(pass_of(xy, np.full(2, 9e4))), kind=np.full(GRID.shape, 255))
    assert layers.passes_16.any() and not layers.stress_pa.any() and not layers.ratio.any()
    assert layers.traffic_g_m.sum(dtype=float) == pytest.approx(length_load(xy, np.full(2, 9e4)), abs=16)


def test_tillage_sets_the_index_back_only_as_deep_as_it_works():
    xy = np.array([[2.0, 15.2], [28.0, 15.9]])
    one = pass_of(xy, np.full(2, 1.4e5))
    layers = run(operation_of(one, till=0.20))
    strip = run(operation_of(one))
    tilled = np.array(DEPTHS) <= 0.20
    x, y = GRID.centres()
    swept = np.abs(y[:, None] - 15.2 - 0.7 * (x[None, :] - 2.0) / 26.0) < 1.3
    swept &= (x > 3) & (x < 27)
    assert strip.compaction[tilled][:, swept].max() > 0.2
    assert not layers.compaction[tilled][:, swept].any()
    np.testing.assert_array_equal(layers.compaction[~tilled], strip.compaction[~tilled])
    np.testing.assert_array_equal(layers.ratio, strip.ratio)


def test_equal_passes_follow_the_saturating_law():
    """M after N equal passes = ln r (1 - 0.25^N): closed form of the law of the compaction index."""
    xy = np.array([[2.0, 15.2], [28.0, 15.9]])
    one = pass_of(xy, np.full(2, 1.4e5))
    for passes in (1, 2, 5):
        layers = run(operation_of(*[one] * passes))
        expected = np.log(np.maximum(layers.ratio, 1.0)) * (1 - 0.25**passes)
        np.testing.assert_allclose(layers.compaction, expected, atol=2e-6 * passes)  # float32


def test_sixteen_depths_agree_with_eight():
    """Nine to sixteen depths take two vectors; a depth's layer does not know of the others."""
    xy = np.array([[2.0, 15.2], [17.3, 12.1], [16.2, 27.9], [12.0, 2.0]])
    one = pass_of(xy, np.array([9e4, 1.1e5, 9e4, 7e4]))
    many = tuple(np.round(np.arange(0.1, 1.61, 0.1), 2))
    few = many[1:14:2]
    wide = run(operation_of(one, till=0.25, soil=soils(depths=many)), depths=many)
    slim = run(operation_of(one, till=0.25, soil=soils(depths=few)), depths=few)
    for name in ("stress_pa", "ratio", "over", "compaction"):
        np.testing.assert_array_equal(getattr(wide, name)[1:14:2], getattr(slim, name), err_msg=name)


def test_the_load_ladder_is_even_and_never_turns():
    loads = np.geomspace(LIGHTEST_N * 1.01, 4e5, 4000)
    levels = np.array([level_of(float(load)) for load in loads])
    assert np.all(np.diff(levels) >= 0)
    assert np.abs(np.array([load_of(int(level)) for level in levels]) / loads - 1).max() < 1 / 63


@pytest.mark.parametrize("nu", [4, 5, 6])
def test_axle_profiles_are_the_soil_models_own(nu):
    """Wheels added one by one with the soil layer's function, furrow wheels from their depth down: within 0.5 %."""
    track = Tyre("belt", "track", 0.6, 0.0, 0.0, 1.8, 4)
    offsets = np.linspace(-3.4, 3.4, 137)
    for axle, side in (
        (AXLE, 0),
        (axle_of((0.7, 1.3, -0.7, -1.3)), 0),
        (AXLE, 1),
        (axle_of((1.1, -1.1), track), 0),
    ):
        setup = Setup.of(axle, 1.2e5, 0.22, side)
        got = axle_profile(setup, 1.1e5, DEPTHS, (nu,) * 6, offsets)
        expected = np.zeros_like(got)
        for wheel in axle.wheels:
            share = 1.1e5 / len(axle.wheels)
            for d, depth in enumerate(DEPTHS):
                z = depth - (0.22 if side * wheel.offset_m > 0 else 0.0)
                if z > 0 and wheel.tyre.kind == "track":
                    expected[:, d] += stress_track(share, 0.6, 1.8, 4, offsets - wheel.offset_m, z, nu)
                elif z > 0:
                    area = contact_area(wheel.tyre, share, 1.2e5)
                    expected[:, d] += stress_quartic(share, area, offsets - wheel.offset_m, z, nu)
        np.testing.assert_allclose(got, expected, rtol=0.005, atol=0.0005 * expected.max())


def test_the_callers_mistakes_are_refused():
    xy = np.array([[2.0, 15.2], [28.0, 15.9]])
    one = operation_of(pass_of(xy, np.full(2, 9e4)))
    with pytest.raises(ValueError, match="soil classes are"):
        run(one, kind=np.zeros((3, 3)))
    with pytest.raises(ValueError, match="has 2 soils"):
        run(one, kind=np.full(GRID.shape, 2))
    with pytest.raises(ValueError, match="not on the depths"):
        run(one, depths=DEPTHS[:3])
    with pytest.raises(ValueError, match="must be whole"):
        run(operation_of(pass_of(xy, np.full(2, 9e4)), soil=soils(nu=4.5)))


def test_warming_up_compiles_what_a_season_needs():
    """After it a season compiles nothing more: no signature is added to the kernel."""
    warm_up()
    before = len(run_tiles.signatures)
    xy = np.array([[2.0, 15.2], [28.0, 15.9]])
    run(operation_of(pass_of(xy, np.full(2, 9e4)), till=0.2), threads=2)
    assert len(run_tiles.signatures) == before == 1
