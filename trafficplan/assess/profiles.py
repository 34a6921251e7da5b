"""Stress against strength beneath the heaviest wheel of each outfit, for the charts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trafficplan.assess.summary import WheelProfile
from trafficplan.farm.defaults import MOISTURE_PA
from trafficplan.farm.operation import Operation
from trafficplan.farm.water import BY_BALANCE
from trafficplan.machines.contact import contact_area, upper_area
from trafficplan.machines.outfit import Axle
from trafficplan.routes.passes import Pass
from trafficplan.soil.stress import stress_quartic, stress_track
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import OperationEvents
from trafficplan.units import BAR, GRAVITY, KPA

#: The upper run (contact area = load / pressure) stands beside the central one above this depth [m].
UPPER_TO_M = 0.6


def beneath(
    axle: Axle, load_n: float, pressure_pa: float, depths_m: Sequence[float], nu: Sequence[float], upper: bool = False
) -> list[float]:
    """Return the stress under the middle of an axle's first wheel, all its wheels superposed [Pa].

    Parameters
    ----------
    load_n : axle load, shared equally [N]
    nu : concentration factor per depth
    upper : take the upper run of the contact area
    """
    share = load_n / len(axle.wheels)
    out = []
    for depth, factor in zip(depths_m, nu, strict=True):
        total = 0.0
        for wheel in axle.wheels:
            away = abs(wheel.offset_m - axle.wheels[0].offset_m)
            tyre = wheel.tyre
            if tyre.kind == "track":
                total += float(
                    stress_track(share, tyre.width_m, tyre.track_length_m, tyre.rollers, away, depth, factor)
                )
            else:
                area = (upper_area if upper else contact_area)(tyre, share, pressure_pa)
                total += float(stress_quartic(share, area, away, depth, factor))
        out.append(total)
    return out


def _heaviest(passes: Sequence[Pass]) -> tuple[Pass, float] | None:
    loads = [(one, float(one.load_n.max())) for one in passes if len(one.load_n) and len(one.axle.wheels)]
    return max(loads, key=lambda pair: pair[1] / len(pair[0].axle.wheels)) if loads else None


def _moisture_words(operation: Operation, soils: Sequence[SoilDay]) -> str:
    """Return where the moisture of an operation comes from: as it was given, by the water balance, or assumed."""
    if operation.moisture is not None:
        return operation.moisture.words
    tensions = np.stack([soil.tension_pa for soil in soils])
    if np.all(tensions == MOISTURE_PA):
        return "moulds (assumed)"
    low, high = (f"{one / KPA:.0f}" for one in (tensions[:, -1].min(), tensions[:, -1].max()))
    return f"by the {BY_BALANCE} (deep layer {low if low == high else f'{low} to {high}'} kPa)"


def wheel_profiles(
    operations: Sequence[Operation], events: Sequence[OperationEvents], depths_m: tuple[float, ...]
) -> tuple[WheelProfile, ...]:
    """Return one profile per outfit: its heaviest wheel over the season, with the strength of the soils of that day."""
    best: dict[str, tuple[float, WheelProfile]] = {}
    for operation, event in zip(operations, events, strict=True):
        found = _heaviest(event.passes)
        if found is None or not event.soils:
            continue
        one, load = found
        wheel_kg = load / len(one.axle.wheels) / GRAVITY
        if operation.outfit in best and best[operation.outfit][0] >= wheel_kg:
            continue
        nu = np.max([soil.nu for soil in event.soils], axis=0)
        central = beneath(one.axle, load, one.pressure_pa, depths_m, nu)
        upper = beneath(one.axle, load, one.pressure_pa, depths_m, nu, upper=True)
        strength = np.stack([soil.strength_pa for soil in event.soils]) / KPA
        best[operation.outfit] = (
            wheel_kg,
            WheelProfile(
                outfit=operation.outfit,
                axle=one.axle.key,
                operation=operation.key,
                wheel_load_kg=wheel_kg,
                pressure_bar=one.pressure_pa / BAR,
                moisture=_moisture_words(operation, event.soils),
                depths_m=depths_m,
                stress_kpa=tuple(v / KPA for v in central),
                upper_kpa=tuple(
                    max(c, u) / KPA if d <= UPPER_TO_M else c / KPA
                    for c, u, d in zip(central, upper, depths_m, strict=True)
                ),
                strength_low_kpa=tuple(float(v) for v in strength.min(axis=0)),
                strength_high_kpa=tuple(float(v) for v in strength.max(axis=0)),
            ),
        )
    return tuple(profile for _, profile in best.values())
