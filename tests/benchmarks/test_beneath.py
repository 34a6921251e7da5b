"""How fast a wheel is answered: the command a second time, and many wheels inside the process."""

import json
import subprocess
import sys
import time

import pytest

from trafficplan.decide.beneath import WheelCase, ground_of, stress_beneath
from trafficplan.machines.tyre import tyre_from_code
from trafficplan.units import BAR, GRAVITY

COMMAND = [sys.executable, "-m", "trafficplan", "beneath", "--tyre", "650/65R38", "--load-kg", "3500",
           "--pressure-bar", "1.0", "--soil", "moulds", "--json"]  # fmt: skip


@pytest.mark.benchmark
def test_the_command_a_second_time():
    answers, seconds = [], []
    for _ in range(2):
        start = time.perf_counter()
        done = subprocess.run(COMMAND, capture_output=True, text=True, check=True)
        seconds.append(time.perf_counter() - start)
        answers.append(json.loads(done.stdout)["result"])
    assert answers[0] == answers[1] and len(answers[0]["wheels"][0]["depths"]) == 7
    print(f"\nbeneath, one tyre: {seconds[0]:.2f} s, then {seconds[1]:.2f} s (goal: under 1 s)")


@pytest.mark.benchmark
@pytest.mark.parametrize("gap", [None, 0.1], ids=["single", "dual"])
def test_sixty_wheels_in_the_process(gap):
    tyre, ground = tyre_from_code("650/65R30.5"), ground_of("loam", "moulds")
    depths = (0.1, 0.2, 0.35, 0.5, 0.7, 1.0)
    start = time.perf_counter()
    answers = [
        stress_beneath(WheelCase(tyre, (2000 + 800 * k) * GRAVITY, (0.8 + 0.1 * p) * BAR, gap), ground, depths)
        for k in range(5)
        for p in range(12)
    ]
    seconds = time.perf_counter() - start
    assert len(answers) == 60 and sum(len(one.depths) for one in answers) == 360
    reached = [one.reached_m for one in answers]
    assert reached[:12] == sorted(reached[:12]) and reached[0] < reached[12] < reached[48]
    print(f"\n60 wheels x 6 depths with all alternates: {seconds:.2f} s, {seconds / 60 * 1e3:.1f} ms each")
