"""The whole farm folder: every file read and checked, every problem told at once."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import rasterio
from rasterio.errors import RasterioError

from trafficplan.errors import InputError, Problem
from trafficplan.farm import defaults
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log, Operation, Scenario
from trafficplan.farm.season import tillage_depth
from trafficplan.farm.worn import WornPlace, loosened_soil
from trafficplan.inputs.access import Access, hang_gateways, read_access
from trafficplan.inputs.elevation import read_elevation
from trafficplan.inputs.fields import Boundaries, read_fields
from trafficplan.inputs.ledger import Ledger, listed, rename_hint
from trafficplan.inputs.log_pressure import with_recorded_pressures
from trafficplan.inputs.operations import Known, read_operations
from trafficplan.inputs.outfits import read_outfits
from trafficplan.inputs.paths import inside, no_broken_links
from trafficplan.inputs.plans import plan_files, read_plans
from trafficplan.inputs.scenarios import read_scenarios
from trafficplan.inputs.seen import read_seen
from trafficplan.inputs.settings import Settings, read_settings
from trafficplan.inputs.soils import Soils, read_soils
from trafficplan.inputs.tracks import read_other_tracks, read_tracks, track_files
from trafficplan.inputs.tramlines import read_tramlines
from trafficplan.inputs.tyres import read_tyre_tables
from trafficplan.inputs.weather import read_weather
from trafficplan.inputs.worn import read_worn
from trafficplan.machines.outfit import Outfit

#: Times of a track above this are dates (seconds since 1970), below it seconds since its first fix.
DATED_S = 1e8


def read_farm(folder: Path, every_log: bool = False) -> Farm:
    """Read a farm folder (docs/farm-folder.md).

    Parameters
    ----------
    every_log : also read the logs in tracks/ that no operation names; those that cannot be read are left out and told

    Raises
    ------
    InputError
        With every problem that was found in all files, in the order of reading.
    """
    folder = Path(folder)
    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise InputError(Problem("not a farm folder", str(folder), found, "a folder with farm.toml", "check the path"))
    ledger = Ledger(folder.resolve())
    no_broken_links(ledger)
    settings = read_settings(ledger)
    if settings is None:
        raise InputError(ledger.problems)
    boundaries = read_fields(ledger, settings)
    outfits = read_outfits(ledger)
    tyre_tables = read_tyre_tables(ledger, settings)
    weather = read_weather(ledger, settings)
    if boundaries is None:
        raise InputError(ledger.problems)
    access, soils, boundaries, gateways = _on_the_ground(ledger, settings, boundaries)
    files = track_files(ledger, settings)
    known = Known(boundaries.fields, outfits, files, gateways, plan_files(ledger))
    operations, scenarios = _work(ledger, settings, known)
    wanted = {one.drive.removeprefix("track:") for one in operations if one.drive.startswith("track:")}
    seen = read_seen(ledger, settings, boundaries.fields, outfits)
    logs = read_tracks(ledger, settings, boundaries, wanted)
    if every_log:
        logs |= read_other_tracks(ledger, settings, boundaries, files, wanted)
    _check_outfits_of_logs(ledger, settings, outfits)
    operations = with_recorded_pressures(ledger, settings, operations, logs, boundaries.fields, outfits)
    plans = read_plans(ledger, boundaries, operations)
    worn = read_worn(ledger, settings, boundaries)
    soils = _with_loosened(ledger, soils, worn)
    aerial = _aerial(ledger, settings)
    elevation = read_elevation(ledger, settings, boundaries)
    if ledger.problems:
        raise InputError(ledger.problems)
    fields = _with_tillage(ledger, boundaries.fields, operations)
    _warn_of_season(ledger, settings, operations)
    _warn_of_log_days(ledger, settings, operations, logs)
    _warn_of_shared_logs(ledger, operations)
    authority = boundaries.crs.to_authority()
    return Farm(
        key=folder.resolve().name,
        title=settings.title,
        season=_season(settings, operations),
        timezone=settings.timezone,
        crs=":".join(authority) if authority else boundaries.crs.to_wkt(),
        units=settings.units,
        fields=fields,
        soil_units=soils.units,
        soil_map=soils.patches,
        outfits={key: one for key, one in outfits.items() if one},
        operations=operations,
        scenarios=scenarios,
        logs=logs,
        tracks=access.tracks,
        places=access.places,
        aerial=aerial,
        inputs=dict(sorted(ledger.inputs.items())),
        notes=tuple(dict.fromkeys(ledger.notes)),
        weather=weather,
        tyre_tables=tyre_tables,
        defaults=dict(ledger.defaults),
        seen=seen,
        elevation=elevation,
        plans=plans,
        prices=settings.prices,
        worn=worn,
    )


def _on_the_ground(
    ledger: Ledger, settings: Settings, boundaries: Boundaries
) -> tuple[Access, Soils, Boundaries, bool]:
    """Read what lies on the fields; return them with it, and whether all gateways are right."""
    before = ledger.count()
    access = read_access(ledger, settings, boundaries)
    gateways = ledger.count() == before
    tramlines = read_tramlines(ledger, settings, boundaries)
    soils = read_soils(ledger, settings, boundaries)
    fields = {
        key: replace(hang_gateways(ledger, field, access), tramlines=tramlines.get(key, ()))
        for key, field in boundaries.fields.items()
    }
    return access, soils, replace(boundaries, fields=fields), gateways


def _work(ledger: Ledger, settings: Settings, known: Known) -> tuple[tuple[Operation, ...], dict[str, Scenario]]:
    before = ledger.count()
    operations = read_operations(ledger, settings, known)
    complete = known.gateways and ledger.count() == before
    scenarios = read_scenarios(ledger, settings, operations, known.fields, known.outfits, complete=complete)
    return operations, scenarios


def _with_loosened(ledger: Ledger, soils: Soils, worn: tuple[WornPlace, ...]) -> Soils:
    """Return the soils with freshly loosened places as units of their own."""
    for place in worn:
        if place.kind == "loosened" and place.depth_m is None:
            ledger.notes.append(defaults.note("loosened_depth_m", f"place {place.key}", ledger.defaults))
    depth = defaults.number("loosened_depth_m", ledger.defaults)
    units, patches, notes = loosened_soil(soils.units, soils.patches, worn, depth)
    ledger.notes.extend(notes)
    return replace(soils, units=units, patches=patches)


def _with_tillage(ledger: Ledger, fields: Mapping[str, Field], operations: tuple[Operation, ...]) -> dict[str, Field]:
    done = {}
    for key, field in fields.items():
        depth, note = tillage_depth(field, operations)
        ledger.notes.extend([note] if note else [])
        done[key] = replace(field, tillage_depth_m=depth)
    return done


def _season(settings: Settings, operations: tuple[Operation, ...]) -> int:
    if settings.season is not None:
        return settings.season
    return operations[-1].day.year if operations else dt.date.today().year


def _warn_of_season(ledger: Ledger, settings: Settings, operations: tuple[Operation, ...]) -> None:
    season = _season(settings, operations)
    if settings.season is None:
        source = "operations.csv" if operations else "calendar"
        why = "the year of the last operation" if operations else "this year: there is no operation yet"
        ledger.assumed("farm: season", str(season), f"not given; {why}", source)
    stray = [one.key for one in operations if abs(one.day.year - season) > 1]
    if stray:
        ledger.warned(f"operations {', '.join(stray[:12])}: date", f"not near season {season}", "check the year")


def _warn_of_log_days(
    ledger: Ledger, settings: Settings, operations: tuple[Operation, ...], logs: Mapping[str, Log]
) -> None:
    """Compare the day of an operation with that of its recorded track, in the farm's time zone."""
    zone = zoneinfo.ZoneInfo(settings.timezone)
    for operation in operations:
        log = logs.get(operation.drive.removeprefix("track:"))
        stamps = log.time_s[np.isfinite(log.time_s)] if log is not None else np.empty(0)
        if stamps.size == 0 or stamps[0] < DATED_S:
            continue
        day = dt.datetime.fromtimestamp(float(stamps[0]), zone).date()
        if day != operation.day:
            what = f"operation {operation.key}: day of its recorded track"
            ledger.warned(what, str(day), f"operations.csv says {operation.day}; that day counts")


def _warn_of_shared_logs(ledger: Ledger, operations: tuple[Operation, ...]) -> None:
    """Tell of one recorded track that several operations of a field name: each counts its passes."""
    users: dict[tuple[str, str], list[str]] = {}
    for one in operations:
        if one.drive.startswith("track:"):
            users.setdefault((one.drive.removeprefix("track:"), one.field), []).append(one.key)
    for (log, field), keys in users.items():
        if len(keys) > 1:
            why = "its passes are counted for each; right only where one drive did several jobs"
            ledger.warned(f"tracks/{log}: named by several operations in field {field}", ", ".join(keys[:12]), why)


def _check_outfits_of_logs(ledger: Ledger, settings: Settings, outfits: Mapping[str, Outfit | None]) -> None:
    for name, form in settings.tracks.items():
        if form.outfit and form.outfit not in outfits:
            ledger.problem(
                "unknown outfit",
                f'farm.toml, tracks."{name}", outfit',
                form.outfit,
                f"one of {listed(outfits)}",
                rename_hint(form.outfit, outfits, "outfit"),
            )


def _aerial(ledger: Ledger, settings: Settings) -> Path | None:
    """Return the path of the aerial image; it must be a GeoTIFF (a virtual raster could name any file)."""
    name = settings.files.aerial
    if name is None and not (ledger.folder / "aerial.tif").exists():
        return None
    path = inside(ledger, name or "aerial.tif", "farm.toml, files, aerial")
    if path is None:
        return None
    try:
        with rasterio.open(path, driver="GTiff") as image:
            georeferenced = image.crs is not None
    except RasterioError as error:
        ledger.problem(
            "the aerial image cannot be read", path.name, str(error)[:100], "a GeoTIFF", "save it as GeoTIFF"
        )
        return None
    if not georeferenced:
        ledger.problem(
            "no coordinate system (CRS)",
            path.name,
            "none",
            "a GeoTIFF with coordinates",
            "save it again with its coordinate system",
        )
        return None
    ledger.hash_file(path)
    return path
