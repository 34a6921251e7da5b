"""The places of a field that suffered most below tillage depth, named as people would name them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess.stored import StoredLayers
from trafficplan.assess.summary import WorstPlace
from trafficplan.farm.field import Field
from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import ZONE_CODES, Ground
from trafficplan.farm.operation import Operation
from trafficplan.names import LAYERS, depth_tag

#: Sides of a field, clockwise from north, and the middle (within 0.15 of the box's diagonal from its centre; ours).
SIDES = (
    "north side", "north-east side", "east side", "south-east side", "south side", "south-west side", "west side",
    "north-west side", "middle",
)  # fmt: skip
MIDDLE = len(SIDES) - 1
#: A place needs at least this much ground to be named [m2].
LEAST_M2 = 25.0


@dataclass(frozen=True)
class _Deep:
    """Stored ratios below tillage depth (D, rows, cols), their highest per cell, and the depths."""

    depths: tuple[float, ...]
    ratio: NDArray[np.float32]
    highest: NDArray[np.float32]


def sides_of(field: Field, grid: Grid) -> NDArray[np.uint8]:
    """Return for each cell on which side of the field it lies: an index into SIDES."""
    west, south, east, north = field.polygon.bounds
    x, y = grid.centres()
    dx, dy = x[None, :] - (west + east) / 2, y[:, None] - (south + north) / 2
    side = np.rint(np.degrees(np.arctan2(dx, dy)) / 45).astype(np.int64) % 8
    near = np.hypot(dx, dy) < 0.15 * np.hypot(east - west, north - south)
    sides: NDArray[np.uint8] = np.where(near, MIDDLE, side).astype(np.uint8)
    return sides


def _nearest_gate(field: Field, grid: Grid) -> NDArray[np.uint8]:
    x, y = grid.centres()
    distances = [(x[None, :] - gate.x) ** 2 + (y[:, None] - gate.y) ** 2 for gate in field.gateways]
    nearest: NDArray[np.uint8] = np.argmin(distances, axis=0).astype(np.uint8)
    return nearest


def _places(field: Field, grid: Grid, ground: Ground) -> list[tuple[str, str, NDArray[np.bool_]]]:
    """Return (name, zone, cells): each gateway, and each side of headland and in-field."""
    found = []
    gateway = ground.zone == ZONE_CODES["gateway"]
    if gateway.any():
        nearest = _nearest_gate(field, grid)
        found = [(gate.key, "gateway", gateway & (nearest == i)) for i, gate in enumerate(field.gateways)]
    sides = sides_of(field, grid)
    for zone, word in (("headland", "headland"), ("infield", "in-field")):
        cells = ground.zone == ZONE_CODES[zone]
        found += [(f"{word}, {name}", zone, cells & (sides == i)) for i, name in enumerate(SIDES)]
    return found


def worst_places(
    field: Field,
    grid: Grid,
    ground: Ground,
    stored: StoredLayers,
    worst: NDArray[np.uint16],
    operations: Sequence[Operation],
    depths_m: tuple[float, ...],
    first_deep: int,
    most: int = 10,
) -> tuple[WorstPlace, ...]:
    """Return the worst places below tillage depth: gateways, and sides of headland and in-field.

    Ranked by the mean chance of overstress over all the ground of the place, so that a small gateway crossed a hundred
    times stands before a wide side crossed twice.
    """
    if first_deep >= len(depths_m) or not operations:
        return ()
    scale = np.float32(LAYERS["ratio"].scale)
    ratio = np.stack([stored.arrays[f"ratio_{depth_tag(d)}"] for d in depths_m[first_deep:]]) * scale
    deep = _Deep(tuple(depths_m[first_deep:]), ratio, ratio.max(axis=0))
    lasting = stored.arrays["lasting"]
    ranked = []
    for name, zone, cells in _places(field, grid, ground):
        if cells.sum() * grid.cell**2 < LEAST_M2:
            continue
        mean = float(lasting[cells].mean()) * LAYERS["lasting"].scale
        if mean > 0:
            ranked.append((mean, name, zone, cells))
    ranked.sort(key=lambda row: (-row[0], row[1]))
    return tuple(
        _described(field.key, name, zone, cells, mean, deep, stored, worst, operations, grid)
        for mean, name, zone, cells in ranked[:most]
    )


def _described(
    field: str,
    name: str,
    zone: str,
    cells: NDArray[np.bool_],
    mean: float,
    deep: _Deep,
    stored: StoredLayers,
    worst: NDArray[np.uint16],
    operations: Sequence[Operation],
    grid: Grid,
) -> WorstPlace:
    """Return a place with its figures over the ground that is over strength (or, where none is, that was reached)."""
    over = cells & (deep.highest > 1)
    ground = over if over.any() else cells & (deep.highest > 0)
    rows, cols = np.nonzero(ground)
    by_depth = np.percentile(deep.ratio[:, ground], 95, axis=1)
    reaching = np.flatnonzero(by_depth > 1)
    hardest = int(np.bincount(worst[ground]).argmax())
    reason = "no single operation stands out"
    if hardest:
        job = operations[hardest - 1]
        named = job.job if job.outfit == job.job else f"{job.job} with {job.outfit}"
        reason = f"{named} on {job.day.isoformat()} pressed hardest"
    return WorstPlace(
        field=field,
        name=name,
        zone=zone,
        x=float(grid.west + (cols.mean() + 0.5) * grid.cell),
        y=float(grid.north - (rows.mean() + 0.5) * grid.cell),
        area_m2=float(over.sum()) * grid.cell**2,
        ratio=float(by_depth.max()),
        depth_m=float(deep.depths[int(by_depth.argmax())]),
        deepest_m=float(deep.depths[int(reaching[-1])]) if reaching.size else 0.0,
        chance=float(np.percentile(stored.arrays["lasting"][ground], 95)) * LAYERS["lasting"].scale,
        lasting_mean=mean,
        crossings=float(np.percentile(stored.arrays["passes"][ground], 95)) * LAYERS["passes"].scale,
        reason=reason,
    )
