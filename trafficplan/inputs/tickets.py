"""Axle tickets: an outfit weighed axle by axle, empty and full, in a table of its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from trafficplan.errors import InputError, Problem
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.record import Record
from trafficplan.inputs.table import read_table
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.units import GRAVITY

COLUMNS = ("axle", "empty_kg", "full_kg")

#: The empty axles may differ from the outfit's by this share in sum (ours).
MASS_SHARE = 0.10


def weighed_outfit(outfit: Outfit, path: Path) -> Outfit:
    """Return the outfit with the axle loads of tickets; its capacity is the load that they were weighed with.

    Raises
    ------
    InputError
        A column or an axle is missing or unknown, a full axle sum is below the empty one, or the empty axles
        do not add up to the outfit's mass.
    """
    ledger = Ledger(path.resolve().parent)
    if not path.is_file():
        raise InputError(
            Problem("no such file", "option --tickets", str(path), "a table of axle tickets", "check the path")
        )
    rows = read_table(ledger, path.resolve(), COLUMNS, COLUMNS)
    tickets: dict[str, tuple[float, float]] = {}
    for record in rows:
        _take(record, outfit, tickets)
    missing = [axle.key for axle in outfit.axles() if axle.key not in tickets]
    if not ledger.problems and missing:
        ledger.problem(
            "axles without a ticket",
            path.name,
            f"no row for {listed(missing)}",
            f"one row for each of {listed(axle.key for axle in outfit.axles())}",
            "weigh every axle, hitched, empty and full",
        )
    if not ledger.problems:
        _check_sums(ledger, outfit, tickets, path.name)
    if ledger.problems:
        raise InputError(ledger.problems)
    return _with_loads(outfit, tickets)


def _take(record: Record, outfit: Outfit, tickets: dict[str, tuple[float, float]]) -> None:
    key = record.text("axle", "the name of an axle", required=True)
    known = [axle.key for axle in outfit.axles()]
    if key and key not in known:
        near = nearest(key, known)
        record.problem("axle", "unknown axle", key, f"one of {listed(known)}", f"write {near or known[0]}")
    elif key in tickets:
        record.problem("axle", "an axle comes twice", key, "one row per axle", "remove one of them")
    empty = record.number("empty_kg", 50, 40_000, "kg", required=True)
    full = record.number("full_kg", 50, 40_000, "kg", required=True)
    if key and empty is not None and full is not None:
        tickets[key] = (empty, full)


def _check_sums(ledger: Ledger, outfit: Outfit, tickets: dict[str, tuple[float, float]], name: str) -> None:
    empty, full = (sum(pair[i] for pair in tickets.values()) for i in (0, 1))
    own = sum(axle.empty_n for axle in outfit.axles()) / GRAVITY
    if abs(empty - own) > MASS_SHARE * own:
        ledger.problem(
            "the tickets do not add up to the outfit's mass",
            f"{name}, column empty_kg",
            f"{empty:.0f} kg over all axles",
            f"{own:.0f} kg, as in outfits/{outfit.key}.toml, within a tenth",
            "weigh it again hitched and empty, or mend the outfit file",
        )
    if outfit.capacity_kg > 0 and not 0 < full - empty <= 1.3 * outfit.capacity_kg:
        ledger.problem(
            "the tickets do not add up to a load",
            f"{name}, column full_kg",
            f"{full - empty:.0f} kg between full and empty",
            f"more than 0 and near the outfit's {outfit.capacity_kg:.0f} kg",
            "check which ticket is the full one",
        )


def _with_loads(outfit: Outfit, tickets: dict[str, tuple[float, float]]) -> Outfit:
    def weighed(axle: Axle) -> Axle:
        empty, full = tickets[axle.key]
        return replace(axle, empty_n=empty * GRAVITY, full_n=full * GRAVITY)

    vehicles = tuple(
        replace(vehicle, axles=tuple(weighed(axle) for axle in vehicle.axles)) for vehicle in outfit.vehicles
    )
    load = sum(full - empty for empty, full in tickets.values())
    return replace(outfit, vehicles=vehicles, capacity_kg=load if outfit.capacity_kg > 0 else 0.0)
