"""Rows of the report's tables, as texts that people read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from trafficplan.assess.summary import FieldSummary, OperationPart, WorstPlace
from trafficplan.names import step_of
from trafficplan.report.answer import BASE, Totals, add_up, field_area, number_of, zone_row
from trafficplan.report.words import figure, say, say_chance, say_day

ZONE_NAMES = {"headland": "headland", "gateway": "gateways", "infield": "in-field", "route": "route"}


def worst_rows(places: Sequence[WorstPlace], origin: tuple[float, float], units: str) -> list[dict[str, object]]:
    """Return the worst places, numbered from 1, with their place on the map [local metres]."""
    return [
        {
            "number": number,
            "x": round(place.x - origin[0], 1),
            "y": round(place.y - origin[1], 1),
            "name": place.name,
            "field": place.field,
            "zone": {"infield": "in-field"}.get(place.zone, place.zone),
            "reason": place.reason,
            "ground": say("patch", place.area_m2, units),
            "crossed": f"{place.crossings:,.0f} wheel passes",
            "ratio": f"{figure('ratio', place.ratio, units)} x strength at {say('depth', place.depth_m, units)}",
            "step": step_of(place.ratio)
            + (f", over it down to {say('depth', place.deepest_m, units)}" if place.deepest_m > 0 else ""),
            "chance": say_chance(place.chance),
        }
        for number, place in enumerate(places, 1)
    ]


#: Rows of the comparison: name, quantity, and how it follows from a scenario's totals.
_COMPARED: tuple[tuple[str, str, Callable[[Totals], float]], ...] = (
    ("Lasting damage likely", "area", lambda totals: totals.lasting_ha),
    ("Over the soil's strength below tillage depth", "area", lambda totals: totals.over_ha),
    ("Depth reached", "depth", lambda totals: totals.depth_reached_m),
    ("Touched by a wheel", "area", lambda totals: totals.wheeled_ha),
    ("Load times distance", "haul", lambda totals: totals.traffic_t_km),
    ("Driven", "distance", lambda totals: totals.drive_km),
    ("Time", "time", lambda totals: totals.hours),
)


def scenario_rows(summaries: Mapping[str, Sequence[FieldSummary]], units: str) -> list[dict[str, object]]:
    """Return one row per measure: for each scenario its value, and its difference from base."""
    totals = {key: add_up(fields) for key, fields in summaries.items()}
    rows: list[dict[str, object]] = []
    for name, quantity, value in _COMPARED:
        base = value(totals[BASE])
        cells = []
        for key, total in totals.items():
            difference = value(total) - base
            same = figure(quantity, difference, units) == "0"
            change = "" if key == BASE else "no change" if same else say(quantity, difference, units, sign=True)
            cells.append((say(quantity, value(total), units), change))
        rows.append({"name": name, "cells": cells})
    return rows


def season_rows(fields: Sequence[FieldSummary], units: str) -> list[dict[str, object]]:
    """Return the operations in the order of the season; those of one day, job and outfit share a row."""
    groups: dict[tuple[object, str, str], list[tuple[str, OperationPart]]] = {}
    pairs = [(field.field.key, part) for field in fields for part in field.parts]
    for name, part in sorted(pairs, key=lambda pair: pair[1].day):
        groups.setdefault((part.day, part.job, part.outfit), []).append((name, part))
    rows: list[dict[str, object]] = []
    for group in groups.values():
        parts = [part for _, part in group]
        names = list(dict.fromkeys(name for name, _ in group))
        rows.append(
            {
                "day": say_day(parts[0].day),
                "job": parts[0].job,
                "outfit": parts[0].outfit,
                "fields": ", ".join(names) if len(names) <= 4 else f"{', '.join(names[:3])} and {len(names) - 3} more",
                "trips": sum(part.trips for part in parts),
                "driven": say("distance", sum(part.drive_km for part in parts), units),
                "time": say("time", sum(part.hours for part in parts), units),
                "moved": say("haul", sum(part.traffic_t_km for part in parts), units),
                "added": say("area", sum(part.added_deep_ha for part in parts), units),
                "worst": say("area", sum(part.worst_deep_ha for part in parts), units),
            }
        )
    return rows


def field_rows(fields: Sequence[FieldSummary], units: str) -> list[dict[str, object]]:
    """Return each field and, below it, its zones; gateways are told in small measures."""
    rows: list[dict[str, object]] = []
    for field in fields:
        note = f"{field.field.crop}, tilled to {say('depth', field.field.tillage_depth_m, units)}"
        if field.field.tillage_depth_m <= 0:
            note = f"{field.field.crop}, not tilled"
        rows.append(
            {
                **_zone_cells(field, "all", units),
                "name": field.field.key,
                "note": note.removeprefix(", "),
                "whole": True,
                "area": say("area", field_area(field), units),
                "lasting": say("area", field.lasting_ha, units),
            }
        )
        for zone, name in ZONE_NAMES.items():
            row = zone_row(field, zone)
            if number_of(row, "area_ha") <= 0:
                continue
            hectares = number_of(row, "area_ha")
            area = say("patch", hectares * 1e4, units) if zone == "gateway" else say("area", hectares, units)
            count = sum(field.crossings.values())
            note = f"driven through {count:,.0f} times" if zone == "gateway" and count else ""
            cells = _zone_cells(field, zone, units)
            rows.append({**cells, "name": name, "note": note, "whole": False, "area": area, "lasting": ""})
    return rows


def _zone_cells(field: FieldSummary, zone: str, units: str) -> dict[str, str]:
    """Return the cells that all zones have."""
    row = zone_row(field, zone)
    return {
        "wheeled": say("share", number_of(row, "wheeled_pct"), units),
        "mean": f"{number_of(row, 'passes_mean'):.1f}",
        "most": f"{number_of(row, 'passes_max'):.0f}",
        "traffic": figure("traffic", number_of(row, "traffic_t_km_ha"), units),
        "ratio": figure("ratio", number_of(_deep_row(field, zone), "ratio_p95"), units),
        "depth": say("depth", number_of(row, "depth_reached_m_p95"), units),
    }


def _deep_row(field: FieldSummary, zone: str) -> Mapping[str, object]:
    """Return the row of a zone at its shallowest depth below tillage."""
    rows = [row for row in field.rows if row["zone"] == zone and row["layer"] == "deep"]
    return min(rows, key=lambda row: number_of(row, "depth_m"), default={})


def deep_words(fields: Sequence[FieldSummary], units: str) -> str:
    """Return the depth or depths at which the field table gives the stress ratio."""
    depths = sorted({number_of(_deep_row(field, "all"), "depth_m") for field in fields if _deep_row(field, "all")})
    if not depths:
        return "the deep layer"
    if len(depths) == 1:
        return say("depth", depths[0], units)
    return f"{figure('depth', depths[0], units)} to {say('depth', depths[-1], units)}"
