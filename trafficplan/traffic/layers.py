"""What the kernel takes and gives: plain arrays of one field and one season."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.farm.grid import Grid
from trafficplan.routes.passes import Pass
from trafficplan.soil.unit import SoilDay


@dataclass(frozen=True)
class OperationEvents:
    """One operation as the kernel meets it, in the order of the season.

    Attributes
    ----------
    passes : every axle's pass (may be empty)
    soils : one SoilDay per soil class of the field (index = class in `soil_class`), all on the same depths
    till_depth_m : after its wheels, the compaction index is set to 0 at depths <= this on the swept ground; 0 = none
    swept : (m, 4) stretches x0, y0, x1, y1 worked [m], and
    swept_width_m : their width [m]
    """

    passes: tuple[Pass, ...]
    soils: tuple[SoilDay, ...]
    till_depth_m: float
    swept: NDArray[np.float64]
    swept_width_m: float


@dataclass(frozen=True)
class CellState:
    """State of every cell of the box as the kernel writes it and takes it up again (D = number of depths).

    Attributes
    ----------
    cells16 : (4, rows, cols) uint16: sixteenths touched, mask of sub-cells, first over, worst
    traffic_g_m : (rows, cols) uint32
    real : (3, D, rows, cols) float32: highest stress [Pa], highest ratio, exp(M)
    over : (D, rows, cols) uint16
    operations : how many operations made it
    """

    cells16: NDArray[np.uint16]
    traffic_g_m: NDArray[np.uint32]
    real: NDArray[np.float32]
    over: NDArray[np.uint16]
    operations: int = 0

    @classmethod
    def unwritten(cls, depths: int, shape: tuple[int, int]) -> CellState:
        """Return memory for a state: the kernel writes every cell of it when it starts on untouched soil."""
        return cls(
            np.empty((4, *shape), np.uint16),
            np.empty(shape, np.uint32),
            np.empty((3, depths, *shape), np.float32),
            np.empty((depths, *shape), np.uint16),
        )

    def copy(self) -> CellState:
        """Return a state of its own."""
        return CellState(
            self.cells16.copy(), self.traffic_g_m.copy(), self.real.copy(), self.over.copy(), self.operations
        )


@dataclass(frozen=True)
class SeasonLayers:
    """State of every cell of the box after the season (D = number of depths).

    Attributes
    ----------
    passes_16 : (rows, cols) uint16, sixteenths of a cell touched, summed over events
    wheeled_mask : (rows, cols) uint16, 4 x 4 sub-cells that a wheel touched at least once
    traffic_g_m : (rows, cols) uint32, load x path length deposited [g m]
    stress_pa : (D, rows, cols) float32, highest vertical stress
    ratio : (D, rows, cols) float32, highest stress ratio
    over : (D, rows, cols) uint16, events with ratio over 1
    compaction : (D, rows, cols) float32, compaction index M
    first_over : (rows, cols) uint16, 1 + index of the operation that first brought a deep depth over ratio 1; 0 = none
    worst : (rows, cols) uint16, 1 + index of the operation that gave the highest ratio among the deep depths; 0 = none
    """

    grid: Grid
    depths_m: tuple[float, ...]
    passes_16: NDArray[np.uint16]
    wheeled_mask: NDArray[np.uint16]
    traffic_g_m: NDArray[np.uint32]
    stress_pa: NDArray[np.float32]
    ratio: NDArray[np.float32]
    over: NDArray[np.uint16]
    compaction: NDArray[np.float32]
    first_over: NDArray[np.uint16]
    worst: NDArray[np.uint16]
