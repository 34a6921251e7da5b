"""What was asked of a heap in `trafficplan park`: the ground that it covers, and what does not go with one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from trafficplan.cli.asked import refuse
from trafficplan.names import Note
from trafficplan.routes.parking_heap import Heap

#: Sides of a heap that are no slip of the pen [m], and the mean height from which it is warned of [m] (ours).
SIDES_M, HIGH_M = (1.0, 200.0), 4.0


def heap_of(asked: Mapping[str, Any], density_kg_m3: float | None) -> Heap | None:
    """Return the heap that was asked for, None where a trailer stands.

    Raises
    ------
    InputError
        Its sides cannot be read, or what was asked with it belongs to a trailer.
    """
    text = asked["heap"]
    if text is None:
        return None
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*x\s*(\d+(?:\.\d+)?)\s*m?\s*", text)
    if match is None or not all(SIDES_M[0] <= float(side) <= SIDES_M[1] for side in match.groups()):
        raise refuse("not the ground of a heap", "--heap", text, f"two sides of {SIDES_M[0]:g} to {SIDES_M[1]:g} m, along the "
                     "trailer and across", "write for example 20x5")  # fmt: skip
    for option, given in (("--coupled", asked["coupled"]), ("--pad", asked["pad"])):
        if given:
            raise refuse("a heap stands, no trailer", option, f"with --heap {text}", "one of the two",
                         f"leave {option} away, or leave --heap away to place the trailer")  # fmt: skip
    return Heap(float(match[1]), float(match[2]), density_kg_m3)


def heap_notes(heap: Heap, mass_kg: float) -> tuple[Note, ...]:
    """Return what is assumed of a heap, and a warning where it would be high."""
    height = heap.height_m(mass_kg)
    size = f"{heap.length_m:g} x {heap.width_m:g} m"
    told = [
        Note("assumed", "heap", f"{mass_kg / 1e3:.0f} t spread evenly on {size}", "all that the job needs lies there; in the "
             "middle of a real heap it is more"),
        Note("assumed", "loader at the heap", "not counted", "its shuttles beside the heap are alike at every place on soil"),
    ]  # fmt: skip
    if height is not None and height >= HIGH_M:
        why = f"{mass_kg / 1e3:.0f} t on {size}: a real heap needs more ground"
        told.append(Note("warned", "heap", f"{height:.1f} m high on average", why))
    return tuple(told)
