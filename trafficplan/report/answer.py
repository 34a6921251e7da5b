"""The first screen: what the season did and what would help, in plain words, from the summaries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trafficplan.assess.summary import FieldSummary, OperationPart, WorstPlace
from trafficplan.farm.farm import Farm
from trafficplan.report.words import say, say_day

#: Share of the wheeled ground that must be `far over` for the scale to count as full.
FULL_SCALE_SHARE = 0.8

BASE = "base"


@dataclass(frozen=True)
class Totals:
    """One scenario added up over its fields.

    Attributes
    ----------
    area_ha, wheeled_ha, lasting_ha : of all fields
    far_over_ha : in the highest step of the stress ratio below tillage depth
    over_ha : with a stress ratio over 1 below tillage depth
    depth_reached_m : mean over the fields of the 95th percentile of the depth of the 50 kPa line, weighted
    by area
    traffic_t_km : axle load times distance
    drive_km, hours : of all operations
    """

    area_ha: float
    wheeled_ha: float
    lasting_ha: float
    over_ha: float
    far_over_ha: float
    depth_reached_m: float
    traffic_t_km: float
    drive_km: float
    hours: float


@dataclass(frozen=True)
class Answer:
    """What the first screen says.

    `headline`, `sentences` under it, key `figures` (name, value, note), whether the scale is full, and the
    scenario
    that helps most (base when none does).
    """

    headline: str
    sentences: tuple[str, ...]
    figures: tuple[tuple[str, str, str], ...]
    full_scale: bool
    best: str


def number_of(row: Mapping[str, object], column: str) -> float:
    """Return a number of a zone row; empty counts as 0."""
    value = row.get(column)
    return float(value) if isinstance(value, int | float) else 0.0


def zone_row(summary: FieldSummary, zone: str = "all") -> Mapping[str, object]:
    """Return the first row of a zone (the columns that do not depend on depth), or nothing."""
    return next((row for row in summary.rows if row["zone"] == zone), {})


def field_area(summary: FieldSummary) -> float:
    """Return the area of a field [ha]."""
    return float(summary.field.polygon.area) / 1e4


def add_up(fields: Sequence[FieldSummary]) -> Totals:
    """Return a scenario added up over its fields."""
    area = sum(field_area(field) for field in fields)
    depth = sum(field_area(field) * number_of(zone_row(field), "depth_reached_m_p95") for field in fields)
    deep = [field.steps_ha["deep"] for field in fields if "deep" in field.steps_ha]
    parts = [part for field in fields for part in field.parts]
    return Totals(
        area_ha=area,
        wheeled_ha=sum(field.wheeled_ha for field in fields),
        lasting_ha=sum(field.lasting_ha for field in fields),
        over_ha=sum(steps[3] + steps[4] for steps in deep),
        far_over_ha=sum(steps[4] for steps in deep),
        depth_reached_m=depth / area if area else 0.0,
        traffic_t_km=sum(part.traffic_t_km for part in parts),
        drive_km=sum(part.drive_km for part in parts),
        hours=sum(part.hours for part in parts),
    )


def worst_places(fields: Sequence[FieldSummary], most: int = 10) -> list[WorstPlace]:
    """Return the worst places of all fields, the worst first: by the mean chance over all their ground."""
    places = [place for field in fields for place in field.worst]
    return sorted(places, key=lambda place: (-place.lasting_mean, place.field, place.name))[:most]


def answer(farm: Farm, summaries: Mapping[str, Sequence[FieldSummary]]) -> Answer:
    """Return what the first screen says.

    Where nearly all wheeled ground is far over, the scale cannot rank any more: then depth reached and the
    difference from base lead.
    """
    base = summaries[BASE]
    totals = add_up(base)
    units = farm.units
    full = totals.wheeled_ha > 0 and totals.far_over_ha >= FULL_SCALE_SHARE * totals.wheeled_ha
    lasting, whole = say("area", totals.lasting_ha, units), say("area", totals.area_ha, units)
    best = best_scenario(summaries, full)
    deep = say("depth", totals.depth_reached_m, units)
    if full:
        headline = (
            f"The load reached {deep} deep; lasting damage is likely wherever a wheel went, on {lasting} of {whole}"
        )
    elif totals.lasting_ha > 0:
        headline = f"Lasting damage likely on {lasting} of {whole}"
    else:
        headline = f"No lasting damage likely on {whole}"
    sentences = [
        sentence
        for sentence in (
            _full_sentence(full),
            _gateway_sentence(base, units),
            _operation_sentence(base, units),
            _scenario_sentence(summaries, farm, full, best),
        )
        if sentence
    ]
    share = 100 * totals.wheeled_ha / totals.area_ha if totals.area_ha else 0.0
    figures = (
        ("Lasting damage likely", lasting, f"of {whole}; chance of 0.5 or more below tillage depth"),
        (
            "Wheeled",
            say("share", share, units),
            f"{say('area', totals.wheeled_ha, units)} that at least one wheel touched",
        ),
        (
            "Depth reached",
            deep,
            f"of a stress of {say('stress', 50, units)}; on 95 % of the ground it stays shallower",
        ),
        (
            "Traffic",
            say("haul", totals.traffic_t_km, units),
            f"{say('distance', totals.drive_km, units)} driven in {say('time', totals.hours, units)}",
        ),
    )
    if full:
        figures = (figures[2], *figures[:2], figures[3])
    return Answer(headline, tuple(sentences), figures, full, best)


def _measure(totals: Totals, full: bool) -> float:
    """Return what ranks scenarios: depth reached where the scale is full, else ground with lasting damage."""
    return totals.depth_reached_m if full else totals.lasting_ha


def best_scenario(summaries: Mapping[str, Sequence[FieldSummary]], full: bool) -> str:
    """Return the scenario that helps most; base when none is better."""
    return min(summaries, key=lambda key: (_measure(add_up(summaries[key]), full), key != BASE))


def _full_sentence(full: bool) -> str:
    """Return what to say when the scale is full."""
    if not full:
        return ""
    return (
        "The scale is full: nearly all wheeled ground is far over the strength assumed for it, so the "
        "stress ratio no longer tells good from "
        "bad. Go by the depth reached and by the difference between scenarios."
    )


def _gateway_sentence(fields: Sequence[FieldSummary], units: str) -> str:
    """Return the gateway most driven through, with the ground over strength there."""
    counts = [(count, gate, field.field.key) for field in fields for gate, count in field.crossings.items()]
    if not counts:
        return ""
    count, gate, key = max(counts, key=lambda item: (item[0], item[1]))
    areas = [
        place.area_m2
        for field in fields
        for place in field.worst
        if place.zone == "gateway" and place.name == gate and place.field == key
    ]
    where = "" if key.lower() in gate.lower() else f" of {key}"
    ground = f"; {say('patch', areas[0], units)} there are over the soil's strength" if areas else ""
    return f"{_upper(_the_gate(gate))}{where}: driven through {count:,.0f} times{ground}."


def _the_gate(name: str) -> str:
    """Return a gateway's name with its article and kind."""
    named = name if "gate" in name.lower() else f"{name} gateway"
    return named if named.lower().startswith("the ") else f"the {named}"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _operation_sentence(fields: Sequence[FieldSummary], units: str) -> str:
    """Return which operation brought most ground over strength for the first time."""
    added: dict[tuple[dt.date, str, str], float] = {}
    first: dict[tuple[dt.date, str, str], OperationPart] = {}
    for part in (part for field in fields for part in field.parts):
        key = (part.day, part.job, part.outfit)
        added[key] = added.get(key, 0.0) + part.added_deep_ha
        first.setdefault(key, part)
    if not added or max(added.values()) <= 0:
        return ""
    key = max(added, key=lambda item: added[item])
    part = first[key]
    return (
        f"Most was added by {part.job} on {say_day(part.day)} with {part.outfit}: "
        f"{say('area', added[key], units)} went over "
        "the soil's strength below tillage depth for the first time."
    )


def _scenario_sentence(summaries: Mapping[str, Sequence[FieldSummary]], farm: Farm, full: bool, best: str) -> str:
    """Return the scenario that helps most, and by how much."""
    if len(summaries) < 2:
        return ""
    if best == BASE:
        return "None of the scenarios is better than base."
    now = _measure(add_up(summaries[best]), full)
    gain = _measure(add_up(summaries[BASE]), full) - now
    title = farm.scenarios[best].title or best
    start = f"The best scenario is \N{LEFT DOUBLE QUOTATION MARK}{title}\N{RIGHT DOUBLE QUOTATION MARK}: "
    if full:
        return f"{start}the load reaches {say('depth', gain, farm.units)} less deep."
    left, less = say("area", now, farm.units), say("area", gain, farm.units)
    return f"{start}lasting damage likely on {left}, {less} less."
