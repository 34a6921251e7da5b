"""Contact area of a wheel or rubber track on soil, from load and inflation pressure.

Every published model is one function and one row of `AREA_MODELS` (validity range as data, source, mark).
The central run of the program is `area_blend` in every moisture state: a soil that crumbles then never
reads worse than the same soil that smears because of its contact area.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.errors import InputError, Problem
from trafficplan.machines.tyre import Tyre

Floats = NDArray[np.float64]

#: O'Sullivan, Henshall & Dickson 1999, A = s1 b d + s2 F + s3 F/p in SI: s1 (-), s2 (m2/N), s3 (-). From
#: memory.
SOFT_1999 = (0.310, 2.63e-6, 0.239)
RIGID_1999 = (0.041, 0.0, 0.613)

#: Share of the soft area (as a power) in the blend; the rest is load over pressure. Ours, fitted to
#: published areas.
BLEND_POWER = 0.75


def _loaded(load_n: ArrayLike, pressure_pa: ArrayLike) -> tuple[Floats, Floats]:
    load = np.asarray(load_n, dtype=np.float64)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if not np.all(pressure > 0.0):
        raise InputError(
            Problem(
                "a tyre on the ground needs an inflation pressure above zero",
                "contact area",
                f"{float(np.nanmin(pressure)) / 1e5:g} bar",
                "a cold gauge pressure above 0 bar",
                "give the pressure of this axle",
            )
        )
    return np.maximum(load, 0.0), pressure


def area_pressure_only(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:  # noqa: ARG001
    """Return load over inflation pressure [m2]: a membrane without stiffness.

    Near the measured area at the recommended pressure on hard ground (Arvidsson & Keller 2007); far too
    small as an area for over-inflated tyres on yielding soil, yet nearest to the highest stresses measured
    at 30 cm, since contact stress is skewed (Lamande & Schjoenning 2018). Used as the upper run.
    """
    load, pressure = _loaded(load_n, pressure_pa)
    return np.asarray(load / pressure)


def _area_osullivan(
    coefficients: tuple[float, float, float], tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike
) -> Floats:
    load, pressure = _loaded(load_n, pressure_pa)
    s1, s2, s3 = coefficients
    area = s1 * tyre.width_m * tyre.diameter_m + s2 * load + s3 * load / pressure
    return np.where(load > 0.0, area, 0.0)


def area_osullivan_1999_soft(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the contact area on loose or soft soil [m2]; zero where the load is zero.

    O'Sullivan, Henshall & Dickson 1999 (Soil Till. Res. 49:325); coefficients from memory. Meets measured
    areas of two sites within 12 % in size, but has half of the measured pressure slope (Schjoenning et al.
    2008).
    """
    return _area_osullivan(SOFT_1999, tyre, load_n, pressure_pa)


def area_osullivan_1999_rigid(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the contact area on a rigid surface [m2]; zero where the load is zero.

    O'Sullivan, Henshall & Dickson 1999 (Soil Till. Res. 49:325); coefficients from memory.
    """
    return _area_osullivan(RIGID_1999, tyre, load_n, pressure_pa)


def area_blend(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the central run's area [m2]: soft area to the power 3/4 times (load / pressure) to the power
    1/4.

    Ours, fitted to measured areas of trailer tyres at 50-300 kPa (Aarslev; Schjoenning et al. 2008), which
    it meets within 13 % in size and 7 % in pressure slope.
    """
    soft = area_osullivan_1999_soft(tyre, load_n, pressure_pa)
    bare = area_pressure_only(tyre, load_n, pressure_pa)
    return np.asarray(soft**BLEND_POWER * bare ** (1.0 - BLEND_POWER))


def area_firm(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the area on dry, firm ground [m2]: the smaller of load / pressure and the soft area, not below
    the rigid one.

    Ours. Not used for maps (see the module's first lines); stands beside the central run where one wheel is
    shown.
    """
    soft = area_osullivan_1999_soft(tyre, load_n, pressure_pa)
    rigid = area_osullivan_1999_rigid(tyre, load_n, pressure_pa)
    bare = area_pressure_only(tyre, load_n, pressure_pa)
    return np.asarray(np.maximum(np.minimum(bare, soft), rigid))


def _belt_area(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    load, _ = np.broadcast_arrays(np.asarray(load_n, dtype=np.float64), np.asarray(pressure_pa, dtype=np.float64))
    return np.where(load > 0.0, tyre.width_m * tyre.track_length_m, 0.0)


def contact_area(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the contact area of the central run [m2], by broadcasting; zero where the load is zero or less.

    Parameters
    ----------
    tyre : size of the tyre or track
    load_n : load on this one wheel or track [N]
    pressure_pa : cold inflation pressure [Pa]; without meaning for a track

    Raises
    ------
    InputError : when a tyre's pressure is zero or less

    Examples
    --------
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> round(float(contact_area(tyre_from_code("650/65R30.5"), 58.84e3, 100e3)), 2)
    0.61
    """
    if tyre.kind == "track":
        return _belt_area(tyre, load_n, pressure_pa)
    return area_blend(tyre, load_n, pressure_pa)


def upper_area(tyre: Tyre, load_n: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the area of the upper run [m2]: load over pressure, where that gives the higher stress of the
    two runs.

    Shapes, units and errors as in `contact_area`. A track has only one run.

    Examples
    --------
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> round(float(upper_area(tyre_from_code("650/65R30.5"), 58.84e3, 100e3)), 2)
    0.59
    """
    if tyre.kind == "track":
        return _belt_area(tyre, load_n, pressure_pa)
    return np.asarray(np.minimum(area_blend(tyre, load_n, pressure_pa), area_pressure_only(tyre, load_n, pressure_pa)))


def peak_contact_stress(load_n: ArrayLike, area_m2: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Return the highest stress on the contact [Pa], for the topsoil: 1.5 F/A, and at least 1.4 times the
    pressure.

    1.5 is the peak of the quartic shape; measured peaks at 10 cm were 39 % above inflation pressure on
    average (Arvidsson & Keller 2007, abstract). Stress under single lugs, up to twice that at 5 cm, is not
    in it.
    """
    load, area = np.asarray(load_n, dtype=np.float64), np.asarray(area_m2, dtype=np.float64)
    mean = np.divide(load, area, out=np.zeros(np.broadcast(load, area).shape), where=area > 0.0)
    floor = np.where(load > 0.0, 1.4 * np.asarray(pressure_pa, dtype=np.float64), 0.0)
    return np.asarray(np.maximum(1.5 * mean, floor))


@dataclass(frozen=True)
class AreaModel:
    """One contact-area model: its function, where it holds (load [N], pressure [Pa]), its source and how
    sure that is."""

    name: str
    area: Callable[[Tyre, ArrayLike, ArrayLike], Floats]
    load_range_n: tuple[float, float]
    pressure_range_pa: tuple[float, float]
    source: str
    mark: Literal["found", "derived", "memory"]


_SINGLE_TYRES = ((5e3, 60e3), (50e3, 300e3))

#: Models by name. Ranges are those of the single agricultural tyres that the models were made from or held
#: against.
AREA_MODELS: dict[str, AreaModel] = {
    model.name: model
    for model in (
        AreaModel(
            "area_osullivan_1999_soft",
            area_osullivan_1999_soft,
            *_SINGLE_TYRES,
            "O'Sullivan, Henshall & Dickson 1999, Soil Till. Res. 49:325",
            "memory",
        ),
        AreaModel(
            "area_osullivan_1999_rigid",
            area_osullivan_1999_rigid,
            *_SINGLE_TYRES,
            "O'Sullivan, Henshall & Dickson 1999, Soil Till. Res. 49:325",
            "memory",
        ),
        AreaModel(
            "area_pressure_only",
            area_pressure_only,
            (11e3, 33e3),
            (70e3, 150e3),
            "Arvidsson & Keller 2007, abstract: at the recommended pressure, hard surface",
            "found",
        ),
        AreaModel(
            "area_blend",
            area_blend,
            *_SINGLE_TYRES,
            "ours, fitted to areas measured at Aarslev and by Schjoenning et al. 2008",
            "derived",
        ),
        AreaModel(
            "area_firm",
            area_firm,
            *_SINGLE_TYRES,
            "ours, bounds of the other models for dry, firm ground",
            "derived",
        ),
    )
}
