"""Tyre codes, load index, axle loads while a body empties, statics, traction, contact errors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficplan.errors import InputError
from trafficplan.machines.contact import AREA_MODELS, area_firm, contact_area, upper_area
from trafficplan.machines.loadindex import LOAD_INDEX_KG, load_of_index, speed_of_symbol
from trafficplan.machines.loads import axle_loads
from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
from trafficplan.machines.statics import downhill_share, front_axle_with_implement, tractor_axles
from trafficplan.machines.traction import traction_brixius_1987
from trafficplan.machines.tyre import assumed_aspect, track_from_sizes, tyre_from_code
from trafficplan.units import GRAVITY

laws = settings(derandomize=True, max_examples=60, deadline=None, database=None)


@pytest.mark.parametrize(
    ("code", "width_m", "diameter_m"),
    [
        # width and rim + 2 x section height by arithmetic from the code itself
        ("710/70R42", 0.710, 2.0608),
        ("710/70 R 42", 0.710, 2.0608),
        ("VF710/70R42 182D", 0.710, 2.0608),
        ("if 900/60r42 180A8/180B", 0.900, 2.1468),
        ("650/65R30,5 167 D", 0.650, 1.6197),
        ("600/55R26.5 (165D)", 0.600, 1.3331),
        ("850/50-30.5", 0.850, 1.6247),
        ("1050/50R32 **", 1.050, 1.8628),
        ("LT235/75R15", 0.235, 0.7335),
        ("16.9-30 14PR", 0.42926, 1.49174),
        ("12.5/80-18", 0.3175, 0.9652),
        ("28L-26", 0.7112, 1.65608),
        ("66X43.00-25", 1.0922, 1.6764),
        ("66x43.00R25 NRO", 1.0922, 1.6764),
    ],
)
def test_codes_of_all_forms(code, width_m, diameter_m):
    tyre = tyre_from_code(code)
    assert tyre.kind == "tyre"
    assert tyre.width_m == pytest.approx(width_m, abs=1e-4)
    assert tyre.diameter_m == pytest.approx(diameter_m, abs=1e-4)


@pytest.mark.parametrize("code", ["", "710/70", "big", "nan", "7100/70R42", "710/70R42 see table 9", "9x9", "*" * 80])
def test_unknown_code_says_how_to_write_it(code):
    with pytest.raises(InputError) as caught:
        tyre_from_code(code, "outfits/spreader.toml, axle rear")
    problem = caught.value.problems[0]
    assert problem.where == "outfits/spreader.toml, axle rear"
    assert repr(code) == problem.found
    for form in ("710/70R42", "18.4R38", "28L-26", "66x43.00-25", "rubber track"):
        assert form in problem.mend


def test_only_inch_codes_need_an_assumed_aspect():
    assert assumed_aspect("18.4R38") == 0.85
    assert assumed_aspect("28L-26") == 0.70
    for code in ("710/70R42", "12.5/80-18", "66x43.00-25", "850/50-30.5"):
        assert assumed_aspect(code) is None


def test_track_from_sizes():
    track = track_from_sizes(0.6, 1.8, 4)
    assert (track.kind, track.width_m, track.track_length_m, track.rollers) == ("track", 0.6, 1.8, 4)
    for sizes in ((0.0, 1.8, 4), (0.6, -1.0, 4), (0.6, 1.8, -1), (6.0, 1.8, 4)):
        with pytest.raises(InputError, match="rubber track"):
            track_from_sizes(*sizes)


def test_eighty_steps_of_load_index_are_ten_times_the_load():
    assert all(LOAD_INDEX_KG[index + 80] == 10.0 * LOAD_INDEX_KG[index] for index in range(90, 101))
    assert list(LOAD_INDEX_KG.values()) == sorted(set(LOAD_INDEX_KG.values()))


def test_unknown_index_and_symbol():
    with pytest.raises(InputError, match="load index"):
        load_of_index(300)
    with pytest.raises(InputError, match="speed symbol"):
        speed_of_symbol("Q")
    assert speed_of_symbol(" a8 ") == pytest.approx(40 / 3.6)


def axle(key, behind_m, empty_t, full_t):
    tyre = tyre_from_code("650/65R30.5")
    wheels = (Wheel(tyre, 1.0), Wheel(tyre, -1.0))
    return Axle(key, behind_m, wheels, empty_t * 1e3 * GRAVITY, full_t * 1e3 * GRAVITY, 1e5, 1.5e5)


def train(empties, capacity_kg=9000.0):
    """Tractor and two-axle spreader; the product weighs 9 t, 1.2 t of it on the hitch."""
    tractor = Vehicle("tractor", "powered", (axle("front", -2.8, 3.1, 2.67), axle("rear", 0.0, 4.9, 6.53)))
    spreader = Vehicle("spreader", "drawn", (axle("one", -0.7, 1.5, 5.4), axle("two", 0.7, 1.5, 5.4)), 5.0)
    return Outfit("train", "Train", (tractor, spreader), capacity_kg, empties=empties)


def self_propelled(empties):
    vehicle = Vehicle("machine", "powered", (axle("front", -3.5, 8.0, 12.0), axle("rear", 0.0, 7.0, 13.0)))
    return Outfit("machine", "Machine", (vehicle,), 10_000.0, empties=empties)


OUTFITS = st.sampled_from([make(way) for make in (train, self_propelled) for way in ("front", "rear", "even")])


@laws
@given(OUTFITS, st.floats(0.0, 20_000.0))
def test_axle_loads_keep_the_mass_and_never_lift(outfit, load_kg):
    loads = axle_loads(outfit, load_kg)
    axles = outfit.axles()
    empty, full = sum(a.empty_n for a in axles), sum(a.full_n for a in axles)
    assert loads.sum() == pytest.approx(empty + (full - empty) * load_kg / outfit.capacity_kg, rel=1e-12)
    assert (loads >= 0.0).all()


@pytest.mark.parametrize("empties", ["front", "rear", "even"])
@pytest.mark.parametrize("make", [train, self_propelled])
def test_empty_and_full_are_met_exactly(make, empties):
    outfit = make(empties)
    loads = axle_loads(outfit, np.array([0.0, outfit.capacity_kg]))
    assert loads.shape == (len(outfit.axles()), 2)
    assert loads[:, 0] == pytest.approx([a.empty_n for a in outfit.axles()], rel=1e-12)
    assert loads[:, 1] == pytest.approx([a.full_n for a in outfit.axles()], rel=1e-12)


def test_even_load_is_linear_and_goes_on_beyond_the_capacity():
    outfit = train("even")
    loads = axle_loads(outfit, [[0.0, 4500.0], [9000.0, 18_000.0]])
    assert loads.shape == (4, 2, 2)
    assert loads[3].ravel() / GRAVITY == pytest.approx([1500.0, 3450.0, 5400.0, 9300.0])


def test_what_is_left_stands_at_the_other_end():
    half = {way: axle_loads(train(way), 4500.0) / (1e3 * GRAVITY) for way in ("front", "rear", "even")}
    # 4.5 t of product moved by a quarter of the 5 m body over the 5 m drawbar: 1.125 t from hitch to bogie,
    # half on each axle
    assert half["front"][2:] - half["even"][2:] == pytest.approx([0.5625, 0.5625])
    # hitch 1 m behind the rear axle, wheelbase 2.8 m: the tractor's rear axle loses 1.125 x 3.8/2.8
    assert half["front"][1] - half["even"][1] == pytest.approx(-1.125 * 3.8 / 2.8)
    assert half["front"][0] - half["even"][0] == pytest.approx(1.125 * 1.0 / 2.8)
    assert half["rear"] - half["even"] == pytest.approx(half["even"] - half["front"])


def test_body_on_the_machine_itself_tips_between_its_axles():
    half = {way: axle_loads(self_propelled(way), 5000.0) / (1e3 * GRAVITY) for way in ("front", "even")}
    assert half["front"] - half["even"] == pytest.approx([-1.25, 1.25])


def test_lifted_axle_carries_nothing():
    light = Vehicle("machine", "powered", (axle("front", -3.0, 0.5, 1.0), axle("rear", 0.0, 6.0, 15.5)))
    outfit = Outfit("m", "M", (light,), 10_000.0, empties="front")
    loads = axle_loads(outfit, 5000.0) / (1e3 * GRAVITY)
    # by lever alone the front would carry 0.75 - 1.25 t
    assert loads == pytest.approx([0.0, 11.5])


def test_outfit_without_a_body_ignores_the_load():
    outfit = train("front", capacity_kg=0.0)
    assert axle_loads(outfit, 4000.0) == pytest.approx([a.empty_n for a in outfit.axles()])


def test_pressure_must_be_above_zero():
    tyre = tyre_from_code("650/65R30.5")
    for area in (contact_area, upper_area, area_firm):
        with pytest.raises(InputError, match="inflation pressure"):
            area(tyre, 30e3, [1e5, 0.0])


def test_contact_broadcasts_without_warnings():
    tyre = tyre_from_code("650/65R30.5")
    with np.errstate(all="raise"):
        area = contact_area(tyre, np.array([[-5.0], [0.0], [60e3]]), np.array([50e3, 240e3]))
    assert area.shape == (3, 2)
    assert (area[:2] == 0.0).all() and (area[2] > 0.3).all()


def test_every_area_model_has_range_source_and_mark():
    for name, model in AREA_MODELS.items():
        assert model.name == name and model.source and model.mark in ("found", "derived", "memory")
        assert 0.0 < model.load_range_n[0] < model.load_range_n[1]
        assert 0.0 < model.pressure_range_pa[0] < model.pressure_range_pa[1]


def test_grade_moves_load_to_the_rear_axle_and_keeps_the_weight():
    flat = tractor_axles(8000, 2.8, 1.15, centre_high_m=0.9)
    uphill = tractor_axles(8000, 2.8, 1.15, grade=0.2, centre_high_m=0.9)
    assert uphill[0] < flat[0] and uphill[1] > flat[1] * np.cos(0.2)
    assert sum(uphill) == pytest.approx(8000 * GRAVITY * np.cos(0.2))


def test_ballast_formula_is_the_moment_balance():
    # ballast ahead and implement behind as hitch loads of the same tractor
    bare, _ = tractor_axles(5000, 2.5, 1.0)
    with_implement, _ = tractor_axles(5000, 2.5, 1.0, hitch_behind_m=1.5, hitch_n=8e3)
    assert front_axle_with_implement(bare, 2.5, 0.0, 1.0, 8e3, 1.5) == pytest.approx(with_implement)
    assert front_axle_with_implement(bare, 2.5, 5e3, 1.0, 0.0, 1.5) == pytest.approx(bare + 5e3 * 3.5 / 2.5)


@laws
@given(st.floats(0.0, 0.5), st.floats(1.5, 2.5), st.floats(0.5, 2.0))
def test_both_sides_carry_the_weight_across_a_slope(slope, track, high):
    assert downhill_share(slope, track, high) + downhill_share(-slope, track, high) == pytest.approx(np.cos(slope))


@laws
@given(st.floats(10.0, 100.0), st.floats(0.01, 0.3))
def test_traction_laws(mobility, slip):
    soft, firm = traction_brixius_1987(mobility, slip), traction_brixius_1987(mobility * 1.5, slip)
    assert firm.resistance < soft.resistance and firm.gross > soft.gross
    assert soft.net == pytest.approx(soft.gross - soft.resistance)
    assert soft.efficiency < 1.0 - slip


def test_a_belt_without_rollers_is_refused():
    with pytest.raises(InputError) as caught:
        track_from_sizes(0.6, 1.8, 0)
    assert "rollers" in caught.value.problems[0].needed
