"""What a heap in the field draws beside the spreader: the loader's shuttles and the lorries that brought it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely import LineString

from trafficplan.farm.farm import Farm
from trafficplan.farm.field import Field
from trafficplan.farm.operation import Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import HAUL, Note
from trafficplan.routes.parking import Pose, Spot, bodies_of
from trafficplan.routes.parking_way import Roads, drive_of, loads_of, trip_to
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import best_heading, polygons_of

#: How far a loader shuttles between the heap and the outfit that it fills [m] (common practice, no source).
SHUTTLE_M = 12.0
#: Straight way on both sides of the heap along which lorries come to it [m] (ours).
BESIDE_M = 30.0

Job = tuple[Operation, Drive]


def heap_jobs(
    farm: Farm,
    field: Field,
    spreading: Operation,
    xy: tuple[float, float],
    need_kg: float,
    loader: Outfit | None,
    brought_by: Outfit | None,
) -> tuple[tuple[Job, ...], tuple[Note, ...]]:
    """Return the jobs that come with a heap, the lorries first, and what was assumed.

    Parameters
    ----------
    spreading : the job that the heap is for; xy : the heap [m]; need_kg : all that is spread
    loader, brought_by : outfits with a capacity (bucket, body); None: not counted
    """
    jobs: list[Job] = []
    notes: list[Note] = []
    heading = best_heading(polygons_of(field.polygon)[0])
    along = np.array([math.cos(heading), math.sin(heading)])
    if brought_by is not None:
        operation = _like(spreading, brought_by, "heap brought")
        bodies, more = bodies_of(brought_by)
        lines = tuple(field.tramlines)
        roads = Roads(field, brought_by, bodies, farm.tracks, farm.places, lines)
        line = LineString([np.array(xy) - BESIDE_M * along, np.array(xy) + BESIDE_M * along])
        spot = Spot("tramline", Pose(*xy, heading), "at the heap", "", True, field.polygon, line)
        loads = loads_of(need_kg, brought_by.capacity_kg, fills=False)
        jobs.append((operation, drive_of(roads, trip_to(roads, spot), loads, operation.key)))
        notes += more
    if loader is not None:
        operation = _like(spreading, loader, "heap loaded")
        jobs.append((operation, _shuttles(operation.key, loader, np.array(xy), along, need_kg)))
        value = f"{SHUTTLE_M:g} m, {math.ceil(need_kg / loader.capacity_kg)} buckets"
        notes.append(Note("assumed", "the loader's way at the heap", value, "not given", "common practice, no source"))
    return tuple(jobs), tuple(notes)


def _like(spreading: Operation, outfit: Outfit, job: str) -> Operation:
    return replace(
        spreading, key=f"{spreading.key}: {job}", job=job, outfit=outfit.key, rate_kg_m2=None, load_kg=None,
        change="constant", pressures_pa={}, width_m=None,
    )  # fmt: skip


def _shuttles(key: str, loader: Outfit, heap: np.ndarray, along: np.ndarray, need_kg: float) -> Drive:
    """Return the loader's way: from the heap to the outfit with a bucket, back without, as often as it takes."""
    count = max(1, math.ceil(need_kg / loader.capacity_kg - 1e-9))
    ends = np.array([heap, heap + SHUTTLE_M * along])
    xy = np.concatenate([np.tile(ends, (count, 1)), ends[:1]])
    load = np.concatenate([np.tile([loader.capacity_kg, 0.0], count), [0.0]])
    time = np.arange(len(xy)) * SHUTTLE_M / loader.field_m_s
    # a centimetre before each end the load is still what it was: it changes at the end, not along the way
    step = np.diff(xy, axis=0)
    near = xy[1:] - 0.01 * step / np.hypot(step[:, 0], step[:, 1])[:, None]
    woven = np.empty((2 * len(xy) - 1, 2))
    woven[0::2], woven[1::2] = xy, near
    loads = np.repeat(load, 2)[:-1]
    times = np.empty(len(woven))
    times[0::2], times[1::2] = time, time[1:]
    legs = np.full(len(woven), HAUL, np.int8)
    return Drive(key, woven, times, loads, legs, np.zeros(len(woven), np.int8), loader.width_m, count, 0.0, 0.0)
