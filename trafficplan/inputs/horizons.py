"""Horizons of the soil units: from a table, or from the properties of the soil map's polygons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from trafficplan.errors import InputError
from trafficplan.inputs.components import Component, largest, read_components
from trafficplan.inputs.fractions import ROUNDING_PCT, fractions_of, stones_of
from trafficplan.inputs.known_columns import KNOWN
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.paths import inside
from trafficplan.inputs.record import Record
from trafficplan.inputs.settings import Settings
from trafficplan.inputs.table import read_table
from trafficplan.soil.texture import TEXTURES, texture_class
from trafficplan.soil.unit import Horizon, SoilUnit

#: Depth to which a soil must be described [m]; the lowest horizon is taken to go on to it.
DEPTH_NEEDED_M = 1.0
_STATES = ("settled", "tilled", "pan")


@dataclass(frozen=True)
class HorizonTable:
    """Units of the table (None: there, but wrong), and which soil of how many stands for a mixed unit."""

    units: Mapping[str, SoilUnit | None]
    chosen: Mapping[str, tuple[Component, int]] = field(default_factory=dict)


def read_horizons(ledger: Ledger, settings: Settings) -> HorizonTable | None:
    """Return the units of the table, or None where the farm has no such table.

    With a table of components the rows belong to components, and the largest one with horizons is the unit.
    """
    named = settings.files.horizons
    parts = read_components(ledger, settings)
    if named is None and parts is None and not (ledger.folder / "horizons.csv").exists():
        return None
    path = inside(ledger, named or "horizons.csv", "farm.toml, files, horizons")
    if path is None:
        return HorizonTable({})
    join = "unit" if parts is None else "component"
    columns = settings.columns.horizons
    rows = read_table(ledger, path, KNOWN["horizons"], (join, "top_m", "bottom_m"), columns)
    groups: dict[str, list[Record]] = {}
    for record in rows:
        key = record.text(join, f"the key of a soil {join}", required=True)
        if key:
            groups.setdefault(key, []).append(record)
    if parts is None:
        return HorizonTable({key: _unit(ledger, key, records) for key, records in groups.items()})
    chosen = {unit: (one, len(found)) for unit, found in parts.items() if (one := largest(found, groups))}
    units = {unit: _unit(ledger, unit, groups[one.key], one.name) for unit, (one, _) in chosen.items()}
    return HorizonTable(units, chosen)


def unit_from_properties(record: Record, key: str) -> SoilUnit | None:
    """Return the unit that the properties of one polygon describe: one horizon down to 1 m."""
    horizon = _horizon(record, 0.0, DEPTH_NEEDED_M, "settled")
    if horizon is None:
        return None
    return SoilUnit(key, record.text("title") or key, (horizon,), record.flag("swelling"))


def _unit(ledger: Ledger, key: str, records: Sequence[Record], title: str = "") -> SoilUnit | None:
    before = ledger.count()
    horizons: list[tuple[Horizon, Record]] = []
    for record in records:
        top = record.number("top_m", 0, 10, "m", required=True)
        bottom = record.number("bottom_m", 0, 10, "m", required=True)
        state = _state(record)
        if top is None or bottom is None:
            continue
        if bottom <= top:
            record.problem(
                "bottom_m",
                "a horizon that ends where it begins or above",
                f"{top:g} to {bottom:g} m",
                "a bottom below the top",
                "swap or correct the two depths",
            )
            continue
        horizon = _horizon(record, top, bottom, state)
        if horizon is not None:
            horizons.append((horizon, record))
    if ledger.count() > before or not horizons:
        return None
    horizons.sort(key=lambda pair: pair[0].top_m)
    joined = _joined(ledger, key, horizons)
    swelling = any(record.flag("swelling") for record in records)
    return SoilUnit(key, title or key, tuple(joined), swelling) if joined else None


def _state(record: Record) -> Literal["settled", "tilled", "pan"]:
    word = record.choice("state", _STATES)
    return "tilled" if word == "tilled" else "pan" if word == "pan" else "settled"


def _joined(ledger: Ledger, key: str, horizons: Sequence[tuple[Horizon, Record]]) -> list[Horizon]:
    """Return horizons without gaps from the surface to the depth needed; overlaps are refused."""
    result: list[Horizon] = []
    reach = 0.0
    for horizon, record in horizons:
        if horizon.top_m < reach - 0.005:
            record.problem(
                "top_m",
                "two horizons overlap",
                f"this one begins at {horizon.top_m:g} m, the one above ends at {reach:g} m",
                f"top_m = {reach:g}",
                "correct the depths of the two",
            )
            return []
        if horizon.top_m > reach + 0.005:
            what = "the horizon below goes up to the surface" if not result else "the horizon above goes on"
            ledger.assumed(
                f"soil unit {key}: {reach:g} to {horizon.top_m:g} m",
                what,
                "no horizon given there",
                "nearest horizon",
            )
            if result:
                result[-1] = _moved(result[-1], bottom=horizon.top_m)
            else:
                horizon = _moved(horizon, top=0.0)
        result.append(horizon)
        reach = horizon.bottom_m
    if reach < DEPTH_NEEDED_M - 0.005:
        ledger.assumed(
            f"soil unit {key}: {reach:g} to {DEPTH_NEEDED_M:g} m",
            "the lowest horizon goes on",
            "no horizon given there",
            "nearest horizon",
        )
        result[-1] = _moved(result[-1], bottom=DEPTH_NEEDED_M)
    return result


def _moved(horizon: Horizon, *, top: float | None = None, bottom: float | None = None) -> Horizon:
    return replace(
        horizon,
        top_m=horizon.top_m if top is None else top,
        bottom_m=horizon.bottom_m if bottom is None else bottom,
    )


def _horizon(record: Record, top: float, bottom: float, state: Literal["settled", "tilled", "pan"]) -> Horizon | None:
    before = record.ledger.count()
    sand, silt, clay = fractions_of(record)
    texture = _texture(record, sand, clay)
    organic = record.number("organic_pct", 0, 100, "%")
    density = record.number("density_g_cm3", 0.1, 2.65, "g/cm3")
    stones = stones_of(record, density)
    strength = record.number("strength_kpa", 5, 2000, "kPa")
    cores = record.number("cores", 0, 10_000, "cores")
    if record.ledger.count() > before or texture is None:
        return None
    return Horizon(
        top,
        bottom,
        texture,
        sand,
        silt,
        clay,
        organic,
        None if density is None else density * 1e3,
        stones,
        None if strength is None else strength * 1e3,
        int(cores or 0),
        state,
    )


def _texture(record: Record, sand: float | None, clay: float | None) -> str | None:
    """Return the class: given, else from sand and clay; a class that contradicts them is warned of."""
    computed = None
    if sand is not None and clay is not None and sand + clay <= 1 + ROUNDING_PCT / 100:
        try:
            computed = texture_class(min(sand, 1 - clay), clay)
        except InputError as error:
            record.ledger.take_over(error, record.place("sand_pct"))
    if not record.has("texture"):
        if computed is None:
            record.problem(
                "texture",
                "no texture",
                "nothing",
                f"one of {', '.join(TEXTURES)}; or sand_pct and clay_pct",
                "fill in the texture",
            )
        return computed
    given = {**dict(record.values), "texture": record.text("texture").replace("_", " ").replace("-", " ")}
    word = Record(record.ledger, record.where, given).choice("texture", TEXTURES)
    if word and computed is None and record.ledger.silt_bound_um != 50.0:
        record.ledger.warned(
            f"{record.where}: texture",
            word,
            "taken as a USDA class (silt to 50 um) although the farm's silt ends elsewhere: a word cannot be converted",
        )
    if word and computed and word != computed:
        record.ledger.warned(
            f"{record.where}: texture",
            word,
            f"sand and clay make {computed}; the class that is written counts",
        )
    return word or None
