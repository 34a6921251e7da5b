"""Turns of least radius: shortest paths between two poses (Dubins), kept inside the field where one of them
fits.

A pose is x, y [m] and heading [rad], counter-clockwise from east. Ground is given as closed rings, one after
the other (`ring_xy`, and `ring_start` with one more entry than rings); no rings means open ground, where
everything is allowed. Compiled code that calls each other stays in this one file: a stored compilation does
not notice changes in another.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from trafficplan.compiled import njit

CIRCLE = 2.0 * math.pi
MOST_JOINTS = 24  # shortenings tried before a turn is said not to fit
ARC_STEP = 0.5  # longest chord in a bend [m]
CORNER_CUT = 0.6  # worth of each metre of way that a bend replaces: below 1, so that corners are not cut far

# Curvature signs of the three parts of each word: left +1, right -1, straight 0.
WORDS = np.array(
    [[1, 0, 1], [-1, 0, -1], [1, 0, -1], [-1, 0, 1], [-1, 1, -1], [1, -1, 1]],
    dtype=np.int8,
)


def u_turn_length(radius_m: float, spacing_m: float) -> float:
    """Return the length [m] of the half-round turn to a bout `spacing_m` away; needs spacing >= 2 radius.

    w + (pi - 2) r: two quarter circles and a straight (closed form).

    Examples
    --------
    >>> round(u_turn_length(6.0, 24.0), 2)
    30.85
    """
    return spacing_m + (math.pi - 2.0) * radius_m


def bulb_turn_length(radius_m: float, spacing_m: float) -> float:
    """Return the length [m] of the bulb (omega) turn to a bout nearer than 2 radius.

    r (3 pi - 4 asin((2 r + w) / (4 r))): three arcs (closed form).

    Examples
    --------
    >>> round(bulb_turn_length(6.0, 6.0), 2)
    36.2
    """
    return radius_m * (3.0 * math.pi - 4.0 * math.asin((2.0 * radius_m + spacing_m) / (4.0 * radius_m)))


def three_point_length(radius_m: float, spacing_m: float) -> float:
    """Return the length [m] of the three-point turn to a bout nearer than 2 radius.

    (2 + pi) r - w: a quarter circle, back over 2 r - w, a quarter circle (closed form). It reaches r beyond the bouts.

    Examples
    --------
    >>> round(three_point_length(6.0, 6.0), 2)
    24.85
    """
    return (2.0 + math.pi) * radius_m - spacing_m


def bulb_height(radius_m: float, spacing_m: float) -> float:
    """Return how far a turn reaches beyond the end of the bouts [m]: r, or more where a bulb is needed."""
    if spacing_m >= 2.0 * radius_m:
        return radius_m
    side = spacing_m / 2.0 + radius_m
    return radius_m + math.sqrt(4.0 * radius_m * radius_m - side * side)


def rings_of(ground: Polygon | MultiPolygon | None) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return a ground's rings as `ring_xy` (n, 2) and `ring_start` (rings + 1,); None is open ground."""
    if ground is None or ground.is_empty:
        return np.empty((0, 2)), np.zeros(1, dtype=np.int64)
    polygons = ground.geoms if isinstance(ground, MultiPolygon) else (ground,)
    rings = [np.asarray(ring.coords)[:, :2] for p in polygons for ring in (p.exterior, *p.interiors)]
    start = np.cumsum([0] + [len(ring) for ring in rings])
    return np.ascontiguousarray(np.concatenate(rings)), start.astype(np.int64)


@njit(cache=True)
def _wrap(angle: float) -> float:
    """Return an angle in [0, 2 pi); a hair below 2 pi counts as 0, else rounding adds a full circle."""
    wrapped = angle % CIRCLE
    if CIRCLE - wrapped < 1e-9:
        return 0.0
    return wrapped


@njit(cache=True)
def dubins_words(a: NDArray, b: NDArray, radius: float) -> NDArray:
    """Return the (6, 4) parts and length of each word: two arcs [rad], straight [m / radius], whole length
    [m].

    Dubins (1957), closed forms after Shkel and Lumelsky (2001); words in the order of `WORDS`; length is inf
    where a word does not exist.
    """
    out = np.full((6, 4), np.inf)
    dx, dy = b[0] - a[0], b[1] - a[1]
    d = math.hypot(dx, dy) / radius
    base = math.atan2(dy, dx)
    al, be = _wrap(a[2] - base), _wrap(b[2] - base)
    sa, sb, ca, cb = math.sin(al), math.sin(be), math.cos(al), math.cos(be)
    cab = math.cos(al - be)
    # without a straight its direction is undefined: the first arc is then left out
    square = 2.0 + d * d - 2.0 * cab + 2.0 * d * (sa - sb)
    if square >= -1e-9:
        way = math.atan2(cb - ca, d + sa - sb) if square > 1e-9 else al
        out[0, 0], out[0, 1], out[0, 2] = _wrap(way - al), math.sqrt(max(square, 0.0)), _wrap(be - way)
    square = 2.0 + d * d - 2.0 * cab + 2.0 * d * (sb - sa)
    if square >= -1e-9:
        way = math.atan2(ca - cb, d - sa + sb) if square > 1e-9 else al
        out[1, 0], out[1, 1], out[1, 2] = _wrap(al - way), math.sqrt(max(square, 0.0)), _wrap(way - be)
    square = -2.0 + d * d + 2.0 * cab + 2.0 * d * (sa + sb)
    if square >= 0.0:
        p = math.sqrt(square)
        way = math.atan2(-ca - cb, d + sa + sb) - math.atan2(-2.0, p)
        out[2, 0], out[2, 1], out[2, 2] = _wrap(way - al), p, _wrap(way - be)
    square = -2.0 + d * d + 2.0 * cab - 2.0 * d * (sa + sb)
    if square >= 0.0:
        p = math.sqrt(square)
        way = math.atan2(ca + cb, d - sa - sb) - math.atan2(2.0, p)
        out[3, 0], out[3, 1], out[3, 2] = _wrap(al - way), p, _wrap(be - way)
    cosine = (6.0 - d * d + 2.0 * cab + 2.0 * d * (sa - sb)) / 8.0
    if abs(cosine) <= 1.0:
        p = CIRCLE - math.acos(cosine)
        t = _wrap(al - math.atan2(ca - cb, d - sa + sb) + p / 2.0)
        out[4, 0], out[4, 1], out[4, 2] = t, p, _wrap(al - be - t + p)
    cosine = (6.0 - d * d + 2.0 * cab + 2.0 * d * (sb - sa)) / 8.0
    if abs(cosine) <= 1.0:
        p = CIRCLE - math.acos(cosine)
        t = _wrap(-al + math.atan2(-ca + cb, d + sa - sb) + p / 2.0)
        out[5, 0], out[5, 1], out[5, 2] = t, p, _wrap(be - al - t + p)
    for word in range(6):
        if out[word, 0] < np.inf:
            out[word, 3] = radius * (out[word, 0] + out[word, 1] + out[word, 2])
    return out


@njit(cache=True)
def word_line(a: NDArray, radius: float, signs: NDArray, parts: NDArray, arc_m: float, straight_m: float) -> NDArray:
    """Return a word as an (n, 2) line from pose `a`: chords of at most `arc_m`, straights cut at
    `straight_m` [m]."""
    counts = np.zeros(3, dtype=np.int64)
    for i in range(3):
        length = parts[i] * radius
        if length > 1e-9:
            counts[i] = max(1, int(math.ceil(length / (straight_m if signs[i] == 0 else arc_m))))
    line = np.empty((1 + counts.sum(), 2))
    x, y, heading = a[0], a[1], a[2]
    line[0, 0], line[0, 1] = x, y
    n = 1
    for i in range(3):
        for step in range(1, counts[i] + 1):
            s = parts[i] * step / counts[i]
            if signs[i] == 0:
                line[n, 0] = x + s * radius * math.cos(heading)
                line[n, 1] = y + s * radius * math.sin(heading)
            else:
                turned = heading + signs[i] * s
                line[n, 0] = x + signs[i] * radius * (math.sin(turned) - math.sin(heading))
                line[n, 1] = y - signs[i] * radius * (math.cos(turned) - math.cos(heading))
            n += 1
        if counts[i] > 0:
            x, y = line[n - 1, 0], line[n - 1, 1]
            if signs[i] != 0:
                heading += signs[i] * parts[i]
    return line


@njit(cache=True)
def holds_point(x: float, y: float, ring_xy: NDArray, ring_start: NDArray) -> bool:
    """Tell whether the ground holds a point (even-odd rule over all rings)."""
    inside = False
    for ring in range(len(ring_start) - 1):
        for i in range(ring_start[ring], ring_start[ring + 1] - 1):
            x0, y0, x1, y1 = ring_xy[i, 0], ring_xy[i, 1], ring_xy[i + 1, 0], ring_xy[i + 1, 1]
            if (y0 > y) != (y1 > y) and x < x0 + (y - y0) * (x1 - x0) / (y1 - y0):
                inside = not inside
    return inside


@njit(cache=True)
def line_inside(line: NDArray, ring_xy: NDArray, ring_start: NDArray) -> bool:
    """Tell whether a line lies on the ground: a vertex in its middle does, and no boundary crosses it."""
    middle = len(line) // 2
    if not holds_point(line[middle, 0], line[middle, 1], ring_xy, ring_start):
        return False
    west, east = line[:, 0].min(), line[:, 0].max()
    south, north = line[:, 1].min(), line[:, 1].max()
    for ring in range(len(ring_start) - 1):
        for k in range(ring_start[ring], ring_start[ring + 1] - 1):
            cx, cy, dx, dy = ring_xy[k, 0], ring_xy[k, 1], ring_xy[k + 1, 0], ring_xy[k + 1, 1]
            if max(cx, dx) < west or min(cx, dx) > east or max(cy, dy) < south or min(cy, dy) > north:
                continue
            for i in range(len(line) - 1):
                ax, ay, bx, by = line[i, 0], line[i, 1], line[i + 1, 0], line[i + 1, 1]
                side_a = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
                side_b = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
                side_c = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
                side_d = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
                if side_a * side_b < 0.0 and side_c * side_d < 0.0:
                    return False
    return True


@njit(cache=True)
def best_turn(
    a: NDArray, b: NDArray, radius: float, ring_xy: NDArray, ring_start: NDArray
) -> tuple[NDArray, float, bool]:
    """Return the shortest turn from pose `a` to `b` inside the ground: line (n, 2), length [m], whether it
    is inside.

    Where none of the six words stays inside, the shortest of all.
    """
    parts = dubins_words(a, b, radius)
    left = parts[:, 3].copy()
    chosen, inside = left.argmin(), len(ring_start) < 2
    while not inside:
        word = left.argmin()
        if left[word] == np.inf:
            break
        fine = word_line(a, radius, WORDS[word], parts[word, :3], 1.0, 1e9)
        if line_inside(fine, ring_xy, ring_start):
            chosen, inside = word, True
        left[word] = np.inf
    line = word_line(a, radius, WORDS[chosen], parts[chosen, :3], ARC_STEP, 1e9)
    line[-1, 0], line[-1, 1] = b[0], b[1]
    return line, parts[chosen, 3], inside


@njit(cache=True)
def _pose_along(xy: NDArray, s: float, from_end: bool) -> NDArray:
    """Return the pose at distance `s` from the start, or before the end, of a line; its heading is the
    line's."""
    n = len(xy)
    out = np.empty(3)
    left = s
    for k in range(n - 1):
        i = n - 2 - k if from_end else k
        dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
        length = math.hypot(dx, dy)
        if left <= length or k == n - 2:
            share = min(left / length, 1.0) if length > 0.0 else 0.0
            if from_end:
                share = 1.0 - share
            out[0], out[1], out[2] = xy[i, 0] + share * dx, xy[i, 1] + share * dy, math.atan2(dy, dx)
            return out
        left -= length
    return out


@njit(cache=True)
def best_joint(
    a: NDArray,
    b: NDArray,
    cut_a: NDArray,
    cut_b: NDArray,
    radius: float,
    ring_xy: NDArray,
    ring_start: NDArray,
) -> tuple[float, float, NDArray, bool]:
    """Return the cheapest turn from line `a` to line `b`: how much each is shortened [m], the turn, whether
    inside."""
    poses_a, poses_b = np.empty((len(cut_a), 3)), np.empty((len(cut_b), 3))
    for i in range(len(cut_a)):
        poses_a[i] = _pose_along(a, cut_a[i], True)
    for j in range(len(cut_b)):
        poses_b[j] = _pose_along(b, cut_b[j], False)
    cost = np.empty(len(cut_a) * len(cut_b))
    for i in range(len(cut_a)):
        for j in range(len(cut_b)):
            parts = dubins_words(poses_a[i], poses_b[j], radius)
            turn = np.inf
            for word in range(6):
                turn = min(turn, parts[word, 3])
            cost[i * len(cut_b) + j] = turn - CORNER_CUT * (cut_a[i] + cut_b[j])
    least, tries = cost.argmin(), min(MOST_JOINTS, len(cost))
    for attempt in range(tries + 1):
        last = attempt == tries  # nothing fits: the cheapest one, as on open ground
        k = int(least) if last else int(cost.argmin())
        i, j = k // len(cut_b), k % len(cut_b)
        rings = ring_start[:1] if last else ring_start
        line, _, inside = best_turn(poses_a[i], poses_b[j], radius, ring_xy, rings)
        if inside:
            break
        cost[k] = np.inf
    return cut_a[i], cut_b[j], line, not last


def three_point(
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    radius: float,
    ring_xy: NDArray[np.float64],
    ring_start: NDArray[np.int64],
) -> tuple[NDArray[np.float64], float] | None:
    """Return the shortest three-point turn from pose `a` to `b` inside the ground: line (n, 2), length [m]; None where
    none fits.

    Ahead on an arc, straight back, ahead on an arc the same way round. The line bends back on itself where the outfit
    changes direction.
    """
    found: list[tuple[float, NDArray[np.float64]]] = []
    for sign in (1.0, -1.0):
        across = np.array([-np.sin([a[2], b[2]]), np.cos([a[2], b[2]])]).T * sign * radius
        centre_a, centre_b = a[:2] + across[0], b[:2] + across[1]
        back = centre_b - centre_a
        length = math.hypot(*back)
        heading = math.atan2(back[1], back[0]) + math.pi if length > 1e-9 else float(b[2])
        first, second = (sign * (heading - a[2])) % CIRCLE, (sign * (b[2] - heading)) % CIRCLE
        if first + second > CIRCLE:  # more than a full circle in all: no three-point turn but a loop
            continue
        signs = np.array([sign, 0, sign], dtype=np.int8)
        ahead = word_line(a, radius, signs, np.array([first, 0.0, 0.0]), ARC_STEP, 1e9)
        start = np.array([*(ahead[-1] + back), heading])
        onward = word_line(start, radius, signs, np.array([second, 0.0, 0.0]), ARC_STEP, 1e9)
        onward[-1] = b[:2]
        line = np.concatenate([ahead, onward])
        if len(ring_start) < 2 or line_inside(line, ring_xy, ring_start):
            found.append((radius * (first + second) + length, line))
    if not found:
        return None
    length, line = min(found, key=lambda one: one[0])
    return line, length
