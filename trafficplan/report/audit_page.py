"""The audit's page: one file for the farm, the answer on its first page, then fields A to Z, then how it was reckoned.

No script and no network: it prints as it reads.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from markupsafe import Markup

from trafficplan import __version__
from trafficplan.decide.audit import FieldAudit, JobPart
from trafficplan.decide.audit_rows import soils_met
from trafficplan.decide.changes import Proposal
from trafficplan.decide.farm_account import FarmAccount
from trafficplan.report.answer import number_of, zone_row
from trafficplan.report.audit_map import farm_map, field_image, field_map
from trafficplan.report.audit_sheets import (
    chance_values,
    earlier_values,
    field_rows,
    group_tables,
    group_words,
    log_values,
    loss_values,
    traffic_tables,
    traffic_words,
    worst_rows,
)
from trafficplan.report.audit_words import (
    answer_of,
    beside_changes,
    change_lines,
    cost_words,
    say_range,
)
from trafficplan.report.cautions import cautions_for
from trafficplan.report.page import STANDING, note_groups, packaged, template_environment
from trafficplan.report.picture import Picture
from trafficplan.report.sources import SOURCES
from trafficplan.report.words import say, say_day

#: Fields that get a map of their own at most; the rest is told in words and tables.
MOST_MAPS = 80
#: Other operations named beside a shared one.
MOST_NAMED = 2
#: Changes told on the page; the rest stands in tables/changes.csv.
MOST_TOLD = 10


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
    soils = soils_met(account)
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
        "fields": [_field(account, one, pictures, i, soils) for i, one in enumerate(account.fields) if one.jobs],
        "idle": ", ".join(idle),
        "beside": beside_changes(account) if drove else (),
        "field_rows": field_rows(account),
        "groups": group_tables(account) if drove else [],
        "group_words": group_words(account),
        "traffic": traffic_tables(account) if drove else [],
        "traffic_words": traffic_words(account),
        **(
            chance_values(account)
            if drove
            else {"chance": None, "chance_chart": "", "concentrated": "", "lanes": "", "loosening": "", "worn": ""}
        ),
        "worst": worst_rows(account),
        "earlier": earlier_values(account, earlier),
        "page_name": css_string(f"{farm.title}, season {account.season}: the year's traffic on the soil"),
        "loss": loss_values(account),
        "logs": log_values(account),
        "method": method_words(account),
        "cautions": cautions_for(_situations(account, answer.full_scale)),
        "note_groups": note_groups([*farm.notes, *account.notes], farm.units),
        "sources": SOURCES,
        "standing": STANDING,
        "version": __version__,
        "crs": farm.crs,
        "cell": say("length", account.cell_m, farm.units) if account.cell_m >= 1 else f"{account.cell_m:g} m",
    }
    return template_environment().from_string(packaged("audit_page.html")).render(values)


def css_string(text: str) -> Markup:
    """Return a text as it may stand between quotes in a style sheet.

    Examples
    --------
    >>> print(css_string('Oak "Hollow"'))
    Oak \\000022Hollow\\000022
    """
    plain = "".join(sign if sign.isalnum() or sign in " ,.:'()-" else f"\\{ord(sign):06x}" for sign in text)
    return Markup(plain)


def _counts(account: FarmAccount) -> str:
    fields, jobs = len(account.fields), len(account.jobs)
    area = say("area", sum(one.area_ha for one in account.fields), account.farm.units)
    recorded = sum(one.source == "recorded" for one in account.jobs)
    told = f"{fields} field{'s' if fields != 1 else ''}, {area}, {jobs} operation{'s' if jobs != 1 else ''}"
    if not recorded:
        return told
    return f"{told}, {'all' if recorded == jobs else recorded} recorded"


def _situations(account: FarmAccount, full_scale: bool) -> set[str]:
    found = {"map", "chance", "slope"}
    if any(one.kind in ("pressure", "outfit") for one in account.proposals):
        found.add("pressure")
    if any(one.change == "empties" for one in account.farm.operations):
        found.add("season")
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
        for rank, one in enumerate(account.proposals[:MOST_TOLD], 1)
    ]
    more = len(account.proposals) - len(tried)
    by = "money that they cost" if account.prices is not None and account.prices.hour else "hour that they take longer"
    bought = any(one.cost is not None for one in account.proposals) and not (account.prices and account.prices.hour)
    unpriced = " What something costs to buy does not count in that: no price of an hour is given." if bought else ""
    words = (
        f"The season was run again with each change. Ranked by expected hectares spared per {by}, with one hour added to each for "
        f"arranging it.{unpriced} The range is that of a soil weaker, as assumed or stronger by half: where a soil is far too weak or "
        "strong enough, a change matters less, so both can spare less than the soil as assumed. No longer likely: hectares whose chance "
        "falls below 0.5, which are those that trafficplan map tells. Each is a scenario in scenarios.toml of this result: put it into "
        "the farm's own scenarios.toml, and trafficplan map FARM --scenario NAME gives its maps. Days that are booked were not "
        "moved; recorded drives kept their way."
    )
    return {"changes_title": title, "changes": rows, "tried": tried, "tried_words": words, "tried_more": more}


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


def _field(
    account: FarmAccount,
    one: FieldAudit,
    pictures: Mapping[str, Picture],
    index: int,
    soils: Mapping[tuple[str, str], tuple[str, str]],
) -> dict[str, object]:
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
        "jobs": [_job(job, jobs, units, soils.get((one.field, job.operation), ("", ""))) for job in one.jobs],
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


def _job(job: JobPart, jobs: Mapping[str, JobPart], units: str, soil: tuple[str, str]) -> dict[str, str]:
    named = [f"{jobs[key].job} {say_day(jobs[key].day)}" for key, _ in job.shared_with[:MOST_NAMED] if key in jobs]
    more = len(job.shared_with) - len(named)
    return {
        "day": say_day(job.day),
        "job": job.job,
        "source": job.source,
        "soil": soil[0] if soil[0] == soil[1] else f"{soil[0]}, below {soil[1]}",
        "alone": say("area", job.alone_ha, units),
        "shared": say("area", job.shared_ha, units),
        "others": ", ".join(named) + (f" and {more} more" if more > 0 and named else ""),
    }


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
