"""What a log's own gauges read: speed against its fixes, tyre pressure brought to cold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trafficplan.inputs.recording import Floats, Recording, refused
from trafficplan.machines.inflation import CELSIUS_RANGE, COLD_CELSIUS, cold_pressure_gas_law
from trafficplan.names import Note
from trafficplan.units import BAR, KM_H, KNOT, KPA, MILE_H, PSI

#: Speed units that are tried where none is told, and how far off (as a factor) a told one may be; ours.
_SPEEDS = {"m/s": 1.0, "km/h": KM_H, "mph": MILE_H, "kn": KNOT}
_OFF = 1.5
_MOVING_M_S = 0.3
_FEW = 5
#: Tyre pressures that can be [Pa]; ours.
_PRESSURES_PA = (0.2 * BAR, 8.0 * BAR)


def check_speed(recording: Recording, x: Floats, y: Floats) -> Recording:
    """Return the recording with its speed in m/s: an unknown unit is found by the fixes, a told one compared."""
    speed = recording.columns.get("speed")
    if speed is None:
        return recording
    time = recording.columns["time"]
    between = np.diff(time)
    with np.errstate(divide="ignore", invalid="ignore"):
        driven = np.hypot(np.diff(x), np.diff(y)) / between
        ratio = driven / speed[1:]
    fair = (between > 0) & (driven > _MOVING_M_S) & np.isfinite(ratio) & (ratio > 0)
    where = recording.where
    if fair.sum() < _FEW:
        if recording.speed_unit_known:
            return recording
        columns = {name: column for name, column in recording.columns.items() if name != "speed"}
        note = Note("warned", f"{where}: speed", "not used", "its unit is not told and the fixes do not show it")
        return replace(recording, columns=columns, notes=(*recording.notes, note))
    factor = float(np.median(ratio[fair]))
    nearest = min(_SPEEDS, key=lambda unit: abs(np.log(factor / _SPEEDS[unit])))
    if not recording.speed_unit_known:
        columns = {**recording.columns, "speed": speed * _SPEEDS[nearest]}
        note = Note("assumed", f"{where}: unit of speed", nearest, f"the fixes are {factor:.2f} m/s for 1", "the log")
        return replace(recording, columns=columns, speed_unit_known=True, notes=(*recording.notes, note))
    if 1 / _OFF <= factor <= _OFF:
        return recording
    why = "the speed along the fixes is used; check the unit of the column"
    note = Note("warned", f"{where}: speed column", f"{1 / factor:.2f} times the speed along the fixes", why)
    return replace(recording, notes=(*recording.notes, note))


def cold_pressure(recording: Recording) -> Recording:
    """Return the recording with tyre pressures cold where temperatures stand beside them.

    Raises
    ------
    InputError
        When the pressures are none that a tyre has: then the unit is asked for.
    """
    pressure = recording.columns.get("pressure")
    if pressure is None or not np.isfinite(pressure).any():
        return recording
    pressure = np.where(pressure > 0, pressure, np.nan)  # a gauge that reads nothing
    if not np.isfinite(pressure).any():
        columns = {name: column for name, column in recording.columns.items() if name != "pressure"}
        note = Note(
            "warned", f"{recording.where}: tyre pressure", "not used", "it is 0 throughout: nothing was measured"
        )
        return replace(recording, columns=columns, notes=(*recording.notes, note))
    low, high = _PRESSURES_PA
    usual = float(np.nanmedian(pressure))
    if not low <= usual <= high:
        fitting = [unit for unit, size in (("psi", PSI), ("kPa", KPA)) if low <= usual / BAR * size <= high]
        raise refused(
            "tyre pressures that cannot be",
            f"{recording.where}, pressure",
            f"{usual / BAR:.4g} bar in the middle",
            f"{low / BAR:g} to {high / BAR:g} bar",
            f"read as bar they would fit {' or '.join(fitting)}: set the unit" if fitting else "check the column",
        )
    celsius = recording.columns.get("temperature")
    what = f"{recording.where}: tyre pressure"
    if celsius is None:
        why = "recorded without a temperature: as read, perhaps hot"
        note = Note("warned", what, f"{usual / BAR:.2f} bar", why, "the log")
        columns = {**recording.columns, "pressure": pressure}
        return replace(recording, columns=columns, notes=(*recording.notes, note))
    fair = np.isfinite(pressure) & (celsius >= CELSIUS_RANGE[0]) & (celsius <= CELSIUS_RANGE[1])
    cold = pressure.copy()
    cold[fair] = cold_pressure_gas_law(pressure[fair], celsius[fair])
    value = f"{np.nanmedian(cold) / BAR:.2f} bar cold, read as {usual / BAR:.2f} bar"
    why = f"brought to {COLD_CELSIUS:g} degrees C"
    note = Note("warned", what, value, why, "gas law at equal volume")
    return replace(recording, columns={**recording.columns, "pressure": cold}, notes=(*recording.notes, note))
