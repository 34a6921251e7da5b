"""Result layers as Cloud Optimized GeoTIFF: scaled whole numbers with scale, unit, description and nodata set."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio._err import CPLE_BaseError
from rasterio.errors import RasterioError
from rasterio.io import MemoryFile

from trafficplan.assess.stored import kind_of
from trafficplan.farm.grid import Grid
from trafficplan.names import LAYERS


def layer_bytes(layer: str, stored: NDArray[Any], grid: Grid) -> bytes:
    """Return one stored layer as a file's content.

    Parameters
    ----------
    layer : layer name ("ratio_35")
    stored : (rows, cols) as stored, in the dtype of names.LAYERS

    Raises
    ------
    OSError
        The library for TIFF cannot make it (no memory).
    """
    try:
        return _encoded(layer, stored, grid)
    except (RasterioError, CPLE_BaseError) as error:  # not all of them are OSErrors
        raise OSError(errno.EIO, f"{layer}: {error}") from None


def _encoded(layer: str, stored: NDArray[Any], grid: Grid) -> bytes:
    kind = LAYERS[kind_of(layer)]
    tag = layer.removeprefix(kind.name).lstrip("_")
    counts = kind.name in ("over_passes", "passes")
    with MemoryFile() as memory:
        with memory.open(
            driver="COG",
            height=grid.rows,
            width=grid.cols,
            count=1,
            dtype=kind.dtype,
            crs=grid.crs,
            transform=Affine(*grid.affine),
            nodata=kind.nodata,
            compress="ZSTD",
            level=1,
            predictor="YES",
            blocksize=512,
            overview_resampling="mode" if counts else "average",
        ) as target:
            target.write(stored, 1)
            target.scales = (kind.scale,)
            target.offsets = (0.0,)
            target.units = (kind.unit,)
            target.set_band_description(1, kind.meaning + (f", {tag} cm deep" if tag else ""))
        return bytes(memory.read())


def read_layer(path: Path) -> tuple[NDArray[np.float32], Grid]:
    """Read a layer back in its unit, NaN at nodata, with its grid."""
    with rasterio.open(path) as source:
        stored = source.read(1)
        values = stored.astype(np.float32) * np.float32(source.scales[0])
        values[stored == source.nodata] = np.nan
        crs = source.crs.to_string()
        grid = Grid(crs, source.transform.c, source.transform.f, source.transform.a, source.height, source.width)
    return values, grid
