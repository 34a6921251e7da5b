"""How fast a ladder of pressures is: 12 steps, 5 axles, 6 depths, inside the process."""

import time

import numpy as np
import pytest

from trafficplan.decide.ladder import rungs
from trafficplan.decide.trip import AxleLoad
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import tyre_from_code
from trafficplan.names import DEPTHS
from trafficplan.units import GRAVITY

CODES = ("540/65R30", "650/65R42", "750/60R30.5", "750/60R30.5", "520/85R42")


def loads():
    """Five axles of 3 to 11 t; the last one on duals."""
    found = []
    for i, code in enumerate(CODES):
        places = (1.0, -1.0) if i < 4 else (0.9, 1.55, -0.9, -1.55)
        wheels = tuple(Wheel(tyre_from_code(code), y) for y in places)
        load = (3000 + 2000 * i) * GRAVITY
        found.append(AxleLoad(Axle(f"axle {i}", 0.0, wheels, load, load, 1e5, 1e5), "drawn", load, 0.0, 0.0))
    return found


@pytest.mark.benchmark
@pytest.mark.parametrize("nu", [4.0, 5.0, 6.0])
def test_ladder_of_five_axles(nu):
    axles, steps, depths = loads(), np.linspace(0.8e5, 3.0e5, 12), np.asarray(DEPTHS)
    factor = np.full(len(depths), nu)
    rungs(axles[0], steps, depths, factor, 0.25)  # compiled before the clock starts
    start = time.perf_counter()
    ladders = [rungs(one, steps, depths, factor, 0.25) for one in axles]
    seconds = time.perf_counter() - start
    assert sum(one.stress_pa.size for one in ladders) == 12 * 5 * 6
    assert all((np.diff(one.stress_pa, axis=0) > 0).all() for one in ladders)
    print(
        f"\nladder of 12 steps x 5 axles x 6 depths, concentration factor {nu:g}: {seconds:.3f} s (goal: under 0.2 s)"
    )
