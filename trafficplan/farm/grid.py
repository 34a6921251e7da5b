"""One immutable grid per field: projected CRS, origin, cell, shape."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Grid:
    """North-up grid of square cells; row 0 is the northern row.

    Attributes
    ----------
    crs : projected CRS as "EPSG:n" or WKT
    west, north : outer corner of cell (0, 0) [m]; whole multiples of `cell`
    cell : cell size [m]
    rows, cols : shape
    """

    crs: str
    west: float
    north: float
    cell: float
    rows: int
    cols: int

    @classmethod
    def around(cls, bounds: tuple[float, float, float, float], cell: float, crs: str, margin: float = 0.0) -> Grid:
        """Return the smallest grid with snapped edges that holds `bounds` (west, south, east, north) and a margin [m].

        Edges lie on whole multiples of the cell, so two runs share their cell edges.
        """
        west = math.floor((bounds[0] - margin) / cell + 1e-9)
        south = math.floor((bounds[1] - margin) / cell + 1e-9)
        east = math.ceil((bounds[2] + margin) / cell - 1e-9)
        north = math.ceil((bounds[3] + margin) / cell - 1e-9)
        return cls(crs, west * cell, north * cell, cell, max(1, north - south), max(1, east - west))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.cols

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north [m]."""
        return self.west, self.north - self.rows * self.cell, self.west + self.cols * self.cell, self.north

    @property
    def affine(self) -> tuple[float, float, float, float, float, float]:
        """Coefficients a, b, c, d, e, f of the affine transform column, row -> x, y."""
        return self.cell, 0.0, self.west, 0.0, -self.cell, self.north

    @property
    def cell_ha(self) -> float:
        """Area of a cell [ha]."""
        return self.cell * self.cell / 1e4

    def centres(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return x of the column centres (cols,) and y of the row centres (rows,) [m]."""
        x = self.west + (np.arange(self.cols, dtype=np.float64) + 0.5) * self.cell
        y = self.north - (np.arange(self.rows, dtype=np.float64) + 0.5) * self.cell
        return x, y
