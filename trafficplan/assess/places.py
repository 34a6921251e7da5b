"""The places of a field that suffered most below tillage depth, named as people would name them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from trafficplan.assess.stored import StoredLayers
from trafficplan.assess.summary import WorstPlace
from trafficplan.farm.field import Field
from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import ZONE_CODES, Ground
from trafficplan.farm.operation import Operation
from trafficplan.names import LAYERS, depth_tag

#: Side of the blocks that places are put together from, and how many blocks one place may hold (ours).
BLOCK_M, BLOCKS_MAX = 20.0, 24
COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def side_of(field: Field, x: float, y: float) -> str:
    """Return where a point lies in its field: "north-east side", or "middle"."""
    west, south, east, north = field.polygon.bounds
    dx, dy = x - (west + east) / 2, y - (south + north) / 2
    if math.hypot(dx, dy) < 0.15 * math.hypot(east - west, north - south):
        return "middle"
    return COMPASS[round(math.degrees(math.atan2(dx, dy)) / 45) % 8] + " side"


def _block_sums(values: NDArray[np.floating], size: int) -> NDArray[np.float64]:
    rows, cols = (-(-n // size) for n in values.shape)
    padded = np.zeros((rows * size, cols * size))
    padded[: values.shape[0], : values.shape[1]] = values
    return padded.reshape(rows, size, cols, size).sum(axis=(1, 3))


def _grow(score: NDArray[np.float64], seed: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the blocks joined to the seed that score at least 0.7 of it."""
    good = score >= 0.7 * score[seed]
    region = np.zeros(score.shape, bool)
    region[seed] = True
    while True:
        wider = binary_dilation(region) & good
        if wider.sum() == region.sum() or wider.sum() > BLOCKS_MAX:
            return region
        region = wider


class _Deep:
    """Highest ratio below tillage depth per cell, and the depth it is at; shared by all places of a field."""

    def __init__(self, stored: StoredLayers, depths_m: Sequence[float], first_deep: int) -> None:
        stack = np.stack([stored.arrays[f"ratio_{depth_tag(d)}"] for d in depths_m[first_deep:]])
        self.depths = depths_m[first_deep:]
        self.ratio = stack.max(axis=0) * np.float32(LAYERS["ratio"].scale)
        self.at = stack.argmax(axis=0)
        self.stack = stack


def _describe(
    field: Field,
    name: str,
    zone: str,
    mask: NDArray[np.bool_],
    deep: _Deep,
    stored: StoredLayers,
    worst: NDArray[np.uint16],
    operations: Sequence[Operation],
    grid: Grid,
) -> WorstPlace | None:
    over = mask & (deep.ratio > 1)
    ground = over if over.any() else mask & (deep.ratio > 0)
    if not ground.any():
        return None
    rows, cols = np.nonzero(ground)
    ratio = float(np.percentile(deep.ratio[ground], 95))
    reaching = [d for d, layer in zip(deep.depths, deep.stack, strict=True)
                if np.percentile(layer[ground], 95) * LAYERS["ratio"].scale > 1]
    depth = max(reaching) if reaching else float(deep.depths[int(np.bincount(deep.at[ground]).argmax())])
    culprit = int(np.bincount(worst[ground]).argmax())
    crossings = float(np.percentile(stored.arrays["passes"][ground], 95)) * LAYERS["passes"].scale
    reason = "no single operation stands out"
    if culprit:
        operation = operations[culprit - 1]
        reason = f"{operation.job} with {operation.outfit} on {operation.day.isoformat()} pressed hardest"
    return WorstPlace(
        field=field.key,
        name=name,
        zone=zone,
        x=float(grid.west + (cols.mean() + 0.5) * grid.cell),
        y=float(grid.north - (rows.mean() + 0.5) * grid.cell),
        area_m2=float(over.sum()) * grid.cell**2,
        ratio=ratio,
        depth_m=depth,
        chance=float(np.percentile(stored.arrays["lasting"][ground], 95)) * LAYERS["lasting"].scale,
        crossings=crossings,
        reason=reason,
    )


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
    """Return the worst places below tillage depth, worst first: each gateway, then patches of headland and in-field.

    A patch is grown from 20 m blocks around the block with the most expected lasting ground. Places are ranked by the
    ground over stress ratio 1 weighted with the chance of overstress.
    """
    if first_deep >= len(depths_m):
        return ()
    deep = _Deep(stored, depths_m, first_deep)
    places: list[WorstPlace | None] = []
    x, y = grid.centres()
    gates = ground.zone == ZONE_CODES["gateway"]
    for gate in field.gateways:
        nearest = gates & (((x[None, :] - gate.x) ** 2 + (y[:, None] - gate.y) ** 2) <= _reach(field, gate.x, gate.y))
        places.append(
            _describe(field, f"{gate.key}", "gateway", nearest, deep, stored, worst, operations, grid)
        )
    size = max(1, round(BLOCK_M / grid.cell))
    lasting = np.where(ground.inside & ~gates, stored.arrays["lasting"], 0) * LAYERS["lasting"].scale
    score = _block_sums(lasting.astype(np.float64), size)
    for _ in range(most):
        seed = np.unravel_index(int(score.argmax()), score.shape)
        if score[seed] <= 0:
            break
        region = _grow(score, (int(seed[0]), int(seed[1])))
        mask = np.kron(region, np.ones((size, size), bool))[: grid.rows, : grid.cols] & ground.inside & ~gates
        score[region] = 0
        share = float((ground.zone[mask] == ZONE_CODES["headland"]).mean()) if mask.any() else 0.0
        zone = "headland" if share > 0.5 else "infield"
        rows, cols = np.nonzero(mask)
        side = side_of(field, float(x[int(cols.mean())]), float(y[int(rows.mean())]))
        name = f"{'headland' if zone == 'headland' else 'in-field'}, {side}"
        places.append(_describe(field, name, zone, mask, deep, stored, worst, operations, grid))
    found = [place for place in places if place is not None]
    return tuple(sorted(found, key=lambda p: (-p.area_m2 * p.chance, -p.chance, p.name))[:most])


def _reach(field: Field, x: float, y: float) -> float:
    """Return the squared distance within which a gateway's cells are its own (half way to the next gateway)."""
    others = [(g.x - x) ** 2 + (g.y - y) ** 2 for g in field.gateways if (g.x, g.y) != (x, y)]
    return min(others) / 4 if others else math.inf
