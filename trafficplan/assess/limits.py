"""What an operation must not do: spread on ground that is closed to it, run below its tyres' tables."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trafficplan.errors import InputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Operation
from trafficplan.machines.tyre_table import NoPressure, lowest_pressure, multiple_share, table_of
from trafficplan.names import Note
from trafficplan.routes.passes import Pass
from trafficplan.units import GRAVITY, pressure_text


def surface_note(operation: Operation) -> Note | None:
    """Return the warning of a recorded spreading on ground that must not be spread on; refuse a planned one.

    Raises
    ------
    InputError
        A planned operation would spread on waterlogged, frozen or snow-covered soil.
    """
    if not operation.surface or operation.change != "empties":
        return None
    if operation.drive.startswith("track:"):
        return Note(
            "warned", f"operation {operation.key}", f"spread on ground that was {operation.surface}", "recorded as such"
        )
    raise InputError(
        Problem(
            "spreading is refused on this ground",
            f"operations.csv, operation {operation.key}, column surface",
            operation.surface,
            "soil that is neither waterlogged nor frozen nor under snow",
            "choose another day",
        )
    )


def pressure_notes(farm: Farm, operation: Operation, passes: Sequence[Pass]) -> list[Note]:
    """Return a warning for each axle whose pressure is below its tyre's table for load and speed.

    An axle whose pressure cannot be changed carries its field pressure on the track too, and is read at that speed.
    """
    outfit = farm.outfits[operation.outfit]
    notes = []
    for one in passes:
        tyre = one.axle.wheels[0].tyre
        table = table_of(farm.tyre_tables, tyre.code)
        if tyre.kind == "track" or table is None:
            continue
        a_side = max(1, len(one.axle.wheels) // 2)
        load_kg = float(one.load_n.max()) / GRAVITY / len(one.axle.wheels) / multiple_share(a_side)
        speed = outfit.track_m_s if one.axle.adjust == "none" else outfit.field_m_s
        row = lowest_pressure(table, load_kg, speed)
        what = f"outfit {outfit.key}: pressure of the {one.axle.key} axle"
        value = f"{pressure_text(one.pressure_pa)} with {100 * math.ceil(load_kg / 100)} kg on a tyre at {speed * 3.6:.0f} km/h"
        if isinstance(row, NoPressure):
            notes.append(
                Note("warned", what, value, "beyond the tyre's table: no pressure is enough", "tyre_tables.csv")
            )
        elif row.pressure_pa > one.pressure_pa + 1.0:
            why = f"below the tyre's table, which asks for {pressure_text(row.pressure_pa)}"
            notes.append(Note("warned", what, value, why, "tyre_tables.csv"))
    return notes
