"""Shapes of the contact stress under a wheel, by name, and the stress beneath each, on and off the axis.

The alternates to the quartic shape of the central run. Small loads on a polar grid are summed (Soehne 1953),
each spreading by Froehlich's law (1934); plain numpy, so that one wheel is answered without compiled code.
`stress.py` sums the quartic shape in another way: tests hold the two against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)

#: Points around the circle per radius over depth: the error of the sum falls as exp(-this).
_TURN = 14.0


@dataclass(frozen=True)
class Shape:
    """One shape of contact stress: it falls from the middle with a power of the radius, to zero at the edge.

    Attributes
    ----------
    name : uniform, quartic or parabolic
    power : exponent of the radius; inf is an even stress
    nu_range : concentration factors for which the sum is held against closed forms
    meaning : for what soil
    source, mark : where it comes from and how sure that is
    """

    name: str
    power: float
    nu_range: tuple[float, float]
    meaning: str
    source: str
    mark: Literal["found", "derived", "memory"]

    @property
    def peak(self) -> float:
        """Highest over mean stress (-), by load balance: (power + 2) / power."""
        return 1.0 if math.isinf(self.power) else (self.power + 2.0) / self.power


#: Shapes by name; quartic is the central run.
SHAPES: dict[str, Shape] = {
    shape.name: shape
    for shape in (
        Shape("uniform", math.inf, (3.0, 6.0), "hard ground",
              "Soehne 1953: nearly even on hard soil", "memory"),
        Shape("quartic", 4.0, (3.0, 6.0), "normal ground; 1.4 times the pressure at 10 cm as measured",
              "Soehne 1953; peak held against Arvidsson & Keller 2007", "memory"),
        Shape("parabolic", 2.0, (3.0, 6.0), "soft ground, or a hard tyre",
              "Soehne 1953: second power on soft soil", "memory"),
    )
}  # fmt: skip


def _contact(shape: Shape, mean_pa: float, share: Floats) -> Floats:
    """Return the contact stress [Pa] at radii given as shares of the contact's radius (0..1)."""
    even = np.ones_like(share) if math.isinf(shape.power) else 1.0 - share**shape.power
    return np.asarray(mean_pa * shape.peak * even)


def stress_circle(
    shape: Shape, load_n: float, area_m2: float, offset_m: ArrayLike, depth_m: float, nu: float
) -> Floats:
    """Return the vertical stress [Pa] under a circular contact, shape of `offset_m`.

    Parameters
    ----------
    shape : one of `SHAPES`
    load_n, area_m2 : load and contact area; zero or less gives zero stress
    offset_m : horizontal distances from the middle of the contact [m]
    depth_m : depth below the surface on which the wheel stands [m]; at zero the contact stress itself
    nu : concentration factor, within the shape's range

    Raises
    ------
    ValueError : when nu is out of the shape's range

    Notes
    -----
    Froehlich 1934; Soehne 1953 (Grundl. Landtechn. 5:49). Within 0.1 % from 2 cm depth on.

    Examples
    --------
    >>> round(float(stress_circle(SHAPES["quartic"], 60e3, 0.6, 0.0, 0.5, 5)) / 1e3, 1)
    92.4
    """
    low, high = shape.nu_range
    if not low <= nu <= high:
        raise ValueError(f"concentration factor must be from {low:g} to {high:g}, found {nu!r}")
    r = np.abs(np.asarray(offset_m, dtype=np.float64))
    if load_n <= 0.0 or area_m2 <= 0.0:
        return np.zeros(r.shape)
    a, z = math.sqrt(area_m2 / math.pi), float(depth_m)
    mean = load_n / area_m2
    if z < 1e-3 * a:
        return np.where(r < a, _contact(shape, mean, np.minimum(r / a, 1.0)), 0.0)
    rows = r.reshape(-1, 1, 1)
    # radii in a variable that follows the peak beside the point asked for; angles over half a turn
    low_t, high_t = np.arcsinh(-rows / z), np.arcsinh((a - rows) / z)
    half = 0.5 * (high_t - low_t)
    t = 0.5 * (high_t + low_t) + half * _NODES[:, None]
    rho = np.clip(rows + z * np.sinh(t), 0.0, a)
    ring = half * _WEIGHTS[:, None] * z * np.cosh(t) * rho * _contact(shape, mean, rho / a)
    count = int(np.clip(_TURN * max(float(r.max(initial=0.0)), a) / z, 24, 4096)) + 1
    angle = np.linspace(0.0, math.pi, count)
    turn = np.full(count, 2.0 * math.pi / (count - 1))
    turn[[0, -1]] *= 0.5
    distance2 = rows * rows + rho * rho - 2.0 * rows * rho * np.cos(angle) + z * z
    around = (distance2 ** (-0.5 * (nu + 2.0)) * turn).sum(axis=2)
    return np.asarray((nu * z**nu / (2.0 * math.pi) * (ring[:, :, 0] * around).sum(axis=1)).reshape(r.shape))
