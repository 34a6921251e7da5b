"""One page that shows what was understood of a farm folder, before anything is computed."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely
from markupsafe import Markup
from pyproj import Transformer

from trafficplan.errors import OutputError, Problem
from trafficplan.farm.farm import Farm
from trafficplan.report.page import SIGNS, note_groups, packaged, template_environment
from trafficplan.report.understood_map import SoilPiece, draw_understood, soil_colours, soil_pieces
from trafficplan.report.words import count, say, say_day
from trafficplan.soil.unit import SoilUnit
from trafficplan.units import GRAVITY, TONNE

HTML_ENDINGS = (".html", ".htm")


def write_understood(path: Path, farm: Farm, version: str) -> None:
    """Write the page; an earlier one is replaced whole, anything else is never replaced.

    Raises
    ------
    OutputError
        The file is no HTML file, or cannot be written.
    """
    if path.suffix.lower() not in HTML_ENDINGS or path.is_dir() or (path.exists() and not _is_html(path)):
        raise OutputError(
            Problem(
                "the picture would overwrite something else" if path.exists() else "not the name of an HTML file",
                str(path),
                "a folder" if path.is_dir() else "a file that is no HTML page" if path.exists() else path.name,
                "a new file, or an earlier page, whose name ends with .html",
                "choose another name",
            )
        )
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_text(render_understood(farm, version), encoding="utf-8", newline="\n")
        os.replace(beside, path)
    except OSError as error:
        raise OutputError(
            Problem(
                "the picture cannot be written",
                str(path),
                error.strerror or str(error),
                "a folder that is there and may be written, with space on the disk",
                "choose another place, or free the disk",
            )
        ) from error
    finally:
        beside.unlink(missing_ok=True)


def _is_html(path: Path) -> bool:
    with path.open("rb") as stream:
        start = stream.read(200).lstrip().lower()
    return not start or start.startswith((b"<!doctype html", b"<html"))


def render_understood(farm: Farm, version: str) -> str:
    """Return the page as text; the same farm gives the same bytes."""
    units = sorted({patch.unit for patch in farm.soil_map})
    colours = soil_colours(units)
    pieces = soil_pieces(farm)
    drawn = draw_understood(farm, pieces, colours)
    fields = list(farm.fields.values())
    west, south, east, north = shapely.total_bounds([field.polygon for field in fields])
    x0, y0 = drawn.origin
    data = {
        "bounds": [[south - y0, west - x0], [north - y0, east - x0]],
        "us": farm.units == "us",
        "fields": len(fields),
    }
    values: dict[str, Any] = {
        "farm": farm,
        "headline": _headline(farm, units),
        "where": _where(farm, (west + east) / 2, (south + north) / 2),
        "gaps": [note for note in farm.notes if "without a soil polygon" in note.what],
        "figures": _figures(farm),
        "soils": [_soil_row(farm, unit, colours[unit], pieces) for unit in units],
        "field_rows": [_field_row(farm, key, pieces) for key in farm.fields],
        "outfit_rows": _outfit_rows(farm),
        "operation_rows": _operation_rows(farm),
        "signs": _signs(farm),
        "has": {
            "tramlines": any(field.tramlines for field in fields),
            "recorded": bool(farm.logs),
            "gateways": any(field.gateways for field in fields),
        },
        "notes": note_groups(farm.notes, farm.units),
        "data": Markup(json.dumps(data).replace("<", "\\u003c")),
        "css": Markup(packaged("page.css")),
        "map_head": Markup(drawn.head),
        "map_body": Markup(drawn.body),
        "map_script": Markup(drawn.script),
        "map_name": Markup(drawn.name),
        "origin": f"{x0:.0f} E, {y0:.0f} N",
        "version": version,
    }
    return template_environment().from_string(packaged("understood.html")).render(values)


def _headline(farm: Farm, units: Sequence[str]) -> str:
    area = sum(field.polygon.area for field in farm.fields.values()) / 1e4
    return f"{count(len(farm.fields), 'field')}, {say('area', area, farm.units)}, on {count(len(units), 'soil unit')}"


def _where(farm: Farm, x: float, y: float) -> str:
    """Return where the middle of the fields lies, in degrees."""
    lon, lat = Transformer.from_crs(farm.crs, "EPSG:4326", always_xy=True).transform(x, y)
    return f"{abs(lat):.4f} {'north' if lat >= 0 else 'south'}, {abs(lon):.4f} {'east' if lon >= 0 else 'west'}"


def _figures(farm: Farm) -> list[tuple[str, str, str]]:
    days = [operation.day for operation in farm.operations]
    span = f"{say_day(min(days))} to {say_day(max(days))}" if days else "operations.csv has no row yet"
    warned = sum(1 for note in set(farm.notes) if note.kind != "assumed")
    assumed = sum(1 for note in set(farm.notes) if note.kind == "assumed")
    gates = sum(len(field.gateways) for field in farm.fields.values())
    scenarios = len(farm.scenarios) - 1
    return [
        ("Operations", str(len(farm.operations)), span),
        ("Outfits", str(len(farm.outfits)), f"{count(scenarios, 'scenario')} beside base"),
        ("Gateways", str(gates), count(len(farm.tracks), "farm track")),
        ("To look at", str(warned), f"warnings and repairs, listed below; {count(assumed, 'assumption')}"),
    ]


def _signs(farm: Farm) -> list[tuple[str, str]]:
    kinds = {place.kind for place in farm.places} | ({"track"} if farm.tracks else set())
    return [(kind, words) for kind, words in SIGNS.items() if kind in kinds]


def _soil_row(farm: Farm, unit: str, colour: str, pieces: Sequence[SoilPiece]) -> dict[str, object]:
    soil = farm.soil_units[unit]
    area = sum(piece.area_ha for piece in pieces if piece.unit == unit)
    return {
        "unit": unit,
        "colour_css": Markup(colour),
        "words": _texture_words(soil),
        "area": say("area", area, farm.units) if area else "under no field",
        "horizons": [
            f"{say('depth', one.top_m, farm.units)} to {say('depth', one.bottom_m, farm.units)}: {one.texture}"
            for one in soil.horizons
        ],
    }


def _texture_words(soil: SoilUnit) -> str:
    """Return the textures from the top down, each once in a row."""
    names = [one.texture for one in soil.horizons]
    once = [name for i, name in enumerate(names) if i == 0 or name != names[i - 1]]
    return " over ".join(once)


def _field_row(farm: Farm, key: str, pieces: Sequence[SoilPiece]) -> dict[str, object]:
    field = farm.fields[key]
    own = sorted((one for one in pieces if one.field.key == key), key=lambda one: -one.area_ha)
    tilled = "no tillage" if field.tillage_depth_m == 0 else say("depth", field.tillage_depth_m, farm.units)
    return {
        "name": key,
        "crop": field.crop,
        "area": say("area", field.polygon.area / 1e4, farm.units),
        "soils": [f"{one.unit} {say('share', 100 * one.shape.area / field.polygon.area, farm.units)}" for one in own],
        "tilled": tilled,
        "gateways": ", ".join(gate.key for gate in field.gateways) or "none",
        "tramlines": str(len(field.tramlines)) if field.tramlines else "none",
        "operations": str(sum(1 for one in farm.operations if one.field == key)),
    }


def _outfit_rows(farm: Farm) -> list[dict[str, str]]:
    rows = []
    for key, outfit in farm.outfits.items():
        axles = outfit.axles()
        empty, full = (
            sum(load) / GRAVITY / TONNE for load in zip(*((a.empty_n, a.full_n) for a in axles), strict=True)
        )
        heaviest = max(axles, key=lambda axle: axle.full_n / len(axle.wheels))
        wheel = heaviest.full_n / len(heaviest.wheels) / GRAVITY
        rows.append(
            {
                "name": key,
                "title": outfit.title,
                "width": _width(outfit.width_m, farm.units),
                "empty": say("mass", empty * TONNE, farm.units),
                "full": say("mass", full * TONNE, farm.units) if outfit.capacity_kg else "carries nothing",
                "wheel": f"{say('mass', wheel, farm.units)}, axle {heaviest.key}",
            }
        )
    return rows


def _width(width_m: float, units: str) -> str:
    """Return a working width; half metres are not rounded away."""
    return f"{width_m:g} m" if units == "metric" else say("length", width_m, units)


def _operation_rows(farm: Farm) -> list[dict[str, str]]:
    return [
        {
            "day": say_day(one.day),
            "job": one.job,
            "field": one.field,
            "outfit": one.outfit,
            "drive": one.drive.removeprefix("track:") or "",
        }
        for one in farm.operations
    ]
