"""Laws of contact, stress, strength and compaction that hold whatever the numbers are."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from trafficplan.machines.contact import AREA_MODELS, contact_area, upper_area
from trafficplan.machines.tyre import track_from_sizes, tyre_from_code
from trafficplan.soil.compaction import chance, compaction_of_equal_passes, compaction_step
from trafficplan.soil.day import soil_day
from trafficplan.soil.elastic import circle_parabolic_axis
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.soil.stress import depth_reached, stress_quartic, stress_rectangle, stress_track
from trafficplan.soil.texture import TEXTURES
from trafficplan.soil.unit import Horizon, SoilUnit

laws = settings(derandomize=True, max_examples=60, deadline=None, database=None)

CODES = ("650/65R30.5", "800/65R32", "710/70R42", "18.4R38", "12.5/80-18", "66x43.00-25")
TYRES = st.sampled_from([tyre_from_code(code) for code in CODES])
LOADS = st.floats(2e3, 100e3)
PRESSURES = st.floats(40e3, 400e3)
AREAS = st.floats(0.05, 1.5)
DEPTHS = st.floats(0.05, 2.0)
NUS = st.sampled_from([3, 4, 5, 6])
RATIOS = st.floats(0.01, 10.0)


def plane(radius_m, depth_m, points=3000):
    """Distances from the centre and their ring areas, out to where a plane carries no more (nu 3 and up)."""
    edge = math.asinh(200.0 * (radius_m + depth_m) / depth_m)
    step = edge / points
    t = (np.arange(points) + 0.5) * step
    return depth_m * np.sinh(t), 2.0 * np.pi * depth_m * np.sinh(t) * depth_m * np.cosh(t) * step


@laws
@given(LOADS, AREAS)
def test_contact_carries_the_load(load, area):
    radius = math.sqrt(area / math.pi)
    nodes, weights = np.polynomial.legendre.leggauss(20)
    r = 0.5 * radius * (nodes + 1.0)
    ring = 0.5 * radius * weights * 2.0 * np.pi * r
    assert (stress_quartic(load, area, r, 0.0, 5) * ring).sum() == pytest.approx(load, rel=1e-9)
    assert stress_quartic(load, area, radius * 1.001, 0.0, 5) == 0.0


@laws
@given(LOADS, AREAS, DEPTHS, NUS)
def test_every_plane_carries_the_load(load, area, depth, nu):
    r, ring = plane(math.sqrt(area / math.pi), depth)
    assert (stress_quartic(load, area, r, depth, nu) * ring).sum() == pytest.approx(load, rel=1e-3)


@pytest.mark.parametrize("nu", [3, 4, 5, 6])
@pytest.mark.parametrize(("width", "length", "depth"), [(0.6, 1.8, 0.35), (0.4, 0.2, 0.2), (0.9, 2.5, 1.0)])
def test_every_plane_under_a_rectangle_carries_the_load(width, length, depth, nu):
    x = depth * np.sinh(np.linspace(-6.0, 6.0, 241))
    stress = stress_rectangle(50e3, width, length, x[:, None], x[None, :], depth, nu)
    assert np.trapezoid(np.trapezoid(stress, x, axis=1), x) == pytest.approx(50e3, rel=5e-3)


@pytest.mark.parametrize("nu", [3, 4, 5, 6])
@pytest.mark.parametrize(
    ("offset", "depth"),
    [(0.2, 0.1), (0.45, 0.1), (0.6, 0.2), (0.3, 0.35), (0.9, 0.5), (1.5, 0.7), (2.5, 1.0)],
)
def test_stress_off_the_axis_is_the_double_integral(offset, depth, nu):
    area, load = 0.6, 60e3
    radius = math.sqrt(area / math.pi)

    def part(angle, rho):
        r2 = offset**2 + rho**2 - 2.0 * offset * rho * math.cos(angle) + depth**2
        spread = nu * depth**nu / (2.0 * math.pi * r2 ** (0.5 * (nu + 2)))
        return 1.5 * load / area * (1.0 - (rho / radius) ** 4) * spread * rho

    expected = 2.0 * dblquad(part, 0.0, radius, 0.0, math.pi, epsrel=1e-6)[0]
    assert stress_quartic(load, area, offset, depth, nu) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("nu", [3, 4, 5, 6])
@pytest.mark.parametrize("across", [0.0, 0.3, 0.8])
def test_stress_under_a_rectangle_is_the_double_integral(across, nu):
    def part(y, x):
        return nu * 0.3**nu / (2.0 * math.pi * ((x - across) ** 2 + (y - 0.4) ** 2 + 0.09) ** (0.5 * (nu + 2)))

    expected = dblquad(part, -0.3, 0.3, -0.9, 0.9, epsrel=1e-6)[0] * 60e3 / (0.6 * 1.8)
    assert stress_rectangle(60e3, 0.6, 1.8, across, 0.4, 0.3, nu) == pytest.approx(expected, rel=1e-4)


@laws
@given(st.integers(1, 7), st.floats(0.0, 1.5), st.floats(0.1, 1.5), NUS)
def test_track_maximum_is_the_highest_place_along_it(rollers, offset, depth, nu):
    length = 0.3 + 0.45 * rollers
    centres = np.linspace(-1.0, 1.0, rollers) * 0.5 * (length - 0.2) if rollers > 1 else np.zeros(1)
    along = np.linspace(-0.6 * length, 0.6 * length, 1201)
    stress = 0.5 * stress_rectangle(60e3, 0.6, length, offset, along, depth, nu)
    for centre in centres:
        stress = stress + stress_rectangle(30e3 / rollers, 0.6, 0.2, offset, along - centre, depth, nu)
    found = float(stress_track(60e3, 0.6, length, rollers, offset, depth, nu))
    assert found <= stress.max() * (1.0 + 1e-4)
    assert found == pytest.approx(stress.max(), rel=0.003)


@laws
@given(TYRES, LOADS, st.floats(1.0, 3.0), PRESSURES, st.floats(0.0, 2.0), DEPTHS, NUS)
def test_more_load_never_lowers_stress_anywhere(tyre, load, factor, pressure, offset, depth, nu):
    both = np.array([load, load * factor])
    for area in (contact_area, upper_area):
        less, more = stress_quartic(both, area(tyre, both, pressure), offset, depth, nu)
        assert more >= less * (1.0 - 2e-4)


@laws
@given(TYRES, LOADS, PRESSURES, st.floats(1.0, 4.0), DEPTHS, NUS)
def test_lower_pressure_never_raises_stress_on_the_axis(tyre, load, pressure, factor, depth, nu):
    pressures = np.array([pressure, pressure * factor])
    for area in (contact_area, upper_area):
        less, more = stress_quartic(load, area(tyre, load, pressures), 0.0, depth, nu)
        assert more >= less * (1.0 - 1e-6)


@laws
@given(TYRES, LOADS, PRESSURES, DEPTHS, NUS)
def test_upper_run_is_never_below_the_central_one(tyre, load, pressure, depth, nu):
    central, upper = contact_area(tyre, load, pressure), upper_area(tyre, load, pressure)
    assert stress_quartic(load, upper, 0.0, depth, nu) >= stress_quartic(load, central, 0.0, depth, nu)
    assert float(upper) == pytest.approx(min(float(central), load / pressure))


@laws
@given(TYRES, LOADS, PRESSURES)
def test_areas_keep_their_order(tyre, load, pressure):
    area = {name: float(model.area(tyre, load, pressure)) for name, model in AREA_MODELS.items()}
    soft, bare = area["area_osullivan_1999_soft"], area["area_pressure_only"]
    assert min(soft, bare) * (1.0 - 1e-12) <= area["area_blend"] <= max(soft, bare) * (1.0 + 1e-12)
    assert area["area_firm"] >= area["area_osullivan_1999_rigid"]


@laws
@given(LOADS, DEPTHS, st.floats(0.0, 2.0), NUS)
def test_no_load_no_stress_and_track_stress_follows_load(load, depth, offset, nu):
    track = track_from_sizes(0.6, 1.8, 4)
    one, two = stress_track(np.array([load, 2.0 * load]), 0.6, 1.8, 4, offset, depth, nu)
    assert two == pytest.approx(2.0 * one)
    assert stress_track(0.0, 0.6, 1.8, 4, offset, depth, nu) == 0.0
    assert contact_area(track, np.array([0.0, load]), 0.0).tolist() == pytest.approx([0.0, 1.08])
    assert stress_quartic(0.0, 0.0, offset, depth, nu) == 0.0


@laws
@given(LOADS, AREAS, NUS, st.floats(20e3, 100e3))
def test_depth_reached_has_that_stress(load, area, nu, level):
    reached = float(depth_reached(load, area, nu, level))
    if 1.5 * load / area <= level:
        assert reached == 0.0
        return
    assume(0.02 < reached < 4.9)
    assert stress_quartic(load, area, 0.0, reached, nu) == pytest.approx(level, rel=1e-3)


@laws
@given(LOADS, AREAS, DEPTHS, NUS)
def test_parabola_presses_deeper_than_quartic_on_the_axis(load, area, depth, nu):
    assert circle_parabolic_axis(load, area, depth, nu) > stress_quartic(load, area, 0.0, depth, nu)


@laws
@given(RATIOS, st.floats(1.0, 3.0), st.floats(0.3, 0.6))
def test_chance_rises_with_the_ratio(ratio, factor, spread):
    less, more = chance(np.array([ratio, ratio * factor]), spread)
    assert 0.0 <= less <= more <= 1.0
    assert chance(0.0, spread) == 0.0
    # a wider spread moves the chance towards one half
    assert abs(chance(ratio, spread * 1.5) - 0.5) <= abs(less - 0.5) + 1e-12


@laws
@given(st.floats(1.0, 10.0), st.integers(0, 12), st.floats(0.7, 0.85))
def test_equal_passes_meet_their_closed_form(ratio, passes, share):
    index = np.float64(0.0)
    for _ in range(passes):
        index = compaction_step(index, ratio, share)
    assert index == pytest.approx(math.log(ratio) * (1.0 - (1.0 - share) ** passes), abs=1e-12)
    assert compaction_of_equal_passes(ratio, passes, share) == pytest.approx(float(index), abs=1e-12)


@laws
@given(st.lists(RATIOS, min_size=1, max_size=12))
def test_compaction_index_remembers_and_never_falls(ratios):
    index, highest = 0.0, 0.0
    for ratio in ratios:
        highest = max(highest, math.log(ratio))
        new = float(compaction_step(index, ratio))
        assert index <= new <= highest + 1e-12
        assert (new == index) == (math.log(ratio) <= index)
        index = new
    assert index >= 0.75 * highest - 1e-12


@laws
@given(st.floats(1.1, 5.0), st.integers(1, 6), st.floats(0.1, 1.0))
def test_lighter_pass_adds_nothing(ratio, passes, part):
    index = compaction_of_equal_passes(ratio, passes)
    assert compaction_step(index, part * float(np.exp(index)) * (1.0 - 1e-12)) == index


def day_of(texture, word, depths, swelling=False, state="settled"):
    unit = SoilUnit("a", "A", (Horizon(0.0, 1.5, texture, state=state),), swelling)
    return soil_day(unit, depths, HAND_TEST[word], HAND_TEST[word], 0.25, 0.0)[0]


@laws
@given(
    TYRES,
    LOADS,
    PRESSURES,
    st.sampled_from(TEXTURES),
    st.booleans(),
    st.sampled_from(["settled", "tilled", "pan"]),
)
def test_crumbling_soil_never_reads_worse_than_smearing_on_the_axis(tyre, load, pressure, texture, swelling, state):
    depths = np.array([0.1, 0.2, 0.35, 0.5, 0.7, 1.0])
    ratios = []
    for word in ("crumbles", "moulds", "smears"):
        day = day_of(texture, word, depths, swelling, state)
        stress = stress_quartic(load, contact_area(tyre, load, pressure), 0.0, depths, day.nu)
        ratios.append(stress / day.strength_pa)
    assert (ratios[0] <= ratios[1]).all() and (ratios[1] <= ratios[2]).all()


@pytest.mark.parametrize("word", ["smears", "moulds", "crumbles"])
def test_the_soil_map_matters(word):
    depths = [0.35, 0.5]
    strengths = {texture: tuple(day_of(texture, word, depths).strength_pa) for texture in TEXTURES}
    assert len(set(strengths.values())) >= 4
    assert strengths["loam"] < strengths["clay loam"] < strengths["clay"]
