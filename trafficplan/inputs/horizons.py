"""Horizons of the soil units: from a table, or from the properties of the soil map's polygons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from trafficplan.errors import InputError
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
#: Sand, silt and clay may miss 100 % by this much (rounding of each).
ROUNDING_PCT = 2.0

_STATES = ("settled", "tilled", "pan")


def read_horizons(ledger: Ledger, settings: Settings) -> dict[str, SoilUnit | None] | None:
    """Return the units of the table (None: there, but wrong), or None where the farm has no such table."""
    named = settings.files.horizons
    if named is None and not (ledger.folder / "horizons.csv").exists():
        return None
    path = inside(ledger, named or "horizons.csv", "farm.toml, files, horizons")
    if path is None:
        return {}
    rows = read_table(
        ledger, path, KNOWN["horizons"], ("unit", "top_m", "bottom_m"), settings.columns.horizons
    )
    groups: dict[str, list[Record]] = {}
    for record in rows:
        key = record.text("unit", "the key of a soil unit", required=True)
        if key:
            groups.setdefault(key, []).append(record)
    return {key: _unit(ledger, key, records) for key, records in groups.items()}


def unit_from_properties(record: Record, key: str) -> SoilUnit | None:
    """Return the unit that the properties of one polygon describe: one horizon down to 1 m."""
    horizon = _horizon(record, 0.0, DEPTH_NEEDED_M, "settled")
    if horizon is None:
        return None
    return SoilUnit(key, record.text("title") or key, (horizon,), record.flag("swelling"))


def _unit(ledger: Ledger, key: str, records: Sequence[Record]) -> SoilUnit | None:
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
    return SoilUnit(key, key, tuple(joined), swelling) if joined else None


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


def _horizon(
    record: Record, top: float, bottom: float, state: Literal["settled", "tilled", "pan"]
) -> Horizon | None:
    before = record.ledger.count()
    sand, silt, clay = _fractions(record)
    texture = _texture(record, sand, clay)
    organic = record.number("organic_pct", 0, 100, "%")
    density = record.number("density_g_cm3", 0.1, 2.65, "g/cm3")
    stones = record.number("stones_pct", 0, 95, "%")
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
        None if stones is None else stones / 100,
        None if strength is None else strength * 1e3,
        int(cores or 0),
        state,
    )


def _fractions(record: Record) -> tuple[float | None, float | None, float | None]:
    sand, silt, clay = (record.number(f"{name}_pct", 0, 100, "%") for name in ("sand", "silt", "clay"))
    if sand is None and silt is not None and clay is not None:
        sand = 100 - silt - clay
    if clay is None and sand is not None and silt is not None:
        clay = 100 - sand - silt
    if sand is None or clay is None:
        return None, None, None
    rest = 100 - sand - clay
    total = sand + clay + (rest if silt is None else silt)
    if 0 < total <= 1.02 and silt is not None:
        record.problem(
            "sand_pct",
            "fractions where percent belong",
            f"sum {total:g}",
            "sand, silt and clay in %",
            "multiply the three columns by 100",
        )
    elif rest < -ROUNDING_PCT or min(sand, clay) < -ROUNDING_PCT or abs(total - 100) > ROUNDING_PCT:
        record.problem(
            "sand_pct",
            "sand, silt and clay do not add up",
            f"{total if silt is not None else sand + clay:g} %",
            "100 % together (each of the fine earth)",
            "check the three columns",
        )
    sand, clay = min(max(sand, 0.0), 100.0), min(max(clay, 0.0), 100.0)
    return sand / 100, max(0.0, 100 - sand - clay) / 100, clay / 100


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
    if word and computed and word != computed:
        record.ledger.warned(
            f"{record.where}: texture",
            word,
            f"sand and clay make {computed}; the class that is written counts",
        )
    return word or None
