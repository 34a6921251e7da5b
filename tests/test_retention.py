"""Water a soil holds: laws of the curve, what stands for what is not known; tables stand in tests/published."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.soil.retention import (
    FIELD_CAPACITY_PA,
    TYPICAL,
    WILTING_PA,
    horizon_water,
    saxton_rawls_2006,
    woesten_1999,
)
from trafficplan.soil.texture import TEXTURES, texture_class
from trafficplan.soil.unit import Horizon

laws = settings(derandomize=True, max_examples=60, deadline=None, database=None)
soils = st.tuples(st.floats(1, 60), st.floats(2, 90), st.floats(0.9, 1.9), st.floats(0.1, 8), st.booleans()).filter(
    lambda one: one[0] + one[1] <= 100
)


@laws
@given(soils)
def test_drier_soil_holds_less_and_the_curve_runs_both_ways(soil):
    curve = woesten_1999(*soil)
    tension = np.geomspace(1e2, 2e6, 60)
    water = curve.water_at(tension)
    assert np.all(np.diff(water) < 0) and 0 < water[-1] < water[0] <= curve.saturated
    assert curve.tension_at(water) == pytest.approx(tension, rel=1e-6)


def test_beyond_saturation_there_is_no_tension():
    curve = woesten_1999(20, 40, 1.4, 2.5, topsoil=True)
    assert curve.tension_at(curve.saturated) == 0.0 == curve.tension_at(0.9)
    assert curve.water_at(0.0) == curve.saturated


def test_typical_soils_are_of_the_class_they_stand_for():
    assert set(TYPICAL) == set(TEXTURES)
    assert all(texture_class(sand, clay) == name for name, (sand, clay) in TYPICAL.items())


@pytest.mark.parametrize("texture", [name for name in TEXTURES if name not in ("sand", "silt")])
def test_two_independent_regressions_agree_on_what_plants_can_have_between_33_and_1500_kpa(texture):
    """Saxton & Rawls fitted American soils, Woesten et al. European ones: within 5 % of the soil's volume."""
    sand, clay = TYPICAL[texture]
    norm = saxton_rawls_2006(sand, clay, 2.5)
    curve = woesten_1999(100 * clay, 100 * (1 - sand - clay), norm.density_g_cm3, 2.5, topsoil=True)
    ours = float(curve.water_at(33e3) - curve.water_at(WILTING_PA))
    assert ours == pytest.approx(norm.field_33 - norm.wilting, abs=0.05)


def test_a_horizon_of_which_only_the_class_is_known_says_what_stands_in():
    known, notes = horizon_water(Horizon(0.0, 0.3, "loam"), first=True, where="soil unit a")
    told = {note.what.removeprefix("soil unit a: ") for note in notes}
    assert told == {"sand and clay", "organic matter", "density", "water at a tension"}
    full = Horizon(0.0, 0.3, "loam", 0.4, 0.4, 0.2, 2.5, 1e3 * saxton_rawls_2006(0.4, 0.2, 2.5).density_g_cm3)
    same, fewer = horizon_water(full, first=True, where="soil unit a")
    assert same.curve == known.curve and [note.source for note in fewer] == ["Woesten et al. 1999"]


def test_clay_and_peat_beyond_the_regressions_are_held_and_told():
    heavy, notes = horizon_water(Horizon(0.0, 1.0, "clay", 0.05, 0.20, 0.75, 3.0, 1250.0), True, "soil unit b")
    peat, more = horizon_water(Horizon(0.0, 1.0, "loam", 0.4, 0.4, 0.2, 45.0, 400.0), True, "soil unit c")
    for one, told in ((heavy, notes), (peat, more)):
        assert any("beyond what the regressions" in note.why for note in told)
        held = one.curve.water_at([FIELD_CAPACITY_PA, WILTING_PA])
        assert 0.9 > held[0] > held[1] > 0.0


def test_stones_are_carried_along():
    assert horizon_water(Horizon(0, 1, "loam", stones=0.25), True, "x")[0].stones == 0.25
    assert horizon_water(Horizon(0, 1, "loam"), True, "x")[0].stones == 0.0


@pytest.mark.parametrize("sand, clay", [(0.97, 0.01), (1.0, 0.0), (0.0, 1.0), (0.0, 0.0), (0.4, 0.6), (0.9, 0.1)])
@pytest.mark.parametrize("organic", [0.0, 0.1, 8.0, 60.0])
def test_corners_of_the_triangle_give_water_that_can_be(sand, clay, organic):
    """Pure sand has no wilting point by Saxton & Rawls: its logarithm ended the run."""
    norm = saxton_rawls_2006(sand, min(clay, 0.6), min(max(organic, 0.1), 8.0))
    assert 0.0 < norm.wilting < norm.field_33 < norm.saturated < 1.0
    store, _ = horizon_water(Horizon(0.0, 1.0, "loam", sand=sand, clay=clay, organic=organic), True, "x")
    held = store.curve.water_at([FIELD_CAPACITY_PA, WILTING_PA])
    assert store.conductivity_mm_h > 0.0 and held[0] > held[1] > 0.0
