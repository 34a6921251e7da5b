"""worn.geojson: places that were worn out before the season, or freshly loosened."""

from __future__ import annotations

from trafficplan.farm.worn import WornPlace
from trafficplan.inputs.access import at_fields
from trafficplan.inputs.coordinates import Feature
from trafficplan.inputs.fields import Boundaries, area_of
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.vector import find_layers, read_vector

KINDS = ("worn", "loosened")


def read_worn(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> tuple[WornPlace, ...]:
    """Return the places in file order; none where the farm has no such layer."""
    places: list[WornPlace] = []
    for path, layer in find_layers(ledger, "worn", settings.files.worn, settings.layers.worn):
        columns, told = settings.columns.worn, settings.systems.get("worn")
        read = read_vector(ledger, path, layer, "worn", KNOWN["worn"], (), columns, told)
        moved = at_fields(ledger, read, boundaries)
        found = [_place(ledger, feature, number) for number, feature in enumerate(moved.features if moved else (), 1)]
        places += [one for one in found if one is not None]
    return tuple(places)


def _place(ledger: Ledger, feature: Feature, number: int) -> WornPlace | None:
    record = feature.record
    kind = record.choice("kind", KINDS) or "worn"
    depth = record.number("depth_m", 0.05, 1.5, "m")
    area = area_of(ledger, feature, f"worn place {number}")
    return None if area is None else WornPlace(record.text("name") or f"place {number}", kind, area, depth)
