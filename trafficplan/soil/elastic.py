"""Closed forms of vertical stress in an elastic half-space: points, lines, strips, rectangles, circles on
their axis.

They are what the sums of `stress.py` are held against, and quick answers below the centre of one wheel. SI
units; arguments broadcast. `nu` is Froehlich's concentration factor, 3 is the elastic case.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

Floats = NDArray[np.float64]


def _floats(*values: ArrayLike) -> list[Floats]:
    return [np.asarray(value, dtype=np.float64) for value in values]


def point_boussinesq_1885(load_n: ArrayLike, offset_m: ArrayLike, depth_m: ArrayLike) -> Floats:
    """Return the stress under a point load [Pa], 3 Q z^3 / (2 pi R^5).

    Examples
    --------
    >>> round(float(point_boussinesq_1885(1.0, 0.0, 1.0)), 5)
    0.47746
    """
    return point_froehlich_1934(load_n, offset_m, depth_m, 3.0)


def point_froehlich_1934(load_n: ArrayLike, offset_m: ArrayLike, depth_m: ArrayLike, nu: ArrayLike) -> Floats:
    """Return the stress under a point load [Pa], nu Q z^nu / (2 pi R^(nu+2)); the vertical force is kept
    for every nu."""
    Q, r, z, n = _floats(load_n, offset_m, depth_m, nu)
    R2 = r * r + z * z
    return np.asarray(n * Q * (z * z / R2) ** (0.5 * n) / (2.0 * np.pi * R2))


def line_froehlich_1934(load_n_m: ArrayLike, offset_m: ArrayLike, depth_m: ArrayLike, nu: ArrayLike) -> Floats:
    """Return the stress under an endless line load [Pa]; load per length [N/m]."""
    q, x, z, n = _floats(load_n_m, offset_m, depth_m, nu)
    factor = n * gamma(0.5 * (n + 1.0)) / (2.0 * np.sqrt(np.pi) * gamma(0.5 * (n + 2.0)))
    return np.asarray(factor * q * z**n / (x * x + z * z) ** (0.5 * (n + 1.0)))


def strip_uniform(
    pressure_pa: ArrayLike, width_m: ArrayLike, offset_m: ArrayLike, depth_m: ArrayLike, nu: int = 3
) -> Floats:
    """Return the stress under an endless strip with even contact stress [Pa]; `nu` whole.

    The line load integrated across the strip; for nu = 3 the textbook form of Boussinesq's strip.
    """
    p, b, x, z = _floats(pressure_pa, width_m, offset_m, depth_m)
    right, left = np.arctan((0.5 * b - x) / z), np.arctan((-0.5 * b - x) / z)
    line = line_froehlich_1934(1.0, 0.0, 1.0, nu)
    return np.asarray(p * line * (_cosine_integral(right, nu - 1) - _cosine_integral(left, nu - 1)))


def _cosine_integral(angle: Floats, power: int) -> Floats:
    """Return the integral of cos^power from 0 to the angle, by the reduction formula."""
    if power == 0:
        return angle
    if power == 1:
        return np.asarray(np.sin(angle))
    whole = np.cos(angle) ** (power - 1) * np.sin(angle) / power
    return np.asarray(whole + (power - 1) / power * _cosine_integral(angle, power - 2))


def corner_newmark_1935(pressure_pa: ArrayLike, width_m: ArrayLike, length_m: ArrayLike, depth_m: ArrayLike) -> Floats:
    """Return the stress below the corner of a rectangle with even contact stress [Pa], nu = 3.

    Newmark 1935, charted by Fadum 1948. Other points by adding and subtracting corners. The arc tangent
    takes two arguments: the usual one-argument form breaks when m^2 n^2 exceeds m^2 + n^2 + 1.
    """
    q, B, L, z = _floats(pressure_pa, width_m, length_m, depth_m)
    m, n = B / z, L / z
    S = m * m + n * n + 1.0
    mn2 = m * m * n * n
    root = 2.0 * m * n * np.sqrt(S)
    return np.asarray(q / (4.0 * np.pi) * (root / (S + mn2) * (S + 1.0) / S + np.arctan2(root, S - mn2)))


def circle_uniform_axis(pressure_pa: ArrayLike, radius_m: ArrayLike, depth_m: ArrayLike, nu: ArrayLike) -> Floats:
    """Return the stress on the axis of a circle with even contact stress [Pa] (Froehlich 1934, integrated).

    Examples
    --------
    >>> round(float(circle_uniform_axis(1.0, 1.0, 1.0, 5)), 5)
    0.82322
    """
    p, a, z, n = _floats(pressure_pa, radius_m, depth_m, nu)
    return np.asarray(p * (1.0 - (z * z / (a * a + z * z)) ** (0.5 * n)))


def circle_parabolic_axis(load_n: ArrayLike, area_m2: ArrayLike, depth_m: ArrayLike, nu: ArrayLike) -> Floats:
    """Return the stress on the axis of a circle whose contact stress is a parabola with peak 2 F/A [Pa]; nu
    above 2."""
    F, A, z, n = _floats(load_n, area_m2, depth_m, nu)
    a2 = A / np.pi
    c = z / np.sqrt(a2 + z * z)
    first = (1.0 + z * z / a2) * (1.0 - c**n)
    second = n * z * z / (a2 * (n - 2.0)) * (1.0 - c ** (n - 2.0))
    return np.asarray(2.0 * F / A * (first - second))


def circle_quartic_axis(load_n: ArrayLike, area_m2: ArrayLike, depth_m: ArrayLike, nu: ArrayLike) -> Floats:
    """Return the stress on the axis of a circle whose contact stress falls with the fourth power of the
    radius [Pa].

    Peak 1.5 F/A (Soehne 1953: normal soil). Depth above 0; loses digits below about 30 radii. nu above 2.
    """
    F, A, z, n = _floats(load_n, area_m2, depth_m, nu)
    a2 = A / np.pi
    k = z * z / a2
    c = z / np.sqrt(a2 + z * z)
    # (nu z^nu / a^4) [G(R) - G(z)] of the antiderivative G, written with c = z / R
    near4 = np.abs(n - 4.0) < 1e-9
    power = np.where(near4, 1.0, n - 4.0)
    fourth = np.where(near4, -np.log(c), (1.0 - c**power) / power)
    second = 2.0 * (1.0 - c ** (n - 2.0)) / (n - 2.0)
    rest = n * k * k * (fourth - second + (1.0 - c**n) / n)
    return np.asarray(1.5 * F / A * ((1.0 - c**n) - rest))
