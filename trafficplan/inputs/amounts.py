"""Amounts written with their unit: rates, loads, pressures of axles, moisture words."""

from __future__ import annotations

import re
from collections.abc import Collection

from trafficplan.errors import InputError
from trafficplan.farm.operation import Moisture
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.record import as_number, number_mend, range_mend
from trafficplan.soil.moisture import tensions_from_text
from trafficplan.units import ACRE, BAR, HECTARE, POUND, TONNE

#: A US gallon [m3] (231 cubic inches, exact).
GALLON = 231 * 0.0254**3
#: A US short ton [kg] (2000 lb).
SHORT_TON = 2000 * POUND

MASSES = {"t": TONNE, "kg": 1.0, "lb": POUND, "ton": SHORT_TON}
VOLUMES = {"m3": 1.0, "l": 1e-3, "gal": GALLON}
AREAS = {"ha": HECTARE, "ac": ACRE, "acre": ACRE}

#: Cold inflation pressures that farm tyres run at [bar] (common practice, no source).
BAR_LOW, BAR_HIGH = 0.2, 10.0

_AMOUNT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([a-zA-Z]+[23]?)\s*(?:/\s*([a-zA-Z]+))?")


def parse_amount(ledger: Ledger, text: str, place: str, *, per_area: bool) -> tuple[float, bool] | None:
    """Return an amount in SI and whether it is a volume.

    Parameters
    ----------
    text : "12 t/ha", "30 m3/ha" (per area) or "9 t", "18 m3"

    Returns
    -------
    kg or m3 (per m2), and True for a volume; None with a problem.
    """
    needed = "an amount such as 12 t/ha or 30 m3/ha" if per_area else "an amount such as 9 t or 18 m3"
    match = _AMOUNT.fullmatch(text.strip().replace("³", "3"))
    if match is None:
        marked = re.match("[\\d .,'\u2019\u00a0\u202f]+", text.strip())
        mend = number_mend(marked.group().strip(), "") if marked else ""
        mend = mend if "thousands" in mend else "write the number, a space and the unit"
        ledger.problem("an amount without its unit", place, text, needed, mend)
        return None
    digits, unit, area = match.group(1), match.group(2), (match.group(3) or "").lower()
    number = as_number(digits)
    if number is None:
        ledger.problem("not a number", place, digits, needed, number_mend(digits, unit))
        return None
    size = MASSES.get(unit) or VOLUMES.get(unit.lower()) or MASSES.get(unit.lower())
    if size is None or (per_area and area not in AREAS) or (not per_area and area):
        units = [*MASSES, *VOLUMES]
        ledger.problem(
            "unknown unit of an amount",
            place,
            text,
            f"{needed}; units {listed(units)}" + (f" per {listed(AREAS)}" if per_area else ""),
            "use one of these units",
        )
        return None
    if number <= 0:
        ledger.problem(
            "number out of range",
            place,
            text,
            f"more than 0 {unit}",
            "remove the minus sign" if number < 0 else "leave it empty if nothing is carried",
        )
        return None
    return number * size / (AREAS[area] if per_area else 1.0), unit.lower() in VOLUMES


def parse_pressure(ledger: Ledger, number: float, place: str) -> float | None:
    """Return a cold pressure given in bar as Pa, or None with a problem (psi and kPa are asked about)."""
    if BAR_LOW <= number <= BAR_HIGH:
        return number * BAR
    ledger.problem(
        "pressure out of range",
        place,
        f"{number:g} bar",
        f"a cold inflation pressure from {BAR_LOW:g} to {BAR_HIGH:g} bar",
        range_mend(number, BAR_LOW, BAR_HIGH, "bar"),
    )
    return None


def parse_pressures(ledger: Ledger, text: str, place: str, axles: Collection[str] | None) -> dict[str, float]:
    """Return axle -> pressure [Pa] from "1.0" (all axles, key "*") or "front:1.0;rear:0.8".

    `axles` are the names of the outfit's axles, None if the outfit is not known.
    """
    pressures: dict[str, float] = {}
    for part in [one.strip() for one in text.split(";") if one.strip()]:
        axle, colon, digits = part.rpartition(":")
        axle, digits = axle.strip() if colon else "*", digits.strip()
        number = as_number(digits)
        if number is None:
            ledger.problem(
                "not a number",
                place,
                part,
                "a pressure in bar: 1.0, or front:1.0;rear:0.8",
                f"write a decimal point: {digits.replace(',', '.')}" if "," in digits else "write axle, colon and bar",
            )
        elif axle != "*" and axles is not None and axle not in axles:
            ledger.problem("unknown axle", place, axle, f"one of {listed(axles)}", rename_hint(axle, axles, "axle"))
        elif axle in pressures:
            ledger.problem("an axle comes twice", place, text, "each axle once", f"remove one of the values of {axle}")
        else:
            pascal = parse_pressure(ledger, number, place)
            if pascal is not None:
                pressures[axle] = pascal
    return pressures


def parse_moisture(ledger: Ledger, text: str, place: str) -> Moisture | None:
    """Return moisture from a hand-test word, a tension in kPa, or both layers apart; None with a problem."""
    try:
        top_pa, deep_pa = tensions_from_text(text, place)
    except InputError as error:
        ledger.take_over(error, place)
        return None
    return Moisture(top_pa, deep_pa, text.strip())
