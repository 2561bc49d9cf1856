"""Stations along each line, and bends put between the shots they lie between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._corner_kernels import place_shots
from asfound.alignment._members import Members
from asfound.alignment._node_kernels import order_nodes
from asfound.alignment._robust import Observed

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


def place_nodes(members: Members) -> tuple[Nodes, Observed, Observed]:
    """Order shots and bends along lines.

    Returns
    -------
    nodes : Nodes
    plane, level : Observed
        What the plane and the level are fitted to; stray shots begin without weight.
    """
    shots = len(members.shot)
    station, sound = np.empty(shots), np.empty(shots, bool)
    corner, bend = np.empty(shots, np.int64), np.empty((3, shots))
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
        station=np.empty(count),
        member=np.empty(count, np.int64),
        node_of=np.empty(shots, np.int64),
        deflection=np.empty(count),
    )
    gap, left, nothing = np.empty(count), np.empty((2, count)), np.zeros(count)
    plane = Observed(
        starts=nodes.starts,
        gap=gap,
        data=np.empty((2, count)),
        variance=np.empty(count),
        usable=np.empty(count, bool),
        weight=np.empty(count),
        left=left,
        extra=np.empty(count),
        kink=np.empty(count),
        known=np.empty(count, bool),
    )
    level = Observed(
        starts=nodes.starts,
        gap=gap,
        data=np.empty((1, count)),
        variance=np.empty(count),
        usable=np.empty(count, bool),
        weight=np.empty(count),
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
