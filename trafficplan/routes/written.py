"""Drives written down: a drive as a plan that can be kept, and a kept plan as the drive of an operation."""

from __future__ import annotations

from trafficplan.farm.operation import DrivePlan, Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.passes import Drive

#: A load this far from that of the plan is another load (ours).
OTHER_LOAD = 0.01


def plan_of(drive: Drive, key: str) -> DrivePlan:
    """Return a drive as a plan; its notes stay behind."""
    return DrivePlan(
        key, drive.xy, drive.time_s, drive.load_kg, drive.leg, drive.furrow,
        drive.width_m, drive.trips, drive.worked_m2, drive.unworked_m2,
    )  # fmt: skip


def drive_of_plan(plan: DrivePlan, operation: Operation, outfit: Outfit) -> Drive:
    """Return the drive of an operation that follows a plan, vertex by vertex as it is written."""
    notes: tuple[Note, ...] = ()
    full = operation.load_kg if operation.load_kg is not None else outfit.capacity_kg
    most = float(plan.load_kg.max(initial=0.0))
    if operation.change != "constant" and abs(full - most) > OTHER_LOAD * max(full, most):
        why = f"the plan holds its own loads; for a load of {full / 1e3:.2f} t it has to be made again"
        notes = (Note("warned", f"operation {operation.key}: load of plan {plan.key}", f"{most / 1e3:.2f} t", why),)
    return Drive(
        operation.key, plan.xy, plan.time_s, plan.load_kg, plan.leg, plan.furrow,
        plan.width_m, plan.trips, plan.worked_m2, plan.unworked_m2, notes, reverses=True,
    )  # fmt: skip
