"""Points and paths that lie along another path: second visits, strays near a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._alongside_kernels import (
    find_beside,
    find_places,
    flag_embedded,
    keep_nearest,
    lay_merged,
    measure_along,
    place_children,
)
from asfound.alignment._log_runs_kernels import BESIDE_LOG
from asfound.alignment._points import Floats, Integers, Paths, Points, ragged

EMBEDDED = 10
LEAST_SHARE = 0.7
PARALLEL = np.radians(25.0)
BESIDE_SINGLE = 0.6
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Beside:
    """Nodes that have another path beside them, in order, and where on that path.

    Parameters
    ----------
    who : (n,) int64
        Node position.
    other : (n,) int64
        The nearest path.
    begin : (n,) int64
        Node position that the nearest segment begins at.
    share : (n,) float64
        How far along the segment, 0 to 1.
    distance : (n,) float64
        [m].
    """

    who: Integers
    other: Integers
    begin: Integers
    share: Floats
    distance: Floats

    def __len__(self) -> int:
        return len(self.who)

    def take(self, chosen: Integers | npt.NDArray[np.bool_]) -> Beside:
        return Beside(
            self.who[chosen],
            self.other[chosen],
            self.begin[chosen],
            self.share[chosen],
            self.distance[chosen],
        )


def nearest_beside(
    points: Points,
    paths: Paths,
    key: npt.NDArray[np.int32],
    asked: tuple[Integers, Integers, Integers],
    reach: Floats,
    everyone: bool = False,
) -> Beside:
    """Nearest other path of the same key beside each node of some stretches.

    Parameters
    ----------
    points, paths
    key : (paths,) int32
    asked : three of (q,) int64
        Path, first and last node position of each stretch, in order and apart.
    reach : (q,) float64
        How far to look from its nodes [m]; NaN: as far as the scatter of each lets one expect.
    everyone : bool
        The stretches are all the paths.
    """
    hits = find_beside(
        points.x, points.y, points.scatter, key, paths.nodes, paths.starts, *asked, reach, everyone
    )
    kept = np.empty(len(hits.who), np.int64)
    order = np.argsort(hits.who, kind="stable")
    kept = kept[: keep_nearest(hits.who, hits.other, hits.begin, hits.square, order, kept)]
    distance = np.sqrt(hits.square[kept])
    return Beside(hits.who[kept], hits.other[kept], hits.begin[kept], hits.share[kept], distance)


def embedded(points: Points, paths: Paths) -> npt.NDArray[np.bool_]:
    """Points of short paths that another line's log passes straight through.

    A few shots coded as another utility lie in the log, and on the ground, between two shots of
    the line they were taken on. They must not be drawn into a line of the utility they claim.

    Returns
    -------
    (p,) bool
    """
    flag = np.zeros(len(points), bool)
    if len(points) >= 3 and paths.sizes.min(initial=EMBEDDED + 1) <= EMBEDDED:
        flag_embedded(
            points.x,
            points.y,
            points.scatter,
            points.key,
            points.upload,
            points.log,
            paths.nodes,
            paths.starts,
            EMBEDDED,
            flag,
        )
    return flag


def places_in_paths(points: Points, paths: Paths) -> npt.NDArray[np.int32]:
    """(p,) position of each point among the nodes of the paths; all points are in one."""
    where = np.empty(len(points), np.int32)
    find_places(paths.nodes, where)
    return where


def merge_alongside(points: Points, paths: Paths, alone: npt.NDArray[np.bool_]) -> Paths:
    """Paths that lie on one another become one, their points in order of station.

    A second visit with another receiver, a stretch taken again, a single shot beside a line:
    all belong to the line they lie on. A path is taken in where most of its points that lie
    beside the other do so without a break, it runs the same way, and it either lies on the
    other entirely or runs on past its end. Lines half a metre apart and more stay apart.

    Parameters
    ----------
    points, paths
    alone : (p,) bool
        By point: paths of such points neither go into others nor take others in.
    """
    everyone = np.arange(len(paths))
    return _merge(points, paths, alone, everyone, _reach(points, paths, everyone))


def take_in_small(
    points: Points,
    paths: Paths,
    alone: npt.NDArray[np.bool_],
    where: npt.NDArray[np.int32] | None = None,
) -> Paths:
    """Single points and pairs taken into the paths they lie on.

    Parameters
    ----------
    points, paths
    alone : (p,) bool
        By point: paths of such points neither go into others nor take others in.
    where : (p,) int32, optional
        `places_in_paths`: with it, single points logged between two of one path may lie farther
        off it.
    """
    small = np.flatnonzero(paths.sizes <= 2)
    if len(small) == 0:
        return paths
    reach = _reach(points, paths, small)
    if where is not None:
        reach[_logged_between(points, paths, small, where)] = BESIDE_LOG
    return _merge(points, paths, alone, small, reach)


def _reach(points: Points, paths: Paths, chosen: Integers) -> Floats:
    """How far from a path the single points among chosen paths may lie [m], NaN for others."""
    scatter = points.scatter[paths.nodes[paths.starts[chosen]]]
    single = paths.starts[chosen + 1] - paths.starts[chosen] == 1
    return np.where(single, BESIDE_SINGLE + 2.0 * np.minimum(scatter, 0.5), np.nan)


def _logged_between(
    points: Points, paths: Paths, small: Integers, where: npt.NDArray[np.int32]
) -> npt.NDArray[np.bool_]:
    """Which of the small paths are single points with the log on one path before and after."""
    node = paths.nodes[paths.starts[small]]
    inner = (node > 0) & (node < len(points) - 1) & (paths.sizes[small] == 1)
    before, after = where[np.maximum(node - 1, 0)], where[np.minimum(node + 1, len(points) - 1)]
    one, two = paths.owner_of(before), paths.owner_of(after)
    return np.asarray(inner & (one == two) & (paths.sizes[one] > 1))


def _merge(
    points: Points,
    paths: Paths,
    alone: npt.NDArray[np.bool_],
    moving: Integers,
    reach: Floats,
) -> Paths:
    """`merge_alongside` for chosen paths, and then for what they went into."""
    for _ in range(ROUNDS):
        if len(paths) < 2:
            break
        first = paths.nodes[paths.starts[:-1]]
        asked = moving, paths.starts[moving], paths.starts[moving + 1] - 1
        everyone = len(moving) == len(paths)
        beside = nearest_beside(points, paths, points.key[first], asked, reach, everyone)
        owner = paths.owner_of(beside.who)
        free = ~(alone[first[owner]] | alone[first[beside.other]])
        beside, owner = beside.take(free), owner[free]
        if len(beside) == 0:
            break
        involved = np.unique(np.concatenate((owner, beside.other)))
        along = np.empty(len(paths.nodes))
        measure_along(points.x, points.y, paths.nodes, paths.starts, involved, along)
        step = along[beside.begin + 1] - along[beside.begin]
        station = along[beside.begin] + beside.share * step
        child, parent, sense = _accepted(points, paths, owner, beside, station, along)
        if len(child) == 0:
            break
        paths, moving = _take_in(paths, beside, station, along, child, parent, sense)
        reach = np.full(len(moving), np.nan)
    return paths


def _accepted(
    points: Points,
    paths: Paths,
    owner: Integers,
    beside: Beside,
    station: Floats,
    along: Floats,
) -> tuple[Integers, Integers, Floats]:
    """Which path goes into which (child, parent) and whether it runs along (+1) or against it."""
    sizes, x, y = paths.sizes, points.x, points.y
    count = len(paths)
    near = beside.who
    pairs, index, number = np.unique(
        owner * count + beside.other, return_inverse=True, return_counts=True
    )
    child, parent = pairs // count, pairs % count
    position = (near - paths.starts[owner]).astype(np.float64)
    first, last = _least_and_most(position, index, len(pairs))
    # direction of the child at those nodes against the parent's
    low = paths.nodes[np.maximum(near - 1, paths.starts[owner])]
    high = paths.nodes[np.minimum(near + 1, paths.starts[owner + 1] - 1)]
    begin, end = paths.nodes[beside.begin], paths.nodes[beside.begin + 1]
    own = np.arctan2(y[high] - y[low], x[high] - x[low])
    heading = np.arctan2(y[end] - y[begin], x[end] - x[begin])
    cosine = np.bincount(index, np.cos(own - heading), len(pairs)) / number
    single = sizes[child] == 1
    whole = number >= LEAST_SHARE * sizes[child]
    unbroken = number >= LEAST_SHARE * (last - first + 1)
    length = along[paths.starts[parent + 1] - 1]
    low_station, high_station = _least_and_most(station, index, len(pairs))
    at_end = (low_station <= 0.5) | (high_station >= length - 0.5)
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


def _least_and_most(values: Floats, group: Integers, groups: int) -> tuple[Floats, Floats]:
    """(groups,) least and greatest value of each group; none is empty."""
    order = np.argsort(group, kind="stable")
    begin = np.searchsorted(group[order], np.arange(groups))
    inside = values[order]
    return np.minimum.reduceat(inside, begin), np.maximum.reduceat(inside, begin)


def _take_in(
    paths: Paths,
    beside: Beside,
    station: Floats,
    along: Floats,
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
    place = np.empty(len(along))
    place_children(paths.starts, beside.who, beside.other, station, root, direction, along, place)
    taking = np.unique(parent)
    family = np.sort(np.concatenate((taking, child)))
    size = paths.sizes[family]
    node = ragged(paths.starts[family], size)
    group = np.repeat(root[family], size)
    moved = np.repeat(root[family] != family, size)
    order = node[np.lexsort((np.where(moved, place[node], along[node]), group))]
    sizes = np.bincount(group, minlength=count)
    bounds = np.concatenate(([0], np.cumsum(sizes)))
    nodes, starts = np.empty_like(paths.nodes), np.empty(count - len(child) + 1, np.int64)
    lay_merged(paths.nodes, paths.starts, root, order, bounds, nodes, starts)
    renumber = np.cumsum(root == np.arange(count)) - 1
    return Paths(nodes, starts), renumber[taking]
