"""Jobs that cannot be driven: what is wrong with rate, width, load, ground or fill point, before anything is laid out."""

from __future__ import annotations

import math

import numpy as np
from shapely import MultiPolygon, Polygon

from trafficplan.errors import Problem
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import Note
from trafficplan.routes.choice import Choice
from trafficplan.routes.swaths import polygons_of, working_width

MOST_RATE = 50.0  # a rate above this (500 t/ha) is a slip of the pen (ours) [kg/m2]
LEAST_ZONE_M2 = 1.0  # less ground than this is none


def problems_of(ground: Field, operation: Operation, outfit: Outfit, choice: Choice) -> list[Problem]:
    """Return what is wrong with a job: rate, width, load for one working width, ground to spread on, fill point."""
    where, width = f"operation {operation.key}, field {ground.key}", working_width(operation, outfit)
    found: list[Problem] = []
    rate = operation.rate_kg_m2
    if operation.change != "constant" and rate is not None and not 0.0 < rate <= MOST_RATE:
        needed = f"a rate above 0 and at most {10.0 * MOST_RATE:g} t/ha"
        found.append(
            Problem("the rate makes no sense", where, f"{10.0 * rate:g} t/ha", needed, "give the rate in t/ha")
        )
    broad = max((breadth(part) for part in polygons_of(ground.polygon)), default=0.0)
    if not 0.0 < width <= broad:
        found.append(
            Problem(
                "the working width does not suit the field",
                where,
                f"working width {width:g} m, field {broad:.1f} m across",
                "a width above 0 that is not wider than the field",
                "give width_m for this job, or take another outfit",
            )
        )
    full = operation.load_kg if operation.load_kg is not None else outfit.capacity_kg
    if operation.change != "constant" and rate and not found and 0.0 < full < rate * width * width:
        found.append(
            Problem(
                "the load is gone as soon as it is begun",
                where,
                f"{full:.0f} kg lasts {full / (rate * width):.1f} m",
                f"a load that lasts {width:g} m at least, one working width: {rate * width * width:.0f} kg",
                "give a larger load, a smaller rate, or the outfit's capacity_t",
            )
        )
    return found + _choice_problems(ground, where, choice)


def _choice_problems(ground: Field, where: str, choice: Choice) -> list[Problem]:
    """Return what is wrong with the choices."""
    found = []
    zone = choice.spread_on
    if zone is not None and (zone.is_empty or zone.intersection(ground.polygon).area < LEAST_ZONE_M2):
        what, none = "no ground of the field may be spread", "nothing is left of the field"
        found.append(Problem(what, where, none, "ground that may be spread", "check the distances that are kept"))
    if choice.fill_xy is not None and not all(map(math.isfinite, choice.fill_xy)):
        found.append(Problem("the fill point is no place", where, f"{choice.fill_xy}", "two numbers", "give x and y"))
    if not 0.0 <= choice.fill_s < math.inf:
        what, needed = "the time at the fill point makes no sense", "0 s or more"
        found.append(Problem(what, where, f"{choice.fill_s:g} s", needed, "give the time of one filling"))
    return found


def breadth(part: Polygon | MultiPolygon) -> float:
    """Return how broad ground is [m]: the shorter side of the least rectangle around it."""
    box = polygons_of(part.minimum_rotated_rectangle)
    return float(np.hypot(*np.diff(np.asarray(box[0].exterior.coords), axis=0)[:2].T).min()) if box else 0.0


def nothing_fits(ground: Field, operation: Operation, outfit: Outfit, choice: Choice) -> Problem:
    """Return the problem that no round and no bout of an outfit fits into a field, or what of it may be spread."""
    zone = ground.polygon if choice.spread_on is None else ground.polygon.intersection(choice.spread_on)
    broad = max((breadth(part) for part in polygons_of(zone)), default=0.0)
    name = "field" if choice.spread_on is None else "ground that may be spread"
    return Problem(
        f"no round and no bout fits into the {name}",
        f"operation {operation.key}, field {ground.key}",
        f"turning radius {outfit.radius_m:g} m, working width {working_width(operation, outfit):g} m, {name} "
        f"{broad:.1f} m across",
        "room for a bout with a turn at each end, or for a round",
        "check radius_m and width_m, or take an outfit that turns shorter",
    )


def part_left_out(ground: Field, part: Polygon, why: str) -> Note:
    """Return the note that a part of a field is not worked."""
    return Note("warned", f"field {ground.key}: a part of {part.area / 1e4:.2f} ha", "not worked", why, "")
