"""Shapes of the contact stress under a wheel or track, by name, and the stress beneath, on and off the axis.

The alternates to the quartic shape of the central run. Small loads are summed (Soehne 1953), each spreading by
Froehlich's law (1934); plain numpy, so that one wheel is answered without compiled code. `stress.py` sums the
quartic shape and the track in other ways: tests hold the two against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)

#: Length along the track on which a roller presses [m], and the share of the load that goes through the
#: rollers. Ours.
ROLLER_M = 0.20
ROLLER_SHARE = 0.5

#: Places along half a track where its highest stress is looked for.
_PLACES = 33

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


def stress_belt(
    load_n: float,
    width_m: float,
    length_m: float,
    rollers: int,
    offset_m: ArrayLike,
    depth_m: float,
    nu: float,
) -> Floats:
    """Return the highest vertical stress [Pa] along a rubber track, shape of `offset_m`.

    The model of `stress.stress_track`: half of the load through the rollers, half even over the belt.

    Parameters
    ----------
    load_n : load on the track [N]
    width_m, length_m, rollers : the belt on the ground; 0 rollers spread the whole load evenly
    offset_m : lateral distances from the middle of the belt [m]
    depth_m : depth, above 0 [m]
    nu : concentration factor, 3 to 6

    Notes
    -----
    Froehlich 1934, integrated over the rectangles. Within 0.1 % from 5 cm depth on.

    Examples
    --------
    >>> round(float(stress_belt(60e3, 0.6, 1.8, 0, 0.0, 0.5, 5)) / 1e3, 1)
    42.1
    """
    reach = max(0.5 * (length_m - ROLLER_M), 0.0)
    centres = np.linspace(-reach, reach, rollers) if rollers > 1 else np.zeros(rollers)
    middles = np.concatenate([[0.0], centres])
    halves = np.concatenate([[0.5 * length_m], np.full(rollers, 0.5 * ROLLER_M)])
    through = ROLLER_SHARE if rollers > 0 else 0.0
    even = (1.0 - through) / (width_m * length_m)
    pressed = through / (width_m * ROLLER_M * max(rollers, 1))
    stress = load_n * np.concatenate([[even], np.full(rollers, pressed)])
    places = np.unique(np.concatenate([np.linspace(0.0, reach, _PLACES), centres[centres >= 0.0]]))
    away = np.abs(np.asarray(offset_m, dtype=np.float64))
    z = max(float(depth_m), 1e-3)
    # across the belt, then along each rectangle, both in variables that follow the peak beside the point
    across = away.reshape(-1, 1, 1, 1, 1)
    y, step_y = _nodes(-0.5 * width_m - across, 0.5 * width_m - across, np.full((1, 1, 1, 1, 1), z), -1)
    c = np.sqrt(y * y + z * z)
    from_place = middles[:, None, None] - places[:, None, None, None]
    x, step_x = _nodes(from_place - halves[:, None, None], from_place + halves[:, None, None], c, -2)
    line = (step_x * (x * x + c * c) ** (-0.5 * (nu + 2.0)) * step_y).sum(axis=(-1, -2))
    found = nu * z**nu / (2.0 * math.pi) * (line * stress).sum(axis=-1).max(axis=-1)
    return np.asarray(found.reshape(away.shape))


def _nodes(low: Floats, high: Floats, scale: Floats, axis: int) -> tuple[Floats, Floats]:
    """Return Gauss nodes from `low` to `high`, laid along `axis` in asinh(x / scale), and their weights."""
    shape = [1] * 5
    shape[axis] = _NODES.size
    first, last = np.arcsinh(low / scale), np.arcsinh(high / scale)
    half = 0.5 * (last - first)
    t = 0.5 * (last + first) + half * _NODES.reshape(shape)
    return np.asarray(scale * np.sinh(t)), np.asarray(half * _WEIGHTS.reshape(shape) * scale * np.cosh(t))
