"""What was understood of a farm folder, as short tables for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from trafficplan.report.both_units import lines_in
from trafficplan.report.words import figure, say, unit_of
from trafficplan.units import GRAVITY

Row = Sequence[str]


def table(head: Row, rows: Sequence[Row]) -> list[str]:
    """Return a table as lines; columns as wide as their widest cell.

    Examples
    --------
    >>> table(("a", "bb"), [("ccc", "d")])
    ['  a    bb', '  ccc  d']
    """
    wide = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, wide, strict=True)).rstrip()
        for row in (head, *rows)
    ]


def overview_lines(told: Mapping[str, Any], notes: Sequence[Mapping[str, str]]) -> list[str]:
    """Return the lines that `check` prints: each kind of thing once, in the units that the farm reads.

    Parameters
    ----------
    told : from inputs.overview.understood
    notes : assumptions, warnings and repairs, with kind, what, value, why
    """
    units = str(told["units"])
    lines = [f"{told['name']}, season {told['season']}: {say('area', told['area_ha'], units)} in {told['crs']}", ""]
    for title, block in (
        (f"fields ({len(told['fields'])})", _fields(told, units)),
        (f"soils ({len(told['soils'])})", _soils(told, units)),
        (f"outfits ({len(told['outfits'])}), axle loads empty to full", _outfits(told, units)),
        (f"operations ({len(told['operations'])})", _operations(told)),
        (f"scenarios ({len(told['scenarios'])})", _scenarios(told)),
        ("recorded tracks", _tracks(told)),
    ):
        if block:
            lines += [title, *block, ""]
    lines += [_around(told), ""]
    for kind, title in (("warned", "warnings"), ("repaired", "repaired"), ("assumed", "assumed")):
        chosen = [note for note in notes if note["kind"] == kind]
        if chosen:
            lines += [f"{title} ({len(chosen)})", *lines_in(_notes(chosen), units), ""]
    return [*lines, "Nothing was computed. No error was found."]


def _fields(told: Mapping[str, Any], units: str) -> list[str]:
    rows = [
        (
            one["field"],
            say("area", one["area_ha"], units),
            one["crop"] or "-",
            say("depth", one["tillage_depth_m"], units) if one["tillage_depth_m"] else "none",
            str(len(one["gateways"])),
            str(one["tramlines"]),
            str(one["operations"]),
            ", ".join(f"{unit} {figure('area', ha, units)}" for unit, ha in one["soils_ha"].items()),
        )
        for one in told["fields"]
    ]
    head = ("field", "area", "crop", "tilled to", "gates", "tramlines", "jobs", f"soils ({unit_of('area', units)})")
    if any("slope_pct_max" in one for one in told["fields"]):
        slopes = [f"{one['slope_pct_max']:g} %" if "slope_pct_max" in one else "" for one in told["fields"]]
        return table((*head, "steepest"), [(*row, slope) for row, slope in zip(rows, slopes, strict=True)])
    return table(head, rows) if rows else []


def _soils(told: Mapping[str, Any], units: str) -> list[str]:
    rows = []
    for one in told["soils"]:
        layers = [f"{h['texture']} to {say('depth', h['bottom_m'], units)}" for h in one["horizons"]]
        rows.append((one["unit"], ", ".join(layers), "swells" if one["swelling"] else ""))
    beyond = told["soil_map"]["outside_fields_ha"]
    outside = [f"  {say('area', beyond, units)} of the soil map lie outside the fields"] if beyond >= 0.01 else []
    return [*table(("soil", "layers from the top", ""), rows), *outside] if rows else []


def _outfits(told: Mapping[str, Any], units: str) -> list[str]:
    rows = []
    for one in told["outfits"]:
        for i, axle in enumerate(one["axles"]):
            loads = [figure("mass", axle[key] * 1e3 / GRAVITY, units) for key in ("empty_kn", "full_kn")]
            rows.append(
                (
                    one["outfit"] if i == 0 else "",
                    axle["axle"],
                    f"{axle['wheels']} x {axle['tyre']}",
                    f"{loads[0]} to {loads[1]} {unit_of('mass', units)}",
                    " / ".join(say("pressure", axle[key], units) for key in ("field_bar", "track_bar") if key in axle),
                    axle["adjust"],
                )
            )
    head = ("outfit", "axle", "wheels", "load", "field / track", "changed by")
    return table(head, rows) if rows else []


def _operations(told: Mapping[str, Any]) -> list[str]:
    rows = [
        (
            one["date"],
            one["field"],
            one["job"],
            one["outfit"],
            f"{one['rate_t_ha']:g} t/ha" if one.get("rate_t_ha") else "",
            one["drive"],
            one["moisture"] or "",
        )
        for one in told["operations"]
    ]
    return table(("date", "field", "job", "outfit", "rate", "drive", "soil"), rows) if rows else []


def _scenarios(told: Mapping[str, Any]) -> list[str]:
    rows = [
        (
            one["scenario"],
            one["title"],
            f"{sum(len(change['operations']) for change in one['changes'])} operations changed",
        )
        for one in told["scenarios"]
    ]
    return table(("scenario", "title", ""), rows)


def _tracks(told: Mapping[str, Any]) -> list[str]:
    lines = []
    for one in told["recorded_tracks"]:
        speeds = one["speed_km_h"]
        facts = [
            f"{one['fixes']} fixes, {one['share_used_pct']:g} % of the records used",
            f"{one['length_km']:g} km" + (f" in {one['hours']:g} h" if one["hours"] is not None else ""),
            f"{one['gaps']} gaps over 30 m (longest step {one['longest_gap_m']:g} m), {one['pauses']} pauses over 10 s",
            f"jitter {100 * one['jitter_m']:.1f} cm",
            f"{speeds[1]:g} km/h ({speeds[0]:g} to {speeds[2]:g})" if speeds else "no speed",
            f"with {', '.join(one['columns'])}" if one["columns"] else "places and times only",
        ]
        lines.append(f"  {one['track']}: {'; '.join(facts)}")
    return lines


def _around(told: Mapping[str, Any]) -> str:
    kinds = [str(place["kind"]).replace("_", " ") for place in told["places"]]
    places = ", ".join(f"{len(list(group))} {kind}" for kind, group in groupby(sorted(kinds)))
    tables = f"{len(told['tyre_tables'])} tyre tables, {told['weather_days']} days of weather"
    return f"{len(told['farm_tracks'])} farm tracks; {places or 'nothing else around the fields'}; {tables}"


def _notes(notes: Sequence[Mapping[str, str]]) -> list[str]:
    """Return the notes; those that say the same of many things share a line."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for note in notes:
        thing, _, quantity = note["what"].rpartition(": ")
        grouped.setdefault((quantity, note["value"], note["why"]), []).append(thing)
    lines = []
    for (quantity, value, why), things in grouped.items():
        named = [thing for thing in things if thing]
        where = f" ({', '.join(named[:4])}{f' and {len(named) - 4} more' if len(named) > 4 else ''})" if named else ""
        lines.append(f"  {quantity}: {value} - {why}{where}")
    return lines
