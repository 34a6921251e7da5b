"""A drive turned into axle passes: path, load and pressure of every axle."""

from __future__ import annotations

from trafficplan.farm.operation import Operation
from trafficplan.machines.loads import axle_loads
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.routes.follow import axle_paths
from trafficplan.routes.passes import Drive, Pass


def field_pressure(axle: Axle, operation: Operation) -> float:
    """Return an axle's field pressure in an operation [Pa]: its own, else that for all axles, else the
    outfit's."""
    pressures = operation.pressures_pa
    return float(pressures.get(axle.key, pressures.get("*", axle.field_pa)))


def passes_of(drive: Drive, outfit: Outfit, operation: Operation, index: int) -> tuple[Pass, ...]:
    """Return one pass per axle, front to back.

    Parameters
    ----------
    drive : the drive of the operation; index : the operation's place in the season

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    fine, paths = axle_paths(drive, outfit)
    loads = axle_loads(outfit, fine.load_kg)
    return tuple(
        Pass(
            index,
            axle,
            field_pressure(axle, operation),
            operation.runs_at_depth_m,
            path,
            load,
            fine.leg,
            fine.furrow,
        )
        for axle, path, load in zip(outfit.axles(), paths, loads, strict=True)
    )
