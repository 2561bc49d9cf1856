"""Loops along ordered points: which lie off their line, where it runs, how far along they are."""

from __future__ import annotations

from math import atan2, copysign, cos, inf, nan, pi, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    FLAGS_OUT,
    FLOATS,
    FLOATS_OUT,
    INTEGERS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

REACH = 3
SPIKE_TURN = 40.0 * pi / 180.0
COS_SPIKE = cos(SPIKE_TURN)
TURNS_BACK = 0.25
TURNS_BACK_AT_END = 0.4
SPIKE_SCATTERS = 6.0
LEAST_SCATTER = 0.03
TINY = 1e-12
"""Difference of mean squares that only rounding makes [m2]."""
STRAIGHT_SCATTERS = 2.0


@part
def _turn(x: Floats, y: Floats, k: int, first: int, last: int) -> float:
    """Signed, of the path at a point [rad]; zero at its ends."""
    if k <= first or k >= last:
        return 0.0
    ax, ay = x[k] - x[k - 1], y[k] - y[k - 1]
    bx, by = x[k + 1] - x[k], y[k + 1] - y[k]
    return atan2(ax * by - ay * bx, ax * bx + ay * by)


@part
def _jumps_aside(x: Floats, y: Floats, k: int, first: int, last: int, scatter: float) -> bool:
    """The path turns away at an inner point and back before and after it, by much."""
    ax, ay = x[k] - x[k - 1], y[k] - y[k - 1]
    bx, by = x[k + 1] - x[k], y[k + 1] - y[k]
    dot = ax * bx + ay * by
    if dot > 0.0 and dot * dot > COS_SPIKE**2 * (ax * ax + ay * ay) * (bx * bx + by * by):
        return False
    turn = atan2(ax * by - ay * bx, dot)
    size = abs(turn)
    if size <= SPIKE_TURN:
        return False
    sign = 1.0 if turn > 0.0 else -1.0
    before = -sign * _turn(x, y, k - 1, first, last)
    after = -sign * _turn(x, y, k + 1, first, last)
    against = before > TURNS_BACK * size and after > TURNS_BACK * size
    # at an end only one neighbour can turn back
    half = (k - 1 == first and after > TURNS_BACK_AT_END * size) or (
        k + 1 == last and before > TURNS_BACK_AT_END * size
    )
    if not (against or half):
        return False
    cx, cy = x[k + 1] - x[k - 1], y[k + 1] - y[k - 1]
    chord = sqrt(cx * cx + cy * cy)
    return bool(abs(ax * cy - ay * cx) > SPIKE_SCATTERS * scatter * chord)


@part
def _axis(
    number: float, sx: float, sy: float, xx: float, xy: float, yy: float
) -> tuple[float, float, float]:
    """Straight fit to points of which number, sums and products are given.

    Returns the axis' unit vector, of two the one that does not point west, and the mean square
    distance of the points from it, infinite for fewer than three of them.
    """
    safe = max(number, 1.0)
    xx -= sx * sx / safe
    xy -= sx * sy / safe
    yy -= sy * sy / safe
    # twice the axis' angle has the cosine and sine apart / size and both / size
    apart, both = xx - yy, 2.0 * xy
    size = sqrt(apart * apart + both * both)
    share = abs(apart) / size if size > 0.0 else 1.0
    larger = sqrt(0.5 + 0.5 * share)
    smaller = 0.5 * both / (size * larger) if size > 0.0 else 0.0
    ux = larger if apart >= 0.0 else abs(smaller)
    uy = smaller if apart >= 0.0 else copysign(larger, both)
    spread = max(0.5 * (xx + yy - size), 0.0) / max(number - 2.0, 1.0)
    return ux, uy, spread if number >= 3.0 else inf


@part
def _axes(x: Floats, y: Floats, weight: Floats, ux: Floats, uy: Floats, square: Floats) -> None:
    """Straight fits over each point but the first and last three, with three to either side.

    Without a branch, so that the machine works on several points at a time.
    """
    for k in range(len(ux)):
        number = sx = sy = xx = xy = yy = 0.0
        for other in range(k, k + 2 * REACH + 1):
            w = weight[other]
            dx, dy = (x[other] - x[k + REACH]) * w, (y[other] - y[k + REACH]) * w
            number += w
            sx += dx
            sy += dy
            xx += dx * dx
            xy += dx * dy
            yy += dy * dy
        ux[k], uy[k], square[k] = _axis(number, sx, sy, xx, xy, yy)


@part
def _one_sided_axis(
    x: Floats, y: Floats, weight: Floats, k: int, way: int
) -> tuple[float, float, float]:
    """The same over a point and three after it (+1) or before it (-1)."""
    number, sx, sy, xx, xy, yy = weight[k], 0.0, 0.0, 0.0, 0.0, 0.0
    for step in range(1, REACH + 1):
        other = k + way * step
        w = weight[other]
        dx, dy = (x[other] - x[k]) * w, (y[other] - y[k]) * w
        number += w
        sx += dx
        sy += dy
        xx += dx * dx
        xy += dx * dy
        yy += dy * dy
    return _axis(number, sx, sy, xx, xy, yy)


@kernel(
    FLOATS, FLOATS, FLOATS, INTEGERS, INTEGERS, FLAGS_OUT, FLOATS_OUT, FLOATS_OUT
)  # fmt: skip
def find_directions(
    px: Floats,
    py: Floats,
    scatter: Floats,
    nodes: Integers,
    starts: Integers,
    off: Flags,
    tx: Floats,
    ty: Floats,
) -> None:
    """Nodes off their line, and the line's direction at each node.

    Parameters
    ----------
    px, py, scatter : (p,) float64
        By point [m].
    nodes, starts
        Of `Paths`.
    off : (m,) bool
        Filled.
    tx, ty : (m,) float64
        Filled: unit vectors; NaN where a path does not leave its place.
    """
    largest = 0
    for path in range(len(starts) - 1):
        largest = max(largest, starts[path + 1] - starts[path])
    # a path by itself, with nothing around it
    x, y = np.zeros(largest + 2 * REACH), np.zeros(largest + 2 * REACH)
    weight = np.zeros(largest + 2 * REACH)
    square = np.empty(largest)
    for path in range(len(starts) - 1):
        begin, size = starts[path], starts[path + 1] - starts[path]
        first, last = REACH, REACH + size - 1
        for k in range(size):
            x[REACH + k], y[REACH + k] = px[nodes[begin + k]], py[nodes[begin + k]]
            weight[REACH + k] = 1.0
        weight[last + 1 : last + 1 + REACH] = 0.0
        off[begin : begin + size] = False
        for k in range(first + 1, last):
            if _jumps_aside(x, y, k, first, last, scatter[nodes[begin + k - REACH]]):
                off[begin + k - REACH] = True
                weight[k] = 0.0
        ux, uy = tx[begin : begin + size], ty[begin : begin + size]
        end = size + 2 * REACH
        _axes(x[:end], y[:end], weight[:end], ux, uy, square)
        before, after = first, first
        for k in range(first, last + 1):
            at = k - REACH
            # chord of the nearest neighbours on the line
            if k > first and weight[k - 1] > 0.0:
                before = k - 1
            after = max(after, min(k + 1, last))
            while after < last and weight[after] == 0.0:
                after += 1
            cx, cy = x[after] - x[before], y[after] - y[before]
            limit = (STRAIGHT_SCATTERS * max(scatter[nodes[begin + at]], LEAST_SCATTER)) ** 2
            if square[at] > limit:
                ux[at], uy[at], least = _one_sided_axis(x, y, weight, k, -1)
                vx, vy, other = _one_sided_axis(x, y, weight, k, 1)
                if other < least - TINY:
                    ux[at], uy[at], least = vx, vy, other
                if least > limit:
                    length = sqrt(cx * cx + cy * cy)
                    ux[at], uy[at] = (cx / length, cy / length) if length > 0.0 else (nan, nan)
            # a fit has no sense of direction: take it from the chord
            if ux[at] * cx + uy[at] * cy < 0.0:
                ux[at], uy[at] = -ux[at], -uy[at]
