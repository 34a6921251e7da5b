"""tyre_tables.csv: load, speed and pressure of a tyre as its maker tells its owner."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from trafficplan.errors import InputError
from trafficplan.inputs.amounts import BAR_HIGH, BAR_LOW
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table
from trafficplan.machines.tyre import tyre_from_code
from trafficplan.machines.tyre_table import TyreRow, TyreTable


@dataclass(frozen=True)
class _Read:
    record: Record
    row: TyreRow


def read_tyre_tables(ledger: Ledger, settings: Settings) -> dict[str, TyreTable]:
    """Return the tables by tyre code; none where the farm has no such file."""
    named = settings.files.tyre_tables
    if named is None and not (ledger.folder / "tyre_tables.csv").exists():
        return {}
    path = inside(ledger, named or "tyre_tables.csv", "farm.toml, files, tyre_tables")
    if path is None:
        return {}
    groups: dict[str, list[_Read]] = defaultdict(list)
    for record in read_table(ledger, path, KNOWN["tyre_tables"], KNOWN["tyre_tables"], settings.columns.tyre_tables):
        tyre = record.text("tyre", "the size code", required=True)
        load = record.number("load_kg", 50, 20_000, "kg", required=True)
        speed = record.number("speed_km_h", 0, 100, "km/h", required=True)
        bar = record.number("pressure_bar", BAR_LOW, BAR_HIGH, "bar", required=True)
        if tyre and load is not None and speed is not None and bar is not None:
            groups[" ".join(tyre.split())].append(_Read(record, TyreRow(load, speed / 3.6, bar * 1e5)))
    for tyre, rows in groups.items():
        _check_code(ledger, tyre, rows[0].record)
    for rows in groups.values():
        _check_order(rows)
    return {
        tyre: TyreTable(tyre, tuple(sorted((one.row for one in rows), key=lambda r: (r.speed_m_s, r.load_kg))))
        for tyre, rows in sorted(groups.items())
    }


def _check_code(ledger: Ledger, tyre: str, first: Record) -> None:
    """Check that a table's size code is one that tyres have."""
    try:
        tyre_from_code(tyre, first.place("tyre"))
    except InputError as error:
        ledger.take_over(error, first.place("tyre"))


def _check_order(rows: list[_Read]) -> None:
    """Check that more load or speed never goes with less pressure, and no two rows disagree."""
    _check_speeds(rows)
    ordered = sorted(rows, key=lambda one: (one.row.speed_m_s, one.row.load_kg, one.row.pressure_pa))
    for lower, upper in zip(ordered, ordered[1:], strict=False):
        if lower.row.speed_m_s != upper.row.speed_m_s:
            continue
        found = f"{upper.row.load_kg:g} kg at {upper.row.pressure_pa / 1e5:g} bar"
        if lower.row.load_kg == upper.row.load_kg and lower.row.pressure_pa != upper.row.pressure_pa:
            upper.record.problem(
                "pressure_bar",
                "two pressures for the same load and speed",
                found,
                "one row per load and speed",
                f"remove this row or {lower.record.where}",
            )
        elif upper.row.pressure_pa < lower.row.pressure_pa:
            upper.record.problem(
                "pressure_bar",
                "more load at less pressure",
                found,
                f"at least the {lower.row.pressure_pa / 1e5:g} bar of {lower.row.load_kg:g} kg",
                f"check this row and {lower.record.where}",
            )


def _check_speeds(rows: list[_Read]) -> None:
    """Check that no row asks for as much load at more speed with less pressure than another."""
    ordered = sorted(rows, key=lambda one: (one.row.load_kg, one.row.speed_m_s))
    for place, slower in enumerate(ordered):
        for faster in ordered[place + 1 :]:
            if faster.row.speed_m_s > slower.row.speed_m_s and faster.row.pressure_pa < slower.row.pressure_pa:
                faster.record.problem(
                    "pressure_bar",
                    "more speed at less pressure",
                    f"{faster.row.load_kg:g} kg, {faster.row.speed_m_s * 3.6:g} km/h, "
                    f"{faster.row.pressure_pa / 1e5:g} bar",
                    f"at least the {slower.row.pressure_pa / 1e5:g} bar of {slower.row.load_kg:g} kg at "
                    f"{slower.row.speed_m_s * 3.6:g} km/h",
                    f"check this row and {slower.record.where}",
                )
                return
