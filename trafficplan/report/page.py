"""The report page: one HTML file with map, charts, tables, cautions and sources that needs no network."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from trafficplan.assess.summary import FieldSummary
from trafficplan.farm.farm import Farm
from trafficplan.names import Note
from trafficplan.report.alike import alike_notes
from trafficplan.report.answer import BASE, Answer, answer, worst_places
from trafficplan.report.both_units import notes_in
from trafficplan.report.cautions import cautions_for
from trafficplan.report.charts import profile_charts, season_chart, steps_chart
from trafficplan.report.map import MapParts, draw_map
from trafficplan.report.picture import Picture
from trafficplan.report.script import script_data
from trafficplan.report.sheets import deep_words, field_rows, scenario_rows, season_rows, worst_rows
from trafficplan.report.sources import SOURCES
from trafficplan.report.words import safe, say, unit_of

STANDING = {"published": "published", "memory": "from memory", "ours": "ours"}

SIGNS = {
    "track": "farm track",
    "watercourse": "watercourse",
    "yard": "yard",
    "keep_out": "keep out",
    "overhead_line": "overhead line",
    "public_road": "public road",
    "drain": "drain",
    "bridge": "bridge",
    "well": "well",
    "headland": "headland and gateway zones",
}

NOTE_TITLES = (("warned", "Warnings"), ("assumed", "Assumptions"), ("repaired", "Repairs"))


def write_report(
    path: Path,
    farm: Farm,
    summaries: Mapping[str, Sequence[FieldSummary]],
    pictures: Mapping[tuple[str, str], Sequence[Picture]],
    notes: Sequence[Note],
    run: Mapping[str, object],
) -> None:
    """Write the report of a farm.

    Parameters
    ----------
    path : file to write
    farm : names, units, ground around the fields
    summaries : scenario -> its fields in the order of the report; "base" is needed
    pictures : (scenario, field) -> its layers
    notes : assumptions, warnings and repairs of the whole result
    run : "version", "crs" and "parameters" (a mapping) of the run

    Raises
    ------
    KeyError
        when there is no scenario "base"
    """
    path.write_text(render_report(farm, summaries, pictures, notes, run), encoding="utf-8", newline="\n")


def render_report(
    farm: Farm,
    summaries: Mapping[str, Sequence[FieldSummary]],
    pictures: Mapping[tuple[str, str], Sequence[Picture]],
    notes: Sequence[Note],
    run: Mapping[str, object],
) -> str:
    """Return the report as text; see write_report."""
    ordered = {BASE: summaries[BASE], **{key: fields for key, fields in summaries.items() if key != BASE}}
    fields = [summary.field for summary in ordered[BASE]]
    worst = worst_places(ordered[BASE])
    told = answer(farm, ordered)
    drawn = draw_map(farm, fields, worst)
    titles = {key: farm.scenarios[key].title or key for key in ordered}
    values = {
        **_head(farm, ordered, told, run, drawn),
        **_tables(farm, ordered, titles),
        "worst": worst_rows(worst, drawn.origin, farm.units),
        "chart_steps": steps_chart(ordered, titles, farm.units),
        "chart_season": season_chart([part for field in ordered[BASE] for part in field.parts], farm.units),
        "profiles": profile_charts(ordered[BASE], farm.units),
        "signs": _signs(farm),
        "cautions": cautions_for(_situations(farm, ordered, told)),
        "note_groups": note_groups(_with_aerial(notes, farm, drawn), farm.units),
        "sources": SOURCES,
        "standing": STANDING,
        "data": script_data(farm, ordered, titles, pictures, drawn, told),
    }
    return template_environment().from_string(packaged("page.html")).render(values)


def template_environment() -> Environment:
    """Return a template environment in which every value that is printed goes through `safe`."""
    return Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        finalize=lambda value: value if isinstance(value, Markup) else safe(value),
        loader=FunctionLoader(packaged),
    )


def packaged(name: str) -> str:
    """Return the text of a file that lies beside this one."""
    return resources.files("trafficplan.report").joinpath(name).read_text(encoding="utf-8")


def _head(
    farm: Farm,
    summaries: Mapping[str, Sequence[FieldSummary]],
    told: Answer,
    run: Mapping[str, object],
    drawn: MapParts,
) -> dict[str, object]:
    """Return title, answer, map and run data of the page."""
    base = summaries[BASE]
    operations = sum(len(field.parts) for field in base)
    parameters = run.get("parameters", {})
    assert isinstance(parameters, Mapping)
    return {
        "farm_title": farm.title,
        "season": farm.season,
        "field_count": f"{len(base)} field{'s' if len(base) != 1 else ''}",
        "operation_count": f"{operations} operation{'s' if operations != 1 else ''}",
        "answer": told,
        "css": Markup(packaged("page.css")),
        "js": Markup(packaged("page.js")),
        "map_head": Markup(drawn.head),
        "map_body": Markup(drawn.body),
        "map_script": Markup(drawn.script),
        "map_name": Markup(drawn.name),
        "origin": f"{drawn.origin[0]:.0f} E, {drawn.origin[1]:.0f} N",
        "run": {"version": run["version"], "crs": run["crs"]},
        "parameters": [(name, _plain(value)) for name, value in sorted(parameters.items()) if value is not None],
    }


def _plain(value: object) -> str:
    """Return a parameter in a form people read."""
    if isinstance(value, list | tuple):
        return ", ".join(_plain(part) for part in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _tables(
    farm: Farm, summaries: Mapping[str, Sequence[FieldSummary]], titles: Mapping[str, str]
) -> dict[str, object]:
    """Return the rows of all tables but the worst places."""
    base = summaries[BASE]
    units = farm.units
    added = sum(part.added_deep_ha for field in base for part in field.parts)
    words = (
        "In the order of the season: ground whose layers below tillage depth went over the soil's "
        "strength for the first time. "
        f"All together {say('area', added, units)}. Once over, ground is not counted again, so the first "
        "heavy job takes the blame; "
        "the last column of the table tells who pressed it hardest."
    )
    return {
        "scenarios": [titles[key] for key in summaries],
        "scenario_rows": scenario_rows(summaries, units),
        "season_rows": season_rows(base, units),
        "season_words": words,
        "field_rows": field_rows(base, units),
        "deep_words": deep_words(base, units),
        "traffic_unit": unit_of("traffic", units),
        "reach_words": say("stress", 50.0, units),
    }


def _signs(farm: Farm) -> list[tuple[str, str]]:
    """Return the signs of the map that are drawn, with their words."""
    kinds = {place.kind for place in farm.places} | {"headland"} | ({"track"} if farm.tracks else set())
    return [(kind, words) for kind, words in SIGNS.items() if kind in kinds]


def _situations(farm: Farm, summaries: Mapping[str, Sequence[FieldSummary]], told: Answer) -> set[str]:
    """Return the situations whose cautions apply to this report."""
    situations = {"map", "chance", "slope"}
    if any(field.profiles for field in summaries[BASE]):
        situations.add("pressure")
    if any(operation.change == "empties" for operation in farm.operations):
        situations.add("season")
    if told.full_scale:
        situations.add("full_scale")
    return situations


def _with_aerial(notes: Sequence[Note], farm: Farm, drawn: MapParts) -> list[Note]:
    """Return the notes, and one more when the background image could not be read."""
    if farm.aerial is None or drawn.aerial:
        return list(notes)
    return [
        *notes,
        Note(
            "warned",
            "aerial image",
            farm.aerial.name,
            "it could not be read as a georeferenced image; the map is drawn without it",
        ),
    ]


def note_groups(notes: Sequence[Note], units: str) -> list[tuple[str, str, list[Note]]]:
    """Return notes by kind, each once, in a fixed order; those that say the same of many things share a line."""
    unique = notes_in(alike_notes(sorted(set(notes))), units)
    groups = ((title, kind, [note for note in unique if note.kind == kind]) for kind, title in NOTE_TITLES)
    return [group for group in groups if group[2]]
