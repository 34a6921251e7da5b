"""What the colours of the map mean: steps, words, units and colours of every measure.

All colours are samples of matplotlib's perceptually uniform, colour-blind-safe maps: magma for how bad,
viridis for how deep and how hard, cividis for how often and how much; PuOr for differences, which have a
middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib
from matplotlib.colors import to_hex

from trafficplan.names import STEPS
from trafficplan.report.words import CHANCE_WORDS, QUANTITIES, figure, unit_of


@dataclass(frozen=True)
class Measure:
    """One measure as it is drawn.

    Attributes
    ----------
    key : name in names.LAYERS
    title, about : name and one sentence for people
    quantity : key of words.QUANTITIES
    breaks : upper bounds of all steps but the last, in the layer's own unit
    words : one word per step, or () when the numbers speak
    colours : name of the map, and the share of it at the first and last step
    change : differences that count as small, middling and large, for the difference from base
    """

    key: str
    title: str
    about: str
    quantity: str
    breaks: tuple[float, ...]
    words: tuple[str, ...]
    colours: tuple[str, float, float]
    change: tuple[float, float, float]


MEASURES: dict[str, Measure] = {
    measure.key: measure
    for measure in (
        Measure(
            "lasting",
            "Chance of lasting damage",
            "How likely stress was over strength somewhere below tillage depth, where nothing repairs "
            "it. An index, in steps.",
            "chance",
            tuple(upper for upper, _ in CHANCE_WORDS[:-1]),
            tuple(word for _, word in CHANCE_WORDS),
            ("magma_r", 0.06, 0.92),
            (0.1, 0.2, 0.4),
        ),
        Measure(
            "depth_reached",
            "Depth reached",
            "How deep a vertical stress of 50 kPa (7.3 psi) reached. Needs no knowledge of the soil's strength.",
            "depth",
            (0.2, 0.3, 0.4, 0.5, 0.6, 0.8),
            (),
            ("viridis_r", 0.06, 1.0),
            (0.02, 0.05, 0.1),
        ),
        Measure(
            "ratio",
            "Stress ratio",
            "Highest stress of the season divided by the strength of that soil on that day.",
            "ratio",
            tuple(upper for _, upper in STEPS[:-1]),
            tuple(name for name, _ in STEPS),
            ("magma_r", 0.08, 0.9),
            (0.05, 0.15, 0.3),
        ),
        Measure(
            "stress",
            "Vertical stress",
            "Highest vertical stress of the season.",
            "stress",
            (25.0, 50.0, 75.0, 100.0, 150.0, 200.0),
            (),
            ("viridis_r", 0.06, 1.0),
            (5.0, 15.0, 40.0),
        ),
        Measure(
            "passes",
            "Wheel passes",
            "How many wheels went over the place in the season; each axle counts.",
            "passes",
            (2.0, 4.0, 8.0, 16.0, 32.0, 64.0),
            (),
            ("cividis_r", 0.04, 1.0),
            (1.0, 4.0, 16.0),
        ),
        Measure(
            "over_passes",
            "Passes over strength",
            "How many passes had a stress ratio over 1.",
            "passes",
            (2.0, 4.0, 8.0, 16.0, 32.0, 64.0),
            (),
            ("cividis_r", 0.04, 1.0),
            (1.0, 4.0, 16.0),
        ),
        Measure(
            "traffic",
            "Traffic intensity",
            "Axle load times distance per area, over the season.",
            "traffic",
            (50.0, 100.0, 200.0, 400.0, 800.0, 1600.0),
            (),
            ("cividis_r", 0.04, 1.0),
            (20.0, 100.0, 400.0),
        ),
        Measure(
            "compaction",
            "Compaction index",
            "Grows with stress over strength and with passes; dimensionless, starts at 0, set back by tillage.",
            "ratio",
            (0.05, 0.1, 0.2, 0.4, 0.8),
            (),
            ("magma_r", 0.08, 0.9),
            (0.02, 0.1, 0.3),
        ),
    )
}

UNTOUCHED_COLOUR = "#f4f1e8"
SAME_COLOUR = "#e9e6dd"


def shades(name: str, first: float, last: float, count: int) -> tuple[str, ...]:
    """Return `count` colours evenly from a matplotlib map."""
    colours = matplotlib.colormaps[name]
    span = max(1, count - 1)
    return tuple(to_hex(colours(first + (last - first) * index / span)) for index in range(count))


def step_colours(measure: Measure) -> tuple[str, ...]:
    """Return the colour of each step of a measure."""
    return shades(*measure.colours, len(measure.breaks) + 1)


def _range_text(measure: Measure, low: float | None, high: float | None, units: str) -> str:
    """Return numbers and unit of one step."""
    unit = unit_of(measure.quantity, units)
    low_text = "" if low is None else figure(measure.quantity, low, units)
    high_text = "" if high is None else figure(measure.quantity, high, units)
    if measure.quantity == "passes" and high is not None:
        last = int(high) - 1
        first = 1 if low is None else int(low)
        return "1 pass" if last == 1 else f"{first} to {last} passes"
    if low is None:
        return f"up to {high_text} {unit}".strip()
    if high is None:
        return f"{low_text} {unit} and more".replace("  ", " ")
    return f"{low_text} to {high_text} {unit}".strip()


def legend_rows(measure: Measure, units: str) -> list[dict[str, str]]:
    """Return the rows of a legend: colour, word and range, from low to high; untouched ground first."""
    edges: list[float | None] = [None, *measure.breaks, None]
    rows = [
        {
            "colour": UNTOUCHED_COLOUR,
            "word": "no load reached here" if measure.key in _BY_REACH else "untouched",
            "range": "",
        }
    ]
    for index, colour in enumerate(step_colours(measure)):
        word = measure.words[index] if measure.words else ""
        numbers = _range_text(measure, edges[index], edges[index + 1], units)
        rows.append({"colour": colour, "word": word, "range": numbers})
    return rows


#: Measures that reach beyond the wheel mark: code 1 is "no stress", not "no wheel".
_BY_REACH = frozenset({"lasting", "ratio", "stress", "depth_reached"})


def change_rows(measure: Measure, units: str) -> list[dict[str, str]]:
    """Return the rows of the legend of differences from base: from much lower to much higher, seven steps."""
    small, middling, large = measure.change
    unit = unit_of(measure.quantity, units)
    colours = shades("PuOr_r", 0.04, 0.96, 7)

    def numbers(low: float, high: float | None) -> str:
        first = figure(measure.quantity, low, units)
        if high is None:
            return f"{first} {unit} and more".replace("  ", " ")
        return f"{first} to {figure(measure.quantity, high, units)} {unit}".strip()

    spans = [(large, None), (middling, large), (small, middling)]
    lower = [(f"lower by {numbers(*span)}", colour) for span, colour in zip(spans, colours[:3], strict=True)]
    higher = [
        (f"higher by {numbers(*span)}", colour) for span, colour in zip(reversed(spans), colours[4:], strict=True)
    ]
    rows = [*lower, ("about the same", SAME_COLOUR), *higher]
    return [{"colour": colour, "word": "", "range": text} for text, colour in rows]


def script_measure(measure: Measure, units: str) -> dict[str, object]:
    """Return what the page's script needs to colour and read a measure."""
    scale, unit, decimals = QUANTITIES[measure.quantity][units]
    small, middling, large = measure.change
    return {
        "key": measure.key,
        "title": measure.title,
        "about": measure.about,
        "breaks": list(measure.breaks),
        "words": list(measure.words),
        "legend": [{**row, "colour": row["colour"].lstrip("#")} for row in legend_rows(measure, units)],
        "change": [{**row, "colour": row["colour"].lstrip("#")} for row in change_rows(measure, units)],
        "change_breaks": [-large, -middling, -small, small, middling, large],
        "scale": scale,
        "unit": unit,
        "decimals": decimals,
        "chance": measure.key == "lasting",
        "untouched": "no load reached here" if measure.key in _BY_REACH else "untouched",
    }
