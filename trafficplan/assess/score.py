"""What people weigh the alternatives for one field by: a few numbers straight from the state of its cells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess import _kernels
from trafficplan.assess.stored import DEEPEST_M, REACH_PA
from trafficplan.farm.ground import ZONE_CODES, Ground
from trafficplan.names import LAYERS
from trafficplan.traffic.layers import CellState


@dataclass(frozen=True)
class Weight:
    """One state of a field in numbers; zones are `headland`, `gateway`, `infield` and `all`.

    Attributes
    ----------
    deep_ha : hectares with a chance of overstress of at least 0.5 below tillage depth
    lasting_ha : expected hectares: sum over cells of that chance x area
    wheeled_pct : share of the field that at least one wheel touched [%]
    traffic_t_km_ha : zone -> traffic intensity [t km/ha]; traffic_t_km over the whole field
    over_m2 : zone -> ground with a chance of at least 0.5 [m2]
    depth_reached_m : depth of the 50 kPa stress line, 95th percentile over all cells
    """

    deep_ha: float
    lasting_ha: float
    wheeled_pct: float
    traffic_t_km_ha: Mapping[str, float]
    traffic_t_km: float
    over_m2: Mapping[str, float]
    depth_reached_m: float


@dataclass(frozen=True)
class Score:
    """What one or more jobs add on top of a field's season so far: the state after them, and before.

    `job_wheeled_pct` is the share of the field that the jobs' own wheels touched [%].
    """

    after: Weight
    before: Weight
    job_wheeled_pct: float

    @property
    def deep_ha(self) -> float:
        """Hectares with a chance of overstress of at least 0.5 below tillage depth, after the jobs."""
        return self.after.deep_ha

    @property
    def deep_more_ha(self) -> float:
        """Hectares of these that were not so before the jobs."""
        return self.after.deep_ha - self.before.deep_ha

    @property
    def lasting_ha(self) -> float:
        """Expected hectares after the jobs: sum over cells of chance x area."""
        return self.after.lasting_ha

    @property
    def lasting_more_ha(self) -> float:
        """What the jobs add to the expected hectares."""
        return self.after.lasting_ha - self.before.lasting_ha

    @property
    def job_traffic_t_km_ha(self) -> dict[str, float]:
        """Traffic of the jobs alone: zone -> t km/ha."""
        before = self.before.traffic_t_km_ha
        return {zone: value - before[zone] for zone, value in self.after.traffic_t_km_ha.items()}


def weigh(
    state: CellState,
    ground: Ground,
    cell_ha: float,
    depths_m: tuple[float, ...],
    chances: NDArray[np.float32],
    first_deep: int,
) -> Weight:
    """Weigh the state of a field's cells; equal to the tables that are computed from the stored layers.

    Parameters
    ----------
    chances : (classes, depths, 65536) from `stored.chance_tables`
    first_deep : index of the first depth below tillage depth
    """
    planes = len(depths_m)
    sums, reached = _kernels.weigh(
        state.real[0].reshape(planes, -1),
        state.real[1].reshape(planes, -1),
        state.cells16[1].reshape(-1),
        state.traffic_g_m.reshape(-1),
        ground.zone.reshape(-1),
        ground.soil_class.reshape(-1),
        np.asarray(depths_m, dtype=np.float64),
        chances,
        first_deep,
        np.float32(1 / LAYERS["ratio"].scale),
        np.float32(REACH_PA),
        DEEPEST_M,
        1 + max(ZONE_CODES.values()),
    )
    by_zone = {name: sums[code] for name, code in ZONE_CODES.items()}
    by_zone["all"] = sums.sum(axis=0)
    cells, sixteenths, gram_m, over, chance = by_zone["all"]
    return Weight(
        deep_ha=float(over) * cell_ha,
        lasting_ha=float(chance) * cell_ha,
        wheeled_pct=float(100 * sixteenths / 16 / max(cells, 1.0)),
        traffic_t_km_ha={z: float(s[2] * 1e-9 / max(s[0] * cell_ha, 1e-12)) for z, s in by_zone.items()},
        traffic_t_km=float(gram_m) * 1e-9,
        over_m2={z: float(s[3]) * cell_ha * 1e4 for z, s in by_zone.items()},
        depth_reached_m=_percentile(reached, 0.95),
    )


def wheeled_pct(mask: NDArray[np.uint16], inside: NDArray[np.bool_]) -> float:
    """Return the share of the field that the sub-cells of a mask cover [%]."""
    touched = _kernels.touched(mask.reshape(-1)).reshape(mask.shape)
    return float(100 * touched[inside].sum(dtype=np.int64) / 16 / max(int(inside.sum()), 1))


def _percentile(counts: NDArray[np.int64], share: float) -> float:
    """Return the depth [m] at a share of all cells (nearest rank), from counts per millimetre."""
    total = int(counts.sum())
    return float(np.searchsorted(np.cumsum(counts), share * total)) / 1000 if total else 0.0
