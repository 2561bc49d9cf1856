"""Loops that find what lies beside a path: pieces of paths in a grid, then node against segment.

Paths are cut into pieces of a few steps. Pieces that ask are put into the cells of a grid that
they and their reach cover; pieces that may be near are looked up there one after the other.
"""

from __future__ import annotations

from math import floor, inf, isnan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    CODES_OUT,
    FLAG,
    FLAGS_OUT,
    FLOATS,
    FLOATS_OUT,
    INTEGER,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

PIECE = 16
WIDEST = 64.0
CELL_LEAST = 8.0
BESIDE = 0.35
BESIDE_SCATTER = 2.0
USUAL_SCATTER = 0.05
PACE = 8.0


class Pieces(NamedTuple):
    """Pieces of stretches of nodes: each ends with the node that the next begins with.

    Parameters
    ----------
    path : int64
    first, last : int64
        Node positions, both inside.
    until : int64
        Last node that is not the next piece's too.
    box : (n, 4) float64
        Least and greatest easting, least and greatest northing [m].
    fixed, widest : float64
        How far to look from each node, NaN where it depends on the node's scatter; and how far at
        most [m].
    """

    path: Integers
    first: Integers
    last: Integers
    until: Integers
    box: Floats
    fixed: Floats
    widest: Floats


class Hits(NamedTuple):
    """Nodes beside a segment: both by position, how far along the segment, and the square."""

    who: Integers
    other: Integers
    begin: Integers
    share: Floats
    square: Floats


@part
def _reach(scatter: float) -> float:
    return BESIDE + BESIDE_SCATTER * (scatter - USUAL_SCATTER)


@part
def _cut_into(
    x: Floats, y: Floats, scatter: Floats, nodes: Integers,
    path: Integers, first: Integers, last: Integers, fixed: Floats, asking: bool,
    own: Integers, begins: Integers, ends: Integers, until: Integers, box: Floats,
    reach: Floats, widest: Floats,
) -> int:  # fmt: skip
    """`_cut` into arrays that are there already; returns how many, -1 if there is no room."""
    made = 0
    for k in range(len(path)):
        end = first[k]
        while True:
            if made == len(own):
                return -1
            begin = end
            node = nodes[begin]
            low_x = high_x = x[node]
            low_y = high_y = y[node]
            spread = scatter[node] if asking else 0.0
            while end < last[k] and end < begin + PIECE:
                node = nodes[end + 1]
                left, right = min(low_x, x[node]), max(high_x, x[node])
                under, upper = min(low_y, y[node]), max(high_y, y[node])
                if end > begin and (right - left > WIDEST or upper - under > WIDEST):
                    break
                low_x, high_x, low_y, high_y = left, right, under, upper
                if asking:
                    spread = max(spread, scatter[node])
                end += 1
            own[made], begins[made], ends[made] = path[k], begin, end
            until[made] = end if end == last[k] else end - 1
            box[made, 0], box[made, 1], box[made, 2], box[made, 3] = low_x, high_x, low_y, high_y
            reach[made] = fixed[k]
            widest[made] = _reach(spread) if isnan(fixed[k]) else fixed[k]
            made += 1
            if end == last[k]:
                break
    return made


@part
def _cut(
    x: Floats, y: Floats, scatter: Floats, nodes: Integers,
    path: Integers, first: Integers, last: Integers, fixed: Floats, asking: bool,
) -> Pieces:  # fmt: skip
    """Pieces of stretches of nodes, of at most `PIECE` steps and some width."""
    room = 1
    for k in range(len(path)):
        room += (last[k] - first[k]) // PIECE + 1
    while True:
        own, begins, ends = (
            np.empty(room, np.int64),
            np.empty(room, np.int64),
            np.empty(room, np.int64),
        )
        until, box = np.empty(room, np.int64), np.empty((room, 4))
        reach, widest = np.empty(room), np.empty(room)
        made = _cut_into(
            x, y, scatter, nodes, path, first, last, fixed, asking,
            own, begins, ends, until, box, reach, widest,
        )  # fmt: skip
        if made >= 0:
            return Pieces(
                own[:made],
                begins[:made],
                ends[:made],
                until[:made],
                box[:made],
                reach[:made],
                widest[:made],
            )
        room *= 2


@part
def _cell(value: float, width: float) -> int:
    """Row or column of a place in a grid; far out the last one."""
    return int(min(max(floor(value / width), -1e9), 1e9))


@part
def _bucket(key: int, column: int, row: int, mask: int) -> int:
    return (int(key) * 83492791 ^ column * 73856093 ^ row * 19349663) & mask


@part
def _width(box: Floats) -> float:
    """Width of cells: that of the usual piece."""
    total = 0.0
    for k in range(len(box)):
        total += max(box[k, 1] - box[k, 0], box[k, 3] - box[k, 2])
    return min(max(total / max(len(box), 1), CELL_LEAST), WIDEST)


@part
def _more_rows(rows: Integers) -> Integers:
    more = np.empty((2 * len(rows), 2), np.int64)
    more[: len(rows)] = rows
    return more


@part
def _pairs(key: Codes, asked: Pieces, near: Pieces) -> Integers:
    """(n, 2) pieces that ask, and pieces of other paths of the same key that may be in reach."""
    path, box, widest = asked.path, asked.box, asked.widest
    near_path, near_box = near.path, near.box
    near_first, near_last = near.first, near.last
    width = _width(near_box)
    cells = np.empty((len(path), 4), np.int64)
    entries = 0
    for a in range(len(path)):
        reach = widest[a]
        cells[a, 0], cells[a, 1] = _cell(box[a, 0] - reach, width), _cell(box[a, 1] + reach, width)
        cells[a, 2], cells[a, 3] = _cell(box[a, 2] - reach, width), _cell(box[a, 3] + reach, width)
        entries += (cells[a, 1] - cells[a, 0] + 1) * (cells[a, 3] - cells[a, 2] + 1)
    mask = 1
    while mask < 2 * entries:
        mask *= 2
    first = np.zeros(mask + 1, np.int32)
    mask -= 1
    for a in range(len(path)):
        own = key[path[a]]
        for column in range(cells[a, 0], cells[a, 1] + 1):
            for row in range(cells[a, 2], cells[a, 3] + 1):
                first[_bucket(own, column, row, mask) + 1] += 1
    for bucket in range(mask + 1):
        first[bucket + 1] += first[bucket]
    filled = first[:-1].copy()
    member = np.empty(entries, np.int32)
    for a in range(len(path)):
        own = key[path[a]]
        for column in range(cells[a, 0], cells[a, 1] + 1):
            for row in range(cells[a, 2], cells[a, 3] + 1):
                bucket = _bucket(own, column, row, mask)
                member[filled[bucket]] = a
                filled[bucket] += 1
    pairs, number = np.empty((64, 2), np.int64), 0
    for t in range(len(near_path)):
        if near_first[t] == near_last[t]:
            continue
        own = key[near_path[t]]
        left, right, under, upper = near_box[t, 0], near_box[t, 1], near_box[t, 2], near_box[t, 3]
        west, south = _cell(left, width), _cell(under, width)
        east, north = _cell(right, width), _cell(upper, width)
        for column in range(west, east + 1):
            for row in range(south, north + 1):
                bucket = _bucket(own, column, row, mask)
                for k in range(first[bucket], first[bucket + 1]):
                    a = member[k]
                    if path[a] == near_path[t] or key[path[a]] != own:
                        continue
                    # a pair meets in several cells: it counts in the first
                    if max(cells[a, 0], west) != column or max(cells[a, 2], south) != row:
                        continue
                    reach = widest[a]
                    if box[a, 0] - reach > right or box[a, 1] + reach < left:
                        continue
                    if box[a, 2] - reach > upper or box[a, 3] + reach < under:
                        continue
                    if number == len(pairs):
                        pairs = _more_rows(pairs)
                    pairs[number, 0], pairs[number, 1] = a, t
                    number += 1
    return pairs[:number]


@part
def _hits(
    x: Floats, y: Floats, scatter: Floats, nodes: Integers,
    asked: Pieces, near: Pieces, pairs: Integers,
) -> Hits:  # fmt: skip
    """Nodes that lie within reach of a piece, and their nearest segment of it."""
    first, until, fixed = asked.first, asked.until, asked.fixed
    near_path, near_first, near_last, box = near.path, near.first, near.last, near.box
    room = 0
    for k in range(len(pairs)):
        room += until[pairs[k, 0]] - first[pairs[k, 0]] + 1
    hit_who, hit_other, hit_begin = (
        np.empty(room, np.int64),
        np.empty(room, np.int64),
        np.empty(room, np.int64),
    )
    hit_share, hit_square = np.empty(room), np.empty(room)
    number = 0
    for k in range(len(pairs)):
        a, t = pairs[k, 0], pairs[k, 1]
        for who in range(first[a], until[a] + 1):
            px, py = x[nodes[who]], y[nodes[who]]
            reach = fixed[a]
            if isnan(reach):
                reach = _reach(scatter[nodes[who]])
            if px < box[t, 0] - reach or px > box[t, 1] + reach:
                continue
            if py < box[t, 2] - reach or py > box[t, 3] + reach:
                continue
            least, found, at = inf, -1, 0.0
            x1, y1 = x[nodes[near_first[t]]], y[nodes[near_first[t]]]
            for begin in range(near_first[t], near_last[t]):
                x0, y0 = x1, y1
                x1, y1 = x[nodes[begin + 1]], y[nodes[begin + 1]]
                if px < min(x0, x1) - reach or px > max(x0, x1) + reach:
                    continue
                if py < min(y0, y1) - reach or py > max(y0, y1) + reach:
                    continue
                ex, ey, qx, qy = x1 - x0, y1 - y0, px - x0, py - y0
                share = (qx * ex + qy * ey) / max(ex * ex + ey * ey, 1e-12)
                share = min(max(share, 0.0), 1.0)
                square = (qx - share * ex) ** 2 + (qy - share * ey) ** 2
                if square < least:
                    least, found, at = square, begin, share
            if found >= 0 and least <= reach * reach:
                hit_who[number], hit_other[number], hit_begin[number] = who, near_path[t], found
                hit_share[number], hit_square[number] = at, least
                number += 1
    return Hits(
        hit_who[:number],
        hit_other[:number],
        hit_begin[:number],
        hit_share[:number],
        hit_square[:number],
    )


@kernel(
    FLOATS, FLOATS, FLOATS, CODES, INTEGERS, INTEGERS, INTEGERS, INTEGERS, INTEGERS, FLOATS, FLAG
)  # fmt: skip
def find_beside(
    x: Floats,
    y: Floats,
    scatter: Floats,
    key: Codes,
    nodes: Integers,
    starts: Integers,
    asked_path: Integers,
    asked_first: Integers,
    asked_last: Integers,
    asked_reach: Floats,
    everyone: bool,
) -> Hits:
    """Segments of other paths of the same key beside nodes.

    Parameters
    ----------
    key : (paths,) int32
    asked_path, asked_first, asked_last : (q,) int64
        Stretches of nodes that ask: the path they are of, first and last position.
    asked_reach : (q,) float64
        How far to look [m]; NaN: as the scatter of each node has it.
    everyone : bool
        The stretches that ask are all paths.

    Returns
    -------
    Hits
        Of each node and each piece of another path within reach the nearest segment, in no
        order, some more than once.
    """
    asked = _cut(x, y, scatter, nodes, asked_path, asked_first, asked_last, asked_reach, True)
    near = asked
    if not everyone:
        count = len(starts) - 1
        near = _cut(
            x, y, scatter, nodes, np.arange(count), starts[:-1].copy(), starts[1:] - 1,
            np.zeros(count), False,
        )  # fmt: skip
    return _hits(x, y, scatter, nodes, asked, near, _pairs(key, asked, near))


@kernel(INTEGERS, INTEGERS, INTEGERS, FLOATS, INTEGERS, INTEGERS_OUT)
def keep_nearest(
    who: Integers,
    other: Integers,
    begin: Integers,
    square: Floats,
    order: Integers,
    kept: Integers,
) -> int:
    """Of hits in order of their node, the nearest of each; ties by path, then along it."""
    number = 0
    for k in range(len(order)):
        hit = order[k]
        if number == 0 or who[kept[number - 1]] != who[hit]:
            kept[number] = hit
            number += 1
            continue
        best = kept[number - 1]
        if square[hit] != square[best]:
            closer = square[hit] < square[best]
        elif other[hit] != other[best]:
            closer = other[hit] < other[best]
        else:
            closer = begin[hit] < begin[best]
        if closer:
            kept[number - 1] = hit
    return number


@kernel(FLOATS, FLOATS, INTEGERS, INTEGERS, INTEGERS, FLOATS_OUT)
def measure_along(
    x: Floats, y: Floats, nodes: Integers, starts: Integers, chosen: Integers, along: Floats
) -> None:
    """Distance of each node of chosen paths from the start of its path, along the path [m]."""
    for path in chosen:
        total = 0.0
        along[starts[path]] = 0.0
        for k in range(starts[path] + 1, starts[path + 1]):
            dx, dy = x[nodes[k]] - x[nodes[k - 1]], y[nodes[k]] - y[nodes[k - 1]]
            total += sqrt(dx * dx + dy * dy)
            along[k] = total


@kernel(INTEGERS, INTEGERS, INTEGERS, FLOATS, INTEGERS, FLOATS, FLOATS, FLOATS_OUT)
def place_children(
    starts: Integers,
    who: Integers,
    other: Integers,
    station: Floats,
    root: Integers,
    sense: Floats,
    along: Floats,
    place: Floats,
) -> None:
    """Stations of the nodes of paths that go into others, on the path they go into.

    Nodes not beside it, such as those past its end, keep their own distances from the nearest
    one that is. Hits are in order of their nodes.
    """
    k = 0
    while k < len(who):
        # who[k] belongs to the first path not done yet
        path = np.searchsorted(starts, who[k], side="right") - 1
        end = k
        while end < len(who) and who[end] < starts[path + 1]:
            end += 1
        if root[path] != path:
            before = after = -1
            at = k
            for node in range(starts[path], starts[path + 1]):
                while at < end and (who[at] < node or other[at] != root[path]):
                    if other[at] == root[path]:
                        before = at
                    at += 1
                after = at if at < end else -1
                anchor = after
                if before >= 0 and (after < 0 or node - who[before] <= who[after] - node):
                    anchor = before
                here = along[node] - along[who[anchor]]
                place[node] = station[anchor] + sense[path] * here
        k = end


@kernel(INTEGERS, INTEGERS, INTEGERS, INTEGERS, INTEGERS, INTEGERS_OUT, INTEGERS_OUT)
def lay_merged(
    nodes: Integers,
    starts: Integers,
    root: Integers,
    order: Integers,
    bounds: Integers,
    new_nodes: Integers,
    new_starts: Integers,
) -> None:
    """Paths without those that went into others, and with the latter's nodes in their order.

    Parameters
    ----------
    root : (paths,) int64
        Path each goes into, its own number if into none.
    order, bounds : int64
        Node positions of the paths that take in, one after the other, and where each begins.
    """
    made = at = 0
    new_starts[0] = 0
    for path in range(len(starts) - 1):
        if root[path] != path:
            continue
        if bounds[path + 1] > bounds[path]:
            for k in range(bounds[path], bounds[path + 1]):
                new_nodes[at] = nodes[order[k]]
                at += 1
        else:
            for k in range(starts[path], starts[path + 1]):
                new_nodes[at] = nodes[k]
                at += 1
        made += 1
        new_starts[made] = at


@kernel(INTEGERS, CODES_OUT)
def find_places(nodes: Integers, where: Codes) -> None:
    """Position of each point among the nodes of paths."""
    for k in range(len(nodes)):
        where[nodes[k]] = k


@kernel(
    FLOATS, FLOATS, FLOATS, CODES, CODES, INTEGERS, INTEGERS, INTEGERS, INTEGER, FLAGS_OUT
)  # fmt: skip
def flag_embedded(
    x: Floats,
    y: Floats,
    scatter: Floats,
    key: Codes,
    upload: Codes,
    log: Integers,
    nodes: Integers,
    starts: Integers,
    longest: int,
    flag: Flags,
) -> None:
    """Points of paths no longer than `longest` that another line's log passes straight through."""
    count = len(x)
    at = np.empty(count, np.int32)
    for point in range(count):
        at[log[point]] = point
    for path in range(len(starts) - 1):
        size = starts[path + 1] - starts[path]
        if size > longest:
            continue
        first, last = count, -1
        for k in range(starts[path], starts[path + 1]):
            first, last = min(first, log[nodes[k]]), max(last, log[nodes[k]])
        if last - first + 1 != size or first == 0 or last == count - 1:
            continue
        own, before, after = nodes[starts[path]], at[first - 1], at[last + 1]
        if upload[before] != upload[own] or upload[after] != upload[own]:
            continue
        if key[before] != key[after] or key[before] == key[own]:
            continue
        ex, ey = x[after] - x[before], y[after] - y[before]
        length = sqrt(ex * ex + ey * ey)
        # the log must pass at its usual pace, not come back to this place by chance
        inside = length <= PACE * (size + 1)
        length = max(length, 1e-9)
        for k in range(starts[path], starts[path + 1]):
            px, py = x[nodes[k]] - x[before], y[nodes[k]] - y[before]
            off = abs(px * ey - py * ex) / length
            share = (px * ex + py * ey) / (length * length)
            on = off <= BESIDE + BESIDE_SCATTER * scatter[nodes[k]] and 0.0 < share < 1.0
            inside = inside and on
        if inside:
            for k in range(starts[path], starts[path + 1]):
                flag[nodes[k]] = True
