"""Models and numbers of the soil's water that are in use, with source and mark."""

from __future__ import annotations

from collections.abc import Iterator

from trafficplan.decide.days import (
    HEAVY_RAIN_MM,
    LEAST_SOIL,
    RAIN_DAYS,
    STATES,
    WATERLOGGED_PA,
)
from trafficplan.decide.days_load import LOADS_MOST, NUS
from trafficplan.decide.days_order import OPEN, RATIO_STEP
from trafficplan.report.use import InUse
from trafficplan.soil.crops import (
    FIRST_ROOT_M,
    HALF_YEAR,
    LEAST_KCB,
    NEAR_HARVEST,
    NEAR_SOWN,
    WET_SURFACE,
    crop_table,
)
from trafficplan.soil.evapotranspiration import INLAND, LEAST_WIND_M_S, POLAR_DEG, SOURCE, WIND_M_S
from trafficplan.soil.retention import (
    CLAY_RANGE,
    DENSITY_RANGE,
    FIELD_CAPACITY_PA,
    LEAST_WATER,
    ORGANIC_BELOW,
    ORGANIC_RANGE,
    ORGANIC_TOP,
    SILT_RANGE,
    TYPICAL,
    WILTING_PA,
)
from trafficplan.soil.water import (
    DEEP_TO_M,
    DRAINS_IN_DAYS,
    READILY_EVAPORABLE_MM,
    ROOTS,
    SEEPS_IN_A_DAY,
    SURFACE_TO_M,
    UNDER_M,
)
from trafficplan.units import KPA

_PART = "soil water"


def soil_water() -> Iterator[InUse]:
    """Return what the day's water balance rests on."""
    yield from _weather()
    yield from _retention()
    yield from _balance()
    yield from _crops()
    yield from _days()


def _weather() -> Iterator[InUse]:
    yield InUse(_PART, "reference evapotranspiration", "Penman-Monteith, or as given", SOURCE, "found")
    yield InUse(_PART, "from temperatures alone", "Hargreaves", f"Hargreaves & Samani 1985, in {SOURCE}", "found")
    value = f"wind {WIND_M_S:g} m/s, dew point at the coldest, radiation {INLAND:g} sqrt(span)"
    yield InUse(_PART, "what is not measured", value, f"{SOURCE}, Example 20", "found")
    yield InUse(_PART, "least wind", f"{LEAST_WIND_M_S:g} m/s", SOURCE, "memory")
    yield InUse(_PART, "latitude at most", f"{POLAR_DEG:g} degrees", "days without sunrise", "ours")


def _retention() -> Iterator[InUse]:
    yield InUse(_PART, "water at a tension", "continuous regression", "Woesten et al. 1999, Geoderma 90:169", "found")
    value = "density where none is known, conductivity when saturated"
    yield InUse(_PART, "Saxton & Rawls", value, "Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569", "found")
    value = f"{FIELD_CAPACITY_PA / KPA:g} kPa, wilting point {WILTING_PA / KPA:g} kPa"
    yield InUse(_PART, "field capacity", value, "drained land, pF 1.8; 6 to 10 kPa in use", "ours")
    value = f"sand and clay of {len(TYPICAL)} classes"
    yield InUse(_PART, "typical soil of a texture", value, "Saxton & Rawls 2006, Table 3", "found")
    value = f"{ORGANIC_TOP:g} % in the first horizon, {ORGANIC_BELOW:g} % below"
    yield InUse(_PART, "organic matter not given", value, "no source", "ours")
    ranges = {"clay %": CLAY_RANGE, "silt %": SILT_RANGE, "organic matter %": ORGANIC_RANGE, "g/cm3": DENSITY_RANGE}
    value = "; ".join(f"{name} {low:g} to {high:g}" for name, (low, high) in ranges.items())
    yield InUse(_PART, "range of the regressions", value, "Saxton & Rawls 2006; keeps terms finite", "ours")
    value = f"at least {LEAST_WATER:g} of the volume at wilting point, and so much more at 33 kPa and at saturation"
    yield InUse(_PART, "least water of a soil", value, "no source; pure sand", "ours")


def _balance() -> Iterator[InUse]:
    value = f"to {UNDER_M:g} m below the top layer the deep one, to {DEEP_TO_M:g} m a store"
    yield InUse(_PART, "layers", value, "the hand test is taken at 35 cm", "ours")
    value = f"{SURFACE_TO_M:g} m dry from the surface"
    yield InUse(_PART, "evaporation from bare ground", value, f"{SOURCE}, chapter 7", "memory")
    low, high = min(READILY_EVAPORABLE_MM.values()), max(READILY_EVAPORABLE_MM.values())
    value = f"{low:g} to {high:g} mm by texture; a wet surface loses {WET_SURFACE:g} times the reference"
    yield InUse(_PART, "evaporation at full pace", value, f"{SOURCE}, Table 19 and eq. 72", "memory")
    value = "; ".join(f"from {least:g} mm/h {days:g} d" for least, days in DRAINS_IN_DAYS)
    yield InUse(_PART, "drainage to field capacity (nine tenths)", value, "one to three days", "ours")
    value = f"{SEEPS_IN_A_DAY:g} of what would even it out, in a day"
    yield InUse(_PART, "seeping into a drier layer", value, "no source", "ours")
    value = ", ".join(f"{100 * share:.0f} % above {part:g}" for part, share in zip(*ROOTS, strict=True) if 0 < part < 1)
    yield InUse(_PART, "roots by share of their depth", value, "practice of irrigation", "common practice")


def _crops() -> Iterator[InUse]:
    value = f"{len(crop_table())} crops: coefficients, heights, root depths (crops.csv)"
    yield InUse(_PART, "crops", value, f"{SOURCE}, Tables 12, 17, 22, transcribed in public code", "found")
    value = "lengths of stages; the days on which growth starts are ours"
    yield InUse(_PART, "stages of crops", value, f"{SOURCE}, Table 11, else ours (crops.csv)", "ours")
    value = f"roots {FIRST_ROOT_M:g} m deep at first; coefficient {LEAST_KCB:g} of what shades nothing"
    yield InUse(_PART, "young crops", value, SOURCE, "memory")
    value = (
        f"drilling within {NEAR_SOWN.days} days, harvest within {NEAR_HARVEST.days} days of the table's; "
        f"{HALF_YEAR.days} days later south of the equator"
    )
    yield InUse(_PART, "the field's own days", value, "no source", "ours")


def _days() -> Iterator[InUse]:
    part = "fit days"
    yield InUse(part, "states of a day", ", ".join(STATES), "set for this program", "ours")
    value = f"over {HEAVY_RAIN_MM:g} mm in a day no reading counts"
    yield InUse(part, "heavy rain", value, "Swiss soil-moisture network", "found")
    value = f"top layer below {WATERLOGGED_PA / KPA:g} kPa; frozen when the day's mean is below 0 degrees C"
    yield InUse(part, "closed ground", value, "no source; frozen for half the day, as in the English rules", "ours")
    value = (
        f"soils from {100 * LEAST_SOIL:g} % of the field; {LOADS_MOST} loads at most, concentration factors "
        f"{', '.join(f'{one:g}' for one in NUS)}; reasons add up the rain of "
        f"{RAIN_DAYS} days"
    )
    yield InUse(part, "what is looked at", value, "set for this program", "ours")
    value = (
        f"days that are {', '.join(STATES[code] for code in OPEN)}, by chance in steps of 0.1; from 0.9 on by the stress "
        f"ratio in steps of {RATIO_STEP:g}"
    )
    yield InUse(part, "days from best to worst", value, "set for this program", "ours")
