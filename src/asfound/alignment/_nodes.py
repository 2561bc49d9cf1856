"""Stations along each line, and bends put between the shots they lie between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._corners import Corners
from asfound.alignment._members import Members

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LEAST_STEP = 1e-3
BEND_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Nodes:
    """Shots and bends of all lines, in order of station."""

    starts: Integers
    station: Floats
    shot: Integers  # index of the member, -1 at a bend
    node_of: Integers  # node of each member
    kink: Flags
    deflection: Floats
    bend_wander: Floats  # extra q of the interval that follows


def stations_of(members: Members, used: Flags, corners: Corners, bearing: Floats) -> Floats:
    """(n,) station of each shot: projected on the line, by way of the bends' points."""
    e, n = members.east, members.north
    owner = members.owner
    good = np.flatnonzero(used)
    a, b = good[:-1], good[1:]
    same = owner[a] == owner[b]
    dx, dy = e[b] - e[a], n[b] - n[a]
    # along the mean direction of both ends where they agree, else as it comes
    mx = np.sin(bearing[a]) + np.sin(bearing[b])
    my = np.cos(bearing[a]) + np.cos(bearing[b])
    length = np.hypot(mx, my)
    with np.errstate(invalid="ignore", divide="ignore"):
        projected = (dx * mx + dy * my) / length
    raw = np.hypot(dx, dy)
    agree = length > 2.0 * np.cos(np.radians(15.0))
    step = np.where(agree & np.isfinite(projected), projected, raw)
    step = np.maximum(step, LEAST_STEP)
    if len(corners.node):
        place = np.searchsorted(a, corners.node)
        hit = (place < len(a)) & (a[np.minimum(place, len(a) - 1)] == corners.node)
        step[place[hit]] = (corners.before + corners.after)[hit]
    step[~same] = 0.0
    total = np.zeros(len(e))
    total[good[1:]] = np.cumsum(step)
    out = np.flatnonzero(~used)
    if len(out) and len(good):
        place = np.searchsorted(good, out)
        before = good[np.maximum(place - 1, 0)]
        after = good[np.minimum(place, len(good) - 1)]
        before = np.where(owner[before] == owner[out], before, after)
        after = np.where(owner[after] == owner[out], after, before)
        dx, dy = e[after] - e[before], n[after] - n[before]
        square = np.maximum(dx * dx + dy * dy, 1e-9)
        t = np.clip(((e[out] - e[before]) * dx + (n[out] - n[before]) * dy) / square, 0.0, 1.0)
        total[out] = total[before] + t * (total[after] - total[before])
    base = np.minimum.reduceat(total, members.starts[:-1])
    return np.asarray(total - base[owner])


def place_nodes(members: Members, station: Floats, corners: Corners) -> Nodes:
    count, bends = len(station), len(corners.node)
    owner = np.concatenate((members.owner, members.owner[corners.node]))
    place = np.concatenate((station, station[corners.node] + corners.before))
    # a bend stands after shots of the same station
    order = np.lexsort((np.repeat([0, 1], [count, bends]), place, owner))
    member = np.where(order < count, order, -1)
    node_of = np.empty(count + bends, np.int64)
    node_of[order] = np.arange(count + bends)
    kink = order >= count
    deflection = np.zeros(count + bends)
    deflection[node_of[count:]] = corners.deflection
    starts = np.searchsorted(owner[order], np.arange(len(members.starts)))
    at = node_of[count:]
    extra = np.zeros(count + bends)
    if bends:
        # a bend may be a sweep, not a corner: room for a tenth of the cut corner, across the gap
        gap = np.maximum(corners.before + corners.after, 0.1)
        room = 192.0 * (BEND_SHARE * np.sin(corners.deflection / 2.0)) ** 2 / gap
        extra[at] = room
        # every interval between the two shots
        extra[node_of[:count][corners.node]] = np.maximum(
            extra[node_of[:count][corners.node]], room
        )
    return Nodes(starts, place[order], member, node_of[:count], kink, deflection, extra)


def spread(nodes: Nodes, values: npt.NDArray[np.generic], elsewhere: float = 0.0) -> Floats:
    """(columns, nodes) values at shots, another at bends."""
    result = np.full((len(values), len(nodes.station)), elsewhere)
    result[:, nodes.node_of] = values
    return result
