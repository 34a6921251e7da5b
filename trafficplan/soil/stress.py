"""Vertical stress under wheels and tracks, on and off the axis, for the concentration factors 3 to 6.

The contact area is split into point loads (Soehne 1953) that spread by Froehlich's law (1934). Rings of the
circular contact are summed around the circle in closed form (Legendre functions, elliptic integrals for odd
concentration factors), then across the rings by Gauss quadrature in a variable that follows the peak under
the point asked for.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trafficplan.compiled import njit
from trafficplan.soil.shapes import ROLLER_M, ROLLER_SHARE

Floats = NDArray[np.float64]

#: Concentration factors (whole numbers) that the ring and roller sums are made for.
NU_RANGE = (3, 6)

#: Depth at which the search for a stress line ends [m].
DEEPEST_M = 5.0

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(18)


@njit(cache=True, nogil=True)
def _ring(r: float, rho: float, z: float, nu: int) -> float:
    """Return the integral over a full turn of (r^2 + rho^2 - 2 r rho cos t + z^2)^(-(nu+2)/2)."""
    far = (r + rho) ** 2 + z * z
    near = (r - rho) ** 2 + z * z
    S = far * near
    A = 0.5 * (far + near)
    if nu == 4:
        return math.pi * (3.0 * A * A - S) / (S * S * math.sqrt(S))
    if nu == 6:
        return math.pi * A * (5.0 * A * A - 3.0 * S) / (S * S * S * math.sqrt(S))
    # odd nu: complete elliptic integrals by the arithmetic-geometric mean, then the recurrence of Legendre
    # functions
    a = 1.0
    g = math.sqrt(near / far)
    c2 = 1.0 - near / far
    power = 0.5
    total = power * c2
    while abs(a - g) > 1e-9 * a:
        c = 0.5 * (a - g)
        a, g = 0.5 * (a + g), math.sqrt(a * g)
        power *= 2.0
        total += power * c * c
    K = math.pi / (2.0 * a)
    E = K * (1.0 - total)
    half = 4.0 * K / math.sqrt(far)
    three = 4.0 * E / (math.sqrt(far) * near)
    five = (2.0 * A * three - 0.5 * half) / (1.5 * S)
    if nu == 3:
        return five
    return (4.0 * A * five - 1.5 * three) / (2.5 * S)


@njit(cache=True, nogil=True)
def quartic_at(load: float, area: float, offset: float, depth: float, nu: int) -> float:
    """Return what `stress_quartic` returns, for one point and compiled (for callers that are compiled
    themselves)."""
    if load <= 0.0 or area <= 0.0:
        return 0.0
    a = math.sqrt(area / math.pi)
    p0 = 1.5 * load / area
    r = abs(offset)
    z = depth
    if z < 1e-3 * a:
        return p0 * (1.0 - (r / a) ** 4) if r < a else 0.0
    low = math.asinh(-r / z)
    high = math.asinh((a - r) / z)
    middle = 0.5 * (low + high)
    half = 0.5 * (high - low)
    total = 0.0
    for i in range(_NODES.size):
        t = middle + half * _NODES[i]
        rho = r + z * math.sinh(t)
        total += _WEIGHTS[i] * (1.0 - (rho / a) ** 4) * rho * _ring(r, rho, z, nu) * math.cosh(t)
    return p0 * nu * z ** (nu + 1) / (2.0 * math.pi) * total * half


@njit(cache=True, nogil=True)
def _quartic_many(
    load: Floats, area: Floats, offset: Floats, depth: Floats, nu: NDArray[np.int64], out: Floats
) -> None:
    for i in range(out.size):
        out[i] = quartic_at(load[i], area[i], offset[i], depth[i], nu[i])


def _whole_nu(nu: ArrayLike) -> NDArray[np.int64]:
    given = np.asarray(nu, dtype=np.float64)
    whole = np.rint(given).astype(np.int64)
    if np.any(whole != given) or np.any(whole < NU_RANGE[0]) or np.any(whole > NU_RANGE[1]):
        raise ValueError(
            f"concentration factor must be a whole number from {NU_RANGE[0]} to {NU_RANGE[1]}, found {nu!r}"
        )
    return whole


def stress_quartic(
    load_n: ArrayLike, area_m2: ArrayLike, offset_m: ArrayLike, depth_m: ArrayLike, nu: ArrayLike
) -> Floats:
    """Return the vertical stress [Pa] under a circular contact whose stress falls with the fourth power of
    the radius.

    Contact stress is p0 (1 - (r/a)^4), p0 = 1.5 load/area; at depth zero it is returned itself. All
    arguments broadcast.

    Parameters
    ----------
    load_n : wheel load [N]; zero or less gives zero stress
    area_m2 : contact area [m2]
    offset_m : horizontal distance from the centre of the contact [m]
    depth_m : depth below the surface on which the wheel stands [m]
    nu : concentration factor, whole, 3 to 6

    Notes
    -----
    Froehlich 1934; Soehne 1953 (Grundl. Landtechn. 5:49). Within 0.1 % of p0's share at the point for
    depths from 2 cm on.
    """
    load, area, offset, depth, whole = np.broadcast_arrays(
        np.asarray(load_n, dtype=np.float64),
        np.asarray(area_m2, dtype=np.float64),
        np.asarray(offset_m, dtype=np.float64),
        np.asarray(depth_m, dtype=np.float64),
        _whole_nu(nu),
    )
    out = np.empty(load.shape)
    _quartic_many(
        load.flatten(),
        area.flatten(),
        offset.flatten(),
        depth.flatten(),
        whole.flatten(),
        out.reshape(-1),
    )
    return out


@njit(cache=True, nogil=True)
def _depth_many(load: Floats, area: Floats, nu: NDArray[np.int64], level: float, out: Floats) -> None:
    for i in range(out.size):
        low, high = 0.0, DEEPEST_M
        if quartic_at(load[i], area[i], 0.0, low, nu[i]) <= level:
            high = 0.0
        for _ in range(30):
            middle = 0.5 * (low + high)
            if quartic_at(load[i], area[i], 0.0, middle, nu[i]) > level:
                low = middle
            else:
                high = middle
        out[i] = 0.5 * (low + high)


def depth_reached(load_n: ArrayLike, area_m2: ArrayLike, nu: ArrayLike, level_pa: float = 50e3) -> Floats:
    """Return how deep a stress reaches below the centre of one wheel [m]; 0 where the contact stays below it.

    Parameters
    ----------
    load_n, area_m2, nu : as in `stress_quartic`; broadcast
    level_pa : stress that is followed [Pa]; 50 kPa as in the 50-50 rule (Schjoenning et al. 2012: memory).
    It needs no strength.
    """
    load, area, whole = np.broadcast_arrays(
        np.asarray(load_n, dtype=np.float64), np.asarray(area_m2, dtype=np.float64), _whole_nu(nu)
    )
    out = np.empty(load.shape)
    _depth_many(
        load.flatten(),
        area.flatten(),
        whole.flatten(),
        level_pa,
        out.reshape(-1),
    )
    return out


@njit(cache=True, nogil=True)
def _cosine_power(x: float, c2: float, nu: int) -> float:
    """Return the integral of cos^nu from 0 to atan(x / sqrt(c2))."""
    s = x / math.sqrt(x * x + c2)
    if nu == 3:
        return s - s**3 / 3.0
    if nu == 5:
        return s - 2.0 * s**3 / 3.0 + s**5 / 5.0
    c = math.sqrt(c2 / (x * x + c2))
    angle = math.atan2(s, c)
    fourth = 0.375 * angle + s * c * (0.375 + 0.25 * c * c)
    if nu == 4:
        return fourth
    return s * c**5 / 6.0 + 5.0 * fourth / 6.0


@njit(cache=True, nogil=True)
def _rectangles(
    starts: Floats, ends: Floats, shares: Floats, width: float, along: float, offset: float, z: float, nu: int
) -> float:
    """Return the stress per N under rectangles of one width that stand one behind the other and carry
    `shares` of a load."""
    low = math.asinh((-0.5 * width - offset) / z)
    high = math.asinh((0.5 * width - offset) / z)
    middle = 0.5 * (low + high)
    half = 0.5 * (high - low)
    total = 0.0
    for i in range(_NODES.size):
        t = middle + half * _NODES[i]
        y = z * math.sinh(t)
        c2 = z * z + y * y
        line = 0.0
        for k in range(starts.size):
            span = _cosine_power(ends[k] - along, c2, nu) - _cosine_power(starts[k] - along, c2, nu)
            line += shares[k] * span / (width * (ends[k] - starts[k]))
        total += _WEIGHTS[i] * line * math.cosh(t) * c2 ** (-0.5 * (nu + 1))
    return nu * z ** (nu + 1) / (2.0 * math.pi) * total * half


@njit(cache=True, nogil=True)
def _rectangle_many(
    width: float,
    length: float,
    across: Floats,
    along: Floats,
    depth: Floats,
    nu: NDArray[np.int64],
    out: Floats,
) -> None:
    starts, ends, shares = np.array([-0.5 * length]), np.array([0.5 * length]), np.ones(1)
    for i in range(out.size):
        out[i] = _rectangles(starts, ends, shares, width, along[i], across[i], depth[i], nu[i])


def stress_rectangle(
    load_n: ArrayLike,
    width_m: float,
    length_m: float,
    across_m: ArrayLike,
    along_m: ArrayLike,
    depth_m: ArrayLike,
    nu: ArrayLike,
) -> Floats:
    """Return the vertical stress [Pa] under a rectangle with even contact stress (Froehlich 1934,
    integrated).

    Parameters
    ----------
    load_n : load on the rectangle [N]
    width_m, length_m : its sides [m]
    across_m, along_m : place of the point from the rectangle's centre, along its width and its length [m]
    depth_m : depth, above 0 [m]
    nu : concentration factor, whole, 3 to 6
    """
    across, along, depth, whole = np.broadcast_arrays(
        np.asarray(across_m, dtype=np.float64),
        np.asarray(along_m, dtype=np.float64),
        np.asarray(depth_m, dtype=np.float64),
        _whole_nu(nu),
    )
    unit = np.empty(across.shape)
    _rectangle_many(
        width_m,
        length_m,
        across.flatten(),
        along.flatten(),
        depth.flatten(),
        whole.flatten(),
        unit.reshape(-1),
    )
    return np.asarray(unit * np.asarray(load_n, dtype=np.float64))


@njit(cache=True, nogil=True)
def _track_many(
    starts: Floats,
    ends: Floats,
    shares: Floats,
    width: float,
    places: Floats,
    offset: Floats,
    depth: Floats,
    nu: NDArray[np.int64],
    out: Floats,
) -> None:
    step = places[1] - places[0]
    found = np.empty(places.size)
    for i in range(out.size):
        for j in range(places.size):
            found[j] = _rectangles(starts, ends, shares, width, places[j], offset[i], depth[i], nu[i])
        j = int(np.argmax(found))
        best = found[j]
        if 0 < j < places.size - 1:
            # the top of the parabola through the highest place and its neighbours
            bend = found[j - 1] - 2.0 * best + found[j + 1]
            if bend < 0.0:
                top = places[j] + 0.5 * step * (found[j - 1] - found[j + 1]) / bend
                best = max(best, _rectangles(starts, ends, shares, width, top, offset[i], depth[i], nu[i]))
        out[i] = best


def _bearing(length_m: float, rollers: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Return starts, ends and load shares of the parts of a belt, and the places along it where to look."""
    starts, ends, shares = [-0.5 * length_m], [0.5 * length_m], [1.0]
    if rollers > 0:
        reach = max(0.5 * (length_m - ROLLER_M), 0.0) if rollers > 1 else 0.0
        centres = np.linspace(-reach, reach, rollers)
        starts += list(centres - 0.5 * ROLLER_M)
        ends += list(centres + 0.5 * ROLLER_M)
        shares = [1.0 - ROLLER_SHARE] + [ROLLER_SHARE / rollers] * rollers
    # from the middle in quarters of the rollers' spacing or less, so that each roller's centre is a place;
    # one place more beyond the outer roller, for the parabola
    steps = max(4, 2 * rollers - 2)
    places = max(0.5 * (length_m - ROLLER_M), 0.05) / steps * np.arange(steps + 2)
    return np.asarray(starts), np.asarray(ends), np.asarray(shares), np.asarray(places, dtype=np.float64)


def stress_track(
    load_n: ArrayLike,
    width_m: float,
    length_m: float,
    rollers: int,
    offset_m: ArrayLike,
    depth_m: ArrayLike,
    nu: ArrayLike,
) -> Floats:
    """Return the highest vertical stress [Pa] along a rubber track, at a lateral offset and a depth.

    Half of the load presses through the rollers (rectangles of belt width by 0.20 m, evenly spaced, the
    outer two at the ends of the belt), half is spread evenly over the belt (the shares are ours; measured
    stress rises under the rollers: Arvidsson et al. 2011, and Nebraska field plots). `load_n`, `offset_m`,
    `depth_m` and `nu` broadcast; the load only scales.

    Parameters
    ----------
    load_n : load on this track [N]
    width_m, length_m : belt on the ground [m]
    rollers : number of rollers that carry; 0 spreads the whole load evenly
    offset_m : lateral distance from the middle of the belt [m]
    depth_m : depth [m]
    nu : concentration factor, whole, 3 to 6
    """
    offset, depth, whole = np.broadcast_arrays(
        np.asarray(offset_m, dtype=np.float64), np.asarray(depth_m, dtype=np.float64), _whole_nu(nu)
    )
    starts, ends, shares, places = _bearing(length_m, rollers)
    unit = np.empty(offset.shape)
    _track_many(
        starts,
        ends,
        shares,
        width_m,
        places,
        np.abs(offset).flatten(),
        np.maximum(depth, 1e-3).flatten(),
        whole.flatten(),
        unit.reshape(-1),
    )
    return np.asarray(unit * np.maximum(np.asarray(load_n, dtype=np.float64), 0.0))
