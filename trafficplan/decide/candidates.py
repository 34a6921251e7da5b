"""Changes of a season that are worth trying: pressures, loads, gates, lanes, days, other outfits.

Each candidate is a scenario like any other; what it spares is found by running the season with it (trials.py).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from trafficplan.decide.pressure import Question, rows_of
from trafficplan.decide.trip import Leg
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Change, Operation, Scenario
from trafficplan.machines.outfit import Axle, Outfit
from trafficplan.names import DEPTHS
from trafficplan.routes.build import field_pressure
from trafficplan.routes.swaths import working_width
from trafficplan.soil.moisture import HAND_TEST

#: Shares of the load that are tried.
LOAD_FACTORS = (0.8, 0.6)
#: Pressures that differ by less are the same [Pa].
SAME_PA = 5e3
#: Working widths up to this many times the narrowest can be brought down to it.
NEAR_WIDTH = 1.34
#: Bouts go into a lane when their number is so near to a whole one.
SAME_BOUT = 0.02

#: A fit day for an operation inside its own window: it then meets the soil of that day by the water balance.
NextFit = Callable[[Operation], dt.date | None]


@dataclass(frozen=True)
class Swap:
    """An outfit that could drive in place of another: bigger or dual tyres, as the user says; and what it costs."""

    outfit: str
    instead: str
    cost: float | None = None


@dataclass(frozen=True)
class Candidate:
    """A change to try.

    Attributes
    ----------
    kind : pressure, loads, gate, lanes, wait, outfit
    family : variants of one family stand for each other; the best one of each field is taken
    about : the outfit, field or job that it is about
    scenario : what it changes
    stop_min : minutes that each way into the field and out of it takes longer
    cost : what the user says it costs, or None
    """

    kind: str
    family: str
    about: str
    scenario: Scenario
    fields: tuple[str, ...]
    stop_min: float = 0.0
    cost: float | None = None


def candidates(farm: Farm, swaps: Sequence[Swap] = (), next_fit: NextFit | None = None) -> tuple[Candidate, ...]:
    """Return everything that is worth trying on a farm, each under a name of its own.

    Parameters
    ----------
    swaps : outfits that the user offers in place of others
    next_fit : finds a fit day for an operation; None: no day is moved
    """
    used = list(dict.fromkeys(one.outfit for one in farm.operations))
    found = [one for key in used if (one := _pressures(farm, key))]
    found += [one for key in used for one in _loads(farm, key)]
    found += [one for place in farm.fields.values() for one in _gates(farm, place)]
    found += [one for place in farm.fields.values() for one in _lanes(farm, place)]
    found += _waits(farm, next_fit) if next_fit else []
    found += [_swapped(farm, one) for one in swaps if one.outfit in used]
    return tuple(found)


def _fields_of(operations: Iterable[Operation]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.field for one in operations))


def _pressures(farm: Farm, key: str) -> Candidate | None:
    """Return the lowest field pressures that an outfit's tyre tables allow at its load and speeds."""
    jobs = [one for one in farm.operations if one.outfit == key]
    lowest = lowest_pressures(farm, key)
    axles = {axle.key: axle for axle in farm.outfits[key].axles()}
    now = {name: max(field_pressure(axles[name], one) for one in jobs) for name in lowest}
    if not any(now[name] - pressure > SAME_PA for name, pressure in lowest.items()):
        return None
    changing = {name: p for name, p in lowest.items() if abs(now[name] - p) > SAME_PA}
    scenario = Scenario(
        f"lowest pressures {key}",
        f"{farm.outfits[key].title or key}: lowest field pressures of the tyre tables",
        (Change(outfits=(key,), pressures_pa=changing),),
    )
    stop = stop_minutes([axles[name] for name in changing], changing)
    return Candidate("pressure", f"pressure {key}", key, scenario, _fields_of(jobs), stop)


def lowest_pressures(farm: Farm, key: str) -> dict[str, float]:
    """Return axle -> lowest cold pressure in the field that its table allows at the outfit's heaviest load [Pa].

    Axles that cannot change theirs get the one for field and track; axles without a table are left out.
    """
    outfit = farm.outfits[key]
    jobs = [one for one in farm.operations if one.outfit == key]
    load = max((outfit.capacity_kg if one.load_kg is None else one.load_kg for one in jobs), default=0.0)
    legs = (Leg("field", outfit.field_m_s, True), Leg("track", outfit.track_m_s, False))
    moist = HAND_TEST["moulds"]
    question = Question(
        outfit, farm.tyre_tables, load, legs, tuple(farm.soil_units.values()), np.array(DEPTHS), 0.2, 0.0, DEPTHS[2],
        (moist, moist), tills=any(one.till_depth_m > 0 for one in jobs),
    )  # fmt: skip
    return {rows.axle.key: rows.field_pa for rows in rows_of(question) if rows.field_pa is not None}


def stop_minutes(axles: Sequence[Axle], pressures_pa: Mapping[str, float]) -> float:
    """Return the minutes that letting down once takes more than before: hoses one after the other, central together.

    An axle that ran below its track pressure before was let down then, too.
    """
    more = [axle for axle in axles if axle.field_pa >= axle.track_pa - SAME_PA > pressures_pa[axle.key]]
    central = max((axle.adjust_min for axle in more if axle.adjust == "central"), default=0.0)
    return central + sum(axle.adjust_min for axle in more if axle.adjust == "hose")


def _loads(farm: Farm, key: str) -> list[Candidate]:
    jobs = [one for one in farm.operations if one.outfit == key and one.change != "constant"]
    outfit = farm.outfits[key]
    if not jobs or outfit.capacity_kg <= 0:
        return []
    names = tuple(dict.fromkeys(one.job for one in jobs))
    return [
        Candidate(
            "loads",
            f"loads {key}",
            key,
            Scenario(
                f"lighter loads {key} {factor:.0%}".replace("%", " pct"),
                f"{outfit.title or key}: filled to {factor:.0%}".replace("%", " %"),
                (Change(jobs=names, outfits=(key,), load_factor=factor),),
            ),
            _fields_of(jobs),
        )
        for factor in LOAD_FACTORS
    ]


def _planned(farm: Farm, place: Field) -> list[Operation]:
    """Return the operations of a field whose drive is planned: only those can still go otherwise."""
    return [one for one in farm.operations if one.field == place.key and one.drive in ("tramlines", "swaths")]


def _gates(farm: Farm, place: Field) -> list[Candidate]:
    jobs = _planned(farm, place)
    if len(place.gateways) < 2 or not jobs:
        return []
    found = []
    for gate in place.gateways:
        moved = tuple(one.key for one in jobs if one.gateway != gate.key)
        scenario = Scenario(
            f"gate {gate.key}" if place.key in gate.key else f"gate {place.key} {gate.key}",
            f"{place.key}: in and out by {gate.key}",
            (Change(operations=moved, gateway=gate.key),),
        )
        if moved:
            found.append(Candidate("gate", "other gates", place.key, scenario, (place.key,)))
    return found


def _lanes(farm: Farm, place: Field) -> list[Candidate]:
    """Return ways to let passes of a field share their lanes: along the tramlines, and by one working width."""
    jobs = _planned(farm, place)
    found = []
    apart = tramline_spacing(place)
    if apart is not None:
        moved = tuple(
            one.key
            for one in jobs
            if one.drive != "tramlines" and apart / NEAR_WIDTH < working_width(one, farm.outfits[one.outfit]) < apart * NEAR_WIDTH
            and _reached(farm, one, apart)
        )  # fmt: skip
        if moved:
            change = Change(operations=moved, drive="tramlines", width_m=round(apart, 2))
            title = f"{place.key}: {_named(farm, moved)} along the tramlines"
            found.append(_lane(f"lanes {place.key} tramlines", title, place, change))
    swaths = [one for one in jobs if one.drive == "swaths"]
    widths = {one.key: working_width(one, farm.outfits[one.outfit]) for one in swaths}
    for least in sorted(set(widths.values())):
        near = [one for one in swaths if least <= widths[one.key] < least * NEAR_WIDTH and _reached(farm, one, least)]
        headings = {one.heading_deg for one in near}
        if len(near) > 1 and (len({widths[one.key] for one in near}) > 1 or len(headings) > 1):
            heading = next((one.heading_deg for one in near if one.heading_deg is not None), None)
            keys = tuple(one.key for one in near)
            change = Change(operations=keys, width_m=least, heading_deg=heading)
            title = f"{place.key}: {_named(farm, keys)} on the same lanes of {least:g} m"
            found.append(_lane(f"lanes {place.key} {least:g} m", title, place, change))
    return found


def _reached(farm: Farm, hauls: Operation, lane_m: float) -> bool:
    """Tell whether what an operation takes up can reach it on lanes so far apart.

    A trailer that is filled beside a harvester must run in its bouts: their width has to go into that of the lanes.
    """
    if hauls.change != "fills":
        return True
    beside = [
        one
        for one in farm.operations
        if (one.field, one.day) == (hauls.field, hauls.day) and one.outfit != hauls.outfit and one.change != "empties"
    ]
    bouts = [lane_m / working_width(one, farm.outfits[one.outfit]) for one in beside]
    return all(round(one) >= 1 and abs(one - round(one)) < SAME_BOUT for one in bouts)


def _lane(key: str, title: str, place: Field, change: Change) -> Candidate:
    return Candidate("lanes", "shared lanes", place.key, Scenario(key, title, (change,)), (place.key,))


def _named(farm: Farm, keys: Sequence[str]) -> str:
    return " and ".join(dict.fromkeys(one.job for one in farm.operations if one.key in keys))


def tramline_spacing(place: Field) -> float | None:
    """Return the usual distance between neighbouring tramlines of a field [m]; None with fewer than three."""
    if len(place.tramlines) < 3:
        return None
    middles = shapely.line_interpolate_point(np.asarray(place.tramlines), 0.5, normalized=True)
    apart = shapely.distance(middles[:, None], np.asarray(place.tramlines)[None, :])
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def _waits(farm: Farm, next_fit: NextFit) -> list[Candidate]:
    """Return one candidate per job: each of its operations waits for the next fit day inside its own window."""
    changes: dict[str, list[tuple[Operation, Change]]] = {}
    for one in farm.operations:
        if one.fixed_because or (one.earliest is None and one.latest is None) or one.drive.startswith("track:"):
            continue
        day = next_fit(one)
        if day is not None and day != one.day:
            changes.setdefault(one.job, []).append((one, Change(operations=(one.key,), day=day)))
    found = []
    for job, pairs in changes.items():
        scenario = Scenario(f"wait {job}", f"{job} waits for a fit day", tuple(change for _, change in pairs))
        found.append(Candidate("wait", f"wait {job}", job, scenario, _fields_of(one for one, _ in pairs)))
    return found


def _swapped(farm: Farm, swap: Swap) -> Candidate:
    other: Outfit = farm.outfits[swap.instead]
    jobs = [one for one in farm.operations if one.outfit == swap.outfit]
    scenario = Scenario(
        f"{swap.instead} for {swap.outfit}",
        _in_place(other, farm.outfits[swap.outfit]),
        (Change(outfits=(swap.outfit,), outfit=swap.instead),),
    )
    return Candidate("outfit", f"outfit {swap.outfit}", swap.outfit, scenario, _fields_of(jobs), cost=swap.cost)


def _in_place(other: Outfit, outfit: Outfit) -> str:
    """Return a swap in words; outfits of one title are told by the names of their files."""
    titles = [one.title or one.key for one in (other, outfit)]
    if titles[0] == titles[1]:
        titles = [f"{title} ({one.key})" for title, one in zip(titles, (other, outfit), strict=True)]
    return f"{titles[0]} in place of {titles[1]}"
