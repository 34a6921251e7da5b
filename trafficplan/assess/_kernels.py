"""Compiled loops of the zone tables; arrays only."""

from __future__ import annotations

import numpy as np

from trafficplan.compiled import njit


@njit(cache=True, nogil=True)
def histogram(values, key, keys):  # type: ignore[no-untyped-def]
    """Count stored values per key: values (n,) uint16, key (n,) uint8 (0 = leave out) -> (keys, 65536) int64."""
    out = np.zeros((keys, 65536), np.int64)
    for i in range(values.size):
        if key[i] > 0:
            out[key[i], values[i]] += 1
    return out


@njit(cache=True, nogil=True)
def depth_of_stress(stress, depths, limit, deepest):  # type: ignore[no-untyped-def]
    """Depth where the stress falls below `limit`: stress (D, n), depths (D,) -> (n,) float32, 0 where never over.

    Linear in ln(stress) between depths; beyond the last depth stress falls with the square of depth (the far field of
    any load on the surface), held at `deepest`.
    """
    count, cells = stress.shape
    out = np.zeros(cells, np.float32)
    for j in range(cells):
        i = count - 1
        while i >= 0 and stress[i, j] < limit:
            i -= 1
        if i < 0:
            continue
        if i == count - 1:
            out[j] = min(depths[i] * np.sqrt(stress[i, j] / limit), deepest)
        else:
            upper, lower = stress[i, j], max(stress[i + 1, j], 1e-3)
            share = np.log(upper / limit) / np.log(upper / lower)
            out[j] = depths[i] + share * (depths[i + 1] - depths[i])
    return out


@njit(cache=True, nogil=True)
def highest_chance(ratio, soil_class, table, first):  # type: ignore[no-untyped-def]
    """Highest chance over depths from `first` on: ratio (D, n) uint16, class (n,), table (C, D, 65536) -> (n,) float32."""
    count, cells = ratio.shape
    out = np.zeros(cells, np.float32)
    classes = table.shape[0]
    for i in range(first, count):
        for j in range(cells):
            k = soil_class[j]
            if k < classes and ratio[i, j] > 0:
                value = table[k, i, ratio[i, j]]
                if value > out[j]:
                    out[j] = value
    return out


@njit(cache=True, nogil=True)
def touched(mask):  # type: ignore[no-untyped-def]
    """Count set bits of each 4 x 4 sub-cell mask: (n,) uint16 -> (n,) uint8."""
    out = np.zeros(mask.size, np.uint8)
    for i in range(mask.size):
        bits = mask[i]
        while bits:
            bits &= bits - 1
            out[i] += 1
    return out


@njit(cache=True, nogil=True)
def scaled(values, factor, inside, nodata):  # type: ignore[no-untyped-def]
    """Round values x factor to uint16, held at 0 and 65534; `nodata` outside: (n,) float32 and bool -> (n,) uint16."""
    out = np.empty(values.size, np.uint16)
    for i in range(values.size):
        if not inside[i]:
            out[i] = nodata
            continue
        value = values[i] * factor + np.float32(0.5)
        if value >= np.float32(65535.0):
            out[i] = 65534
        elif value > np.float32(0.0):
            out[i] = np.uint16(value)
        else:
            out[i] = 0
    return out


@njit(cache=True, nogil=True)
def weigh(stress, ratio, mask, traffic, zone, soil_class, depths, table, first, per_ratio, limit, deepest, zones):  # type: ignore[no-untyped-def]
    """Weigh a field's cells by zone, from the state of the kernel; rounded as the stored layers are.

    stress, ratio (D, n) float32 [Pa, -], mask (n,) uint16, traffic (n,) uint32 [g m], zone (n,) uint8 (0 = outside),
    soil_class (n,) uint8, table (C, D, 65536) chances, first deep depth, per_ratio = stored steps per unit of ratio ->
    sums (zones, 5): cells, sixteenths wheeled, g m, cells with a chance of 0.5 or more, sum of chances; and a histogram
    of depth reached in mm.
    """
    count, cells = ratio.shape
    sums = np.zeros((zones, 5))
    reached = np.zeros(int(deepest * 1000) + 2, np.int64)
    classes = table.shape[0]
    for j in range(cells):
        z = zone[j]
        if z == 0:
            continue
        sums[z, 0] += 1.0
        bits = mask[j]
        while bits:
            bits &= bits - 1
            sums[z, 1] += 1.0
        sums[z, 2] += traffic[j]
        k = soil_class[j]
        highest = np.float32(0.0)
        if k < classes:
            for i in range(first, count):
                stored = min(int(ratio[i, j] * per_ratio + np.float32(0.5)), 65534)
                if stored > 0:
                    highest = max(highest, table[k, i, stored])
        kept = np.floor(highest * np.float32(10000.0) + np.float32(0.5))
        if kept >= 5000.0:
            sums[z, 3] += 1.0
        sums[z, 4] += kept * 1e-4
        i = count - 1
        while i >= 0 and stress[i, j] < limit:
            i -= 1
        deep = 0.0
        if i == count - 1:
            deep = min(depths[i] * np.sqrt(stress[i, j] / limit), deepest)
        elif i >= 0:
            upper, lower = stress[i, j], max(stress[i + 1, j], 1e-3)
            deep = depths[i] + np.log(upper / limit) / np.log(upper / lower) * (depths[i + 1] - depths[i])
        reached[min(int(deep * 1000.0 + 0.5), reached.size - 1)] += 1
    return sums, reached
