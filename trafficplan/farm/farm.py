"""The whole farm as read: everything the chain needs, nothing is read after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from trafficplan.farm.elevation import Elevation
from trafficplan.farm.field import FarmTrack, Field, Place, SoilPatch
from trafficplan.farm.operation import DrivePlan, Log, Operation, Scenario
from trafficplan.farm.prices import Prices
from trafficplan.farm.seen import Seen
from trafficplan.farm.weather import Weather
from trafficplan.farm.worn import WornPlace
from trafficplan.machines.outfit import Outfit
from trafficplan.machines.tyre_table import TyreTable
from trafficplan.names import Note
from trafficplan.soil.unit import SoilUnit


@dataclass(frozen=True)
class Farm:
    """One farm in one working CRS.

    Attributes
    ----------
    crs : working CRS ("EPSG:32615"): projected, metres
    units : "metric" or "us", for what people read
    fields, soil_units, outfits, scenarios, logs : by key; `scenarios` always holds "base"
    soil_map : polygons of the soil map
    operations : in the order of the season (date, start time, row)
    tracks, places : the ground around the fields
    aerial : path of an aerial image for the report's background, or None
    inputs : path relative to the farm folder -> sha256 of the file
    notes : assumptions, repairs and warnings of reading
    weather : by day, or None
    tyre_tables : the owner's tables by tyre size code
    seen : what people saw after driving, by day
    elevation : heights around the fields, or None
    defaults : the farm's own replacements of farm/defaults.py, by key
    plans : drives written down, by key
    prices : the owner's prices, or None: nothing is told in money
    worn : places that were worn out or loosened before the season
    """

    key: str
    title: str
    season: int
    timezone: str
    crs: str
    units: str
    fields: Mapping[str, Field]
    soil_units: Mapping[str, SoilUnit]
    soil_map: tuple[SoilPatch, ...]
    outfits: Mapping[str, Outfit]
    operations: tuple[Operation, ...]
    scenarios: Mapping[str, Scenario]
    logs: Mapping[str, Log]
    tracks: tuple[FarmTrack, ...]
    places: tuple[Place, ...]
    aerial: Path | None
    inputs: Mapping[str, str]
    notes: tuple[Note, ...]
    weather: Weather | None = None
    tyre_tables: Mapping[str, TyreTable] = field(default_factory=dict)
    defaults: Mapping[str, float | str] = field(default_factory=dict)
    seen: tuple[Seen, ...] = ()
    elevation: Elevation | None = None
    plans: Mapping[str, DrivePlan] = field(default_factory=dict)
    prices: Prices | None = None
    worn: tuple[WornPlace, ...] = ()
