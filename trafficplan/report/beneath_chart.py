"""Picture of what wheels do to the soil: one row a wheel, a bar per depth, and the plough line across."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from trafficplan.decide.beneath import Ground, WheelAnswer
from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.names import STEPS
from trafficplan.report.beneath_words import ground_title, wheel_title
from trafficplan.report.charts import _STYLE, BAND, INK, QUIET, RULE
from trafficplan.report.legend import MEASURES, step_colours
from trafficplan.units import KPA

#: Height of one depth and of what stands around a row [in].
_DEPTH_IN, _ROW_IN, _HEAD_IN = 0.30, 0.62, 1.5


def beneath_chart(answers: Sequence[WheelAnswer], ground: Ground) -> Figure:
    """Return the drawing: per wheel and depth the central stress as a bar in the colour of its step, a paler
    end up to the upper run, a thin line between the lowest and highest alternate, and the strength range
    behind it."""
    most = max(row.highest_pa for one in answers for row in one.depths) / KPA
    most = max(most, *(row.strength_high_pa / KPA for row in answers[0].depths))
    heights = [_DEPTH_IN * len(one.depths) for one in answers]
    with matplotlib.rc_context(_STYLE):
        height = _HEAD_IN + sum(heights) + _ROW_IN * len(answers)
        drawing = Figure(figsize=(9.6, height), layout="constrained", facecolor="white")
        rows = drawing.subplots(len(answers), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
        for ax, one in zip(rows, answers, strict=True):
            _draw(ax, one, ground, most)
        rows[-1].set_xlabel("vertical stress and strength, kPa")
        drawing.suptitle(f"Beneath the wheel: {ground_title(ground)}", x=0.01, ha="left", fontsize=12.5)
        drawing.legend(
            handles=_legend(),
            loc="outside lower left",
            frameon=False,
            ncols=4,
            fontsize=8.5,
            handlelength=1.6,
        )
    return drawing


def _draw(ax: Axes, one: WheelAnswer, ground: Ground, most_kpa: float) -> None:
    colours = {name: colour for (name, _), colour in zip(STEPS, step_colours(MEASURES["ratio"]), strict=True)}
    for place, row in enumerate(one.depths):
        low, high = row.strength_low_pa / KPA, row.strength_high_pa / KPA
        ax.barh(place, high - low, left=low, height=1.0, color=BAND, linewidth=0, zorder=1)
        middle = row.strength_pa / KPA
        ax.plot([middle, middle], [place - 0.5, place + 0.5], color=QUIET, linewidth=0.9, zorder=4)
        if row.depth_m < one.case.furrow_m:
            ax.text(
                most_kpa * 0.006,
                place,
                "above the floor of the furrow",
                va="center",
                color=QUIET,
                fontsize=8.5,
            )
            continue
        central, upper = row.stress_pa / KPA, row.upper_pa / KPA
        colour = colours[row.step]
        ax.barh(place, central, height=0.52, color=colour, zorder=2, edgecolor=INK, linewidth=0.6)
        if upper > central:
            ax.barh(
                place,
                upper - central,
                left=central,
                height=0.52,
                color=colour,
                alpha=0.35,
                zorder=2,
                linewidth=0,
            )
        ends = row.lowest_pa / KPA, row.highest_pa / KPA
        ax.plot(ends, [place + 0.36] * 2, color=INK, linewidth=0.9, marker="|", markersize=3.5, zorder=5)
        text = (
            f"{central:.0f} kPa, {row.step}"
            if upper - central < 0.5
            else f"{central:.0f} to {upper:.0f} kPa, {row.step}"
        )
        ax.text(max(ends[1], upper, high) + most_kpa * 0.012, place, text, va="center", color=INK, fontsize=8.5)
    tilled = sum(row.layer == "tilled" for row in one.depths)
    if 0 < tilled < len(one.depths):
        ax.axhline(tilled - 0.5, color=INK, linewidth=1.3, linestyle=(0, (6, 2)), zorder=6)
        note = f"plough, {ground.tillage_m * 100:.0f} cm; lasting below"
        ax.text(most_kpa * 1.27, tilled - 0.56, note, ha="right", va="bottom", color=INK, fontsize=8.5)
    ax.set_yticks(range(len(one.depths)), [f"{row.depth_m * 100:g} cm" for row in one.depths])
    ax.set_ylim(len(one.depths) - 0.5, -0.5)
    ax.set_xlim(0, most_kpa * 1.28)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=RULE, linewidth=0.6)
    ax.set_axisbelow(True)
    ax.tick_params(length=0)
    reached = f"50 kPa reaches {one.reached_m * 100:.0f} cm" if one.reached_m > 0.0 else "50 kPa is reached nowhere"
    ax.set_title(f"{wheel_title(one)}: {reached}", loc="left", pad=6)


def _legend() -> list[Patch | Line2D]:
    colours = step_colours(MEASURES["ratio"])
    steps = [Patch(facecolor=colour, edgecolor=INK, linewidth=0.6, label=name)
             for (name, _), colour in zip(STEPS, colours, strict=True)]  # fmt: skip
    return [
        *steps,
        Patch(facecolor=colours[2], alpha=0.35, label="paler end: up to the upper run"),
        Line2D([], [], color=INK, linewidth=0.9, marker="|", markersize=4, label="between all models"),
        Patch(facecolor=BAND, label="typical strength, line: its middle"),
    ]


def write_beneath_chart(answers: Sequence[WheelAnswer], ground: Ground, path: Path) -> None:
    """Write the picture as PNG or SVG, by the ending of its name; the same bytes for the same answer.

    Raises
    ------
    InputError : another ending
    OutputError : the file cannot be written
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise InputError(
            Problem(
                "a picture of an unknown kind",
                "option --plot",
                str(path),
                "a name ending in .png or .svg",
                "write for example --plot wheels.png",
            )  # fmt: skip
        )
    drawing = beneath_chart(answers, ground)
    try:
        with matplotlib.rc_context(_STYLE):
            drawing.savefig(
                path, format=kind, dpi=144, metadata={"Date": None} if kind == "svg" else {"Software": None}
            )
    except OSError as error:
        problem = Problem(
            "the picture cannot be written",
            str(path),
            str(error.strerror or error),
            "a folder that can be written",
            "name another file",
        )
        raise OutputError(problem) from error
