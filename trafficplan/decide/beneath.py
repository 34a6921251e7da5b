"""What one wheel does to the soil beneath it: contact, stress with depth, strength, chance, depth reached.

One wheel, dual or track without a farm. The central run is the one of the maps. Beside it stands the upper
run (contact area = load over pressure) down to 60 cm; above 120 kPa of pressure the words follow it, because
under hard tyres it was nearer to the stress measured at 30 cm (Lamande & Schjoenning 2018). The lowest and
the highest stress among the alternates, one change at a time, tell how much hangs on the choice of models.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from statistics import NormalDist
from typing import Literal

import numpy as np

from trafficplan.errors import InputError, Problem
from trafficplan.machines.contact import AREA_MODELS, contact_area, peak_contact_stress
from trafficplan.machines.tyre import Tyre
from trafficplan.names import DEPTHS, Note, step_of
from trafficplan.soil.day import TOP_M, concentration_factor, soil_day
from trafficplan.soil.moisture import tensions_from_text
from trafficplan.soil.shapes import ROLLER_M, ROLLER_SHARE, SHAPES, stress_belt, stress_circle
from trafficplan.soil.strength import strength_range
from trafficplan.soil.unit import Horizon, SoilUnit
from trafficplan.units import GRAVITY, KPA, pressure_text

#: The upper run stands beside the central one down to here [m].
UPPER_TO_M = 0.6
#: Pressure above which words follow the upper run [Pa]; ours, from measured stress under hard tyres.
UPPER_GOVERNS_PA = 120e3
#: The stress whose depth is followed [Pa]; Schjoenning et al. 2012, 50-50 rule (memory).
REACHED_PA = 50e3
DEEPEST_M = 5.0
#: Half width of the band of a measured strength, in ln: field variation 0.15 and fitting method 0.28.
MEASURED_BAND = float(np.hypot(0.15, 0.28))
#: Places across a dual where stress is looked up.
PLACES = 17

#: Loads of one wheel or track that are no slip of the pen [kg].
LOAD_RANGE_KG = (50.0, 25_000.0)
#: Concentration factors that every sum is made for.
NU_LOW, NU_HIGH = 3, 6

CENTRAL_AREA, CENTRAL_SHAPE = "area_blend", "quartic"
UPPER_AREA = "area_pressure_only"


@dataclass(frozen=True)
class WheelCase:
    """One wheel, or one dual, or one rubber track, as it stands on the ground.

    Attributes
    ----------
    tyre : size of the tyre or track
    load_n : load on the wheel [N]; of a dual, on both tyres together
    pressure_pa : cold inflation pressure [Pa]; without meaning for a track
    dual_gap_m : gap between the side walls of the two tyres of a dual [m]; None: a single
    furrow_m : depth of the open furrow in which it runs [m]; 0: on the land
    """

    tyre: Tyre
    load_n: float
    pressure_pa: float = 0.0
    dual_gap_m: float | None = None
    furrow_m: float = 0.0

    @property
    def tyres(self) -> int:
        """Number of tyres or tracks that share the load."""
        return 1 if self.dual_gap_m is None else 2


@dataclass(frozen=True)
class Ground:
    """The soil beneath one wheel.

    Attributes
    ----------
    texture : USDA class
    top_pa, deep_pa : soil water tension down to and below the tillage depth [Pa]
    tillage_m : depth of the regular tillage [m]; 0: none
    strength_pa : measured precompression stress [Pa], or None for the table
    """

    texture: str = "loam"
    top_pa: float = 15e3
    deep_pa: float = 15e3
    tillage_m: float = 0.25
    strength_pa: float | None = None


@dataclass(frozen=True)
class Models:
    """Models by name: contact area (`AREA_MODELS`), shape (`SHAPES`), concentration factor (None: by
    moisture)."""

    area: str = CENTRAL_AREA
    shape: str = CENTRAL_SHAPE
    nu: float | None = None


@dataclass(frozen=True)
class DepthAnswer:
    """Stress against strength at one depth below the surface [m]; stresses in Pa.

    `stress_pa` is the central run, `upper_pa` the upper run (not below the central one), `lowest_pa` and
    `highest_pa` the ends among the alternates; ratio and chance are of the central run; `step` follows the
    run that governs the words.
    """

    depth_m: float
    layer: Literal["tilled", "deep"]
    stress_pa: float
    upper_pa: float
    lowest_pa: float
    highest_pa: float
    strength_pa: float
    strength_low_pa: float
    strength_high_pa: float
    ratio: float
    chance: float
    step: str


@dataclass(frozen=True)
class WheelAnswer:
    """What one wheel does: contact area of all its tyres [m2], stresses [Pa], depth of the 50 kPa line [m].

    `topsoil_pa` is the indicator for the topsoil: at least 1.4 times the pressure (Arvidsson & Keller 2007).
    """

    case: WheelCase
    area_m2: float
    mean_pa: float
    peak_pa: float
    topsoil_pa: float
    reached_m: float
    governs: Literal["central", "upper"]
    depths: tuple[DepthAnswer, ...]
    notes: tuple[Note, ...] = ()


def ground_of(texture: str, soil: str, tillage_m: float = 0.25, strength_pa: float | None = None) -> Ground:
    """Return the ground from a texture class and moisture as people tell it ("moulds", "12",
    "top:crumbles,deep:smears").

    Raises
    ------
    InputError : when the moisture is not understood

    Examples
    --------
    >>> ground_of("loam", "smears").deep_pa
    5000.0
    """
    top, deep = tensions_from_text(soil)
    return Ground(texture, top, deep, tillage_m, strength_pa)


def usual_depths(tillage_m: float) -> tuple[float, ...]:
    """Return the depths looked at when none are asked for [m]; just below the tillage is among them.

    Examples
    --------
    >>> usual_depths(0.25)
    (0.1, 0.2, 0.3, 0.35, 0.5, 0.7, 1.0)
    """
    below = {round(tillage_m + 0.05, 4)} if tillage_m > 0.0 else set()
    return tuple(sorted(set(DEPTHS) | below))


def stress_beneath(
    case: WheelCase, ground: Ground, depths_m: Sequence[float] | None = None, models: Models | None = None
) -> WheelAnswer:
    """Return what a wheel does to the soil beneath it.

    Parameters
    ----------
    case : the wheel [N, Pa, m]
    ground : the soil
    depths_m : depths below the surface [m]; None: `usual_depths`
    models : by name; None: the central run

    Raises
    ------
    InputError : unknown model or texture, a size or load out of any sense, a concentration factor out of
        its range; every one that was found

    Notes
    -----
    Of a dual, and across it, the highest stress counts. In the furrow the wheel loads the soil from the
    furrow's depth down; above, there is none under it. Other wheels of the axle are too far to matter
    (within 1 % at 1 m depth when 1.8 m away).

    Examples
    --------
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> wheel = WheelCase(tyre_from_code("650/65R30.5"), 58.84e3, 100e3)
    >>> answer = stress_beneath(wheel, ground_of("loam", "moulds"), [0.5])
    >>> round(answer.depths[0].stress_pa / 1e3, 1)
    89.6
    """
    chosen = models or Models()
    depths = tuple(depths_m) if depths_m is not None else usual_depths(ground.tillage_m)
    notes = _checked(case, ground, depths, chosen)
    soil, assumed = _day(ground, depths)
    governs: Literal["central", "upper"] = (
        "upper" if case.tyre.kind == "tyre" and case.pressure_pa > UPPER_GOVERNS_PA else "central"
    )
    area = _area(case, chosen.area)
    mean = case.load_n / area
    rows = tuple(_row(case, ground, chosen, governs, strength) for strength in soil)
    return WheelAnswer(
        case, area, mean, _peak(case, mean, chosen), _topsoil(case, area), _reached(case, ground, chosen),
        governs, rows, tuple(sorted({*notes, *assumed})),
    )  # fmt: skip


@dataclass(frozen=True)
class _Strength:
    """Strength at one depth: median and ends [Pa], and the spread of its logarithm."""

    depth_m: float
    median_pa: float
    low_pa: float
    high_pa: float
    spread: float


def _day(ground: Ground, depths: Sequence[float]) -> tuple[list[_Strength], tuple[Note, ...]]:
    """Return the strength at each depth and what was assumed."""
    horizon = Horizon(0.0, DEEPEST_M, ground.texture, strength_pa=ground.strength_pa)
    unit = SoilUnit("here", "here", (horizon,))
    day, notes = soil_day(unit, depths, ground.top_pa, ground.deep_pa, ground.tillage_m, 0.0)
    if ground.strength_pa is None:
        low, high = strength_range(ground.texture, "settled", day.tension_pa)
    else:
        low, high = day.strength_pa * np.exp(-MEASURED_BAND), day.strength_pa * np.exp(MEASURED_BAND)
    columns = zip(depths, day.strength_pa, low, high, day.spread, strict=True)
    return [_Strength(*(float(value) for value in row)) for row in columns], notes


def _area(case: WheelCase, model: str) -> float:
    """Return the contact area of all tyres of the wheel [m2]."""
    area = contact_area if case.tyre.kind == "track" else AREA_MODELS[model].area
    return case.tyres * float(area(case.tyre, case.load_n / case.tyres, case.pressure_pa))


def _peak(case: WheelCase, mean_pa: float, models: Models) -> float:
    """Return the highest contact stress [Pa]: of the shape, or under a roller of the track."""
    tyre = case.tyre
    if tyre.kind == "tyre":
        return mean_pa * SHAPES[models.shape].peak
    if tyre.rollers == 0:
        return mean_pa
    rows = min(tyre.rollers * ROLLER_M, tyre.track_length_m)
    return mean_pa * (1.0 - ROLLER_SHARE + ROLLER_SHARE * tyre.track_length_m / rows)


def _topsoil(case: WheelCase, area_m2: float) -> float:
    if case.tyre.kind == "track":
        return _peak(case, case.load_n / area_m2, Models())
    return float(peak_contact_stress(case.load_n, area_m2, case.pressure_pa))


def _nu(ground: Ground, models: Models, depth_m: float) -> float:
    """Return the concentration factor at a depth below the surface: the one asked for, or by moisture."""
    if models.nu is not None:
        return models.nu
    top = depth_m <= (ground.tillage_m or TOP_M)
    return float(concentration_factor(ground.top_pa if top else ground.deep_pa))


def _highest(case: WheelCase, models: Models, below_m: float, nu: float, rollers: int | None = None) -> float:
    """Return the highest stress across a wheel [Pa], `below_m` below the surface it stands on."""
    if below_m < 0.0:
        return 0.0
    tyre, share = case.tyre, case.load_n / case.tyres
    spacing = 0.0 if case.dual_gap_m is None else tyre.width_m + case.dual_gap_m
    # from the middle of one tyre to half way to the other
    away = np.linspace(0.0, 0.5 * spacing, PLACES) if spacing > 0.0 else np.zeros(1)
    places = np.concatenate([away, spacing - away]) if spacing > 0.0 else away
    if tyre.kind == "track":
        count = tyre.rollers if rollers is None else rollers
        stress = stress_belt(share, tyre.width_m, tyre.track_length_m, count, places, below_m, nu)
    else:
        area = _area(case, models.area) / case.tyres
        stress = stress_circle(SHAPES[models.shape], share, area, places, below_m, nu)
    return float(stress.reshape(case.tyres, -1).sum(axis=0).max())


def _alternates(case: WheelCase, models: Models, below_m: float, nu: float) -> list[float]:
    """Return the stress by the alternates, one change at a time [Pa]: other areas, other shapes; an even
    track."""
    if case.tyre.kind == "track":
        return [_highest(case, models, below_m, nu, rollers=0)]
    areas = [replace(models, area=name) for name in AREA_MODELS if name != models.area]
    shapes = [replace(models, shape=name) for name in SHAPES if name != models.shape]
    return [_highest(case, other, below_m, nu) for other in (*areas, *shapes)]


def _row(case: WheelCase, ground: Ground, models: Models, governs: str, strength: _Strength) -> DepthAnswer:
    depth = strength.depth_m
    below, nu = depth - case.furrow_m, _nu(ground, models, depth)
    central = _highest(case, models, below, nu)
    others = _alternates(case, models, below, nu)
    upper = central
    if depth <= UPPER_TO_M and case.tyre.kind == "tyre":
        upper = max(central, _highest(case, replace(models, area=UPPER_AREA), below, nu))
    ratio = central / strength.median_pa
    told = (upper if governs == "upper" else central) / strength.median_pa
    return DepthAnswer(
        depth_m=depth,
        layer="tilled" if depth <= ground.tillage_m else "deep",
        stress_pa=central,
        upper_pa=upper,
        lowest_pa=min(central, *others),
        highest_pa=max(upper, *others),
        strength_pa=strength.median_pa,
        strength_low_pa=strength.low_pa,
        strength_high_pa=strength.high_pa,
        ratio=ratio,
        chance=_chance(ratio, strength.spread),
        step=step_of(told),
    )


def _chance(ratio: float, spread: float) -> float:
    """Return what `soil.compaction.chance` returns, without the third of a second that its library takes to
    load."""
    return NormalDist().cdf(math.log(ratio) / spread) if ratio > 0.0 else 0.0


def _reached(case: WheelCase, ground: Ground, models: Models) -> float:
    """Return the deepest place that the 50 kPa line reaches, below the surface [m]; 0 where it starts
    nowhere."""
    edge = ground.tillage_m or TOP_M

    def over(depth_m: float) -> bool:
        return _highest(case, models, depth_m - case.furrow_m, _nu(ground, models, depth_m)) > REACHED_PA

    # the concentration factor may step at the tillage depth: look below it first
    start = max(edge + 1e-6, case.furrow_m)
    low, high = (start, DEEPEST_M) if over(start) else (case.furrow_m, start)
    if not over(low):
        return 0.0
    while high - low > 5e-4:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if over(middle) else (low, middle)
    return 0.5 * (low + high)


def _checked(case: WheelCase, ground: Ground, depths: Sequence[float], models: Models) -> list[Note]:
    """Return the warnings on models out of their range; refuse what has no sense."""
    problems = [*_sizes(case, ground, depths), *_names(models)]
    if problems:
        raise InputError(problems)
    if case.tyre.kind == "tyre":
        return list(_out_of_range(case, models))
    why = "measured stress rises under the rollers; how much is not published as a share"
    return [Note("assumed", "load of a track", "half through the rollers, half even", why, "ours")]


def _sizes(case: WheelCase, ground: Ground, depths: Sequence[float]) -> Iterator[Problem]:
    low, high = LOAD_RANGE_KG
    mass = case.load_n / GRAVITY
    if not low <= mass <= high:
        mend = "give kg, not tonnes" if 0.0 < mass < low else "give the load of this one wheel in kg"
        yield Problem("a load that no wheel carries", "load", f"{mass:g} kg", f"{low:g} to {high:g} kg", mend)
    if case.dual_gap_m is not None and not 0.0 <= case.dual_gap_m <= 2.0:
        found = f"{case.dual_gap_m:g} m"
        yield Problem("a gap that no dual has", "dual", found, "0 to 2 m between side walls", "give metres")
    if not 0.0 <= ground.tillage_m <= 1.0:
        found = f"{ground.tillage_m:g} m"
        yield Problem("tillage depth out of range", "tillage depth", found, "0 to 1 m", "give metres, as 0.25")
    if case.furrow_m < 0.0:
        yield Problem("a furrow above the ground", "furrow", f"{case.furrow_m:g} m", "0 or deeper", "give metres")
    if ground.strength_pa is not None and not 5.0 <= ground.strength_pa / KPA <= 2000.0:
        found = f"{ground.strength_pa / KPA:g} kPa"
        yield Problem("strength out of range", "measured strength", found, "5 to 2000 kPa", "give kPa")
    if not depths or min(depths) <= 0.0 or max(depths) > DEEPEST_M:
        found = ", ".join(f"{depth:g} m" for depth in depths) or "none"
        yield Problem("depths out of range", "depths", found, f"above 0, to {DEEPEST_M:g} m", "give metres")


def _names(models: Models) -> Iterator[Problem]:
    for what, name, known in (
        ("contact area model", models.area, AREA_MODELS), ("shape of contact stress", models.shape, SHAPES),
    ):  # fmt: skip
        if name not in known:
            near = get_close_matches(name, known, 1)
            mend = f"did you mean {near[0]!r}?" if near else "take one of those"
            yield Problem(f"unknown {what}", what, repr(name), ", ".join(known), mend)
    if models.nu is not None and (models.nu != round(models.nu) or not NU_LOW <= models.nu <= NU_HIGH):
        needed = f"a whole number from {NU_LOW} to {NU_HIGH}: 4 dry, 5 moist, 6 wet, 3 the elastic case"
        mend = "leave it away: it follows the moisture"
        yield Problem("concentration factor out of its range", "concentration factor", f"{models.nu:g}", needed, mend)


def _out_of_range(case: WheelCase, models: Models) -> Iterator[Note]:
    """Warn where the contact-area model is used outside the loads and pressures it was held against."""
    model = AREA_MODELS[models.area]
    load = case.load_n / case.tyres
    why = f"outside the range of {model.name}: the contact area is a guess there"
    (low, high), (least, most) = model.load_range_n, model.pressure_range_pa
    if not low <= load <= high:
        value = f"{load / GRAVITY:.0f} kg; made for {low / GRAVITY:.0f} to {high / GRAVITY:.0f} kg"
        yield Note("warned", "wheel load", value, why, model.source)
    if not least <= case.pressure_pa <= most:
        value = f"{pressure_text(case.pressure_pa)}; made for {pressure_text(least)} to {pressure_text(most)}"
        yield Note("warned", "inflation pressure", value, why, model.source)
