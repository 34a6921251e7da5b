"""scenarios.toml: named sets of changes laid over the operations."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import Field as Key

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Change, Operation, Scenario
from trafficplan.farm.season import selects
from trafficplan.inputs.amounts import BAR_HIGH, BAR_LOW, parse_moisture, parse_pressures
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.paths import inside
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.toml_file import Table, checked, read_toml
from trafficplan.machines.outfit import Outfit
from trafficplan.units import BAR

BASE = Scenario("base", "As in operations.csv")


class ChangeTable(Table):
    """One change as written."""

    operations: list[str] = Key(default_factory=list)
    jobs: list[str] = Key(default_factory=list)
    outfits: list[str] = Key(default_factory=list)
    fields: list[str] = Key(default_factory=list)
    load_t: float | None = Key(default=None, ge=0.01, le=80)
    load_factor: float | None = Key(default=None, ge=0.05, le=2)
    pressure_bar: float | None = Key(default=None, ge=BAR_LOW, le=BAR_HIGH)
    pressure: str | None = None
    moisture: str | float | None = None
    date: dt.date | str | None = None
    gateway: str | None = None
    outfit: str | None = None
    drive: Literal["tramlines", "swaths"] | None = None
    width_m: float | None = Key(default=None, ge=0.3, le=60)
    heading_deg: float | None = Key(default=None, ge=0, le=360)


class ScenarioTable(Table):
    """One scenario as written."""

    title: str | None = None
    change: list[ChangeTable] = Key(min_length=1)


def read_scenarios(
    ledger: Ledger,
    settings: Settings,
    operations: Sequence[Operation],
    fields: Mapping[str, Field],
    outfits: Mapping[str, Outfit | None],
    *,
    complete: bool,
) -> dict[str, Scenario]:
    """Return the scenarios by name, `base` first.

    Parameters
    ----------
    complete : whether all operations could be read; if not, names of operations are not judged
    """
    scenarios = {"base": BASE}
    name = settings.files.scenarios or "scenarios.toml"
    if settings.files.scenarios is None and not (ledger.folder / name).exists():
        return scenarios
    path = inside(ledger, name, "farm.toml, files, scenarios")
    data = read_toml(ledger, path) if path else None
    for key, table in (data or {}).items():
        if key.lower() in {one.lower() for one in scenarios} - {"base"}:
            where = f"{name}, scenario {key}"
            ledger.problem(
                "a scenario name comes twice",
                where,
                key,
                "names that differ",
                "rename it",
            )
            continue
        scenario = _scenario(ledger, key, table, name, operations, fields, outfits, complete=complete)
        if scenario is not None:
            scenarios[key] = scenario
    return scenarios


def _scenario(
    ledger: Ledger,
    key: str,
    data: Any,
    name: str,
    operations: Sequence[Operation],
    fields: Mapping[str, Field],
    outfits: Mapping[str, Outfit | None],
    *,
    complete: bool,
) -> Scenario | None:
    where = f"{name}, scenario {key}"
    if key.lower() == "base":
        ledger.problem(
            "base is not for changing",
            where,
            key,
            "another name",
            "rename the scenario; base is operations.csv unchanged",
        )
        return None
    if any(mark in key for mark in '/\\:*?"<>|') or key.startswith("."):
        ledger.problem(
            "a name that no folder can have",
            where,
            key,
            "letters, digits, spaces, - and _",
            "rename the scenario",
        )
        return None
    if not isinstance(data, dict):
        ledger.problem(
            "not a scenario",
            where,
            repr(data)[:60],
            f"a table [{key}] with [[{key}.change]]",
            "put the key under a scenario's name",
        )
        return None
    table = checked(ledger, ScenarioTable, data, where)
    if table is None:
        return None
    before = ledger.count()
    changes = []
    for number, change in enumerate(table.change, start=1):
        made = _change(ledger, change, f"{where}, change {number}")
        if complete:
            _check_names(ledger, made, f"{where}, change {number}", operations, fields, outfits, change.pressure)
        changes.append(made)
    return Scenario(key, table.title or key, tuple(changes)) if ledger.count() == before else None


def _change(ledger: Ledger, table: ChangeTable, where: str) -> Change:
    day = _day(ledger, table.date, where)
    if table.load_t is not None and table.load_factor is not None:
        ledger.problem("two ways to change the load", where, "load_t and load_factor", "one of the two", "remove one")
    if table.pressure_bar is not None and table.pressure is not None:
        ledger.problem(
            "two ways to change the pressure",
            where,
            "pressure_bar and pressure",
            "one of the two",
            "remove one",
        )
    pressures = {"*": table.pressure_bar * BAR} if table.pressure_bar is not None else {}
    if table.pressure is not None:
        pressures = parse_pressures(ledger, table.pressure, f"{where}, pressure", None)
    moisture = None
    if table.moisture is not None:
        moisture = parse_moisture(ledger, f"{table.moisture}", f"{where}, moisture")
    values = (
        table.load_t,
        table.load_factor,
        table.pressure_bar,
        table.pressure,
        table.moisture,
        table.date,
        table.gateway,
        table.outfit,
        table.drive,
        table.width_m,
        table.heading_deg,
    )
    if all(value is None for value in values):
        ledger.problem(
            "a change that changes nothing",
            where,
            "only what it selects",
            "load_t, load_factor, pressure_bar, pressure, moisture, date, gateway, outfit, drive, width_m or heading_deg",
            "add one of them, or remove the change",
        )
    return Change(
        tuple(table.operations),
        tuple(table.jobs),
        tuple(table.outfits),
        tuple(table.fields),
        None if table.load_t is None else table.load_t * 1e3,
        table.load_factor,
        pressures,
        moisture,
        day,
        table.gateway,
        table.outfit,
        table.drive,
        table.width_m,
        table.heading_deg,
    )


def _day(ledger: Ledger, value: dt.date | str | None, where: str) -> dt.date | None:
    if value is None:
        return None
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(value)
    except ValueError:
        ledger.problem(
            "a date that does not exist",
            f"{where}, date",
            value,
            "a day of the calendar as YYYY-MM-DD",
            "write for example 2026-04-30",
        )
        return None


def _check_names(
    ledger: Ledger,
    change: Change,
    where: str,
    operations: Sequence[Operation],
    fields: Mapping[str, Field],
    outfits: Mapping[str, Outfit | None],
    pressure: str | None,
) -> None:
    """Check that every name is known, something is selected, and what is set fits the selected."""
    before = ledger.count()
    for column, names, known in (
        ("operations", change.operations, {one.key for one in operations}),
        ("jobs", change.jobs, {one.job for one in operations}),
        ("outfits", change.outfits, set(outfits)),
        ("fields", change.fields, set(fields)),
        ("outfit", (change.outfit,) if change.outfit else (), set(outfits)),
    ):
        for name in names:
            if name not in known:
                thing = column.rstrip("s")
                ledger.problem(
                    f"unknown {thing}",
                    f"{where}, {column}",
                    name,
                    f"one of {listed(known)}",
                    rename_hint(name, known, thing),
                )
    chosen = [one for one in operations if selects(change, one)]
    if ledger.count() > before:
        return
    if not chosen:
        ledger.problem(
            "a change that selects no operation",
            where,
            "no operation has all of these",
            "selectors that some operation fits",
            "remove one of the selectors",
        )
    if change.gateway is not None:
        for key in sorted({one.field for one in chosen}):
            gates = [gate.key for gate in fields[key].gateways]
            if change.gateway not in gates:
                ledger.problem(
                    f"field {key} has no such gateway",
                    f"{where}, gateway",
                    change.gateway,
                    f"one of {listed(gates)}",
                    "select only operations of the gateway's field (fields = [...])",
                )
    if change.drive == "tramlines":
        for key in sorted({one.field for one in chosen if not fields[one.field].tramlines}):
            ledger.problem(
                f"field {key} has no tramlines",
                f"{where}, drive",
                "tramlines",
                "tramlines in each field of the chosen operations",
                "write swaths, or select only fields with tramlines (fields = [...])",
            )
    if pressure is not None:
        for key in sorted({change.outfit or one.outfit for one in chosen}):
            outfit = outfits.get(key)
            if outfit is not None:
                parse_pressures(
                    ledger,
                    pressure,
                    f"{where}, pressure (outfit {key})",
                    [axle.key for axle in outfit.axles()],
                )
