"""Values that people never have at hand: one table of what is used instead, and why.

None of them has a published source: they are common practice. Each use is listed in the result as a Note; a
farm replaces one in its farm.toml, table `defaults`, by the name given here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trafficplan.names import Note

SOURCE = "common practice, no source"


@dataclass(frozen=True)
class Default:
    """One default: its name in farm.toml, value in `unit`, permitted range (numbers), and why."""

    key: str
    value: float | str
    unit: str
    low: float
    high: float
    what: str
    why: str


def _default(
    key: str, value: float | str, unit: str, low: float, high: float, what: str, why: str
) -> tuple[str, Default]:
    return key, Default(key, value, unit, low, high, what, why)


DEFAULTS: dict[str, Default] = dict(
    (
        _default("moisture", "moulds", "", 0, 0, "soil moisture", "not given; the middle word of the hand test"),
        _default(
            "gateway_radius_m",
            25.0,
            "m",
            2,
            100,
            "radius of the gateway zone",
            "outfits turn and queue about this far into a field",
        ),
        _default(
            "gateway_width_m",
            6.0,
            "m",
            2,
            50,
            "width of the gateway",
            "not given; lets wide trailers through",
        ),
        _default("radius_m", 8.0, "m", 2, 30, "turning radius", "not given; a tractor with something behind it"),
        _default("hitch_behind_m", 1.0, "m", 0, 5, "hitch behind the rear axle", "not given"),
        _default("drawbar_m", 5.0, "m", 1, 15, "hitch to axle of a drawn vehicle", "not given"),
        _default(
            "antenna_behind_m",
            0.0,
            "m",
            -10,
            10,
            "antenna behind the rear axle",
            "not given; taken above the axle",
        ),
        _default("field_km_h", 8.0, "km/h", 1, 40, "speed in the field", "not given"),
        _default("track_km_h", 20.0, "km/h", 1, 80, "speed on the track", "not given"),
        _default(
            "track_width_m",
            1.9,
            "m",
            0.5,
            6,
            "track width (centre to centre)",
            "not given; usual between 1.8 and 2.0 m",
        ),
        _default("dual_gap_m", 0.75, "m", 0.3, 2, "inner to outer wheel of duals", "not given"),
        _default("adjust_min", 10.0, "min", 0, 120, "time to change the pressures once", "not given; by hose"),
        _default("hitch_full_share", 0.20, "", 0, 0.5, "share of a full trailer's mass on the hitch", "not weighed"),
        _default(
            "hitch_empty_share",
            0.10,
            "",
            0,
            0.5,
            "share of an empty trailer's mass on the hitch",
            "not weighed",
        ),
        _default("fill_min", 5.0, "min", 0, 240, "time to fill the outfit once", "not given"),
        _default("haul_fill_share", 0.90, "", 0.1, 1, "how full a trailer leaves the field", "no log of haulage"),
        _default("density_slurry_t_m3", 1.0, "t/m3", 0.2, 3, "density of slurry", "not given"),
        _default(
            "density_digestate_t_m3",
            1.0,
            "t/m3",
            0.2,
            3,
            "density of digestate",
            "not given; taken as slurry",
        ),
        _default("density_manure_t_m3", 0.7, "t/m3", 0.2, 3, "density of cattle manure", "not given"),
        _default("density_poultry_t_m3", 0.5, "t/m3", 0.2, 3, "density of poultry manure", "not given"),
        _default("density_lime_t_m3", 1.3, "t/m3", 0.2, 3, "density of lime", "not given"),
        _default("density_wheat_t_m3", 0.76, "t/m3", 0.2, 3, "density of wheat", "not given"),
        _default("density_beet_t_m3", 0.65, "t/m3", 0.2, 3, "density of beet", "not given"),
        _default(
            "hour_worth_ha",
            0.1,
            "ha",
            0,
            10,
            "expected lasting damage that an hour is worth sparing",
            "not given; ours: a hectare damaged for years costs about as much as ten hours of an outfit",
        ),
        _default(
            "go_chance",
            0.5,
            "",
            0.05,
            0.95,
            "most chance of overstress below the plough at which people go",
            "not given; more likely than not stays at home",
        ),
        _default(
            "trailer_turn_min",
            20.0,
            "min",
            0,
            600,
            "time to load or empty a trailer away from the field",
            "not given",
        ),
        _default(
            "minute_m2",
            15.0,
            "m2/min",
            0,
            1000,
            "lasting damage that weighs as much as a minute of an outfit",
            "not given; ours: a minute at 1.5 euro against lasting loss of 0.1 euro a square metre",
        ),
        _default(
            "distance_overhead_line_m",
            15.0,
            "m",
            1,
            200,
            "distance kept from overhead lines",
            "not given; ours and cautious, local rules come first",
        ),
        _default(
            "distance_watercourse_m",
            10.0,
            "m",
            1,
            200,
            "distance kept from watercourses",
            "not given; ours and cautious, local rules come first",
        ),
        _default(
            "distance_well_m",
            50.0,
            "m",
            1,
            500,
            "distance kept from wells",
            "not given; ours and cautious, local rules come first",
        ),
        _default(
            "distance_public_road_m",
            8.0,
            "m",
            1,
            200,
            "distance kept from the line of a public road",
            "not given; ours and cautious: 3 m to the road's edge and 5 m beyond it, local rules come first",
        ),
        _default(
            "heap_drain_m",
            10.0,
            "m",
            1,
            200,
            "distance of a heap from drains",
            "not given; as England asks of solid manure in a field (SI 2015/668, regulation 23), local rules come first",
        ),
        _default(
            "loosened_depth_m",
            0.45,
            "m",
            0.1,
            1.5,
            "depth of a freshly loosened place",
            "not given; what a deep loosener reaches",
        ),
        _default(
            "standing_slope_pct",
            5.0,
            "%",
            0.5,
            30,
            "steepest ground on which a loaded trailer is left standing",
            "not given; ours and cautious, no slope is called safe",
        ),
    )
)

#: Tension of the hand-test word `moulds` [Pa]: 15 kPa, ours.
MOISTURE_PA = 15e3


def number(key: str, given: Mapping[str, float | str] | None = None) -> float:
    """Return a numeric default in its own unit; `given` (the farm's own) goes first.

    Examples
    --------
    >>> number("gateway_radius_m"), number("gateway_radius_m", {"gateway_radius_m": 30.0})
    (25.0, 30.0)
    """
    return float((given or {}).get(key, DEFAULTS[key].value))


def word(key: str, given: Mapping[str, float | str] | None = None) -> str:
    """Return a default that is a word; `given` (the farm's own) goes first."""
    return str((given or {}).get(key, DEFAULTS[key].value))


def note(key: str, what: str, given: Mapping[str, float | str] | None = None) -> Note:
    """Return the Note that tells of a default's use.

    Parameters
    ----------
    key : name of the default
    what : the thing it was used for ("operation 12", "gateway North gate")
    given : the farm's own defaults

    Examples
    --------
    >>> note("gateway_radius_m", "field Park").value
    '25 m'
    """
    default = DEFAULTS[key]
    own = given is not None and key in given
    value = (given or {}).get(key, default.value)
    text = f"{value:g} {default.unit}".rstrip() if isinstance(value, float | int) else value
    source = "farm.toml, table defaults" if own else SOURCE
    return Note("assumed", f"{what}: {default.what}", text, default.why, source)


def density_key(words: str) -> str | None:
    """Return the key of the density that a job's words name, or None.

    Examples
    --------
    >>> density_key("slurry spring"), density_key("rolling")
    ('density_slurry_t_m3', None)
    """
    text = words.lower()
    if "poultry" in text or "chicken" in text:
        return "density_poultry_t_m3"
    for product in ("slurry", "digestate", "manure", "lime", "wheat", "beet"):
        if product in text:
            return f"density_{product}_t_m3"
    return None
