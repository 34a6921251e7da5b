"""Tables and words of the audit's page behind its first part: groups, traffic, chance, places, years, yield, logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trafficplan.assess.share import LOOSENED_M, STEPS, steps_of_chance
from trafficplan.decide.audit_rows import Row
from trafficplan.decide.farm_account import FarmAccount, groups_of, traffic_of, whole_of
from trafficplan.report.answer import number_of, zone_row
from trafficplan.report.audit_map import chance_chart
from trafficplan.report.audit_words import earlier_words, loss_words, money, say_range
from trafficplan.report.sheets import ZONE_NAMES
from trafficplan.report.words import MONTHS, figure, say, say_day, unit_of


def one_to_one(account: FarmAccount) -> dict[str, str] | None:
    """Return job -> its outfit where each job has one outfit of its own; None where they are not the same division."""
    pairs = {(one.job, one.outfit) for one in account.jobs}
    jobs = dict(pairs)
    return jobs if len(pairs) == len(jobs) == len(set(jobs.values())) else None


def group_tables(account: FarmAccount) -> list[tuple[str, list[dict[str, object]]]]:
    """Return what would be gone without all of one job, outfit and month: title, and rows with the width of their bars."""
    units, same = account.farm.units, one_to_one(account)
    told = []
    for kind in ("job", "month") if same else ("job", "outfit", "month"):
        mine = [one for one in groups_of(account) if one.kind == kind]
        mine = sorted(mine, key=lambda one: one.name) if kind == "month" else mine
        most = max((one.expected_ha for one in mine), default=0.0) or 1.0
        rows: list[dict[str, object]] = [
            {
                "name": _name(account, kind, one.name, same),
                "operations": one.operations,
                "likely": say("area", one.likely_ha, units),
                "expected": say("area", one.expected_ha, units),
                "width": round(100 * max(one.expected_ha, 0.0) / most),
            }
            for one in mine
        ]
        told.append((f"Without all of one {kind}{' (and outfit)' if same and kind == 'job' else ''}", rows))
    return told


def group_words(account: FarmAccount) -> str:
    """Return in a sentence without which job and month most would be gone."""
    units = account.farm.units
    groups = [one for one in groups_of(account) if one.expected_ha > 0]
    job, month = (next((one for one in groups if one.kind == kind), None) for kind in ("job", "month"))
    if job is None or month is None:
        return ""
    return (
        f"Most hangs on {job.name}: without it {say('area', job.expected_ha, units)} of expected damage would be gone; by months on "
        f"{_month(month.name)} ({say('area', month.expected_ha, units)})."
    )


def traffic_tables(account: FarmAccount) -> list[tuple[str, str, list[dict[str, object]]]]:
    """Return load times distance by job, outfit, month and zone: title, unit and rows with the width of their bars."""
    units, same = account.farm.units, one_to_one(account)
    told = []
    for by in ("job", "month", "zone") if same else ("job", "outfit", "month", "zone"):
        mine = [one for one in traffic_of(account) if one.by == by]
        most = max((one.t_km_ha for one in mine), default=0.0) or 1.0
        ordered = mine if by == "month" else sorted(mine, key=lambda one: -one.t_km_ha)
        rows: list[dict[str, object]] = [
            {
                "name": _name(account, by, one.name, same),
                "value": figure("traffic", one.t_km_ha, units),
                "width": round(100 * one.t_km_ha / most),
            }
            for one in ordered
        ]
        told.append((f"By {by}{' and outfit' if same and by == 'job' else ''}", unit_of("traffic", units), rows))
    return told


def traffic_words(account: FarmAccount) -> str:
    """Return in a sentence how much traffic there was, and what drove most of it."""
    units, whole = account.farm.units, whole_of(account.fields)
    jobs = sorted((one for one in traffic_of(account) if one.by == "job"), key=lambda one: -one.t_km)
    if not jobs or whole.traffic_t_km <= 0 or whole.area_ha <= 0:
        return ""
    return (
        f"{say('traffic', whole.traffic_t_km / whole.area_ha, units)} over the ground of all fields; "
        f"{jobs[0].name} {say('share', 100 * jobs[0].t_km / whole.traffic_t_km, units)} of it."
    )


def field_rows(account: FarmAccount) -> dict[str, object] | None:
    """Return the fields side by side, with bars for the wheeled share and for the share of expected damage."""
    units = account.farm.units
    if len(account.fields) < 2 or not account.jobs:
        return None
    rows: list[dict[str, object]] = []
    for one in account.fields:
        row = zone_row(account.summaries[one.field])
        damaged = 100 * one.expected_ha / one.area_ha if one.area_ha else 0.0
        rows.append(
            {
                "name": one.field,
                "area": say("area", one.area_ha, units),
                "wheeled": say("share", number_of(row, "wheeled_pct"), units),
                "wheeled_width": round(number_of(row, "wheeled_pct")),
                "traffic": say("traffic", number_of(row, "traffic_t_km_ha"), units),
                "expected": say("area", one.expected_ha, units),
                "share": say("share", damaged, units),
                "share_width": round(damaged),
            }
        )
    most = max(rows, key=lambda row: int(str(row["share_width"])))
    least = min(rows, key=lambda row: int(str(row["share_width"])))
    words = (
        f"For its size {most['name']} has the most lasting damage ({most['share']} of its ground, expected), {least['name']} the "
        f"least ({least['share']})."
    )
    return {"rows": rows, "words": words}


def _name(account: FarmAccount, by: str, name: str, same: Mapping[str, str] | None) -> str:
    if by == "outfit":
        return account.farm.outfits[name].title or name
    if by == "job" and same:
        return f"{name} ({account.farm.outfits[same[name]].title or same[name]})"
    return _month(name) if by == "month" else ZONE_NAMES.get(name, name) if by == "zone" else name


def _month(name: str) -> str:
    """Return a month as people say it.

    Examples
    --------
    >>> _month("2026-03")
    'Mar 2026'
    """
    year, _, month = name.partition("-")
    return f"{MONTHS[int(month) - 1]} {year}"


def chance_values(account: FarmAccount) -> dict[str, object]:
    """Return hectares by chance, and the sentences on concentration, lanes, loosening and worn places."""
    units = account.farm.units
    whole, told = whole_of(account.fields), account.concentrated
    cell_ha = account.fields[0].cell_ha if account.fields else 0.0
    rows = [
        (ZONE_NAMES.get(zone, zone), [figure("area", one, units) for one in steps_of_chance(counts, cell_ha)])
        for zone, counts in account.counts.items()
    ]
    fresh = whole.wheeled_ha - whole.shared_lanes_ha
    shared = (
        f"If all passes whose working width is that of the narrowest outfit of their field, or a whole multiple of it, had shared "
        f"their lanes, {say('area', fresh, units)} fewer would have been wheeled."
        if fresh > 0.005
        else "No passes have working widths that could share lanes as they are."
    )
    return {
        "chance_chart": chance_chart([steps_of_chance(one, cell_ha) for one in account.counts.values()], units),
        "chance": {
            "steps": [f"{i / STEPS:.1f} to {(i + 1) / STEPS:.1f}" for i in range(STEPS)],
            "rows": rows,
        },
        "concentrated": (
            f"The worst tenth of the ground carries {say('share', 100 * told.worst_share, units)} of the damage (chance times area); "
            f"headlands and gateways, {say('share', 100 * told.edge_area_share, units)} of the ground, carry "
            f"{say('share', 100 * told.edge_share, units)}. Ground by chance, {unit_of('area', units)}:"
        ),
        "lanes": (
            f"All wheel marks added up would cover {say('share', 100 * whole.covered_ha / max(whole.area_ha, 1e-9), units)} of the "
            f"ground; {say('share', whole.wheeled_pct, units)} of it were touched at least once. {shared}"
        ),
        "loosening": (
            f"Deep loosening (to {say('depth', LOOSENED_M, units)}, common practice) would reach {say('area', whole.loosened_ha, units)} "
            f"where the damage ends above that depth, and not {say('area', whole.beyond_ha, units)} where it goes deeper. Loosened "
            "soil is weaker than before and is pressed together more easily by the next wheels; it mends pores, not structure."
        ),
        "worn": (
            f"{say('area', whole.worn_ha, units)} were worn out or loosened before the season, as the farm says (loosened ground is reckoned "
            f"as weak as a tilled layer); on them lie "
            f"{say('area', whole.worn_likely_ha, units)} of the likely damage."
            if whole.worn_ha > 0
            else ""
        ),
    }


def worst_rows(account: FarmAccount) -> list[dict[str, object]]:
    """Return the worst places."""
    units = account.farm.units
    return [
        {
            "number": number,
            "name": place.name,
            "field": place.field,
            "why": place.reason,
            "ground": say("patch", place.area_m2, units),
            "passes": f"{place.crossings:,.0f}",
            "depth": say("depth", place.deepest_m, units) if place.deepest_m > 0 else "nowhere",
        }
        for number, place in enumerate(account.worst, 1)
    ]


_EARLIER = (
    ("wheeled_pct", "share", "Wheeled"),
    ("traffic_t_km_ha", "traffic", "Traffic"),
    ("lasting_likely_ha", "area", "Lasting damage likely"),
    ("lasting_expected_ha", "area", "Expected"),
)


def earlier_values(account: FarmAccount, earlier: Mapping[str, object] | None) -> dict[str, object] | None:
    """Return the comparison with an earlier year as the page shows it."""
    if earlier is None:
        return None
    units = account.farm.units
    given = earlier["rows"]
    rows: list[Row] = [dict(row) for row in given] if isinstance(given, list) else []
    told = []
    for row in rows:
        cells = [
            (say(quantity, number_of(row, name), units), say(quantity, number_of(row, f"earlier_{name}"), units))
            for name, quantity, _ in _EARLIER
        ]
        told.append({"field": row["field"], "cells": cells})
    return {
        "season": earlier["season"],
        "columns": [title for _, _, title in _EARLIER],
        "rows": told,
        "words": earlier_words(account, earlier),
    }


def loss_values(account: FarmAccount) -> dict[str, object] | None:
    """Return what the damage may cost; None without prices."""
    words = loss_words(account)
    if not words or account.prices is None:
        return None
    currency, units = account.prices.currency, account.farm.units
    rows = [
        {
            "crop": one.crop or "no crop named",
            "ground": say_range("area", *one.hectares, units),
            "first": money(*one.first_money, currency) if one.first_money else "no price",
            "lasting": money(*one.lasting_money, currency) if one.lasting_money else "no price",
        }
        for one in account.losses
    ]
    fine = (
        "Loss of yield on ground with lasting damage: 5 to 15 % in the first crops (barley 5 % over four years, Alakukku and Elonen "
        "1995; about 15 % after axles of 10 to 12 t, Penn State extension), 2.5 to 5.7 % in each year while it lasts (2.5 %, "
        "Hakansson and Reeder 1994, from memory; 3 to 5 % after ten years, Penn State extension; 5.7 % after a heavy wheel, Aarslev)."
    )
    return {"words": words, "rows": rows, "fine": fine}


def log_values(account: FarmAccount) -> dict[str, object] | None:
    """Return what the logs hold, and what has none; None without any."""
    matched, units = account.matched, account.farm.units
    if not matched.outings and not account.missing:
        return None
    driven = sum(one.work_m + one.transport_m for one in matched.outings) / 1e3
    in_field = [one for one in matched.outings if one.field]
    road = sum(one.work_m + one.transport_m for one in matched.outings if not one.field) / 1e3
    worked = sum(one.worked_m2 for one in in_field if one.worked_m2 == one.worked_m2) / 1e4
    work = sum(one.work_m for one in in_field) / 1e3
    stood = sum(one.standing_s for one in matched.outings) / 3600
    words = (
        f"{len({one.log for one in matched.outings})} logs over {len({one.field for one in in_field})} fields: "
        f"{say('distance', driven, units)} driven, {say('distance', work, units)} of it in work in fields "
        f"({say('area', worked, units)}) and {say('distance', road, units)} on the road or outside of all fields; stood "
        f"{say('time', stood, units)}."
    )
    added = {id(one) for one in matched.added.values()}
    return {
        "words": words,
        "without_operation": [
            {
                "log": one.log,
                "day": say_day(one.day) if one.day else "",
                "field": one.field,
                "km": say("distance", (one.work_m + one.transport_m) / 1e3, units),
                "outfit": one.outfit or "not known",
                "counted": "yes, as an operation of its own" if id(one) in added else "no",
            }
            for one in matched.without_operation
        ],
        "missing": _missing(account),
        "without_log": _without_log(matched.without_log),
    }


def _missing(account: FarmAccount) -> list[dict[str, str]]:
    return [
        {
            "day": say_day(one.day),
            "field": one.field,
            "beside": one.beside,
            "mass": f"{one.mass_kg / 1e3:,.0f} t",
            "estimated": f"{one.loads} loads"
            if one.operation
            else "not in the maps: no single outfit of the farm hauls",
        }
        for one in account.missing
    ]


def _without_log(keys: Sequence[str]) -> str:
    return ", ".join(keys[:40]) + (f" and {len(keys) - 40} more" if len(keys) > 40 else "")
