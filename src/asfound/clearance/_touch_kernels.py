"""Loops over draws, segments of a line and pieces of a dig: how far apart, and where they touch.

A piece is a row of eight numbers as in `Pieces.shape`. Line and bore move along straight paths
through normal space: each end of a segment, and of a tube, is where it starts plus t times its
speed. A pair of segment and piece is left out where balls about both show that it can't matter; in
plan only, for pieces that are open upward.

Distances are those of `Scene`: in space, or (`separate`) the greater of the gap in plan beyond
`wide` and that in height there beyond `high`. Where only the plan counts, heights are zero and
bottoms far down.
"""

from __future__ import annotations

from math import inf, nan, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    CUBE,
    FLAG,
    FLOAT,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.int8]
Numbers = tuple[float, ...]

SLAB, DISC, WEDGE, TUBE = range(4)
FAR = 6.5
"""No path is followed farther from its middle: 4e-11 of the normal distribution lies beyond."""
CLOSE = 1e-6
"""How far from the least distance is near enough [m]."""
TURNS, SEARCH_TURNS, PLACES = 100, 40, 9
BOLDEST = 4.0
STEEPER = 1.5
TINY = 1e-300


@part
def _clip(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


@part
def _beside(kind: int, p: Floats, x: float, y: float) -> tuple[float, float, float]:
    """In plan from the nearest point of a piece to a point, and share of a tube's length there."""
    if kind == TUBE:
        ex, ey = p[3] - p[0], p[4] - p[1]
        dx, dy = x - p[0], y - p[1]
        share = _clip((dx * ex + dy * ey) / max(ex * ex + ey * ey, TINY), 0.0, 1.0)
        return dx - share * ex, dy - share * ey, share
    if kind == SLAB:
        dx, dy = x - p[0], y - p[1]
        along = dx * p[2] + dy * p[3]
        aside = dx * p[3] - dy * p[2]
        ahead = along - _clip(along, 0.0, p[4])
        aside = aside - _clip(aside, -p[5], p[5])
        return ahead * p[2] + aside * p[3], ahead * p[3] - aside * p[2], 0.0
    if kind == DISC:
        dx, dy = x - p[0], y - p[1]
        share = max(0.0, 1.0 - p[2] / max(sqrt(dx * dx + dy * dy), TINY))
        return dx * share, dy * share, 0.0
    inside, least, gx, gy = True, inf, 0.0, 0.0
    for corner in range(0, 6, 2):
        after = (corner + 2) % 6
        ex, ey = p[after] - p[corner], p[after + 1] - p[corner + 1]
        dx, dy = x - p[corner], y - p[corner + 1]
        inside = inside and ex * dy - ey * dx >= 0.0
        share = _clip((dx * ex + dy * ey) / max(ex * ex + ey * ey, TINY), 0.0, 1.0)
        dx, dy = dx - share * ex, dy - share * ey
        square = dx * dx + dy * dy
        if square < least:
            least, gx, gy = square, dx, dy
    if inside:
        return 0.0, 0.0, 0.0
    return gx, gy, 0.0


@part
def _away(kind: int, p: Floats, x: float, y: float, z: float) -> tuple[float, float, float]:
    """From the nearest point of an open piece to a point."""
    if kind == SLAB:
        dx, dy, dz = x - p[0], y - p[1], z - p[6]
        along = dx * p[2] + dy * p[3]
        aside = dx * p[3] - dy * p[2]
        aside = aside - _clip(aside, -p[5], p[5])
        foot, up = _clip(along, 0.0, p[4]), 0.0
        if dz < p[7] * foot:
            foot = _clip((along + p[7] * dz) / (1.0 + p[7] * p[7]), 0.0, p[4])
            up = dz - p[7] * foot
        ahead = along - foot
        return ahead * p[2] + aside * p[3], ahead * p[3] - aside * p[2], up
    dx, dy, _ = _beside(kind, p, x, y)
    return dx, dy, min(z - p[3 if kind == DISC else 6], 0.0)


@part
def _between_straight(line: Floats, p: Floats) -> Numbers:
    """Least distance of a segment from a tube's axis: see `_least`."""
    rx, ry, rz = line[0] - p[0], line[1] - p[1], line[2] - p[2]
    ux, uy, uz = line[3], line[4], line[5]
    vx, vy, vz = p[3] - p[0], p[4] - p[1], p[5] - p[2]
    uu, vv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
    uv = ux * vx + uy * vy + uz * vz
    ur, vr = ux * rx + uy * ry + uz * rz, vx * rx + vy * ry + vz * rz
    cross = uu * vv - uv * uv
    share = 0.0
    if cross > 1e-14 * uu * vv:
        share = _clip((uv * vr - ur * vv) / cross, 0.0, 1.0)
    there = _clip((uv * share + vr) / max(vv, TINY), 0.0, 1.0)
    share = _clip((uv * there - ur) / max(uu, TINY), 0.0, 1.0)
    x = rx + share * ux - there * vx
    y = ry + share * uy - there * vy
    z = rz + share * uz - there * vz
    return sqrt(x * x + y * y + z * z), share, there, x, y, z


@part
def _least(kind: int, line: Floats, p: Floats) -> Numbers:
    """Least distance of a segment from a piece, where on both, and the way there.

    The segment is its start and the way to its end. The distance is convex along it: tangents at
    both ends of what is left of it meet below the least distance, and where they meet is a good
    place to look. Every other time the zero of the slope of the squared distance is tried instead,
    which is exact within one region of a piece.
    """
    if kind == TUBE:
        return _between_straight(line, p)
    ux, uy, uz = line[3], line[4], line[5]
    x, y, z = _away(kind, p, line[0], line[1], line[2])
    d0, s0 = sqrt(x * x + y * y + z * z), x * ux + y * uy + z * uz
    best = d0, 0.0, 0.0, x, y, z
    x, y, z = _away(kind, p, line[0] + ux, line[1] + uy, line[2] + uz)
    d1, s1 = sqrt(x * x + y * y + z * z), x * ux + y * uy + z * uz
    if d1 < d0:
        best = d1, 1.0, 0.0, x, y, z
    t0, t1 = 0.0, 1.0
    for turn in range(SEARCH_TURNS):
        if s0 >= 0.0 or s1 <= 0.0:
            break
        fall, rise, width = s0 / max(d0, 1e-12), s1 / max(d1, 1e-12), t1 - t0
        meet = (d0 - d1 + rise * width) / max(rise - fall, 1e-12)
        if d0 + fall * meet >= best[0] - CLOSE:
            break
        if turn % 2 == 0:
            meet = width * s0 / (s0 - s1)
        middle = t0 + _clip(meet, 0.02 * width, 0.98 * width)  # off the ends: something is learnt
        x, y, z = _away(
            kind, p, line[0] + middle * ux, line[1] + middle * uy, line[2] + middle * uz
        )
        distance, slope = sqrt(x * x + y * y + z * z), x * ux + y * uy + z * uz
        if distance < best[0]:
            best = distance, middle, 0.0, x, y, z
        if slope < 0.0:
            d0, s0, t0 = distance, slope, middle
        else:
            d1, s1, t1 = distance, slope, middle
    return best


@part
def _least_apart(kind: int, line: Floats, p: Floats, wide: float, high: float) -> Numbers:
    """As `_least`, of the separation at some places along the segment."""
    best = inf, 0.0, 0.0, 0.0, 0.0, 0.0
    for place in range(PLACES):
        share = place / (PLACES - 1)
        x, y, z = line[0] + share * line[3], line[1] + share * line[4], line[2] + share * line[5]
        gx, gy, there = _beside(kind, p, x, y)
        up = 1.0
        if kind == TUBE:
            gap = z - p[2] - there * (p[5] - p[2])
            up = 1.0 if gap >= 0.0 else -1.0
            gap = abs(gap)
        else:
            bottom = p[6]
            if kind == SLAB:
                along = (x - p[0]) * p[2] + (y - p[1]) * p[3]
                bottom += p[7] * _clip(along, 0.0, p[4])
            elif kind == DISC:
                bottom = p[3]
            gap, up = max(bottom - z, 0.0), -1.0
        aside = sqrt(gx * gx + gy * gy)
        if max(aside - wide, gap - high) < best[0]:
            if aside - wide > gap - high:
                unit = 1.0 / max(aside, TINY)
                best = aside - wide, share, there, gx * unit, gy * unit, 0.0
            else:
                best = gap - high, share, there, 0.0, 0.0, up
    return best


@part
def _gap(kind: int, line: Floats, p: Floats, separate: bool, wide: float, high: float) -> Numbers:
    """Distance, where on segment and tube, and the unit vector in which it grows."""
    if separate:
        return _least_apart(kind, line, p, wide, high)
    distance, share, there, x, y, z = _least(kind, line, p)
    unit = 1.0 / max(distance, TINY)
    return distance, share, there, x * unit, y * unit, z * unit


@part
def _ball(kind: int, p: Floats, flat: bool) -> tuple[float, float, float, float]:
    """Middle and radius of a ball about a piece; in plan, at height zero, if flat."""
    if kind == TUBE:
        x, y, z = p[3] - p[0], p[4] - p[1], p[5] - p[2]
        if flat:
            half = 0.5 * sqrt(x * x + y * y)
            return p[0] + 0.5 * x, p[1] + 0.5 * y, 0.0, half
        half = 0.5 * sqrt(x * x + y * y + z * z)
        return p[0] + 0.5 * x, p[1] + 0.5 * y, p[2] + 0.5 * z, half
    if kind == SLAB:
        half = 0.5 * p[4]
        return p[0] + half * p[2], p[1] + half * p[3], 0.0, sqrt(half * half + p[5] * p[5])
    if kind == DISC:
        return p[0], p[1], 0.0, p[2]
    x, y, reach = (p[0] + p[2] + p[4]) / 3.0, (p[1] + p[3] + p[5]) / 3.0, 0.0
    for corner in range(0, 6, 2):
        dx, dy = p[corner] - x, p[corner + 1] - y
        reach = max(reach, dx * dx + dy * dy)
    return x, y, 0.0, sqrt(reach)


@kernel(CUBE, CUBE, INTEGERS, INTEGERS, BYTES, INTEGERS, GRID, FLAG, FLOAT, FLOAT, FLOATS_OUT)
def least_distances(
    nodes: Floats,
    ends: Floats,
    begin: Integers,
    finish: Integers,
    kinds: Bytes,
    tubes: Integers,
    shapes: Floats,
    separate: bool,
    wide: float,
    high: float,
    least: Floats,
) -> None:
    """Least distance of line and dig in each draw.

    Parameters
    ----------
    nodes : (n, k, 3) float64
        Of the line [m].
    ends : (n, tubes, 6) float64
        Both ends of all tubes [m]; or (1, tubes, 6), the same in all draws.
    begin, finish : (m,) int64
        Nodes at both ends of each segment; twice the same for a node by itself.
    kinds : (p,) int8
    tubes : (p,) int64
        Number of the tube that a piece is; not read for other pieces.
    shapes : (p, 8) float64
    separate : bool
    wide, high : float
        Of a separation [m].
    least : (n,) float64
        Written [m].
    """
    pieces, segments = len(kinds), len(begin)
    line, shape = np.empty(6), shapes.copy()
    balls = np.empty((pieces, 4))
    for draw in range(len(nodes)):
        node = nodes[draw]
        end = ends[draw if len(ends) > 1 else 0]
        for piece in range(pieces):
            if kinds[piece] == TUBE:
                for axis in range(6):
                    shape[piece, axis] = end[tubes[piece], axis]
            flat = separate or kinds[piece] != TUBE
            ball = _ball(kinds[piece], shape[piece], flat)
            for column in range(4):
                balls[piece, column] = ball[column]
        best = inf
        for segment in range(segments):
            one, two = begin[segment], finish[segment]
            for axis in range(3):
                line[axis] = node[one, axis]
                line[3 + axis] = node[two, axis] - node[one, axis]
            x, y, z = line[0] + 0.5 * line[3], line[1] + 0.5 * line[4], line[2] + 0.5 * line[5]
            half = 0.5 * sqrt(line[3] * line[3] + line[4] * line[4] + line[5] * line[5])
            for piece in range(pieces):
                dx, dy, dz = x - balls[piece, 0], y - balls[piece, 1], z - balls[piece, 2]
                reach = best + half + balls[piece, 3]
                if separate:
                    reach += wide
                square = dx * dx + dy * dy
                if kinds[piece] == TUBE and not separate:
                    square += dz * dz
                if reach > 0.0 and square < reach * reach:
                    gap = _gap(kinds[piece], line, shape[piece], separate, wide, high)
                    best = min(best, gap[0])
        least[draw] = best


@part
def _set(
    t: float,
    one: int,
    two: int,
    node: Floats,
    speed: Floats,
    piece: int,
    shape: Floats,
    drift: Floats,
    line: Floats,
    p: Floats,
) -> None:
    """Segment and piece as they are at t."""
    for axis in range(3):
        start = node[one, axis] + t * speed[one, axis]
        line[axis] = start
        line[3 + axis] = node[two, axis] + t * speed[two, axis] - start
    for column in range(8):
        p[column] = shape[piece, column] + t * drift[piece, column]


@part
def _motion(
    kind: int, one: int, two: int, speed: Floats, piece: int, drift: Floats, separate: bool
) -> tuple[float, float, float, float]:
    """How a segment moves against a piece: on the whole, and by how much any part differs from it.

    Moved as a whole, the distance is a convex function of t; the rest changes it by no more than
    it moves. A separation is not convex: there all motion counts as difference.
    """
    x = 0.5 * (speed[one, 0] + speed[two, 0])
    y = 0.5 * (speed[one, 1] + speed[two, 1])
    z = 0.5 * (speed[one, 2] + speed[two, 2])
    if kind == TUBE:
        x -= 0.5 * (drift[piece, 0] + drift[piece, 3])
        y -= 0.5 * (drift[piece, 1] + drift[piece, 4])
        z -= 0.5 * (drift[piece, 2] + drift[piece, 5])
    if separate:
        x = y = z = 0.0
    most = 0.0
    for end in (0, 3):
        for node in (one, two):
            dx, dy, dz = speed[node, 0] - x, speed[node, 1] - y, speed[node, 2] - z
            if kind == TUBE:
                dx, dy = dx - drift[piece, end], dy - drift[piece, end + 1]
                dz -= drift[piece, end + 2]
            most = max(most, dx * dx + dy * dy + dz * dz)
    # a gap in height also changes where the dig slopes
    return x, y, z, sqrt(most) * (STEEPER if separate else 1.0)


@part
def _first_touch(
    kind: int,
    one: int,
    two: int,
    node: Floats,
    speed: Floats,
    piece: int,
    shape: Floats,
    drift: Floats,
    separate: bool,
    wide: float,
    high: float,
    goal: float,
    way: float,
    start: float,
    stop: float,
    line: Floats,
    p: Floats,
) -> tuple[float, int]:
    """The first of way * t from start to stop at which a pair is within the goal, else infinity.

    No step is shorter than the motion allows without a touch (`_motion`). Longer ones go to where
    the tangent of the distance is zero, which is short of the touch as far as the distance is
    convex (a separation is not), and no farther than `BOLDEST` times as far.
    """
    x, y, z, rest = _motion(kind, one, two, speed, piece, drift, separate)
    here, before, value_before = start, start, inf
    looks = 0
    for _ in range(TURNS):
        _set(way * here, one, two, node, speed, piece, shape, drift, line, p)
        distance, share, there, nx, ny, nz = _gap(kind, line, p, separate, wide, high)
        looks += 1
        value = distance - goal
        if value <= 0.0:
            break
        if value <= CLOSE:
            return here, looks
        closing = rest - way * (nx * x + ny * y + nz * z)
        if here >= stop or closing <= 0.0:
            return inf, looks
        vx = (1.0 - share) * speed[one, 0] + share * speed[two, 0]
        vy = (1.0 - share) * speed[one, 1] + share * speed[two, 1]
        vz = (1.0 - share) * speed[one, 2] + share * speed[two, 2]
        if kind == TUBE:
            vx -= (1.0 - there) * drift[piece, 0] + there * drift[piece, 3]
            vy -= (1.0 - there) * drift[piece, 1] + there * drift[piece, 4]
            vz -= (1.0 - there) * drift[piece, 2] + there * drift[piece, 5]
        rate = way * (vx * nx + vy * ny + vz * nz)
        step = value / closing
        if not separate:
            bold = BOLDEST * step
            step = max(step, min(bold, -value / rate)) if rate < 0.0 else bold
        before, value_before = here, value
        here = min(here + step + 1e-9, stop)
    else:
        return here, looks  # still creeping up on it: taken as there, which can only overstate
    if value_before == inf:
        return here, looks  # it starts within
    # between a place outside and one inside: by false position, the end that stays halved
    side = 0
    for turn in range(SEARCH_TURNS):
        middle = (before * value - here * value_before) / (value - value_before)
        if turn % 4 == 3:
            middle = 0.5 * (before + here)
        _set(way * middle, one, two, node, speed, piece, shape, drift, line, p)
        between = _gap(kind, line, p, separate, wide, high)[0] - goal
        looks += 1
        if abs(between) <= CLOSE or here - before < 1e-9:
            return middle, looks
        if between > 0.0:
            before, value_before = middle, between
            value = 0.5 * value if side == 1 else value
            side = 1
        else:
            here, value = middle, between
            value_before = 0.5 * value_before if side == -1 else value_before
            side = -1
    return here, looks


@part
def _soonest(
    pairs: Integers,
    bounds: Floats,
    count: int,
    begin: Integers,
    finish: Integers,
    node: Floats,
    speed: Floats,
    kinds: Bytes,
    shape: Floats,
    drift: Floats,
    separate: bool,
    wide: float,
    high: float,
    goal: float,
    way: float,
    start: float,
    stop: float,
    enters: Floats,
    line: Floats,
    p: Floats,
) -> tuple[float, int]:
    """The first of way * t from start to stop at which any pair is within the goal, or infinity.

    The pair that may touch soonest goes first: what it finds spares most others.
    """
    soonest, lead = inf, -1
    for k in range(count):
        enter, back, ahead = bounds[k, 0], bounds[k, 3], bounds[k, 4]
        if way < 0.0:
            enter, back, ahead = -bounds[k, 1], ahead, back
        enter = max(enter, start)
        room = bounds[k, 2] - goal  # in the middle; it closes no faster than back and ahead
        if room > 0.0 and (back <= 0.0 or enter > -room / back):
            enter = max(enter, room / ahead) if ahead > 0.0 else inf
        enters[k] = enter
        if enter < soonest:
            soonest, lead = enter, k
    found, looks = inf, 0
    for turn in range(-1, count):
        k = lead if turn < 0 else turn
        if k < 0 or turn == lead:
            continue
        leave = min(bounds[k, 1] if way > 0.0 else -bounds[k, 0], stop, found)
        if enters[k] > leave:
            continue
        segment, piece = pairs[k, 0], pairs[k, 1]
        touch, more = _first_touch(
            kinds[piece], begin[segment], finish[segment], node, speed, piece, shape, drift,
            separate, wide, high, goal, way, enters[k], leave, line, p,
        )  # fmt: skip
        looks += more
        found = min(found, touch)
    return found, looks


@part
def _length(t: float, node: Floats, speed: Floats, one: int, two: int) -> float:
    square = 0.0
    for axis in range(3):
        step = node[two, axis] - node[one, axis] + t * (speed[two, axis] - speed[one, axis])
        square += step * step
    return sqrt(square)


@kernel(
    CUBE, CUBE, INTEGERS, CUBE, CUBE, INTEGERS, INTEGERS, BYTES, INTEGERS, GRID, FLAG, FLOAT, FLOAT,
    GRID, GRID_OUT, GRID_OUT, INTEGERS_OUT,
)  # fmt: skip
def touching_stretches(
    nodes: Floats,
    ends: Floats,
    paths: Integers,
    node_speeds: Floats,
    end_speeds: Floats,
    begin: Integers,
    finish: Integers,
    kinds: Bytes,
    tubes: Integers,
    shapes: Floats,
    separate: bool,
    wide: float,
    high: float,
    goals: Floats,
    first: Floats,
    last: Floats,
    looks: Integers,
) -> None:
    """From where to where along each path line and dig are within a goal, for falling goals.

    Parameters
    ----------
    nodes : (n, k, 3) float64
        Of the line in the middle of each path [m].
    ends : (n, tubes, 6) float64
        Of tubes [m].
    paths : (n,) int64
        Which speeds hold for each path.
    node_speeds : (d, k, 3) float64
    end_speeds : (d, tubes, 6) float64
        What they move by along the path [m].
    begin, finish : (m,) int64
    kinds : (p,) int8
    tubes : (p,) int64
    shapes : (p, 8) float64
    separate : bool
    wide, high : float
        As for `least_distances`.
    goals : (n, e) float64
        From the greatest down [m].
    first, last : (n, e) float64
        Written: from -`FAR` to `FAR`; NaN where they are nowhere within the goal.
    looks : (n,) int64
        Written: how often the distance of a segment and a piece was taken.
    """
    pieces, segments = len(kinds), len(begin)
    line, p = np.empty(6), np.empty(8)
    shape, drift = shapes.copy(), np.zeros((pieces, 8))
    x, y, z, half = np.empty(pieces), np.empty(pieces), np.empty(pieces), np.empty(pieces)
    vx, vy, vz = np.empty(pieces), np.empty(pieces), np.empty(pieces)
    square, along, room = np.empty(pieces), np.empty(pieces), np.empty(pieces)
    pairs = np.empty((segments * pieces, 2), np.int64)
    bounds, enters = np.empty((segments * pieces, 5)), np.empty(segments * pieces)
    flat, before = separate, -1
    for path in range(len(nodes)):
        node, speed = nodes[path], node_speeds[paths[path]]
        # balls about pieces, as wide as they become anywhere on the path, and how these move
        for piece in range(pieces):
            kind = kinds[piece]
            flat = flat or kind != TUBE
            if kind == TUBE:
                for axis in range(6):
                    shape[piece, axis] = ends[path, tubes[piece], axis]
                    if paths[path] != before:
                        drift[piece, axis] = end_speeds[paths[path], tubes[piece], axis]
            half[piece] = 0.0
            for t in (-FAR, FAR):
                for column in range(8):
                    p[column] = shape[piece, column] + t * drift[piece, column]
                half[piece] = max(half[piece], _ball(kind, p, flat)[3])
            x[piece], y[piece], z[piece], _ = _ball(kind, shape[piece], flat)
            vx[piece] = 0.5 * (drift[piece, 0] + drift[piece, 3])
            vy[piece] = 0.5 * (drift[piece, 1] + drift[piece, 4])
            vz[piece] = 0.0 if flat else 0.5 * (drift[piece, 2] + drift[piece, 5])
        before = paths[path]
        count, looked = 0, 0
        for segment in range(segments):
            one, two = begin[segment], finish[segment]
            reach = goals[path, 0] + (wide if separate else 0.0)
            reach += 0.5 * max(
                _length(-FAR, node, speed, one, two), _length(FAR, node, speed, one, two)
            )
            mx, my = 0.5 * (node[one, 0] + node[two, 0]), 0.5 * (node[one, 1] + node[two, 1])
            ux, uy = 0.5 * (speed[one, 0] + speed[two, 0]), 0.5 * (speed[one, 1] + speed[two, 1])
            mz, uz = 0.0, 0.0
            if not flat:
                mz, uz = 0.5 * (node[one, 2] + node[two, 2]), 0.5 * (speed[one, 2] + speed[two, 2])
            # most pairs end here: no branches, so that several are done at once
            for piece in range(pieces):
                dx, dy, dz = mx - x[piece], my - y[piece], mz - z[piece]
                wx, wy, wz = ux - vx[piece], uy - vy[piece], uz - vz[piece]
                radius = reach + half[piece]
                square[piece] = wx * wx + wy * wy + wz * wz
                along[piece] = dx * wx + dy * wy + dz * wz
                outside = dx * dx + dy * dy + dz * dz - radius * radius
                room[piece] = along[piece] * along[piece] - square[piece] * outside
            for piece in range(pieces):
                if room[piece] < 0.0:
                    continue
                # the balls meet from here to there, if within the path
                root, speed_squared = sqrt(room[piece]), max(square[piece], 1e-24)
                enter = (-along[piece] - root) / speed_squared
                leave = (-along[piece] + root) / speed_squared
                if speed_squared == 1e-24:
                    enter, leave = -FAR, FAR
                if enter > FAR or leave < -FAR:
                    continue
                kind = kinds[piece]
                _set(0.0, one, two, node, speed, piece, shape, drift, line, p)
                gap, _, _, nx, ny, nz = _gap(kind, line, p, separate, wide, high)
                looked += 1
                px, py, pz, rest = _motion(kind, one, two, speed, piece, drift, separate)
                closing = nx * px + ny * py + nz * pz
                pairs[count, 0], pairs[count, 1] = segment, piece
                bounds[count, 0], bounds[count, 1] = enter, leave
                bounds[count, 2] = gap
                bounds[count, 3], bounds[count, 4] = rest + closing, rest - closing
                count += 1
        low, top = -FAR, FAR
        for e in range(goals.shape[1]):
            first[path, e] = last[path, e] = nan
        for e in range(goals.shape[1]):
            found, more = _soonest(
                pairs, bounds, count, begin, finish, node, speed, kinds, shape, drift, separate,
                wide, high, goals[path, e], 1.0, low, top, enters, line, p,
            )  # fmt: skip
            looked += more
            if found == inf:
                break  # nor within a smaller one
            low = found
            found, more = _soonest(
                pairs, bounds, count, begin, finish, node, speed, kinds, shape, drift, separate,
                wide, high, goals[path, e], -1.0, -top, -low, enters, line, p,
            )  # fmt: skip
            looked += more
            # infinite where they touch so shortly that the way back misses it
            top = max(low, -found)
            first[path, e], last[path, e] = low, top
        looks[path] = looked
