"""Layers as they are stored: scaled whole numbers, from which every table is computed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from trafficplan.assess import _kernels
from trafficplan.farm.ground import Ground
from trafficplan.names import LAYERS, depth_tag
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import SeasonLayers

#: The stress whose depth is told as "depth reached" (Schjoenning et al. 2012, from memory: 50 kPa at 50 cm) [Pa].
REACH_PA = 50e3
#: No depth reached is told beyond this [m].
DEEPEST_M = 1.5


@dataclass(frozen=True)
class StoredLayers:
    """All layers of one field as written: name -> array of the dtype in names.LAYERS; nodata outside the field.

    `wheeled` (share of each cell, sixteenths) is not written; the tables need it.
    """

    arrays: dict[str, NDArray[Any]]
    wheeled: NDArray[np.uint8]


def kind_of(layer: str) -> str:
    """Return the kind of a layer name ("ratio_35" -> "ratio").

    Examples
    --------
    >>> kind_of("over_passes_100"), kind_of("depth_reached")
    ('over_passes', 'depth_reached')
    """
    if layer in LAYERS:
        return layer
    return layer.rsplit("_", 1)[0]


def pack(kind: str, values: NDArray[np.floating], inside: NDArray[np.bool_]) -> NDArray[Any]:
    """Return values as stored: scaled, rounded, held within the type's range, nodata outside.

    Parameters
    ----------
    kind : name in names.LAYERS
    values : (rows, cols), in the layer's unit
    inside : (rows, cols)
    """
    layer = LAYERS[kind]
    if layer.dtype == "float32":
        plain: NDArray[Any] = np.where(inside, values, np.float32(layer.nodata)).astype(np.float32)
        return plain
    if layer.dtype == "uint16":
        flat = np.ascontiguousarray(values, np.float32).reshape(-1)
        packed: NDArray[Any] = _kernels.scaled(
            flat, np.float32(1 / layer.scale), inside.reshape(-1), np.uint16(layer.nodata)
        )
        shaped: NDArray[Any] = packed.reshape(values.shape)
        return shaped
    info = np.iinfo(layer.dtype)
    steps = np.rint(values / np.float32(layer.scale))
    stored: NDArray[Any] = np.clip(steps, info.min + 1, info.max).astype(layer.dtype)
    stored[~inside] = layer.nodata
    return stored


def unpack(layer: str, stored: NDArray[Any]) -> NDArray[np.float32]:
    """Return stored values in the layer's unit, NaN at nodata."""
    kind = LAYERS[kind_of(layer)]
    values: NDArray[np.float32] = stored.astype(np.float32) * np.float32(kind.scale)
    values[stored == kind.nodata] = np.nan
    return values


def chance_table(spread: float) -> NDArray[np.float32]:
    """Return the chance of overstress of every stored ratio: Phi(ln ratio / spread), 0 at ratio 0."""
    ratio = np.arange(65536) * LAYERS["ratio"].scale
    with np.errstate(divide="ignore"):
        chances: NDArray[np.float32] = ndtr(np.log(ratio) / spread).astype(np.float32)
    return chances


def chance_tables(soils: tuple[SoilDay, ...]) -> NDArray[np.float32]:
    """Return (classes, depths, 65536) chances; soils with one spread share their table."""
    known: dict[float, NDArray[np.float32]] = {}
    rows = []
    for soil in soils:
        for spread in soil.spread:
            if float(spread) not in known:
                known[float(spread)] = chance_table(float(spread))
        rows.append(np.stack([known[float(spread)] for spread in soil.spread]))
    return np.stack(rows)


def store(season: SeasonLayers, ground: Ground, chances: NDArray[np.float32], first_deep: int) -> StoredLayers:
    """Turn the state of the kernel into the layers of the result.

    Parameters
    ----------
    season : state after the season
    ground : the field on the same grid
    chances : (classes, depths, 65536) from `chance_tables`
    first_deep : index of the first depth below tillage depth
    """
    inside, shape = ground.inside, ground.inside.shape
    per_ha = 1e-9 / season.grid.cell_ha  # g m per cell -> t km/ha
    arrays: dict[str, NDArray[Any]] = {
        "passes": np.where(inside, np.minimum(season.passes_16, 65534), 65535).astype(np.uint16),
        "traffic": pack("traffic", season.traffic_g_m * np.float64(per_ha), inside),
    }
    depths = np.asarray(season.depths_m)
    flat = season.stress_pa.reshape(len(depths), -1)
    reached = _kernels.depth_of_stress(flat, depths, REACH_PA, DEEPEST_M).reshape(shape)
    arrays["depth_reached"] = pack("depth_reached", reached, inside)
    ratios = []
    for i, depth in enumerate(season.depths_m):
        tag = depth_tag(depth)
        arrays[f"stress_{tag}"] = pack("stress", season.stress_pa[i] * np.float32(1e-3), inside)
        arrays[f"ratio_{tag}"] = ratio = pack("ratio", season.ratio[i], inside)
        ratios.append(ratio.reshape(-1))
        arrays[f"over_passes_{tag}"] = np.where(inside, np.minimum(season.over[i], 65534), 65535).astype(np.uint16)
        arrays[f"compaction_{tag}"] = pack("compaction", season.compaction[i], inside)
    lasting = _kernels.highest_chance(np.stack(ratios), ground.soil_class.reshape(-1), chances, first_deep)
    arrays["lasting"] = pack("lasting", lasting.reshape(shape), inside)
    return StoredLayers(arrays, _kernels.touched(season.wheeled_mask.reshape(-1)).reshape(shape))
