"""Compile the kernel once, ahead of the first run (an installer or a container image calls this)."""

from __future__ import annotations

import numpy as np

from trafficplan.farm.grid import Grid
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.routes.passes import Pass
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import OperationEvents
from trafficplan.traffic.season import run_season


def warm_up() -> None:
    """Run a season of one hooked pass with tillage on 20 m; numba keeps what it compiles in its cache folder."""
    grid = Grid.around((0.0, 0.0, 20.0, 20.0), 0.5, "EPSG:32631")
    depths = np.array([0.2, 0.5])
    soil = SoilDay(depths, np.full(2, 1.5e4), np.full(2, 6e4), np.full(2, 0.5), np.full(2, 5.0))
    tyre = Tyre("650/65R30.5", "tyre", 0.65, 1.62, 0.42)
    axle = Axle("axle", 0.0, (Wheel(tyre, 0.9), Wheel(tyre, -0.9)), 4e4, 8e4, 1e5, 1e5)
    xy = np.array([[3.0, 4.0], [15.0, 5.0], [15.0, 6.0], [3.0, 8.0]])
    flat = np.zeros(4, np.int8)
    one = Pass(0, axle, 1e5, 0.0, xy, np.full(4, 8e4), flat, flat)
    swept = np.column_stack([xy[:-1], xy[1:]])
    operation = OperationEvents((one,), (soil,), 0.25, swept, 3.0)
    run_season(grid, np.zeros(grid.shape, np.uint8), (0.2, 0.5), 0.25, (operation,))
