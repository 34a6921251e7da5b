"""zones.csv and compare.csv: the zone table, and each scenario beside base."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from trafficplan.names import ZONE_COLUMNS

KEYS = ("field", "zone", "depth_m")
VALUES = tuple(
    name for name, _, _ in ZONE_COLUMNS if name not in ("scenario", "field", "zone", "depth_m", "layer", "area_ha")
)
#: Digits after the point, by column; six significant digits otherwise.
DIGITS = {
    "area_ha": 4,
    "wheeled_pct": 3,
    "passes_mean": 4,
    "passes_max": 4,
    "traffic_t_km_ha": 4,
    "depth_m": 3,
    "stress_kpa_p95": 2,
    "ratio_p95": 4,
    "overstressed_ha": 4,
    "chance_mean": 5,
    "compaction_mean": 5,
    "depth_reached_m_p95": 3,
}


def text(column: str, value: object) -> str:
    """Return a value as it stands in the tables.

    Examples
    --------
    >>> text("area_ha", 1.23456), text("zone", "all")
    ('1.2346', 'all')
    """
    return f"{value:.{DIGITS[column]}f}" if isinstance(value, float) else str(value)


def _write(path: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def write_zones(path: Path, rows: Iterable[Mapping[str, object]]) -> None:
    """Write zones.csv, columns as names.ZONE_COLUMNS."""
    header = [name for name, _, _ in ZONE_COLUMNS]
    _write(path, header, ([text(name, row[name]) for name in header] for row in rows))


def write_compare(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    """Write compare.csv: per field, zone and depth each scenario's values and their difference from base."""
    base = {tuple(row[key] for key in KEYS): row for row in rows if row["scenario"] == "base"}
    header = [*KEYS, "layer", "scenario", *VALUES, *(f"{name}_minus_base" for name in VALUES)]
    lines = []
    for row in sorted(rows, key=lambda r: (str(r["field"]), str(r["zone"]), r["depth_m"], r["scenario"] != "base")):
        against = base[tuple(row[key] for key in KEYS)]
        fixed = [text(name, row[name]) for name in (*KEYS, "layer", "scenario")]
        values = [text(name, row[name]) for name in VALUES]
        less = [text(name, float(str(row[name])) - float(str(against[name]))) for name in VALUES]
        lines.append([*fixed, *values, *less])
    _write(path, header, lines)
