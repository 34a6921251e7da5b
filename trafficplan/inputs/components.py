"""Soil units that mix several soils: the table of their shares, and the largest one of each unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.paths import inside
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table

#: The shares of a unit may miss 100 % by this much upwards (rounding); less is common (small soils left out).
_ROUNDING_PCT = 2.0


@dataclass(frozen=True)
class Component:
    """One soil within a unit of the map: its key in the horizon table, its name, its share of the unit [%]."""

    key: str
    name: str
    share_pct: float


def read_components(ledger: Ledger, settings: Settings) -> dict[str, tuple[Component, ...]] | None:
    """Return the soils of each unit in file order, or None where the farm has no such table."""
    named = settings.files.components
    if named is None and not (ledger.folder / "components.csv").exists():
        return None
    path = inside(ledger, named or "components.csv", "farm.toml, files, components")
    if path is None:
        return {}
    columns = settings.columns.components
    units: dict[str, list[Component]] = {}
    for record in read_table(ledger, path, KNOWN["components"], ("unit", "component", "share_pct"), columns):
        unit = record.text("unit", "the key of a soil unit", required=True)
        key = record.text("component", "the key of a soil in the horizon table", required=True)
        share = record.number("share_pct", 0, 100, "%", required=True)
        if unit and key and share is not None:
            found = units.setdefault(unit, [])
            if any(one.key == key for one in found):
                record.problem("component", "a soil comes twice in one unit", key, "each once", "remove one row")
            found.append(Component(key, record.text("name") or key, share))
    for unit, parts in units.items():
        total = sum(one.share_pct for one in parts)
        if total > 100 + _ROUNDING_PCT:
            ledger.problem(
                "the soils of a unit are more than the whole",
                f"{path.name}, unit {unit}",
                f"{total:g} %",
                "shares that add up to at most 100 %",
                "correct share_pct",
            )
    return {unit: tuple(parts) for unit, parts in units.items()}


def largest(parts: Collection[Component], with_horizons: Collection[str]) -> Component | None:
    """Return the soil with the largest share among those with horizons (the first of equal ones), or None."""
    known = [one for one in parts if one.key in with_horizons]
    return max(known, key=lambda one: one.share_pct, default=None)


def note_of_choice(ledger: Ledger, unit: str, chosen: Mapping[str, tuple[Component, int]]) -> None:
    """Note which soil stands for a unit, with its share; a unit of one soil needs no word."""
    if unit not in chosen or chosen[unit][0].share_pct >= 100:
        return
    part, count = chosen[unit]
    ledger.assumed(
        f"soil unit {unit}: one of its {count} soils",
        f"{part.name} ({part.share_pct:g} % of the unit)",
        "the map does not say where in the unit each soil lies; the largest one with horizons stands for all",
        "largest share",
    )
