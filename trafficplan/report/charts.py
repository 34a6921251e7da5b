"""Charts of the report as inline SVG: no network, the same bytes on every run."""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trafficplan.assess.summary import FieldSummary, OperationPart, WheelProfile
from trafficplan.names import STEPS
from trafficplan.report.legend import MEASURES, step_colours
from trafficplan.report.words import QUANTITIES, say, say_day, unit_of

INK, QUIET, RULE, BAND = "#1f2a30", "#5d6468", "#d5d0c4", "#e4dfd2"

_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "trafficplan",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.size": 10,
    "font.family": "sans-serif",
    "axes.edgecolor": RULE,
    "axes.labelcolor": QUIET,
    "axes.titlesize": 10.5,
    "xtick.color": QUIET,
    "ytick.color": INK,
    "text.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
}

#: Words of the hand test, which read as "soil that ..."; other moistures are told as they are.
HAND_TEST = frozenset({"smears", "moulds", "crumbles"})

#: Bars of the season chart at most; the rest of the season is told in the table.
MOST_BARS = 24


@dataclass(frozen=True)
class SeasonBar:
    """One bar of the season chart: what one day, job and outfit added, and what stood before."""

    label: str
    before_ha: float
    added_ha: float


def _svg(drawing: Figure, key: str, words: str) -> Markup:
    """Return a figure as an inline SVG whose ids carry `key`, with `words` for people who cannot see it."""
    target = io.StringIO()
    drawing.savefig(
        target,
        format="svg",
        metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        transparent=True,
    )
    text = target.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r' id="', f' id="{key}-', text)
    text = re.sub(r'href="#', f'href="#{key}-', text)
    text = re.sub(r"url\(#", f"url(#{key}-", text)
    text = re.sub(r"font: (?:\d+ )?([\d.]+px) [^;\"]*", r"font-size: \1", text)
    label = Markup('<svg class="chart" role="img" aria-label="{}"').format(words)
    return Markup(text.replace("<svg", label, 1))


def steps_chart(summaries: Mapping[str, Sequence[FieldSummary]], titles: Mapping[str, str], units: str) -> Markup:
    """Return hectares by step of the stress ratio, one bar per scenario, for the deep and the tilled layer.

    The lowest step holds all untouched ground as well; it is left out so that the others can be read.
    """
    layers = [
        layer
        for layer in ("deep", "tilled")
        if any(layer in field.steps_ha for fields in summaries.values() for field in fields)
    ]
    rows = list(summaries)
    with matplotlib.rc_context(_STYLE):
        drawing = Figure(figsize=(9.6, 1.4 + 0.46 * len(rows)), layout="constrained")
        axes = drawing.subplots(1, max(1, len(layers)), sharey=True, squeeze=False)[0]
        for ax, layer in zip(axes, layers, strict=True):
            totals = {key: _steps_total(summaries[key], layer) for key in rows}
            _stack(ax, rows, totals, titles, units)
            ax.set_title(
                "Below tillage depth (lasting)" if layer == "deep" else "Tilled layer (repairable)",
                loc="left",
            )
        handles, labels = axes[0].get_legend_handles_labels()
        drawing.legend(
            handles, labels, loc="outside upper left", ncols=4, frameon=False, handlelength=1, handleheight=1
        )
        return _svg(drawing, "steps", "Area by step of stress ratio, per scenario")


def _steps_total(fields: Sequence[FieldSummary], layer: str) -> list[float]:
    return [
        sum(field.steps_ha[layer][step] for field in fields if layer in field.steps_ha) for step in range(len(STEPS))
    ]


def _stack(
    ax: Axes,
    rows: Sequence[str],
    totals: Mapping[str, Sequence[float]],
    titles: Mapping[str, str],
    units: str,
) -> None:
    """Draw one stacked bar per scenario, the worst step first from the left."""
    scale = QUANTITIES["area"][units][0]
    colours = step_colours(MEASURES["ratio"])
    left = [0.0] * len(rows)
    for step in range(len(STEPS) - 1, 0, -1):
        widths = [totals[key][step] * scale for key in rows]
        lower = STEPS[step - 1][1]
        span = f"over {lower:g}" if step == len(STEPS) - 1 else f"{lower:g} to {STEPS[step][1]:g}"
        ax.barh(
            range(len(rows)),
            widths,
            left=left,
            height=0.62,
            color=colours[step],
            label=f"{STEPS[step][0]} ({span})",
        )
        left = [start + width for start, width in zip(left, widths, strict=True)]
    most = max(left, default=0.0) or 1.0
    for index, key in enumerate(rows):
        over = totals[key][3] + totals[key][4]
        ax.text(
            left[index] + most * 0.015,
            index,
            f"{say('area', over, units)} over 1",
            va="center",
            color=QUIET,
            fontsize=9,
        )
    ax.set_yticks(range(len(rows)), [_wrapped(titles[key], 24) for key in rows])
    ax.set_xlim(0, most * 1.32)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel(unit_of("area", units))
    ax.tick_params(length=0)


def season_bars(parts: Sequence[OperationPart]) -> list[SeasonBar]:
    """Return what was added, in the order of the season; one bar per day, job and outfit."""
    joined: dict[tuple[object, str, str], float] = {}
    for part in sorted(parts, key=lambda part: part.day):
        key = (part.day, part.job, part.outfit)
        joined[key] = joined.get(key, 0.0) + part.added_deep_ha
    bars: list[SeasonBar] = []
    total = 0.0
    for (day, job, outfit), added in joined.items():
        label = f"{say_day(day)}  {job}" + ("" if job == outfit else f", {outfit}")  # type: ignore[arg-type]
        bars.append(SeasonBar(label, total, added))
        total += added
    return bars


def season_chart(parts: Sequence[OperationPart], units: str) -> Markup:
    """Return a stair of the ground that went over strength below tillage for the first time."""
    bars = season_bars(parts)
    kept = sorted(range(len(bars)), key=lambda index: -bars[index].added_ha)[:MOST_BARS]
    shown = [bars[index] for index in sorted(kept)]
    scale = QUANTITIES["area"][units][0]
    end = max((bar.before_ha + bar.added_ha for bar in bars), default=0.0) * scale or 1.0
    with matplotlib.rc_context(_STYLE):
        drawing = Figure(figsize=(9.6, 0.9 + 0.33 * max(1, len(shown))), layout="constrained")
        ax = drawing.subplots()
        colours = step_colours(MEASURES["ratio"])
        for index, bar in enumerate(shown):
            start, width = bar.before_ha * scale, bar.added_ha * scale
            ax.plot([0, start], [index, index], color=RULE, linewidth=1, zorder=1)
            ax.barh(index, width, left=start, height=0.62, color=colours[3], zorder=2)
            text = say("area", bar.added_ha, units, sign=True) if bar.added_ha > 0 else "none new"
            ax.text(
                start + width + end * 0.012,
                index,
                text,
                va="center",
                fontsize=9,
                color=INK if bar.added_ha > 0 else QUIET,
            )
        ax.set_yticks(range(len(shown)), [_short(bar.label, 48) for bar in shown])
        ax.set_xlim(0, end * 1.14)
        ax.set_xlabel(f"{unit_of('area', units)} over strength below tillage depth, added up over the season")
        ax.invert_yaxis()
        ax.tick_params(length=0)
        return _svg(drawing, "season", "What each operation added, in the order of the season")


def profile_charts(fields: Sequence[FieldSummary], units: str) -> list[dict[str, object]]:
    """Return one chart per outfit: title, note and drawing, of the operation with its heaviest wheel."""
    by_outfit: dict[str, dict[str, dict[str, WheelProfile]]] = {}
    every = [profile for field in fields for profile in field.profiles]
    for profile in every:
        axles = by_outfit.setdefault(profile.outfit, {}).setdefault(profile.operation, {})
        if profile.axle not in axles or profile.wheel_load_kg > axles[profile.axle].wheel_load_kg:
            axles[profile.axle] = profile
    charts: list[dict[str, object]] = []
    most = max((max(*one.upper_kpa, *one.strength_high_kpa) for one in every), default=0.0)
    for number, (outfit, operations) in enumerate(by_outfit.items()):
        heaviest = max(
            operations,
            key=lambda key: (max(profile.wheel_load_kg for profile in operations[key].values()), key),
        )
        profiles = list(operations[heaviest].values())
        moisture = profiles[0].moisture
        note = f"in operation {heaviest}, soil {'that ' if moisture in HAND_TEST else ''}{moisture}"
        drawing = profile_chart(profiles, f"profile{number}", units, most)
        charts.append({"title": outfit, "note": note, "chart": drawing})
    return charts


def profile_chart(profiles: Sequence[WheelProfile], key: str, units: str, most_kpa: float) -> Markup:
    """Return stress over depth beneath the heaviest wheel of each axle of an outfit, against strength.

    The band right of the heaviest axle's line reaches to the upper run; the wide band is the strength of the
    farm's soils. The axis of stress ends at `most_kpa`, so that the outfits of a farm compare.
    """
    ranked = sorted(profiles, key=lambda profile: -profile.wheel_load_kg)
    depth, _, _ = QUANTITIES["depth"][units]
    stress, stress_unit, _ = QUANTITIES["stress"][units]
    heaviest = ranked[0]
    depths = [value * depth for value in heaviest.depths_m]
    with matplotlib.rc_context(_STYLE):
        # The legend grows with the axles; the drawing above it keeps its height.
        drawing = Figure(figsize=(4.3, 3.5 + 0.2 * (min(len(ranked), 5) + 2)), layout="constrained")
        ax = drawing.subplots()
        low, high = (
            [value * stress for value in side] for side in (heaviest.strength_low_kpa, heaviest.strength_high_kpa)
        )
        ax.fill_betweenx(depths, low, high, step="mid", color=BAND, label="strength of the soils", linewidth=0)
        colours = matplotlib.colormaps["viridis"]
        upper = [value * stress for value in heaviest.upper_kpa]
        central = [value * stress for value in heaviest.stress_kpa]
        if upper != central:
            ax.fill_betweenx(
                depths,
                central,
                upper,
                color=colours(0.0),
                alpha=0.18,
                linewidth=0,
                label="up to the upper run",
            )
        dashes = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1)))
        for index, profile in enumerate(ranked[: len(dashes)]):
            colour = colours(0.72 * index / max(1, min(len(ranked), len(dashes)) - 1))
            ax.plot(
                [value * stress for value in profile.stress_kpa],
                [value * depth for value in profile.depths_m],
                color=colour,
                linestyle=dashes[index],
                linewidth=2,
                label=_axle_words(profile, units),
            )
        ax.set_xlim(0, most_kpa * stress * 1.02)
        ax.set_ylim(max(depths), 0)
        ax.set_ylabel(f"depth, {unit_of('depth', units)}")
        ax.set_xlabel(f"vertical stress and strength, {stress_unit}")
        ax.grid(color=RULE, linewidth=0.6)
        ax.set_axisbelow(True)
        ax.tick_params(length=0)
        drawing.legend(loc="outside lower left", frameon=False, fontsize=9, ncols=1)
        words = f"Stress beneath the heaviest wheel: {say('stress', heaviest.stress_kpa[0], units)} at the top"
        return _svg(drawing, key, words)


def _axle_words(profile: WheelProfile, units: str) -> str:
    """Return axle, wheel load and pressure."""
    load = say("mass", profile.wheel_load_kg, units)
    pressure = f", {say('pressure', profile.pressure_bar, units)}" if profile.pressure_bar > 0 else ""
    return f"{_short(profile.axle, 18)}, {load}{pressure}"


def _wrapped(text: str, width: int) -> str:
    """Return a text on at most two lines."""
    lines = textwrap.wrap(text, width)
    return "\n".join(lines[:2]) + ("…" if len(lines) > 2 else "")


def _short(text: str, most: int) -> str:
    """Return a text no longer than `most` signs."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
