"""Loops over the last points of paths: whether they hang on rightly."""

from __future__ import annotations

from math import atan2, pi, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import CODES, FLOATS, INTEGERS, INTEGERS_OUT, kernel, part

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]

LOOSE_TAIL = 1.8
TAIL_TURN = 25.0 * pi / 180.0
LEAST_SIZE = 5
HOLE = 1.4


@part
def _loose(
    x: Floats, y: Floats, scatter: Floats, nodes: Integers, end: int, way: int, usual: float
) -> bool:
    """Whether the end point of a path hangs on by too long a step, or at an angle."""
    last, next_, third = nodes[end], nodes[end + way], nodes[end + 3 * way]
    dx, dy = x[last] - x[next_], y[last] - y[next_]
    length = sqrt(dx * dx + dy * dy)
    if length > LOOSE_TAIL * usual:
        return True
    own_x, own_y = x[next_] - x[third], y[next_] - y[third]
    turn = abs(atan2(own_x * dy - own_y * dx, own_x * dx + own_y * dy))
    return bool(turn > TAIL_TURN + min(4.0 * scatter[last] / max(length, 0.05), 1.0))


@kernel(FLOATS, FLOATS, FLOATS, INTEGERS, INTEGERS, FLOATS, INTEGERS_OUT)
def cut_loose(
    x: Floats,
    y: Floats,
    scatter: Floats,
    nodes: Integers,
    starts: Integers,
    step: Floats,
    new_starts: Integers,
) -> int:
    """Starts of paths with loose end points made paths of their own; returns their number."""
    made = 0
    for path in range(len(starts) - 1):
        head, tail = starts[path], starts[path + 1] - 1
        new_starts[made] = head
        made += 1
        if tail - head + 1 < LEAST_SIZE:
            continue
        if _loose(x, y, scatter, nodes, head, 1, step[path]):
            new_starts[made] = head + 1
            made += 1
        if _loose(x, y, scatter, nodes, tail, -1, step[path]):
            new_starts[made] = tail
            made += 1
    new_starts[made] = len(nodes)
    return made


@kernel(CODES, INTEGERS, INTEGERS, INTEGERS_OUT)
def suspect_ends(chain: Codes, nodes: Integers, starts: Integers, ends: Integers) -> int:
    """Ends with no point beside them on their path that the log has within two of them.

    Returns how many; only where two shots before and two after are of the same chain.
    """
    number = 0
    for path in range(len(starts) - 1):
        head, tail = starts[path], starts[path + 1] - 1
        if head == tail:
            continue
        for side in range(2):
            end, beside = (head, head + 1) if side == 0 else (tail, tail - 1)
            node = nodes[end]
            if abs(nodes[beside] - node) <= 2 or node < 2 or node >= len(chain) - 2:
                continue
            own = chain[node]
            if (
                chain[node - 2] == own
                and chain[node - 1] == own
                and (chain[node + 1] == own and chain[node + 2] == own)
            ):
                ends[number] = end
                number += 1
    return number


@kernel(FLOATS, FLOATS, INTEGERS, INTEGERS, CODES, FLOATS, INTEGERS_OUT)
def find_strangers(
    x: Floats,
    y: Floats,
    nodes: Integers,
    starts: Integers,
    where: Codes,
    step: Floats,
    ends: Integers,
) -> int:
    """Of suspect ends those that the log has between neighbours of one other path.

    These neighbours lie farther apart than the path's usual step, so that a shot is missing there.
    The ends found are moved to the front; returns how many.
    """
    number = 0
    for end in ends:
        node = nodes[end]
        before, after = where[node - 1], where[node + 1]
        way = after - before
        if abs(way) != 1 or where[node - 2] != before - way or where[node + 2] != after + way:
            continue
        low, high = min(before, after) - 1, max(before, after) + 1
        path = np.searchsorted(starts, low, side="right") - 1
        if high >= starts[path + 1] or starts[path] <= end < starts[path + 1]:
            continue
        one, two = nodes[before], nodes[after]
        if sqrt((x[two] - x[one]) ** 2 + (y[two] - y[one]) ** 2) > HOLE * step[path]:
            ends[number] = end
            number += 1
    return number
