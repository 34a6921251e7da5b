"""seen.csv: what people saw after driving with pressures that they tried."""

from __future__ import annotations

from collections.abc import Mapping

from trafficplan.farm.field import Field
from trafficplan.farm.seen import Seen
from trafficplan.inputs.amounts import parse_pressures
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table
from trafficplan.machines.outfit import Outfit


def read_seen(
    ledger: Ledger, settings: Settings, fields: Mapping[str, Field], outfits: Mapping[str, Outfit | None]
) -> tuple[Seen, ...]:
    """Return what was seen, by day; nothing where the farm has no such file."""
    named = settings.files.seen
    if named is None and not (ledger.folder / "seen.csv").exists():
        return ()
    path = inside(ledger, named or "seen.csv", "farm.toml, files, seen")
    if path is None:
        return ()
    rows = read_table(ledger, path, KNOWN["seen"], ("date", "outfit", "pressures"), settings.columns.seen)
    read = [_seen(ledger, record, fields, outfits) for record in rows]
    return tuple(sorted((one for one in read if one), key=lambda one: (one.day, one.outfit, one.field)))


def _seen(
    ledger: Ledger, record: Record, fields: Mapping[str, Field], outfits: Mapping[str, Outfit | None]
) -> Seen | None:
    day = record.date("date", required=True)
    field, outfit = record.text("field"), record.text("outfit", "the name of an outfit", required=True)
    _known(record, "field", field, fields)
    _known(record, "outfit", outfit, outfits)
    there = outfits.get(outfit)
    axles = [axle.key for axle in there.axles()] if there else None
    text = record.text("pressures", "pressures such as front:1.0;rear:0.8", required=True)
    pressures = parse_pressures(ledger, text, record.place("pressures"), axles) if text else {}
    rut = record.number("rut_cm", 0, 100, "cm")
    slip = record.number("slip_pct", 0, 100, "%")
    if day is None:
        return None
    return Seen(
        day,
        field,
        outfit,
        pressures,
        None if rut is None else rut / 100,
        None if slip is None else slip / 100,
        record.text("surface"),
    )


def _known(record: Record, column: str, name: str, there: Mapping[str, object]) -> None:
    if name and name not in there:
        record.problem(
            column,
            f"unknown {column}",
            name,
            f"one of {listed(there)}",
            rename_hint(name, there, column),
        )
