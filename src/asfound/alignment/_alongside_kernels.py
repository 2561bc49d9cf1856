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
def _new_pieces(size: int) -> Pieces:
    return Pieces(
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty((size, 4)),
        np.empty(size),
        np.empty(size),
    )


@part
def _shortened(pieces: Pieces, size: int) -> Pieces:
    return Pieces(
        pieces.path[:size],
        pieces.first[:size],
        pieces.last[:size],
        pieces.until[:size],
        pieces.box[:size],
        pieces.fixed[:size],
        pieces.widest[:size],
    )


@part
def _more_pieces(pieces: Pieces) -> Pieces:
    size = len(pieces.path)
    more = _new_pieces(2 * size)
    more.path[:size], more.first[:size] = pieces.path, pieces.first
    more.last[:size], more.until[:size] = pieces.last, pieces.until
    more.box[:size], more.fixed[:size], more.widest[:size] = (
        pieces.box,
        pieces.fixed,
        pieces.widest,
    )
    return more


@part
def _new_hits(size: int) -> Hits:
    return Hits(
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size),
        np.empty(size),
    )


@part
def _more_hits(hits: Hits) -> Hits:
    size = len(hits.who)
    more = _new_hits(2 * size)
    more.who[:size], more.other[:size], more.begin[:size] = hits.who, hits.other, hits.begin
    more.share[:size], more.square[:size] = hits.share, hits.square
    return more


@part
def _cut(
    x: Floats,
    y: Floats,
    scatter: Floats,
    nodes: Integers,
    path: Integers,
    first: Integers,
    last: Integers,
    fixed: Floats,
    asking: bool,
) -> Pieces:
    """Pieces of stretches of nodes, of at most `PIECE` steps and some width."""
    size = 1
    for k in range(len(path)):
        size += (last[k] - first[k]) // PIECE + 1
    pieces = _new_pieces(size)
    made = 0
    for k in range(len(path)):
        end = first[k]
        while True:
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
            if made == len(pieces.path):
                pieces = _more_pieces(pieces)
            pieces.path[made], pieces.first[made], pieces.last[made] = path[k], begin, end
            pieces.until[made] = end if end == last[k] else end - 1
            pieces.box[made, 0], pieces.box[made, 1] = low_x, high_x
            pieces.box[made, 2], pieces.box[made, 3] = low_y, high_y
            pieces.fixed[made] = fixed[k]
            pieces.widest[made] = fixed[k] if not isnan(fixed[k]) else _reach(spread)
            made += 1
            if end == last[k]:
                break
    return _shortened(pieces, made)


@part
def _reach(scatter: float) -> float:
    return BESIDE + BESIDE_SCATTER * (scatter - USUAL_SCATTER)


@part
def _cell(value: float, width: float) -> int:
    """Row or column of a place in a grid; far out the last one."""
    return int(min(max(floor(value / width), -1e9), 1e9))


@part
def _bucket(key: int, column: int, row: int, mask: int) -> int:
    return (key * 83492791 ^ column * 73856093 ^ row * 19349663) & mask


@part
def _width(pieces: Pieces) -> float:
    """Width of cells: that of the usual piece."""
    total = 0.0
    for k in range(len(pieces.path)):
        box = pieces.box[k]
        total += max(box[1] - box[0], box[3] - box[2])
    return min(max(total / max(len(pieces.path), 1), CELL_LEAST), WIDEST)


@part
def _beside(
    x: Floats, y: Floats, scatter: Floats, nodes: Integers, asked: Pieces, a: int, near: Pieces,
    t: int, hits: Hits, number: int,
) -> tuple[Hits, int]:  # fmt: skip
    """Nodes of one piece that lie within reach of another: their nearest segment of it."""
    for who in range(asked.first[a], asked.until[a] + 1):
        px, py = x[nodes[who]], y[nodes[who]]
        reach = asked.fixed[a]
        if isnan(reach):
            reach = _reach(scatter[nodes[who]])
        if px < near.box[t, 0] - reach or px > near.box[t, 1] + reach:
            continue
        if py < near.box[t, 2] - reach or py > near.box[t, 3] + reach:
            continue
        least, found, at = inf, -1, 0.0
        x1, y1 = x[nodes[near.first[t]]], y[nodes[near.first[t]]]
        for begin in range(near.first[t], near.last[t]):
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
        if least > reach * reach or found < 0:
            continue
        if number == len(hits.who):
            hits = _more_hits(hits)
        hits.who[number], hits.other[number], hits.begin[number] = who, near.path[t], found
        hits.share[number], hits.square[number] = at, least
        number += 1
    return hits, number


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
    count = len(starts) - 1
    asked = _cut(x, y, scatter, nodes, asked_path, asked_first, asked_last, asked_reach, True)
    near = asked
    if not everyone:
        every = np.arange(count)
        near = _cut(
            x, y, scatter, nodes, every, starts[:-1].copy(), starts[1:] - 1, np.zeros(count), False
        )
    width = _width(near)
    cells = np.empty((len(asked.path), 4), np.int64)
    entries = 0
    for a in range(len(asked.path)):
        box, reach = asked.box[a], asked.widest[a]
        cells[a, 0], cells[a, 1] = _cell(box[0] - reach, width), _cell(box[1] + reach, width)
        cells[a, 2], cells[a, 3] = _cell(box[2] - reach, width), _cell(box[3] + reach, width)
        entries += (cells[a, 1] - cells[a, 0] + 1) * (cells[a, 3] - cells[a, 2] + 1)
    mask = 1
    while mask < 2 * entries:
        mask *= 2
    first = np.zeros(mask + 1, np.int64)
    mask -= 1
    for a in range(len(asked.path)):
        own = key[asked.path[a]]
        for column in range(cells[a, 0], cells[a, 1] + 1):
            for row in range(cells[a, 2], cells[a, 3] + 1):
                first[_bucket(own, column, row, mask) + 1] += 1
    for bucket in range(mask + 1):
        first[bucket + 1] += first[bucket]
    filled = first[:-1].copy()
    member = np.empty(entries, np.int64)
    for a in range(len(asked.path)):
        own = key[asked.path[a]]
        for column in range(cells[a, 0], cells[a, 1] + 1):
            for row in range(cells[a, 2], cells[a, 3] + 1):
                bucket = _bucket(own, column, row, mask)
                member[filled[bucket]] = a
                filled[bucket] += 1
    hits, number = _new_hits(64), 0
    for t in range(len(near.path)):
        if near.first[t] == near.last[t]:
            continue
        own, path, box = key[near.path[t]], near.path[t], near.box[t]
        west, south = _cell(box[0], width), _cell(box[2], width)
        for column in range(west, _cell(box[1], width) + 1):
            for row in range(south, _cell(box[3], width) + 1):
                bucket = _bucket(own, column, row, mask)
                for k in range(first[bucket], first[bucket + 1]):
                    a = member[k]
                    if asked.path[a] == path or key[asked.path[a]] != own:
                        continue
                    # a pair meets in several cells: it counts in the first
                    if max(cells[a, 0], west) != column or max(cells[a, 2], south) != row:
                        continue
                    reach = asked.widest[a]
                    if asked.box[a, 0] - reach > box[1] or asked.box[a, 1] + reach < box[0]:
                        continue
                    if asked.box[a, 2] - reach > box[3] or asked.box[a, 3] + reach < box[2]:
                        continue
                    hits, number = _beside(
                        x, y, scatter, nodes, asked, a, near, t, hits, number
                    )  # fmt: skip
    return Hits(
        hits.who[:number],
        hits.other[:number],
        hits.begin[:number],
        hits.share[:number],
        hits.square[:number],
    )


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
