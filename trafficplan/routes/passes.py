"""Drives and passes as plain data: what routes hand to traffic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.machines.outfit import Axle
from trafficplan.names import Note


@dataclass(frozen=True)
class Drive:
    """The way of the powered vehicle's reference point for one operation: one continuous line.

    Arrays have one value per vertex; leg, load and furrow of a vertex hold for the stretch that starts there
    (load is linear from vertex to vertex).

    Attributes
    ----------
    xy : (n, 2) [m]
    time_s : since the start of the operation (planned), or as recorded
    load_kg : product on board
    leg : codes of names.LEGS
    furrow : which wheels run in the open furrow: 0 none, 1 left (offset > 0), -1 right
    swept : strips of ground worked (for tillage), as an (m, 4) array of x0, y0, x1, y1 with `width_m`
    unworked_m2 : ground of the field that the drive does not work, and why is in the notes
    reverses : where its line bends back on itself in a turn, the outfit goes backwards from there on, until the next
        such bend (three-point turns)
    """

    operation: str
    xy: NDArray[np.float64]
    time_s: NDArray[np.float64]
    load_kg: NDArray[np.float64]
    leg: NDArray[np.int8]
    furrow: NDArray[np.int8]
    width_m: float
    trips: int
    worked_m2: float
    unworked_m2: float
    notes: tuple[Note, ...] = ()
    reverses: bool = False

    @property
    def swept(self) -> NDArray[np.float64]:
        """Stretches in work: (m, 4) array of x0, y0, x1, y1 [m]."""
        work = self.leg[:-1] == 0
        return np.column_stack([self.xy[:-1][work], self.xy[1:][work]])


@dataclass(frozen=True)
class Pass:
    """One axle's own way during one operation.

    Attributes
    ----------
    operation : index into the season's operations
    axle : the axle (wheels, tyres)
    pressure_pa : field pressure of this axle in this operation [Pa]
    runs_at_depth_m : depth at which wheels on the `furrow` side run [m]
    xy : (n, 2) path of the axle's centre [m]
    load_n : (n,) axle load at each vertex [N]
    leg, furrow : (n,) as in Drive
    """

    operation: int
    axle: Axle
    pressure_pa: float
    runs_at_depth_m: float
    xy: NDArray[np.float64]
    load_n: NDArray[np.float64]
    leg: NDArray[np.int8]
    furrow: NDArray[np.int8]
