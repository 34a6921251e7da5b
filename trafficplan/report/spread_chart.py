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
#: A label may stand here beside its point [points], the first place that is free; its size by the letter [points].
_BESIDE = tuple((dx, dy) for away in (1, 2, 3.2) for dx, dy in
                ((10 * away, 4 * away), (10 * away, -13 * away), (-10 * away, 4 * away), (-10 * away, -13 * away),
                 (0, 12 * away), (0, -20 * away)))  # fmt: skip
_WIDE, _HIGH = 6.2, 11.0

#: The axis of hours spans this share of the longest job at least.
_LEAST_SPAN = 0.1

Box = tuple[float, float, float, float]


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
    # Hectares from nothing on, hours over a tenth at least: small differences look as small as they are.
    ax.set_ylim(0.0, 1.25 * max(0.008, *(factor * getattr(one, measure) for one in alternatives)))
    first, last = (bound(one.hours for one in alternatives) for bound in (min, max))
    room = 0.15 * max(last - first, _LEAST_SPAN * last) + max(0.0, _LEAST_SPAN * last - (last - first)) / 2
    ax.set_xlim(first - room, last + room)


def _labels(ax: Axes, alternatives: Sequence[Alternative], measure: str, factor: float) -> None:
    """Write each letter beside its point, where no point and no other label stands."""
    scale = ax.figure.dpi / 72
    places = [ax.transData.transform((one.hours, factor * getattr(one, measure))) / scale for one in alternatives]
    sides = [max(_LEAST, _PER_PCT * one.wheeled_pct) ** 0.5 / 2 + 1 for one in alternatives]
    taken: list[Box] = [(x - r, y - r, x + r, y + r) for (x, y), r in zip(places, sides, strict=True)]
    marked = sorted(
        range(len(alternatives)), key=lambda i: not (alternatives[i].baseline or alternatives[i].recommended)
    )
    for i in marked:
        one, (x, y) = alternatives[i], places[i]
        text = f"{one.key}{' now' if one.baseline else ''}{' advised' if one.recommended else ''}"
        boxes = [(spot, _box(x, y, spot, text)) for spot in _BESIDE]
        spot, box = next((pair for pair in boxes if not any(_meet(pair[1], other) for other in taken)), boxes[0])
        taken.append(box)
        marks = one.baseline or one.recommended
        ax.annotate(
            text,
            (one.hours, factor * getattr(one, measure)),
            spot,
            textcoords="offset points",
            ha=_side(spot),
            color=INK if marks else QUIET,
            fontweight="bold" if marks else "normal",
            zorder=4,
        )


def _side(spot: tuple[float, float]) -> str:
    return "left" if spot[0] > 0 else "right" if spot[0] < 0 else "center"


def _box(x: float, y: float, spot: tuple[float, float], text: str) -> Box:
    """Return the room that a label takes [points]."""
    wide = _WIDE * len(text)
    left = x + spot[0] - {"left": 0.0, "right": wide, "center": wide / 2}[_side(spot)]
    return left, y + spot[1], left + wide, y + spot[1] + _HIGH


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
