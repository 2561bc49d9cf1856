"""Points and paths that lie along another path: second visits, strays near a line."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from shapely import STRtree, box

from asfound.alignment._points import Floats, Integers, Paths, Points, ragged

PIECE = 16
BESIDE = 0.35
EMBEDDED = 10
LEAST_SHARE = 0.7
PARALLEL = np.radians(25.0)


def path_lengths(points: Points, paths: Paths) -> Floats:
    """(m,) distance of each node from the start of its path, along the path [m]."""
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    step = np.zeros(len(x))
    step[1:] = np.hypot(np.diff(x), np.diff(y))
    step[paths.starts[:-1]] = 0.0
    total = np.cumsum(step)
    return np.asarray(total - np.repeat(total[paths.starts[:-1]], paths.sizes))


def nearest_foreign(
    points: Points,
    paths: Paths,
    reach: Floats,
    moving: Integers | None = None,
    identity: Integers | None = None,
) -> tuple[Integers, Floats, Floats, Floats]:
    """Nearest other path of the same key beside each node.

    Parameters
    ----------
    points, paths
    reach : (m,) float64
        How far to look from each node [m].
    moving : (q,) int64, optional
        Paths whose nodes are asked about; all by default.
    identity : (paths,) int64, optional
        Paths of one identity are not foreign to each other; each its own by default.

    Returns
    -------
    other : (m,) int64
        Path, -1 where none lies within reach.
    distance, station : (m,) float64
        To it and along it [m]; the foot may be one of its ends.
    heading : (m,) float64
        Direction of its segment there [rad, counterclockwise from east].
    """
    count = len(paths.nodes)
    other = np.full(count, -1)
    distance = np.full(count, np.inf)
    station = np.full(count, np.nan)
    heading = np.full(count, np.nan)
    nothing = (other, distance, station, heading)
    sizes = paths.sizes
    targets = np.flatnonzero(sizes >= 2)
    if len(targets) == 0 or len(paths) < 2:
        return nothing
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    along = path_lengths(points, paths)
    key = points.key[paths.nodes[paths.starts[:-1]]]

    # pieces of paths: boxes tight enough to sort out what can be near what
    t_path, t_first, t_last = _pieces(paths, targets, overlap=1)
    asked = np.arange(len(paths)) if moving is None else moving
    a_path, a_first, a_last = _pieces(paths, asked, overlap=0)
    t_box = _boxes(x, y, t_first, t_last, np.zeros(len(t_first)))
    a_reach = np.maximum.reduceat(
        reach[ragged(a_first, a_last - a_first + 1)], _offsets(a_last - a_first + 1)
    )
    a_box = _boxes(x, y, a_first, a_last, a_reach)
    # the smaller set asks the tree of the larger one
    pair_a, pair_t = STRtree(t_box).query(a_box)
    own = np.arange(len(paths)) if identity is None else identity
    fit = key[a_path[pair_a]] == key[t_path[pair_t]]
    fit &= own[a_path[pair_a]] != own[t_path[pair_t]]
    pair_a, pair_t = pair_a[fit], pair_t[fit]
    if len(pair_a) == 0:
        return nothing

    size = a_last[pair_a] - a_first[pair_a] + 1
    node = ragged(a_first[pair_a], size)
    piece = np.repeat(pair_t, size)
    low_x, low_y, high_x, high_y = _bounds(x, y, t_first, t_last)
    r = reach[node]
    inside = (
        (x[node] >= low_x[piece] - r)
        & (x[node] <= high_x[piece] + r)
        & (y[node] >= low_y[piece] - r)
        & (y[node] <= high_y[piece] + r)
    )
    node, piece = node[inside], piece[inside]
    segments = t_last[piece] - t_first[piece]
    begin = ragged(t_first[piece], segments)
    asker = np.repeat(np.arange(len(node)), segments)
    who = node[asker]
    ex, ey = x[begin + 1] - x[begin], y[begin + 1] - y[begin]
    px, py = x[who] - x[begin], y[who] - y[begin]
    square = ex * ex + ey * ey
    t = np.clip((px * ex + py * ey) / np.maximum(square, 1e-12), 0.0, 1.0)
    off = np.hypot(px - t * ex, py - t * ey)
    near = off <= reach[who]
    who, begin, off, t, piece = who[near], begin[near], off[near], t[near], piece[asker][near]
    # nearest first; ties by path so that the answer does not depend on order
    order = np.lexsort((t_path[piece], off, who))
    chosen = order[np.unique(who[order], return_index=True)[1]]
    who, begin = who[chosen], begin[chosen]
    other[who] = t_path[piece[chosen]]
    distance[who] = off[chosen]
    station[who] = along[begin] + t[chosen] * (along[begin + 1] - along[begin])
    heading[who] = np.arctan2(y[begin + 1] - y[begin], x[begin + 1] - x[begin])
    return other, distance, station, heading


def embedded(points: Points, paths: Paths) -> npt.NDArray[np.bool_]:
    """Points of short paths that another line's log passes straight through.

    A few shots coded as another utility lie in the log, and on the ground, between two shots of
    the line they were taken on. They must not be drawn into a line of the utility they claim.

    Returns
    -------
    (p,) bool
    """
    flag = np.zeros(len(points), bool)
    short = np.flatnonzero(paths.sizes <= EMBEDDED)
    if len(short) == 0 or len(points) < 3:
        return flag
    at = np.empty(len(points), np.int64)
    at[points.log] = np.arange(len(points))
    index = ragged(paths.starts[short], paths.sizes[short])
    which = np.repeat(np.arange(len(short)), paths.sizes[short])
    log = points.log[paths.nodes[index]]
    first = np.full(len(short), len(points))
    last = np.full(len(short), -1)
    np.minimum.at(first, which, log)
    np.maximum.at(last, which, log)
    whole = last - first + 1 == paths.sizes[short]
    inner = whole & (first > 0) & (last < len(points) - 1)
    before, after = at[np.maximum(first - 1, 0)], at[np.minimum(last + 1, len(points) - 1)]
    own = paths.nodes[paths.starts[short]]
    inner &= (points.upload[before] == points.upload[own]) & (
        points.upload[after] == points.upload[own]
    )
    inner &= (points.key[before] == points.key[after]) & (points.key[before] != points.key[own])
    x, y = points.x, points.y
    ex, ey = (x[after] - x[before])[which], (y[after] - y[before])[which]
    node = paths.nodes[index]
    px, py = x[node] - x[before][which], y[node] - y[before][which]
    length = np.maximum(np.hypot(ex, ey), 1e-9)
    off = np.abs(px * ey - py * ex) / length
    share = (px * ex + py * ey) / length**2
    on = (off <= BESIDE + 2.0 * points.scatter[node]) & (share > 0.0) & (share < 1.0)
    inner &= np.bincount(which, ~on, len(short)) == 0
    # the log must pass at its usual pace, not come back to this place by chance
    inner &= np.hypot(x[after] - x[before], y[after] - y[before]) <= 8.0 * (paths.sizes[short] + 1)
    flag[node[inner[which]]] = True
    return flag


def merge_alongside(
    points: Points,
    paths: Paths,
    reach_single: Floats,
    alone: npt.NDArray[np.bool_],
    moving: Integers | None = None,
) -> Paths:
    """Paths that lie on one another become one, their points in order of station.

    A second visit with another receiver, a stretch taken again, a single shot beside a line:
    all belong to the line they lie on. A path is taken in where most of its points that lie
    beside the other do so without a break, it runs the same way, and it either lies on the
    other entirely or runs on past its end. Lines half a metre apart and more stay apart.

    Parameters
    ----------
    points, paths
    reach_single : (p,) float64
        By point: how far from a path a single point may lie to be taken in [m].
    alone : (p,) bool
        By point: paths of such points neither go into others nor take others in.
    moving : (q,) int64, optional
        Paths that may go into others; all by default.
    """
    for _ in range(6):
        sizes = paths.sizes
        owner = paths.owner()
        single = sizes[owner] == 1
        scatter = points.scatter[paths.nodes]
        reach = np.where(single, reach_single[paths.nodes], BESIDE + 2.0 * (scatter - 0.05))
        other, _, station, heading = nearest_foreign(points, paths, reach, moving)
        lone = alone[paths.nodes[paths.starts[:-1]]]
        other[(other >= 0) & (lone[owner] | lone[other])] = -1
        accepted = _accepted(points, paths, owner, other, station, heading)
        if len(accepted[0]) == 0:
            return paths
        paths, moving = _take_in(points, paths, owner, other, station, *accepted)
    return paths


def _accepted(
    points: Points,
    paths: Paths,
    owner: Integers,
    other: Integers,
    station: Floats,
    heading: Floats,
) -> tuple[Integers, Integers, Floats]:
    """Which path goes into which (child, parent) and whether it runs along (+1) or against it."""
    none = (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    near = np.flatnonzero(other >= 0)
    if len(near) == 0:
        return none
    sizes = paths.sizes
    count = len(paths)
    pair = owner[near] * count + other[near]
    pairs, index, number = np.unique(pair, return_inverse=True, return_counts=True)
    child, parent = pairs // count, pairs % count
    position = near - paths.starts[owner[near]]
    first = np.full(len(pairs), np.iinfo(np.int64).max)
    last = np.full(len(pairs), -1)
    np.minimum.at(first, index, position)
    np.maximum.at(last, index, position)
    # direction of the child at those nodes against the parent's
    x, y = points.x[paths.nodes], points.y[paths.nodes]
    low = np.maximum(near - 1, paths.starts[owner[near]])
    high = np.minimum(near + 1, paths.starts[owner[near] + 1] - 1)
    own = np.arctan2(y[high] - y[low], x[high] - x[low])
    cosine = np.bincount(index, np.cos(own - heading[near]), len(pairs)) / number
    single = sizes[child] == 1
    whole = number >= LEAST_SHARE * sizes[child]
    unbroken = number >= LEAST_SHARE * (last - first + 1)
    length = path_lengths(points, paths)[paths.starts[1:] - 1]
    low_station = np.full(len(pairs), np.inf)
    high_station = np.full(len(pairs), -np.inf)
    np.minimum.at(low_station, index, station[near])
    np.maximum.at(high_station, index, station[near])
    at_end = (low_station <= 0.5) | (high_station >= length[parent] - 0.5)
    past = ((first == 0) | (last == sizes[child] - 1)) & at_end & (number >= 2)
    aligned = np.abs(cosine) > np.cos(PARALLEL)
    # ends that merely touch are for the joining of ends, not for this
    overlap = (high_station - low_station) > 0.2
    fit = single | (aligned & unbroken & overlap & (whole | past))
    # into the larger only; ties by index
    larger = (sizes[parent] > sizes[child]) | ((sizes[parent] == sizes[child]) & (parent < child))
    fit &= larger
    child, parent, number, cosine = child[fit], parent[fit], number[fit], cosine[fit]
    order = np.lexsort((parent, -number, child))
    child, parent, cosine = child[order], parent[order], cosine[order]
    _, once = np.unique(child, return_index=True)
    child, parent, cosine = child[once], parent[once], cosine[once]
    # a parent that itself moves waits for the next round
    still = ~np.isin(parent, child)
    return child[still], parent[still], np.where(cosine[still] < 0, -1.0, 1.0)


def _take_in(
    points: Points,
    paths: Paths,
    owner: Integers,
    other: Integers,
    station: Floats,
    child: Integers,
    parent: Integers,
    sense: Floats,
) -> tuple[Paths, Integers]:
    """Paths after the merge, and the merged ones' new indices."""
    count = len(paths)
    root = np.arange(count)
    root[child] = parent
    direction = np.ones(count)
    direction[child] = sense
    along = path_lengths(points, paths)
    place = along.copy()
    moved = np.zeros(count, bool)
    moved[child] = True
    inside = moved[owner] & (other == root[owner])
    node = np.flatnonzero(moved[owner])
    # nodes of a child beyond its parent's end keep their own distances from the nearest one beside
    position = np.arange(len(owner))
    before = np.maximum.accumulate(np.where(inside, position, -1))
    after = np.minimum.accumulate(np.where(inside, position, len(owner))[::-1])[::-1]
    before_fits = before[node] >= paths.starts[owner[node]]
    after_fits = after[node] < paths.starts[owner[node] + 1]
    to_before = np.where(before_fits, node - before[node], len(owner))
    to_after = np.where(after_fits, after[node] - node, len(owner))
    anchor = np.where(to_before <= to_after, before[node], after[node])
    anchor = np.clip(anchor, 0, len(owner) - 1)
    place[node] = station[anchor] + direction[owner[node]] * (along[node] - along[anchor])
    group = root[owner]
    order = np.lexsort((place, group))
    sizes = np.bincount(group, minlength=count)
    left = sizes > 0
    renumber = np.cumsum(left) - 1
    merged = Paths.of_sizes(paths.nodes[order], sizes[left])
    return merged, renumber[np.unique(parent)]


def _pieces(paths: Paths, chosen: Integers, overlap: int) -> tuple[Integers, Integers, Integers]:
    """Path, first and last node position of pieces of at most `PIECE` steps."""
    sizes = paths.sizes[chosen]
    parts = np.maximum(1, -(-(sizes - overlap) // PIECE))
    which = np.repeat(np.arange(len(chosen)), parts)
    within = ragged(np.zeros(len(chosen), np.int64), parts)
    path = chosen[which]
    first = paths.starts[path] + within * PIECE
    last = np.minimum(first + PIECE - 1 + overlap, paths.starts[path + 1] - 1)
    return path, first, last


def _offsets(sizes: Integers) -> Integers:
    return np.asarray(np.cumsum(sizes) - sizes)


def _bounds(
    x: Floats, y: Floats, first: Integers, last: Integers
) -> tuple[Floats, Floats, Floats, Floats]:
    sizes = last - first + 1
    index = ragged(first, sizes)
    offsets = _offsets(sizes)
    px, py = x[index], y[index]
    return (
        np.minimum.reduceat(px, offsets),
        np.minimum.reduceat(py, offsets),
        np.maximum.reduceat(px, offsets),
        np.maximum.reduceat(py, offsets),
    )


def _boxes(x: Floats, y: Floats, first: Integers, last: Integers, margin: Floats) -> Floats:
    low_x, low_y, high_x, high_y = _bounds(x, y, first, last)
    return np.asarray(box(low_x - margin, low_y - margin, high_x + margin, high_y + margin))
