"""Shots and bends of lines put in order of station, and what is observed at each."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    FLAGS,
    FLAGS_OUT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BEND_SHARE = 0.1
KINK_SLOPE = 1.0


@part
def _by_station(station: Floats, begin: int, end: int, order: Integers) -> None:
    """Members in order of station; equal ones as they come. Quick where nearly in order."""
    for k in range(begin, end):
        place = k - begin
        while place > 0 and station[order[place - 1]] > station[k]:
            order[place] = order[place - 1]
            place -= 1
        order[place] = k


@part
def _wander_of(before: float, after: float, deflection: float) -> float:
    """Wander of an interval that holds a bend.

    A bend may be a sweep, not a corner: room for a tenth of the cut corner, across the gap.
    """
    room = BEND_SHARE * math.sin(deflection / 2.0)
    return 192.0 * room * room / max(before + after, 0.1)


@kernel(
    INTEGERS,
    FLOATS,
    INTEGERS,
    GRID,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    FLOATS,
    FLOATS,
    FLAGS,
    FLAGS,
    FLAGS,
    INTEGERS_OUT,
    FLOATS_OUT,
    INTEGERS_OUT,
    INTEGERS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    GRID_OUT,
    FLOATS_OUT,
    FLAGS_OUT,
    FLOATS_OUT,
    GRID_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    FLAGS_OUT,
    GRID_OUT,
    FLOATS_OUT,
    FLAGS_OUT,
    FLOATS_OUT,
)
def order_nodes(
    starts: Integers,
    station: Floats,
    corner: Integers,
    bend: Floats,
    east: Floats,
    north: Floats,
    up: Floats,
    left: Floats,
    across: Floats,
    vertical: Floats,
    usable: Flags,
    sound: Flags,
    deep: Flags,
    node_starts: Integers,
    node_station: Floats,
    member: Integers,
    node_of: Integers,
    deflection: Floats,
    gap: Floats,
    plane: Floats,
    plane_variance: Floats,
    plane_usable: Flags,
    plane_weight: Floats,
    node_left: Floats,
    extra: Floats,
    kink: Floats,
    known: Flags,
    level: Floats,
    level_variance: Floats,
    level_usable: Flags,
    level_weight: Floats,
) -> None:
    """Order the m members of lines and their b bends, n nodes in all.

    Parameters
    ----------
    starts, station, corner, bend
        As of `place_shots`; corner and bend of the b bends found.
    east, north, up, left, across, vertical, usable, sound, deep
        By member, as in `Members`.
    node_starts, node_station, member, node_of, deflection
        Written; as in `Nodes`.
    gap, plane, plane_variance, plane_usable, plane_weight, node_left, extra, kink, known
        Written, by node; as in `Observed` of the plane.
    level, level_variance, level_usable, level_weight
        Written, by node; as in `Observed` of the level.
    """
    longest = 1
    for line in range(len(starts) - 1):
        longest = max(longest, starts[line + 1] - starts[line])
    order = np.empty(longest, np.int64)
    node, c = 0, 0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        node_starts[line] = node
        _by_station(station, begin, end, order)
        pending = -1
        place = 0.0
        for k in range(end - begin + 1):
            m = order[k] if k < end - begin else -1
            # a bend stands after shots of the same station
            if pending >= 0 and (m < 0 or station[m] > place):
                before, after, turn = bend[0, pending], bend[1, pending], bend[2, pending]
                node_station[node], member[node], deflection[node] = place, -1, turn
                plane[0, node] = plane[1, node] = level[0, node] = 0.0
                plane_variance[node] = level_variance[node] = 1.0
                plane_usable[node] = level_usable[node] = False
                plane_weight[node] = level_weight[node] = 0.0
                node_left[0, node] = node_left[1, node] = 0.0
                extra[node] = _wander_of(before, after, turn)
                known[node] = extra[node] > 0.0
                kink[node] = KINK_SLOPE
                node += 1
                pending = -1
            if m < 0:
                break
            node_of[m] = node
            node_station[node], member[node], deflection[node] = station[m], m, 0.0
            plane[0, node], plane[1, node], level[0, node] = east[m], north[m], up[m]
            plane_variance[node], level_variance[node] = across[m], vertical[m]
            plane_usable[node], level_usable[node] = usable[m], deep[m]
            plane_weight[node] = 1.0 if sound[m] else 0.0
            level_weight[node] = 1.0 if deep[m] else 0.0
            node_left[0, node], node_left[1, node] = left[0, m], left[1, m]
            extra[node] = kink[node] = 0.0
            known[node] = False
            if c < len(corner) and corner[c] == m:
                pending = c
                place = station[m] + bend[0, c]
                # the interval between the shot and the bend, too
                extra[node] = _wander_of(bend[0, c], bend[1, c], bend[2, c])
                known[node] = extra[node] > 0.0
                c += 1
            node += 1
        for k in range(node_starts[line], node - 1):
            gap[k] = max(node_station[k + 1] - node_station[k], 0.0)
        if node > node_starts[line]:
            gap[node - 1] = 0.0
    node_starts[len(starts) - 1] = node
