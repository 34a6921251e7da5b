"""The charts of docs/evidence.md: model against measured values, taken from the rows of tests/published."""

import io
import re

import matplotlib
from matplotlib.figure import Figure
from test_published import CHECKS, answer_of, parse

INK, QUIET, RULE, BAND = "#1f2a30", "#5d6468", "#d5d0c4", "#e4dfd2"
_VIRIDIS = matplotlib.colormaps["viridis"]
COLOURS = {
    "blend (central run)": _VIRIDIS(0.0), "load / pressure (upper run)": _VIRIDIS(0.35),
    "soft form 1999": _VIRIDIS(0.62), "rigid form 1999": _VIRIDIS(0.86),
}  # fmt: skip
MARKERS = dict(zip(COLOURS, "osD^", strict=True))
AREAS = dict(
    zip(COLOURS, ("area_blend", "area_pressure_only", "area_osullivan_1999_soft", "area_osullivan_1999_rigid"),
        strict=True)
)  # fmt: skip
STYLE = {
    "svg.fonttype": "none", "svg.hashsalt": "evidence", "text.parse_math": False, "font.size": 10,
    "font.family": "sans-serif", "axes.edgecolor": RULE, "axes.labelcolor": QUIET, "xtick.color": QUIET,
    "ytick.color": INK, "text.color": INK, "axes.spines.top": False, "axes.spines.right": False,
}  # fmt: skip


def measured(rows, model, **wanted):
    """The published and found rows of a model whose inputs hold the wanted texts, one per expected value."""
    found = {}
    for row in rows:
        texts = dict(pair.split("=", 1) for pair in row["inputs"].split(";"))
        fits = all(texts.get(key) == value for key, value in wanted.items())
        if row["model"] == model and row["kind"] == "published" and row["mark"] == "found" and fits:
            found.setdefault((row["expected"], row["inputs"].split("area=")[-1].split(";", 1)[-1]), row)
    return list(found.values())


def _svg(drawing, words):
    target = io.StringIO()
    drawing.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = target.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    return text.replace("<svg", f'<svg role="img" aria-label="{words}"', 1)


def _tidy(ax):
    ax.tick_params(length=0)
    ax.grid(axis="x", color=RULE, linewidth=0.6)
    ax.set_axisbelow(True)
    ax.spines["left"].set_visible(False)


def _beside(ax, x, y, text, size):
    """A label right of a point (SVG drops leading blanks, so it is moved)."""
    ax.annotate(text, (x, y), (6, 0), textcoords="offset points", va="center", fontsize=size, color=INK, zorder=4)


def _row_of_models(ax, place, values, seen, unit, digits):
    """One line of the chart: the measured value as a bar, each model as a point."""
    ax.barh(place, seen, height=0.62, color=BAND, linewidth=0, zorder=1, label="measured" if place == 0 else None)
    ax.text(0.0, place - 0.41, f"measured {seen:.{digits}f} {unit}", va="bottom", fontsize=8, color=QUIET)
    for shift, (name, value) in enumerate(values.items()):
        y = place + 0.13 * (shift - 0.5 * (len(values) - 1))
        ax.plot(value, y, marker=MARKERS[name], markersize=7, color=COLOURS[name], linestyle="none",
                label=name if place == 0 else None, zorder=3)  # fmt: skip
        _beside(ax, value, y, f"{value:.{digits}f}", 8)


def contact_chart(rows):
    """Contact areas: what was measured and what each model says."""
    with matplotlib.rc_context(STYLE):
        places = measured(rows, "machines.contact.area_blend")
        drawing = Figure(figsize=(9.6, 1.3 + 0.95 * len(places)), layout="constrained", facecolor="white")
        ax = drawing.subplots()
        names = []
        for place, row in enumerate(places):
            inputs = parse(row["inputs"])
            values = {name: float(answer_of(f"machines.contact.{model}", inputs)) for name, model in AREAS.items()}
            _row_of_models(ax, place, values, float(row["expected"]), "m²", 2)
            tonnes, bar = inputs["load_n"] / 9806.65, inputs["pressure_pa"] / 1e5
            names.append(f"{'Aarslev' if 'Aarslev' in row['source'] else 'Cranfield'}\n{tonnes:.1f} t, {bar:.1f} bar")
        ax.set_yticks(range(len(places)), names)
        ax.set_ylim(len(places) - 0.45, -0.55)
        ax.set_xlim(0.0, 0.85)
        ax.set_xticks([0.0, 0.2, 0.4, 0.6, 0.8], ["0", "0.2", "0.4", "0.6", "0.8"])
        ax.set_xlabel("contact area of one tyre, m²")
        _tidy(ax)
        drawing.legend(loc="outside upper left", ncols=5, frameon=False, fontsize=8.5, handlelength=1.2)
        return _svg(drawing, "Contact area measured and modelled")


def stress_chart(rows):
    """Highest stress measured at three depths, and what the runs say."""
    with matplotlib.rc_context(STYLE):
        places = measured(rows, "check.chain", area="area_blend")
        drawing = Figure(figsize=(9.6, 1.3 + 0.95 * len(places)), layout="constrained", facecolor="white")
        ax = drawing.subplots()
        names = []
        for place, row in enumerate(places):
            inputs = parse(row["inputs"])
            values = {
                name: float(CHECKS["chain"](**{**inputs, "area": model})) / 1e3
                for name, model in AREAS.items() if "rigid" not in name
            }  # fmt: skip
            _row_of_models(ax, place, values, float(row["expected"]) / 1e3, "kPa", 0)
            names.append(f"{inputs['depth_m'] * 100:.0f} cm")
        ax.set_yticks(range(len(places)), names)
        ax.set_ylim(len(places) - 0.45, -0.55)
        ax.set_xlim(0.0, 330.0)
        ax.set_xticks([0, 100, 200, 300], ["0", "100", "200", "300"])
        ax.set_xlabel("highest vertical stress under wheels of up to 70 kN at 230 kPa, kPa")
        _tidy(ax)
        drawing.legend(loc="outside upper left", ncols=5, frameon=False, fontsize=8.5, handlelength=1.2)
        return _svg(drawing, "Stress measured and modelled at three depths")


def trial_chart(rows):
    """The chance this program gives, where a trial saw damage and where it saw none."""
    with matplotlib.rc_context(STYLE):
        trials = [row for row in rows if row["model"].startswith("check.chance_")]
        drawing = Figure(figsize=(9.6, 1.2 + 0.62 * len(trials)), layout="constrained", facecolor="white")
        ax = drawing.subplots()
        names = []
        for place, row in enumerate(trials):
            inputs = parse(row["inputs"])
            value = float(answer_of(row["model"], inputs))
            ax.barh(place, value, height=0.5, color=_VIRIDIS(0.35), zorder=2)
            seen = "damage usual" if float(row["expected"]) > 0.5 else "no change seen"
            verdict = "agrees" if row["holds"] == "yes" else "misses"
            _beside(ax, value, place, f"{value:.1f}: {verdict}", 9)
            depth = f", {inputs['depth_m'] * 100:g} cm" if "depth_m" in inputs else ", 50 cm"
            names.append(f"{'Sweden, 8 t' if 'swedish' in row['model'] else 'Switzerland, 11.2 t'}{depth}\n{seen}")
        ax.axvline(0.5, color=INK, linewidth=1.0, linestyle=(0, (6, 2)), zorder=3)
        ax.set_yticks(range(len(trials)), names)
        ax.set_ylim(len(trials) - 0.5, -0.5)
        ax.set_xlim(0.0, 1.15)
        ax.set_xticks([0.0, 0.5, 1.0], ["0", "0.5", "1"])
        ax.set_xlabel("chance of overstress by this program (an uncalibrated index)")
        _tidy(ax)
        return _svg(drawing, "Chance of overstress where trials saw damage or none")


CHARTS = {"contact": contact_chart, "stress": stress_chart, "trials": trial_chart}
