"""One field's season on its grid: segments, tables, tiles, threads."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trafficplan.farm.grid import Grid
from trafficplan.names import ROAD
from trafficplan.routes.passes import Pass
from trafficplan.traffic.kernel import OUTSIDE, RECORD, run_tiles
from trafficplan.traffic.layers import CellState, OperationEvents, SeasonLayers
from trafficplan.traffic.segments import (
    KIND,
    LEVEL,
    NO_LOAD,
    OPERATION,
    SEGMENT_F,
    SEGMENT_I,
    SETUP,
    TILLAGE,
    WHEELS,
    bin_segments,
    path_segments,
)
from trafficplan.traffic.tables import MOST_WHEELS, Setup, Tables, build_tables

Ints = NDArray[np.int64]
Words = NDArray[np.uint32]
Singles = NDArray[np.float32]
Scratch = tuple[NDArray[np.uint8], Singles, Singles, Words, Words, Singles, NDArray[np.float64], Words, Ints]

#: Tiles handed to a thread at once.
TILES_A_TASK = 8
#: Depths that the kernel has lanes for.
MOST_DEPTHS = 16


@dataclass(frozen=True)
class Season:
    """A season ready for the kernel: segments in order, tables, and soils by operation.

    Attributes
    ----------
    floats, integers : segment rows (columns in `segments`)
    profile_of : (operations, classes) profile of concentration factors in the tables
    inverse : (operations, classes, lanes) 1 / strength [1/Pa]
    tilled : (operations,) bit per depth that the operation tills
    deep : bit per deep depth
    """

    floats: NDArray[np.float64]
    integers: Ints
    tables: Tables
    profile_of: Ints
    inverse: NDArray[np.float32]
    tilled: Ints
    deep: int


def run_season(
    grid: Grid,
    soil_class: NDArray[np.uint8],
    depths_m: tuple[float, ...],
    deep_from_m: float,
    operations: tuple[OperationEvents, ...],
    threads: int = 1,
    tile: int = 64,
) -> SeasonLayers:
    """Return the state of every cell of the box after the season.

    Parameters
    ----------
    soil_class : (rows, cols) index into each operation's `soils`; 255 outside the field, where cells get traffic and
        passes but no stress
    depths_m : 1 to 16 depths; those below `deep_from_m` are deep
    operations : in the order of the season; `first_over` and `worst` count them from 1
    threads, tile : change how long it takes, never a byte

    Raises
    ------
    ValueError : when arrays, depths and soils do not belong together

    Notes
    -----
    Stress: Froehlich 1934, Soehne 1953 on quartic contacts, wheels of an axle superposed, every visit of an axle one
    event. Compaction index: M += 0.75 (ln r - M) at each event with ln r > M.
    """
    season = prepare_season(grid, soil_class, depths_m, deep_from_m, operations)
    return execute(season, grid, soil_class, depths_m, threads, tile)[0]


def prepare_season(
    grid: Grid,
    soil_class: NDArray[np.uint8],
    depths_m: tuple[float, ...],
    deep_from_m: float,
    operations: Sequence[OperationEvents],
) -> Season:
    """Cut all paths into segments, and tabulate stress and strength (arguments as in `run_season`)."""
    _check(grid, soil_class, depths_m, operations)
    setups: dict[Setup, int] = {}
    floats, integers = [np.zeros((0, SEGMENT_F))], [np.zeros((0, SEGMENT_I), np.int64)]
    run = 1
    for index, operation in enumerate(operations):
        for one in operation.passes:
            F, I, run = _pass_segments(grid, one, index, setups, run)  # noqa: E741
            floats.append(F)
            integers.append(I)
        if operation.till_depth_m > 0.0:
            for F, I in _swept_segments(grid, operation, index):  # noqa: E741
                floats.append(F)
                integers.append(I)
    F, I = np.concatenate(floats), np.concatenate(integers)  # noqa: E741
    profiles: dict[tuple[int, ...], int] = {}
    profile_of = _profiles(operations, profiles)
    tables = build_tables(list(setups), _levels_used(I, profile_of), list(profiles), depths_m, grid.cell)
    depths = np.array(depths_m)
    tilled = [_bits(depths <= op.till_depth_m + 1e-9) if op.till_depth_m > 0.0 else 0 for op in operations]
    return Season(
        F,
        I,
        tables,
        profile_of,
        _inverse_strength(operations, tables.lanes),
        np.array(tilled, dtype=np.int64),
        _bits(depths > deep_from_m + 1e-9),
    )


def execute(
    season: Season,
    grid: Grid,
    soil_class: NDArray[np.uint8],
    depths_m: tuple[float, ...],
    threads: int = 1,
    tile: int = 64,
) -> tuple[SeasonLayers, int]:
    """Run the kernel over all tiles; return the layers and the number of events (cell x visit) in the field."""
    state = CellState.unwritten(len(depths_m), grid.shape)
    events = run_on(season, state, grid.cell, soil_class, False, threads, tile)
    return layers_of(state, grid, depths_m, threads), events


def run_on(
    season: Season,
    state: CellState,
    cell: float,
    soil_class: NDArray[np.uint8],
    resumed: bool,
    threads: int = 1,
    tile: int = 64,
) -> int:
    """Run the kernel into `state`; return the number of events in the field.

    Parameters
    ----------
    resumed : the state holds what earlier operations left, and only tiles that the season reaches are touched; else
        the soil is untouched and every cell is written
    """
    rows, cols = soil_class.shape
    starts, items = bin_segments(season.floats, rows, cols, tile)
    tables = season.tables
    soil = np.ascontiguousarray(soil_class, dtype=np.uint8)
    weights = np.array([(season.deep >> d) & 1 for d in range(tables.lanes)], np.float32)

    def task(tiles: Ints) -> int:
        return int(
            run_tiles(
                tiles,
                tile,
                starts,
                items,
                season.floats,
                season.integers,
                soil,
                cell,
                tables.stress,
                tables.start,
                tables.shape,
                tables.near,
                tables.wheels,
                tables.filaments,
                season.profile_of,
                season.inverse,
                season.deep,
                weights,
                season.tilled,
                *_scratch(tile * tile, tables.lanes),
                state.cells16,
                state.traffic_g_m,
                state.real,
                state.over,
                state.operations,
                resumed,
            )
        )

    counts = np.diff(starts)
    heaviest_first = np.argsort(-counts, kind="stable")
    if resumed:
        heaviest_first = heaviest_first[: int((counts > 0).sum())]
    if threads <= 1:
        return task(heaviest_first)
    tasks = [heaviest_first[i : i + TILES_A_TASK] for i in range(0, heaviest_first.size, TILES_A_TASK)]
    with ThreadPoolExecutor(min(threads, os.cpu_count() or 1)) as pool:
        return sum(pool.map(task, tasks))


def layers_of(state: CellState, grid: Grid, depths_m: tuple[float, ...], threads: int = 1) -> SeasonLayers:
    """Return the layers of a state, whose exp(M) becomes M in place: the state is used up."""

    def logarithm(plane: Singles) -> None:
        np.log(plane, out=plane)

    if threads <= 1:
        logarithm(state.real[2])
    else:
        with ThreadPoolExecutor(min(threads, os.cpu_count() or 1)) as pool:
            list(pool.map(logarithm, state.real[2]))
    return SeasonLayers(
        grid,
        depths_m,
        state.cells16[0],
        state.cells16[1],
        state.traffic_g_m,
        state.real[0],
        state.real[1],
        state.over,
        state.real[2],
        state.cells16[2],
        state.cells16[3],
    )


def _scratch(cells: int, lanes: int) -> Scratch:
    """Return the working memory of one tile, in the order that `run_tiles` takes it."""
    visit = np.zeros(2 * cells)
    visit[::2] = -1.0
    return (
        np.empty(cells, np.uint8),
        np.empty(2 * cells, np.float32),
        np.empty(4 * lanes * cells, np.float32),
        np.empty(RECORD * cells, np.uint32),
        np.empty(cells, np.uint32),
        np.zeros(lanes * cells, np.float32),
        visit,
        np.empty(cells, np.uint32),
        np.zeros(256, np.int64),
    )


def _check(
    grid: Grid,
    soil_class: NDArray[np.uint8],
    depths_m: tuple[float, ...],
    operations: Sequence[OperationEvents],
) -> None:
    """Refuse arrays that do not belong together (the caller's fault, not the user's)."""
    if soil_class.shape != grid.shape:
        raise ValueError(f"soil classes are {soil_class.shape}, the grid is {grid.shape}")
    if not 1 <= len(depths_m) <= MOST_DEPTHS:
        raise ValueError(f"1 to {MOST_DEPTHS} depths are possible, not {len(depths_m)}")
    inside = soil_class[soil_class != OUTSIDE]
    classes = int(inside.max()) + 1 if inside.size else 0
    for index, operation in enumerate(operations):
        if len(operation.soils) < classes:
            raise ValueError(f"operation {index} has {len(operation.soils)} soils, the field has {classes} classes")
        for soil in operation.soils:
            if soil.strength_pa.shape != (len(depths_m),) or not np.allclose(soil.depths_m, depths_m):
                raise ValueError(f"a soil of operation {index} is not on the depths {depths_m}")
        for one in operation.passes:
            if len(one.axle.wheels) > MOST_WHEELS:
                raise ValueError(f"an axle has {len(one.axle.wheels)} wheels; at most {MOST_WHEELS} are possible")


def _cells(grid: Grid, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return positions in cells from the grid's outer corner: right, down."""
    return np.column_stack([(xy[:, 0] - grid.west) / grid.cell, (grid.north - xy[:, 1]) / grid.cell])


def _pass_segments(
    grid: Grid, one: Pass, operation: int, setups: dict[Setup, int], run: int
) -> tuple[NDArray[np.float64], Ints, int]:
    """Return the segments of one pass; its setups (by furrow side) are added to `setups`."""
    furrow = one.furrow if one.runs_at_depth_m > 0.0 else np.zeros_like(one.furrow)
    key = np.where(one.leg == ROAD, -1, furrow.astype(np.int64) + 1)
    numbers = np.zeros(3, np.int64)
    if not one.axle.wheels:
        key = np.full(key.shape, -1)
    for side in np.unique(key[key >= 0]):
        setup = Setup.of(one.axle, one.pressure_pa, one.runs_at_depth_m, int(side) - 1)
        numbers[side] = setups.setdefault(setup, len(setups))
    half = Setup.of(one.axle, one.pressure_pa, 0.0, 0).reach_m / grid.cell
    return path_segments(_cells(grid, one.xy), one.load_n, key, half, grid.cell, numbers, WHEELS, operation, run)


def _swept_segments(grid: Grid, operation: OperationEvents, index: int) -> list[tuple[NDArray[np.float64], Ints]]:
    """Return the swept strips as segments; stretches that join end to end are one path with mitred joints."""
    swept = operation.swept
    if len(swept) == 0 or operation.swept_width_m <= 0.0:
        return []
    breaks = np.flatnonzero(np.any(swept[1:, :2] != swept[:-1, 2:], axis=1)) + 1
    half = 0.5 * operation.swept_width_m / grid.cell
    out = []
    for path in np.split(swept, breaks):
        xy = np.vstack([path[:, :2], path[-1:, 2:]])
        nothing = np.zeros(len(xy), np.int64)
        F, I, _ = path_segments(  # noqa: E741
            _cells(grid, xy),
            np.zeros(len(xy)),
            nothing,
            half,
            grid.cell,
            np.zeros(1, np.int64),
            TILLAGE,
            index,
            0,
        )
        out.append((F, I))
    return out


def _profiles(operations: Sequence[OperationEvents], profiles: dict[tuple[int, ...], int]) -> Ints:
    """Number the profiles of concentration factors; return that of each operation and class."""
    classes = max((len(op.soils) for op in operations), default=1)
    out = np.zeros((max(1, len(operations)), max(1, classes)), np.int64)
    for i, operation in enumerate(operations):
        for j, soil in enumerate(operation.soils):
            whole = np.rint(soil.nu).astype(int)
            if np.any(whole != soil.nu):
                raise ValueError(f"concentration factors must be whole, found {soil.nu}")
            out[i, j] = profiles.setdefault(tuple(whole.tolist()), len(profiles))
        out[i, len(operation.soils) :] = out[i, 0] if operation.soils else 0
    return out


def _levels_used(I: Ints, profile_of: Ints) -> dict[tuple[int, int], Ints]:  # noqa: E741
    """Return (setup, profile) -> sorted load levels met together."""
    out: dict[tuple[int, int], Ints] = {}
    real = I[(I[:, KIND] == WHEELS) & (I[:, LEVEL] != NO_LOAD)]
    for operation in np.unique(real[:, OPERATION]):
        mine = real[real[:, OPERATION] == operation]
        for setup in np.unique(mine[:, SETUP]):
            levels = np.unique(mine[mine[:, SETUP] == setup, LEVEL])
            for profile in np.unique(profile_of[operation]):
                pair = (int(setup), int(profile))
                out[pair] = np.union1d(out[pair], levels) if pair in out else levels
    return out


def _inverse_strength(operations: Sequence[OperationEvents], lanes: int) -> NDArray[np.float32]:
    """Return 1 / strength by operation, class and lane; unused lanes are 0."""
    classes = max((len(op.soils) for op in operations), default=1)
    out = np.zeros((max(1, len(operations)), max(1, classes), lanes), np.float32)
    for i, operation in enumerate(operations):
        for j, soil in enumerate(operation.soils):
            out[i, j, : soil.strength_pa.size] = 1.0 / np.maximum(soil.strength_pa, 1.0)
    return out


def _bits(chosen: NDArray[np.bool_]) -> int:
    """One bit per depth."""
    return int(sum(1 << i for i in np.flatnonzero(chosen)))
