"""How fast soil water and fit days are: many soils for a year, and ten fields for a year."""

import datetime as dt
import time
from dataclasses import replace

import numpy as np
import pytest
from conftest import sample_farm

from trafficplan.decide.days import field_days
from trafficplan.inputs.farm import read_farm
from trafficplan.soil.crops import crop_days, crop_named
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.soil.water import daily_balance, stores_of


@pytest.mark.benchmark
def test_a_thousand_soils_for_a_year():
    random = np.random.default_rng(1)
    units = [
        SoilUnit(str(i), str(i), (Horizon(0, 1.5, "loam", sand, 1 - sand - clay, clay, 2.0, 1400.0),))
        for i, (sand, clay) in enumerate(random.uniform(0.1, 0.45, (1000, 2)).tolist())
    ]
    days = np.arange("2026-01-01", "2027-01-01", dtype="datetime64[D]")
    rain, et0 = random.exponential(2.0, 365), random.uniform(0, 4, 365)
    start = time.process_time()
    stores, _ = stores_of(units, 0.25)
    middle = time.process_time()
    found = daily_balance(stores, rain, et0, crop_days(crop_named("winter wheat", "x")[0], days))
    end = time.process_time()
    assert found.tension_pa.shape == (365, 3, 1000) and np.all(np.isfinite(found.tension_pa))
    gone = found.evaporated_mm + found.drawn_mm + found.drained_mm + found.standing_mm
    stored = (found.water_mm[-1] - found.water_mm[0]).sum(axis=0)
    assert rain.sum() - gone.sum(axis=0) == pytest.approx(stored, abs=1e-6)
    print(
        f"\n1000 soils: curves {middle - start:.2f} s, 365 days {end - middle:.2f} s of one core (goal: well under a second)"
    )


@pytest.mark.benchmark
def test_ten_fields_for_a_year():
    farm = read_farm(sample_farm())
    names = (list(farm.fields) * 2)[:10]
    fields = {f"{name} {i}": replace(farm.fields[name], key=f"{name} {i}") for i, name in enumerate(names)}
    farm = replace(farm, fields=fields)
    outfit, tables = farm.outfits["slurry"], {}
    first, last = dt.date(2026, 1, 1), dt.date(2026, 12, 31)
    start = time.process_time()
    found = [field_days(farm, one, outfit, 14_000.0, 0.5, first, last, tables=tables) for one in fields.values()]
    seconds = time.process_time() - start
    assert sum(len(one.days) for one in found) == 3650 and not any((one.state == 6).any() for one in found)
    print(f"\n10 fields x 365 days: {seconds:.2f} s of one core, {len(tables)} tables of stress (goal: a few seconds)")
