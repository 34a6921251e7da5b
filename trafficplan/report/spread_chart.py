"""Alternatives of a spreading plan as a chart: hours against ground below tillage depth."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trafficplan.decide.alternatives import Alternative
from trafficplan.report.charts import _STYLE, INK, QUIET, RULE, _svg
from trafficplan.report.words import QUANTITIES, unit_of

#: Area of a point [points2] for each per cent of the field that is wheeled, and the least that can be seen.
_PER_PCT, _LEAST = 9.0, 30.0
#: A label may stand here beside its point [points], the first place that is free.
_BESIDE = ((9, 5), (9, -13), (-9, 5), (-9, -13), (0, 14), (0, -20), (22, 14), (-22, 14), (22, -22), (-22, -22))
#: Two labels nearer than this are on top of each other [pixels].
_APART = (34.0, 13.0)


def alternatives_chart(alternatives: Sequence[Alternative], units: str) -> Markup:
    """Return hours against hectares that the job adds, by both measures; the size of a point is the wheeled share.

    What is done now is a square, what is advised a diamond, others are circles; those that another one beats in
    everything are hollow.
    """
    with matplotlib.rc_context(_STYLE):
        drawing = Figure(figsize=(9.6, 3.9), layout="constrained")
        left, right = drawing.subplots(1, 2, sharex=True)
        unit = unit_of("area", units)
        for ax, measure, title in (
            (left, "lasting_more_ha", "Expected lasting damage added"),
            (right, "deep_more_ha", "Overstress likely below tillage depth, added"),
        ):
            _points(ax, alternatives, measure, QUANTITIES["area"][units][0])
            ax.set_title(title, loc="left")
            ax.set_xlabel("hours for the whole job")
            ax.set_ylabel(unit)
        drawing.draw_without_rendering()
        for ax, measure in ((left, "lasting_more_ha"), (right, "deep_more_ha")):
            _labels(ax, alternatives, measure, QUANTITIES["area"][units][0])
        words = "Alternatives by hours and by ground that the job adds; the table has the same numbers"
        return _svg(drawing, "alternatives", words)


def _points(ax: Axes, alternatives: Sequence[Alternative], measure: str, factor: float) -> None:
    colour = matplotlib.colormaps["viridis"](0.3)
    for one in alternatives:
        marker = "s" if one.baseline else "D" if one.recommended else "o"
        hollow = not (one.non_dominated or one.baseline or one.recommended)
        face = "none" if hollow else INK if one.baseline else colour
        size = max(_LEAST, _PER_PCT * one.wheeled_pct)
        ax.scatter([one.hours], [factor * getattr(one, measure)], s=size, marker=marker, facecolor=face,
                   edgecolor=INK if one.baseline else colour, linewidth=1.4, zorder=3)  # fmt: skip
    ax.grid(color=RULE, linewidth=0.6)
    ax.set_axisbelow(True)
    ax.tick_params(length=0)
    ax.margins(x=0.14, y=0.18)
    low, high = ax.get_ylim()
    ax.set_ylim(max(0.0, low) if low < 0.25 * high else low, high)


def _labels(ax: Axes, alternatives: Sequence[Alternative], measure: str, factor: float) -> None:
    """Write each letter beside its point, where no other label stands."""
    taken: list[tuple[float, float]] = []
    for one in alternatives:
        x, y = ax.transData.transform((one.hours, factor * getattr(one, measure)))
        free = (spot for spot in _BESIDE if all(_away(x, y, spot, other) for other in taken))
        dx, dy = next(free, _BESIDE[0])
        taken.append((x + dx, y + dy))
        mark = " now" if one.baseline else ""
        mark += " advised" if one.recommended else ""
        ax.annotate(
            f"{one.key}{mark}",
            (one.hours, factor * getattr(one, measure)),
            (dx, dy),
            textcoords="offset points",
            ha="left" if dx > 0 else "right" if dx < 0 else "center",
            color=INK if mark else QUIET,
            fontweight="bold" if mark else "normal",
            zorder=4,
        )


def _away(x: float, y: float, spot: tuple[int, int], other: tuple[float, float]) -> bool:
    return abs(x + spot[0] - other[0]) > _APART[0] or abs(y + spot[1] - other[1]) > _APART[1]
