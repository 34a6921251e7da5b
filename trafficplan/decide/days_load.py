"""What an outfit does to the soil below tillage at each load: stress by load, moisture of the top layer and depth.

Stress does not depend on the day, strength does: this half of fit days is tabulated once for an outfit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.decide.advice import LOAD_STEP_KG
from trafficplan.decide.ladder import axle_stress, rungs
from trafficplan.decide.pressure import Question, pull_on
from trafficplan.decide.trip import AxleLoad, Leg, heaviest
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.names import DEPTHS
from trafficplan.soil.moisture import HAND_TEST
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]

#: Loads that are tried at most; the step grows with the load.
LOADS_MOST = 60

#: Concentration factors and words of the top layer that are tabulated.
NUS = (4, 5, 6)
_WORDS = tuple(HAND_TEST)  # smears, moulds, crumbles


@dataclass(frozen=True)
class StressTable:
    """Highest stress under an outfit at each load, word of the top layer, concentration factor and depth.

    Attributes
    ----------
    loads_kg : (loads,) from empty to the load asked for
    depths_m : (depths,) below tillage
    stress_pa : (loads, words, factors, depths)
    axle, wheel_kg, pressure_pa : the axle whose wheel is heaviest at the full load, that wheel's load, its pressure
    reach_m : how deep 50 kPa reaches under it, by factor (4 dry, 5 moist, 6 wet); it needs no strength
    """

    loads_kg: Floats
    depths_m: Floats
    stress_pa: Floats
    axle: str
    wheel_kg: float
    pressure_pa: float
    reach_m: tuple[float, ...]


def loads_up_to(load_kg: float) -> Floats:
    """Return the loads that are tried [kg]: empty, every half tonne, and the full one.

    In larger steps where they would be many. The steps do not depend on the full load: the heaviest load that is fit is
    the same whatever is asked for.

    Examples
    --------
    >>> loads_up_to(1800.0).tolist(), len(loads_up_to(0.0))
    ([0.0, 500.0, 1000.0, 1500.0, 1800.0], 1)
    """
    step = LOAD_STEP_KG * max(1, math.ceil(load_kg / LOAD_STEP_KG / LOADS_MOST))
    return np.unique([*np.arange(0.0, load_kg, step), load_kg])


def set_to(outfit: Outfit, pressures_pa: Mapping[str, float]) -> Outfit:
    """Return an outfit with the field pressures of an operation; key "*" stands for all axles."""
    if not pressures_pa:
        return outfit

    def one(axle: Axle) -> Axle:
        return replace(axle, field_pa=pressures_pa.get(axle.key, pressures_pa.get("*", axle.field_pa)))

    vehicles = tuple(replace(one_of, axles=tuple(one(axle) for axle in one_of.axles)) for one_of in outfit.vehicles)
    return replace(outfit, vehicles=vehicles)


def kept_table(
    outfit: Outfit, load_kg: float, judged_m: float, tills: bool, kept: dict[tuple[object, ...], StressTable]
) -> StressTable:
    """Return the stress of an outfit, from those kept or new."""
    pressures = tuple(axle.field_pa for axle in outfit.axles())
    key = (outfit.key, pressures, load_kg, judged_m, tills)
    if key not in kept:
        kept[key] = stress_table(outfit, load_kg, judged_m, tills)
    return kept[key]


def stress_table(outfit: Outfit, load_kg: float, judged_m: float, tills: bool = False) -> StressTable:
    """Return the stress of an outfit at its field pressures, for every load that is tried.

    The same axle states as for pressures: heaviest while the body empties, with what the pull puts on the rear axle.
    """
    depths = np.array(sorted({judged_m, *(depth for depth in DEPTHS if depth > judged_m)}))
    loads = loads_up_to(load_kg)
    legs = (Leg("field", outfit.field_m_s, True),)
    stress = np.empty((len(loads), len(_WORDS), len(NUS), len(depths)))
    axles: tuple[AxleLoad, ...] = ()
    for w, word in enumerate(_WORDS):
        states = []
        for load in loads:
            tension = (HAND_TEST[word], HAND_TEST[word])
            question = Question(outfit, {}, float(load), legs, (), depths, 0.0, 0.0, judged_m, tension, tills=tills)
            axles = heaviest(outfit, float(load), True, pull_on(question, True), 0.0)
            states.append([one.wheels_n() for one in axles])
        for n, nu in enumerate(NUS):
            parts = [
                axle_stress(
                    one.axle, np.array([state[a] for state in states]), np.full(len(loads), one.axle.field_pa), depths,
                    np.full(len(depths), nu),
                )
                for a, one in enumerate(axles)
            ]  # fmt: skip
            stress[:, w, n] = np.max(parts, axis=0)
    lead = max(axles, key=lambda one: one.wheel_n())
    reach = tuple(
        float(rungs(lead, [lead.axle.field_pa], depths, np.full(len(depths), nu), 0.0).reach_m[0]) for nu in NUS
    )
    return StressTable(loads, depths, stress, lead.axle.key, lead.wheel_n() / GRAVITY, lead.axle.field_pa, reach)
