"""Sand, silt and clay of one row: completed, checked, and brought to silt of 2-50 um."""

from __future__ import annotations

import math

from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.record import Record

#: Sand, silt and clay may miss 100 % by this much (rounding of each).
ROUNDING_PCT = 2.0

#: Bounds of silt [um]: clay ends at 2; USDA silt ends at 50, that of other classifications at 63.
_CLAY_UM, _USDA_UM = 2.0, 50.0
#: Density of solid stones [g/cm3]: quartz (common practice).
_ROCK_G_CM3 = 2.65


def silt_share_below_50(bound_um: float) -> float:
    """Return which part of the silt of 2 um to `bound_um` is finer than 50 um.

    Notes
    -----
    The sum curve of grain sizes is taken as straight between 2 um and the bound over the logarithm of size
    (ours: a choice of the plain kind; the true curve of a soil is not known from three fractions).

    Examples
    --------
    >>> round(silt_share_below_50(63.0), 4), silt_share_below_50(50.0)
    (0.933, 1.0)
    """
    return math.log(_USDA_UM / _CLAY_UM) / math.log(bound_um / _CLAY_UM)


def note_of_conversion(ledger: Ledger) -> None:
    """Note that silt of another bound was converted."""
    share = silt_share_below_50(ledger.silt_bound_um)
    ledger.assumed(
        "soil: sand and silt",
        f"{100 * share:.1f} % of the silt is finer than {_USDA_UM:.0f} um, the rest is sand",
        f"silt of the data ends at {ledger.silt_bound_um:g} um; the texture classes need {_USDA_UM:.0f} um",
        "ours: sum curve straight over the logarithm of grain size between 2 um and the bound",
    )


def fractions_of(record: Record) -> tuple[float | None, float | None, float | None]:
    """Return sand, silt (2-50 um) and clay as mass fractions, or None where they are not given."""
    sand, silt, clay = (record.number(f"{name}_pct", 0, 100, "%") for name in ("sand", "silt", "clay"))
    if sand is None and silt is not None and clay is not None:
        sand = 100 - silt - clay
    if clay is None and sand is not None and silt is not None:
        clay = 100 - sand - silt
    if sand is None or clay is None:
        return None, None, None
    rest = 100 - sand - clay
    total = sand + clay + (rest if silt is None else silt)
    told = total if silt is not None else sand + clay  # less than 1 % of both, and no silt told: no soil is that
    if 0 < told <= 1.02:
        record.problem(
            "sand_pct",
            "fractions where percent belong",
            f"sum {told:g}",
            "sand, silt and clay in %",
            "multiply these columns by 100; a soil that is nearly all silt: write silt_pct too",
        )
    elif rest < -ROUNDING_PCT or min(sand, clay) < -ROUNDING_PCT or abs(total - 100) > ROUNDING_PCT:
        record.problem(
            "sand_pct",
            "sand, silt and clay do not add up",
            f"{told:g} %",
            "100 % together (each of the fine earth)",
            "check the three columns",
        )
    sand, clay = min(max(sand, 0.0), 100.0), min(max(clay, 0.0), 100.0)
    fine = max(0.0, 100 - sand - clay)
    if record.ledger.silt_bound_um != _USDA_UM:
        note_of_conversion(record.ledger)
        coarse = fine * (1 - silt_share_below_50(record.ledger.silt_bound_um))
        sand, fine = sand + coarse, fine - coarse
    return sand / 100, fine / 100, clay / 100


def stones_by_volume(mass: float, density_g_cm3: float) -> float:
    """Return the volume fraction of stones from their mass fraction and the bulk density of the fine earth.

    Notes
    -----
    Derived: 1 kg of soil holds m / 2.65 of stones and (1 - m) / density of fine earth with its pores. Stones
    are taken as solid rock of 2.65 g/cm3 (quartz; common practice).

    Examples
    --------
    >>> round(stones_by_volume(0.3, 1.4), 3)
    0.185
    """
    stones, fine = mass / _ROCK_G_CM3, (1 - mass) / density_g_cm3
    return stones / (stones + fine)


def stones_of(record: Record, density_g_cm3: float | None) -> float | None:
    """Return the volume fraction of stones: as given, or converted from their mass with a note."""
    by_volume = record.number("stones_pct", 0, 95, "%")
    by_mass = record.number("stones_mass_pct", 0, 95, "%")
    if by_mass is None:
        return None if by_volume is None else by_volume / 100
    if by_volume is not None:
        record.problem(
            "stones_mass_pct",
            "stones given twice",
            f"{by_mass:g} % of the mass and {by_volume:g} % of the volume",
            "one of the two",
            "leave one of them empty",
        )
        return None
    if density_g_cm3 is None:
        record.problem(
            "stones_mass_pct",
            "stones by mass without a density",
            f"{by_mass:g} % of the mass",
            "density_g_cm3 of the fine earth beside it",
            "fill in density_g_cm3, or give the stones by volume as stones_pct",
        )
        return None
    share = stones_by_volume(by_mass / 100, density_g_cm3)
    record.ledger.assumed(
        f"{record.where}: stones",
        f"{100 * share:.1f} % of the volume",
        f"{by_mass:g} % of the mass, fine earth of {density_g_cm3:g} g/cm3, stones of {_ROCK_G_CM3:g} g/cm3",
        "derived from the two densities; that of stones common practice",
    )
    return share
