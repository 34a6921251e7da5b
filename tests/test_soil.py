"""The soil of a day, its strength table, moisture as people tell it, texture."""

import csv
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.errors import InputError
from trafficplan.soil.day import soil_day
from trafficplan.soil.moisture import HAND_TEST, moisture_word, tensions_from_text
from trafficplan.soil.strength import strength_median, strength_range, strength_table
from trafficplan.soil.stress import stress_quartic, stress_track
from trafficplan.soil.texture import TEXTURES, texture_class
from trafficplan.soil.unit import Horizon, SoilUnit

laws = settings(derandomize=True, max_examples=60, deadline=None, database=None)
DEPTHS = np.array([0.10, 0.20, 0.35, 0.50, 0.70, 1.00])


def unit_of(*horizons, swelling=False):
    return SoilUnit("hill", "Hill", horizons or (Horizon(0.0, 1.2, "loam"),), swelling)


def kpa(values):
    return [round(float(value) / 1e3, 1) for value in values]


def test_plain_soil_by_hand():
    day, notes = soil_day(unit_of(), DEPTHS, HAND_TEST["moulds"], HAND_TEST["smears"], 0.25, 0.0)
    assert kpa(day.tension_pa) == [15.0, 15.0, 5.0, 5.0, 5.0, 5.0]
    assert day.nu.tolist() == [5, 5, 6, 6, 6, 6]
    # loam: sqrt(40 x 80) = 56.57 at pF 1.8, sqrt(55 x 110) = 77.78 at pF 2.5; 15 kPa is pF 2.1761; 5 kPa is
    # held at pF 1.8
    moist = 56.57 + (77.78 - 56.57) * (2.1761 - 1.8) / 0.7
    assert day.strength_pa / 1e3 == pytest.approx([moist, moist, 56.57, 56.57, 56.57, 56.57], abs=0.02)
    assert day.spread.tolist() == [0.6] * 6
    assert [note.what for note in notes] == ["soil unit hill: strength"]
    assert "memory" in notes[0].source


def test_horizons_and_what_lies_below_them():
    unit = unit_of(
        Horizon(0.0, 0.25, "sandy loam"), Horizon(0.25, 0.35, "loam", state="pan"), Horizon(0.35, 0.6, "clay")
    )
    day, notes = soil_day(unit, DEPTHS, 5e3, 5e3, 0.25, 0.0)
    middle = [np.sqrt(40 * 90), np.sqrt(40 * 90), np.sqrt(150 * 250)] + [np.sqrt(60 * 130)] * 3
    assert day.strength_pa / 1e3 == pytest.approx(middle, rel=1e-6)
    assert any(note.kind == "assumed" and "below 0.60 m" in note.what and "clay" in note.value for note in notes)


def test_freshly_tilled_layer_is_weak_down_to_its_depth():
    day, _ = soil_day(unit_of(), DEPTHS, 15e3, 15e3, 0.25, 0.20)
    assert kpa(day.strength_pa[:2]) == [20.0, 20.0]
    assert day.strength_pa[2] > 50e3


def test_measured_strength_counts_first_and_cores_narrow_the_spread():
    unit = unit_of(Horizon(0.0, 0.3, "loam", strength_pa=70e3, cores=12), Horizon(0.3, 1.2, "loam", strength_pa=95e3))
    day, notes = soil_day(unit, DEPTHS, 33e3, 33e3, 0.25, 0.25)
    assert kpa(day.strength_pa) == [70.0, 70.0, 95.0, 95.0, 95.0, 95.0]
    assert day.spread.tolist() == [0.4, 0.4, 0.5, 0.5, 0.5, 0.5]
    assert notes == ()


def test_spread_narrows_when_more_than_the_texture_is_known():
    day, _ = soil_day(unit_of(Horizon(0.0, 1.2, "loam", sand=0.4, clay=0.2)), DEPTHS, 15e3, 15e3, 0.25, 0.0)
    assert day.spread.tolist() == [0.5] * 6


def test_swelling_soil_gets_no_more_strength_when_dry_than_when_moist():
    unit = unit_of(Horizon(0.0, 1.2, "clay"), swelling=True)
    moist, _ = soil_day(unit, DEPTHS, 15e3, 15e3, 0.25, 0.0)
    dry, notes = soil_day(unit, DEPTHS, 33e3, 80e3, 0.25, 0.0)
    wet, _ = soil_day(unit, DEPTHS, 5e3, 5e3, 0.25, 0.0)
    assert dry.strength_pa.tolist() == moist.strength_pa.tolist()
    assert (wet.strength_pa < moist.strength_pa).all()
    assert dry.nu.tolist() == [4] * 6
    assert any("cracks and swells" in note.why for note in notes)


def test_top_moisture_without_tillage_reaches_25_cm_and_is_told():
    day, notes = soil_day(unit_of(), DEPTHS, 5e3, 33e3, 0.0, 0.0)
    assert kpa(day.tension_pa) == [5.0, 5.0, 33.0, 33.0, 33.0, 33.0]
    assert any("0.25 m" in note.value for note in notes)


def test_unit_without_horizons_and_unknown_texture():
    with pytest.raises(InputError, match="no horizon"):
        soil_day(SoilUnit("x", "X", ()), DEPTHS, 15e3, 15e3, 0.25, 0.0)
    with pytest.raises(InputError, match="write 'silt loam'"):
        soil_day(unit_of(Horizon(0.0, 1.0, "siltloam")), DEPTHS, 15e3, 15e3, 0.25, 0.0)


def test_strength_table_is_whole_and_marked():
    with (files("trafficplan.soil") / "strength.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert list(rows[0]) == ["texture", "state", "pf", "low_kpa", "high_kpa", "mark", "source"]
    assert all(row["mark"] in ("found", "derived", "memory") and row["source"] for row in rows)
    assert set(strength_table()) == {(t, "settled") for t in TEXTURES} | {("any", "tilled"), ("any", "pan")}


@laws
@given(st.sampled_from(TEXTURES), st.floats(1e3, 1e5), st.floats(1.0, 5.0))
def test_strength_rises_with_tension_and_lies_in_its_range(texture, tension, factor):
    wet, dry = strength_median(texture, "settled", np.array([tension, tension * factor]))
    assert dry >= wet
    low, high = strength_range(texture, "settled", tension)
    assert low < wet < high


@laws
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_every_soil_has_a_class(sand, other):
    assert texture_class(sand, (1.0 - sand) * other) in TEXTURES


@pytest.mark.parametrize(
    ("sand", "clay", "name"),
    [
        # corners and edges of the USDA triangle
        (1.0, 0.0, "sand"), (0.0, 1.0, "clay"), (0.0, 0.0, "silt"), (0.52, 0.07, "loam"),
        (0.53, 0.07, "sandy loam"), (0.45, 0.27, "clay loam"),
        (0.46, 0.27, "sandy clay loam"), (0.20, 0.39, "silty clay loam"), (0.45, 0.40, "clay"),
        (0.46, 0.35, "sandy clay"), (0.08, 0.12, "silt loam"), (0.50, 0.05, "sandy loam"),
    ],
)  # fmt: skip
def test_edges_of_the_triangle(sand, clay, name):
    assert texture_class(sand, clay) == name


def test_percent_for_fractions_is_refused():
    with pytest.raises(InputError, match="0 to 100 %"):
        texture_class(40.0, 20.0)


@pytest.mark.parametrize(
    ("text", "top_kpa", "deep_kpa"),
    [
        ("moulds", 15.0, 15.0),
        (" Smears ", 5.0, 5.0),
        ("12", 12.0, 12.0),
        ("12.5 kPa", 12.5, 12.5),
        ("top:crumbles,deep:smears", 33.0, 5.0),
        ("deep: 8 ; top: moulds", 15.0, 8.0),
    ],
)
def test_moisture_as_people_tell_it(text, top_kpa, deep_kpa):
    assert tensions_from_text(text) == (top_kpa * 1e3, deep_kpa * 1e3)


@pytest.mark.parametrize(
    "text", ["", "damp", "0", "-5", "2000", "nan", "top:moulds", "top:moulds,low:smears", "12 bar"]
)
def test_moisture_not_understood(text):
    with pytest.raises(InputError) as caught:
        tensions_from_text(text, "operations.csv, row 4, moisture")
    problem = caught.value.problems[0]
    assert problem.where == "operations.csv, row 4, moisture" and problem.found == repr(text)


def test_words_stand_for_their_own_tension():
    assert {word: moisture_word(tension) for word, tension in HAND_TEST.items()} == {word: word for word in HAND_TEST}


def test_stress_broadcasts_and_refuses_other_factors():
    stress = stress_quartic(np.full((2, 1, 1), 50e3), 0.5, np.array([[0.0], [0.4]]), DEPTHS, np.full(6, 5))
    assert stress.shape == (2, 2, 6)
    assert stress_track(50e3, 0.6, 1.8, 4, np.array([[0.0], [0.4]]), DEPTHS, 5).shape == (2, 6)
    for nu in (2, 4.5, 7):
        with pytest.raises(ValueError, match="whole number from 3 to 6"):
            stress_quartic(50e3, 0.5, 0.0, 0.3, nu)
