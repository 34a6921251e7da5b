"""farm.toml: names, units, working CRS, file names, column mapping, defaults."""

from __future__ import annotations

import codecs
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field
from pyproj import CRS
from pyproj.exceptions import CRSError

from trafficplan.farm.defaults import DEFAULTS
from trafficplan.farm.prices import Prices
from trafficplan.inputs.amounts import parse_moisture
from trafficplan.inputs.column_units import Column, known_units
from trafficplan.inputs.known_columns import KNOWN, PLACES
from trafficplan.inputs.ledger import Ledger, listed, nearest
from trafficplan.inputs.paths import inside
from trafficplan.inputs.prices import PricesTable, prices_of
from trafficplan.inputs.record import range_mend
from trafficplan.inputs.toml_file import Table, checked_in_part, read_toml

Names = str | list[str]


class TrackColumn(Table):
    """One column of a recorded track and its unit."""

    column: str
    unit: str = ""


class PressureColumn(TrackColumn):
    """The column of tyre pressure, and the axle whose tyres it was read of ("": of all)."""

    axle: str = ""


class TrackForm(Table):
    """How a recorded track is written: our column -> the file's column and unit; and which outfit recorded it."""

    time: TrackColumn | None = None
    x: TrackColumn | None = None
    y: TrackColumn | None = None
    speed: TrackColumn | None = None
    flow: TrackColumn | None = None
    load: TrackColumn | None = None
    step: TrackColumn | None = None
    record: TrackColumn | None = None
    date: TrackColumn | None = None
    machine: TrackColumn | None = None
    pressure: PressureColumn | None = None
    temperature: TrackColumn | None = None
    width: TrackColumn | None = None
    working: TrackColumn | None = None
    crs: str = "EPSG:4326"
    separator: Literal["tab", "comma", "semicolon"] | None = None
    outfit: str | None = None

    def describes(self) -> bool:
        """Tell whether it names columns of the file, and not only whose log it is."""
        return any(isinstance(value, TrackColumn) for _, value in self)


class Files(Table):
    """Other names of the farm's files."""

    fields: Names | None = None
    soil: Names | None = None
    access: Names | None = None
    tramlines: Names | None = None
    worn: Names | None = None
    horizons: str | None = None
    components: str | None = None
    elevation: str | None = None
    operations: str | None = None
    scenarios: str | None = None
    weather: str | None = None
    tyre_tables: str | None = None
    aerial: str | None = None
    seen: str | None = None


class Layers(Table):
    """Layers inside GeoPackages, by our name; a list goes with a list of files."""

    fields: Names | None = None
    soil: Names | None = None
    access: Names | None = None
    tramlines: Names | None = None
    worn: Names | None = None


def _as_column(value: Any) -> Column:
    """Turn a mapped column of farm.toml into a Column: its name alone, or a table with name and unit."""
    if isinstance(value, str):
        return Column(value)
    if isinstance(value, dict) and set(value) <= {"column", "unit"}:
        texts = [value.get("column", ""), value.get("unit", "")]
        if all(isinstance(text, str) for text in texts):
            return Column(*texts)
    raise ValueError('a column is "NAME" or { column = "NAME", unit = "cm" }')


Mapped = dict[str, Annotated[Any, BeforeValidator(_as_column)]]


class Columns(Table):
    """Our column -> the file's column (and its unit), by file."""

    fields: Mapped = Field(default_factory=dict)
    soil: Mapped = Field(default_factory=dict)
    access: Mapped = Field(default_factory=dict)
    tramlines: Mapped = Field(default_factory=dict)
    worn: Mapped = Field(default_factory=dict)
    horizons: Mapped = Field(default_factory=dict)
    components: Mapped = Field(default_factory=dict)
    operations: Mapped = Field(default_factory=dict)
    weather: Mapped = Field(default_factory=dict)
    tyre_tables: Mapped = Field(default_factory=dict)
    seen: Mapped = Field(default_factory=dict)


class Systems(Table):
    """Coordinate systems of files that name none, by what they are for."""

    fields: str | None = None
    soil: str | None = None
    access: str | None = None
    tramlines: str | None = None
    worn: str | None = None
    elevation: str | None = None


class SoilRaster(Table):
    """Soil as a raster: what its values stand for, or the two rasters of sand and clay and their unit."""

    classes: dict[str, str] = Field(default_factory=dict)
    sand: str | None = None
    clay: str | None = None
    unit: Literal["%", "g/kg", "fraction"] = "%"


class FarmTable(Table):
    """The whole of farm.toml."""

    name: str = ""
    season: int | None = Field(default=None, ge=1950, le=2200)
    timezone: str = ""
    units: Literal["metric", "us"] = "metric"
    crs: str | None = None
    files: Files = Files()
    layers: Layers = Layers()
    columns: Columns = Columns()
    coordinate_systems: Systems = Systems()
    soil_raster: SoilRaster = SoilRaster()
    encoding: str = ""
    silt_bound_um: Literal[50, 63] = 50
    elevation_unit: Literal["m", "ft"] | None = None
    tracks: dict[str, TrackForm] = Field(default_factory=dict)
    defaults: dict[str, float | str] = Field(default_factory=dict)
    prices: PricesTable | None = None


@dataclass(frozen=True)
class Settings:
    """farm.toml as checked; `season` None: the year of the first operation."""

    title: str
    season: int | None
    timezone: str
    units: str
    crs: CRS | None
    files: Files
    layers: Layers
    columns: Columns
    tracks: Mapping[str, TrackForm] = field(default_factory=dict)
    systems: Mapping[str, CRS] = field(default_factory=dict)
    soil_raster: SoilRaster = SoilRaster()
    elevation_unit: str | None = None
    prices: Prices | None = None


def read_settings(ledger: Ledger) -> Settings | None:
    """Read farm.toml; wrong keys are recorded and left out, so that the other files can be checked too.

    Returns None when the file is absent or not TOML: nothing can be said about the rest then.
    """
    path = inside(ledger, "farm.toml", "farm.toml")
    data = read_toml(ledger, path) if path else None
    if data is None:
        return None
    table = checked_in_part(ledger, FarmTable, data, "farm.toml")
    if table is None:
        return None
    ledger.defaults = _defaults(ledger, table.defaults)
    ledger.encoding = _encoding(ledger, table.encoding)
    ledger.silt_bound_um = float(table.silt_bound_um)
    _mapped_columns_known(ledger, table.columns)
    name = table.name or ledger.folder.resolve().name
    if not table.name:
        ledger.assumed("farm: name", name, "not given; the folder's name", "farm folder")
    return Settings(
        name,
        table.season,
        _timezone(ledger, table.timezone),
        table.units,
        _working_crs(ledger, table.crs),
        table.files,
        table.layers,
        table.columns,
        table.tracks,
        _systems(ledger, table.coordinate_systems),
        table.soil_raster,
        table.elevation_unit,
        prices_of(table.prices),
    )


def _encoding(ledger: Ledger, name: str) -> str:
    if not name:
        return ""
    try:
        codecs.lookup(name)
        "A".encode(name).decode(name)
    except (LookupError, UnicodeError, TypeError):
        ledger.problem(
            "unknown character set",
            "farm.toml, encoding",
            name,
            "a name such as cp1252, cp1257, iso-8859-1",
            "write the character set of the program that made the files",
        )
        return ""
    return name


def _systems(ledger: Ledger, told: Systems) -> dict[str, CRS]:
    found: dict[str, CRS] = {}
    for kind, text in told.model_dump().items():
        if text is None:
            continue
        try:
            found[kind] = CRS.from_user_input(text)
        except CRSError:
            ledger.problem(
                "unknown coordinate system",
                f"farm.toml, coordinate_systems, {kind}",
                text,
                "a code such as EPSG:32635",
                "look up the code, or remove the key",
            )
    return found


def _timezone(ledger: Ledger, name: str) -> str:
    if not name:
        ledger.assumed("farm: timezone", "UTC", "not given; matters only for recorded tracks", "farm.toml")
        return "UTC"
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest(name, zoneinfo.available_timezones())
        ledger.problem(
            "unknown time zone",
            "farm.toml, timezone",
            name,
            "a name such as Europe/Vilnius",
            f"write {near}" if near else "write the region and city",
        )
        return "UTC"
    return name


def _working_crs(ledger: Ledger, text: str | None) -> CRS | None:
    if text is None:
        return None
    try:
        crs = CRS.from_user_input(text)
    except CRSError:
        ledger.problem(
            "unknown coordinate system",
            "farm.toml, crs",
            text,
            "a code such as EPSG:32635",
            "look up the code, or remove the key",
        )
        return None
    unit = crs.axis_info[0].unit_name if crs.axis_info else ""
    if not crs.is_projected or unit != "metre":
        ledger.problem(
            "the working coordinate system is not in metres",
            "farm.toml, crs",
            f"{crs.name} ({unit})",
            "a projected system in metres",
            "name the local UTM zone, or remove the key: it is found then",
        )
        return None
    return crs


def _defaults(ledger: Ledger, given: Mapping[str, float | str]) -> dict[str, float | str]:
    good: dict[str, float | str] = {}
    for key, value in given.items():
        place = f"farm.toml, defaults, {key}"
        default = DEFAULTS.get(key)
        if default is None:
            near = nearest(key, DEFAULTS)
            ledger.problem(
                "unknown default",
                place,
                key,
                f"one of {listed(DEFAULTS, 40)}",
                f"write {near}" if near else "remove it",
            )
        elif isinstance(default.value, str):
            if parse_moisture(ledger, str(value), place):
                good[key] = str(value)
        elif isinstance(value, str):
            ledger.problem(
                "not a number",
                place,
                value,
                f"a number in {default.unit}",
                "write the number without quotation marks",
            )
        elif not default.low <= value <= default.high:
            needed = f"a number from {default.low:g} to {default.high:g} {default.unit}"
            ledger.problem(
                "number out of range",
                place,
                f"{value:g}",
                needed,
                range_mend(value, default.low, default.high, default.unit),
            )
        else:
            good[key] = value
    return good


def _mapped_columns_known(ledger: Ledger, columns: Columns) -> None:
    for kind, known in KNOWN.items():
        mapping: Any = getattr(columns, kind)
        known = (*known, *PLACES) if kind == "soil" else known
        for ours in [name for name in mapping if name not in known]:
            near = nearest(ours, known)
            ledger.problem(
                "unknown column name of ours",
                f"farm.toml, columns.{kind}",
                ours,
                f"one of {listed(known, 40)}",
                f"write {near}" if near else "remove it",
            )
            del mapping[ours]
        for ours, column in list(mapping.items()):
            units = known_units(ours)
            if column.unit and column.unit not in units:
                ledger.problem(
                    "unknown unit of a column",
                    f"farm.toml, columns.{kind}, {ours}",
                    column.unit,
                    f"one of {listed(units)}" if units else "no unit: the column is no measure",
                    "use one of these, or remove unit" if units else "remove unit",
                )
                del mapping[ours]
