"""Layers as small pictures, one byte per cell of about 1 m: the page can colour, read and compare them."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from trafficplan.assess.stored import unpack
from trafficplan.farm.grid import Grid
from trafficplan.names import LAYERS

#: Bytes of a picture: outside the field, and inside but untouched; the rest is linear from `low` to `high`.
OUTSIDE, UNTOUCHED, FIRST, LAST = 0, 1, 2, 255

#: Measure -> value of code 2 and of code 255. Fixed, so that scenarios compare; higher values are shown as
#: "or more".
#: Passes and over-passes: one code per pass. Traffic has no natural end: the picture's own maximum, rounded
#: up.
RANGES: dict[str, tuple[float, float | None]] = {
    "ratio": (0.0, 2.53),
    "lasting": (0.0, 1.0),
    "stress": (0.0, 303.6),
    "depth_reached": (0.0, 1.518),
    "passes": (1.0, 254.0),
    "over_passes": (1.0, 254.0),
    "compaction": (0.0, 1.518),
    "traffic": (0.0, None),
}

PICTURE_CELL_M = 1.0


def _levels(*runs: tuple[float, float, float]) -> tuple[float, ...]:
    """Return the levels of runs of (first, last, step), as whole multiples of the step."""
    return tuple(
        round(step * count, 4)
        for first, last, step in runs
        for count in range(round(first / step), round(last / step) + 1)
    )


#: Levels that values are shown at: the highest one that a value reaches (the first for all that is touched). The
#: bounds of every colour are among them, so no colour changes; finer levels would hold only the noise of tyre edges
#: and triple the page.
LEVELS: dict[str, tuple[float, ...]] = {
    "ratio": (0.05, *_levels((0.1, 1.1, 0.1), (1.25, 2.5, 0.25))),
    "lasting": (0.02, *_levels((0.1, 1.0, 0.1))),
    "stress": (5.0, *_levels((12.5, 150, 12.5), (175, 300, 25))),
    "depth_reached": (0.05, *_levels((0.1, 1.5, 0.1))),
    "passes": (*_levels((1, 10, 1)), 12, 16, 20, 24, 32, 48, 64, 96, 128, 200),
    "over_passes": (*_levels((1, 10, 1)), 12, 16, 20, 24, 32, 48, 64, 96, 128, 200),
    "compaction": (0.02, *_levels((0.05, 1.5, 0.05))),
}


@dataclass(frozen=True)
class Picture:
    """One layer of one field under one scenario, for the page.

    Attributes
    ----------
    layer : name of the layer ("ratio_35")
    title : in words, without the depth
    unit : unit of the values
    low, high : value of code 2 and of code 255
    png : greyscale PNG, one byte per block of cells
    bounds : west, south, east, north of the picture [m]
    cell : side of a block [m]
    """

    layer: str
    title: str
    unit: str
    low: float
    high: float
    png: bytes
    bounds: tuple[float, float, float, float]
    cell: float


def measure_of(layer: str) -> tuple[str, int | None]:
    """Split a layer's name into measure and depth [cm].

    Examples
    --------
    >>> measure_of("over_passes_35"), measure_of("depth_reached")
    (('over_passes', 35), ('depth_reached', None))
    """
    measure, _, tag = layer.rpartition("_")
    return (measure, int(tag)) if tag.isdigit() and measure in LAYERS else (layer, None)


def encode(layer: str, values: NDArray[np.floating], grid: Grid) -> Picture:
    """Return a layer as a picture of blocks of about 1 m, each with the highest value of its cells.

    The highest value and never the mean: a wheel mark narrower than a block must not fade away.

    Parameters
    ----------
    layer : name of the layer
    values : (rows, cols), NaN outside the field
    grid : grid of the values; the picture's bounds grow east and south to whole blocks

    Raises
    ------
    ValueError
        when the shape is not the grid's, or the measure is unknown
    """
    measure = _checked(layer, values, grid)
    blocks = _block_maximum(values, _step(grid.cell))
    low, end = RANGES[measure]
    high = end if end is not None else _round_up(float(np.nanmax(blocks, initial=0.0)))
    return _picture(layer, _codes(_shown(blocks, measure), low, high), low, high, grid)


def encode_stored(layer: str, stored: NDArray[Any], grid: Grid) -> Picture:
    """Return a layer as it is stored as a picture: the same as `encode` of its values, at a third of the time.

    Parameters
    ----------
    layer : name of the layer
    stored : (rows, cols), in the dtype of names.LAYERS
    grid : as of `encode`

    Raises
    ------
    ValueError
        as of `encode`
    """
    measure = _checked(layer, stored, grid)
    if stored.dtype != np.uint16:
        return encode(layer, unpack(layer, stored), grid)
    # Stored values rise with the real ones: the highest of a block is found in whole numbers, nodata (the last) first.
    blocks = _block_maximum_stored(stored, _step(grid.cell))
    low, high = RANGES[measure]
    assert high is not None
    return _picture(layer, _code_table(measure)[blocks], low, high, grid)


@lru_cache(maxsize=32)
def _code_table(measure: str) -> NDArray[np.uint8]:
    """Return the byte of every stored value."""
    low, high = RANGES[measure]
    assert high is not None
    return _codes(_shown(unpack(measure, np.arange(65536, dtype=np.uint16)), measure), low, high)


def _checked(layer: str, values: NDArray[Any], grid: Grid) -> str:
    """Return the measure of a layer; refuse a wrong shape and an unknown layer."""
    measure, _ = measure_of(layer)
    if values.shape != grid.shape:
        raise ValueError(f"{layer}: values have shape {values.shape}, the grid {grid.shape}")
    if measure not in RANGES:
        raise ValueError(f"{layer}: unknown layer, known are {', '.join(RANGES)}")
    return measure


def _picture(layer: str, codes: NDArray[np.uint8], low: float, high: float, grid: Grid) -> Picture:
    kind, cell = LAYERS[measure_of(layer)[0]], grid.cell * _step(grid.cell)
    bounds = (grid.west, grid.north - codes.shape[0] * cell, grid.west + codes.shape[1] * cell, grid.north)
    return Picture(layer, kind.meaning, kind.unit, low, high, _png(codes), bounds, cell)


def decode(picture: Picture) -> NDArray[np.float64]:
    """Return the values of a picture (rows, cols): NaN outside, 0 where untouched."""
    codes = np.asarray(Image.open(io.BytesIO(picture.png)), dtype=np.float64)
    values = picture.low + (codes - FIRST) * (picture.high - picture.low) / (LAST - FIRST)
    values[codes == UNTOUCHED] = 0.0
    values[codes == OUTSIDE] = np.nan
    return values


def _step(cell: float) -> int:
    """Return how many cells are the side of a block."""
    return max(1, round(PICTURE_CELL_M / cell))


def _block_maximum(values: NDArray[np.floating], step: int) -> NDArray[np.float32]:
    """Return the highest value of each block, NaN where it has none."""
    rows, cols = (-(-size // step) for size in values.shape)
    padded = np.full((rows * step, cols * step), np.nan, dtype=np.float32)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks: NDArray[np.float32] = np.fmax.reduce(np.fmax.reduce(padded.reshape(rows, step, cols, step), axis=3), axis=1)
    return blocks


def _block_maximum_stored(stored: NDArray[np.uint16], step: int) -> NDArray[np.uint16]:
    """Return the highest stored value of each block, 65535 (nodata) where it has none."""
    one = np.uint16(1)
    if step == 1:
        return stored
    rows, cols = (-(-size // step) for size in stored.shape)
    padded = np.zeros((rows * step, cols * step), np.uint16)
    padded[: stored.shape[0], : stored.shape[1]] = stored + one  # nodata becomes 0, below all else
    blocks = padded[::step, ::step].copy()
    for row in range(step):
        for col in range(step):
            np.maximum(blocks, padded[row::step, col::step], out=blocks)
    return blocks - one


def _round_up(value: float) -> float:
    """Return the next 1, 2 or 5 times a power of ten, at least 10."""
    if value <= 10.0:
        return 10.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(power * lead for lead in (1.0, 2.0, 5.0, 10.0) if power * lead >= value))


def _shown(blocks: NDArray[np.float32], measure: str) -> NDArray[np.float32]:
    """Return each value's level; traffic keeps its value."""
    if measure not in LEVELS:
        return blocks
    levels = np.array(LEVELS[measure], dtype=np.float32)
    at = np.searchsorted(levels, blocks * np.float32(1 + 1e-5), side="right") - 1
    return np.where(blocks > 0, levels[np.maximum(at, 0)], blocks)


def _codes(blocks: NDArray[np.float32], low: float, high: float) -> NDArray[np.uint8]:
    """Return one byte per block."""
    share = (np.nan_to_num(blocks, nan=0.0) - low) / (high - low)
    codes: NDArray[np.uint8] = np.clip(np.rint(FIRST + share * (LAST - FIRST)), FIRST, LAST).astype(np.uint8)
    codes[blocks <= 0] = UNTOUCHED
    codes[np.isnan(blocks)] = OUTSIDE
    return codes


def _png(codes: NDArray[np.uint8]) -> bytes:
    """Return a greyscale PNG; the compression level is fixed, so the bytes are."""
    target = io.BytesIO()
    Image.fromarray(codes).save(target, "PNG", compress_level=6)
    return target.getvalue()
