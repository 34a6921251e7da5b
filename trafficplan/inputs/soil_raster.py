"""The soil map as a raster: of classes, or of sand and clay; its cells become polygons with exact edges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.features import shapes
from rasterio.vrt import WarpedVRT

from trafficplan.farm.field import SoilPatch
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.fractions import ROUNDING_PCT, note_of_conversion, silt_share_below_50
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.paths import inside
from trafficplan.inputs.raster import Box, Piece, read_piece, real_values, unreadable
from trafficplan.inputs.settings import Settings
from trafficplan.soil.texture import texture_class
from trafficplan.soil.unit import Horizon, SoilUnit

#: A raster breaks up into at most so many polygons; more is noise of its making, not soil.
MOST_POLYGONS = 20_000
#: The raster is read so far around the fields [m].
_AROUND_M = 100.0
#: The profile that a single layer of sand and clay stands for [m].
_DEPTH_M = 1.0

_TO_PCT = {"%": 1.0, "g/kg": 0.1, "fraction": 100.0}


@dataclass(frozen=True)
class RasterSoil:
    """Polygons of equal soil, and the units that the raster itself describes (none for classes)."""

    patches: tuple[SoilPatch, ...]
    units: Mapping[str, SoilUnit]


def soil_raster_file(ledger: Ledger, settings: Settings) -> str | None:
    """Return the name of a raster of soil classes that farm.toml names or that lies in the folder, or None."""
    named = settings.files.soil
    if isinstance(named, str):
        return named if named.lower().endswith((".tif", ".tiff")) else None
    return "soil.tif" if named is None and (ledger.folder / "soil.tif").exists() else None


def read_soil_raster(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> RasterSoil | None:
    """Return the soil of a raster, or None where the farm has none (or with problems)."""
    form = settings.soil_raster
    if form.sand is not None or form.clay is not None:
        return _from_fractions(ledger, settings, boundaries)
    name = soil_raster_file(ledger, settings)
    if name is None:
        return None
    path = inside(ledger, name, "farm.toml, files, soil" if settings.files.soil else name)
    return _from_classes(ledger, settings, boundaries, path) if path else None


def _box(boundaries: Boundaries) -> Box:
    bounds = shapely.total_bounds([field.polygon for field in boundaries.fields.values()])
    west, south, east, north = (float(one) for one in bounds)
    return west - _AROUND_M, south - _AROUND_M, east + _AROUND_M, north + _AROUND_M


def _from_classes(ledger: Ledger, settings: Settings, boundaries: Boundaries, path: Path) -> RasterSoil | None:
    told = settings.systems.get("soil")
    piece = read_piece(ledger, path, "soil", told, _box(boundaries), boundaries.crs)
    if piece is None:
        return None
    known = np.isfinite(piece.values)
    values = np.unique(piece.values[known])
    if values.size and (np.abs(values - np.round(values)) > 0).any():
        ledger.problem(
            "a raster of classes holds fractions",
            piece.name,
            listed([f"{one:g}" for one in values[:12]]),
            "whole numbers, one for each soil",
            "name sand and clay in farm.toml, table soil_raster, if these are their shares",
        )
        return None
    table = settings.soil_raster.classes
    keys = sorted(set(table.values()))
    index = np.zeros(piece.values.shape, dtype=np.int32)
    strange: dict[str, float] = {}
    for value in values:
        unit = table.get(str(int(value)))
        here = piece.values == value
        if unit is None:
            strange[str(int(value))] = float(here.sum())
        else:
            index[here] = keys.index(unit) + 1
    cell_ha = _cell_ha(piece, boundaries.crs)
    if strange and not _under_no_field(ledger, piece, boundaries, strange, cell_ha):
        return None
    patches = _polygons(ledger, piece, index, keys, boundaries.crs)
    return RasterSoil(patches, {}) if patches is not None else None


def _cell_ha(piece: Piece, crs: CRS) -> float:
    """Return the size of the middle cell in hectares, in the working CRS."""
    rows, cols = piece.values.shape
    corners = [(cols // 2 + a, rows // 2 + b) for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))]
    return float(shapely.Polygon(_place(np.array(corners, dtype=np.float64), piece, crs)).area) / 1e4


def _under_no_field(
    ledger: Ledger, piece: Piece, boundaries: Boundaries, strange: Mapping[str, float], cell_ha: float
) -> bool:
    """Refuse values without a class that lie under a field, with their hectares; note those that do not."""
    codes = sorted(strange, key=int)
    index = np.zeros(piece.values.shape, dtype=np.int32)
    for i, code in enumerate(codes, start=1):
        index[piece.values == int(code)] = i
    patches = _polygons(ledger, piece, index, codes, boundaries.crs)
    if patches is None:
        return False
    ground = shapely.union_all([field.polygon for field in boundaries.fields.values()])
    under: dict[str, float] = {}
    for patch in patches:
        area = patch.polygon.intersection(ground).area / 1e4
        if area > 1e-4:
            under[patch.unit] = under.get(patch.unit, 0.0) + area
    if under:
        ledger.problem(
            "raster values without a soil unit",
            piece.name,
            ", ".join(f"{code} on {area:.2f} ha" for code, area in sorted(under.items())),
            "a unit for each value under a field",
            'write them in farm.toml, table soil_raster.classes, as in 3 = "B"; or set the no-data value',
        )
        return False
    total = sum(strange.values()) * cell_ha
    ledger.warned(f"{piece.name}: values {listed(codes)}", f"{total:.2f} ha left out", "no unit, and under no field")
    return True


def _from_fractions(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> RasterSoil | None:
    form = settings.soil_raster
    if form.sand is None or form.clay is None:
        missing = "sand" if form.sand is None else "clay"
        ledger.problem(
            "one of two rasters is missing",
            f"farm.toml, soil_raster, {missing}",
            "nothing",
            "the rasters of sand and of clay",
            f'add {missing} = "{missing}.tif"',
        )
        return None
    sand_path = inside(ledger, form.sand, "farm.toml, soil_raster, sand")
    clay_path = inside(ledger, form.clay, "farm.toml, soil_raster, clay")
    if sand_path is None or clay_path is None:
        return None
    told = settings.systems.get("soil")
    first = read_piece(ledger, sand_path, "soil", told, _box(boundaries), boundaries.crs)
    other = read_piece(ledger, clay_path, "soil", told, _box(boundaries), boundaries.crs)
    if first is None or other is None:
        return None
    clay = _on_grid_of(ledger, clay_path, other, first)
    if clay is None:
        return None
    factor = _TO_PCT[form.unit]
    if not _believable(ledger, Piece(first.name, first.values * factor, first.transform, first.crs)):
        return None
    if not _believable(ledger, Piece(other.name, clay * factor, first.transform, first.crs)):
        return None
    return _classified(ledger, first, first.values * factor, clay * factor, boundaries.crs)


def _on_grid_of(ledger: Ledger, path: Path, piece: Piece, like: Piece) -> NDArray[np.float64] | None:
    """Return a raster's values on the cells of another (the nearest cell where grid or system differ)."""
    if piece.crs == like.crs and piece.transform == like.transform and piece.values.shape == like.values.shape:
        return piece.values
    rows, cols = like.values.shape
    try:
        with (
            rasterio.open(path, driver="GTiff") as source,
            WarpedVRT(
                source,
                src_crs=piece.crs.to_wkt(),
                crs=like.crs.to_wkt(),
                transform=like.transform,
                width=cols,
                height=rows,
                resampling=Resampling.nearest,
                dtype="float64",
                nodata=source.nodata if source.nodata is not None else -1e30,
            ) as warped,
        ):
            values = real_values(source, warped.read(1, masked=True))
    except RasterioError as error:
        unreadable(ledger, path, piece.name, error)
        return None
    ledger.assumed(
        f"{piece.name}: grid", "nearest cell", f"its cells are not those of {like.name}", "nearest neighbour"
    )
    return values


def _believable(ledger: Ledger, piece: Piece) -> bool:
    """Check that values are percent; what they may be instead is asked about."""
    known = piece.values[np.isfinite(piece.values)]
    if known.size == 0:
        return True
    low, high = float(known.min()), float(known.max())
    if low >= 0 and 1.0 < high <= 100 + 1e-9:
        return True
    if low < 0:
        share = 100 * float((known < 0).mean())
        found, mend = f"{low:g} (below 0 in {share:.0f} % of the cells)", "set the no-data value in the file"
    elif high <= 1.0:
        found, mend = (
            f"{low:g} to {high:g}",
            'write unit = "fraction" in farm.toml, table soil_raster, if so meant',
        )
    else:
        found, mend = (
            f"{low:g} to {high:g}",
            'write unit = "g/kg" in farm.toml, table soil_raster, if so meant',
        )
    ledger.problem("values that are no percent", piece.name, found, "percent of the fine earth, 0 to 100", mend)
    return False


def _classified(
    ledger: Ledger, piece: Piece, sand: NDArray[np.float64], clay: NDArray[np.float64], crs: CRS
) -> RasterSoil | None:
    known = np.isfinite(sand) & np.isfinite(clay)
    over = known & (sand + clay > 100 + ROUNDING_PCT)
    if over.any():
        ledger.problem(
            "sand and clay are more than the whole",
            piece.name,
            f"up to {float((sand + clay)[over].max()):.1f} % together, in {100 * over.sum() / known.sum():.1f} % of cells",
            "at most 100 % together",
            "check that the two rasters are sand and clay of the same soil and depth",
        )
        return None
    share = np.clip(sand[known], 0, 100), np.clip(clay[known], 0, 100)
    sand_pct = np.minimum(share[0], 100 - share[1])
    if ledger.silt_bound_um != 50.0:
        note_of_conversion(ledger)
        fine = 100 - sand_pct - share[1]
        sand_pct = sand_pct + fine * (1 - silt_share_below_50(ledger.silt_bound_um))
    pairs, place = np.unique(np.round(np.column_stack([sand_pct, share[1]]), 2), axis=0, return_inverse=True)
    names = [texture_class(min(s, 100 - c) / 100, c / 100) for s, c in pairs.tolist()]
    keys = sorted(set(names))
    codes = np.array([keys.index(one) + 1 for one in names], dtype=np.int32)[place.ravel()]
    index = np.zeros(sand.shape, dtype=np.int32)
    index[known] = codes
    patches = _polygons(ledger, piece, index, keys, crs)
    if patches is None:
        return None
    units: dict[str, SoilUnit] = {}
    for number, key in enumerate(keys, start=1):
        mean_sand, mean_clay = (float(one[codes == number].mean()) / 100 for one in (sand_pct, share[1]))
        horizon = Horizon(0.0, _DEPTH_M, key, mean_sand, 1 - mean_sand - mean_clay, mean_clay)
        units[key] = SoilUnit(key, f"{key} of the raster", (horizon,))
    ledger.assumed(
        "soil: rasters of sand and clay",
        listed(keys),
        "each texture class is one soil with the mean sand and clay of its cells, alike down to 1 m",
        "USDA texture triangle",
    )
    return RasterSoil(patches, units)


def _polygons(
    ledger: Ledger, piece: Piece, index: NDArray[np.int32], keys: list[str], crs: CRS
) -> tuple[SoilPatch, ...] | None:
    """Return the ground of equal index as polygons whose vertices are all corners of cells.

    So neighbours share every vertex, and stay without gap or overlap when the system changes.
    """
    found = [
        (shapely.geometry.shape(form), keys[int(number) - 1])
        for form, number in shapes(index, mask=index > 0, connectivity=4, transform=Affine.identity())
    ]
    if len(found) > MOST_POLYGONS:
        ledger.problem(
            "a raster that breaks up into too many polygons",
            piece.name,
            f"{len(found)} polygons around the fields",
            f"at most {MOST_POLYGONS}",
            "smooth it (a majority filter), or save it with larger cells",
        )
        return None
    forms = np.array([form for form, _ in found], dtype=object)
    if crs != piece.crs:
        forms = shapely.segmentize(forms, 1.0 + 1e-9)
    moved = shapely.transform(
        forms, lambda corners: _place(np.asarray(np.round(corners), dtype=np.float64), piece, crs)
    )
    return tuple(SoilPatch(key, one) for one, (_, key) in zip(moved.tolist(), found, strict=True))


def _place(corners: NDArray[np.float64], piece: Piece, crs: CRS) -> NDArray[np.float64]:
    """Return places in the working CRS of corners given as column and row."""
    grid = piece.transform
    x, y = grid.c + corners[:, 0] * grid.a, grid.f + corners[:, 1] * grid.e
    if crs != piece.crs:
        x, y = Transformer.from_crs(piece.crs, crs, always_xy=True).transform(x, y)
    return np.column_stack([x, y])
