"""Paths through points whose log order proves nothing: the straightest way, not the nearest."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from asfound.alignment._order import drop_cycles, walk_links
from asfound.alignment._points import Floats, Integers, Paths, Points

NEIGHBOURS = 10
REACH = 30.0
MERGE = 0.3
TURN_SCALE = np.radians(9.0)
LARGEST_TURN = np.radians(110.0)
TURN_CAP = 9.0
_BLOCK = 50_000


def neighbour_paths(points: Points, chosen: Integers) -> tuple[Paths, Integers]:
    """Paths of least turn through the chosen points.

    Each point picks, among pairs of its neighbours, the pair it lies most nearly straight
    between; two points are linked where each is in the other's pair. On parallel lines a metre
    apart with shots five metres apart the nearest shot is on the wrong line, but the straight
    continuation is not.

    Parameters
    ----------
    points : Points
    chosen : (c,) int64

    Returns
    -------
    paths : Paths
        Through the nodes kept, single points included.
    close : (k,) int64
        Points that lie within 0.3 m of a node and were not made nodes themselves.
    """
    if len(chosen) == 0:
        return Paths(np.empty(0, np.int64), np.zeros(1, np.int64)), chosen
    place = keyed_places(points, chosen)
    kept = _thin(place, points.scatter[chosen])
    nodes, close = chosen[kept], chosen[~kept]
    place = place[kept]
    count = len(nodes)
    if count < 2:
        return Paths.of_sizes(nodes, np.ones(count, np.int64)), close
    tree = KDTree(place, compact_nodes=False, balanced_tree=False)
    k = min(NEIGHBOURS + 1, count)
    first, second = _best_pairs(points, nodes, place, tree, k)
    # links wanted from both sides
    low, high = np.minimum(first, second), np.maximum(first, second)
    code = low * count + high
    code.sort()
    mutual = code[1:][code[1:] == code[:-1]]
    a, b = mutual // count, mutual % count
    length = np.hypot(*(place[a] - place[b]).T)
    keep = drop_cycles(count, a, b, length)
    order, label = walk_links(count, a[keep], b[keep])
    return Paths.of_sizes(nodes[order], np.bincount(label)), close


def keyed_places(points: Points, chosen: Integers) -> Floats:
    """(c, 2) places with keys set so far apart that no neighbour search crosses between them."""
    x, y = points.x, points.y
    span = float(np.ptp(x[chosen])) + 1000.0 if len(chosen) else 1.0
    return np.column_stack((x[chosen] + points.key[chosen] * span, y[chosen]))


def _thin(place: Floats, scatter: Floats) -> npt.NDArray[np.bool_]:
    """Mask of nodes: no two closer than `MERGE`; the choice does not depend on row order."""
    tree = KDTree(place, compact_nodes=False, balanced_tree=False)
    pairs = tree.query_pairs(MERGE, output_type="ndarray")
    count = len(place)
    kept = np.ones(count, bool)
    if len(pairs) == 0:
        return kept
    # better shots first, then a mix of the coordinates' bits: the same whatever the row order
    bits = np.ascontiguousarray(place).view(np.uint64)
    mix = (bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)) ^ (
        bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F)
    )
    mix ^= mix >> np.uint64(29)
    rank = np.empty(count, np.int64)
    rank[np.lexsort((mix, scatter))] = np.arange(count)
    front = np.where(rank[pairs[:, 0]] < rank[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
    back = pairs.sum(axis=1) - front
    kept[:] = False
    open_ = np.ones(count, bool)
    while open_.any():
        live = open_[front] & open_[back]
        blocked = np.zeros(count, bool)
        blocked[back[live]] = True
        chosen = open_ & ~blocked
        kept |= chosen
        open_ &= ~chosen
        open_[back[chosen[front]]] = False
        front, back = front[live], back[live]
    return kept


def _best_pairs(
    points: Points, nodes: Integers, place: Floats, tree: KDTree, k: int
) -> tuple[Integers, Integers]:
    """Links each node asks for: to both of its best pair, or to one neighbour at an end."""
    pick_a, pick_b = np.triu_indices(k - 1, 1)
    first, second = [], []
    count = len(nodes)
    hookup = points.hookup[nodes]
    for low in range(0, count, _BLOCK):
        rows = np.arange(low, min(low + _BLOCK, count))
        distance, near = tree.query(place[rows], k, distance_upper_bound=REACH)
        distance, near = distance[:, 1:], near[:, 1:]
        there = np.isfinite(distance)
        near = np.where(there, near, 0)
        dx = place[near, 0] - place[rows, None, 0]
        dy = place[near, 1] - place[rows, None, 1]
        other = (hookup[near] != hookup[rows, None]) & (hookup[near] >= 0)
        other &= hookup[rows, None] >= 0
        scale = np.where(there[:, 0], np.median(np.where(there, distance, REACH), axis=1), 1.0)
        noise = points.scatter[nodes[rows]]

        # an end of a path wants one link only: its neighbour's wish decides
        if len(pick_a) == 0:
            first.append(rows[there[:, 0]])
            second.append(near[there[:, 0], 0])
            continue
        ax, ay, bx, by = dx[:, pick_a], dy[:, pick_a], dx[:, pick_b], dy[:, pick_b]
        cross = ax * by - ay * bx
        dot = ax * bx + ay * by
        turn = np.pi - np.abs(np.arctan2(cross, dot))
        la, lb = distance[:, pick_a], distance[:, pick_b]
        with np.errstate(invalid="ignore", divide="ignore"):
            spread = noise[:, None] * 2.0 / np.minimum(la, lb)
            bent = (turn / TURN_SCALE) ** 2 / (1.0 + (spread / TURN_SCALE) ** 2)
            cost = (la + lb) / scale[:, None] + np.minimum(bent, TURN_CAP)
        cost += 1.0 * (other[:, pick_a].astype(np.float64) + other[:, pick_b])
        bad = ~(there[:, pick_a] & there[:, pick_b]) | (turn > LARGEST_TURN)
        cost[bad] = np.inf
        best = np.argmin(cost, axis=1)
        fine = np.isfinite(cost[np.arange(len(rows)), best])
        a = near[np.arange(len(rows)), pick_a[best]]
        b = near[np.arange(len(rows)), pick_b[best]]
        first += [rows[fine], rows[fine], rows[~fine & there[:, 0]]]
        second += [a[fine], b[fine], near[~fine & there[:, 0], 0]]
    return np.concatenate(first), np.concatenate(second)
