"""What the driver reads: headline, pressures, loads and numbers of a plan in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from trafficplan.decide.cab import CabPlan
from trafficplan.inputs.amounts import GALLON, SHORT_TON
from trafficplan.names import Note
from trafficplan.report.both_units import notes_in
from trafficplan.report.words import figure, say, say_day
from trafficplan.units import ACRE, BAR, HECTARE, pressure_text

#: Two pressures that read the same are the same [Pa].
_SAME_PA = 0.05e5
#: A space at which a line does not break.
_KEPT = "\N{NO-BREAK SPACE}"
#: Loads that differ by less are alike [kg] (ours: below what a load cell tells).
ALIKE_KG = 50.0
#: A run-out this far from its swath lies on none [m].
_ON_SWATH_M = 1.0
#: Reasons for not spreading that are told one by one.
MOST_REASONS = 4
ADJUST = {"none": "stays as it is", "hose": "by hose", "central": "from the cab"}


def mass_words(kg: float, units: str) -> str:
    """Return a load in the unit in which people load.

    Examples
    --------
    >>> mass_words(8000.0, "metric"), mass_words(2740.0, "metric"), mass_words(8000.0, "us")
    ('8 t', '2.7 t', '8.8 tons')
    """
    size = kg / 1e3 if units == "metric" else kg / SHORT_TON
    return f"{size:.1f}".removesuffix(".0") + (" t" if units == "metric" else " tons")


def rate_words(plan: CabPlan) -> str:
    """Return the rate as it was asked for: a mass or a volume per area."""
    if plan.density_kg_m3:
        volume = plan.rate_kg_m2 / plan.density_kg_m3
        if plan.units == "metric":
            return f"{volume * HECTARE:.3g} m³/ha"
        return f"{volume * ACRE / GALLON:,.0f} gal/acre"
    if plan.units == "metric":
        return f"{plan.rate_kg_m2 * HECTARE / 1e3:.3g} t/ha"
    return f"{plan.rate_kg_m2 * ACRE / SHORT_TON:.3g} tons/acre"


def headline(plan: CabPlan) -> tuple[str, str]:
    """Return the two lines that a driver has to know: what to do, and when to stop."""
    gate = f"{plan.gateway}, " if plan.gateway else ""
    alike = min(plan.loads_kg[:-1], default=plan.load_kg) > 0.95 * plan.load_kg  # the last load is what is left
    up_to = "" if alike else "up to "
    many = "s" if len(plan.loads_kg) != 1 else ""
    loads = f"{len(plan.loads_kg)} load{many} of {up_to}{mass_words(plan.load_kg, plan.units)}"
    if plan.names_pressures():
        field, track = (_span([getattr(one, kind) for one in plan.axles]) for kind in ("field_pa", "track_pa"))
        set_to = f", {field} all the way." if field == track else f", field {field}, track {track}."
    else:
        why = "the ground is steep" if plan.steep else "a tyre has no maker's table"
        set_to = f". No pressure is named: {why}."
    void = f" Void if the soil {plan.void_if}." if plan.void_if else ""
    return f"{gate}{loads}{set_to}", f"Stop at ruts of {say('depth', plan.stop_rut_m, plan.units)}.{void}"


def _span(pressures_pa: Sequence[float]) -> str:
    """Return pressures as one where they read the same, else as a span."""
    low, high = min(pressures_pa), max(pressures_pa)
    if high - low < _SAME_PA:
        return f"{high / BAR:.1f}{_KEPT}bar"
    return f"{low / BAR:.1f}{_KEPT}to{_KEPT}{high / BAR:.1f}{_KEPT}bar"


def pressure_rows(plan: CabPlan) -> list[tuple[str, str, str, str]]:
    """Return axle, field and track pressure in bar and psi, and how it is changed; nothing where none may be named."""
    if not plan.names_pressures():
        return []
    return [
        (one.axle, pressure_text(one.field_pa or 0.0), pressure_text(one.track_pa or 0.0), _change(one.field_pa, one.track_pa, one.adjust))
        for one in plan.axles
    ]  # fmt: skip


def _change(field_pa: float | None, track_pa: float | None, adjust: str) -> str:
    same = field_pa is not None and track_pa is not None and abs(field_pa - track_pa) < _SAME_PA
    return ADJUST["none"] if same else ADJUST.get(adjust, adjust)


def number_rows(plan: CabPlan) -> list[tuple[str, str]]:
    """Return the plan in numbers: name and value."""
    km, units = plan.km(), plan.units
    off = sum(km.values()) - km.get("work", 0.0)
    rows = [
        ("rate and width", f"{rate_words(plan)}, {say('length', plan.width_m, units)}"),
        ("swaths", _heading(plan)),
        ("order", plan.order),
        ("fill", _fill(plan)),
        ("spread", f"{say('area', plan.spread_m2 / HECTARE, units)}, {mass_words(sum(plan.loads_kg), units)} in all"),
        ("way", f"{say('distance', sum(km.values()), units)}: {figure('distance', km.get('work', 0.0), units)} at work, "
                f"{figure('distance', off, units)} besides"),
        ("time", say("time", plan.hours, units)),
    ]  # fmt: skip
    if plan.litres is not None:
        fuel = f"{plan.litres:.0f} l" if units == "metric" else f"{plan.litres / 1e3 / GALLON:.0f} gal"
        rows.append(("fuel", fuel))
    return [*rows, ("soil", f"made for soil that {plan.moisture}" if plan.moisture else "")][
        : len(rows) + bool(plan.moisture)
    ]


def _fill(plan: CabPlan) -> str:
    if plan.fill_xy is None or plan.gate_xy is None:
        return plan.fill_words
    away = math.dist(plan.fill_xy, plan.gate_xy)
    far = say("distance", away / 1e3, plan.units) if away >= 1000 else say("length", away, plan.units)
    return f"{plan.fill_words}, {far} from the gateway as the crow flies" if away >= 5 else plan.fill_words


def _heading(plan: CabPlan) -> str:
    if plan.heading_deg is None:
        return f"{len(plan.swaths)}, along the tramlines"
    return f"{len(plan.swaths)}, heading {plan.heading_deg:.0f}° from grid north"


def unspread_rows(plan: CabPlan) -> list[str]:
    """Return ground that is not spread, with its reasons, the largest first; pieces of one reason together."""
    areas: dict[str, float] = {}
    for one in plan.unspread:
        areas[one.why] = areas.get(one.why, 0.0) + one.area_m2
    ordered = sorted(areas.items(), key=lambda one: -one[1])
    told = [f"{_area(area, plan.units)}: {why}" for why, area in ordered[:MOST_REASONS]]
    rest = sum(area for _, area in ordered[MOST_REASONS:])
    return [*told, f"{_area(rest, plan.units)}: {len(ordered) - MOST_REASONS} more reasons"] if rest else told


def _area(m2: float, units: str) -> str:
    return say("area", m2 / HECTARE, units) if m2 >= 1000 else say("patch", m2, units)


def load_rows(plan: CabPlan) -> list[tuple[str, str, str]]:
    """Return number, size and run-out of each load."""
    rows = []
    for number, (kg, xy) in enumerate(zip(plan.loads_kg, plan.run_outs, strict=True), 1):
        rows.append((f"{number}", mass_words(kg, plan.units), _where(plan, xy)))
    return rows


def _where(plan: CabPlan, xy: tuple[float, float]) -> str:
    found = where_on_swath(plan, xy)
    if found is None:
        return "beside the swaths"
    swath, along = found
    whole = plan.swaths[swath - 1].length
    if whole - along < plan.width_m / 2:
        return f"end of swath {swath}"
    return f"swath {swath} at {say('length', along, plan.units)}"


def where_on_swath(plan: CabPlan, xy: tuple[float, float]) -> tuple[int, float] | None:
    """Return which swath a place lies on (from 1) and how far from its start [m]; None where it lies on none."""
    if not plan.swaths:
        return None
    point = shapely.Point(xy)
    away = shapely.distance(np.array(plan.swaths, dtype=object), point)
    nearest = int(np.argmin(away))
    if away[nearest] > _ON_SWATH_M:
        return None
    return nearest + 1, float(plan.swaths[nearest].project(point))


def load_groups(loads_kg: Sequence[float]) -> list[tuple[int, int, float]]:
    """Return runs of loads that are alike: first and last number (from 1), and their size [kg].

    Examples
    --------
    >>> load_groups([8000.0, 8000.0, 8010.0, 2700.0])
    [(1, 3, 8000.0), (4, 4, 2700.0)]
    """
    groups: list[tuple[int, int, float]] = []
    for number, kg in enumerate(loads_kg, 1):
        if groups and abs(groups[-1][2] - kg) <= ALIKE_KG:
            groups[-1] = (groups[-1][0], number, groups[-1][2])
        else:
            groups.append((number, number, kg))
    return groups


def load_words(plan: CabPlan) -> str:
    """Return the loads in one line, alike ones together."""
    parts = [
        f"{first} to {last}: {mass_words(kg, plan.units)} each"
        if last > first
        else f"{first}: {mass_words(kg, plan.units)}"
        for first, last, kg in load_groups(plan.loads_kg)
    ]
    return "; ".join(parts)


def situations_of(plan: CabPlan) -> set[str]:
    """Return the situations whose cautions apply to a plan in the cab."""
    named = "pressure" if plan.names_pressures() else "slope" if plan.steep else "no_table"
    return {"spreading", "road", "chance", named}


def title_words(plan: CabPlan) -> str:
    """Return field, job and day."""
    day = f", {say_day(plan.day)} {plan.day.year}" if plan.day else ""
    return f"{plan.field}: {plan.job}{day}"


def warnings_of(notes: Sequence[Note], units: str) -> list[str]:
    """Return what is warned of, each once, in one line each."""
    warned = notes_in(list(dict.fromkeys(note for note in notes if note.kind == "warned")), units)
    return [f"{note.what}: {note.value}{f' ({note.why})' if note.why else ''}" for note in warned]


def source_words(plan: CabPlan, version: str) -> str:
    """Return where the numbers of the sheet come from."""
    assumed = len({note for note in plan.notes if note.kind == "assumed"})
    tables = "pressures: the farm's own copy of the makers' tables, cold; " if plan.names_pressures() else ""
    rut = f"stopping at ruts of {say('depth', plan.stop_rut_m, plan.units)}: common practice, no source"
    return (
        f"Sources. Way, loads and times: trafficplan {version}, from the farm's fields and outfit, "
        f"coordinates {plan.crs}; {tables}{rut}. {assumed} assumption{'s are' if assumed != 1 else ' is'} listed with the plan."
    )
