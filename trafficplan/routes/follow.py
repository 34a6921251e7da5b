"""Every axle's own path: rigid behind the reference point of powered vehicles, by tractrix behind a hitch."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trafficplan.compiled import njit
from trafficplan.errors import InputError, Problem
from trafficplan.machines.outfit import Outfit, Vehicle
from trafficplan.names import TURN, WORK
from trafficplan.routes.passes import Drive

BEND_STEP_M = 0.5  # longest step in a bend and next to one
STRAIGHT_STEP = 0.2  # step on a straight, as a share of the way since its bend: the trailer still swings in there
CUSP = 0.14  # a bend that is less than this short of half a circle is a change of direction [rad]
SETTLED = 8.0  # drawbar lengths after which a drawn vehicle runs true (its angle is down to 1/3000)


@njit(cache=True)
def _stations(xy: NDArray, swing_m: float) -> tuple[NDArray, NDArray]:
    """Return segment index and share of every resampled vertex, the line's own vertices among them."""
    n = len(xy)
    index, share = [0], [0.0]
    for i in range(n - 1):
        length = math.hypot(xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1])
        if length > 10.0 * BEND_STEP_M:
            s = BEND_STEP_M
            while s < min(length - 2.0 * BEND_STEP_M, max(swing_m, BEND_STEP_M + 1e-9)):
                index.append(i)
                share.append(s / length)
                s += max(BEND_STEP_M, STRAIGHT_STEP * s)
            index.append(i)
            share.append(1.0 - BEND_STEP_M / length)
        elif length > BEND_STEP_M * 1.05:
            steps = int(math.ceil(length / BEND_STEP_M))
            for k in range(1, steps):
                index.append(i)
                share.append(k / steps)
        if i < n - 2:
            index.append(i + 1)
            share.append(0.0)
    index.append(n - 2)
    share.append(1.0)
    return np.array(index), np.array(share)


@njit(cache=True)
def _headings(xy: NDArray, index: NDArray, share: NDArray) -> NDArray:
    """Return the heading at resampled vertices [rad]: the tangent between the segments on both sides of a
    vertex.

    On short segments it turns evenly from vertex to vertex, as on an arc; on long ones it is the segment's
    own.
    """
    n = len(xy)
    chord = np.empty(n - 1)
    for i in range(n - 1):
        chord[i] = math.atan2(xy[i + 1, 1] - xy[i, 1], xy[i + 1, 0] - xy[i, 0])
    vertex = np.empty(n)
    vertex[0], vertex[n - 1] = chord[0], chord[n - 2]
    for i in range(1, n - 1):
        bend = (chord[i] - chord[i - 1] + math.pi) % (2.0 * math.pi) - math.pi
        vertex[i] = chord[i - 1] + bend / 2.0 if abs(bend) < 3.0 else chord[i]
    out = np.empty(len(index))
    for k in range(len(index)):
        i, t = index[k], share[k]
        length = math.hypot(xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1])
        if t == 0.0:
            out[k] = vertex[i]
        elif t == 1.0:
            out[k] = vertex[i + 1]
        elif length > 10.0 * BEND_STEP_M:
            out[k] = chord[i]
        else:
            a = (vertex[i] - chord[i] + math.pi) % (2.0 * math.pi) - math.pi
            b = (vertex[i + 1] - chord[i] + math.pi) % (2.0 * math.pi) - math.pi
            out[k] = chord[i] + (1.0 - t) * a + t * b
    return out


@njit(cache=True)
def tractrix(hitch: NDArray, length: float, heading: float) -> NDArray:
    """Return the heading of a drawn vehicle at each vertex of its hitch's path [rad].

    Exact on each straight step s: tan(phi / 2) = tan(phi0 / 2) exp(-s / L), phi the angle between vehicle
    and pull (the tractrix, closed form).

    Parameters
    ----------
    hitch : (n, 2) path of the hitch [m]
    length : hitch to reference point [m], > 0
    heading : at the start [rad]
    """
    out = np.empty(len(hitch))
    out[0] = heading
    for i in range(1, len(hitch)):
        dx, dy = hitch[i, 0] - hitch[i - 1, 0], hitch[i, 1] - hitch[i - 1, 1]
        s = math.hypot(dx, dy)
        if s < 1e-9:
            out[i] = heading
            continue
        pull = math.atan2(dy, dx)
        angle = (heading - pull + math.pi) % (2.0 * math.pi) - math.pi
        heading = pull + 2.0 * math.atan(math.tan(angle / 2.0) * math.exp(-s / length))
        out[i] = heading
    return out


def steady_radius(radius_m: float, hitch_behind_m: float, drawbar_m: float) -> float:
    """Return the radius on which a drawn vehicle runs in a steady circle [m]: sqrt(R^2 + M^2 - L^2) (closed
    form).

    Raises
    ------
    InputError : the drawbar is too long for it to follow (L^2 > R^2 + M^2)

    Examples
    --------
    >>> round(steady_radius(8.0, 1.0, 6.0), 3)
    5.385
    """
    square = radius_m**2 + hitch_behind_m**2 - drawbar_m**2
    if square < 0.0:
        raise InputError(
            Problem(
                "the drawn vehicle cannot follow: it would jack-knife",
                "outfit: drawbar_m and radius_m",
                f"{drawbar_m:.2f} m from hitch to axle, hitch {hitch_behind_m:.2f} m behind, radius {radius_m:.2f} m",
                f"a drawbar of at most {math.hypot(radius_m, hitch_behind_m):.2f} m, or a wider turn",
                "check drawbar_m, hitch_behind_m and radius_m of the outfit",
            )
        )
    return math.sqrt(square)


def check_follows(outfit: Outfit) -> None:
    """Check that every drawn vehicle can follow a steady turn of the outfit's least radius.

    Raises
    ------
    InputError : one cannot
    """
    radius, behind = outfit.radius_m, 0.0
    for vehicle in outfit.vehicles:
        if vehicle.kind == "drawn":
            radius = steady_radius(radius, behind, vehicle.drawbar_m)
            behind = vehicle.hitch_behind_m
        elif vehicle.kind == "carried":
            behind += vehicle.drawbar_m + vehicle.hitch_behind_m
        else:
            behind = vehicle.hitch_behind_m


def resampled(drive: Drive, swing_m: float) -> tuple[Drive, NDArray[np.float64]]:
    """Return the drive with vertices at most 0.5 m apart in bends and after them, and the heading at each
    [rad].

    `swing_m` is the way after a bend over which drawn vehicles still swing in.
    """
    index, share = _stations(drive.xy, swing_m)
    heading = _headings(drive.xy, index, share)
    if drive.reverses:
        heading = _reversed(drive, index, share, heading)

    def between(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(values[index] + share * (values[index + 1] - values[index]))

    leg, furrow = drive.leg[index].copy(), drive.furrow[index].copy()
    leg[-1], furrow[-1] = drive.leg[-1], drive.furrow[-1]
    xy = np.column_stack([between(drive.xy[:, 0]), between(drive.xy[:, 1])])
    time, load = between(drive.time_s), between(drive.load_kg)
    return replace(drive, xy=xy, time_s=time, load_kg=load, leg=leg, furrow=furrow), heading


def _reversed(
    drive: Drive, index: NDArray[np.int64], share: NDArray[np.float64], heading: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return headings of a drive that goes backwards between two points at which its line bends back on itself."""
    step = np.diff(drive.xy, axis=0)
    chord = np.arctan2(step[:, 1], step[:, 0])
    bend = np.abs((np.diff(chord) + np.pi) % (2.0 * np.pi) - np.pi)
    turning = (drive.leg[:-2] == TURN) & (drive.leg[1:-1] == TURN)
    back = np.concatenate([[0], np.cumsum(turning & (bend > np.pi - CUSP))]) % 2 == 1
    # between such a point and its neighbour the outfit keeps the direction of that step: it does not turn round there
    changes = np.flatnonzero(np.diff(back)) + 1
    beside = (share > 0.0) & (np.isin(index, changes) | np.isin(index + 1, changes))
    out = np.where(beside, chord[index], heading)
    out[back[index]] += np.pi
    return np.asarray(out)


def axle_paths(drive: Drive, outfit: Outfit) -> tuple[Drive, list[NDArray[np.float64]]]:
    """Return the resampled drive and the path (n, 2) of every axle, front to back, vertex by vertex beside
    it.

    Axles steered with an offset, or crabwise, run beside their path in work.

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    fine, placed = vehicle_paths(drive, outfit)
    if len(drive.xy) < 2:
        return drive, [drive.xy.copy() for _ in outfit.axles()]
    work = fine.leg == WORK
    work[1:] |= work[:-1]
    paths: list[NDArray[np.float64]] = []
    for vehicle, (here, heading) in zip(outfit.vehicles, placed, strict=True):
        along = np.column_stack([np.cos(heading), np.sin(heading)])
        for axle in vehicle.axles:
            path = here - axle.behind_m * along
            if axle.steering != "follow" and axle.offset_m != 0.0:
                left = np.column_stack([-along[:, 1], along[:, 0]])
                path = path + axle.offset_m * work[:, None] * left
            paths.append(path)
    return fine, paths


def vehicle_paths(drive: Drive, outfit: Outfit) -> tuple[Drive, list[tuple[NDArray[np.float64], NDArray[np.float64]]]]:
    """Return the resampled drive, and for every vehicle, front to back, the path (n, 2) of its reference point and
    its heading (n,) [rad].

    Powered vehicles are rigid on their reference point's path; carried ones move with the vehicle before
    them; drawn ones follow their hitch by a tractrix and start in line.

    Raises
    ------
    InputError : a drawn vehicle cannot follow the outfit's least radius
    """
    check_follows(outfit)
    if len(drive.xy) < 2:
        return drive, [(drive.xy.copy(), np.zeros(len(drive.xy))) for _ in outfit.vehicles]
    swing = SETTLED * max((v.drawbar_m for v in outfit.vehicles if v.kind == "drawn"), default=0.0)
    fine, heading = resampled(drive, swing)
    here, hitch = fine.xy, fine.xy
    placed: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    for vehicle in outfit.vehicles:
        here, heading = _placed(vehicle, here, hitch, heading)
        placed.append((here, heading))
        hitch = here - vehicle.hitch_behind_m * np.column_stack([np.cos(heading), np.sin(heading)])
    return fine, placed


def _placed(
    vehicle: Vehicle, before: NDArray[np.float64], hitch: NDArray[np.float64], heading: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the path of a vehicle's reference point and its heading, from the hitch of the vehicle before
    it."""
    if vehicle.kind == "powered":
        return before, heading
    if vehicle.kind == "drawn" and vehicle.drawbar_m > 0.0:
        heading = tractrix(np.ascontiguousarray(hitch), vehicle.drawbar_m, float(heading[0]))
    return hitch - vehicle.drawbar_m * np.column_stack([np.cos(heading), np.sin(heading)]), heading
