"""Every row of tests/published/*.csv: the named function with the named inputs gives the expected value, or
misses it as known.

Columns: model, inputs (key=value;key=value, SI), expected, tolerance (absolute, "5%", or "exact" for
words), source, kind (published | derived | common practice), mark (found | derived | memory), holds (yes |
no: a published value that the model is known to miss). `check.` names a combination of functions below; all
others are a function of trafficplan, with `.part` for a part of its answer.
"""

import csv
import importlib
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from trafficplan.machines.contact import AREA_MODELS
from trafficplan.machines.loadindex import LOAD_INDEX_KG, speed_of_symbol
from trafficplan.machines.traction import resistance_wismer_luth_1974
from trafficplan.machines.tyre import Tyre
from trafficplan.soil.compaction import chance, compaction_step
from trafficplan.soil.elastic import (
    circle_quartic_axis,
    circle_uniform_axis,
    corner_newmark_1935,
    point_boussinesq_1885,
    point_froehlich_1934,
)
from trafficplan.soil.evapotranspiration import (
    extraterrestrial_radiation,
    penman_monteith_allen_1998,
    radiation_from_temperatures,
    vapour_pressure,
)
from trafficplan.soil.retention import woesten_1999
from trafficplan.soil.stress import stress_quartic, stress_rectangle
from trafficplan.units import GRAVITY, KM_H

COLUMNS = ["model", "inputs", "expected", "tolerance", "source", "kind", "mark", "holds"]


def read_rows():
    for path in sorted((Path(__file__).parent / "published").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as lines:
            for number, row in enumerate(csv.DictReader(lines), start=2):
                yield pytest.param(row, id=f"{path.stem}-{number}")


def tyre_of(size):
    width, diameter = (float(part) for part in size.split("x"))
    return Tyre(size, "tyre", width, diameter, 0.5 * width)


def parse(text):
    """Inputs as keyword arguments: numbers where they look like numbers, `a|b` as a list, `tyre` as width x
    diameter."""
    values = {}
    for pair in text.split(";"):
        key, _, value = pair.partition("=")
        if key == "tyre":
            values[key] = tyre_of(value)
        elif "|" in value:
            values[key] = [float(part) for part in value.split("|")]
        else:
            try:
                values[key] = int(value) if value.lstrip("-").isdigit() else float(value)
            except ValueError:
                values[key] = value
    return values


def answer_of(model, inputs):
    if model.startswith("check."):
        return CHECKS[model.removeprefix("check.")](**inputs)
    parts = model.split(".")
    at = 2 if parts[0] in ("machines", "soil", "routes") else 1
    answer = getattr(importlib.import_module("trafficplan." + ".".join(parts[:at])), parts[at])(**inputs)
    for part in parts[at + 1 :]:
        answer = answer[int(part)] if part.isdigit() else getattr(answer, part)
    return answer


def three_columns(load_n, side_m, depth_m):
    return point_boussinesq_1885(load_n, [0.0, side_m, side_m], depth_m).sum()


def ring(pressure_pa, outer_m, inner_m, depth_m):
    return np.subtract(*circle_uniform_axis(pressure_pa, [outer_m, inner_m], depth_m, 3))


def four_corners(pressure_pa, width_m, length_m, depth_m):
    return 4.0 * corner_newmark_1935(pressure_pa, width_m / 2, length_m / 2, depth_m)


def force_under_point(nu):
    return quad(lambda r: point_froehlich_1934(1.0, r, 1.0, nu) * 2.0 * math.pi * r, 0.0, np.inf)[0]


def uniform_wheels(load_n, area_m2, places_m, depth_m, nu):
    """Uniform circles cut into points on a polar grid, seen from x = 0."""
    radius = math.sqrt(area_m2 / math.pi)
    rho = (np.arange(200) + 0.5) / 200 * radius
    angle = (np.arange(200) + 0.5) / 200 * 2.0 * math.pi
    share = np.repeat(rho[:, None], angle.size, axis=1) / (rho.sum() * angle.size)
    total = 0.0
    for place in np.atleast_1d(places_m):
        r = np.hypot(place + rho[:, None] * np.cos(angle), rho[:, None] * np.sin(angle))
        total += float((point_froehlich_1934(load_n, r, depth_m, nu) * share).sum())
    return total


def rollers(load_n, along_m, depth_m, nu):
    centres = np.array([-0.75, -0.25, 0.25, 0.75])
    return stress_rectangle(load_n / 4, 0.6, 0.2, 0.0, along_m - centres, depth_m, nu).sum()


def stress_10cm_over_pressure(nu):
    load, pressure = np.array([11e3, 15e3, 33e3]), np.array([70e3, 100e3, 150e3])
    return (stress_quartic(load, load / pressure, 0.0, 0.1, nu) / pressure).mean()


def chain(area, tyre, load_kg, pressure_pa, depth_m, nu):
    load = load_kg * GRAVITY
    return stress_quartic(load, AREA_MODELS[area].area(tyre, load, pressure_pa), 0.0, depth_m, nu)


def slope_90cm(nu):
    masses = np.arange(2.0, 7.01, 0.5)
    stress = []
    for mass in masses:
        grown = (mass / 7.0) ** (1.0 / 3.0)  # width x diameter grows as load^(2/3)
        tyre = Tyre("", "tyre", 0.8 * grown, 1.85 * grown, 0.4)
        stress.append(float(chain("area_blend", tyre, 1e3 * mass, 230e3, 0.9, nu)))
    return np.polyfit(masses, stress, 1)[0]


def chance_swedish_beet(strength_pa):
    return chance(chain("area_blend", tyre_of("0.8x1.85"), 8000.0, 220e3, 0.5, 5) / strength_pa, 0.5)


def chance_swiss_trial(depth_m, strength_pa):
    return chance(chain("area_blend", tyre_of("0.8x1.85"), 11230.0, 150e3, depth_m, 5) / strength_pa, 0.5)


def eight_eight(area, shape, which, pressures_kpa, nu):
    """Least squares of the depth of 50 kPa over 2-8 t and the pressures: cm per tonne, and cm per doubling
    of pressure."""
    depths = np.linspace(0.02, 1.6, 4000)
    rows, reached = [], []
    for mass in np.arange(2.0, 8.01, 1.0):
        grown = (mass / 6.0) ** (1.0 / 3.0)
        tyre = Tyre("", "tyre", 0.65 * grown, 1.62 * grown, 0.4)
        for kpa in pressures_kpa:
            load = mass * 1e3 * GRAVITY
            contact = AREA_MODELS[area].area(tyre, load, kpa * 1e3)
            if shape == "uniform":
                stress = circle_uniform_axis(load / contact, np.sqrt(contact / np.pi), depths, nu)
            else:
                stress = circle_quartic_axis(load, contact, depths, nu)
            if stress[0] > 50e3:
                rows.append([1.0, mass, math.log2(kpa / 100.0)])
                reached.append(100.0 * depths[np.argmax(stress <= 50e3)])
    slopes = np.linalg.lstsq(np.array(rows), np.array(reached), rcond=None)[0]
    return slopes[1 if which == "load" else 2]


def point_slope(load_kg, nu):
    depths = np.linspace(0.2, 1.5, 130001)
    masses = load_kg + np.array([-10.0, 10.0])
    reached = [depths[np.argmax(point_froehlich_1934(m * GRAVITY, 0.0, depths, nu) <= 50e3)] for m in masses]
    return 100.0 * (reached[1] - reached[0]) / 0.02


def area_ratio(area, tyre, load_n, low_pa, high_pa):
    return np.divide(*AREA_MODELS[area].area(tyre, load_n, [low_pa, high_pa]))


def load_index_formula(which):
    index = np.array(list(LOAD_INDEX_KG))
    deviation = 100.0 * (45.0 * 10.0 ** (index / 80.0) / np.array(list(LOAD_INDEX_KG.values())) - 1.0)
    return deviation.min() if which == "min" else deviation.max()


def speed_km_h(symbol):
    return speed_of_symbol(symbol) / KM_H


def equal_steps(ratio, passes, share):
    index = 0.0
    for _ in range(passes):
        index = compaction_step(index, ratio, share)
    return index


def rolling_resistance(numeric, load_n):
    return resistance_wismer_luth_1974(numeric) * load_n


def evapotranspiration_by_temperatures(tmin_c, tmax_c, latitude_deg, altitude_m, day_of_year):
    """FAO-56's way with dew point at the coldest temperature, 2 m/s of wind and radiation from temperatures."""
    above = extraterrestrial_radiation(latitude_deg, day_of_year)
    light = radiation_from_temperatures(tmin_c, tmax_c, above)
    return penman_monteith_allen_1998(tmin_c, tmax_c, vapour_pressure(tmin_c), 2.0, light, above, altitude_m)


def water_at(tension_cm, **soil):
    return woesten_1999(**soil).water_at(98.0665 * tension_cm)


CHECKS = {
    function.__name__: function
    for function in (
        three_columns,
        ring,
        four_corners,
        force_under_point,
        uniform_wheels,
        rollers,
        stress_10cm_over_pressure,
        chain,
        slope_90cm,
        chance_swedish_beet,
        chance_swiss_trial,
        eight_eight,
        point_slope,
        area_ratio,
        load_index_formula,
        speed_km_h,
        equal_steps,
        rolling_resistance,
        evapotranspiration_by_temperatures,
        water_at,
    )
}


@pytest.mark.parametrize("row", list(read_rows()))
def test_row(row):
    assert list(row) == COLUMNS and row["source"]
    assert row["kind"] in ("published", "derived", "common practice") and row["mark"] in (
        "found",
        "derived",
        "memory",
    )
    answer = answer_of(row["model"], parse(row["inputs"]))
    if row["tolerance"] == "exact":
        assert answer == row["expected"]
        return
    expected = float(row["expected"])
    tolerance = row["tolerance"]
    allowed = float(tolerance.rstrip("%")) / 100.0 * abs(expected) if tolerance.endswith("%") else float(tolerance)
    met = abs(float(answer) - expected) <= allowed * (1.0 + 1e-9)
    assert met == (row["holds"] == "yes"), f"{row['model']}: {float(answer):g} against {expected:g}, {row['source']}"
