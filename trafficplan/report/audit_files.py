"""The files of an audit beside its page: tables as CSV, a GeoPackage with styles, scenarios to run again, audit.json."""

from __future__ import annotations

import csv
import errno
import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely import LineString, MultiPolygon, Point

from trafficplan.decide.audit_rows import Row
from trafficplan.decide.audit_tables import TABLES
from trafficplan.decide.changes import Proposal
from trafficplan.decide.farm_account import FarmAccount, whole_of
from trafficplan.farm.farm import Farm
from trafficplan.farm.operation import Scenario
from trafficplan.farm.season import selects
from trafficplan.inputs.write_scenario import scenario_toml
from trafficplan.report.vector import UNWRITTEN, add_style, graduated, write_layer
from trafficplan.report.words import CHANCE_WORDS

AUDIT = "audit.json"
SCENARIOS = "scenarios.toml"
#: Digits after the point by the end of a column's name; five significant digits otherwise.
DIGITS = {"_ha": 4, "_pct": 3, "_km": 3, "_h": 3, "_kg": 1, "_m": 3, "_m2": 1, "_bar": 3, "_t": 3, "_money": 2}


def plain(name: str, value: object) -> object:
    """Return a value of a table as it is written: numbers rounded by the unit that their column's name ends with.

    Examples
    --------
    >>> plain("area_ha", 1.23456), plain("field", "Park"), plain("worked_ha", None)
    (1.2346, 'Park', None)
    """
    if isinstance(value, bool) or not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return None
    ending = next((end for end in sorted(DIGITS, key=len, reverse=True) if name.endswith(end)), "")
    return round(value, DIGITS[ending]) if ending else float(f"{value:.5g}")


def plain_rows(rows: Sequence[Mapping[str, object]]) -> list[Row]:
    """Return rows as they are written."""
    return [{name: plain(name, value) for name, value in row.items()} for row in rows]


def write_tables(folder: Path, tables: Mapping[str, Sequence[Mapping[str, object]]]) -> None:
    """Write each table as CSV into a folder; empty ones as a header alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for table in TABLES:
        with (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(table.columns)
            for row in tables[table.name]:
                writer.writerow(["" if (cell := plain(name, row[name])) is None else cell for name in table.columns])


#: Share of a field with likely lasting damage: label and upper bound of its steps [%]; ours.
SHARE_STEPS = (
    ("up to 5 %", 5.0),
    ("5 to 10 %", 10.0),
    ("10 to 20 %", 20.0),
    ("20 to 40 %", 40.0),
    ("over 40 %", 100.0),
)


#: Chance of lasting damage at a place, and hectares that are gone without a drive: label and upper bound; ours.
CHANCE_STEPS = tuple((word, min(upper, 1.0)) for upper, word in CHANCE_WORDS)
GONE_STEPS = (
    ("up to 0.1 ha", 0.1),
    ("0.1 to 0.3 ha", 0.3),
    ("0.3 to 1 ha", 1.0),
    ("1 to 3 ha", 3.0),
    ("over 3 ha", 1000.0),
)


def write_map(path: Path, account: FarmAccount, tables: Mapping[str, Sequence[Mapping[str, object]]]) -> None:
    """Write audit.gpkg: fields, worst places and drives, each with its table's columns; all open with a style.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    try:
        _write_map(path, account, tables)
    except (*UNWRITTEN, sqlite3.Error) as error:  # a full disk shows in any of these forms
        raise OSError(errno.EIO, f"{path.name}: {str(error)[:200]}") from None


def _write_map(path: Path, account: FarmAccount, tables: Mapping[str, Sequence[Mapping[str, object]]]) -> None:
    path.unlink(missing_ok=True)
    crs = account.farm.crs
    fields = plain_rows(tables["fields"])
    if not fields:
        return
    for row in fields:
        area = float(str(row["area_ha"]))
        row["lasting_likely_pct"] = round(100 * float(str(row["lasting_likely_ha"])) / area, 3) if area else 0.0
    shapes = [account.farm.fields[str(row["field"])].polygon for row in fields]
    many = [shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape]) for shape in shapes]
    write_layer(path, "fields", gpd.GeoDataFrame(fields, geometry=many, crs=crs))
    if account.worst:
        points = [Point(place.x, place.y) for place in account.worst]
        write_layer(
            path, "places", gpd.GeoDataFrame(plain_rows(tables["places"]), geometry=points, crs=crs), append=True
        )
    drives = [(row, _drive(account, row)) for row in plain_rows(tables["operations"])]
    there = [(row, line) for row, line in drives if not line.is_empty]
    if there:
        frame = gpd.GeoDataFrame([row for row, _ in there], geometry=[line for _, line in there], crs=crs)
        write_layer(path, "drives", frame, append=True)
    style = graduated("lasting_likely_pct", SHARE_STEPS, "magma_r")
    add_style(path, "fields", "lasting damage", "share of the field with likely lasting damage", style)
    if account.worst:
        style = graduated("chance_mean", CHANCE_STEPS, "magma_r", "point")
        add_style(path, "places", "chance of lasting damage", "mean over the place", style)
    if there:
        style = graduated("gone_expected_ha", GONE_STEPS, "magma_r", "line")
        add_style(path, "drives", "what each did", "expected lasting damage that is gone without it", style)


def _drive(account: FarmAccount, row: Mapping[str, object]) -> LineString:
    return account.summaries[str(row["field"])].drives.get(str(row["operation"]), LineString())


def scenarios_text(account: FarmAccount) -> str:
    """Return scenarios.toml of the result: every proposal and the chosen ones together, ready for the farm's own file.

    What only the audit knows (operations added for logs, trips estimated) cannot be named there and is left out.
    """
    parts = [
        "# Changes that the audit tried. Put those you want into the farm's own scenarios.toml;",
        "# then: trafficplan map FARM --scenario NAME",
        "",
    ]
    for one in (*account.proposals, *([account.together] if account.together else [])):
        written = as_written(one.scenario, account.as_read)
        if written is not None:
            parts += [_about(one), scenario_toml(written, account.as_read)]
    return "\n".join(parts)


def as_written(scenario: Scenario, farm: Farm) -> Scenario | None:
    """Return a scenario that names only what stands in a farm's folder; None where nothing is left of it."""
    keys, jobs = {one.key for one in farm.operations}, {one.job for one in farm.operations}
    changes = []
    for change in scenario.changes:
        mine = replace(
            change,
            operations=tuple(one for one in change.operations if one in keys),
            jobs=tuple(one for one in change.jobs if one in jobs),
        )
        kept = bool(mine.operations) >= bool(change.operations) and bool(mine.jobs) >= bool(change.jobs)
        if kept and any(selects(mine, one) for one in farm.operations):
            changes.append(mine)
    return replace(scenario, changes=tuple(changes)) if changes else None


def _about(one: Proposal) -> str:
    spared, hours = one.spared_ha, one.extra_hours
    low, high, word = (hours.low, hours.high, "more") if hours.middle >= 0 else (-hours.high, -hours.low, "less")
    return f"# spares {spared.low:.2f} to {spared.high:.2f} ha of expected lasting damage ({one.likely_spared_ha:.2f} ha no longer likely, as map counts), takes {low:.1f} to {high:.1f} h {word}"


def result_of(
    account: FarmAccount,
    tables: Mapping[str, Sequence[Mapping[str, object]]],
    out: str,
    earlier: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """Return an account as the JSON answer tells it; names end with their unit.

    Parameters
    ----------
    out : where the result stands
    earlier : "season" and "rows" of the comparison, or None
    """
    whole, told = whole_of(account.fields), account.concentrated
    rows = {name: plain_rows(table) for name, table in tables.items()}
    head: dict[str, object] = {
        "farm": account.farm.key,
        "title": account.farm.title,
        "season": account.season,
        "out": out,
        "cell_m": account.cell_m,
        "area_ha": whole.area_ha,
        "wheeled_ha": whole.wheeled_ha,
        "wheeled_pct": whole.wheeled_pct,
        "covered_ha": whole.covered_ha,
        "lasting_likely_ha": whole.likely_ha,
        "lasting_expected_ha": whole.expected_ha,
        "lasting_expected_low_ha": whole.stronger_ha,
        "lasting_expected_high_ha": whole.weaker_ha,
        "traffic_t_km": whole.traffic_t_km,
        "drive_km": whole.drive_km,
        "time_h": whole.hours,
        "worst_tenth_share_pct": 100 * told.worst_share,
        "edge_share_pct": 100 * told.edge_share,
        "edge_area_pct": 100 * told.edge_area_share,
        "topsoil_over_ha": whole.over_topsoil_ha,
        "topsoil_tilled_after_ha": whole.mended_ha,
        "loosening_reaches_ha": whole.loosened_ha,
        "loosening_beyond_ha": whole.beyond_ha,
        "shared_lanes_wheeled_ha": whole.shared_lanes_ha,
        "worn_before_ha": whole.worn_ha,
        "worn_before_likely_ha": whole.worn_likely_ha,
        "currency": account.prices.currency if account.prices else None,
    }
    return {
        **{name: plain(name, value) for name, value in head.items()},
        **rows,
        "without_operation": [one.log for one in account.matched.without_operation],
        "without_log": list(account.matched.without_log),
        "failed": {key: [problem.as_dict() for problem in problems] for key, problems in account.failed.items()},
        "earlier": earlier,
    }


def write_audit(path: Path, result: Mapping[str, Any]) -> None:
    """Write audit.json: the JSON answer of this farm but where it stands, read again by --against (audit_earlier.py)."""
    told = {name: value for name, value in result.items() if name != "out"}
    path.write_text(json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
