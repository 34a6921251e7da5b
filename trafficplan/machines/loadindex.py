"""Load index and speed symbol of a tyre.

The index is a road rating at the reference speed and pressure. No pressure is ever inferred from it.
"""

from __future__ import annotations

from trafficplan.errors import InputError, Problem
from trafficplan.units import KM_H

#: Load index -> kg, ISO 4223-1 / UN R106: rows 90 to 180 (two public tables; the formula 45 x 10^(LI/80) is
#: no rounding rule).
_FROM_90 = """
600 615 630 650 670 690 710 730 750 775 800 825 850 875 900 925 950 975 1000 1030 1060 1090 1120 1150 1180
1215 1250 1285 1320 1360 1400 1450 1500 1550 1600 1650 1700 1750 1800 1850 1900 1950 2000 2060 2120 2180
2240 2300 2360 2430 2500 2575 2650 2725 2800 2900 3000 3075 3150 3250 3350 3450 3550 3650 3750 3875 4000
4125 4250 4375 4500 4625 4750 4875 5000 5150 5300 5450 5600 5800 6000 6150 6300 6500 6700 6900 7100 7300
7500 7750 8000
"""
LOAD_INDEX_KG: dict[int, float] = {90 + i: float(kg) for i, kg in enumerate(_FROM_90.split())}

#: Speed symbol -> km/h (UN R106).
SPEED_SYMBOL_KM_H: dict[str, float] = {
    "A1": 5, "A2": 10, "A3": 15, "A4": 20, "A5": 25, "A6": 30, "A7": 35, "A8": 40,
    "B": 50, "C": 60, "D": 65, "E": 70, "F": 80, "G": 90, "J": 100,
}  # fmt: skip


def load_of_index(load_index: int) -> float:
    """Return the load of a load index [kg].

    Raises
    ------
    InputError : outside 90 to 180

    Examples
    --------
    >>> load_of_index(170)
    6000.0
    """
    if load_index not in LOAD_INDEX_KG:
        raise InputError(
            Problem("unknown load index", "tyre", str(load_index), "90 to 180", "read it on the side wall again")
        )
    return LOAD_INDEX_KG[load_index]


def speed_of_symbol(symbol: str) -> float:
    """Return the speed of a speed symbol [m/s].

    Raises
    ------
    InputError : when the symbol is unknown

    Examples
    --------
    >>> round(speed_of_symbol("D") * 3.6, 1)
    65.0
    """
    km_h = SPEED_SYMBOL_KM_H.get(symbol.strip().upper())
    if km_h is None:
        known = ", ".join(SPEED_SYMBOL_KM_H)
        raise InputError(Problem("unknown speed symbol", "tyre", repr(symbol), known, "read it on the side wall again"))
    return km_h * KM_H
