"""Prices: the table `prices` of farm.toml, or a file with the same content."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field as Key

from trafficplan.errors import InputError, Problem
from trafficplan.farm.prices import CropPrice, Prices
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.toml_file import Table, checked, read_toml


class CropTable(Table):
    """Yield and price of one crop."""

    yield_t_ha: float = Key(gt=0, le=200)
    price_t: float = Key(gt=0, le=1e6)


class PricesTable(Table):
    """Prices as written."""

    currency: str
    hour: float | None = Key(default=None, gt=0, le=1e5)
    crops: dict[str, CropTable] = Key(default_factory=dict)


def prices_of(table: PricesTable | None) -> Prices | None:
    """Return prices as plain data; None where none are written."""
    if table is None:
        return None
    crops = {key.strip().lower(): CropPrice(one.yield_t_ha, one.price_t) for key, one in table.crops.items()}
    return Prices(table.currency, table.hour, crops)


def read_prices(path: Path) -> Prices:
    """Read a file of prices.

    Raises
    ------
    InputError
        It is missing, or something in it is wrong.
    """
    if not path.is_file():
        mend = "check the path, or write prices into farm.toml"
        raise InputError(Problem("no such file of prices", str(path), "nothing", "a TOML file", mend))
    ledger = Ledger(path.resolve().parent)
    data = read_toml(ledger, path.resolve())
    if data is not None and set(data) == {"prices"} and isinstance(data["prices"], dict):
        data = data["prices"]
    table = checked(ledger, PricesTable, data, path.name) if data is not None else None
    if ledger.problems or table is None:
        raise InputError(ledger.problems)
    found = prices_of(table)
    assert found is not None
    return found
