"""The calendar of a field as a chart: rain, tension of the soil, chance below the plough, and what each day allows."""

from __future__ import annotations

import datetime as dt

import matplotlib
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.collections import PatchCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter

from trafficplan.decide.days import FieldDays
from trafficplan.report.charts import _STYLE, BAND, INK, QUIET, RULE, _svg
from trafficplan.report.days_words import CLOSED, FIT, LEAVE, LIGHTER, UNKNOWN, rain_text, stretches
from trafficplan.report.words import say_day
from trafficplan.soil.moisture import WORD_LIMITS
from trafficplan.units import INCH, KPA, POUND

#: Tensions that are drawn [kPa].
_SHOWN_KPA = (1.0, 500.0)

#: Share of matplotlib's magma from light to dark (told apart by any eyes, and in grey) for what a day allows: the same
#: sense as on the maps, dark is bad.
_SHADES = {FIT: 0.05, LIGHTER: 0.38, LEAVE: 0.86}
_EPOCH = dt.date(1970, 1, 1)
_CLOSED, _UNKNOWN = "#d9d4c7", "#ffffff"
_NAMES = {
    FIT: "full load",
    LIGHTER: "lighter load",
    LEAVE: "leave it",
    -1: "closed: rain, frost, water",
    UNKNOWN: "no weather",
}


def days_chart(found: FieldDays, key: str, units: str, forecast_from: np.datetime64 | None) -> Markup:
    """Return the chart of one calendar as inline SVG.

    Parameters
    ----------
    key : distinguishes the ids of several charts on a page
    forecast_from : first day of a forecast, marked, or None
    """
    with matplotlib.rc_context(_STYLE):
        loaded = found.load_kg > 0
        drawing = Figure(figsize=(9.6, 5.9 if loaded else 4.9))
        drawing.subplots_adjust(left=0.068, right=0.925, top=0.962, bottom=0.1, hspace=0.46)
        heights = (0.9, 1.7, 1.3, 0.9, 0.34) if loaded else (0.9, 1.7, 1.3, 0.34)
        axes = drawing.subplots(len(heights), 1, sharex=True, height_ratios=heights)
        _rain(axes[0], found, units)
        _tension(axes[1], found)
        _chance(axes[2], found)
        if loaded:
            _load(axes[3], found, units)
        _strip(axes[-1], found)
        middle = _middles(found)
        for ax in axes:
            ax.set_xlim(middle[0] - 0.5, middle[-1] + 0.5)
            ax.tick_params(length=0)
            if forecast_from is not None:
                ax.axvline(_number(forecast_from) - 0.5, color=INK, linewidth=1, linestyle=(0, (2, 2)))
        if forecast_from is not None:
            axes[0].annotate("forecast", (_number(forecast_from), 1), xycoords=("data", "axes fraction"), va="top",
                             xytext=(4, 0), textcoords="offset points", fontsize=9, color=QUIET)  # fmt: skip
        axes[-1].xaxis.set_major_locator(FixedLocator(_ticks(found)))
        axes[-1].xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: say_day(_EPOCH + dt.timedelta(days=round(value))))
        )
        return _svg(drawing, key, f"{found.field.key}: rain, tension, chance and fit days")


def _number(day: np.datetime64) -> float:
    return float(day.astype("datetime64[D]").astype(np.int64))


def _middles(found: FieldDays) -> np.ndarray:
    return found.days.astype("datetime64[D]").astype(np.int64).astype(np.float64)


def _ticks(found: FieldDays) -> list[float]:
    """Return where the axis of days is labelled: first days of months, or some ten days of a short calendar."""
    middle = _middles(found)
    if len(middle) <= 70:
        return list(middle[:: max(1, len(middle) // 10)])
    return [x for x, day in zip(middle, found.days, strict=True) if str(day).endswith("-01")]


def _rain(ax: Axes, found: FieldDays, units: str) -> None:
    scale = 1.0 if units == "metric" else 1.0 / (1e3 * INCH)
    rain = np.nan_to_num(found.rain_mm) * scale
    x = _middles(found)
    wet = rain > 0
    ax.vlines(x[wet], 0, rain[wet], color="#3f6f94", linewidth=max(0.8, min(6.0, 420 / len(x))))
    ax.set_ylim(0, max(float(rain.max()) * 1.08, 12 * scale))
    ax.set_ylabel("rain, mm" if units == "metric" else "rain, in")
    heavy = 10.0 * scale
    ax.axhline(heavy, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    total = rain_text(float(np.nansum(found.rain_mm)), units)
    ax.set_title(f"Rain, {total} in all", loc="left")


def _tension(ax: Axes, found: FieldDays) -> None:
    x = _middles(found)
    deep, top = found.deep_pa / KPA, found.top_pa / KPA
    low, high = _SHOWN_KPA
    lines = [low, *(limit / KPA for limit in WORD_LIMITS), high]
    for i, word in enumerate(("smears", "moulds", "crumbles")):
        ax.axhspan(lines[i], lines[i + 1], color=BAND if i % 2 == 0 else "#ffffff", linewidth=0, alpha=0.55, zorder=0)
        middle = float(np.sqrt(lines[i] * lines[i + 1]))
        ax.annotate(word, (1, middle), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
                    va="center", fontsize=9, color=QUIET)  # fmt: skip
    if len(found.units) > 1:
        ax.fill_between(x, np.clip(deep.min(axis=1), low, high), np.clip(deep.max(axis=1), low, high), color=INK,
                        alpha=0.14, linewidth=0, label="deep layer, all soils")  # fmt: skip
    judged = _judged(found)
    name = f", {found.units[judged].key}" if len(found.units) > 1 else ""
    ax.plot(x, np.clip(deep[:, judged], low, high), color=INK, linewidth=1.8, label=f"deep layer{name}")
    ax.plot(x, np.clip(top[:, judged], low, high), color="#b8860b", linewidth=1.0, label="its top layer")
    ax.set_yscale("log")
    ax.set_ylim(low, high)
    ax.set_yticks([1, 10, 20, 100, 500], ["1", "10", "20", "100", "500"])
    ax.set_yticks([], minor=True)
    ax.set_ylabel("tension, kPa")
    ax.set_title("Tension of the soil's water", loc="left")
    _beside_title(ax)


def _chance(ax: Axes, found: FieldDays) -> None:
    x = _middles(found)
    if found.load_kg > 0:
        ax.plot(x, found.chance_empty, color=QUIET, linewidth=1.1, linestyle=(0, (4, 2)), label="empty")
    ax.plot(x, found.chance_worst, color=INK, linewidth=1.6, label="full load" if found.load_kg > 0 else "chance")
    ax.axhline(found.limit, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.annotate(f"limit {found.limit:g}", (1, found.limit), xycoords=("axes fraction", "data"), xytext=(4, 0),
                textcoords="offset points", va="center", fontsize=9, color=QUIET)  # fmt: skip
    ax.set_ylim(0, 1.02)
    ax.set_yticks([0, 0.5, 1])
    ax.set_ylabel("chance")
    ax.grid(axis="y", color=RULE, linewidth=0.5)
    ax.set_axisbelow(True)
    ax.set_title("Chance below tillage, worst soil", loc="left")
    _beside_title(ax)


def _load(ax: Axes, found: FieldDays, units: str) -> None:
    """Draw the heaviest load that is fit on each day, also where it is too little for a trip."""
    scale = 1e-3 if units == "metric" else 1e-3 / POUND
    x, load = _middles(found), np.nan_to_num(found.fit_load_kg) * scale
    ax.fill_between(x, 0, load, step="mid", color=to_hex(matplotlib.colormaps["viridis"](0.45)), linewidth=0)
    full = found.load_kg * scale
    ax.axhline(full, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.annotate("full", (1, full), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
                va="center", fontsize=9, color=QUIET)  # fmt: skip
    ax.set_ylim(0, 1.1 * full)
    ax.set_ylabel("t" if units == "metric" else "1,000 lb")
    none = "" if load.any() else ": none on any day"
    ax.set_title(f"Heaviest load that is fit{none}", loc="left")


def _judged(found: FieldDays) -> int:
    """Return the soil that judges most days."""
    return int(np.bincount(found.soil, minlength=len(found.units)).argmax())


def _beside_title(ax: Axes) -> None:
    """Put the legend on the title's line, at its end, where no line of the chart runs."""
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 0.99), frameon=False, fontsize=9, ncols=3, borderaxespad=0.0,
              handlelength=1.6, columnspacing=1.2)  # fmt: skip


def _strip(ax: Axes, found: FieldDays) -> None:
    x = _middles(found)
    there = []
    for one in stretches(found, "metric"):
        kind = -1 if one.state in CLOSED else one.state
        there.append(kind)
        place = Rectangle((x[one.start] - 0.5, 0.0), one.days, 1.0)
        ax.add_collection(
            PatchCollection([place], facecolor=_colour(kind), edgecolor="#8a8577" if kind == -1 else "none",
                            hatch="////" if kind == -1 else None, linewidth=0)
        )  # fmt: skip
    done = [_number(np.datetime64(one.day)) for one in found.operations]
    ax.plot(done, [1.25] * len(done), marker="v", markersize=6, linestyle="none", color=INK, clip_on=False)
    ax.set_ylim(0, 1)
    ax.set_yticks([])
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    handles = [
        Patch(
            facecolor=_colour(kind),
            edgecolor="#8a8577",
            linewidth=0.5,
            hatch="////" if kind == -1 else None,
            label=name,
        )
        for kind, name in _NAMES.items()
        if kind in there
    ]
    ax.figure.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0.055, -0.008), ncols=5, frameon=False, fontsize=9
    )


def _colour(kind: int) -> str:
    if kind in _SHADES:
        return to_hex(matplotlib.colormaps["magma_r"](_SHADES[kind]))
    return _CLOSED if kind == -1 else _UNKNOWN
