"""Tramlines: lines given to their field and cut to it."""

from __future__ import annotations

from collections.abc import Mapping

import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field
from trafficplan.inputs.access import at_fields
from trafficplan.inputs.coordinates import Feature
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.vector import find_layers, read_vector

#: Shorter pieces of a tramline inside a field are left-overs of cutting [m].
SHORTEST_M = 1.0


def read_tramlines(ledger: Ledger, settings: Settings, boundaries: Boundaries) -> Mapping[str, tuple[LineString, ...]]:
    """Return field -> its tramlines, in file order; none where the farm has no such layer."""
    lines: dict[str, list[LineString]] = {}
    outside = cut_m = 0.0
    for path, layer in find_layers(ledger, "tramlines", settings.files.tramlines, settings.layers.tramlines):
        columns, told = settings.columns.tramlines, settings.systems.get("tramlines")
        read = read_vector(ledger, path, layer, "tramlines", KNOWN["tramlines"], (), columns, told)
        moved = at_fields(ledger, read, boundaries)
        for feature in moved.features if moved else ():
            pieces = _pieces(ledger, feature, boundaries.fields)
            inside = sum(line.length for _, line in pieces)
            if pieces:
                cut_m += max(0.0, feature.shape.length - inside)
            else:
                outside += feature.shape.length
            for key, line in pieces:
                lines.setdefault(key, []).append(line)
    if cut_m > SHORTEST_M:
        ledger.repaired("tramlines: length", f"{cut_m:.0f} m cut off", "they ran out over the boundary of their field")
    if outside > 0:
        ledger.warned(
            "tramlines: outside every field",
            f"{outside:.0f} m left out",
            "they touch no field that they could belong to",
        )
    return {key: tuple(found) for key, found in lines.items()}


def _pieces(ledger: Ledger, feature: Feature, fields: Mapping[str, Field]) -> list[tuple[str, LineString]]:
    record = feature.record
    if not feature.shape.geom_type.endswith("LineString"):
        ledger.problem("not a line", record.where, feature.shape.geom_type, "a line", "draw the tramline as a line")
        return []
    record.number("width_m", 0.5, 100, "m")
    named = record.text("field")
    if named and named not in fields:
        record.problem("field", "unknown field", named, f"one of {listed(fields)}", rename_hint(named, fields, "field"))
        return []
    wanted = [fields[named]] if named else list(fields.values())
    parts = [(one.key, shapely.intersection(feature.shape, one.polygon)) for one in wanted]
    pieces = [
        (key, line)
        for key, line in ((key, line) for key, shape in parts for line in shapely.get_parts(_merged(shape)))
        if isinstance(line, LineString) and line.length >= SHORTEST_M
    ]
    if named and not pieces:
        ledger.problem(
            "a tramline outside its field",
            record.where,
            f"no part of it lies in {named}",
            "a line inside the field it names",
            "correct the name of the field, or leave it empty",
        )
    return pieces


def _merged(shape: BaseGeometry) -> BaseGeometry:
    return shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
