"""Soil samples as a table: one row per place, with longitude and latitude, or x and y of a told system."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from pyproj import CRS
from shapely import Point

from trafficplan.inputs.column_units import Column
from trafficplan.inputs.coordinates import Feature, Layer, coordinates_possible
from trafficplan.inputs.known_columns import KNOWN, PLACES
from trafficplan.inputs.ledger import Ledger, listed
from trafficplan.inputs.paths import inside
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import header_of, read_table
from trafficplan.inputs.vector import ENDINGS as MAP_ENDINGS

ENDINGS = (".csv", ".txt")

#: Names under which tables hold places, ours first; longitude and latitude are tried before x and y.
_COMMON = {
    "lon": ("lon", "long", "longitude", "lng"),
    "lat": ("lat", "latitude"),
    "x": ("x", "east", "easting", "x_coord"),
    "y": ("y", "north", "northing", "y_coord"),
}
_PAIRS = (("lon", "lat"), ("x", "y"))
#: No place on the earth has larger coordinates in metres.
_FAR = 1e8


def soil_tables(ledger: Ledger, settings: Settings) -> list[str]:
    """Return the tables of soil samples that farm.toml names as soil, or `soil.csv` where it names nothing."""
    named = settings.files.soil
    if named is None:
        if not (ledger.folder / "soil.csv").exists():
            return []
        maps = [f"soil{ending}" for ending in MAP_ENDINGS if (ledger.folder / f"soil{ending}").exists()]
        if maps:
            why = "one of them is enough; name the right one in farm.toml, table files"
            ledger.warned("soil: several files", f"{maps[0]} is read, soil.csv not", why)
        return [] if maps else ["soil.csv"]
    names = [named] if isinstance(named, str) else named
    return [name for name in names if Path(name).suffix.lower() in ENDINGS]


def read_soil_table(ledger: Ledger, settings: Settings, name: str) -> Layer | None:
    """Return the samples as a layer of points, or None with problems.

    Without a system in farm.toml, `lon` and `lat` are WGS 84, and `x` and `y` the farm's own `crs`.
    """
    path = inside(ledger, name, "farm.toml, files, soil" if settings.files.soil is not None else name)
    if path is None:
        return None
    columns = settings.columns.soil
    header = header_of(ledger, path)
    if header is None:
        return None
    pair, found = _place_columns(header, columns)
    if not pair:
        ledger.problem(
            "soil samples without their places",
            f"{name}, row 1",
            f"columns {listed(header)}",
            "columns lon and lat, or x and y",
            'add them, or say which they are in farm.toml, table columns.soil: lon = "..."',
        )
        return None
    crs = _system(ledger, settings, name, pair)
    known = (*KNOWN["soil"], *pair)
    records = read_table(ledger, path, known, pair, {**columns, **found})
    if crs is None or not records:
        if crs is not None and ledger.count() == 0:
            ledger.problem("no soil samples", name, "a header alone", "a row for each sample", "add the rows")
        return None
    high = (180.0, 90.0) if crs.is_geographic else (_FAR, _FAR)
    unit = "degrees" if crs.is_geographic else "m"
    features = []
    for record in records:
        x, y = (record.number(one, -most, most, unit, required=True) for one, most in zip(pair, high, strict=True))
        if x is not None and y is not None:
            features.append(Feature(record, Point(x, y)))
    layer = Layer(name, crs, tuple(features))
    return layer if features and coordinates_possible(ledger, layer) else None


def _place_columns(header: list[str], columns: Mapping[str, Column]) -> tuple[tuple[str, ...], dict[str, Column]]:
    """Return which pair of our columns the table has (() for none), and the file's columns for them."""
    plain = {re.sub(r"[^a-z]+", "_", one.lower()).strip("_"): one for one in reversed(header)}
    for pair in _PAIRS:
        found = {}
        for ours in pair:
            if ours in columns:
                found[ours] = columns[ours]
            else:
                theirs = next((plain[name] for name in _COMMON[ours] if name in plain), None)
                found |= {ours: Column(theirs)} if theirs is not None else {}
        if len(found) == len(pair):
            return pair, found
    return (), {}


def _system(ledger: Ledger, settings: Settings, name: str, pair: tuple[str, ...]) -> CRS | None:
    told = settings.systems.get("soil")
    if told is not None:
        return told
    if pair == PLACES[:2]:
        return CRS.from_epsg(4326)
    if settings.crs is not None:
        ledger.assumed(f"{name}: coordinate system", settings.crs.name, "not told; the farm's own", "farm.toml, crs")
        return settings.crs
    ledger.problem(
        "no coordinate system (CRS)",
        name,
        "x and y of no told system",
        "a named coordinate system",
        'name it in farm.toml, table coordinate_systems: soil = "EPSG:..."',
    )
    return None
