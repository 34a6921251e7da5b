"""The year's account of one field: what each operation drove and did, and whose the lasting damage is.

Hectares are told twice: where the chance of overstress below tillage depth is at least 0.5 (`likely`), and as the sum of
chance x area (`expected`), which moves even where the scale is full.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trafficplan.assess.share import (
    Counts,
    Lanes,
    Loosening,
    Mended,
    Stored,
    Worn,
    counts_by_zone,
    counts_of,
    expected_ha,
    lanes,
    likely_ha,
    loosening,
    mended,
    shares,
    worn,
)
from trafficplan.assess.stored import DEEPEST_M, REACH_PA
from trafficplan.assess.summary import FieldSummary
from trafficplan.chain import FieldResult
from trafficplan.decide.alone import Bench, Run, as_it_was, lasting_of, own_of, season_with
from trafficplan.farm.operation import Operation
from trafficplan.machines.contact import contact_area, upper_area
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.routes.swaths import working_width
from trafficplan.soil.stress import depth_reached
from trafficplan.soil.unit import SoilDay
from trafficplan.units import GRAVITY

#: How an operation's drive is known: recorded, a written plan, planned here, or estimated for trips that nobody logged.
SOURCES = ("recorded", "written plan", "planned", "estimated")


@dataclass(frozen=True)
class Reach:
    """The wheel of an operation that reaches deepest: 50 kPa at `depth_m`, by the upper run at `upper_m`."""

    axle: str
    wheel_kg: float
    pressure_pa: float
    depth_m: float
    upper_m: float


@dataclass(frozen=True)
class JobPart:
    """What one operation did in one field.

    Attributes
    ----------
    source : how its drive is known: recorded, written plan, planned, estimated
    traffic_t_km, wheeled_ha : zone (headland, gateway, infield) -> load x distance, ground touched
    own_ha : likely hectares if it alone had driven
    alone_ha : likely hectares gone when it is left out and the season run again
    shared_ha : likely hectares that it shares with other operations, of which each would have been enough
    expected_ha : expected hectares gone when it is left out
    shared_with : (operation, hectares), the largest first
    """

    field: str
    operation: str
    day: dt.date
    job: str
    outfit: str
    source: str
    trips: int
    drive_km: float
    hours: float
    worked_ha: float
    traffic_t_km: Mapping[str, float]
    wheeled_ha: Mapping[str, float]
    own_ha: float
    alone_ha: float
    shared_ha: float
    expected_ha: float
    shared_with: tuple[tuple[str, float], ...]
    reach: Reach | None


@dataclass(frozen=True)
class GroupPart:
    """Operations left out together: all of one `kind` and `name`; hectares gone without them.

    `kind`: job, outfit, day ("2026-03-20"), month ("2026-03").
    """

    kind: str
    name: str
    operations: tuple[str, ...]
    likely_ha: float
    expected_ha: float


@dataclass(frozen=True)
class FieldAudit:
    """The account of one field; small and plain.

    Attributes
    ----------
    counts : zone -> (10001,) cells by stored chance of lasting overstress
    jobs : in the order of the season
    """

    field: str
    area_ha: float
    cell_ha: float
    counts: Mapping[str, Counts]
    jobs: tuple[JobPart, ...]
    groups: tuple[GroupPart, ...]
    loosening: Loosening
    mended: Mended
    lanes: Lanes
    worn: Worn

    @property
    def every(self) -> Counts:
        """Cells by stored chance over the whole field."""
        return np.asarray(sum(self.counts.values()))

    @property
    def likely_ha(self) -> float:
        """Hectares with a chance of lasting overstress of at least 0.5."""
        return likely_ha(self.every, self.cell_ha)

    @property
    def expected_ha(self) -> float:
        """Expected hectares of lasting overstress."""
        return expected_ha(self.every, self.cell_ha)


def audit_field(bench: Bench, result: FieldResult, estimated: Iterable[str] = ()) -> FieldAudit:
    """Return the account of a field whose season was computed.

    Parameters
    ----------
    result : of the bench's season
    estimated : keys of operations that were added for trips which nobody logged
    """
    laid, ground, grid = bench.laid, result.ground, result.grid
    run = as_it_was(bench)
    own = [own_of(bench, event) for event in run.events]
    arrays = result.stored.arrays
    whole = counts_of(arrays["lasting"][ground.inside])
    widths = [working_width(one, bench.farm.outfits[one.outfit]) for one in run.operations]
    return FieldAudit(
        field=laid.field.key,
        area_ha=float(laid.field.polygon.area) / 1e4,
        cell_ha=grid.cell_ha,
        counts=counts_by_zone(arrays["lasting"], ground),
        jobs=_jobs(bench, run, result.summary, whole, set(estimated)),
        groups=tuple(_group(bench, run, whole, *named) for named in _groups(run.operations).items()),
        loosening=loosening(arrays, ground, grid, laid.depths_m, laid.deep_from_m),
        mended=mended(arrays, ground, grid, laid.depths_m, laid.deep_from_m),
        lanes=lanes([one.marks for one in own], widths, grid.cell_ha),
        worn=worn(arrays["lasting"], ground, grid, [one.polygon for one in bench.farm.worn]),
    )


def _jobs(bench: Bench, run: Run, summary: FieldSummary, whole: Counts, estimated: set[str]) -> tuple[JobPart, ...]:
    own = [own_of(bench, event) for event in run.events]
    cell_ha = bench.laid.grid.cell_ha
    keys = [one.key for one in run.operations]
    told = shares([one.lasting for one in own], cell_ha)
    parts = []
    for operation, event, part, mine, share in zip(run.operations, run.events, summary.parts, own, told, strict=True):
        rest = counts_of(_without(bench, run, {operation.key}))
        parts.append(
            JobPart(
                field=bench.laid.field.key,
                operation=operation.key,
                day=operation.day,
                job=operation.job,
                outfit=operation.outfit,
                source=SOURCES[3] if operation.key in estimated else source_of(operation),
                trips=part.trips,
                drive_km=part.drive_km,
                hours=part.hours,
                worked_ha=part.worked_ha,
                traffic_t_km=mine.traffic_t_km,
                wheeled_ha=mine.wheeled_ha,
                own_ha=share.own_ha,
                alone_ha=likely_ha(whole, cell_ha) - likely_ha(rest, cell_ha),
                shared_ha=share.shared_ha,
                expected_ha=expected_ha(whole, cell_ha) - expected_ha(rest, cell_ha),
                shared_with=tuple((keys[j], ha) for j, ha in share.shared_with),
                reach=deepest(event.passes, event.soils),
            )
        )
    return tuple(parts)


def source_of(operation: Operation) -> str:
    """Return how an operation's drive is known."""
    if operation.drive.startswith("track:"):
        return SOURCES[0]
    return SOURCES[1] if operation.drive.startswith("plan:") else SOURCES[2]


def _without(bench: Bench, run: Run, keys: set[str]) -> Stored:
    """Return the lasting layer of the season without some operations."""
    return lasting_of(bench, season_with(bench, [one for one in run.operations if one.key not in keys]))


def _groups(operations: Sequence[Operation]) -> dict[tuple[str, str], set[str]]:
    """Return (kind, name) -> keys of the operations that are left out together."""
    found: dict[tuple[str, str], set[str]] = {}
    for one in operations:
        names = {"job": one.job, "outfit": one.outfit, "day": f"{one.day}", "month": f"{one.day:%Y-%m}"}
        for kind, name in names.items():
            found.setdefault((kind, name), set()).add(one.key)
    return found


def _group(bench: Bench, run: Run, whole: Counts, named: tuple[str, str], keys: set[str]) -> GroupPart:
    cell_ha = bench.laid.grid.cell_ha
    rest = counts_of(_without(bench, run, keys))
    return GroupPart(
        *named,
        tuple(sorted(keys)),
        likely_ha(whole, cell_ha) - likely_ha(rest, cell_ha),
        expected_ha(whole, cell_ha) - expected_ha(rest, cell_ha),
    )


def deepest(passes: Sequence[Pass], soils: Sequence[SoilDay]) -> Reach | None:
    """Return the wheel that reaches deepest while it is not on the road; belts have no such depth and are left out."""
    nu = max((float(soil.nu[-1]) for soil in soils), default=5.0)
    found = []
    for one in passes:
        on_soil = one.leg != ROAD
        wheels = one.axle.wheels
        if not wheels or not on_soil.any() or wheels[0].tyre.kind == "track":
            continue
        load = float(one.load_n[on_soil].max()) / len(wheels)
        tyre = wheels[0].tyre
        central, upper = (
            min(float(depth_reached(load, area(tyre, load, one.pressure_pa), nu, REACH_PA)), DEEPEST_M)
            for area in (contact_area, upper_area)
        )
        found.append(Reach(one.axle.key, load / GRAVITY, one.pressure_pa, central, max(central, upper)))
    return max(found, key=lambda one: one.depth_m, default=None)
