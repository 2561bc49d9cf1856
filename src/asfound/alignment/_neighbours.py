"""Paths through points whose log order proves nothing: the straightest way, not the nearest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from asfound.alignment._order import drop_cycles, walk_links
from asfound.alignment._points import Floats, Integers, Paths, Points, grouped_median

NEIGHBOURS = 10
REACH = 30.0
LEAST_REACH = 15.0
FAR = 3.5
MERGE = 0.3
TURN_SCALE = np.radians(9.0)
SMOOTH_TURN = np.radians(50.0)
SHARPEST = np.radians(110.0)
BEND_CAP = 9.0
STRAIGHT_OFFER = 3.0
FIRM = 4
HOOKUP_COST = 1.0
ROUNDS = 6
_BLOCK = 50_000


@dataclass(frozen=True, eq=False)
class _Wishes:
    """Links that nodes ask for, with the cost of the pair and of its bend."""

    first: Integers
    second: Integers
    cost: Floats
    bent: Floats


def neighbour_paths(points: Points, chosen: Integers, spacing: Floats) -> tuple[Paths, Integers]:
    """Paths of least turn through the chosen points.

    Each point picks, among pairs of its neighbours, the pair it lies most nearly straight
    between; two points are linked where each is in the other's pair. Points with both links
    made are then out of the way, and the rest choose again. At last a point that lies between no
    pair (an end, a corner) takes up to two links that others ask of it. On parallel lines a
    metre apart with shots five metres apart the nearest shot is on the wrong line, but the
    straight continuation is not.

    Parameters
    ----------
    points : Points
    chosen : (c,) int64
    spacing : (keys,) float64
        Usual distance between shots of each key where it is known, else NaN [m].

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
    if count < 3:
        return Paths.of_sizes(nodes, np.ones(count, np.int64)), close
    hookup, scatter = points.hookup[nodes], points.scatter[nodes]
    reach = _reaches(place, points.key[nodes], spacing)
    a = b = np.empty(0, np.int64)
    for round_ in range(ROUNDS + 1):
        partner = np.full(count, -1)
        partner[a], partner[b] = b, a
        active = np.flatnonzero(np.bincount(np.concatenate((a, b)), minlength=count) < 2)
        if len(active) < 2:
            break
        wishes = _wishes(place, hookup, scatter, reach, active, partner)
        new_a, new_b = _mutual(count, wishes)
        if round_:
            strong_a, strong_b = _strong(count, wishes, partner, _firm(count, a, b))
            new_a, new_b = np.append(new_a, strong_a), np.append(new_b, strong_b)
            new_a, new_b = _at_most_two(count, a, b, new_a, new_b)
        last = len(new_a) == 0 or round_ == ROUNDS
        if last:
            new_a, new_b = _offers(place, wishes, active, partner)
        a, b = _without_cycles(place, np.append(a, new_a), np.append(b, new_b))
        if last:
            break
    order, label = walk_links(count, a, b)
    return Paths.of_sizes(nodes[order], np.bincount(label)), close


def keyed_places(points: Points, chosen: Integers) -> Floats:
    """(c, 2) places with keys set so far apart that no neighbour search crosses between them."""
    x, y = points.x, points.y
    span = float(np.ptp(x[chosen])) + 1000.0 if len(chosen) else 1.0
    return np.column_stack((x[chosen] + points.key[chosen] * span, y[chosen]))


def _reaches(place: Floats, key: npt.NDArray[np.int32], spacing: Floats) -> Floats:
    """(nodes,) longest link: some times the usual spacing of the key, or of its nearest points."""
    distance, _ = KDTree(place).query(place, 2, distance_upper_bound=REACH)
    near = np.where(np.isfinite(distance[:, 1]), distance[:, 1], 0.0)
    order = np.argsort(key, kind="stable")
    usual = grouped_median(near[order], key[order].astype(np.int64), len(spacing))
    limit = np.where(
        np.isfinite(spacing), FAR * spacing, np.maximum(FAR * np.nan_to_num(usual), LEAST_REACH)
    )
    return np.minimum(limit, REACH)[key]


def _without_cycles(place: Floats, a: Integers, b: Integers) -> tuple[Integers, Integers]:
    length = np.hypot(*(place[a] - place[b]).T)
    keep = drop_cycles(len(place), a, b, length)
    return a[keep], b[keep]


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
        front, back = front[live], back[live]
        blocked = np.zeros(count, bool)
        blocked[back] = True
        chosen = open_ & ~blocked
        kept |= chosen
        open_ &= ~chosen
        open_[back[chosen[front]]] = False
    return kept


def _mutual(count: int, wishes: _Wishes) -> tuple[Integers, Integers]:
    """Links that both sides ask for."""
    first, second = wishes.first, wishes.second
    code = np.minimum(first, second) * count + np.maximum(first, second)
    code.sort()
    twice = code[1:][code[1:] == code[:-1]]
    return twice // count, twice % count


def _firm(count: int, a: Integers, b: Integers) -> npt.NDArray[np.bool_]:
    """Nodes of paths long enough for their direction to mean something."""
    ones = np.ones(len(a), np.int8)
    graph = coo_array((ones, (a, b)), shape=(count, count)).tocsr()
    _, label = connected_components(graph, directed=False)
    return np.asarray(np.bincount(label)[label] >= FIRM)


def _strong(
    count: int, wishes: _Wishes, partner: Integers, firm: npt.NDArray[np.bool_]
) -> tuple[Integers, Integers]:
    """Links by which a firm path goes straight on to a point that is still free.

    The end of a line between two others lies straight between their ends as well; what its own
    line asks of it counts for more.
    """
    ask = np.flatnonzero(
        firm[wishes.first] & (partner[wishes.second] < 0) & (wishes.bent <= STRAIGHT_OFFER)
    )
    ask = ask[np.lexsort((wishes.cost[ask], wishes.second[ask]))]
    taker = wishes.second[ask]
    ask = ask[np.searchsorted(taker, np.unique(taker))]
    return wishes.first[ask], wishes.second[ask]


def _at_most_two(
    count: int, a: Integers, b: Integers, new_a: Integers, new_b: Integers
) -> tuple[Integers, Integers]:
    """New links without repeats, the last ones (the strong) first, none past a second link."""
    new_a, new_b = new_a[::-1], new_b[::-1]
    code = np.minimum(new_a, new_b) * count + np.maximum(new_a, new_b)
    _, once = np.unique(code, return_index=True)
    once.sort()
    new_a, new_b = new_a[once], new_b[once]
    degree = np.bincount(np.concatenate((a, b)), minlength=count)
    ends = np.stack((new_a, new_b), axis=1).ravel()
    order = np.argsort(ends, kind="stable")
    place = np.empty(len(ends), np.int64)
    place[order] = np.arange(len(ends)) - np.searchsorted(ends[order], ends[order])
    fits = (place + degree[ends] < 2).reshape(-1, 2).all(axis=1)
    return new_a[fits], new_b[fits]


def _offers(
    place: Floats, wishes: _Wishes, active: Integers, partner: Integers
) -> tuple[Integers, Integers]:
    """Links asked of points that ask for none: at most two each, partner included."""
    asks = np.ones(len(place), bool)
    asks[active] = False
    asks[wishes.first] = True
    fits = (partner[wishes.first] >= 0) | (partner[wishes.second] < 0)
    offer = np.flatnonzero(~asks[wishes.second] & fits)
    taker = wishes.second[offer]
    # the first from where it may, if the point has no partner yet
    offer = offer[np.lexsort((wishes.cost[offer], taker))]
    taker = wishes.second[offer]
    number = np.arange(len(offer)) - np.searchsorted(taker, taker)
    number += partner[taker] >= 0
    offer, taker, number = offer[number < 2], taker[number < 2], number[number < 2]
    # the second only where it comes straight in, and the path does not double back
    later = np.flatnonzero(number == 1)
    previous = np.where(
        partner[taker[later]] >= 0,
        partner[taker[later]],
        wishes.first[offer[np.maximum(later - 1, 0)]],
    )
    ax, ay = (place[taker[later]] - place[previous]).T
    bx, by = (place[wishes.first[offer[later]]] - place[taker[later]]).T
    back = np.abs(np.arctan2(ax * by - ay * bx, ax * bx + ay * by)) > SHARPEST
    crooked = wishes.bent[offer[later]] > STRAIGHT_OFFER
    offer = np.delete(offer, later[back | crooked])
    # a point that asks may have been taken at its word by two others: one each
    asker = wishes.first[offer]
    offer = offer[np.lexsort((wishes.cost[offer], asker))]
    asker = wishes.first[offer]
    number = np.arange(len(offer)) - np.searchsorted(asker, asker) + (partner[asker] >= 0)
    offer = offer[number < 2]
    return wishes.first[offer], wishes.second[offer]


def _wishes(
    place: Floats,
    hookup: npt.NDArray[np.int32],
    scatter: Floats,
    reach: Floats,
    active: Integers,
    partner: Integers,
) -> _Wishes:
    """New links each active node asks for: both of its best pair, or one beside its partner."""
    k = min(NEIGHBOURS + 1, len(active))
    tree = KDTree(place[active], compact_nodes=False, balanced_tree=False)
    found: list[tuple[Integers, Integers, Floats, Floats]] = []
    for low in range(0, len(active), _BLOCK):
        rows = active[low : low + _BLOCK]
        distance, near = tree.query(place[rows], k, distance_upper_bound=REACH)
        distance, near = distance[:, 1:], near[:, 1:]
        there = distance <= reach[rows, None]
        near = active[np.where(there, near, 0)]
        free = partner[rows] < 0
        found += _block_wishes(
            place, hookup, scatter, rows[free], near[free], distance[free], there[free], None
        )
        tied = ~free
        there = there & (near != partner[rows][:, None])
        found += _block_wishes(
            place,
            hookup,
            scatter,
            rows[tied],
            near[tied],
            distance[tied],
            there[tied],
            partner[rows[tied]],
        )
    first, second, cost, bent = (np.concatenate(part) for part in zip(*found, strict=True))
    return _Wishes(first, second, cost, bent)


def _block_wishes(
    place: Floats,
    hookup: npt.NDArray[np.int32],
    scatter: Floats,
    rows: Integers,
    near: Integers,
    distance: Floats,
    there: npt.NDArray[np.bool_],
    partner: Integers | None,
) -> list[tuple[Integers, Integers, Floats, Floats]]:
    if len(rows) == 0 or near.shape[1] < 1 or (partner is None and near.shape[1] < 2):
        empty = np.empty(0, np.int64)
        return [(empty, empty, np.empty(0), np.empty(0))]
    dx = place[near, 0] - place[rows, None, 0]
    dy = place[near, 1] - place[rows, None, 1]
    other = (hookup[near] != hookup[rows, None]) & (hookup[near] >= 0) & (hookup[rows, None] >= 0)
    scale = np.where(there.any(axis=1), np.median(np.where(there, distance, REACH), axis=1), 1.0)
    every = np.arange(len(rows))
    if partner is None:
        pick_a, pick_b = np.triu_indices(near.shape[1], 1)
        ax, ay, bx, by = dx[:, pick_a], dy[:, pick_a], dx[:, pick_b], dy[:, pick_b]
        la, lb = distance[:, pick_a], distance[:, pick_b]
        foreign = other[:, pick_a].astype(np.float64) + other[:, pick_b]
        possible = there[:, pick_a] & there[:, pick_b]
    else:
        ax = (place[partner, 0] - place[rows, 0])[:, None]
        ay = (place[partner, 1] - place[rows, 1])[:, None]
        bx, by = dx, dy
        la, lb = np.hypot(ax, ay), distance
        foreign = other.astype(np.float64)
        possible = there
    turn = np.pi - np.abs(np.arctan2(ax * by - ay * bx, ax * bx + ay * by))
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = scatter[rows, None] * 2.0 / np.minimum(la, lb)
        bent = (turn / TURN_SCALE) ** 2 / (1.0 + (spread / TURN_SCALE) ** 2)
        cost = (la + lb) / scale[:, None] + np.minimum(bent, BEND_CAP) + HOOKUP_COST * foreign
    cost[~possible | (turn > SMOOTH_TURN)] = np.inf
    best = np.argmin(cost, axis=1)
    least = cost[every, best]
    fine = np.isfinite(least)
    bend = bent[every, best][fine]
    if partner is None:
        a = near[every, pick_a[best]][fine]
        b = near[every, pick_b[best]][fine]
        return [(rows[fine], a, least[fine], bend), (rows[fine], b, least[fine], bend)]
    return [(rows[fine], near[every, best][fine], least[fine], bend)]
