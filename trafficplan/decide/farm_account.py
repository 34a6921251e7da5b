"""The year's account of a whole farm: fields added up, as plain data for tables, page and answer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trafficplan.assess.share import STRENGTHS, Concentration, Counts, concentration, expected_ha
from trafficplan.assess.summary import FieldSummary, WorstPlace
from trafficplan.decide.audit import FieldAudit, JobPart
from trafficplan.decide.changes import Proposal
from trafficplan.decide.loss import Loss
from trafficplan.errors import Problem
from trafficplan.farm.farm import Farm
from trafficplan.farm.prices import Prices
from trafficplan.names import Note
from trafficplan.routes.matching import Matched
from trafficplan.routes.unlogged import Missing


@dataclass(frozen=True)
class FarmAccount:
    """The account of one farm and one season.

    Attributes
    ----------
    farm : with its operations as they were driven
    as_read : as its folder says
    season : in words ("2026")
    fields : accounts in the order of the fields' names
    summaries : field -> its season in tables
    failed : field -> why it could not be computed
    missing : trips that nobody logged
    proposals : changes that spare damage, the best first; `chosen` the first three, `together` all three at once
    prices, losses : None and empty unless asked for
    not_moved : operations that had days to choose from, but none that would have been better
    """

    farm: Farm
    as_read: Farm
    season: str
    cell_m: float
    fields: tuple[FieldAudit, ...]
    summaries: Mapping[str, FieldSummary]
    failed: Mapping[str, tuple[Problem, ...]]
    matched: Matched
    missing: tuple[Missing, ...]
    proposals: tuple[Proposal, ...]
    chosen: tuple[Proposal, ...]
    together: Proposal | None
    prices: Prices | None
    losses: tuple[Loss, ...]
    notes: tuple[Note, ...]
    not_moved: tuple[str, ...] = ()

    @property
    def jobs(self) -> tuple[JobPart, ...]:
        """All operations in the order of the season."""
        each = [job for field in self.fields for job in field.jobs]
        order = {one.key: i for i, one in enumerate(self.farm.operations)}
        return tuple(sorted(each, key=lambda one: (one.day, order.get(one.operation, 0))))

    @property
    def counts(self) -> dict[str, Counts]:
        """Cells by stored chance over all fields: zone -> (10001,)."""
        zones = dict.fromkeys(zone for field in self.fields for zone in field.counts)
        return {zone: np.asarray(sum(field.counts[zone] for field in self.fields)) for zone in zones}

    @property
    def worst(self) -> tuple[WorstPlace, ...]:
        """The worst places of all fields, the worst first."""
        places = [place for field in self.fields for place in self.summaries[field.field].worst]
        return tuple(sorted(places, key=lambda place: (-place.lasting_mean, place.field, place.name))[:10])

    @property
    def concentrated(self) -> Concentration:
        """How concentrated the damage of the whole farm is."""
        return concentration(self.counts)


@dataclass(frozen=True)
class Whole:
    """A farm, or a part of it, added up.

    `stronger_ha`, `weaker_ha`: expected hectares of lasting damage if the soil is stronger or weaker by half.
    """

    area_ha: float
    wheeled_ha: float
    covered_ha: float
    likely_ha: float
    expected_ha: float
    traffic_t_km: float
    drive_km: float
    hours: float
    over_topsoil_ha: float
    mended_ha: float
    loosened_ha: float
    beyond_ha: float
    shared_lanes_ha: float
    stronger_ha: float
    weaker_ha: float
    worn_ha: float
    worn_likely_ha: float

    @property
    def wheeled_pct(self) -> float:
        """Share of the area that at least one wheel touched [%]."""
        return 100 * self.wheeled_ha / self.area_ha if self.area_ha else 0.0


def whole_of(fields: Sequence[FieldAudit]) -> Whole:
    """Return fields added up."""
    jobs = [job for field in fields for job in field.jobs]
    return Whole(
        area_ha=sum(one.area_ha for one in fields),
        wheeled_ha=sum(one.lanes.wheeled_ha for one in fields),
        covered_ha=sum(one.lanes.covered_ha for one in fields),
        likely_ha=sum(one.likely_ha for one in fields),
        expected_ha=sum(one.expected_ha for one in fields),
        traffic_t_km=sum(sum(job.traffic_t_km.values()) for job in jobs),
        drive_km=sum(job.drive_km for job in jobs),
        hours=sum(job.hours for job in jobs),
        over_topsoil_ha=sum(one.mended.over_ha for one in fields),
        mended_ha=sum(one.mended.tilled_after_ha for one in fields),
        loosened_ha=sum(one.loosening.reached_ha for one in fields),
        beyond_ha=sum(one.loosening.beyond_ha for one in fields),
        shared_lanes_ha=sum(one.lanes.shared_ha for one in fields),
        stronger_ha=sum(expected_ha(one.every, one.cell_ha, STRENGTHS[-1]) for one in fields),
        weaker_ha=sum(expected_ha(one.every, one.cell_ha, STRENGTHS[0]) for one in fields),
        worn_ha=sum(one.worn.area_ha for one in fields),
        worn_likely_ha=sum(one.worn.likely_ha for one in fields),
    )


@dataclass(frozen=True)
class Traffic:
    """Load times distance in fields by one of: job, outfit, zone, month.

    `t_km_ha` is over the ground of all fields, of a zone over that zone's ground.
    """

    by: str
    name: str
    t_km: float
    t_km_ha: float


def traffic_of(account: FarmAccount) -> tuple[Traffic, ...]:
    """Return the traffic of the farm by job, outfit, zone and month."""
    area = sum(one.area_ha for one in account.fields)
    zones: dict[str, float] = {}
    for field in account.fields:
        for zone, counts in field.counts.items():
            zones[zone] = zones.get(zone, 0.0) + float(counts.sum()) * field.cell_ha
    told: list[Traffic] = []
    by: dict[str, Callable[[JobPart], str]] = {
        "job": lambda one: one.job,
        "outfit": lambda one: one.outfit,
        "month": lambda one: f"{one.day:%Y-%m}",
    }
    for kind, name_of in by.items():
        sums: dict[str, float] = {}
        for job in account.jobs:
            sums[name_of(job)] = sums.get(name_of(job), 0.0) + sum(job.traffic_t_km.values())
        told += [Traffic(kind, name, t_km, t_km / area if area else 0.0) for name, t_km in sums.items()]
    for zone, hectares in zones.items():
        t_km = sum(job.traffic_t_km.get(zone, 0.0) for job in account.jobs)
        told.append(Traffic("zone", zone, t_km, t_km / hectares if hectares else 0.0))
    return tuple(told)


@dataclass(frozen=True)
class Day:
    """What was driven on one day over all fields, and the hectares that would be gone without all of that day."""

    day: dt.date
    jobs: tuple[str, ...]
    likely_ha: float
    expected_ha: float


def days_of(account: FarmAccount) -> tuple[Day, ...]:
    """Return the days, the one that did most first; all that was driven on a day is left out at once."""
    jobs: dict[str, list[str]] = {}
    for job in account.jobs:
        jobs.setdefault(job.day.isoformat(), []).append(job.job)
    told = [
        Day(dt.date.fromisoformat(one.name), tuple(dict.fromkeys(jobs[one.name])), one.likely_ha, one.expected_ha)
        for one in groups_of(account)
        if one.kind == "day"
    ]
    return tuple(sorted(told, key=lambda one: (-one.expected_ha, one.day)))


def deepest_of(account: FarmAccount) -> JobPart | None:
    """Return the operation whose wheel reached deepest."""
    return max(
        (one for one in account.jobs if one.reach),
        key=lambda one: one.reach.depth_m if one.reach else 0.0,
        default=None,
    )


@dataclass(frozen=True)
class Group:
    """Operations left out together over the whole farm: hectares gone without all of one job, one outfit or one day."""

    kind: str
    name: str
    operations: int
    likely_ha: float
    expected_ha: float


def groups_of(account: FarmAccount) -> tuple[Group, ...]:
    """Return the groups over all fields, those that would spare most first."""
    found: dict[tuple[str, str], list[float]] = {}
    for field in account.fields:
        for one in field.groups:
            sums = found.setdefault((one.kind, one.name), [0, 0.0, 0.0])
            sums[0] += len(one.operations)
            sums[1] += one.likely_ha
            sums[2] += one.expected_ha
    told = [Group(kind, name, int(n), likely, expected) for (kind, name), (n, likely, expected) in found.items()]
    return tuple(sorted(told, key=lambda one: (one.kind, -one.expected_ha, one.name)))
