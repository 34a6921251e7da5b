"""Stress tables: the lateral stress profile of each axle by load, once per season instead of once per cell.

A setup is an axle's wheels with their tyres, its pressure, the depth at which furrow wheels run and the side on which
they do. Per setup and profile of concentration factors the table holds [load level][offset][depth], float32. Loads
stand on a fixed ladder (`segments.level_of`); every NODE_STEP-th step is computed exactly, those between are linear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trafficplan.compiled import njit
from trafficplan.machines.contact import contact_area
from trafficplan.machines.outfit import Axle, Wheel
from trafficplan.machines.tyre import Tyre
from trafficplan.soil.stress import quartic_at, stress_track
from trafficplan.traffic.lanes import LANES
from trafficplan.traffic.segments import LEVELS, NO_LOAD, load_of

Floats = NDArray[np.float64]

#: Offsets in the table lie this far apart [m]; stress is linear between two.
STEP_M = 0.025
#: Ground beside the outermost wheel centre that feels the axle [m].
BESIDE_M = 2.0
#: Every so many steps of the load ladder the profile is exact.
NODE_STEP = LEVELS // 4
#: Filaments of a wheel that carry its traffic to cells; wheels that an axle may have.
FILAMENTS = 4
MOST_WHEELS = 16
#: One wheel's profile is computed at distances sinh(k RADIAL) RADIAL_M: 2 cm apart below it, wider far away.
RADIAL = 0.04
RADIAL_M = 0.5


@dataclass(frozen=True)
class Setup:
    """One axle as the soil feels it: wheels, pressure [Pa], depth of furrow wheels [m] and their side (0, 1, -1)."""

    wheels: tuple[Wheel, ...]
    pressure_pa: float
    runs_at_m: float
    side: int

    @classmethod
    def of(cls, axle: Axle, pressure_pa: float, runs_at_m: float, furrow: int) -> Setup:
        """Return the setup of an axle; without a furrow or a depth both sides stand on the surface."""
        in_furrow = runs_at_m > 0.0 and furrow != 0
        return cls(axle.wheels, pressure_pa, runs_at_m if in_furrow else 0.0, furrow if in_furrow else 0)

    @property
    def reach_m(self) -> float:
        """Outermost wheel centre and `BESIDE_M`."""
        return max((abs(wheel.offset_m) for wheel in self.wheels), default=0.0) + BESIDE_M

    def stands_at(self, wheel: Wheel) -> float:
        """Depth of the surface that a wheel stands on [m]."""
        return self.runs_at_m if self.side * wheel.offset_m > 0.0 else 0.0


@dataclass(frozen=True)
class Tables:
    """All profiles of a season, flat, for the kernel.

    Attributes
    ----------
    stress : float32, [level][offset][lanes] of each setup and profile one behind the other [Pa]
    start : (setups, profiles) where each begins in `stress`, -1 where it is not needed
    shape : (setups, 3) lowest level, number of offsets, number of filaments
    near : (setups, most offsets) uint16: bit w set where a cell's centre is so near wheel w that it may touch it
    wheels : (setups, MOST_WHEELS, 2) middle and half width [cells]
    filaments : (setups, FILAMENTS * MOST_WHEELS) offset of each filament [cells]
    lanes : 8 or 16
    """

    stress: NDArray[np.float32]
    start: NDArray[np.int64]
    shape: NDArray[np.int64]
    near: NDArray[np.uint16]
    wheels: Floats
    filaments: Floats
    lanes: int


@njit(cache=True, nogil=True)
def _radial(load: float, area: float, depths: Floats, nus: NDArray[np.int64], distance: Floats, out: Floats) -> None:
    """Fill out[depth, distance] with the stress under one tyre."""
    for d in range(depths.size):
        for i in range(distance.size):
            out[d, i] = quartic_at(load, area, distance[i], depths[d], nus[d]) if depths[d] > 0.0 else 0.0


@lru_cache(maxsize=8192)
def wheel_profile(
    tyre: Tyre,
    load_n: float,
    pressure_pa: float,
    depths_m: tuple[float, ...],
    nus: tuple[int, ...],
    far_m: float,
) -> Floats:
    """Return the stress beside one wheel, (depths, distances) [Pa], at distances RADIAL_M sinh(k RADIAL), read-only.

    Depths at or below zero (above the surface that the wheel stands on) have none. Remembered between runs.
    """
    count = int(math.asinh(far_m / RADIAL_M) / RADIAL) + 4
    distance = RADIAL_M * np.sinh(RADIAL * np.arange(count))
    depths = np.array(depths_m)
    out = np.zeros((depths.size, count))
    if tyre.kind == "track":
        for i in np.flatnonzero(depths > 0.0):
            out[i] = stress_track(
                load_n, tyre.width_m, tyre.track_length_m, tyre.rollers, distance, depths[i], float(nus[i])
            )
    else:
        area = float(contact_area(tyre, load_n, pressure_pa))
        _radial(load_n, area, depths, np.array(nus, dtype=np.int64), distance, out)
    out.flags.writeable = False
    return out


@njit(cache=True, nogil=True)
def _add_wheel(profile: Floats, offsets: Floats, centre: float, out: Floats) -> None:
    """Add one wheel's profile to out[offset, depth], by cubic interpolation between distances."""
    for i in range(offsets.size):
        x = math.asinh(abs(offsets[i] - centre) / RADIAL_M) / RADIAL
        k = int(x)
        t = x - k
        before = k - 1 if k > 0 else 1  # the profile is even
        w0 = -t * (t - 1.0) * (t - 2.0) / 6.0
        w1 = (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
        w2 = -(t + 1.0) * t * (t - 2.0) / 2.0
        w3 = (t + 1.0) * t * (t - 1.0) / 6.0
        for d in range(profile.shape[0]):
            out[i, d] += w0 * profile[d, before] + w1 * profile[d, k] + w2 * profile[d, k + 1] + w3 * profile[d, k + 2]


def axle_profile(
    setup: Setup, load_n: float, depths_m: tuple[float, ...], nus: tuple[int, ...], offsets_m: Floats
) -> Floats:
    """Return the vertical stress across an axle's path, (offsets, depths) [Pa]: all wheels added, the load shared
    equally.

    Offsets are signed, left positive. A wheel in the furrow loads the soil from `runs_at_m` down.
    """
    out = np.zeros((offsets_m.size, len(depths_m)))
    widest = max((abs(w.offset_m) for w in setup.wheels), default=0.0)
    far = float(np.abs(offsets_m).max()) + widest
    for wheel in setup.wheels:
        below = tuple(depth - setup.stands_at(wheel) for depth in depths_m)
        share = load_n / len(setup.wheels)
        _add_wheel(
            wheel_profile(wheel.tyre, share, setup.pressure_pa, below, nus, far),
            offsets_m,
            wheel.offset_m,
            out,
        )
    return out


@njit(cache=True, nogil=True)
def _fill_levels(nodes: Floats, loads: Floats, first: int, wanted: NDArray[np.int64], out: NDArray[np.float32]) -> None:
    """out[level, offset, depth] for the wanted levels (from `first`), linear in load between the exact nodes."""
    for i in range(wanted.size):
        level = wanted[i]
        k = level // NODE_STEP - first // NODE_STEP
        k = min(k, loads.size - 2)
        t = (load_of(level) - loads[k]) / (loads[k + 1] - loads[k])
        row = out[level - first]
        for o in range(nodes.shape[1]):
            for d in range(nodes.shape[2]):
                row[o, d] = nodes[k, o, d] + t * (nodes[k + 1, o, d] - nodes[k, o, d])


def half_width(setup: Setup, cell: float) -> int:
    """Return the number of offset steps on each side: the reach and half a cell's diagonal."""
    return math.ceil((setup.reach_m + 0.71 * cell) / STEP_M) + 1


def _block(
    setup: Setup,
    levels: NDArray[np.int64],
    depths_m: tuple[float, ...],
    nus: tuple[int, ...],
    cell: float,
    lanes: int,
) -> NDArray[np.float32]:
    """Return the flat table of one setup and profile, from its lowest to its highest level."""
    side = half_width(setup, cell)
    offsets: Floats = STEP_M * np.arange(-side, side + 1, dtype=np.float64)
    first, last = int(levels[0]), int(levels[-1])
    steps = np.arange(first // NODE_STEP, last // NODE_STEP + 2) * NODE_STEP
    loads = np.array([load_of(int(step)) for step in steps])
    nodes = np.array([axle_profile(setup, float(load), depths_m, nus, offsets) for load in loads])
    out = np.zeros((last - first + 1, offsets.size, lanes), np.float32)
    _fill_levels(nodes, loads, first, levels, out)
    return out.reshape(-1)


def build_tables(
    setups: list[Setup],
    used: dict[tuple[int, int], NDArray[np.int64]],
    profiles: list[tuple[int, ...]],
    depths_m: tuple[float, ...],
    cell: float,
) -> Tables:
    """Return the tables of a season.

    Parameters
    ----------
    setups : all axles as the soil feels them
    used : (setup, profile) -> sorted load levels that occur with it
    profiles : concentration factors by depth
    """
    lanes = LANES * (-(-len(depths_m) // LANES))
    most = max((2 * half_width(setup, cell) + 1 for setup in setups), default=1)
    start = np.full((max(1, len(setups)), max(1, len(profiles))), -1, np.int64)
    shape = np.zeros((max(1, len(setups)), 3), np.int64)
    near = np.zeros((max(1, len(setups)), most), np.uint16)
    wheels = np.zeros((max(1, len(setups)), MOST_WHEELS, 2))
    filaments = np.zeros((max(1, len(setups)), FILAMENTS * MOST_WHEELS))
    for s, setup in enumerate(setups):
        side = half_width(setup, cell)
        lowest = [int(levels[0]) for (k, _), levels in used.items() if k == s and levels.size]
        shape[s] = min(lowest, default=NO_LOAD), 2 * side + 1, FILAMENTS * len(setup.wheels)
        offsets = STEP_M * np.arange(-side, side + 1)
        for w, wheel in enumerate(setup.wheels):
            half = 0.5 * wheel.tyre.width_m
            wheels[s, w] = wheel.offset_m / cell, half / cell
            near[s, : offsets.size] |= (
                (np.abs(offsets - wheel.offset_m) <= half + 0.54 * cell + STEP_M).astype(np.uint16) << w
            ).astype(np.uint16)
            for k in range(FILAMENTS):
                across = (k + 0.5) / FILAMENTS - 0.5
                filaments[s, FILAMENTS * w + k] = (wheel.offset_m + across * wheel.tyre.width_m) / cell
    blocks: list[NDArray[np.float32]] = []
    at = 0
    for (s, p), levels in sorted(used.items(), key=lambda item: item[0]):
        everywhere = np.unique(np.concatenate([levels, [shape[s, 0]]]))
        block = _block(setups[s], everywhere, depths_m, profiles[p], cell, lanes)
        start[s, p] = at
        at += block.size
        blocks.append(block)
    stress = np.concatenate(blocks) if blocks else np.zeros(2 * lanes, np.float32)
    return Tables(stress, start, shape, near, wheels, filaments, lanes)
