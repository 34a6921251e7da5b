"""Tyre pressures that a log recorded: they replace the pressure that was to be set in its operation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import shapely

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log, Operation
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.recording import Floats
from trafficplan.inputs.settings import Settings
from trafficplan.machines.outfit import Outfit
from trafficplan.units import BAR

#: Fixes so far outside the field still count as in it [m]; the same distance as for drives of logs.
_BESIDE_M = 30.0
#: Pressures that differ by more than this within one drive are worth a warning [Pa]; ours.
_WIDE_PA = 0.2 * BAR


def with_recorded_pressures(
    ledger: Ledger,
    settings: Settings,
    operations: tuple[Operation, ...],
    logs: Mapping[str, Log],
    fields: Mapping[str, Field],
    outfits: Mapping[str, Outfit | None],
) -> tuple[Operation, ...]:
    """Return the operations with the pressures that their logs recorded (the median in the field).

    They stand where `pressure` of operations.csv stands, so that a scenario can still change them. The pressure is
    that of the axle that farm.toml names, else of all axles.
    """
    done = []
    for operation in operations:
        log = logs.get(operation.drive.removeprefix("track:")) if operation.drive.startswith("track:") else None
        recorded = log.pressure_pa if log is not None else None
        if log is None or recorded is None or operation.field not in fields or not np.isfinite(recorded).any():
            done.append(operation)
            continue
        axle = _axle(ledger, settings, operation, outfits.get(operation.outfit))
        values = _in_field(log, recorded, fields[operation.field])
        median = float(np.median(values))
        span = f"{values.min() / BAR:.2f} to {values.max() / BAR:.2f} bar"
        cold = "brought to cold" if log.tyre_celsius is not None else "as read, perhaps hot"
        whose = "of all axles: the log does not say of which" if axle == "*" else f"of the axle {axle}"
        ledger.assumed(
            f"operation {operation.key}: pressure",
            f"{median / BAR:.2f} bar ({span}), {whose}",
            f"the log's pressure, median in the field, {cold}; it replaces {_set(operation, outfits, axle)}",
            f"tracks/{log.key}",
        )
        if np.ptp(values) > _WIDE_PA:
            why = "one pressure, the median, stands for all passes of the operation"
            ledger.warned(f"operation {operation.key}: the recorded pressure changes", span, why)
        kept = {} if axle == "*" else dict(operation.pressures_pa)
        done.append(replace(operation, pressures_pa={**kept, axle: median}))
    return tuple(done)


def _axle(ledger: Ledger, settings: Settings, operation: Operation, outfit: Outfit | None) -> str:
    name = operation.drive.removeprefix("track:").split("/")[0]
    form = settings.tracks.get(name)
    axle = form.pressure.axle if form is not None and form.pressure is not None else ""
    known = [one.key for one in outfit.axles()] if outfit is not None else []
    if axle and known and axle not in known:
        ledger.problem(
            "unknown axle",
            f'farm.toml, tracks."{name}", pressure, axle',
            axle,
            f"one of {listed(known)} of the outfit {operation.outfit}",
            rename_hint(axle, known, "axle"),
        )
        return "*"
    return axle or "*"


def _in_field(log: Log, recorded: Floats, field: Field) -> Floats:
    """Return the pressures recorded in the field, in work where the log tells it; else all there are."""
    there = np.isfinite(recorded)
    near = there & shapely.contains_xy(field.polygon.buffer(_BESIDE_M), log.x, log.y)
    working = near & (log.working >= 0.5) if log.working is not None else near
    chosen = next(one for one in (working, near, there) if one.any())
    return np.asarray(recorded[chosen])


def _set(operation: Operation, outfits: Mapping[str, Outfit | None], axle: str) -> str:
    """Return in words the pressure that would have been set."""
    outfit = outfits.get(operation.outfit)
    given = operation.pressures_pa
    axles = [one for one in outfit.axles() if axle in ("*", one.key)] if outfit is not None else []
    values = sorted({given.get(one.key, given.get("*", one.field_pa)) / BAR for one in axles})
    if not values:
        return "the pressure set"
    return f"{values[0]:.2f} bar" if len(values) == 1 else f"{values[0]:.2f} to {values[-1]:.2f} bar"
