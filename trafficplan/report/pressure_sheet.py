"""The answer about pressures as one sheet to print: an HTML file that needs no network."""

from __future__ import annotations

from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from trafficplan.report.pressure_result import Told
from trafficplan.report.pressure_text import basis_line, blocks, ladder_tables, tables, told_of_lighter
from trafficplan.report.pressure_words import answer_lines
from trafficplan.report.words import safe


def render_sheet(told: Told) -> str:
    """Return the sheet as text: the three lines, tables ladders, limits, cautions."""
    template = resources.files("trafficplan.report").joinpath("pressure_sheet.html").read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        finalize=lambda value: value if isinstance(value, Markup) else safe(value),
    )
    lines = answer_lines(told.lead(), told.units)
    return environment.from_string(template).render(
        farm=told.farm,
        outfit=told.lead().question.outfit.title,
        basis=basis_line(told),
        lines=[*lines, *([told_of_lighter(told)] if len(told.advices) > 1 else [])],
        tables=tables(told),
        ladders=ladder_tables(told),
        blocks=blocks(told),
        cautions=[one.text for one in told.cautions],
    )
