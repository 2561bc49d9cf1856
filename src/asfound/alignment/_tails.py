"""Ends of paths that don't belong: loose by distance, by angle, or by what the log says."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._points import Floats, Integers, Paths, Points, median_of_stretches

LOOSE_TAIL = 1.8
TAIL_TURN = np.radians(25.0)


def shed_tails(points: Points, paths: Paths) -> Paths:
    """Paths without end points that hang on by a step far longer than usual, or at an angle.

    Such a point is as likely mistyped as the end of the line; by itself it can still be joined,
    after the line has found its own continuation.
    """
    step = usual_step(points, paths)
    big = np.flatnonzero(paths.sizes >= 5)
    head, tail = paths.starts[:-1][big], paths.starts[1:][big] - 1
    cut = np.zeros(len(paths.nodes), bool)
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    scatter = points.scatter[paths.nodes]
    for end, way in ((head, 1), (tail, -1)):
        last_x, last_y = x[end] - x[end + way], y[end] - y[end + way]
        own_x, own_y = x[end + way] - x[end + 3 * way], y[end + way] - y[end + 3 * way]
        length = np.hypot(last_x, last_y)
        turn = turn_between(own_x, own_y, last_x, last_y)
        noise = np.minimum(4.0 * scatter[end] / np.maximum(length, 0.05), 1.0)
        loose = (length > LOOSE_TAIL * step[big]) | (turn > TAIL_TURN + noise)
        cut[end[loose] if way > 0 else end[loose] - 1] = True
    return cut_paths(paths, cut)


def shed_by_log(points: Points, paths: Paths) -> tuple[Paths, Integers]:
    """Paths without end points that the log has in the middle of another path.

    A mistyped position can fall where another line seems to go on to it; the shots logged before
    and after it, neighbours on their own line, say where it belongs.

    Returns
    -------
    paths : Paths
    shed : (k,) int64
        Points cut off.
    """
    count = len(points)
    if count < 5:
        return paths, np.empty(0, np.int64)
    owner = np.full(count, -1)
    rank = np.full(count, -1)
    owner[paths.nodes] = paths.owner()
    rank[paths.nodes] = np.arange(len(paths.nodes))
    ends = np.concatenate((paths.starts[:-1], paths.starts[1:] - 1))
    ends = ends[(paths.sizes > 1)[np.tile(np.arange(len(paths)), 2)]]
    node = paths.nodes[ends]
    inner = (node >= 2) & (node < count - 2)
    ends, node = ends[inner], node[inner]
    around = node + np.array([[-2], [-1], [1], [2]])
    elsewhere = (owner[around] == owner[node - 1]).all(axis=0) & (owner[node - 1] != owner[node])
    chained = (points.chain[around] == points.chain[node]).all(axis=0)
    steps = np.diff(rank[around], axis=0)
    in_turn = (steps == 1).all(axis=0) | (steps == -1).all(axis=0)
    wrong = ends[chained & elsewhere & in_turn]
    cut = np.zeros(len(paths.nodes), bool)
    heads = np.isin(wrong, paths.starts[:-1])
    cut[wrong[heads]] = True
    cut[wrong[~heads] - 1] = True
    return cut_paths(paths, cut), paths.nodes[wrong]


def usual_step(points: Points, paths: Paths) -> Floats:
    """(paths,) median distance between neighbours on each path [m]; NaN for single points."""
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    step = np.hypot(np.diff(x), np.diff(y))
    # without the steps from one path to the next
    inner = np.ones(len(step), bool)
    inner[paths.starts[1:-1] - 1] = False
    starts = paths.starts - np.arange(len(paths.starts))
    return median_of_stretches(step[inner], starts)


def cut_paths(paths: Paths, cut: npt.NDArray[np.bool_]) -> Paths:
    """Paths cut after each marked node position."""
    inner = np.zeros(len(paths.nodes) + 1, bool)
    inner[paths.starts] = True
    inner[1:][cut] = True
    return Paths(paths.nodes, np.flatnonzero(inner).astype(np.int64))


def turn_between(ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Floats:
    """Unsigned angle from one vector to another [rad]."""
    cross = ax * by - ay * bx
    dot = ax * bx + ay * by
    return np.asarray(np.abs(np.arctan2(cross, dot)))
