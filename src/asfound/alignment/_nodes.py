"""Stations along each line, and bends put between the shots they lie between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._corner_kernels import place_shots
from asfound.alignment._members import Members
from asfound.alignment._node_kernels import order_nodes
from asfound.alignment._robust import Observed
from asfound.alignment._room import Room

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Nodes:
    """Shots and bends of all lines, in order of station.

    Parameters
    ----------
    starts : (lines + 1,) int64
    station : (n,) float64
        From the first sound shot, on straights between shots and bends [m].
    member : (n,) int64
        Of the shot at the node, -1 at a bend.
    node_of : (m,) int64
        Node of each member.
    deflection : (n,) float64
        Of a bend, right positive; 0 at shots [rad].
    """

    starts: Integers
    station: Floats
    member: Integers
    node_of: Integers
    deflection: Floats


def place_nodes(members: Members, room: Room) -> tuple[Nodes, Observed, Observed]:
    """Order shots and bends along lines.

    Parameters
    ----------
    members : Members
    room : Room
        Where the arrays by node are to be, good until it is cleared.

    Returns
    -------
    nodes : Nodes
    plane, level : Observed
        What the plane and the level are fitted to; stray shots begin without weight.
    """
    shots = len(members.shot)
    station, sound = room.floats(shots), np.empty(shots, bool)
    corner, bend = room.integers(shots), room.floats((3, shots))
    bends = place_shots(
        members.starts,
        members.east,
        members.north,
        members.across,
        members.left,
        members.usable,
        sound,
        station,
        corner,
        bend,
    )
    count = shots + bends
    nodes = Nodes(
        starts=np.empty(len(members.starts), np.int64),
        station=room.floats(count),
        member=room.integers(count),
        node_of=room.integers(shots),
        deflection=room.floats(count),
    )
    gap, left, nothing = room.floats(count), room.floats((2, count)), room.floats(count)
    nothing[:] = 0.0
    plane = Observed(
        starts=nodes.starts,
        gap=gap,
        data=room.floats((2, count)),
        variance=room.floats(count),
        usable=np.empty(count, bool),
        weight=room.floats(count),
        left=left,
        extra=room.floats(count),
        kink=room.floats(count),
        known=np.empty(count, bool),
    )
    level = Observed(
        starts=nodes.starts,
        gap=gap,
        data=room.floats((1, count)),
        variance=room.floats(count),
        usable=np.empty(count, bool),
        weight=room.floats(count),
        left=None,
        extra=nothing,
        kink=nothing,
        known=np.zeros(count, bool),
    )
    order_nodes(
        members.starts,
        station,
        corner[:bends],
        bend,
        members.east,
        members.north,
        members.up,
        members.left,
        members.across,
        members.vertical,
        members.usable,
        sound,
        members.deep,
        nodes.starts,
        nodes.station,
        nodes.member,
        nodes.node_of,
        nodes.deflection,
        gap,
        plane.data,
        plane.variance,
        plane.usable,
        plane.weight,
        left,
        plane.extra,
        plane.kink,
        plane.known,
        level.data,
        level.variance,
        level.usable,
        level.weight,
    )
    return nodes, plane, level
