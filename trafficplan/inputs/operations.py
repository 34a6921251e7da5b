"""operations.csv: one job in one field on one day per row, in SI."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trafficplan.farm import defaults
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.farm.season import order
from trafficplan.inputs.amounts import parse_amount, parse_moisture, parse_pressures
from trafficplan.inputs.fields import name_is_safe
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table
from trafficplan.machines.outfit import Outfit

NEEDED = ("id", "date", "field", "job", "outfit")
CHANGES = ("empties", "fills", "constant")
SURFACES = ("frozen", "snow", "waterlogged")


@dataclass(frozen=True)
class Known:
    """What operations may name: fields, outfits (None: there, but wrong), recorded tracks and plans.

    `gateways`: whether all gateways could be read; if not, their names are not judged.
    """

    fields: Mapping[str, Field]
    outfits: Mapping[str, Outfit | None]
    track_files: tuple[str, ...]
    gateways: bool = True
    plans: tuple[str, ...] = ()


def read_operations(ledger: Ledger, settings: Settings, known: Known) -> tuple[Operation, ...]:
    """Return the operations in the order of the season."""
    path = inside(ledger, settings.files.operations or "operations.csv", "operations.csv")
    if path is None:
        return ()
    rows = read_table(ledger, path, KNOWN["operations"], NEEDED, settings.columns.operations)
    operations: list[Operation] = []
    seen: dict[str, str] = {}
    for record in rows:
        operation = _operation(record, known)
        key = record.text("id")
        if key and key in seen:
            record.problem("id", "an id comes twice", key, "each id once", f"rename this one or that of {seen[key]}")
        seen.setdefault(key, record.where)
        if operation is not None:
            operations.append(operation)
    if not rows and not any(path.name in one.where for one in ledger.problems):
        ledger.warned("operations", "none", "the table has a header but no row: nothing is driven")
    return order(operations)


def _operation(record: Record, known: Known) -> Operation | None:
    ledger = record.ledger
    before = ledger.count()
    key = record.text("id", "a name that comes once", required=True)
    if key:
        name_is_safe(record, "id", key)
    day = record.date("date", required=True)
    field = known_name(record, "field", known.fields)
    outfit_key = known_name(record, "outfit", known.outfits)
    outfit = known.outfits.get(outfit_key)
    job = record.text("job", "what is done", required=True)
    rate = _rate(record, job, outfit)
    axles = [axle.key for axle in outfit.axles()] if outfit else None
    pressure = record.text("pressure")
    moisture = record.text("moisture") or str(ledger.defaults.get("moisture", ""))
    pressures = parse_pressures(ledger, pressure, record.place("pressure"), axles) if pressure else {}
    given_moisture = parse_moisture(ledger, moisture, record.place("moisture")) if moisture else None
    till, runs = record.number("till_depth_m", 0, 1.2, "m"), record.number("runs_at_depth_m", 0, 0.6, "m")
    earliest, latest = record.date("earliest"), record.date("latest")
    if day and ((earliest and earliest > day) or (latest and latest < day)):
        record.problem(
            "date",
            "the date lies outside earliest and latest",
            str(day),
            f"{earliest or '...'} to {latest or '...'}",
            "correct one of the three dates",
        )
    operation = Operation(
        key=key,
        row=int(str(record.values["_row"])),
        day=day or dt.date.min,
        start=record.time("start_time"),
        field=field,
        job=job,
        outfit=outfit_key,
        rate_kg_m2=rate,
        load_kg=_load(record, job, outfit),
        change=_change(record, rate),
        pressures_pa=pressures,
        drive=_drive(record, known, field),
        heading_deg=record.number("heading_deg", 0, 360, "degrees"),
        gateway=_gateway(record, known.fields.get(field) if known.gateways else None),
        width_m=record.number("width_m", 0.3, 60, "m"),
        till_depth_m=till or 0.0,
        runs_at_depth_m=runs or 0.0,
        moisture=given_moisture,
        surface=record.choice("surface", SURFACES),
        earliest=earliest,
        latest=latest,
        fixed_because=record.text("fixed_because"),
    )
    return operation if ledger.count() == before else None


def known_name(record: Record, column: str, known: Mapping[str, object]) -> str:
    """Return a name that must be known, or "" with a problem (where nothing is known, told elsewhere)."""
    name = record.text(column, f"one of {listed(known)}", required=True)
    if name and known and name not in known:
        record.problem(column, f"unknown {column}", name, f"one of {listed(known)}", rename_hint(name, known, column))
        return ""
    return name if name in known else ""


def _density(record: Record, job: str, outfit: Outfit | None, column: str) -> float | None:
    """Return the density of what is carried [kg/m3]: the outfit's, else by the words of the job."""
    if outfit is not None and outfit.density_kg_m3 is not None:
        return outfit.density_kg_m3
    key = defaults.density_key(job)
    if key is None:
        record.problem(
            column,
            "a volume whose density is not known",
            record.text(column),
            "tonnes, or a density",
            "write t or t/ha, or add density_t_m3 to the outfit",
        )
        return None
    record.ledger.notes.append(defaults.note(key, f"operation {record.text('id')}", record.ledger.defaults))
    return defaults.number(key, record.ledger.defaults) * 1e3


def _mass(record: Record, column: str, job: str, outfit: Outfit | None, *, per_area: bool) -> float | None:
    text = record.text(column)
    amount = parse_amount(record.ledger, text, record.place(column), per_area=per_area) if text else None
    if amount is None:
        return None
    value, is_volume = amount
    if not is_volume:
        return value
    density = _density(record, job, outfit, column)
    return None if density is None else value * density


def _rate(record: Record, job: str, outfit: Outfit | None) -> float | None:
    rate = _mass(record, "rate", job, outfit, per_area=True)
    if rate is not None and not 1e-4 <= rate <= 30.0:  # 1 kg/ha to 300 t/ha
        record.problem(
            "rate",
            "a rate that cannot be",
            f"{record.text('rate')} = {rate * 10:g} t/ha",
            "0.001 to 300 t/ha",
            "check number and unit",
        )
        return None
    if rate is not None and outfit is not None and outfit.capacity_kg == 0 and not record.has("load"):
        record.problem(
            "rate",
            "an outfit that carries nothing cannot spread or take up",
            f"rate {record.text('rate')}, capacity 0 t",
            "an outfit with capacity_t",
            "add capacity_t to the outfit, or leave the rate empty",
        )
    return rate


def _load(record: Record, job: str, outfit: Outfit | None) -> float | None:
    load = _mass(record, "load", job, outfit, per_area=False)
    if load is None or outfit is None:
        return load
    if outfit.capacity_kg == 0:
        record.problem(
            "load",
            "a load on an outfit that carries none",
            record.text("load"),
            "an outfit with capacity_t",
            "add capacity_t and full_t to the outfit, or leave the load empty",
        )
        return None
    if load > 1.5 * outfit.capacity_kg:
        record.problem(
            "load",
            "a load far over the capacity",
            record.text("load"),
            f"at most {1.5 * outfit.capacity_kg / 1e3:g} t (1.5 x capacity)",
            "check the load and its unit",
        )
        return None
    if load > 1.001 * outfit.capacity_kg:
        record.ledger.warned(
            f"operation {record.text('id')}: load over the capacity",
            f"{load / 1e3:g} t on {outfit.capacity_kg / 1e3:g} t",
            "axle loads are drawn out beyond what was weighed",
        )
    return load


def _change(record: Record, rate: float | None) -> Literal["empties", "fills", "constant"]:
    word = record.choice("change", CHANGES)
    recorded = record.text("drive") not in ("", "tramlines", "swaths")  # a log may carry flow or load itself
    if word in ("empties", "fills") and rate is None and not record.has("rate") and not recorded:
        record.problem(
            "rate",
            "a job that empties or fills needs its rate",
            "nothing",
            "an amount such as 12 t/ha",
            "fill in the rate, or write constant",
        )
    if word == "constant" or (not word and rate is None):
        return "constant"
    if not word:
        record.ledger.assumed(
            f"operation {record.text('id')}: change",
            "empties",
            "a rate is given and change is not",
            "trade: most rates are spread",
        )
    return "fills" if word == "fills" else "empties"


def _drive(record: Record, known: Known, field: str) -> str:
    """Return "tramlines", "swaths", "track:KEY" or "plan:KEY"."""
    text = record.text("drive")
    lines = bool(field and known.fields[field].tramlines)
    if not text:
        return "tramlines" if lines else "swaths"
    if text in ("tramlines", "swaths"):
        if text == "tramlines" and field and not lines:
            record.problem(
                "drive",
                "a field without tramlines",
                f"field {field}",
                "tramlines in this field",
                "write swaths, or draw the tramlines",
            )
        return text
    if text.startswith("plan:"):
        key = text.removeprefix("plan:").strip()
        if key not in known.plans:
            mend = rename_hint(key, known.plans, "file in plans/")
            there = f"files there: {listed(known.plans)}"
            record.problem("drive", "a plan that is not there", there, f"plans/{key}.csv", mend)
        return f"plan:{key}"
    key = text.removeprefix("track:").removeprefix("tracks/")
    if key not in known.track_files and key.partition("/")[0] not in known.track_files:
        record.problem(
            "drive",
            "unknown recorded track",
            text,
            f"tramlines, swaths, or a file of tracks: {listed(known.track_files)}",
            rename_hint(key, known.track_files, "file in tracks/"),
        )
    return f"track:{key}"


def _gateway(record: Record, field: Field | None) -> str | None:
    name = record.text("gateway")
    if not name:
        return None
    if field is not None and name not in [gate.key for gate in field.gateways]:
        gates = [gate.key for gate in field.gateways]
        record.problem(
            "gateway",
            f"field {field.key} has no such gateway",
            name,
            f"one of {listed(gates)}",
            rename_hint(name, gates, "gateway"),
        )
    return name
