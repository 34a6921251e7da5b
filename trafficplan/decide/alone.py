"""What each operation of a field does on its own, and what a season would be with other operations.

The chance of lasting damage at a place is that of the highest stress ratio there, so the layer of a season is, cell by
cell, the highest of the layers that its operations leave alone. Leaving one out, or changing one, then costs one run of
the kernel for that operation: the bytes are those of the whole season run again (a test holds them to be).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.assess import _kernels
from trafficplan.assess.share import Stored
from trafficplan.assess.stored import chance_tables, pack
from trafficplan.chain import Drives, FieldSeason, Loose, drive_of, events_of, untouched
from trafficplan.farm.farm import Farm
from trafficplan.farm.ground import ZONE_CODES
from trafficplan.farm.operation import Operation
from trafficplan.routes.build import passes_of
from trafficplan.routes.passes import Drive, Pass
from trafficplan.traffic.layers import CellState, OperationEvents
from trafficplan.traffic.season import prepare_season, run_on


@dataclass(frozen=True)
class Own:
    """What one operation does to an untouched field; arrays over the cells inside.

    Attributes
    ----------
    lasting : (cells,) stored chance below tillage depth
    marks : (cells,) 4 x 4 sub-cells that a wheel touched
    traffic_t_km : zone -> load x path length
    wheeled_ha : zone -> ground that a wheel touched
    """

    lasting: Stored
    marks: NDArray[np.uint16]
    traffic_t_km: Mapping[str, float]
    wheeled_ha: Mapping[str, float]


@dataclass(frozen=True)
class Bench:
    """A field laid out, on which operations are tried one by one.

    Attributes
    ----------
    laid : its season as it was
    chances : (classes, depths, 65536) chance by stored ratio
    zone : (cells,) zone codes of the cells inside
    known : what was computed already, by the content of the operation's passes and soils
    drives : drives that are known already
    hashed : passes that were hashed already, by their identity (they are kept, so that it stays theirs)
    """

    farm: Farm
    laid: FieldSeason
    chances: NDArray[np.float32]
    zone: NDArray[np.uint8]
    threads: int
    known: dict[bytes, Own] = field(default_factory=dict)
    drives: Drives = field(default_factory=dict)
    hashed: dict[int, tuple[tuple[Pass, ...], bytes]] = field(default_factory=dict)


@dataclass(frozen=True)
class Run:
    """Operations in the order of a season, with their drives and the soils of their days."""

    operations: tuple[Operation, ...]
    drives: tuple[Drive, ...]
    events: tuple[OperationEvents, ...]


def bench_of(farm: Farm, laid: FieldSeason, drives: Drives, threads: int = 1) -> Bench:
    """Return a bench for a field whose season is laid out; `drives` is the memo that laid it out."""
    soils = laid.events[-1].soils if laid.events else untouched(farm, laid)
    return Bench(farm, laid, chance_tables(soils), laid.ground.zone[laid.ground.inside], threads, {}, drives)


def as_it_was(bench: Bench) -> Run:
    """Return the season as it was."""
    return Run(bench.laid.operations, bench.laid.drives, bench.laid.events)


def season_with(bench: Bench, operations: Sequence[Operation], farm: Farm | None = None) -> Run:
    """Return the season with other operations, in their order; those that are as before keep their passes.

    Parameters
    ----------
    farm : with the outfits of the operations, if they are not those of the bench

    Raises
    ------
    InputError
        An operation cannot be driven.
    """
    laid, own = bench.laid, farm or bench.farm
    before = {one.key: i for i, one in enumerate(laid.operations)}
    drives, passes = [], []
    for operation in operations:
        i = before.get(operation.key, -1)
        same = i >= 0 and replace(operation, day=laid.operations[i].day, moisture=laid.operations[i].moisture)
        if same == (laid.operations[i] if i >= 0 else None):
            drives.append(laid.drives[i])
            passes.append(laid.events[i].passes)
        else:
            drive = drive_of(own, laid.field, operation, bench.drives)
            drives.append(drive)
            passes.append(passes_of(drive, own.outfits[operation.outfit], operation, max(i, 0)))
    events, _ = events_of(own, replace(laid, loose=Loose()), operations, drives, passes)
    return Run(tuple(operations), tuple(drives), events)


def own_of(bench: Bench, event: OperationEvents) -> Own:
    """Return what an operation does on its own; each is computed once."""
    key = _content(bench, event)
    if key not in bench.known:
        bench.known[key] = _alone(bench, event)
    return bench.known[key]


def lasting_of(bench: Bench, run: Run) -> Stored:
    """Return the chance of lasting damage that a season leaves, (cells,) stored; zeros where nothing drove."""
    out = np.zeros(bench.zone.size, np.uint16)
    for event in run.events:
        np.maximum(out, own_of(bench, event).lasting, out=out)
    return out


def _content(bench: Bench, event: OperationEvents) -> bytes:
    """Return what decides an operation's own layers: paths, loads, tyres, pressures and soils."""
    held = bench.hashed.get(id(event.passes))
    if held is None:
        held = bench.hashed[id(event.passes)] = event.passes, _hash_of(event.passes)
    text = hashlib.blake2b(held[1], digest_size=16)
    for soil in event.soils:
        text.update(soil.strength_pa.tobytes())
        text.update(np.asarray(soil.nu).tobytes())
    return text.digest()


def _hash_of(passes: tuple[Pass, ...]) -> bytes:
    text = hashlib.blake2b(digest_size=16)
    for one in passes:
        text.update(repr((one.axle, one.pressure_pa, one.runs_at_depth_m)).encode())
        for array in (one.xy, one.load_n, one.leg, one.furrow):
            text.update(np.ascontiguousarray(array).tobytes())
    return text.digest()


def _alone(bench: Bench, event: OperationEvents) -> Own:
    laid = bench.laid
    grid, ground = laid.grid, laid.ground
    season = prepare_season(grid, ground.soil_class, laid.depths_m, laid.deep_from_m, [event])
    state = CellState.unwritten(len(laid.depths_m), grid.shape)
    run_on(season, state, grid.cell, ground.soil_class, False, bench.threads)
    first_deep = int(np.searchsorted(laid.depths_m, laid.deep_from_m + 1e-9))
    ratios = [pack("ratio", plane, ground.inside).reshape(-1) for plane in state.real[1]]
    chance = _kernels.highest_chance(np.stack(ratios), ground.soil_class.reshape(-1), bench.chances, first_deep)
    marks, inside = state.cells16[1][ground.inside], ground.inside
    traffic = np.bincount(bench.zone, state.traffic_g_m[inside].astype(np.float64), len(ZONE_CODES) + 1)
    wheeled = np.bincount(bench.zone, np.bitwise_count(marks).astype(np.float64), len(ZONE_CODES) + 1)
    return Own(
        pack("lasting", chance.reshape(grid.shape), inside)[inside],
        marks,
        {zone: float(traffic[code]) * 1e-9 for zone, code in ZONE_CODES.items()},
        {zone: float(wheeled[code]) / 16 * grid.cell_ha for zone, code in ZONE_CODES.items()},
    )
