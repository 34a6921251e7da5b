"""The aerial image behind the map, if the farm has one."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT

LONGEST_SIDE = 1600


@dataclass(frozen=True)
class Aerial:
    """A background image: its data address, and west, south, east, north in the farm's CRS [m]."""

    address: str
    bounds: tuple[float, float, float, float]


def aerial_image(path: Path, crs: str) -> Aerial | None:
    """Read an aerial GeoTIFF into a JPEG of at most 1600 pixels a side in the farm's CRS; None if unreadable.

    One band is shown grey, three or more as red, green, blue. Other depths than 8 bit are stretched from
    their 2nd to
    their 98th percentile. Ground outside the image is white.
    """
    try:
        with (
            rasterio.open(path) as source,
            WarpedVRT(source, crs=crs, resampling=Resampling.bilinear) as warped,
        ):
            shrink = max(1.0, max(warped.width, warped.height) / LONGEST_SIDE)
            shape = (max(1, round(warped.height / shrink)), max(1, round(warped.width / shrink)))
            bands = [1, 2, 3] if warped.count >= 3 else [1]
            pixels = warped.read(bands, out_shape=(len(bands), *shape), resampling=Resampling.average)
            mask = warped.dataset_mask(out_shape=shape)
            bounds = tuple(warped.bounds)
    except (RasterioError, OSError):
        return None
    image = Image.fromarray(np.moveaxis(_to_bytes(pixels, mask), 0, -1).squeeze())
    target = io.BytesIO()
    image.convert("RGB").save(target, "JPEG", quality=72)
    return Aerial("data:image/jpeg;base64," + base64.b64encode(target.getvalue()).decode(), bounds)


def _to_bytes(pixels: NDArray[Any], mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (bands, rows, cols) as bytes, white outside the mask."""
    inside = mask > 0
    if pixels.dtype == np.uint8 or not inside.any():
        shown = pixels.astype(np.uint8)
    else:
        values = pixels.astype(np.float64)
        low, high = np.percentile(values[:, inside], (2, 98))
        shown = np.clip((values - low) / max(high - low, 1e-9) * 255, 0, 255).astype(np.uint8)
    shown[:, ~inside] = 255
    return shown
