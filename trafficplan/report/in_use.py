"""Every model and number that the physics uses, read from where it is used, with its source and its mark."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from importlib.resources import files

from trafficplan.assess.stored import REACH_PA
from trafficplan.decide.advice import LEAST_SHARE, LOAD_STEP_KG, SLOWEST_M_S, STANDING_L_H, WORTH
from trafficplan.decide.beneath import CENTRAL_AREA, MEASURED_BAND, UPPER_GOVERNS_PA, UPPER_TO_M
from trafficplan.decide.pressure import HIGH_TORQUE, TORQUE_SPEED_M_S
from trafficplan.decide.rolling import (
    CONE_PA,
    DEFLECTION,
    DEFLECTION_RANGE,
    LITRES_PER_KWH,
    SLIP_MOST,
    SLIP_SHEARS,
    TRACK_MOBILITY,
)
from trafficplan.decide.trip import CENTRE_HIGH_M, HITCH_HIGH_M, STEEPEST, STEERING_SHARE
from trafficplan.farm.defaults import DEFAULTS, SOURCE
from trafficplan.machines.contact import AREA_MODELS, BLEND_POWER, RIGID_1999, SOFT_1999
from trafficplan.machines.inflation import COLD_CELSIUS, IMPROVED_FLEXION
from trafficplan.machines.loadindex import LOAD_INDEX_KG, SPEED_SYMBOL_KM_H
from trafficplan.machines.traction import BRIXIUS_RANGE
from trafficplan.machines.tyre import INCH_ASPECT, LOW_SECTION_ASPECT
from trafficplan.machines.tyre_table import DUAL_SHARE, TRIPLE_SHARE
from trafficplan.names import STEPS
from trafficplan.report.in_use_audit import audit
from trafficplan.report.in_use_parking import parking
from trafficplan.report.in_use_spreading import spreading
from trafficplan.report.in_use_water import soil_water
from trafficplan.report.use import InUse
from trafficplan.soil.compaction import FIRST_PASS_SHARE
from trafficplan.soil.day import CORES_ENOUGH, SPREAD_MEASURED, SPREAD_TEXTURE_ONLY, SPREAD_USUAL, TOP_M
from trafficplan.soil.moisture import HAND_TEST, WORD_LIMITS
from trafficplan.soil.shapes import ROLLER_M, ROLLER_SHARE, SHAPES
from trafficplan.units import BAR, GRAVITY, KM_H, KPA

#: What a mark says about how sure a number is.
MARKS: dict[str, str] = {
    "found": "text or number read in the source, often its abstract",
    "derived": "follows by algebra, or computed from found numbers",
    "memory": "recalled from the literature, the print not read again",
    "ours": "a choice of this program",
    "common practice": "what people do; no source",
}

_OSULLIVAN = "O'Sullivan, Henshall & Dickson 1999, Soil Till. Res. 49:325"
_SOEHNE = "Soehne 1953, Grundl. Landtechn. 5:49"


def models_and_numbers() -> tuple[InUse, ...]:
    """Return all models and numbers in use, by part; values come from the code that uses them."""
    return (
        *_contact(),
        *_tyres(),
        *_stress(),
        *_strength(),
        *_measured(),
        *_moisture(),
        *soil_water(),
        *audit(),
        *parking(),
        *spreading(),
        *_judgement(),
        *_rolling(),
        *_pressures(),
        *_defaults(),
    )


def _contact() -> Iterator[InUse]:
    for name, model in AREA_MODELS.items():
        (low, high), (least, most) = model.load_range_n, model.pressure_range_pa
        value = (
            f"{'the central run; ' if name == CENTRAL_AREA else ''}"
            f"{low / GRAVITY:.0f} to {high / GRAVITY:.0f} kg, "
            f"{least / BAR:g} to {most / BAR:g} bar; outside it warns"
        )
        yield InUse("contact area", name, value, model.source, model.mark)
    for name, coefficients in (("soft", SOFT_1999), ("rigid", RIGID_1999)):
        value = "s1 {:g}, s2 {:g} m2/N, s3 {:g}".format(*coefficients)
        yield InUse("contact area", f"coefficients, {name}", value, _OSULLIVAN, "memory")
    yield InUse(
        "contact area",
        "exponent of the blend",
        f"{BLEND_POWER:g}",
        "fitted to areas of Aarslev and Schjoenning et al. 2008",
        "ours",
    )
    for name, shape in SHAPES.items():
        value = f"peak {shape.peak:g} x mean; {shape.meaning}"
        yield InUse("contact stress", name, value, shape.source, shape.mark)
    yield InUse(
        "contact stress",
        "topsoil: least peak over inflation pressure",
        "1.4",
        "Arvidsson & Keller 2007, abstract: 39 % above",
        "found",
    )
    value = f"{ROLLER_SHARE:g} of the load through rollers {ROLLER_M:g} m long, the rest even"
    yield InUse("contact stress", "rubber track", value, "no published share", "ours")
    depth, pressure = f"{UPPER_TO_M * 100:.0f} cm", f"{UPPER_GOVERNS_PA / BAR:g} bar"
    value = f"load / pressure, down to {depth}; words follow it above {pressure}"
    yield InUse("contact stress", "upper run", value, "set from Lamande & Schjoenning 2018, abstract", "ours")


def _tyres() -> Iterator[InUse]:
    yield InUse(
        "tyres",
        "load index",
        f"table {min(LOAD_INDEX_KG)} to {max(LOAD_INDEX_KG)}",
        "ISO 4223-1, UN R106: two public tables",
        "found",
    )
    yield InUse("tyres", "speed symbols", f"{len(SPEED_SYMBOL_KM_H)} symbols", "UN R106, public table", "found")
    for letters, (load, pressure) in IMPROVED_FLEXION.items():
        value = f"{load:g} x load at the same pressure, or {pressure:g} x pressure at the same load; context only"
        yield InUse("tyres", letters, value, "trade press on the tyre and rim standard", "found")
    value = f"{INCH_ASPECT:g}, low section {LOW_SECTION_ASPECT:g}"
    yield InUse("tyres", "height over width of inch sizes", value, "usual sizes", "memory")
    yield InUse("tyres", "hot and cold pressure", "absolute pressure ~ absolute temperature", "gas law", "derived")
    yield InUse("tyres", "temperature of a cold tyre", f"{COLD_CELSIUS:g} C", "no source", "ours")


def _stress() -> Iterator[InUse]:
    yield InUse(
        "stress with depth",
        "point load",
        "nu Q cos^nu / (2 pi R^2)",
        "Boussinesq 1885; Froehlich 1934",
        "found",
    )
    yield InUse("stress with depth", "wheel", "small loads summed over the contact", _SOEHNE, "found")
    value = "4 dry (above 20 kPa), 5 moist, 6 wet (below 10 kPa)"
    yield InUse("stress with depth", "concentration factor", value, _SOEHNE, "memory")
    yield InUse(
        "stress with depth",
        "depth reached",
        f"the {REACH_PA / KPA:.0f} kPa line",
        "Schjoenning et al. 2012, Soil Use Manage. 28:378",
        "memory",
    )


def _strength() -> Iterator[InUse]:
    with (files("trafficplan.soil") / "strength.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            name = f"{row['texture']}, {row['state']}, pF {row['pf']}"
            yield InUse("strength", name, f"{row['low_kpa']} to {row['high_kpa']} kPa", row["source"], row["mark"])
    for name, spread in (
        ("spread of ln strength, soil known", SPREAD_USUAL),
        ("spread, texture only", SPREAD_TEXTURE_ONLY),
        (f"spread, {CORES_ENOUGH} or more cores", SPREAD_MEASURED),
    ):
        source = "root sum of squares: field 0.15, method 0.28, class 0.35, stress model 0.25"
        yield InUse("strength", name, f"{spread:g}", source, "ours")


def _measured() -> Iterator[InUse]:
    value = f"{MEASURED_BAND:.2f} in ln either side where one wheel is shown"
    yield InUse("strength", "band of a measured strength", value, "field 0.15 and method 0.28", "ours")


def _moisture() -> Iterator[InUse]:
    for word, tension in HAND_TEST.items():
        yield InUse("moisture", word, f"{tension / KPA:g} kPa", "wet, moist, dry of the usual suction classes", "ours")
    value = f"{WORD_LIMITS[0] / KPA:g} and {WORD_LIMITS[1] / KPA:g} kPa at 35 cm"
    yield InUse("moisture", "limits between the words", value, "Swiss soil-protection practice (BFE 1997)", "found")
    yield InUse("moisture", "top layer where nothing is tilled", f"{TOP_M:g} m", "no source", "ours")


def _judgement() -> Iterator[InUse]:
    for name, upper in STEPS:
        value = "above" if math.isinf(upper) else f"below {upper:g}"
        yield InUse("judgement", f"step {name}", f"stress over strength {value}", "set for this program", "ours")
    value = f"{FIRST_PASS_SHARE:g}"
    yield InUse(
        "judgement",
        "share of the first pass",
        value,
        "Virginia Coop. Ext. BSE-374; Univ. Wisconsin and Nebraska extension: 0.70 to 0.85",
        "found",
    )


def _rolling() -> Iterator[InUse]:
    ranges = "; ".join(f"{name.replace('_', ' ')} {low:g} to {high:g}" for name, (low, high) in BRIXIUS_RANGE.items())
    yield InUse("rolling", "drive tyres", ranges, "Brixius 1987, ASABE D497", "found")
    yield InUse("rolling", "towed wheels", "1.2 / Cn + 0.04", "Wismer & Luth 1974", "found")
    cones = ", ".join(f"{word} {pascal / KPA:.0f} kPa" for word, pascal in CONE_PA.items())
    yield InUse("rolling", "cone index", cones, "ASAE D497; which word is which is ours", "memory")
    value = f"{DEFLECTION:g} of section height, held to {DEFLECTION_RANGE[0]:g} to {DEFLECTION_RANGE[1]:g}"
    yield InUse("rolling", "deflection at the table's pressure", value, "usual for radials", "memory")
    yield InUse("rolling", "mobility of a rubber track", f"{TRACK_MOBILITY:g}", "as on firm soil", "ours")
    value = f"{SLIP_SHEARS:g} shears the topsoil; looked for up to {SLIP_MOST:g}"
    yield InUse("rolling", "slip", value, "no source at hand", "memory")
    value = f"{LITRES_PER_KWH:.3f} l per kWh at the axles; {STANDING_L_H:g} l/h standing"
    yield InUse("rolling", "fuel", value, "0.27 l/kWh at the engine, 85 % of it at the axles", "memory")


def _pressures() -> Iterator[InUse]:
    value = f"dual {DUAL_SHARE:g}, triple {TRIPLE_SHARE:g} of each tyre's table"
    yield InUse("pressures", "several tyres on a side", value, "US Tire and Rim Association", "memory")
    value = f"pull over {HIGH_TORQUE:g} of the weight: rows of {TORQUE_SPEED_M_S / KM_H:.0f} km/h count"
    yield InUse("pressures", "no low-speed bonus", value, "UN R106 on sustained high torque", "ours")
    yield InUse("pressures", "least share on the steering axle", f"{STEERING_SHARE:g}", "road rules", "found")
    value = f"over {STEEPEST * 100:.0f} % no lowest pressure is advised"
    yield InUse("pressures", "side slope", value, "no source", "ours")
    heights = ", ".join(f"{kind} {height:g} m" for kind, height in CENTRE_HIGH_M.items())
    value = f"{heights}; hitch {HITCH_HIGH_M:g} m"
    yield InUse("pressures", "height of the centre of gravity", value, SOURCE, "common practice")
    value = (
        f"stress lower by {WORTH * 100:.0f} % is worth a stop; loads tried by {LOAD_STEP_KG:.0f} kg down to "
        f"{LEAST_SHARE:g} of the load; no track slower than {SLOWEST_M_S / KM_H:.0f} km/h"
    )
    yield InUse("pressures", "what is proposed", value, "set for this program", "ours")


def _defaults() -> Iterator[InUse]:
    for default in DEFAULTS.values():
        value = f"{default.value} {default.unit}".strip()
        yield InUse("defaults of a farm", default.what, value, SOURCE, "common practice")
