"""A recorded log turned into a drive, and the ground that it worked."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from trafficplan.farm.field import Field
from trafficplan.farm.operation import Log, Operation
from trafficplan.machines.outfit import Outfit
from trafficplan.names import ROAD, TURN, WORK, Note
from trafficplan.routes.fixes import Bools, Fixes, Floats, clean, distance_outside
from trafficplan.routes.fixes import LogFacts as LogFacts
from trafficplan.routes.fixes import log_facts as log_facts
from trafficplan.routes.passes import Drive
from trafficplan.routes.swaths import working_width
from trafficplan.routes.tank import board_load
from trafficplan.routes.turns import best_turn, rings_of

OUTSIDE_M = 30.0  # further than this outside the field it is on the road
SMOOTH_M = 1.0  # spread of the weights in the way's smoothing
BEND_STEP_M = 0.5  # vertices in bends
TURN_BEND = np.radians(45.0)  # a step that bends more is a turn, not work
SILENT_BEND = np.radians(60.0)  # a silence with such a bend held a whole turn
IDLE_FLOW = 0.05  # below this share of the usual flow nothing is worked
CLOSED_GAP = 0.6  # gaps between neighbouring bouts up to this share of the width are closed
SMALL_HOLE_M2 = 300.0  # smaller gaps in the worked ground are no obstacles


def drive_from_log(log: Log, ground: Field, operation: Operation, outfit: Outfit) -> Drive:
    """Return the drive that a log recorded.

    Cleaned (see `fixes.clean`); positions averaged along the way with Gaussian weights (1 m), so that headings are
    stable; the way between fixes is a cubic through them; turns during which the logger was silent are filled with
    turns of the outfit's least radius; the antenna is shifted to the reference point. Jumps, and what lies more than
    30 m outside the field, get leg `road`: no wheel traffic.

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
        return Drive(operation.key, np.empty((0, 2)), none, none, none.astype(np.int8), none.astype(np.int8),
                     width, 0, 0.0, float(ground.polygon.area), tuple(notes))
    xy = smoothed(fixes.xy, fixes.cut)
    outside = distance_outside(xy, ground.polygon)
    leg, said = _legs(log, fixes, xy, outside)
    notes += said
    pieces, silent = _way(fixes, xy, outfit.radius_m)
    if silent:
        notes.append(Note("repaired", f"log {log.key}: turns without a record", f"{silent}",
                          f"filled with turns of {outfit.radius_m:.1f} m radius", "common practice, no source"))
    distance = _work_distance(fixes, xy, leg)
    load, emptied, trips, said = board_load(log.key, fixes, distance * width, _pauses(fixes, pieces), operation, outfit)
    notes += said
    notes += _smoothing_note(log, fixes, xy)
    line = _assembled(pieces, fixes.time_s, load, emptied, leg)
    path, time, kg, legs = line
    if outfit.antenna_behind_m:
        path = _shifted(path, outfit.antenna_behind_m)
    worked = float((distance * width).sum())
    covered = _covered(xy, leg, width)
    unworked = ground.polygon.difference(covered).area
    return Drive(operation.key, path, time, kg, legs, np.zeros(len(path), dtype=np.int8), width, trips, worked,
                 float(unworked), tuple(notes))


def smoothed(xy: Floats, cut: Bools) -> Floats:
    """Return positions averaged with Gaussian weights over the way (1 m), separately between jumps and sharp bends.

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
        Note("repaired", f"log {log.key}: positions smoothed", f"by {np.sqrt((moved**2).mean()):.2f} m on average",
             "averaged over the way with Gaussian weights of 1 m, for stable headings of the axles", "")
    ]


def _bends(xy: Floats) -> Floats:
    """Return how much the way bends from the step before to the step at each fix [rad], signed, (n,)."""
    angle = np.arctan2(*np.diff(xy, axis=0).T[::-1])
    bend = (np.diff(angle) + np.pi) % (2.0 * np.pi) - np.pi
    return np.concatenate([[0.0], bend, [0.0]])


def _legs(log: Log, fixes: Fixes, xy: Floats, outside: Floats) -> tuple[NDArray[np.int8], list[Note]]:
    """Return the leg of each step: road (jumps, far outside), work, or turn (sharp, no flow, silence with a bend)."""
    leg = np.full(len(xy), WORK, dtype=np.int8)
    notes: list[Note] = []
    bend = np.abs(_bends(xy))
    step = np.append(np.hypot(*np.diff(xy, axis=0).T), 0.0)
    sharp = (bend > TURN_BEND) & (step > 0.5)
    leg[sharp] = TURN
    leg[np.append(sharp[1:], False)] = TURN
    if fixes.flow_kg is not None:
        between = np.append(np.diff(fixes.time_s), 1.0)
        rate = fixes.flow_kg / np.maximum(between, 1e-3)
        usual = float(np.median(fixes.flow_kg[fixes.flow_kg > 0.0])) if (fixes.flow_kg > 0.0).any() else 0.0
        idle = fixes.flow_kg < IDLE_FLOW * usual if usual > 0.0 else rate < 0.0
        leg[idle] = TURN
    else:
        notes.append(Note("assumed", f"log {log.key}: work or turn", "by bends alone", "the log has no flow",
                          "common practice, no source"))
    far = outside > OUTSIDE_M
    leg[far] = ROAD
    leg[fixes.cut] = ROAD
    if far.any():
        notes.append(Note("warned", f"log {log.key}: fixes more than {OUTSIDE_M:.0f} m outside the field",
                          f"{int(far.sum())} of {len(xy)}", "counted as road", ""))
    return leg, notes


def _way(fixes: Fixes, xy: Floats, radius: float) -> tuple[list[Floats], int]:
    """Return the line of each step (cubic through the fixes; silent turns filled), and how many turns were filled."""
    bend = np.abs(_bends(xy))
    step = np.hypot(*np.diff(xy, axis=0).T)
    between = np.diff(fixes.time_s)
    usual_s = float(np.median(between))
    speed = float(np.median(step / np.maximum(between, 1e-3)))
    silent = (between > 2.5 * usual_s) & ~fixes.cut[:-1] & (np.maximum(bend[:-1], bend[1:]) > SILENT_BEND)
    tangent = _tangents(xy, fixes.cut | np.append(silent, False))
    pieces, filled = [], 0
    open_ground = rings_of(None)
    for i in range(len(step)):
        if silent[i]:
            poses = [np.array([*xy[k], np.arctan2(tangent[k, 1], tangent[k, 0])]) for k in (i, i + 1)]
            turn, length, _ = best_turn(poses[0], poses[1], radius, *open_ground)
            if length <= 2.0 * speed * between[i] + 10.0:
                pieces.append(turn)
                filled += 1
                continue
        straight = fixes.cut[i] or step[i] < 1.0 or max(bend[i], bend[i + 1]) < 0.02
        if straight or max(bend[i], bend[i + 1]) > np.pi / 2.0:
            pieces.append(xy[i : i + 2])
        else:
            t = np.linspace(0.0, 1.0, max(2, int(np.ceil(step[i] / BEND_STEP_M)) + 1))[:, None]
            a, b, m, n = xy[i], xy[i + 1], tangent[i] * step[i], tangent[i + 1] * step[i]
            pieces.append((2 * t**3 - 3 * t**2 + 1) * a + (t**3 - 2 * t**2 + t) * m
                          + (3 * t**2 - 2 * t**3) * b + (t**3 - t**2) * n)
    return pieces, filled


def _tangents(xy: Floats, breaks: Bools) -> Floats:
    """Return the unit direction at each fix: of the circle through it and its neighbours; one-sided at breaks."""
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


def _pauses(fixes: Fixes, pieces: list[Floats]) -> Floats:
    """Return how long the outfit stood at each fix [s]: silence less the time to drive the step."""
    between = np.append(np.diff(fixes.time_s), 0.0)
    driven = np.append([np.hypot(*np.diff(p, axis=0).T).sum() for p in pieces], 0.0)
    usual = float(np.median(driven[:-1] / np.maximum(between[:-1], 1e-3)))
    return between - driven / max(usual, 0.1)


def _work_distance(fixes: Fixes, xy: Floats, leg: NDArray[np.int8]) -> Floats:
    """Return the distance in work of each record [m]: by the log's sensor, else along the fixes.

    A sensor's record belongs to the step that ends at its fix, so a record counts when either neighbouring step works.
    """
    work = leg == WORK
    if fixes.step_m is not None:
        return np.where(work | np.concatenate([[False], work[:-1]]), fixes.step_m, 0.0)
    return np.where(work, np.append(np.hypot(*np.diff(xy, axis=0).T), 0.0), 0.0)


def _assembled(
    pieces: list[Floats], time: Floats, load: Floats, after_kg: Floats, leg: NDArray[np.int8]
) -> tuple[Floats, Floats, Floats, NDArray[np.int8]]:
    """Return path, time, load and leg; where a load was emptied or filled, it changes within the next half metre."""
    xy_out, time_out, load_out, leg_out = [], [], [], []
    for i, piece in enumerate(pieces):
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
        start, end, first = load[i], load[i + 1], after_kg[i]
        at, kg = [0.0, s[-1]], [first, end]
        if first != start and s[-1] > 0.0:
            step = min(0.5, s[-1] / 2.0)
            at, kg = [0.0, step, s[-1]], [start, first, end]
            if not np.isclose(s, step).any():
                where = np.searchsorted(s, step)
                point = [np.interp(step, s, piece[:, k]) for k in (0, 1)]
                piece, s = np.insert(piece, where, point, axis=0), np.insert(s, where, step)
        share = s / s[-1] if s[-1] > 0.0 else s
        xy_out.append(piece[:-1])
        time_out.append(time[i] + share[:-1] * (time[i + 1] - time[i]))
        load_out.append(np.interp(s[:-1], at, kg))
        leg_out.append(np.full(len(piece) - 1, leg[i], dtype=np.int8))
    xy = np.concatenate([*xy_out, pieces[-1][-1:]])
    return (xy, np.append(np.concatenate(time_out), time[-1]), np.append(np.concatenate(load_out), load[-1]),
            np.append(np.concatenate(leg_out), leg_out[-1][-1:]))


def _shifted(xy: Floats, behind_m: float) -> Floats:
    """Return the reference point's path from the antenna's, which is `behind_m` behind it."""
    tangent = _tangents(xy, np.zeros(len(xy), dtype=bool))
    return np.asarray(xy + behind_m * tangent)


def _covered(xy: Floats, leg: NDArray[np.int8], width_m: float) -> Polygon | MultiPolygon:
    """Return the ground within half a width of the steps in work."""
    work = np.flatnonzero(leg[:-1] == WORK)
    if not len(work):
        return Polygon()
    runs = np.split(work, np.flatnonzero(np.diff(work) > 1) + 1)
    lines = [LineString(xy[r[0] : r[-1] + 2]) for r in runs]
    strips = [line.buffer(width_m / 2.0, cap_style="flat", join_style="mitre", mitre_limit=1.5) for line in lines]
    return shapely.union_all(strips)


def boundary_from_log(log: Log, width_m: float) -> Polygon:
    """Return the ground that a log worked: strips of the width, small gaps closed, obstacles over 300 m2 kept."""
    fixes = clean(log)
    xy = smoothed(fixes.xy, fixes.cut)
    leg, _ = _legs(log, fixes, xy, np.zeros(len(xy)))
    strips = _covered(xy, leg, width_m)
    gap = CLOSED_GAP * width_m / 2.0
    shape = strips.buffer(gap, join_style="mitre").buffer(-gap, join_style="mitre")
    largest = max(shapely.get_parts(shape), key=lambda p: p.area)
    holes = [ring for ring in largest.interiors if Polygon(ring).area > SMALL_HOLE_M2]
    return Polygon(Polygon(largest.exterior, holes).simplify(0.3))
