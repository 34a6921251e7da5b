"""The page that compares the ways of doing a spreading job: table, chart, maps, reasons; it needs no network."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from trafficplan import __version__
from trafficplan.decide.alternatives import Alternative
from trafficplan.decide.cab import CabPlan
from trafficplan.decide.spread import drive_of
from trafficplan.decide.spread_plan import FieldPlan, cab_plan
from trafficplan.names import Note
from trafficplan.report.cab_words import headline, mass_words, situations_of, title_words, unspread_rows
from trafficplan.report.cautions import cautions_for
from trafficplan.report.page import STANDING, note_groups, packaged, template_environment
from trafficplan.report.plan_picture import plan_picture
from trafficplan.report.sources import SOURCES
from trafficplan.report.spread_chart import alternatives_chart
from trafficplan.report.words import QUANTITIES, figure, say, unit_of

#: Room of a map on the page [mm]; two stand beside each other.
_MAP_MM = (150.0, 150.0)


@dataclass(frozen=True)
class PlanPage:
    """All that the page tells of one field.

    Attributes
    ----------
    alternatives : the short list, what is done now among them
    smears : the same ones by key where the soil smears; empty where the moisture is given
    reason : why the advised one, in two sentences
    advised, now : both ways as they go into the cab
    tried, refused : how many ways were judged, and why others could not be driven, with counts
    whole : False where the search was cut short
    """

    alternatives: tuple[Alternative, ...]
    smears: Mapping[str, Alternative]
    reason: str
    advised: CabPlan
    now: CabPlan
    tried: int
    refused: tuple[tuple[str, int], ...]
    whole: bool
    notes: tuple[Note, ...]


def render_spread_page(plan: FieldPlan) -> str:
    """Return the page of a finished plan."""
    now = plan.candidates[plan.base.key]
    base = plan.cab if plan.advised.baseline else cab_plan(plan.job, now, plan.base, drive_of(plan.job, now))
    return render_page(
        PlanPage(
            plan.alternatives, plan.smears, plan.reason, plan.cab, base, plan.tried, plan.refused, plan.whole, plan.notes
        )
    )  # fmt: skip


def render_page(told: PlanPage) -> str:
    """Return the page as text."""
    plan, units = told.advised, told.advised.units
    best = next(one for one in told.alternatives if one.recommended)
    base = next(one for one in told.alternatives if one.baseline)
    maps = [(f"Advised: {best.key}, {best.words}", plan_picture(plan, *_MAP_MM, key="advised"))]
    if base.key != best.key:
        maps.append((f"Now: {base.key}, {base.words}", plan_picture(told.now, *_MAP_MM, key="now")))
    return template_environment().from_string(packaged("spread_page.html")).render(
        farm=plan.farm,
        title=title_words(plan),
        outfit=plan.outfit,
        css=Markup(packaged("page.css")),
        headline=headline(plan),
        reason=told.reason,
        whole=told.whole,
        figures=_figures(best, base, units),
        rows=[_row(one, told.smears, units) for one in told.alternatives],
        smears=bool(told.smears),
        litres=any(one.litres is not None for one in told.alternatives),
        units={"area": unit_of("area", units), "traffic": unit_of("traffic", units), "way": unit_of("distance", units)},
        chart=alternatives_chart(told.alternatives, units),
        maps=maps,
        unspread=unspread_rows(plan),
        tried=told.tried,
        refused=told.refused,
        cautions=cautions_for(situations_of(plan)),
        note_groups=note_groups(told.notes, units),
        sources=SOURCES,
        standing=STANDING,
        run={"version": __version__, "crs": plan.crs},
    )  # fmt: skip


def _figures(best: Alternative, base: Alternative, units: str) -> list[tuple[str, str, str]]:
    """Return what decides: name, value of the advised one, and the same of what is done now."""
    rows = (
        ("expected lasting damage added", "area", best.lasting_more_ha, base.lasting_more_ha),
        ("overstress likely below tillage depth, added", "area", best.deep_more_ha, base.deep_more_ha),
        ("time", "time", best.hours, base.hours),
        ("field wheeled", "share", best.wheeled_pct, base.wheeled_pct),
    )
    return [(name, _say(kind, mine, units), f"now {_say(kind, now, units)}") for name, kind, mine, now in rows]


def _say(kind: str, value: float, units: str) -> str:
    return f"{hectares(value, units)} {unit_of(kind, units)}" if kind == "area" else say(kind, value, units)


def hectares(value: float, units: str) -> str:
    """Return an area to two decimals where it is small: what is compared differs in the second.

    Examples
    --------
    >>> hectares(1.914, "metric"), hectares(0.0, "metric"), hectares(21.66, "metric")
    ('1.91', '0', '21.7')
    """
    size = value * QUANTITIES["area"][units][0]
    return f"{size:.2f}" if 0.005 <= abs(size) < 10 else figure("area", value, units)


def _row(one: Alternative, smears: Mapping[str, Alternative], units: str) -> dict[str, object]:
    """Return one row of the table, every cell in words."""
    wet = smears.get(one.key)
    marks = ["now"] * one.baseline + ["advised"] * one.recommended
    if not (one.non_dominated or one.baseline or one.recommended):
        marks.append("another one is better in everything")
    return {
        "key": one.key,
        "marks": ", ".join(marks),
        "advised": one.recommended,
        "words": one.words,
        "how": _how(one, units),
        "lasting": hectares(one.lasting_more_ha, units),
        "lasting_all": hectares(one.lasting_ha, units),
        "deep": hectares(one.deep_more_ha, units),
        "deep_all": hectares(one.deep_ha, units),
        "wet": hectares(wet.lasting_more_ha, units) if wet else "",
        "wheeled": figure("share", one.wheeled_pct, units),
        "traffic": [figure("traffic", one.traffic_t_km_ha.get(zone, 0.0), units) for zone in ("headland", "gateway", "infield")],
        "hours": figure("time", one.hours, units),
        "way": figure("distance", one.km, units),
        "road": figure("distance", one.road_km, units),
        "litres": "" if one.litres is None else f"{one.litres:.0f}",
        "spread": figure("area", one.spread_ha, units),
        "twice": figure("area", one.overlap_ha, units),
        "not_spread": figure("area", one.not_spread_ha, units),
    }  # fmt: skip


def _how(one: Alternative, units: str) -> str:
    """Return what is done in this way: gate, filling, loads, order, heading, pressures."""
    heading = "along the tramlines" if one.heading_deg is None else f"heading {one.heading_deg:.0f}°"
    parts = [
        one.gateway,
        f"filled {one.fill_words}",
        f"{one.loads} loads of {mass_words(one.load_kg, units)}",
        one.size,
    ]
    parts += [heading, one.order, one.pressures_words]
    return "; ".join(part for part in parts if part)
