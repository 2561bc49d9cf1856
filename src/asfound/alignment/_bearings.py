"""Direction and station along ordered points, told from noise, outliers and corners."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._points import Floats, Paths, Points

REACH = 3
SPIKE_TURN = np.radians(40.0)


def spikes(points: Points, paths: Paths) -> npt.NDArray[np.bool_]:
    """(m,) nodes off their line: the path jumps aside and comes back.

    The turns before and after such a point go against its own, which no corner does.
    """
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    count = len(x)
    flag = np.zeros(count, bool)
    if count < 3:
        return flag
    owner = paths.owner()
    dx, dy = np.diff(x), np.diff(y)
    turn = np.zeros(count)
    cross = dx[:-1] * dy[1:] - dy[:-1] * dx[1:]
    dot = dx[:-1] * dx[1:] + dy[:-1] * dy[1:]
    inner = owner[2:] == owner[:-2]
    turn[1:-1] = np.where(inner, np.arctan2(cross, dot), 0.0)
    chord = np.zeros(count)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = np.abs(dx[:-1] * (y[2:] - y[:-2]) - dy[:-1] * (x[2:] - x[:-2])) / np.hypot(
            x[2:] - x[:-2], y[2:] - y[:-2]
        )
    chord[1:-1] = np.where(inner, np.nan_to_num(off), 0.0)
    before = np.zeros(count)
    after = np.zeros(count)
    before[1:], after[:-1] = turn[:-1], turn[1:]
    big = np.abs(turn) > SPIKE_TURN
    against = (-before * np.sign(turn) > 0.25 * np.abs(turn)) & (
        -after * np.sign(turn) > 0.25 * np.abs(turn)
    )
    # at an end only one neighbour can turn back
    first = np.zeros(count, bool)
    last = np.zeros(count, bool)
    first[paths.starts[:-1]] = True
    last[paths.starts[1:] - 1] = True
    near_first = np.zeros(count, bool)
    near_last = np.zeros(count, bool)
    near_first[1:] = first[:-1]
    near_last[:-1] = last[1:]
    half = (near_first & (-after * np.sign(turn) > 0.4 * np.abs(turn))) | (
        near_last & (-before * np.sign(turn) > 0.4 * np.abs(turn))
    )
    flag = big & (against | half) & (chord > 6.0 * points.scatter[paths.nodes])
    return np.asarray(flag & ~first & ~last)


def local_directions(
    points: Points, paths: Paths, off: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """(m,) unit east and north components of the path's direction at each node.

    A straight fit over up to seven points where they lie straight; else over the four to one
    side, so that a corner stays a corner; else the chord of the two neighbours, as on a curve.
    """
    nodes = paths.nodes
    x, y = points.x[nodes], points.y[nodes]
    count = len(nodes)
    if count == 0:
        return np.empty(0), np.empty(0)
    owner = paths.owner().astype(np.int32)
    weight = (~off).astype(np.float64)
    sides = []
    for sign in (-1, 1):
        sums = np.zeros((6, count))
        for k in range(1, REACH + 1):
            if k >= count:
                break
            here = slice(k, None) if sign < 0 else slice(None, -k)
            there = slice(None, -k) if sign < 0 else slice(k, None)
            w = weight[there] * (owner[here] == owner[there])
            dx = (x[there] - x[here]) * w
            dy = (y[there] - y[here]) * w
            sums[0, here] += w
            sums[1, here] += dx
            sums[2, here] += dy
            sums[3, here] += dx * dx
            sums[4, here] += dx * dy
            sums[5, here] += dy * dy
        sides.append(sums)
    left, right = sides
    scatter = np.maximum(points.scatter[nodes], 0.03)
    wide = _fit(left + right, weight)
    one = _fit(left, weight)
    two = _fit(right, weight)
    limit = 2.0 * scatter
    side_x = np.where(one[2] <= two[2], one[0], two[0])
    side_y = np.where(one[2] <= two[2], one[1], two[1])
    side_rms = np.minimum(one[2], two[2])
    # chord of the nearest neighbours on the line
    chord_x, chord_y = _chord(x, y, owner, weight)
    straight = wide[2] <= limit
    sided = ~straight & (side_rms <= limit)
    tx = np.where(straight, wide[0], np.where(sided, side_x, chord_x))
    ty = np.where(straight, wide[1], np.where(sided, side_y, chord_y))
    # a fit has no sense of direction: take it from the chord
    against = tx * chord_x + ty * chord_y < 0
    tx, ty = np.where(against, -tx, tx), np.where(against, -ty, ty)
    length = np.hypot(tx, ty)
    with np.errstate(invalid="ignore", divide="ignore"):
        return tx / length, ty / length


def _fit(sums: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Direction and root mean square distance of a straight fit from sums about each node."""
    # the node itself lies at its own origin: it adds to the number only
    number = sums[0] + weight
    safe = np.maximum(number, 1.0)
    mx, my = sums[1] / safe, sums[2] / safe
    xx = sums[3] - number * mx * mx
    xy = sums[4] - number * mx * my
    yy = sums[5] - number * my * my
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    least = 0.5 * (xx + yy) - 0.5 * np.hypot(xx - yy, 2.0 * xy)
    rms = np.sqrt(np.maximum(least, 0.0) / np.maximum(number - 2.0, 1.0))
    rms[number < 3] = np.inf
    return np.cos(angle), np.sin(angle), rms


def _chord(
    x: Floats, y: Floats, owner: npt.NDArray[np.int32], weight: Floats
) -> tuple[Floats, Floats]:
    """From the last good neighbour before each node to the next one after it."""
    count = len(x)
    position = np.arange(count)
    good = weight > 0
    last = np.maximum.accumulate(np.where(good, position, -1))
    following = np.minimum.accumulate(np.where(good, position, count)[::-1])[::-1]
    before = np.concatenate(([-1], last[:-1]))
    after = np.concatenate((following[1:], [count]))
    before = np.where((before >= 0) & (owner[before] == owner), before, position)
    clipped = np.minimum(after, count - 1)
    after = np.where((after < count) & (owner[clipped] == owner), clipped, position)
    dx, dy = x[after] - x[before], y[after] - y[before]
    length = np.maximum(np.hypot(dx, dy), 1e-12)
    return dx / length, dy / length


def stations(points: Points, paths: Paths, off: npt.NDArray[np.bool_]) -> Floats:
    """(m,) distance along the polyline of the nodes that are not off it [m].

    A node off the line gets the station of its foot between its neighbours.
    """
    nodes = paths.nodes
    x, y = points.x[nodes], points.y[nodes]
    owner = paths.owner()
    good = np.flatnonzero(~off)
    step = np.zeros(len(good))
    step[1:] = np.hypot(np.diff(x[good]), np.diff(y[good]))
    step[1:][owner[good][1:] != owner[good][:-1]] = 0.0
    total = np.cumsum(step)
    along = np.zeros(len(nodes))
    along[good] = total
    bad = np.flatnonzero(off)
    if len(bad):
        place = np.searchsorted(good, bad)
        before, after = good[np.maximum(place - 1, 0)], good[np.minimum(place, len(good) - 1)]
        ex, ey = x[after] - x[before], y[after] - y[before]
        square = np.maximum(ex * ex + ey * ey, 1e-12)
        t = ((x[bad] - x[before]) * ex + (y[bad] - y[before]) * ey) / square
        along[bad] = along[before] + np.clip(t, 0.0, 1.0) * (along[after] - along[before])
    begin = along[paths.starts[:-1]]
    return np.asarray(along - np.repeat(begin, paths.sizes))
