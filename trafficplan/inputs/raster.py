"""Rasters of the farm folder: opened as GeoTIFF and nothing else, only the part around the fields is read."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window, from_bounds

from trafficplan.inputs.coordinates import system_of
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.signature import is_as_named

#: More cells than this around the fields are finer than any soil map or height model that is of use here.
MOST_CELLS = 6_000_000


@dataclass(frozen=True)
class Piece:
    """The part of a raster around the fields.

    Attributes
    ----------
    values : (rows, cols) float64 with NaN where there is no value; scale and offset of the file are applied
    transform : affine of the piece in `crs`
    """

    name: str
    values: NDArray[np.float64]
    transform: Any
    crs: CRS


#: Sides of cells that a raster on the earth can have [units of its system].
_LEAST, _MOST = 1e-9, 1e7

Box = tuple[float, float, float, float]


@contextmanager
def opened(ledger: Ledger, path: Path, kind: str, told: CRS | None) -> Iterator[tuple[DatasetReader, CRS] | None]:
    """Open a GeoTIFF of one band for a while; gives it with its CRS, or None with a problem."""
    name = path.relative_to(ledger.folder).as_posix()
    if not is_as_named(ledger, path, name):
        yield None
        return
    ledger.hash_file(path)
    try:
        source = rasterio.open(path, driver="GTiff")
    except RasterioError as error:
        unreadable(ledger, path, name, error)
        yield None
        return
    with source:
        yield _usable(ledger, source, path, name, kind, told)


def _usable(
    ledger: Ledger, source: DatasetReader, path: Path, name: str, kind: str, told: CRS | None
) -> tuple[DatasetReader, CRS] | None:
    if source.count != 1:
        ledger.problem(
            "a raster of several bands where one belongs",
            name,
            f"{source.count} bands",
            "one band of values",
            "save the band that is meant alone: a picture of a map cannot be read",
        )
        return None
    grid = source.transform
    if grid.is_identity:
        ledger.problem(
            "a raster without a place",
            name,
            "no georeference",
            "a GeoTIFF with coordinates",
            "save it again with its coordinates",
        )
        return None
    if grid.b or grid.d or not (_LEAST < grid.a < _MOST and _LEAST < -grid.e < _MOST):
        ledger.problem(
            "a raster that is turned",
            name,
            f"cells of {grid.a:g} by {-grid.e:g}, turned by {grid.b:g} and {grid.d:g}",
            "a raster with north up",
            "save it again with north up",
        )
        return None
    crs = system_of(ledger, source.crs.to_wkt() if source.crs else None, told, path, name, kind)
    return (source, crs) if crs is not None else None


def unreadable(ledger: Ledger, path: Path, name: str, error: Exception) -> None:
    """Record that a raster cannot be read."""
    ledger.problem(
        "the raster cannot be read",
        name,
        str(error).replace(f"{path.parent}/", "")[:120] or type(error).__name__,
        "a whole GeoTIFF",
        "save it again as GeoTIFF",
    )


def read_piece(ledger: Ledger, path: Path, kind: str, told: CRS | None, around: Box, crs: CRS) -> Piece | None:
    """Read the part of a raster that lies around the fields, in the raster's own CRS.

    Parameters
    ----------
    around : west, south, east, north in `crs` [m]
    """
    name = path.relative_to(ledger.folder).as_posix()
    with opened(ledger, path, kind, told) as pair:
        if pair is None:
            return None
        source, own = pair
        window = window_around(ledger, source, name, own, around, crs)
        if window is None:
            return None
        try:
            read = source.read(1, window=window, masked=True)
        except RasterioError as error:
            unreadable(ledger, path, name, error)
            return None
        if np.iscomplexobj(read):
            unreadable(ledger, path, name, ValueError("complex numbers"))
            return None
        return Piece(name, real_values(source, read), source.window_transform(window), own)


def real_values(source: DatasetReader, read: Any) -> NDArray[np.float64]:
    """Return values with scale and offset applied and NaN where the file has none."""
    values: NDArray[np.float64] = np.ma.filled(np.ma.asarray(read).astype(np.float64), np.nan)
    values *= source.scales[0]
    values += source.offsets[0]
    return values


def window_around(ledger: Ledger, source: DatasetReader, name: str, own: CRS, around: Box, crs: CRS) -> Window | None:
    """Return the window of whole cells that holds a box; none, or too many cells, are a problem."""
    try:
        box = Transformer.from_crs(crs, own, always_xy=True).transform_bounds(*around)
    except ProjError:
        box = (math.nan,) * 4
    if not np.isfinite([*box, *source.bounds]).all():
        _elsewhere(ledger, name, source, box)
        return None
    window = from_bounds(*box, transform=source.transform)
    left, top = max(0, math.floor(window.col_off) - 1), max(0, math.floor(window.row_off) - 1)
    right = min(source.width, math.ceil(window.col_off + window.width) + 1)
    bottom = min(source.height, math.ceil(window.row_off + window.height) + 1)
    if right <= left or bottom <= top:
        _elsewhere(ledger, name, source, box)
        return None
    cells = (right - left) * (bottom - top)
    if cells > MOST_CELLS:
        ledger.problem(
            "a raster too fine for its use",
            name,
            f"{cells / 1e6:.0f} million cells around the fields",
            f"at most {MOST_CELLS / 1e6:.0f} million",
            "save it again with larger cells (5 to 20 m)",
        )
        return None
    return Window(left, top, right - left, bottom - top)


def _elsewhere(ledger: Ledger, name: str, source: DatasetReader, box: Box) -> None:
    there = ", ".join(f"{one:.6g}" for one in source.bounds)
    fields = ", ".join(f"{one:.6g}" for one in box)
    ledger.problem(
        "the raster lies entirely elsewhere",
        name,
        f"raster {there}; fields {fields} (west, south, east, north)",
        "a raster under the fields",
        "check that it belongs to this farm, and its coordinate system",
    )
