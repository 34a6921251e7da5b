"""The wording of every caution, in one place, by when it applies.

Screens name their situations; `cautions_for` gives the sentences in a fixed order, local rules always first.
Behind them stand guidance of the UK Health and Safety Executive on overhead lines and slopes, the English
rules on farming and water, and tyre makers' tables. None of them is repeated here as a number to rely on.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution: `key`, the situations in which it applies ("always" for every screen), and its text."""

    key: str
    when: frozenset[str]
    text: str


def _caution(key: str, when: str, text: str) -> Caution:
    return Caution(key, frozenset(when.split()), text)


#: In the order in which they are shown. Situations: map, chance, pressure, no_table, slope, spreading (a plan of it),
#: season (it is done in the season shown),
#: parking, road,
#: hitch, full_scale, yield.
CAUTIONS: tuple[Caution, ...] = (
    _caution(
        "local_rules",
        "always",
        "Local rules, codes of practice and licensed advice come first. Nothing here replaces them.",
    ),
    _caution(
        "dig",
        "always",
        "The map is a planning aid. Strength of soil is known to about plus or minus half: before you "
        "go, walk the field, dig a hole and look.",
    ),
    _caution(
        "index",
        "map chance",
        "The chance of overstress is an index that has not been calibrated against damage seen in "
        "fields. Use it to rank places and plans.",
    ),
    _caution(
        "full_scale",
        "full_scale",
        "Nearly all wheeled ground is at the top of the scale here because its strength is only assumed. "
        "Depth reached and the difference "
        "between scenarios still rank; a measured strength or a drier day tells more.",
    ),
    _caution(
        "tyre_table",
        "pressure",
        "Never set a pressure below the tyre maker's table for the load and speed of the heaviest wheel, "
        "side slope and hitch load included. "
        "A table counts at or below its rows, never between or beyond them. No bonus for low speed when "
        "pulling hard; duals carry less each.",
    ),
    _caution(
        "no_table",
        "no_table",
        "No maker's table is known for this tyre, so no pressure is advised; only the stress of the "
        "given pressure is shown.",
    ),
    _caution(
        "inflate",
        "pressure",
        "Pump up to road pressure before the road. When filling or letting out air stand clear of the "
        "line of a burst and use a long hose.",
    ),
    _caution(
        "plates",
        "pressure hitch road",
        "Plated axle and hitch limits, the legal axle loads of the road and enough weight on the "
        "steering axle are yours to check.",
    ),
    _caution(
        "slope",
        "slope spreading parking",
        "No slope is called safe here. Wet, frozen or rutted ground turns a slope that held into one "
        "that does not; part-filled tanks surge. "
        "Above 10 % side slope with a load no lowest pressure is advised.",
    ),
    _caution(
        "no_spreading",
        "spreading season",
        "Do not spread on waterlogged, flooded, frozen or snow-covered soil; a planned operation that would is "
        "refused. Closed periods are local.",
    ),
    _caution(
        "distances",
        "map",
        "Distances from overhead lines, watercourses, wells, heaps and public roads come from local rules. This map "
        "does not cut them out of the drives: keep them yourself. Raised bodies and booms reach far.",
    ),
    _caution(
        "distances_kept",
        "spreading parking heap",
        "Distances from overhead lines, watercourses, wells, heaps and public roads come from local rules. Where you "
        "gave none, a cautious one of ours was kept and is listed as assumed; what is not drawn on the farm's map was "
        "not kept away from. Raised bodies and booms reach far.",
    ),
    _caution(
        "standing",
        "parking",
        "Leave a loaded trailer on firm, level ground only: brake on, wheels chocked, jack stand on a board. Uncouple only "
        "with weight on the hitch, and look again when it has been part-emptied.",
    ),
    _caution(
        "heap",
        "heap",
        "Ask the local rules before anything is heaped in a field: many name the months, how long it may lie, distances from "
        "water, wells, drains and houses, and forbid the same place in the next years. Never where water stands or runs.",
    ),
    _caution(
        "tipping",
        "parking heap",
        "Never raise a body on a side slope, on soft ground or near an overhead line, and never drive with it up.",
    ),
    _caution(
        "hidden",
        "map parking heap",
        "Buried pipes and cables, soft drains, culverts and the strength of bridges are not modelled "
        "unless they are on the map.",
    ),
    _caution(
        "yield",
        "yield",
        "Losses of yield are ranges from the literature. Weather decides more in any one year; never "
        "take one number from them.",
    ),
)

SITUATIONS: frozenset[str] = frozenset().union(*(caution.when for caution in CAUTIONS)) - {"always"}


def cautions_for(situations: Collection[str]) -> tuple[Caution, ...]:
    """Return the cautions of some situations in their fixed order; those of every screen are among them.

    Raises
    ------
    ValueError
        for a situation that no caution knows

    Examples
    --------
    >>> [caution.key for caution in cautions_for(["chance"])]
    ['local_rules', 'dig', 'index']
    """
    unknown = set(situations) - SITUATIONS
    if unknown:
        raise ValueError(
            f"no caution knows the situation {', '.join(sorted(unknown))}; known: {', '.join(sorted(SITUATIONS))}"
        )
    wanted = set(situations) | {"always"}
    return tuple(caution for caution in CAUTIONS if caution.when & wanted)
