"""Conversions between SI (inside) and the units that people use (at the edges).

Factors are exact by definition unless marked. Inside the program everything is m, kg, N, Pa, s.
"""

from __future__ import annotations

GRAVITY = 9.80665  # m/s2, standard gravity (exact, CGPM 1901)

BAR = 1e5  # Pa
KPA = 1e3  # Pa
PSI = 6894.757293168  # Pa (lbf/in2: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2)
POUND = 0.45359237  # kg
INCH = 0.0254  # m
FOOT = 0.3048  # m
KNOT = 1852 / 3600  # m/s
KM_H = 1 / 3.6  # m/s
MILE_H = 0.44704  # m/s
TONNE = 1e3  # kg
HECTARE = 1e4  # m2
ACRE = 4046.8564224  # m2

#: Units that a column of a recorded track or a table may be in -> factor to SI.
FACTORS: dict[str, float] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "km": 1e3,
    "in": INCH,
    "ft": FOOT,
    "kg": 1.0,
    "t": TONNE,
    "lb": POUND,
    "g": 1e-3,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "ms": 1e-3,
    "m/s": 1.0,
    "km/h": KM_H,
    "mph": MILE_H,
    "kn": KNOT,
    "kg/s": 1.0,
    "lb/s": POUND,
    "t/h": TONNE / 3600,
    "g/s": 1e-3,
    "Pa": 1.0,
    "kPa": KPA,
    "bar": BAR,
    "psi": PSI,
    "ha": HECTARE,
    "acre": ACRE,
    "m2": 1.0,
    "degrees": 1.0,
    "%": 0.01,
    "": 1.0,
}


def bar_to_psi(bar: float) -> float:
    """Convert bar to psi.

    Examples
    --------
    >>> round(bar_to_psi(1.2), 1)
    17.4
    """
    return bar * BAR / PSI


def psi_to_bar(psi: float) -> float:
    """Convert psi to bar.

    Examples
    --------
    >>> round(psi_to_bar(20.0), 2)
    1.38
    """
    return psi * PSI / BAR


def pressure_text(pascal: float) -> str:
    """Write a pressure in bar with psi beside it.

    Examples
    --------
    >>> pressure_text(140_000.0)
    '1.4 bar (20 psi)'
    """
    return f"{pascal / BAR:.1f} bar ({pascal / PSI:.0f} psi)"


def kg_to_kn(mass_kg: float) -> float:
    """Convert a mass resting on the ground to its force in kN.

    Examples
    --------
    >>> round(kg_to_kn(1000.0), 3)
    9.807
    """
    return mass_kg * GRAVITY / 1e3
