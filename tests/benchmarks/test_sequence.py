"""The order of bouts: gap to the proven optimum, time, and what it saves against driving order on the sample farm.

Yardsticks stand in `tests/test_sequence.py`.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from sequence_reference import Case, by_sets, parallel
from test_sequence import EIGHT, SCENARIOS

from trafficplan.inputs.farm import read_farm
from trafficplan.routes.choice import Choice
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.sequence import best_sequence
from trafficplan.routes.tell import ways_m

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields" / "ostara_flats"


@pytest.mark.benchmark
def test_eight_tracks_against_the_optimum():
    print()
    for part_loads in (False, True):
        for name, (capacity, fill_xy) in SCENARIOS.items():
            case = Case(parallel(EIGHT, 12.0, 7.0, fill_xy), capacity, capacity, part_loads)
            least = by_sets(case)
            best_sequence(case.tracks, capacity, part_loads=part_loads)
            start = time.process_time()
            found = best_sequence(case.tracks, capacity, part_loads=part_loads).idle_m
            seconds = time.process_time() - start
            kind = "part loads" if part_loads else "run empty "
            gap = 100.0 * (found / least - 1.0)
            print(f"{kind}, {name:16}: optimum {least:6.0f} m, gap {gap:.2f} %, {1e3 * seconds:.0f} ms")
            assert least - 1e-6 <= found <= 1.02 * least


@pytest.mark.benchmark
@pytest.mark.parametrize("count", [60, 100])
def test_many_tracks_in_time(count):
    tracks = parallel([250.0 + 2.0 * k for k in range(count)], 12.0, 7.0, (-100.0, -60.0))
    print()
    for part_loads in (False, True):
        long = best_sequence(tracks, 900.0, part_loads=part_loads, steps=1_500_000).idle_m
        start = time.process_time()
        found = best_sequence(tracks, 900.0, part_loads=part_loads).idle_m
        seconds = time.process_time() - start
        gap = 100.0 * (found / long - 1.0)
        kind = "part loads" if part_loads else "run empty"
        print(
            f"{count} bouts, {kind}: {seconds:.2f} s (goal for 60: 0.2 s), {gap:.1f} % above a search 15 times as long"
        )
        assert found >= long * 0.99


@pytest.mark.benchmark
def test_saved_on_the_sample_farm():
    farm = read_farm(SAMPLE)
    sums: dict[str, dict[str, float]] = {"several loads": {}, "one to three loads": {}}
    print()
    for operation in farm.operations:
        if operation.change != "empties" or operation.rate_kg_m2 is None:
            continue
        field, outfit = farm.fields[operation.field], farm.outfits[operation.outfit]
        row, loads = {}, 0
        for order in ("neighbouring", "skip", "shortest"):
            drive = plan_drive(field, operation, outfit, farm.tracks, farm.places, Choice(order))
            ways, loads = ways_m(drive), drive.trips
            row[order] = ways.turning + ways.haul
        kind = sums["several loads" if loads > 3 else "one to three loads"]
        for order, metres in row.items():
            kind[order] = kind.get(order, 0.0) + metres
        told = ", ".join(f"{order} {metres / 1e3:.1f}" for order, metres in row.items())
        print(f"{operation.key:15} {loads:3} loads, km without work in the field: {told}")
    for name, kind in sums.items():
        shares = [100.0 * (1.0 - kind["shortest"] / kind[order]) for order in ("neighbouring", "skip")]
        print(f"{name}: {shares[0]:.1f} % less than each bout beside the last, {shares[1]:.1f} % less than skipping")
        assert kind["shortest"] < kind["neighbouring"]
