"""Joining ends of paths, and saying how doubtful each join is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from asfound.alignment._neighbours import keyed_places
from asfound.alignment._order import drop_cycles, walk_links
from asfound.alignment._points import Floats, Integers, Paths, Points, grouped_median, ragged
from asfound.alignment._tails import turn_between, usual_step

HARD_GAP = 60.0
HARD_GAP_NAMED = 150.0
HARD_SPACINGS = 12.0
STRAIGHT = np.radians(35.0)
SINGLE_TURN = np.radians(15.0)
LARGEST_TURN = np.radians(115.0)
LARGEST_TURN_LOGGED = np.radians(150.0)
TURN_SCALE = np.radians(15.0)
TURN_CAP = 6.0
CORNER_SPACINGS = 2.5
CORNER_LEAST = 4.0
_NEIGHBOURS = 12


def join_ends(
    points: Points, paths: Paths, alone: npt.NDArray[np.bool_], stages: tuple[int, ...]
) -> Paths:
    """Paths joined where one plainly goes on as another.

    Ends are joined where each is the other's best continuation: near, and straight, or round a
    corner over a short distance. Beyond a hard limit nothing is joined. Stretches are joined
    first; single points, which have no direction of their own, only find a place afterwards.

    Parameters
    ----------
    points, paths
    alone : (p,) bool
        By point: paths of such points stay by themselves.
    stages : tuple of int
        0: stretches straight on over a short gap. 1: stretches, corners, single points straight
        ahead. 2: single points round a bend. 3: single points with each other.
    """
    for stage in stages:
        for _ in range(10):
            joined = _join_once(points, paths, alone, stage)
            if joined is None:
                break
            paths = joined
    return paths


def _join_once(
    points: Points, paths: Paths, alone: npt.NDArray[np.bool_], stage: int
) -> Paths | None:
    count = len(paths)
    if count < 2:
        return None
    sizes = paths.sizes
    head, tail = paths.starts[:-1], paths.starts[1:] - 1
    node = paths.nodes[np.concatenate((head, tail))]
    path = np.tile(np.arange(count), 2)
    x, y = points.x[node], points.y[node]
    ux, uy = _outward(points, paths)
    length = np.hypot(ux, uy)
    pointed = length > 0
    ux, uy = ux / np.maximum(length, 1e-9), uy / np.maximum(length, 1e-9)
    wobble = np.minimum(2.0 * points.scatter[node] / np.maximum(length, 0.1), 1.0)

    step = usual_step(points, paths)
    key = points.key[paths.nodes[head]]
    keys = int(points.key.max()) + 1
    has = np.isfinite(step)
    order = np.argsort(key[has], kind="stable")
    by_key = grouped_median(step[has][order], key[has][order].astype(np.int64), keys)
    fallback = np.nan_to_num(by_key, nan=5.0)
    step = np.where(has, step, fallback[key])
    spacing = np.clip(step, 1.0, 15.0)[path]

    place = keyed_places(points, node)
    tree = KDTree(place)
    distance, near = tree.query(
        place, min(_NEIGHBOURS + 1, len(node)), distance_upper_bound=HARD_GAP_NAMED
    )
    a = np.repeat(np.arange(len(node)), distance.shape[1])
    b, gap = near.ravel(), distance.ravel()
    fits = np.isfinite(gap)
    a, b, gap = a[fits], b[fits], gap[fits]
    apart = (path[a] != path[b]) & ~alone[node[a]] & ~alone[node[b]]
    a, b, gap = a[apart], b[apart], gap[apart]

    dx, dy = x[b] - x[a], y[b] - y[a]
    with np.errstate(invalid="ignore", divide="ignore"):
        bx, by = dx / gap, dy / gap
    close = gap < 0.5
    turn_a = turn_between(ux[a], uy[a], bx, by)
    turn_b = turn_between(bx, by, -ux[b], -uy[b])
    overall = turn_between(ux[a], uy[a], -ux[b], -uy[b])
    both = pointed[a] & pointed[b]
    turn_a = np.where(close, np.where(both, overall, 0.0), np.where(pointed[a], turn_a, 0.0))
    turn_b = np.where(close, 0.0, np.where(pointed[b], turn_b, 0.0))
    turn = turn_a + turn_b
    loose = wobble[a] + wobble[b] + np.minimum(points.scatter[node[a]] / np.maximum(gap, 0.5), 0.5)
    s = np.maximum(spacing[a], spacing[b])
    bent = np.minimum((turn_a**2 + turn_b**2) / (TURN_SCALE**2 + loose**2), TURN_CAP)
    other_hookup = (points.hookup[node[a]] != points.hookup[node[b]]) & (
        np.minimum(points.hookup[node[a]], points.hookup[node[b]]) >= 0
    )
    next_in_log = (np.abs(node[a] - node[b]) == 1) & (
        points.chain[node[a]] == points.chain[node[b]]
    )
    cost = gap / s + bent + 1.0 * other_hookup - 1.0 * next_in_log
    named = points.named[points.key[node[a]]]
    hard = np.where(named, HARD_GAP_NAMED, np.minimum(HARD_GAP, HARD_SPACINGS * s))
    straight = turn <= STRAIGHT + np.minimum(loose, 0.5)
    # where the log or the field's own name speaks for it, a corner may follow on a corner
    sharpest = np.where(named | next_in_log, LARGEST_TURN_LOGGED, LARGEST_TURN)
    corner = (turn <= sharpest) & (gap <= np.maximum(CORNER_SPACINGS * s, CORNER_LEAST))
    allowed = np.where(straight, gap <= hard, corner)
    # without a direction at either end only nearness speaks: be strict
    blind = ~pointed[a] & ~pointed[b]
    half = (~pointed[a] | ~pointed[b]) & ~blind
    if stage == 0:
        # stretches over what single shots may have left open
        allowed &= straight & ~half & ~blind & (gap <= 3.0 * s)
    elif stage == 1:
        allowed &= ~half | ((turn <= SINGLE_TURN) & (gap <= 3.0 * s))
        allowed &= ~blind
    else:
        near = np.where(turn <= SINGLE_TURN, 6.0, 3.0) * s
        allowed &= ~half | (straight & (gap <= near)) | (next_in_log & (gap <= 1.5 * s))
        allowed &= ~blind | ((gap <= 2.0 * s) & (stage == 3))
    a, b, cost = a[allowed], b[allowed], cost[allowed]
    if len(a) == 0:
        return None
    best = _best(len(node), a, b, cost, x, y)
    mine = np.flatnonzero(best >= 0)
    mutual = mine[(best[best[mine]] == mine) & (mine < best[mine])]
    if len(mutual) == 0:
        return None
    partner = best[mutual]
    table = np.full(len(node), np.inf)
    np.minimum.at(table, a, cost)
    joins_cost = table[mutual]
    # a single point has two ends in one place: it may be joined on both sides, not to one twice
    low = np.minimum(path[mutual], path[partner])
    high = np.maximum(path[mutual], path[partner])
    _, once = np.unique(low * count + high, return_index=True)
    mutual, partner, joins_cost = mutual[once], partner[once], joins_cost[once]
    free = drop_cycles(count, path[mutual], path[partner], joins_cost)
    return _relink(paths, sizes, mutual[free], partner[free])


def _relink(paths: Paths, sizes: Integers, a: Integers, b: Integers) -> Paths:
    """Paths after joining end a to end b (ends 0..count-1 are heads, then tails)."""
    count = len(paths)
    inner_first = np.arange(count)
    inner_second = np.arange(count) + count
    order, label = walk_links(
        2 * count, np.concatenate((inner_first, a)), np.concatenate((inner_second, b))
    )
    path = (order % count)[::2]
    forward = order[::2] < count
    group = label[::2]
    size = sizes[path]
    index = ragged(paths.starts[path], size)
    flip = np.repeat(~forward, size)
    whole = np.repeat(paths.starts[path] + paths.starts[path + 1] - 1, size)
    index = np.where(flip, whole - index, index)
    return Paths.of_sizes(paths.nodes[index], np.bincount(group, size).astype(np.int64))


def _best(ends: int, a: Integers, b: Integers, cost: Floats, x: Floats, y: Floats) -> Integers:
    """(ends,) each end's cheapest partner, -1 none; ties by place, not by row."""
    order = np.lexsort((y[b], x[b], cost, a))
    best = np.full(ends, -1)
    first = np.unique(a[order], return_index=True)[1]
    best[a[order][first]] = b[order][first]
    return best


def _outward(points: Points, paths: Paths) -> tuple[Floats, Floats]:
    """(2 paths,) vectors out of heads and tails, over up to four points; zero for single ones."""
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    head, tail = paths.starts[:-1], paths.starts[1:] - 1
    size = paths.sizes
    reach = np.minimum(size - 1, 3)
    wide = size >= 4
    near_h = np.minimum(head + wide, tail)
    far_h = head + reach
    far_h1 = np.where(wide, far_h - 1, far_h)
    hx = x[head] + x[near_h] - x[far_h] - x[far_h1]
    hy = y[head] + y[near_h] - y[far_h] - y[far_h1]
    near_t = np.maximum(tail - wide, head)
    far_t = tail - reach
    far_t1 = np.where(wide, far_t + 1, far_t)
    tx = x[tail] + x[near_t] - x[far_t] - x[far_t1]
    ty = y[tail] + y[near_t] - y[far_t] - y[far_t1]
    return np.concatenate((hx, tx)) / 2.0, np.concatenate((hy, ty)) / 2.0
