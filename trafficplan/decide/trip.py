"""The trip of an outfit: legs, the heaviest state of every axle on each, hitch load and limits.

Axle loads are those of the scale, hitched: a load on a hitch behind the rear axle presses that axle by more
than itself and lightens the front one. While a body empties its load may shift to another axle, so every
state from full to empty is looked at, and the heaviest wheel of each axle counts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.farm import defaults
from trafficplan.machines.loads import axle_loads
from trafficplan.machines.outfit import Axle, Outfit, Vehicle
from trafficplan.machines.statics import downhill_share
from trafficplan.names import Note
from trafficplan.units import GRAVITY

Floats = NDArray[np.float64]

#: Height above ground of the hitch, and of the centre of gravity of a tractor and a loaded drawn vehicle [m]
#: (common practice, no source).
HITCH_HIGH_M = 0.5
CENTRE_HIGH_M = {"powered": 1.1, "carried": 1.1, "drawn": 1.6}

#: Least share of a tractor's mass on its steering axle (found: Danish road rules).
STEERING_SHARE = 0.20

#: Side slope (rise over run) above which no lowest pressure is advised.
STEEPEST = 0.10

#: States of the body that are looked at between empty and full.
STATES = 21


@dataclass(frozen=True)
class Leg:
    """One leg of the trip: its name, speed [m/s], and whether it runs on the field's soil."""

    name: str
    speed_m_s: float
    on_soil: bool


@dataclass(frozen=True)
class AxleLoad:
    """The heaviest state of one axle on one kind of leg.

    Attributes
    ----------
    load_n : axle load with what the pull adds [N]
    pull_n : what the drawbar pull adds to it [N]
    board_kg : product on board in that state
    downhill : share of the load on the wheels of the lower side (0.5 on level ground)
    """

    axle: Axle
    kind: str
    load_n: float
    pull_n: float
    board_kg: float
    downhill: float = 0.5

    def wheels_on_a_side(self) -> int:
        """Return how many wheels share a side."""
        return max(1, len(self.axle.wheels) // 2)

    def wheel_n(self) -> float:
        """Return the load of the heaviest wheel [N]."""
        if len(self.axle.wheels) == 1:
            return self.load_n
        return self.load_n * self.downhill / self.wheels_on_a_side()

    def wheels_n(self) -> Floats:
        """Return the load of every wheel [N], in the order of the wheels; the left side stands lower."""
        if len(self.axle.wheels) == 1:
            return np.array([self.load_n])
        each = self.load_n / self.wheels_on_a_side()
        return np.array([each * (self.downhill if w.offset_m > 0 else 1 - self.downhill) for w in self.axle.wheels])


@dataclass(frozen=True)
class Hitch:
    """Load on the hitch while the body empties [N], and its limit."""

    full_n: float
    empty_n: float
    least_n: float
    most_n: float
    limit_n: float | None


def heaviest(outfit: Outfit, load_kg: float, on_soil: bool, pull_n: float, slope: float) -> tuple[AxleLoad, ...]:
    """Return the heaviest state of every axle, front to back.

    Parameters
    ----------
    load_kg : product on board at the start
    on_soil : in the field the body passes through every state; on the track it is full or empty
    pull_n : drawbar pull [N]; it presses the rear axle of the powered vehicle
    slope : side slope, rise over run

    Examples
    --------
    >>> from trafficplan.machines.outfit import Axle, Outfit, Vehicle, Wheel
    >>> from trafficplan.machines.tyre import tyre_from_code
    >>> wheels = tuple(Wheel(tyre_from_code("650/65R38"), side) for side in (1.0, -1.0))
    >>> axles = Axle("front", -2.8, wheels, 40e3, 30e3, 1e5, 1e5), Axle("rear", 0.0, wheels, 50e3, 90e3, 1e5, 1e5)
    >>> outfit = Outfit("box", "Box", (Vehicle("tractor", "powered", axles),), capacity_kg=3000.0)
    >>> [round(one.load_n) for one in heaviest(outfit, 3000.0, on_soil=True, pull_n=0.0, slope=0.0)]
    [40000, 90000]
    """
    boards, loads = states_of(outfit, load_kg, STATES if on_soil else 2)
    found: list[AxleLoad] = []
    for vehicle in outfit.vehicles:
        for axle in vehicle.axles:
            states = loads[len(found)]
            worst = int(np.flatnonzero(states >= states.max() * (1 - 1e-9))[-1])
            extra = pull_transfer(vehicle, pull_n) if axle is vehicle.axles[-1] else 0.0
            found.append(
                AxleLoad(axle, vehicle.kind, float(states[worst]) + extra, extra, float(boards[worst]),
                         _downhill(axle, vehicle, slope))
            )  # fmt: skip
    return tuple(found)


def states_of(outfit: Outfit, load_kg: float, count: int = STATES) -> tuple[Floats, Floats]:
    """Return product on board (n,) [kg] and axle loads (axles, n) [N] from empty to the load at the start.

    A load below the capacity may lie evenly at the start, or at one end as while emptying: both are there, the
    even one last.
    """
    boards = np.linspace(0.0, load_kg, count)
    even = axle_loads(replace(outfit, empties="even"), load_kg)
    return np.append(boards, load_kg), np.concatenate([axle_loads(outfit, boards), even[:, None]], axis=1)


def pull_transfer(vehicle: Vehicle, pull_n: float) -> float:
    """Return what a drawbar pull takes off the front axle of a powered vehicle and puts on its rear [N]."""
    if vehicle.kind != "powered" or len(vehicle.axles) < 2:
        return 0.0
    wheelbase = vehicle.axles[-1].behind_m - vehicle.axles[0].behind_m
    return pull_n * HITCH_HIGH_M / wheelbase if wheelbase > 0 else 0.0


def _downhill(axle: Axle, vehicle: Vehicle, slope: float) -> float:
    if slope <= 0 or len(axle.wheels) < 2:
        return 0.5
    offsets = [abs(wheel.offset_m) for wheel in axle.wheels]
    share = downhill_share(math.atan(slope), 2 * sum(offsets) / len(offsets), CENTRE_HIGH_M[vehicle.kind])
    return min(share, 1.0)


def hitch_load(
    outfit: Outfit, load_kg: float, given: Mapping[str, float | str] | None = None
) -> tuple[Hitch, Note] | None:
    """Return the load on the hitch through the emptying, and what was assumed; None without a drawn vehicle.

    What the load adds follows from the weighed axles: the axles in front of the hitch carry it. What the
    empty vehicle rests on the hitch is not on an axle ticket and is taken as a share of its mass.
    """
    puller = next((i for i, v in enumerate(outfit.vehicles[1:]) if v.kind == "drawn" and v.axles), None)
    if puller is None:
        return None
    before = sum(len(vehicle.axles) for vehicle in outfit.vehicles[: puller + 1])
    _, loads = states_of(outfit, load_kg)
    share = defaults.number("hitch_empty_share", given)
    empty = share / (1.0 - share) * float(loads[before:, 0].sum())
    states = empty + loads[:before].sum(axis=0) - float(loads[:before, 0].sum())
    limit = outfit.vehicles[puller].hitch_limit_n
    note = defaults.note("hitch_empty_share", f"outfit {outfit.key}", given)
    return Hitch(float(states[-1]), empty, float(states.min()), float(states.max()), limit), note


def limits(outfit: Outfit, load_kg: float, hitch: Hitch | None, shift_n: float) -> tuple[Note, ...]:
    """Return warnings: hitch over its limit or lifted while emptying, too little on the steering axle, plates.

    `shift_n` is what the pull takes off the front axle and puts on the rear one (`pull_transfer`) [N].
    """
    found: list[Note] = []
    if hitch is not None and hitch.limit_n is not None and hitch.most_n > hitch.limit_n:
        found.append(
            Note("warned", "hitch load", f"{_t(hitch.most_n)} on a hitch for {_t(hitch.limit_n)}",
                 "over the plated limit", "axle loads, hitch load of the empty vehicle assumed")
        )  # fmt: skip
    if hitch is not None and hitch.least_n < 0:
        found.append(
            Note("warned", "hitch load while emptying", f"{_t(hitch.least_n)}: it pulls the hitch upwards",
                 "the load stands behind the axle before the body is empty; the tractor's rear loses grip",
                 "axle loads, hitch load of the empty vehicle assumed")
        )  # fmt: skip
    share = steering_share(outfit, load_kg, shift_n)
    if share is not None and share <= 0:
        found.append(
            Note("warned", "steering axle", "lifted by the pull", "the outfit cannot pull that: it would rear up",
                 "statics at the assumed hitch height")
        )  # fmt: skip
    elif share is not None and share < STEERING_SHARE:
        found.append(
            Note("warned", "steering axle", f"{100 * share:.0f} % of the tractor's mass",
                 f"under {100 * STEERING_SHARE:.0f} % it may not steer or brake well", "Danish road rules")
        )  # fmt: skip
    rear = outfit.vehicles[0].axles[-1] if outfit.vehicles and outfit.vehicles[0].axles else None
    if shift_n > 0 and rear is not None and rear.plated_n is not None:
        most = float(states_of(outfit, load_kg)[1][len(outfit.vehicles[0].axles) - 1].max()) + shift_n
        if most > rear.plated_n:
            found.append(
                Note("warned", f"axle {rear.key} while pulling", f"{_t(most)} on a plate of {_t(rear.plated_n)}",
                     "the pull presses it over its plate", "statics at the assumed hitch height")
            )  # fmt: skip
    return tuple(found)


def steering_share(outfit: Outfit, load_kg: float, shift_n: float) -> float | None:
    """Return the least share of the powered vehicle's mass on its front axle while pulling; None with one axle.

    `shift_n` as in `limits`; not above zero: the front axle lifts.
    """
    first = outfit.vehicles[0]
    if first.kind != "powered" or len(first.axles) < 2:
        return None
    loads = states_of(outfit, load_kg)[1][: len(first.axles)]
    return float(((loads[0] - shift_n) / loads.sum(axis=0)).min())


def over_plate(outfit: Outfit, load_kg: float) -> list[tuple[Axle, float]]:
    """Return the axles that are over their plate in some state, with their highest load [N]."""
    most = states_of(outfit, load_kg)[1].max(axis=1)
    return [
        (axle, float(load))
        for axle, load in zip(outfit.axles(), most, strict=True)
        if axle.plated_n is not None and load > axle.plated_n * (1 + 1e-9)
    ]


def most_within_plates(outfit: Outfit, load_kg: float) -> float:
    """Return the largest load up to `load_kg` at which no axle is over its plate [kg]; 0 if none."""
    if not over_plate(outfit, load_kg):
        return load_kg
    low, high = 0.0, load_kg
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if over_plate(outfit, middle) else (middle, high)
    return low


def _t(force_n: float) -> str:
    return f"{force_n / GRAVITY / 1e3:.1f} t"
