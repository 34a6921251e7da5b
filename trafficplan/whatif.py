"""What if: one job more on a field, judged on top of its season so far, without computing that season again.

A field just before a day keeps the state of every cell. A job drives on from a copy of it, over the cells that the job
reaches, with the same kernel: the state after it is, byte for byte, that of a season which holds the job.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess.score import Score, Weight, weigh, wheeled_pct
from trafficplan.assess.stored import chance_tables
from trafficplan.chain import Drives, FieldSeason, Plan, events_of, prepare, untouched
from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation, Scenario
from trafficplan.names import Note
from trafficplan.routes.build import passes_of
from trafficplan.routes.passes import Drive
from trafficplan.traffic.layers import CellState, OperationEvents
from trafficplan.traffic.season import prepare_season, run_on


@dataclass(frozen=True)
class Before:
    """A field just before a day.

    Attributes
    ----------
    laid : its season until then
    state : of every cell (never written to again)
    chances : (classes, depths, 65536) chance of overstress by stored ratio
    weight : the state in numbers
    """

    laid: FieldSeason
    state: CellState
    chances: NDArray[np.float32]
    weight: Weight


def season_before(
    farm: Farm,
    scenario: Scenario,
    field: Field,
    plan: Plan,
    day: dt.date,
    known: Drives | None = None,
    threads: int = 1,
) -> Before:
    """Return the field after all operations of the days before `day`.

    Raises
    ------
    InputError
        One of these cannot be driven, or the field has no soil.
    """
    eve = day - dt.timedelta(days=1)
    last = eve if plan.last is None else min(eve, plan.last)
    laid = prepare(farm, scenario, field, replace(plan, last=last), known)
    season = prepare_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events)
    state = CellState.unwritten(len(laid.depths_m), laid.grid.shape)
    run_on(season, state, laid.grid.cell, laid.ground.soil_class, False, threads)
    state = replace(state, operations=len(laid.operations))
    chances = chance_tables(laid.events[-1].soils if laid.events else untouched(farm, laid))
    return Before(laid, state, chances, _weight(laid, state, chances))


def judge(farm: Farm, before: Before, jobs: Sequence[tuple[Operation, Drive]], threads: int = 1) -> Score:
    """Return what jobs, in the order given, add on top of the season before them.

    Parameters
    ----------
    jobs : operations (of days not before those of the season) and their drives; their outfits are the farm's
    """
    state, touched = _driven(farm, before, jobs, threads)
    inside = before.laid.ground.inside
    return Score(_weight(before.laid, state, before.chances), before.weight, wheeled_pct(touched, inside))


def after(farm: Farm, before: Before, jobs: Sequence[tuple[Operation, Drive]], threads: int = 1) -> CellState:
    """Return the state of every cell after jobs on top of the season before them."""
    return _driven(farm, before, jobs, threads)[0]


def _driven(
    farm: Farm, before: Before, jobs: Sequence[tuple[Operation, Drive]], threads: int
) -> tuple[CellState, NDArray[np.uint16]]:
    """Return the state after jobs, and the sub-cells that the jobs' own wheels touched."""
    laid = before.laid
    events, _ = events_on(farm, before, jobs)
    season = prepare_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, events)
    state = before.state.copy()
    masks = state.cells16[1]
    masks[:] = 0
    run_on(season, state, laid.grid.cell, laid.ground.soil_class, True, threads)
    touched = masks.copy()
    masks |= before.state.cells16[1]
    return replace(state, operations=state.operations + len(jobs)), touched


def events_on(
    farm: Farm, before: Before, jobs: Sequence[tuple[Operation, Drive]]
) -> tuple[tuple[OperationEvents, ...], tuple[Note, ...]]:
    """Return jobs as the kernel meets them, with the soils of their days, and what was assumed."""
    laid = before.laid
    operations, drives = [operation for operation, _ in jobs], [drive for _, drive in jobs]
    passes = [passes_of(drive, farm.outfits[op.outfit], op, i) for i, (op, drive) in enumerate(jobs)]
    events, notes = events_of(farm, laid, operations, drives, passes)
    return events, tuple(dict.fromkeys(notes))


def _weight(laid: FieldSeason, state: CellState, chances: NDArray[np.float32]) -> Weight:
    first_deep = int(np.searchsorted(laid.depths_m, laid.deep_from_m + 1e-9))
    return weigh(state, laid.ground, laid.grid.cell_ha, laid.depths_m, chances, first_deep)
