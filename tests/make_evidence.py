"""Write docs/evidence.md and its charts from tests/published/*.csv: `python tests/make_evidence.py`.

Numbers are rounded to four figures, so that every machine writes the same page.
"""

from pathlib import Path

from evidence_charts import CHARTS
from test_published import answer_of, parse, read_rows

DOCS = Path(__file__).resolve().parents[1] / "docs"
TITLES = {
    "contact": "Contact area and contact stress", "elastic": "Stress in an elastic body", "soil": "Soil",
    "routes": "Turns, loads and work rates", "statics": "Axle loads", "stress": "Stress beneath wheels and tracks", "traction": "Traction and rolling",
    "tyres": "Tyres", "units": "Units", "water": "Soil water and evapotranspiration",
}  # fmt: skip

INTRO = """# Evidence

Why should anyone believe the stress numbers? Here stands every value from outside that this program is held against: what the source says, what
the program computes, and how far they are apart. Misses stay in the list as misses. This page is written by `python tests/make_evidence.py` from
`tests/published/*.csv` and is never edited by hand; a test fails when it is out of date.

- **kind**: *published* = a source states the value; *derived* = a closed form or an independent calculation gives it; *common practice* = no source.
- **mark**: *found* = text or number read in the source, often only its abstract; *derived* = follows by algebra; *memory* = recalled from the
  literature and not read again in print: treat it as unproven.
- **met**: the computed value lies within the tolerance, which follows from the rounding or the spread of the source. **missed** = known not to.
- Units are SI: each input's name ends with its unit (`_pa`, `_n`, `_m`, `_m2`); stresses are in Pa.
"""


def four_figures(value):
    """A number with four significant figures, the same text everywhere."""
    number = float(f"{float(value):.3e}")
    if number == 0.0:
        return "0"
    return f"{number:.0f}" if abs(number) >= 1000 else f"{number:.4g}"


def difference(expected, computed):
    """Computed less expected, in percent of what is expected (or as it is where nothing is expected)."""
    if expected == 0.0:
        return four_figures(computed)
    text = f"{100.0 * (computed / expected - 1.0):+.1f} %"
    return "0.0 %" if text in ("+0.0 %", "-0.0 %") else text


def inputs_in_short(text):
    parts = []
    for pair in text.split(";"):
        key, _, value = pair.partition("=")
        try:
            value = four_figures(value)
        except ValueError:
            value = value.replace("|", ", ")
        parts.append(f"{key} {value}")
    return "; ".join(parts)


def line_of(row):
    """One row of a table."""
    computed = answer_of(row["model"], parse(row["inputs"]))
    if row["tolerance"] == "exact" or isinstance(computed, str):
        shown = (row["expected"], str(computed), "same" if computed == row["expected"] else "other")
    else:
        expected, value = float(row["expected"]), float(computed)
        shown = (four_figures(expected), four_figures(value), difference(expected, value))
    tolerance = row["tolerance"]
    if tolerance != "exact" and not tolerance.endswith("%"):
        tolerance = four_figures(tolerance)
    verdict = "met" if row["holds"] == "yes" else "**missed**"
    cells = (
        f"`{row['model']}`",
        inputs_in_short(row["inputs"]),
        *shown,
        tolerance,
        row["source"],
        row["mark"],
        verdict,
    )
    return "| " + " | ".join(cells) + " |"


HEAD = "| model | inputs | expected | computed | difference | tolerance | source | mark | |\n|---|---|---|---|---|---|---|---|---|"


def table(rows):
    return "\n".join([HEAD, *(line_of(row) for row in rows)])


def counts(files):
    """The overview: how many checks of each kind and mark, met and missed."""
    rows = [row for group in files.values() for row in group]
    lines = ["| kind | mark | checks | met | missed |", "|---|---|---|---|---|"]
    for kind in ("published", "derived", "common practice"):
        for mark in ("found", "derived", "memory"):
            some = [row for row in rows if (row["kind"], row["mark"]) == (kind, mark)]
            if some:
                met = sum(row["holds"] == "yes" for row in some)
                lines.append(f"| {kind} | {mark} | {len(some)} | {met} | {len(some) - met} |")
    return "\n".join(lines)


def share(rows, model, **wanted):
    """Computed over expected of the one published row of a model that holds the wanted inputs."""
    for row in rows:
        texts = dict(pair.split("=", 1) for pair in row["inputs"].split(";"))
        fits = row["model"] == model and all(texts.get(key) == value for key, value in wanted.items())
        if fits and row["kind"] == "published":
            return float(answer_of(model, parse(row["inputs"]))) / float(row["expected"])
    raise LookupError(f"{model} {wanted}")


def not_known(rows):
    """What is not known and how wrong it can be; every ratio is computed from the rows above."""
    chain = "check.chain"
    central30 = share(rows, chain, area="area_blend", depth_m="0.3")
    upper30 = share(rows, chain, area="area_pressure_only", depth_m="0.3")
    central60 = share(rows, chain, area="area_blend", depth_m="0.6")
    central90 = share(rows, chain, area="area_blend", depth_m="0.9")
    swiss = [float(answer_of(row["model"], parse(row["inputs"]))) for row in rows if "swiss" in row["model"]]
    pressure = 8.0 * share(rows, "check.eight_eight", area="area_blend", which="pressure")
    return f"""## What is not known, and how wrong it can be

**Strength decides most and is known least.** The table of strength by texture is from memory. On 584 Danish subsoil cores the best regression on texture,
density, organic matter and suction explained 39 % of the strength (Schjoenning et al. 2023, abstract); the fitting method alone moved the mean from 50 to
130 kPa on the same soils (Cavalieri et al. 2008, abstract). A factor of two to three either way is possible, and the ratio of stress to strength is as wrong as
its strength. Soil also deforms below its strength a little: there is no sharp threshold (Keller et al. 2004, abstract).

**Stress above the plough under hard tyres is too low.** Of the highest stress measured under wheels of up to 70 kN at 170 to 280 kPa (Lamande and Schjoenning 2018,
abstract; the tyre size here is from memory) the central run gives {central30:.2f} at 30 cm, {central60:.2f} at 60 cm and {central90:.2f} at 90 cm; the upper run gives
{upper30:.2f} at 30 cm. So above 60 cm both runs are shown, and above 1.2 bar the words follow the upper one. At depth the model is a little high, on the safe side.

**Pressure matters less deep down than the rule of thumb says, and nobody knows how much less.** The central run moves the 50 kPa line {pressure:.1f} cm per doubling of the
pressure; the rule (from memory) says 8 cm; trials found "very little" at 30 cm and below (Arvidsson and Keller 2007, abstract). The rule is listed as missed.

**It cries wolf.** In a Swiss trial one pass of a beet harvester with 11.23 t on moist, unploughed sandy loam changed nothing at 32-37 and 52-57 cm; this program gives
a chance of overstress of {swiss[0]:.1f} and {swiss[1]:.1f} there. Structured and unploughed soil bears more than the table says. Where usual spring and harvest traffic in Sweden was judged to compact
moist subsoil, it agrees. The chance of overstress has never been calibrated against damage: it ranks, it does not predict.

**From memory, so unproven:** the coefficients of the contact area of 1999, the concentration factors 4, 5, 6 (one step moves the stress at 50 cm by about a tenth), the shape
of contact stress, the 50 kPa yardstick. **Ours:** the blend of contact areas (fitted to two data sets and held against a third), the share of a track's load under
its rollers, the tensions behind the three words of the hand test.

**Not in the model at all:** layers of unlike stiffness (a pan, a dry crust), slip and shear, single lugs (up to twice the stress at 5 cm), bouncing and braking, cracks of
swelling soils. Measured stress follows wheel load at depth and so does the model; beyond that, dig a hole and look.
"""


def page():
    """The whole page as text."""
    files = {}
    for param in read_rows():
        files.setdefault(param.id.rsplit("-", 1)[0], []).append(param.values[0])
    rows = [row for group in files.values() for row in group]
    missed = [row for row in rows if row["holds"] == "no"]
    parts = [INTRO, counts(files), "", not_known(rows)]
    parts += ["## Model against measurement", ""]
    for name, words in (
        ("contact", "Contact area of one tyre: the bar was measured, the points are the models."),
        ("stress", "Highest vertical stress at three depths under hard tyres."),
        ("trials", "Chance of overstress where trials looked for damage."),
    ):
        parts += [f"![{words}](pictures/evidence_{name}.svg)", "", f"*{words}*", ""]
    parts += [f"## Every known miss ({len(missed)})", "", table(missed), ""]
    parts += ["## All checks", ""]
    for name, group in files.items():
        parts += [f"### {TITLES.get(name, name)} ({name}.csv, {len(group)})", ""]
        for kind in ("published", "derived", "common practice"):
            some = [row for row in group if row["kind"] == kind]
            if some:
                parts += [f"**{kind}** ({len(some)})", "", table(some), ""]
    return "\n".join(parts)


def charts():
    """The charts by name, as SVG text."""
    rows = [param.values[0] for param in read_rows()]
    return {name: draw(rows) for name, draw in CHARTS.items()}


if __name__ == "__main__":
    (DOCS / "pictures").mkdir(exist_ok=True)
    (DOCS / "evidence.md").write_text(page(), encoding="utf-8")
    for chart, text in charts().items():
        (DOCS / "pictures" / f"evidence_{chart}.svg").write_text(text, encoding="utf-8")
