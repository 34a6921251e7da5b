"""The height model: a GeoTIFF in any system, read around the fields into the working CRS."""

from __future__ import annotations

import math

import numpy as np
import shapely
from affine import Affine
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.warp import calculate_default_transform

from trafficplan.farm.elevation import Elevation, slopes_within
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.paths import inside
from trafficplan.inputs.raster import MOST_CELLS, opened, real_values, unreadable, window_around
from trafficplan.inputs.settings import Settings
from trafficplan.units import FOOT

#: Heights of land [m]: the Dead Sea's shore and the highest farms, with room.
LOWEST_M, HIGHEST_M = -450.0, 6000.0
#: Cells kept around the fields.
_MARGIN = 3
#: Finer heights than this show furrows and stubble, not slope [m].
_FINEST_M = 0.5

_UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "ft": FOOT,
    "foot": FOOT,
    "feet": FOOT,
}


def read_elevation(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> Elevation | None:
    """Return the heights around the fields, or None where the farm has no height model (or with problems)."""
    named = settings.files.elevation
    if named is None and not (ledger.folder / "elevation.tif").exists():
        return None
    path = inside(ledger, named or "elevation.tif", "farm.toml, files, elevation")
    if path is None:
        return None
    name = path.relative_to(ledger.folder).as_posix()
    bounds = shapely.total_bounds([field.polygon for field in boundaries.fields.values()])
    with opened(ledger, path, "elevation", settings.systems.get("elevation")) as pair:
        if pair is None:
            return None
        source, own = pair
        box = (float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3]))
        if window_around(ledger, source, name, own, box, boundaries.crs) is None:
            return None
        target = boundaries.crs.to_wkt()
        best, _, _ = calculate_default_transform(own.to_wkt(), target, source.width, source.height, *source.bounds)
        cell = max(_FINEST_M, round(best.a, 3))
        west = (math.floor(bounds[0] / cell) - _MARGIN) * cell
        north = (math.ceil(bounds[3] / cell) + _MARGIN) * cell
        cols = math.ceil((bounds[2] - west) / cell) + _MARGIN
        rows = math.ceil((north - bounds[1]) / cell) + _MARGIN
        if rows * cols > MOST_CELLS:
            unreadable(ledger, path, name, ValueError(f"{rows * cols / 1e6:.0f} million cells around the fields"))
            return None
        grid = Affine(cell, 0.0, west, 0.0, -cell, north)
        try:
            with WarpedVRT(
                source,
                src_crs=own.to_wkt(),
                crs=target,
                transform=grid,
                width=cols,
                height=rows,
                resampling=Resampling.bilinear,
                dtype="float64",
                nodata=source.nodata if source.nodata is not None else -1e30,
            ) as warped:
                heights = real_values(source, warped.read(1, masked=True))
        except RasterioError as error:
            unreadable(ledger, path, name, error)
            return None
        factor = _unit(ledger, settings, source.units[0], name)
    model = Elevation(west, north, cell, (heights * factor).astype(np.float32))
    return model if _believable(ledger, model, boundaries, name) else None


def _unit(ledger: Ledger, settings: Settings, written: str | None, name: str) -> float:
    """Return the factor to metres: as farm.toml tells, else as the file says, else metres with a note."""
    if settings.elevation_unit is not None:
        return _UNITS[settings.elevation_unit]
    factor = _UNITS.get((written or "").strip().lower())
    if factor is None:
        ledger.assumed(
            f"{name}: unit of heights",
            "m",
            "the file does not say it; else write elevation_unit in farm.toml",
        )
    return factor or 1.0


def _believable(ledger: Ledger, model: Elevation, boundaries: Boundaries, name: str) -> bool:
    known = model.height_m[np.isfinite(model.height_m)]
    if known.size and not (float(known.min()) >= LOWEST_M and float(known.max()) <= HIGHEST_M):
        ledger.problem(
            "heights that no field has",
            name,
            f"{float(known.min()):.6g} to {float(known.max()):.6g} m",
            f"heights from {LOWEST_M:g} to {HIGHEST_M:g} m",
            "set the value that means no data in the file, or write elevation_unit in farm.toml",
        )
        return False
    bare = [field.key for field in boundaries.fields.values() if not slopes_within(model, field.polygon).size]
    if bare:
        ledger.warned(f"{name}: fields without heights", ", ".join(bare[:12]), "the height model does not cover them")
    return True
