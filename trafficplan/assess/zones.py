"""The zone table: statistics of the stored layers over headland, gateway, in-field, route and all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess import _kernels
from trafficplan.assess.stored import StoredLayers
from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import ZONE_CODES, Ground
from trafficplan.names import LAYERS, STEPS, ZONES, depth_tag


@dataclass(frozen=True)
class _Cells:
    """How cells fall into (zone, soil class); route cells counted on their own."""

    key: NDArray[np.uint8]
    route: NDArray[np.uint8]
    classes: int


def _cells(ground: Ground) -> _Cells:
    classes = max(1, len(ground.units))
    key = np.where(ground.inside, (ground.zone - 1) * classes + np.minimum(ground.soil_class, classes - 1) + 1, 0)
    route = np.where(ground.route, np.minimum(ground.soil_class, classes - 1) + 1, 0)
    return _Cells(key.astype(np.uint8).reshape(-1), route.astype(np.uint8).reshape(-1), classes)


def _counts(stored: NDArray[Any], cells: _Cells) -> dict[str, NDArray[np.int64]]:
    """Return zone -> (classes, 65536) counts of stored values."""
    flat = stored.reshape(-1)
    table = _kernels.histogram(flat, cells.key, 3 * cells.classes + 1)[1:].reshape(3, cells.classes, -1)
    route = _kernels.histogram(flat, cells.route, cells.classes + 1)[1:]
    named = {name: table[code - 1] for name, code in ZONE_CODES.items()}
    return {**named, "route": route, "all": table.sum(axis=0)}


def percentile(counts: NDArray[np.int64], share: float) -> int:
    """Return the smallest stored value that at least `share` of the cells do not exceed (nearest rank).

    Parameters
    ----------
    counts : (65536,) cells per stored value
    share : 0..1

    Examples
    --------
    >>> percentile(np.bincount([1, 2, 3, 4], minlength=8), 0.5)
    2
    """
    total = int(counts.sum())
    if total == 0:
        return 0
    return int(np.searchsorted(np.cumsum(counts), np.ceil(share * total)))


def _mean(counts: NDArray[np.int64]) -> float:
    total = int(counts.sum())
    return float((counts * np.arange(counts.size)).sum() / total) if total else 0.0


def zone_rows(
    scenario: str,
    field: str,
    grid: Grid,
    ground: Ground,
    stored: StoredLayers,
    chances: NDArray[np.float32],
    depths_m: tuple[float, ...],
    deep_from_m: float,
) -> tuple[dict[str, object], ...]:
    """Return one row per zone and depth, keys as names.ZONE_COLUMNS.

    Statistics run over all cells of the zone; cells that nothing reached count as 0.
    """
    cells = _cells(ground)
    arrays = stored.arrays
    passes = _counts(arrays["passes"], cells)
    reached = _counts(arrays["depth_reached"], cells)
    wheeled = _counts(stored.wheeled.astype(np.uint16), cells)
    masks = {name: ground.zone == code for name, code in ZONE_CODES.items()}
    masks |= {"route": ground.route, "all": ground.inside}
    general = {}
    for zone in ZONES:
        count = int(passes[zone].sum())
        traffic = arrays["traffic"][masks[zone]].astype(np.float64)
        top = np.flatnonzero(passes[zone].sum(axis=0))
        general[zone] = {
            "area_ha": count * grid.cell_ha,
            "wheeled_pct": 100 * _mean(wheeled[zone].sum(axis=0)) / 16,
            "passes_mean": _mean(passes[zone].sum(axis=0)) * LAYERS["passes"].scale,
            "passes_max": float(top[-1] * LAYERS["passes"].scale) if top.size else 0.0,
            "traffic_t_km_ha": float(traffic.mean()) if count else 0.0,
            "depth_reached_m_p95": percentile(reached[zone].sum(axis=0), 0.95) * LAYERS["depth_reached"].scale,
        }
    rows: list[dict[str, object]] = []
    for i, depth in enumerate(depths_m):
        tag = depth_tag(depth)
        stress = _counts(arrays[f"stress_{tag}"], cells)
        ratio = _counts(arrays[f"ratio_{tag}"], cells)
        compaction = _counts(arrays[f"compaction_{tag}"], cells)
        over = round(1 / LAYERS["ratio"].scale)
        for zone in ZONES:
            by_class = ratio[zone]
            total = max(1, int(by_class.sum()))
            row = {
                "depth_m": depth,
                "layer": "deep" if depth > deep_from_m + 1e-9 else "tilled",
                "stress_kpa_p95": percentile(stress[zone].sum(axis=0), 0.95) * LAYERS["stress"].scale,
                "ratio_p95": percentile(by_class.sum(axis=0), 0.95) * LAYERS["ratio"].scale,
                "overstressed_ha": int(by_class[:, over + 1 :].sum()) * grid.cell_ha,
                "chance_mean": float((by_class * chances[: by_class.shape[0], i]).sum()) / total,
                "compaction_mean": _mean(compaction[zone].sum(axis=0)) * LAYERS["compaction"].scale,
            }
            rows.append({"scenario": scenario, "field": field, "zone": zone, **general[zone], **row})
    order = {zone: n for n, zone in enumerate(ZONES)}
    return tuple(sorted(rows, key=lambda row: (order[str(row["zone"])], float(str(row["depth_m"])))))


def steps_ha(
    grid: Grid, ground: Ground, stored: StoredLayers, depths_m: tuple[float, ...], deep_from_m: float
) -> dict[str, tuple[float, ...]]:
    """Return hectares per step of the highest stress ratio, for the tilled and the deep layer."""
    bounds = np.array([upper for _, upper in STEPS[:-1]]) / LAYERS["ratio"].scale
    out = {}
    for layer in ("tilled", "deep"):
        chosen = [d for d in depths_m if (d > deep_from_m + 1e-9) == (layer == "deep")]
        if not chosen:
            out[layer] = (0.0,) * len(STEPS)
            continue
        highest = np.max([stored.arrays[f"ratio_{depth_tag(d)}"][ground.inside] for d in chosen], axis=0)
        counts = np.bincount(np.searchsorted(bounds - 1e-6, highest, side="right"), minlength=len(STEPS))
        out[layer] = tuple(float(n) * grid.cell_ha for n in counts)
    return out
