"""Candidate changes tried on a field: the season run with each, and what it spares and costs."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from trafficplan.assess.share import STRENGTHS, Stored, counts_of, expected_ha, likely_ha
from trafficplan.chain import Plan, operations_of
from trafficplan.decide.alone import Bench, Run, as_it_was, lasting_of, season_with
from trafficplan.errors import InputError
from trafficplan.farm.operation import Log, Operation, Scenario
from trafficplan.names import ROAD
from trafficplan.routes.drive import plan_drive
from trafficplan.routes.fixes import record_seconds
from trafficplan.routes.passes import Drive


@dataclass(frozen=True)
class Measure:
    """One field after a season, by what changes are weighed with.

    Attributes
    ----------
    likely_ha : chance of lasting overstress of at least 0.5
    expected_ha : chance x area, if the soil is weaker by half, as assumed, and stronger by half
    hours, drive_km : of all drives
    """

    likely_ha: float
    expected_ha: tuple[float, ...]
    hours: float
    drive_km: float


@dataclass(frozen=True)
class Trial:
    """A scenario tried on a field: before and after; `stops`: outfit whose pressures it changes -> its ways into the field."""

    scenario: str
    field: str
    before: Measure
    after: Measure
    stops: Mapping[str, int] = dataclasses.field(default_factory=dict)
    refused: str = ""


def measure(bench: Bench, run: Run, lasting: Stored | None = None) -> Measure:
    """Return a season of a field in numbers."""
    counts = counts_of(lasting_of(bench, run) if lasting is None else lasting)
    cell_ha = bench.laid.grid.cell_ha
    return Measure(
        likely_ha(counts, cell_ha),
        tuple(expected_ha(counts, cell_ha, strength) for strength in STRENGTHS),
        sum(drive_hours(one) for one in run.drives),
        sum(float(np.hypot(*np.diff(one.xy, axis=0).T).sum()) for one in run.drives) / 1e3,
    )


def drive_hours(drive: Drive) -> float:
    """Return how long a drive takes [h]."""
    return float(np.nanmax(drive.time_s) - np.nanmin(drive.time_s)) / 3600 if len(drive.time_s) else 0.0


def try_scenario(bench: Bench, scenario: Scenario, plan: Plan, before: Measure | None = None) -> Trial | None:
    """Return what a scenario does in the bench's field; None where it changes nothing there.

    What cannot be driven so comes back with the reason in `refused`.
    """
    base = as_it_was(bench)
    key = bench.laid.field.key
    was = before or measure(bench, base)
    try:
        operations = operations_of(bench.farm, scenario, bench.laid.field, plan)
        if operations == bench.laid.operations:
            return None
        run = season_with(bench, operations)
    except InputError as error:
        return Trial(scenario.key, key, was, was, refused=error.problems[0].sentence())
    after = measure(bench, run)
    more = _hours_of_recorded(bench, run)
    stops: dict[str, int] = {}
    for drive, one in zip(run.drives, operations, strict=True):
        if _lower(bench, one):
            stops[one.outfit] = stops.get(one.outfit, 0) + entries(drive)
    return Trial(scenario.key, key, was, replace(after, hours=after.hours + more), stops)


def _before(bench: Bench, key: str) -> Operation | None:
    return next((one for one in bench.laid.operations if one.key == key), None)


def _lower(bench: Bench, operation: Operation) -> bool:
    """Tell whether an operation runs at other pressures than before."""
    was = _before(bench, operation.key)
    return was is not None and was.outfit == operation.outfit and was.pressures_pa != operation.pressures_pa


def entries(drive: Drive) -> int:
    """Return how often a drive comes from the road into the field; at least once."""
    on_road = drive.leg == ROAD
    return max(1, int((on_road[:-1] & ~on_road[1:]).sum())) if len(on_road) else 0


def _hours_of_recorded(bench: Bench, run: Run) -> float:
    """Return the hours that recorded operations would take longer with another load: the difference of two plans.

    A log cannot tell what would have been. Where the operation has no rate, that of its log counts: flow over the ground
    worked.
    """
    laid, farm, more = bench.laid, bench.farm, 0.0
    for one, drive in zip(run.operations, run.drives, strict=True):
        was = _before(bench, one.key)
        if was is None or not one.drive.startswith("track:") or was.load_kg == one.load_kg:
            continue
        rate = one.rate_kg_m2 or _rate(farm.logs[one.drive.removeprefix("track:")], drive.worked_m2)
        if not rate:
            continue
        planned = [
            plan_drive(
                laid.field,
                replace(each, drive="swaths", rate_kg_m2=rate),
                farm.outfits[each.outfit],
                farm.tracks,
                farm.places,
            )
            for each in (one, was)
        ]
        more += drive_hours(planned[0]) - drive_hours(planned[1])
    return more


def _rate(log: Log, worked_m2: float) -> float | None:
    """Return what a log took up or spread per area [kg/m2], or None."""
    if log.flow_kg_s is None or worked_m2 <= 0:
        return None
    return float(np.nansum(log.flow_kg_s * record_seconds(log))) / worked_m2
