"""Heights of the ground around the fields, and its slope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import geometry_mask
from shapely import MultiPolygon, Polygon


@dataclass(frozen=True)
class Elevation:
    """Heights on a square grid in the working CRS, north up.

    Attributes
    ----------
    west, north : upper left corner of the grid [m]
    cell_m : side of a cell [m]
    height_m : (rows, cols) float32 heights of the cell centres [m], NaN where unknown
    """

    west: float
    north: float
    cell_m: float
    height_m: NDArray[np.float32]


def slope(elevation: Elevation) -> NDArray[np.float64]:
    """Return the slope of each cell as rise over run, (rows, cols), NaN at the edge and beside unknown heights.

    Notes
    -----
    Horn (1981), Proceedings of the IEEE 69: the eight neighbours, those beside the cell counted twice (memory).
    """
    rows, cols = elevation.height_m.shape
    result = np.full((rows, cols), np.nan)
    if min(rows, cols) < 3:
        return result
    z = elevation.height_m.astype(np.float64)
    west = z[:-2, :-2] + 2 * z[1:-1, :-2] + z[2:, :-2]
    east = z[:-2, 2:] + 2 * z[1:-1, 2:] + z[2:, 2:]
    north = z[:-2, :-2] + 2 * z[:-2, 1:-1] + z[:-2, 2:]
    south = z[2:, :-2] + 2 * z[2:, 1:-1] + z[2:, 2:]
    result[1:-1, 1:-1] = np.hypot(east - west, south - north) / (8 * elevation.cell_m)
    return result


def slopes_within(elevation: Elevation, area: Polygon | MultiPolygon) -> NDArray[np.float64]:
    """Return the known slopes of the cells whose centre lies in an area (rise over run), in no order."""
    grid = Affine(elevation.cell_m, 0.0, elevation.west, 0.0, -elevation.cell_m, elevation.north)
    inside = ~geometry_mask([area], elevation.height_m.shape, grid)
    found: NDArray[np.float64] = slope(elevation)[inside]
    return found[np.isfinite(found)]
