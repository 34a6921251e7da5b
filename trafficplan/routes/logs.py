"""A recorded log turned into a drive, and the ground that it worked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log, Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD, TURN, WORK, Note
from trafficplan.routes.fixes import Bools, Fixes, Floats, clean, distance_outside
from trafficplan.routes.fixes import LogFacts as LogFacts
from trafficplan.routes.fixes import log_facts as log_facts
from trafficplan.routes.log_columns import state_of_work, widths_along
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import polygons_of, working_width
from trafficplan.routes.tank import board_load
from trafficplan.routes.turns import best_turn, rings_of

OUTSIDE_M = 30.0  # further than this outside the field it is on the road
SMOOTH_M = 1.0  # spread of the weights in the way's smoothing
BEND_STEP_M = 0.5  # vertices in bends
TURN_REACH_M = 5.0  # work or turn is judged over so much of the way before and after
TURN_BEND = np.radians(45.0)  # where it bends more, it is a turn
SILENT_BEND = np.radians(100.0)  # a silence after which the outfit comes back like this held a whole turn
IDLE_FLOW = 0.05  # below this share of the usual flow nothing is worked
LAG_S = 20.0  # flow that is measured behind the threshing starts this late at most
CLOSED_GAP = 0.6  # gaps between neighbouring bouts up to this share of the width are closed
SMALL_HOLE_M2 = 300.0  # smaller gaps in the worked ground are no obstacles


def drive_from_log(log: Log, ground: Field, operation: Operation, outfit: Outfit) -> Drive:
    """Return the drive that a log recorded.

    Cleaned (see `fixes.clean`); positions averaged along the way with Gaussian weights (1 m), so that
    headings are stable; the way between fixes is a cubic through them; turns during which the logger was
    silent are filled with turns of the outfit's least radius; the antenna is shifted to the reference point.
    Jumps, and what lies more than 30 m outside the field, get leg `road`: no wheel traffic.

    Parameters
    ----------
    log : as read; ground : the field; operation, outfit : what was done and with what
    """
    width = working_width(operation, outfit)
    fixes = clean(log)
    notes = list(fixes.notes)
    if len(fixes.xy) < 3:
        notes.append(Note("warned", f"log {log.key}", f"{len(fixes.xy)} fixes", "too few to be a drive", ""))
        none = np.empty(0)
        return Drive(
            operation.key,
            np.empty((0, 2)),
            none,
            none,
            none.astype(np.int8),
            none.astype(np.int8),
            width,
            0,
            0.0,
            float(ground.polygon.area),
            tuple(notes),
        )
    xy = smoothed(fixes.xy, fixes.cut)
    outside = distance_outside(xy, ground.polygon)
    leg, said = _legs(log, fixes, xy, outside)
    widths, more = widths_along(log.key, fixes, leg, width)
    notes += [*said, *more]
    way = _way(fixes, xy, outfit.radius_m, np.zeros(len(xy), dtype=bool))
    distance = _work_distance(fixes, xy, leg)
    standing = _standing(fixes, way.length_m)
    arriving, leaving, trips, said = board_load(log.key, fixes, distance * widths, standing, operation, outfit)
    notes += said
    way = _way(fixes, xy, outfit.radius_m, arriving != leaving)
    if way.filled:
        notes.append(
            Note(
                "repaired",
                f"log {log.key}: turns without a record",
                f"{way.filled}",
                f"filled with turns of {outfit.radius_m:.1f} m radius",
                "common practice, no source",
            )
        )
    notes += _smoothing_note(log, fixes, xy)
    path, step, share = way.xy, way.step, way.share
    time = fixes.time_s[step] + share * (fixes.time_s[step + 1] - fixes.time_s[step])
    kg = np.where(share > 0.0, leaving[step] + share * (arriving[step + 1] - leaving[step]), arriving[step])
    legs = leg[step]
    if outfit.antenna_behind_m:
        path = _shifted(path, outfit.antenna_behind_m)
    worked = float((distance * widths).sum())
    covered = _covered(xy, leg, widths)
    unworked = ground.polygon.difference(covered).area
    return Drive(
        operation.key,
        path,
        time,
        kg,
        legs,
        np.zeros(len(path), dtype=np.int8),
        worked / float(distance.sum()) if more and distance.any() else width,
        trips,
        worked,
        float(unworked),
        tuple(notes),
    )


def smoothed(xy: Floats, cut: Bools) -> Floats:
    """Return positions averaged with Gaussian weights over the way (1 m), separately between jumps and sharp
    bends.

    Fixes some metres apart hardly move; dense ones lose their noise. Ends stay.
    """
    step = np.hypot(*np.diff(xy, axis=0).T)
    s = np.concatenate([[0.0], np.cumsum(step)])
    angle = np.arctan2(*np.diff(xy, axis=0).T[::-1])
    bend = np.abs((np.diff(angle) + np.pi) % (2.0 * np.pi) - np.pi)
    breaks = cut[:-1].copy()
    breaks[1:] |= (bend > TURN_BEND) & (step[1:] > 2.0 * SMOOTH_M)
    breaks[:-1] |= (bend > TURN_BEND) & (step[:-1] > 2.0 * SMOOTH_M)
    group = np.concatenate([[0], np.cumsum(breaks)])
    total, weight = np.zeros_like(xy), np.zeros(len(xy))
    reach = 0
    while True:
        moved = [(reach, 1)] if reach == 0 else [(reach, 1), (-reach, -1)]
        any_near = False
        for shift, _ in moved:
            low, high = max(0, -shift), len(xy) - max(0, shift)
            here, there = slice(low, high), slice(low + shift, high + shift)
            apart = s[there] - s[here]
            near = (np.abs(apart) <= 3.0 * SMOOTH_M) & (group[there] == group[here])
            w = np.where(near, np.exp(-0.5 * (apart / SMOOTH_M) ** 2), 0.0)
            total[here] += w[:, None] * xy[there]
            weight[here] += w
            any_near |= bool(near.any())
        if not any_near or reach > 60 or reach >= len(xy) - 1:
            break
        reach += 1
    out = total / weight[:, None]
    ends = np.flatnonzero(np.diff(group))
    fixed = np.concatenate([[0], ends, ends + 1, [len(xy) - 1]])
    out[fixed] = xy[fixed]
    return np.asarray(out)


def _smoothing_note(log: Log, fixes: Fixes, xy: Floats) -> list[Note]:
    moved = np.hypot(*(xy - fixes.xy).T)
    return [
        Note(
            "repaired",
            f"log {log.key}: positions smoothed",
            f"by {np.sqrt((moved**2).mean()):.2f} m on average",
            "averaged over the way with Gaussian weights of 1 m, for stable headings of the axles",
            "",
        )
    ]


def _bends(xy: Floats) -> Floats:
    """Return how much the way bends from the step before to the step at each fix [rad], signed, (n,)."""
    angle = np.arctan2(*np.diff(xy, axis=0).T[::-1])
    bend = (np.diff(angle) + np.pi) % (2.0 * np.pi) - np.pi
    return np.concatenate([[0.0], bend, [0.0]])


def _legs(log: Log, fixes: Fixes, xy: Floats, outside: Floats) -> tuple[NDArray[np.int8], list[Note]]:
    """Return the leg of each step: road (jumps, far outside), work, or turn (sharp, no flow, silence with a
    bend)."""
    leg = np.full(len(xy), WORK, dtype=np.int8)
    notes: list[Note] = []
    silent = _silent(fixes, xy)
    leg[silent] = TURN
    leg[_turning(xy, silent)] = TURN
    state, said = state_of_work(log.key, fixes)
    if state is not None:
        leg[state < 0.5], leg[state >= 0.5] = TURN, WORK
        leg[silent] = TURN
        notes += said
    elif fixes.flow_kg is not None:
        leg[_idle(fixes.flow_kg, fixes.time_s)] = TURN
    else:
        notes.append(
            Note(
                "assumed",
                f"log {log.key}: work or turn",
                "by bends alone",
                "the log has no flow",
                "common practice, no source",
            )
        )
    far = outside > OUTSIDE_M
    leg[far] = ROAD
    leg[fixes.cut] = ROAD
    if far.any():
        notes.append(
            Note(
                "warned",
                f"log {log.key}: fixes more than {OUTSIDE_M:.0f} m outside the field",
                f"{int(far.sum())} of {len(xy)}",
                "counted as road",
                "",
            )
        )
    return leg, notes


def _turning(xy: Floats, silent: NDArray[np.intp]) -> Bools:
    """Mark steps within 5 m of which the way bends by more than 45 degrees; silent turns are not counted."""
    step = np.hypot(*np.diff(xy, axis=0).T)
    s = np.concatenate([[0.0], np.cumsum(step)])
    bend = _bends(xy)
    bend[silent], bend[silent + 1] = 0.0, 0.0
    turned = np.concatenate([[0.0], np.cumsum(bend)])
    middle = (s[:-1] + s[1:]) / 2.0
    before, after = np.searchsorted(s, middle - TURN_REACH_M), np.searchsorted(s, middle + TURN_REACH_M)
    return np.append(np.abs(turned[after] - turned[before]) > TURN_BEND, False)


def _idle(flow_kg: Floats, time_s: Floats) -> Bools:
    """Mark records without flow, where that lasts longer than the flow lags behind the work at its start."""
    usual = float(np.median(flow_kg[flow_kg > 0.0])) if (flow_kg > 0.0).any() else 0.0
    none = flow_kg < IDLE_FLOW * usual
    edges = np.flatnonzero(np.diff(np.concatenate([[False], none, [False]]).astype(np.int8)))
    out = np.zeros(len(flow_kg), dtype=bool)
    for start, end in edges.reshape(-1, 2):
        out[start:end] = time_s[min(end, len(time_s) - 1)] - time_s[start] > LAG_S
    return out


@dataclass(frozen=True)
class Way:
    """The line through the fixes: points (m, 2), the step each lies on, its share of that step, length of
    each step."""

    xy: Floats
    step: NDArray[np.intp]
    share: Floats
    length_m: Floats
    filled: int


def _way(fixes: Fixes, xy: Floats, radius: float, changed: Bools) -> Way:
    """Return the line through the fixes: cubics in bends, silent turns filled; `changed`: the load changes
    there."""
    bend = np.abs(_bends(xy))
    step = np.hypot(*np.diff(xy, axis=0).T)
    turns = _silent_turns(fixes, xy, step, radius)
    breaks = fixes.cut.copy()
    breaks[list(turns)] = True
    tangent = _tangents(xy, breaks)
    sharpest = np.maximum(bend[:-1], bend[1:])
    curved = ~fixes.cut[:-1] & (step > 1.0) & (sharpest > 0.02) & (sharpest < np.pi / 2.0)
    fine = np.maximum(np.ceil(step / BEND_STEP_M), 1.0).astype(np.intp)
    count = np.where(curved | changed[:-1], fine, 1)
    for i, turn in turns.items():
        count[i] = len(turn) - 1
    index = np.repeat(np.arange(len(step)), count)
    first = np.cumsum(count) - count
    t = (np.arange(len(index)) - first[index]) / count[index]
    bent = np.where(curved, 1.0, 0.0)[index, None]
    u, a, b = t[:, None], xy[index], xy[index + 1]
    m = bent * tangent[index] * step[index, None] + (1.0 - bent) * (b - a)
    n = bent * tangent[index + 1] * step[index, None] + (1.0 - bent) * (b - a)
    line = (2 * u**3 - 3 * u**2 + 1) * a + (u**3 - 2 * u**2 + u) * m + (3 * u**2 - 2 * u**3) * b + (u**3 - u**2) * n
    length = step.copy()
    for i, turn in turns.items():
        line[first[i] : first[i] + count[i]] = turn[:-1]
        length[i] = np.hypot(*np.diff(turn, axis=0).T).sum()
    end = len(step) - 1
    return Way(np.vstack([line, xy[-1]]), np.append(index, end), np.append(t, 1.0), length, len(turns))


def _around(xy: Floats, i: int) -> tuple[float, float]:
    """Return the heading before a step and after it [rad], each over two steps."""
    before, after = xy[i] - xy[max(i - 2, 0)], xy[min(i + 3, len(xy) - 1)] - xy[i + 1]
    return float(np.arctan2(before[1], before[0])), float(np.arctan2(after[1], after[0]))


def _silent(fixes: Fixes, xy: Floats) -> NDArray[np.intp]:
    """Return the steps during which the logger was silent while the outfit turned round."""
    between = np.diff(fixes.time_s)
    gaps = np.flatnonzero((between > 2.5 * np.median(between)) & ~fixes.cut[:-1])
    gaps = gaps[(gaps > 0) & (gaps < len(xy) - 2)]
    back = [i for i in gaps if np.cos(np.subtract(*_around(xy, int(i)))) < np.cos(SILENT_BEND)]
    return np.array(back, dtype=np.intp)


def _silent_turns(fixes: Fixes, xy: Floats, step: Floats, radius: float) -> dict[int, Floats]:
    """Return a turn for each silent step that left time for one."""
    between = np.diff(fixes.time_s)
    speed = float(np.median(step / np.maximum(between, 1e-3)))
    turns: dict[int, Floats] = {}
    for i in _silent(fixes, xy):
        poses = [np.array([*xy[k], h]) for k, h in zip((i, i + 1), _around(xy, int(i)), strict=True)]
        turn, length, _ = best_turn(poses[0], poses[1], radius, *rings_of(None))
        if length <= 1.5 * speed * between[i] + 5.0:
            turns[int(i)] = turn
    return turns


def _tangents(xy: Floats, breaks: Bools) -> Floats:
    """Return the unit direction at each fix: of the circle through it and its neighbours; one-sided at
    breaks."""
    move = np.diff(xy, axis=0)
    long = np.maximum(np.hypot(*move.T), 1e-9)[:, None]
    unit = move / long
    out = np.concatenate([unit[:1], unit])
    both = (unit[:-1] * long[1:] + unit[1:] * long[:-1]) / (long[:-1] + long[1:])
    out[1:-1] = both
    after = np.flatnonzero(breaks[:-1]) + 1
    out[after[after < len(unit)]] = unit[after[after < len(unit)]]
    before = np.flatnonzero(breaks[:-1])
    out[before[before > 0]] = unit[before[before > 0] - 1]
    return np.asarray(out / np.maximum(np.hypot(*out.T), 1e-9)[:, None])


def _standing(fixes: Fixes, length_m: Floats) -> Floats:
    """Return how long the outfit stood at each fix [s]: the time to the next one less the time to drive
    there."""
    between = np.diff(fixes.time_s)
    usual = float(np.median(length_m / np.maximum(between, 1e-3)))
    return np.append(between - length_m / max(usual, 0.1), 0.0)


def _work_distance(fixes: Fixes, xy: Floats, leg: NDArray[np.int8]) -> Floats:
    """Return the distance in work of each record [m]: by the log's sensor, else along the fixes.

    A record belongs to the step that ends at its fix; by the sensor it counts when either neighbouring step
    works.
    """
    work = leg == WORK
    if fixes.step_m is not None:
        return np.where(work | np.concatenate([[False], work[:-1]]), fixes.step_m, 0.0)
    return np.concatenate([[0.0], np.where(work[:-1], np.hypot(*np.diff(xy, axis=0).T), 0.0)])


def _shifted(xy: Floats, behind_m: float) -> Floats:
    """Return the reference point's path from the antenna's, which is `behind_m` behind it."""
    tangent = _tangents(xy, np.zeros(len(xy), dtype=bool))
    return np.asarray(xy + behind_m * tangent)


def _covered(xy: Floats, leg: NDArray[np.int8], width_m: Floats) -> BaseGeometry:
    """Return the ground within half a width (n,) of the steps in work."""
    work = np.flatnonzero((leg[:-1] == WORK) & (width_m[:-1] > 0.0))
    if not len(work):
        return Polygon()
    half = np.round(width_m[work] / 2.0, 2)
    runs = np.split(work, np.flatnonzero((np.diff(work) > 1) | (np.diff(half) != 0.0)) + 1)
    lines = [LineString(xy[r[0] : r[-1] + 2]) for r in runs]
    halves = [round(float(width_m[r[0]]) / 2.0, 2) for r in runs]
    strips = shapely.buffer(lines, halves, cap_style="flat", join_style="mitre", mitre_limit=1.5)
    return shapely.union_all(strips)


def boundary_from_log(log: Log, width_m: float) -> Polygon:
    """Return the ground that a log worked: strips of the width, small gaps closed, obstacles over 300 m2
    kept."""
    fixes = clean(log)
    xy = smoothed(fixes.xy, fixes.cut)
    leg, _ = _legs(log, fixes, xy, np.zeros(len(xy)))
    strips = _covered(xy, leg, widths_along(log.key, fixes, leg, width_m)[0])
    gap = CLOSED_GAP * width_m / 2.0
    shape = strips.buffer(gap, join_style="mitre").buffer(-gap, join_style="mitre")
    largest = polygons_of(shape)[0]
    holes = [ring for ring in largest.interiors if Polygon(ring).area > SMALL_HOLE_M2]
    return polygons_of(Polygon(largest.exterior, holes).simplify(0.3))[0]
