"""Loops that look again at doubtful links: would their points be better joined another way?

Paths come here as links: each point has two, -1 where it is the end of a path. What a set of
links costs is a sum over links (length against the usual step), points (turn of the path) and
ends, so that a change costs what it changes nearby.
"""

from __future__ import annotations

from math import atan2, cos, floor, inf, log, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    FLAGS,
    FLAGS_OUT,
    FLOATS,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

LONG = 2.3
"""Usual steps from which on a link is looked at again."""
SHORT = 0.5
SHARP = 50.0 * pi / 180.0
COS_SHARP = cos(SHARP)
SWAY = 8.0 * pi / 180.0
SIN_SWAY = sin(SWAY)
SWAY_NOISE = 3.0
USUAL = 1.2
SPREAD = 0.4
PER_STEP = 0.3
GAP = 9.0
LOG_BONUS = 1.5
TURN_SCALE = 10.0 * pi / 180.0
CORNER = 3.0
CORNER_RIGHT = 1.5
DOUBLING = 120.0 * pi / 180.0
DOUBLING_SCALE = 15.0 * pi / 180.0
END = 4.0
GAIN = 1.5
GAIN_SPLIT = 4.0
ROUNDS = 6
CELL = 16.0
LOOK = 1.5
FARTHEST = 1e12
ROOMY = 256

SPLIT, END_TO_FIRST, END_TO_SECOND, STRAIGHT_ACROSS, CROSSWISE = 0, 1, 2, 3, 4
"""Ways to join the points of a link (a, b) and of another (c, d), or an end c, anew."""


class Points(NamedTuple):
    """Of each point; `step` is what is usual where it lies [m], `place` that in its chain."""

    x: Floats
    y: Floats
    scatter: Floats
    step: Floats
    key: Codes
    chain: Codes
    place: Integers


class Cells(NamedTuple):
    """Points in the buckets of cells: the first of each, the next of each point; -1 for none.

    `near` is room for the points that a search finds.
    """

    head: Codes
    onward: Codes
    near: Codes


@part
def _apart(points: Points, a: int, b: int) -> float:
    return float(sqrt((points.x[a] - points.x[b]) ** 2 + (points.y[a] - points.y[b]) ** 2))


@part
def _signed_turn(x: Floats, y: Floats, a: int, b: int, c: int) -> float:
    """From the way into b to the way out of it [rad]."""
    ax, ay = x[b] - x[a], y[b] - y[a]
    bx, by = x[c] - x[b], y[c] - y[b]
    return atan2(ax * by - ay * bx, ax * bx + ay * by)


@part
def _link_cost(points: Points, a: int, b: int) -> float:
    """What a link costs by its length; 0 for none."""
    if a < 0 or b < 0:
        return 0.0
    ratio = _apart(points, a, b) / max(points.step[a], points.step[b])
    cost = PER_STEP * min(ratio, USUAL)
    if ratio > USUAL:
        cost += min(0.5 * (log(ratio / USUAL) / SPREAD) ** 2, GAP)
    if abs(points.place[a] - points.place[b]) == 1 and points.chain[a] == points.chain[b]:
        cost -= LOG_BONUS
    return float(cost)


@part
def _node_cost(points: Points, before: int, node: int, after: int) -> float:
    """What a point costs by the turn at it, or as an end of a path."""
    if before < 0 or after < 0:
        return END if max(before, after) >= 0 else 2.0 * END
    turn = abs(_signed_turn(points.x, points.y, before, node, after))
    shorter = min(_apart(points, before, node), _apart(points, node, after))
    loose = 2.0 * points.scatter[node] / max(shorter, 0.05)
    cost = 0.5 * turn * turn / (TURN_SCALE * TURN_SCALE + loose * loose)
    cost = min(cost, CORNER + CORNER_RIGHT * turn / (0.5 * pi))
    if turn > DOUBLING:
        cost += ((turn - DOUBLING) / DOUBLING_SCALE) ** 2
    return float(cost)


@part
def _other(link: Codes, node: int, known: int) -> int:
    """What a point is linked to beside one point it is linked to."""
    return int(link[node, 1] if link[node, 0] == known else link[node, 0])


@part
def _gain(points: Points, link: Codes, way: int, a: int, b: int, c: int, d: int) -> float:
    """How much less it costs to join points (a, b) and (c, d) in another way.

    d is -1 where c is an end. Infinitely bad where the two links are one or follow on each other.
    """
    if c >= 0 and (c in (a, b) or d in (a, b)):
        return -inf
    beside_a, beside_b = _other(link, a, b), _other(link, b, a)
    now = _link_cost(points, a, b)
    now += _node_cost(points, beside_a, a, b) + _node_cost(points, beside_b, b, a)
    if way == SPLIT:
        then = _node_cost(points, beside_a, a, -1) + _node_cost(points, beside_b, b, -1)
        return now - then
    beside_c = _other(link, c, d)
    now += _node_cost(points, beside_c, c, d)
    if beside_a == c or beside_b == c:
        return -inf
    if way in (END_TO_FIRST, END_TO_SECOND):
        keep, beside, left, beside_left = a, beside_a, b, beside_b
        if way == END_TO_SECOND:
            keep, beside, left, beside_left = b, beside_b, a, beside_a
        then = _link_cost(points, keep, c) + _node_cost(points, beside, keep, c)
        then += _node_cost(points, beside_c, c, keep) + _node_cost(points, beside_left, left, -1)
        return now - then
    beside_d = _other(link, d, c)
    if beside_a == d or beside_b == d:
        return -inf
    now += _link_cost(points, c, d) + _node_cost(points, beside_d, d, c)
    to_a, to_b = (c, d) if way == STRAIGHT_ACROSS else (d, c)
    beside_to_a, beside_to_b = (
        (beside_c, beside_d) if way == STRAIGHT_ACROSS else (beside_d, beside_c)
    )
    then = _link_cost(points, a, to_a) + _link_cost(points, b, to_b)
    then += _node_cost(points, beside_a, a, to_a) + _node_cost(points, beside_to_a, to_a, a)
    then += _node_cost(points, beside_b, b, to_b) + _node_cost(points, beside_to_b, to_b, b)
    return now - then


@part
def _replace(link: Codes, node: int, old: int, new: int) -> None:
    """Give a point another link for one it has."""
    if link[node, 0] == old:
        link[node, 0] = new
    else:
        link[node, 1] = new


@part
def _apply(link: Codes, way: int, a: int, b: int, c: int, d: int) -> None:
    if way == SPLIT:
        _replace(link, a, b, -1)
        _replace(link, b, a, -1)
    elif way in (END_TO_FIRST, END_TO_SECOND):
        keep, left = (a, b) if way == END_TO_FIRST else (b, a)
        _replace(link, keep, left, c)
        _replace(link, left, keep, -1)
        _replace(link, c, -1, keep)
    else:
        to_a, to_b = (c, d) if way == STRAIGHT_ACROSS else (d, c)
        _replace(link, a, b, to_a)
        _replace(link, b, a, to_b)
        _replace(link, to_a, to_b, a)
        _replace(link, to_b, to_a, b)


@part
def _in_ring(link: Codes, node: int) -> bool:
    before, here = node, link[node, 0]
    while here >= 0:
        if here == node:
            return True
        before, here = here, _other(link, here, before)
    return False


@part
def _doubtful(
    x: Floats, y: Floats, scatter: Floats, chain: Codes, before: int, a: int, b: int, after: int
) -> bool:
    """Whether a link sways beyond noise, or turns sharply with no log behind it.

    `before` and `after` are the points beside those of the link, -1 for none.
    """
    length = sqrt((x[b] - x[a]) ** 2 + (y[b] - y[a]) ** 2)
    first = second = 0.0
    loose = SWAY_NOISE * max(scatter[a], scatter[b])
    if before >= 0:
        first = _signed_turn(x, y, before, a, b)
        step = sqrt((x[a] - x[before]) ** 2 + (y[a] - y[before]) ** 2)
        loose /= max(min(step, length), 0.05)
    if after >= 0:
        second = _signed_turn(x, y, a, b, after)
    if first * second < 0.0 and min(abs(first), abs(second)) > SWAY + loose:
        return True
    logged = abs(a - b) == 1 and chain[a] == chain[b]
    return not logged and max(abs(first), abs(second)) > SHARP


@part
def _column(value: float) -> int:
    return floor(min(max(value, -FARTHEST), FARTHEST) / CELL)


@part
def _bucket(key: int, column: int, row: int, mask: int) -> int:
    return (int(key) * 83492791 ^ column * 73856093 ^ row * 19349663) & mask


@part
def _room_around(x: Floats, y: Floats, a: int, b: int, step: float) -> tuple[int, int, int, int]:
    """Columns and rows of cells that hold all points near a link."""
    room = LOOK * step
    west, east = min(x[a], x[b]) - room, max(x[a], x[b]) + room
    south, north = min(y[a], y[b]) - room, max(y[a], y[b]) + room
    return _column(west), _column(east), _column(south), _column(north)


@part
def _at_corner(points: Points, link: Codes, a: int, b: int) -> bool:
    """Whether the path turns sharply at either end of a link; others may bridge a gap straight."""
    before, after = _other(link, a, b), _other(link, b, a)
    sharp = before >= 0 and abs(_signed_turn(points.x, points.y, before, a, b)) > SHARP
    return sharp or (after >= 0 and abs(_signed_turn(points.x, points.y, a, b, after)) > SHARP)


@part
def _better(points: Points, gain: float, least: float, c: int, best_c: int) -> bool:
    """Whether a change is better than the best so far; of equals that farther west and south."""
    if gain != least or best_c < 0 or c < 0:
        return gain > least
    if points.x[c] != points.x[best_c]:
        return bool(points.x[c] < points.x[best_c])
    return bool(points.y[c] < points.y[best_c])


@part
def _search(points: Points, alone: Flags, cells: Cells, a: int, b: int, step: float) -> int:
    """Points of the same key in the cells around a link, into `cells.near`; returns how many."""
    mask = len(cells.head) - 1
    number = 0
    west, east, south, north = _room_around(points.x, points.y, a, b, step)
    for column in range(west, east + 1):
        for row in range(south, north + 1):
            c = cells.head[_bucket(points.key[a], column, row, mask)]
            while c >= 0:
                # several cells share a bucket
                here = _column(points.x[c]) == column and _column(points.y[c]) == row
                if here and points.key[c] == points.key[a] and not (c in (a, b) or alone[c]):
                    cells.near[number] = c
                    number += 1
                c = cells.onward[c]
    return number


@part
def _best_change(
    points: Points, link: Codes, alone: Flags, cells: Cells, a: int, b: int
) -> tuple[float, int, int, int]:
    """Change of a link that gains most: gain less what is asked for, way, c and d."""
    usual = max(points.step[a], points.step[b])
    length = _apart(points, a, b)
    reach = length + LOOK * usual
    best, best_way, best_c, best_d = 0.0, SPLIT, -1, -1
    # a link that only sways, or is so short that its direction means little, may be exchanged for
    # another, but is not given up for a branch
    corner = length > SHORT * usual and _at_corner(points, link, a, b)
    opened = corner or length > LONG * usual
    if corner:
        best = _gain(points, link, SPLIT, a, b, -1, -1) - GAIN_SPLIT
    for here in cells.near[: _search(points, alone, cells, a, b, usual)]:
        if min(_apart(points, here, a), _apart(points, here, b)) > reach:
            continue
        for side in range(2):
            d = link[here, side]
            first, last = (STRAIGHT_ACROSS, CROSSWISE)
            if d < 0:
                if link[here, 1 - side] < 0 or not opened:
                    continue
                first, last = END_TO_FIRST, END_TO_SECOND
            for way in range(first, last + 1):
                gain = _gain(points, link, way, a, b, here, d) - GAIN
                if _better(points, gain, best, here, best_c):
                    best, best_way, best_c, best_d = gain, way, here, d
    return best, best_way, best_c, best_d


@part
def _confirmed(
    x: Floats,
    y: Floats,
    scatter: Floats,
    chain: Codes,
    nodes: Integers,
    first: int,
    last: int,
    k: int,
) -> bool:
    """`_doubtful` of the link from position k of a path to the next."""
    before = nodes[k - 1] if k > first else -1
    after = nodes[k + 2] if k + 2 <= last else -1
    return _doubtful(x, y, scatter, chain, before, nodes[k], nodes[k + 1], after)


@kernel(FLOATS, FLOATS, FLOATS, CODES, INTEGERS, INTEGERS, FLOATS, INTEGERS_OUT)
def find_doubtful(
    x: Floats,
    y: Floats,
    scatter: Floats,
    chain: Codes,
    nodes: Integers,
    starts: Integers,
    usual: Floats,
    doubtful: Integers,
) -> int:
    """Links far longer than usual, swaying, or turning sharply with no log behind them.

    Parameters
    ----------
    x, y, scatter, chain
        By point.
    nodes, starts
        Paths.
    usual : (paths,) float64
        Usual step of each [m].
    doubtful : (n,) int64
        Filled: position of the node each begins with.

    Returns
    -------
    int
        How many.
    """
    found = 0
    for path in range(len(starts) - 1):
        longest = LONG * usual[path]
        first, last = starts[path], starts[path + 1] - 1
        node = nodes[first]
        here_x, here_y = x[node], y[node]
        ax = ay = before = 0.0
        bent = 0
        for k in range(first, last):
            node = nodes[k + 1]
            bx, by = x[node] - here_x, y[node] - here_y
            here_x, here_y = x[node], y[node]
            length = sqrt(bx * bx + by * by)
            turns = 0
            if k > first:
                cross, size = ax * by - ay * bx, before * length
                dot = ax * bx + ay * by
                if dot < COS_SHARP * size:
                    turns = 2 if cross > 0.0 else -2
                elif abs(cross) > SIN_SWAY * size:
                    turns = 1 if cross > 0.0 else -1
                # the link before lies between the turn before and this one
                strange = bent * turns < 0 or max(abs(bent), abs(turns)) == 2
                if strange and before <= longest:
                    doubtful[found] = k - 1
                    found += _confirmed(x, y, scatter, chain, nodes, first, last, k - 1)
            if length > longest:
                doubtful[found] = k
                found += 1
            ax, ay, before, bent = bx, by, length, turns
        if last > first and before <= longest and abs(bent) == 2:
            doubtful[found] = last - 1
            found += _confirmed(x, y, scatter, chain, nodes, first, last, last - 1)
    return found


@kernel(FLOATS, FLOATS, CODES, INTEGERS, INTEGERS, FLOATS, INTEGERS, INTEGERS, FLAGS_OUT)
def find_paths_near(
    x: Floats,
    y: Floats,
    key: Codes,
    nodes: Integers,
    starts: Integers,
    usual: Floats,
    first: Integers,
    second: Integers,
    near: Flags,
) -> None:
    """Paths with a point in the cells around some links of their key, or in a cell like it.

    Parameters
    ----------
    x, y, key
        By point.
    nodes, starts, usual
        Paths, and the usual step of each [m].
    first, second : (k,) int64
        Positions of the nodes of each link; twice the same for a single point.
    near : (paths,) bool
        Filled.
    """
    step = np.empty(len(first))
    cells = 0
    for k in range(len(first)):
        step[k] = usual[np.searchsorted(starts, first[k], side="right") - 1]
        a, b = nodes[first[k]], nodes[second[k]]
        west, east, south, north = _room_around(x, y, a, b, step[k])
        cells += (east - west + 1) * (north - south + 1)
    mask = 64
    while mask < ROOMY * cells:
        mask *= 2
    wanted = np.zeros(mask, np.bool_)
    mask -= 1
    for k in range(len(first)):
        a, b = nodes[first[k]], nodes[second[k]]
        west, east, south, north = _room_around(x, y, a, b, step[k])
        for column in range(west, east + 1):
            for row in range(south, north + 1):
                wanted[_bucket(key[a], column, row, mask)] = True
    for path in range(len(starts) - 1):
        near[path] = False
        own = key[nodes[starts[path]]]
        for k in range(starts[path], starts[path + 1]):
            node = nodes[k]
            if wanted[_bucket(own, _column(x[node]), _column(y[node]), mask)]:
                near[path] = True
                break


@part
def _linked(link: Codes, a: int, b: int) -> bool:
    return bool(link[a, 0] == b or link[a, 1] == b)


@part
def _change(
    points: Points,
    link: Codes,
    alone: Flags,
    cells: Cells,
    first: Integers,
    second: Integers,
) -> tuple[Integers, Integers, Integers]:
    """Make the best changes of some links, the best first; returns new links and new ends."""
    count = len(first)
    gain = np.empty(count)
    way, c, d = np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count, np.int64)
    for k in range(count):
        gain[k], way[k], c[k], d[k] = _best_change(points, link, alone, cells, first[k], second[k])
    new_first, new_second = np.empty(2 * count, np.int64), np.empty(2 * count, np.int64)
    ends = np.empty(2 * count, np.int64)
    touched, before = np.empty(4, np.int64), np.empty((4, 2), np.int32)
    number = ended = 0
    for k in np.argsort(-gain, kind="mergesort"):
        if gain[k] <= 0.0:
            break
        a, b = first[k], second[k]
        if not _linked(link, a, b):
            continue
        if c[k] >= 0 and (not _linked(link, c[k], d[k])):
            continue
        asked = GAIN_SPLIT if way[k] == SPLIT else GAIN
        if _gain(points, link, way[k], a, b, c[k], d[k]) <= asked:
            continue
        for j in range(4):
            touched[j] = (a, b, c[k], d[k])[j]
            if touched[j] >= 0:
                before[j] = link[touched[j]]
        _apply(link, way[k], a, b, c[k], d[k])
        if way[k] == SPLIT:
            ends[ended], ends[ended + 1] = a, b
            ended += 2
            continue
        if _in_ring(link, a) or _in_ring(link, b):
            for j in range(4):
                if touched[j] >= 0:
                    link[touched[j]] = before[j]
            continue
        one, two = a, b
        if way[k] == END_TO_SECOND:
            one, two = b, a
        if way[k] in (END_TO_FIRST, END_TO_SECOND):
            ends[ended] = two
            ended += 1
        new_first[number], new_second[number] = one, c[k]
        if way[k] == CROSSWISE:
            new_second[number] = d[k]
        number += 1
        if way[k] == STRAIGHT_ACROSS or way[k] == CROSSWISE:
            new_first[number] = two
            new_second[number] = d[k] if way[k] == STRAIGHT_ACROSS else c[k]
            number += 1
    return new_first[:number], new_second[:number], ends[:ended]


@part
def _join_ends(points: Points, link: Codes, alone: Flags, cells: Cells, ends: Integers) -> None:
    """Join ends that changes have left over to the ends that they go on at."""
    for a in ends:
        beside_a = max(link[a, 0], link[a, 1])
        if min(link[a, 0], link[a, 1]) >= 0 or beside_a < 0:
            continue
        best, end = 0.0, -1
        for here in cells.near[: _search(points, alone, cells, a, a, points.step[a])]:
            beside = max(link[here, 0], link[here, 1])
            if min(link[here, 0], link[here, 1]) >= 0 or beside < 0 or beside == a:
                continue
            gain = 2.0 * END - _link_cost(points, a, here) - GAIN
            gain -= _node_cost(points, beside_a, a, here) + _node_cost(points, a, here, beside)
            if _better(points, gain, best, here, end):
                best, end = gain, here
        if end >= 0:
            _replace(link, a, -1, end)
            _replace(link, end, -1, a)
            if _in_ring(link, a):
                _replace(link, a, end, -1)
                _replace(link, end, a, -1)


@part
def _insertion(points: Points, link: Codes, c: int, a: int, b: int) -> float:
    """How much less it costs to have a single point c between linked a and b, or after end a."""
    beside_a = _other(link, a, b)
    now = 2.0 * END + _node_cost(points, beside_a, a, b)
    then = _node_cost(points, beside_a, a, c) + _node_cost(points, a, c, b)
    then += _link_cost(points, a, c)
    if b >= 0:
        beside_b = _other(link, b, a)
        now += _link_cost(points, a, b) + _node_cost(points, beside_b, b, a)
        then += _link_cost(points, c, b) + _node_cost(points, beside_b, b, c)
    return now - then


@part
def _place_singles(
    points: Points, link: Codes, alone: Flags, cells: Cells, singles: Integers
) -> bool:
    """Put single points into the links, or at the ends, where they belong; whether any was put."""
    placed = False
    for c in singles:
        if max(link[c, 0], link[c, 1]) >= 0:
            continue
        best, best_a, best_b = 0.0, -1, -1
        for a in cells.near[: _search(points, alone, cells, c, c, points.step[c])]:
            if max(link[a, 0], link[a, 1]) < 0:
                continue
            for side in range(2):
                b = link[a, side]
                asked = GAIN if b >= 0 else GAIN_SPLIT
                gain = _insertion(points, link, c, a, b) - asked
                if _better(points, gain, best, a, best_a):
                    best, best_a, best_b = gain, a, b
        if best_a < 0:
            continue
        placed = True
        link[c, 0], link[c, 1] = best_a, best_b
        _replace(link, best_a, best_b, c)
        if best_b >= 0:
            _replace(link, best_b, best_a, c)
    return placed


@part
def _walk(link: Codes, new_nodes: Integers, new_starts: Integers) -> int:
    """Paths that links make, in the order of their first points; returns how many."""
    seen = np.zeros(len(link), np.bool_)
    at = paths = 0
    new_starts[0] = 0
    for begin in range(len(link)):
        if seen[begin] or (link[begin, 0] >= 0 and link[begin, 1] >= 0):
            continue
        before, here = -1, begin
        while here >= 0:
            seen[here] = True
            new_nodes[at] = here
            at += 1
            onward = link[here, 0]
            if onward == before or onward < 0:
                onward = link[here, 1]
                if onward == before:
                    onward = -1
            before, here = here, onward
        paths += 1
        new_starts[paths] = at
    return paths


@kernel(
    FLOATS, FLOATS, FLOATS, FLOATS, CODES, CODES, INTEGERS, FLAGS, INTEGERS, INTEGERS, INTEGERS,
    INTEGERS_OUT, INTEGERS_OUT,
)  # fmt: skip
def mend_links(
    x: Floats,
    y: Floats,
    scatter: Floats,
    step: Floats,
    key: Codes,
    chain: Codes,
    place: Integers,
    alone: Flags,
    starts: Integers,
    doubtful: Integers,
    singles: Integers,
    new_nodes: Integers,
    new_starts: Integers,
) -> int:
    """Join points of doubtful links another way where that costs less.

    Parameters
    ----------
    x, y, scatter, step, key, chain, place, alone
        By node, path after path; `step` is what is usual on its path [m], `place` that in its
        chain.
    starts : (paths + 1,) int64
        Where each path begins.
    doubtful : (k,) int64
        Nodes that doubtful links begin with.
    singles : (s,) int64
        Nodes that are paths by themselves and need not be.
    new_nodes, new_starts : int64
        Filled, if a change is made: the paths then, at most as many as there are nodes.

    Returns
    -------
    int
        How many paths there are then; 0 if no change is made.
    """
    count = len(x)
    link = np.full((count, 2), -1, np.int32)
    for path in range(len(starts) - 1):
        for k in range(starts[path], starts[path + 1] - 1):
            link[k, 1], link[k + 1, 0] = k + 1, k
    points = Points(x, y, scatter, step, key, chain, place)
    mask = 64
    while mask < count:
        mask *= 2
    head, onward = np.full(mask, -1, np.int32), np.empty(count, np.int32)
    mask -= 1
    for k in range(count):
        bucket = _bucket(key[k], _column(x[k]), _column(y[k]), mask)
        onward[k], head[bucket] = head[bucket], k
    cells = Cells(head, onward, np.empty(count, np.int32))
    first, second = doubtful, doubtful + 1
    changed = False
    for _ in range(ROUNDS):
        new_first, new_second, ends = _change(points, link, alone, cells, first, second)
        if len(new_first) == 0 and len(ends) == 0:
            break
        changed = True
        _join_ends(points, link, alone, cells, ends)
        still = np.empty(len(first), np.bool_)
        for k in range(len(first)):
            still[k] = _linked(link, first[k], second[k])
        first = np.concatenate((first[still], new_first))
        second = np.concatenate((second[still], new_second))
    changed = _place_singles(points, link, alone, cells, singles) or changed
    if not changed:
        return 0
    return _walk(link, new_nodes, new_starts)
