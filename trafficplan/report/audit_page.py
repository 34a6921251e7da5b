"""The audit's page: one file for the farm, the answer on its first page, then fields A to Z, then how it was reckoned.

No script and no network: it prints as it reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from markupsafe import Markup

from trafficplan import __version__
from trafficplan.assess.share import STEPS, steps_of_chance
from trafficplan.decide.audit import FieldAudit, JobPart
from trafficplan.decide.audit_tables import Row
from trafficplan.decide.changes import Proposal
from trafficplan.decide.farm_account import FarmAccount, groups_of, traffic_of, whole_of
from trafficplan.report.answer import number_of, zone_row
from trafficplan.report.audit_map import farm_map, field_image, field_map
from trafficplan.report.audit_words import (
    answer_of,
    change_lines,
    cost_words,
    loss_words,
    money,
    say_range,
)
from trafficplan.report.cautions import cautions_for
from trafficplan.report.page import STANDING, note_groups, packaged, template_environment
from trafficplan.report.picture import Picture
from trafficplan.report.sheets import ZONE_NAMES
from trafficplan.report.sources import SOURCES
from trafficplan.report.words import figure, say, say_day, unit_of

#: Fields that get a map of their own at most; the rest is told in words and tables.
MOST_MAPS = 80
#: Other operations named beside a shared one.
MOST_NAMED = 2


def write_audit_page(
    path: Path, account: FarmAccount, pictures: Mapping[str, Picture], earlier: Mapping[str, object] | None
) -> None:
    """Write the page of a farm's audit.

    Parameters
    ----------
    pictures : field -> chance of lasting damage
    earlier : the earlier result to compare with: "season" and rows of `against`, or None
    """
    path.write_text(render_audit_page(account, pictures, earlier), encoding="utf-8", newline="\n")


def render_audit_page(
    account: FarmAccount, pictures: Mapping[str, Picture], earlier: Mapping[str, object] | None = None
) -> str:
    """Return the page as text; see write_audit_page."""
    farm = account.farm
    answer = answer_of(account)
    drove = bool(account.jobs)
    drawn, apart = farm_map(account, pictures) if account.fields else (Markup(""), "")
    idle = [one.field for one in account.fields if not one.jobs]
    values: dict[str, object] = {
        "farm_title": farm.title,
        "season": account.season,
        "counts": _counts(account),
        "css": Markup(packaged("page.css") + packaged("audit_page.css")),
        "answer": answer,
        "images": [field_image(pictures[one.field], i) for i, one in enumerate(account.fields)],
        "farm_map": drawn,
        "map_words": apart,
        **_change_values(account),
        "failed": [f"{key}: {problems[0].sentence()}" for key, problems in account.failed.items()],
        "fields": [_field(account, one, pictures, i) for i, one in enumerate(account.fields) if one.jobs],
        "idle": ", ".join(idle),
        "groups": _groups(account) if drove else [],
        "traffic": _traffic(account) if drove else [],
        **(
            _chance(account)
            if drove
            else {"chance": None, "concentrated": "", "lanes": "", "loosening": "", "worn": ""}
        ),
        "worst": _worst(account),
        "earlier": _earlier(account, earlier),
        "loss": _loss(account),
        "logs": _logs(account),
        "method": method_words(account),
        "cautions": cautions_for(_situations(account, answer.full_scale)),
        "note_groups": note_groups([*farm.notes, *account.notes]),
        "sources": SOURCES,
        "standing": STANDING,
        "version": __version__,
        "crs": farm.crs,
        "cell": say("length", account.cell_m, farm.units) if account.cell_m >= 1 else f"{account.cell_m:g} m",
    }
    return template_environment().from_string(packaged("audit_page.html")).render(values)


def _counts(account: FarmAccount) -> str:
    fields, jobs = len(account.fields), len(account.jobs)
    area = say("area", sum(one.area_ha for one in account.fields), account.farm.units)
    recorded = sum(one.source == "recorded" for one in account.jobs)
    told = f"{fields} field{'s' if fields != 1 else ''}, {area}, {jobs} operation{'s' if jobs != 1 else ''}"
    return f"{told}, {recorded} of them recorded" if recorded else told


def _situations(account: FarmAccount, full_scale: bool) -> set[str]:
    found = {"map", "chance", "slope"}
    if any(one.kind in ("pressure", "outfit") for one in account.proposals):
        found.add("pressure")
    if any(one.change == "empties" for one in account.farm.operations):
        found.add("spreading")
    if full_scale:
        found.add("full_scale")
    if account.losses:
        found.add("yield")
    return found


def _change_values(account: FarmAccount) -> dict[str, object]:
    count = len(account.chosen)
    title = {0: "", 1: "The change that helps most", 2: "The two changes that help most"}.get(
        count, "The three changes that help most"
    )
    rows = [_change(account, one, False) for one in account.chosen]
    if account.together is not None:
        rows.append(_change(account, account.together, True))
    tried = [
        {
            "rank": rank,
            "title": one.scenario.title,
            "spared": _spared(account, one),
            "likely": say("area", one.likely_spared_ha, account.farm.units),
            "cost": cost_words(one, account),
            "scenario": one.scenario.key,
        }
        for rank, one in enumerate(account.proposals, 1)
    ]
    by = "money that they cost" if account.prices is not None and account.prices.hour else "hour that they take longer"
    words = (
        f"The season was run again with each change. Ranked by expected hectares spared per {by}, with one hour added to each for "
        "arranging it. Range: a soil weaker or stronger by half. Each is a scenario in scenarios.toml of this result: put it into "
        "the farm's own scenarios.toml, and trafficplan map FARM --scenario NAME gives its maps. Days that are booked were not "
        "moved; recorded drives kept their way."
    )
    return {"changes_title": title, "changes": rows, "tried": tried, "tried_words": words}


def _change(account: FarmAccount, one: Proposal, together: bool) -> dict[str, object]:
    told = [] if together else change_lines(one, account.farm)
    if one.kind in ("pressure", "loads", "outfit"):  # the title names the outfit
        told = [line.partition(": ")[2] for line in told if one.kind == "pressure"]
    lines = "; ".join(told)
    title = one.scenario.title.partition(": ")[0] if one.kind in ("gate", "lanes", "wait") else one.scenario.title
    return {
        "title": title,
        "lines": lines,
        "spared": _spared(account, one),
        "cost": cost_words(one, account),
        "together": together,
    }


def _spared(account: FarmAccount, one: Proposal) -> str:
    return say_range("area", one.spared_ha.low, one.spared_ha.high, account.farm.units)


def _field(account: FarmAccount, one: FieldAudit, pictures: Mapping[str, Picture], index: int) -> dict[str, object]:
    units = account.farm.units
    place = account.farm.fields[one.field]
    drawn = field_map(account, place, pictures[one.field], index) if index < MOST_MAPS else ""
    tilled = f"tilled to {say('depth', place.tillage_depth_m, units)}" if place.tillage_depth_m > 0 else "not tilled"
    jobs = {job.operation: job for job in account.jobs}
    return {
        "name": one.field,
        "note": ", ".join(word for word in (say("area", one.area_ha, units), place.crop, tilled) if word),
        "map": drawn,
        "sentence": _field_sentence(account, one),
        "jobs": [_job(job, jobs, units) for job in one.jobs],
    }


def _field_sentence(account: FarmAccount, one: FieldAudit) -> str:
    units = account.farm.units
    row = zone_row(account.summaries[one.field])
    worst = account.summaries[one.field].worst
    place = f" Worst: {worst[0].name}." if worst else ""
    loose = one.loosening
    deep = (
        f", {say('area', loose.beyond_ha, units)} of it out of a deep loosener's reach" if loose.beyond_ha > 0 else ""
    )
    return (
        f"Wheeled {say('share', number_of(row, 'wheeled_pct'), units)}; {say('traffic', number_of(row, 'traffic_t_km_ha'), units)}; "
        f"lasting damage likely on {say('area', one.likely_ha, units)}{deep}; depth reached "
        f"{say('depth', number_of(row, 'depth_reached_m_p95'), units)} (95 % of the ground stays shallower).{place}"
    )


def _job(job: JobPart, jobs: Mapping[str, JobPart], units: str) -> dict[str, str]:
    named = [f"{jobs[key].job} {say_day(jobs[key].day)}" for key, _ in job.shared_with[:MOST_NAMED] if key in jobs]
    more = len(job.shared_with) - len(named)
    return {
        "day": say_day(job.day),
        "job": job.job,
        "source": job.source,
        "alone": say("area", job.alone_ha, units),
        "shared": say("area", job.shared_ha, units),
        "others": ", ".join(named) + (f" and {more} more" if more > 0 and named else ""),
    }


def _groups(account: FarmAccount) -> list[tuple[str, list[dict[str, object]]]]:
    units = account.farm.units
    told = []
    for kind in ("job", "outfit"):
        rows = [
            {
                "name": account.farm.outfits[one.name].title or one.name if kind == "outfit" else one.name,
                "operations": one.operations,
                "likely": say("area", one.likely_ha, units),
                "expected": say("area", one.expected_ha, units),
            }
            for one in groups_of(account)
            if one.kind == kind
        ]
        told.append((f"All of one {kind}", rows))
    return told


def _traffic(account: FarmAccount) -> list[tuple[str, str, list[dict[str, object]]]]:
    units = account.farm.units
    told = []
    for by in ("job", "outfit", "month", "zone"):
        mine = [one for one in traffic_of(account) if one.by == by]
        most = max((one.t_km_ha for one in mine), default=0.0) or 1.0
        ordered = mine if by == "month" else sorted(mine, key=lambda one: -one.t_km_ha)
        rows: list[dict[str, object]] = [
            {
                "name": _traffic_name(account, by, one.name),
                "value": figure("traffic", one.t_km_ha, units),
                "width": round(100 * one.t_km_ha / most),
            }
            for one in ordered
        ]
        told.append((f"By {by}", unit_of("traffic", units), rows))
    return told


def _traffic_name(account: FarmAccount, by: str, name: str) -> str:
    if by == "outfit":
        return account.farm.outfits[name].title or name
    return ZONE_NAMES.get(name, name) if by == "zone" else name


def _chance(account: FarmAccount) -> dict[str, object]:
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
        "chance": {
            "steps": [f"{i / STEPS:.1f} to {(i + 1) / STEPS:.1f}" for i in range(STEPS)],
            "rows": rows,
        },
        "concentrated": (
            f"The worst tenth of the ground carries {say('share', 100 * told.worst_share, units)} of the damage (chance times area); "
            f"headlands and gateways, {say('share', 100 * told.edge_area_share, units)} of the ground, carry "
            f"{say('share', 100 * told.edge_share, units)}. Hectares of ground ({unit_of('area', units)}) by chance:"
        ),
        "lanes": (
            f"All wheel marks added up would cover {say('share', 100 * whole.covered_ha / max(whole.area_ha, 1e-9), units)} of the "
            f"ground; {say('share', whole.wheeled_pct, units)} of it were touched at least once. {shared}"
        ),
        "loosening": (
            f"Deep loosening (to {say('depth', 0.45, units)}, common practice) would reach {say('area', whole.loosened_ha, units)} "
            f"where the damage ends above that depth, and not {say('area', whole.beyond_ha, units)} where it goes deeper. Loosened "
            "soil is weaker than before and is pressed together more easily by the next wheels; it mends pores, not structure."
        ),
        "worn": (
            f"{say('area', whole.worn_ha, units)} were worn out or loosened before the season, as the farm says; on them lie "
            f"{say('area', whole.worn_likely_ha, units)} of the likely damage."
            if whole.worn_ha > 0
            else ""
        ),
    }


def _worst(account: FarmAccount) -> list[dict[str, object]]:
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


def _earlier(account: FarmAccount, earlier: Mapping[str, object] | None) -> dict[str, object] | None:
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
    now, then = (sum(number_of(row, f"{before}lasting_expected_ha") for row in rows) for before in ("", "earlier_"))
    word = "less" if now < then else "more"
    words = (
        f"On the {len(rows)} fields of both, {say('area', abs(now - then), units)} {word} lasting damage is expected than in "
        f"{earlier['season']} ({say('area', now, units)} against {say('area', then, units)}). Weather, crops and the order of jobs "
        "differ: a difference is not the merit of one change."
    )
    return {"season": earlier["season"], "columns": [title for _, _, title in _EARLIER], "rows": told, "words": words}


def _loss(account: FarmAccount) -> dict[str, object] | None:
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


def _logs(account: FarmAccount) -> dict[str, object] | None:
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


def method_words(account: FarmAccount) -> tuple[str, ...]:
    """Return how an audit is reckoned, in short paragraphs."""
    units = account.farm.units
    return (
        "Every axle of every operation is driven over the field along its own path, with its own load and pressure at every place. "
        "Stress under it at each depth (Froehlich 1934, Soehne 1953) is held against the strength of that soil on that day; the "
        "highest ratio of the season gives the chance of overstress. Below the depth of tillage nothing mends it: that is lasting.",
        "Hectares are told twice. Likely: chance of at least 0.5. Expected: chance times area, added up; this moves even where the "
        "scale is full, so changes are ranked by it. A passing wheel draws no new luck: chances of passes are never multiplied, "
        "the highest counts. So the season's map is, place by place, the highest of the maps of its operations alone; leaving one "
        "out is exact, and two equal jobs on the same lines share all they did.",
        "Traffic is axle load times distance. Where no log was recorded, the drive is planned: headland rounds, swaths or tramlines, "
        "turns and trips for loads. Such drives are an estimate of where the wheels went. Times of changes come from planned drives; "
        "real turns and trips take up to 1.4 times as long (from memory: 10 to 40 % longer).",
        f"Computed on cells of {account.cell_m:g} m; changes and operations left out on the same cells. Depth reached is that of a "
        f"vertical stress of {say('stress', 50.0, units)}; it needs no knowledge of the soil's strength.",
    )
