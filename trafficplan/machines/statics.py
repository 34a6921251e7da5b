"""Statics of tractors and trailers: axle loads from masses, hitch load, pull, grade and side slope.

All of it is rigid and at rest. Liquids slosh, ruts and turning lower stability a lot: nothing here is a
safe slope.
"""

from __future__ import annotations

import math

from trafficplan.units import GRAVITY


def tractor_axles(
    mass_kg: float,
    wheelbase_m: float,
    centre_ahead_m: float,
    hitch_behind_m: float = 0.0,
    hitch_high_m: float = 0.0,
    hitch_n: float = 0.0,
    pull_n: float = 0.0,
    grade: float = 0.0,
    centre_high_m: float = 0.0,
) -> tuple[float, float]:
    """Return the front and rear axle load of a two-axle tractor [N] by the moments about its rear axle.

    Parameters
    ----------
    mass_kg, wheelbase_m : tractor's own mass and wheelbase
    centre_ahead_m, centre_high_m : centre of gravity ahead of the rear axle and above ground [m]
    hitch_behind_m, hitch_high_m : hitch behind the rear axle and above ground [m]
    hitch_n, pull_n : vertical load on the hitch and horizontal pull [N]
    grade : angle uphill [rad]

    Examples
    --------
    >>> front, rear = tractor_axles(8000, 2.8, 1.15, 1.0, 0.5, 2000 * 9.80665, 20e3)
    >>> round(front / 1e3, 3), round(rear / 1e3, 3)
    (21.646, 76.421)
    """
    weight = mass_kg * GRAVITY
    across, along = weight * math.cos(grade), weight * math.sin(grade)
    front = (
        across * centre_ahead_m - along * centre_high_m - hitch_n * hitch_behind_m - pull_n * hitch_high_m
    ) / wheelbase_m
    return front, across + hitch_n - front


def front_axle_with_implement(
    front_n: float,
    wheelbase_m: float,
    ballast_n: float,
    ballast_ahead_m: float,
    implement_n: float,
    implement_behind_m: float,
) -> float:
    """Return the front axle load [N] with front ballast and a mounted rear implement.

    Parameters
    ----------
    front_n : front axle load of the bare tractor [N]
    ballast_n, ballast_ahead_m : front ballast and its distance ahead of the front axle [N, m]
    implement_n, implement_behind_m : rear implement and its centre of gravity behind the rear axle [N, m]
    """
    moment = ballast_n * (ballast_ahead_m + wheelbase_m) + front_n * wheelbase_m - implement_n * implement_behind_m
    return moment / wheelbase_m


def trailer_axles(load: float, eye_to_centre_m: float, eye_to_axle_m: float) -> tuple[float, float]:
    """Return what rests on the axle (or compensated bogie) and on the eye, in the unit of `load`; the eye
    can go negative.

    Examples
    --------
    >>> tuple(round(part, 2) for part in trailer_axles(18.0, 5.4, 6.0))
    (16.2, 1.8)
    """
    axle = load * eye_to_centre_m / eye_to_axle_m
    return axle, load - axle


def trailer_of_weighings(alone: float, coupled: float, axles: float) -> tuple[float, float]:
    """Return eye load and trailer mass from three weighings: axle loads alone miss the eye load.

    Parameters
    ----------
    alone, coupled : the tractor on the scale without and with the trailer hitched
    axles : sum of the trailer's axle loads, hitched
    """
    eye = coupled - alone
    return eye, axles + eye


def downhill_share(side_slope: float, track_m: float, centre_high_m: float) -> float:
    """Return the part of the weight that the downhill wheels carry across a side slope [rad]; static and
    rigid.

    Never a safe angle: see the module's first lines.

    Examples
    --------
    >>> round(downhill_share(math.radians(10), 2.0, 1.6), 3)
    0.631
    """
    return 0.5 * math.cos(side_slope) + centre_high_m / track_m * math.sin(side_slope)
