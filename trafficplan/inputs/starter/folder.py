"""The starter folder itself: every file written beside its place, read back whole, and only then put there."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from pyproj import CRS
from shapely.geometry import mapping

from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.fields import Boundaries
from trafficplan.inputs.ledger import Ledger
from trafficplan.inputs.starter.ground import PROPERTIES, Area, SoilPart, to_lonlat
from trafficplan.inputs.starter.tracks import copy_tracks, toml_text
from trafficplan.names import Note

#: Decimals of a degree in the GeoJSON files: about a tenth of a millimetre.
DECIMALS = 9


@dataclass(frozen=True)
class Starter:
    """What a starter folder is made of: fields, soil map, tracks, and the notes of how they were read."""

    boundaries: Boundaries
    soil: Sequence[SoilPart]
    tracks: Sequence[Path]
    notes: Sequence[Note]


def check_free(folder: Path) -> None:
    """Check that the folder may be made: it is not there yet, or empty.

    Raises
    ------
    OutputError
        There is something already.
    """
    try:
        taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    except OSError as error:  # a name that is too long, or a folder that may not be read
        raise _cannot_write(folder, error) from error
    if taken:
        raise OutputError(
            Problem(
                "the folder is not empty",
                str(folder),
                "a file" if not folder.is_dir() else f"{len(list(folder.iterdir()))} files and folders",
                "a new folder, or an empty one",
                "name another folder: nothing of yours is ever overwritten",
            )
        )


def write_starter(folder: Path, made: Starter) -> tuple[Farm, tuple[Note, ...]]:
    """Write the folder; return the farm as it reads, and all notes.

    Raises
    ------
    OutputError
        The folder holds something already, or cannot be written.
    InputError
        What was given does not make a farm: `check` would refuse it.
    """
    check_free(folder)
    place = folder.absolute()
    beside = place.with_name(f"{place.name}.new")
    try:
        if beside.exists():
            raise FileExistsError(17, "there is already", str(beside))
        beside.mkdir(parents=True)
    except OSError as error:
        raise _cannot_write(beside, error) from error
    try:
        ledger = Ledger(beside)
        _write_files(ledger, beside, place.name, made)
        read_farm(beside)
        if place.exists():
            place.rmdir()
        os.replace(beside, place)
        farm = read_farm(place)
    except (InputError, OutputError):
        raise
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return farm, (*made.notes, *ledger.notes)


def _cannot_write(folder: Path, error: OSError) -> OutputError:
    return OutputError(
        Problem(
            "the farm folder cannot be written",
            str(folder),
            error.strerror or str(error),
            "a place that may be written, with space on the disk",
            "name another folder, or free the disk",
        )
    )


def _write_files(ledger: Ledger, folder: Path, title: str, made: Starter) -> None:
    tables = copy_tracks(ledger, made.tracks, folder)
    first = next(iter(made.boundaries.fields))
    season = str(dt.date.today().year)
    ledger.assumed("farm: season", season, "this year; written into farm.toml", "calendar")
    words = {
        "{name}": toml_text(title),
        "{title}": _plain(title),
        "{season}": season,
        "{field}": _cell(first),
    }
    template = resources.files("trafficplan.inputs.starter")
    _copy(
        template,
        folder,
        ("farm.toml", "operations.csv", "scenarios.toml", "tyre_tables.csv", "README.md"),
        words,
    )
    (folder / "outfits").mkdir()
    outfits = template / "outfits"
    _copy(outfits, folder / "outfits", sorted(one.name for one in outfits.iterdir()), words)
    with (folder / "farm.toml").open("a", encoding="utf-8", newline="\n") as stream:
        stream.writelines(f"\n{table}\n" for table in tables.values())
    _write_ground(folder, made)
    header = (template / "horizons.csv").read_text(encoding="utf-8")
    (folder / "horizons.csv").write_text(header + _horizon_rows(made.soil), encoding="utf-8", newline="\n")


def _copy(source: Traversable, target: Path, names: Sequence[str], words: Mapping[str, str]) -> None:
    """Copy texts that teach their format, with the farm's own names in them."""
    for name in names:
        text = (source / name).read_text(encoding="utf-8")
        for mark, word in words.items():
            text = text.replace(mark, word)
        (target / name).write_text(text, encoding="utf-8", newline="\n")


def _plain(text: str) -> str:
    return "".join(sign for sign in text if sign.isprintable() and sign not in "<>")


def _cell(text: str) -> str:
    """Return a text as a cell of a CSV file."""
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\n#') else text


def _horizon_rows(parts: Sequence[SoilPart]) -> str:
    """Return one row per soil unit, from the surface to 1 m."""
    rows = []
    for unit, part in {part.unit: part for part in parts}.items():
        told = dict(part.properties)
        # Sand and clay say more than the class: with both, the class is left to them.
        texture = "" if {"sand_pct", "clay_pct"} <= set(told) else part.texture
        numbers = [f"{told[name]:g}" if name in told else "" for name in PROPERTIES]
        rows.append(",".join([_cell(unit), "0", "1", texture, *numbers, "settled"]))
    return "".join(f"{row}\n" for row in rows)


def _write_ground(folder: Path, made: Starter) -> None:
    crs = made.boundaries.crs
    fields = [(_properties(one), one.polygon) for one in made.boundaries.fields.values()]
    _write_geojson(folder / "fields.geojson", fields, crs)
    _write_geojson(folder / "soil.geojson", [({"unit": one.unit}, one.shape) for one in made.soil], crs)


def _properties(field: Field) -> dict[str, object]:
    """Return the columns of a field; empty ones too, so that a map program shows what can be filled in."""
    return {
        "field": field.key,
        "crop": field.crop,
        "tillage_depth_m": None if math.isnan(field.tillage_depth_m) else field.tillage_depth_m,
        "headland_width_m": field.headland_m,
    }


def _write_geojson(path: Path, features: Sequence[tuple[Mapping[str, object], Area]], crs: CRS) -> None:
    """Write polygons in WGS 84 (RFC 7946), one feature a line."""
    lines = []
    for properties, shape in features:
        geometry = _rounded(mapping(to_lonlat(shape, crs)))
        lines.append(
            json.dumps({"type": "Feature", "properties": properties, "geometry": geometry}, ensure_ascii=False)
        )
    text = '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"
    path.write_text(text, encoding="utf-8", newline="\n")


def _rounded(node: object) -> object:
    if isinstance(node, Mapping):
        return {key: _rounded(value) for key, value in node.items()}
    if isinstance(node, list | tuple):
        return [_rounded(value) for value in node]
    return round(node, DECIMALS) if isinstance(node, float) else node
