"""The one table of names: layers, columns, zones, legs, steps, and the Note that every default returns."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal


@dataclass(frozen=True, order=True)
class Note:
    """Something the program assumed, warns of, or repaired; it travels with the result.

    Attributes
    ----------
    kind : "assumed", "warned" or "repaired"
    what : the quantity or thing, with its place ("field North Park: headland width")
    value : the value used, with unit
    why : why it was needed
    source : where the value comes from ("common practice, no source", "Froehlich 1934", "memory: ...")
    """

    kind: Literal["assumed", "warned", "repaired"]
    what: str
    value: str
    why: str
    source: str = ""

    def as_dict(self) -> dict[str, str]:
        """Return the parts by name."""
        return asdict(self)


#: Legs of a drive; the code is the position in this tuple. `road` is outside fields: time and kilometres, never stress.
LEGS = ("work", "turn", "haul", "entry", "exit", "road")
WORK, TURN, HAUL, ENTRY, EXIT, ROAD = range(len(LEGS))

ZONES = ("headland", "gateway", "infield", "route", "all")

#: Steps of the stress ratio (stress / strength), ours: name and upper bound (the last has none).
STEPS: tuple[tuple[str, float], ...] = (
    ("ample", 0.5),
    ("working", 0.8),
    ("tight", 1.0),
    ("over", 1.25),
    ("far over", float("inf")),
)

#: Depths in m when none are asked for.
DEPTHS = (0.10, 0.20, 0.35, 0.50, 0.70, 1.00)

#: Columns of zones.csv in order: name, unit, meaning.
ZONE_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("scenario", "", "scenario; base is operations.csv unchanged"),
    ("field", "", "field"),
    ("zone", "", "headland, gateway, infield (disjoint, sum to the field), route (overlaps), all"),
    ("area_ha", "ha", "area of the zone"),
    ("wheeled_pct", "%", "share of the zone that at least one wheel touched"),
    ("passes_mean", "", "wheel passes, mean over all cells"),
    ("passes_max", "", "wheel passes, highest cell"),
    ("traffic_t_km_ha", "t km/ha", "traffic intensity: axle load times distance per area"),
    ("depth_m", "m", "depth"),
    ("layer", "", "tilled (repairable by the field's tillage) or deep (lasting)"),
    ("stress_kpa_p95", "kPa", "highest vertical stress of the season, 95th percentile over all cells"),
    ("ratio_p95", "", "highest stress ratio of the season, 95th percentile over all cells"),
    ("overstressed_ha", "ha", "cells whose highest ratio is over 1"),
    ("chance_mean", "", "chance of overstress, mean over all cells (an uncalibrated index)"),
    ("compaction_mean", "", "compaction index M, mean over all cells"),
    ("depth_reached_m_p95", "m", "depth of the 50 kPa stress line, 95th percentile over all cells"),
)


@dataclass(frozen=True)
class LayerKind:
    """How one kind of result layer is stored: real = stored * scale + offset; `nodata` is a stored value."""

    name: str
    unit: str
    dtype: str
    scale: float
    nodata: float
    meaning: str


#: Result layers; those with `_XX` exist once per depth (XX = depth in cm).
LAYERS: dict[str, LayerKind] = {
    kind.name: kind
    for kind in (
        LayerKind(
            "passes",
            "",
            "uint16",
            1 / 16,
            65535,
            "wheel passes over the cell (share of the cell that was touched, summed)",
        ),
        LayerKind("traffic", "t km/ha", "float32", 1.0, -1.0, "traffic intensity"),
        LayerKind("depth_reached", "m", "uint16", 0.001, 65535, "depth of the 50 kPa stress line"),
        LayerKind(
            "lasting", "", "uint16", 0.0001, 65535, "highest chance of overstress among the depths below tillage depth"
        ),
        LayerKind("lasting_difference", "", "int16", 0.0001, -32768, "lasting less that of the scenario base"),
        LayerKind("stress", "kPa", "uint16", 0.02, 65535, "highest vertical stress of the season"),
        LayerKind("ratio", "", "uint16", 0.0005, 65535, "highest stress ratio of the season"),
        LayerKind("over_passes", "", "uint16", 1.0, 65535, "events with stress ratio over 1"),
        LayerKind("compaction", "", "uint16", 0.0001, 65535, "compaction index M"),
    )
}


def step_of(ratio: float) -> str:
    """Return the name of the step of a stress ratio.

    Examples
    --------
    >>> step_of(0.8), step_of(1.3)
    ('tight', 'far over')
    """
    for name, upper in STEPS:
        if ratio < upper:
            return name
    return STEPS[-1][0]


def depth_tag(depth_m: float) -> str:
    """Return the tag of a depth in layer names: whole centimetres.

    Examples
    --------
    >>> depth_tag(0.35)
    '35'
    """
    return f"{round(depth_m * 100):d}"
