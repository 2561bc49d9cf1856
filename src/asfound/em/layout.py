"""Assumed layouts in three dimensions: bends, tees and ends, with their currents in balance.

A layout is pieces of conductor with a current each. At a node where pieces meet, what flows in
flows out (Kirchhoff); where a single piece ends, its current goes to ground or to an apparatus.

>>> import numpy as np
>>> main = run_layout([[0, -500, -1.2], [0, 0, -1.2], [0, 500, -1.2]], [0.100, 0.060])
>>> service = run_layout([[0, 0, -1.2], [15, 0, -0.8]], 0.040)
>>> tee = join_layouts([main, service])
>>> [bool(node.balanced) for node in layout_nodes(tee)].count(False)
0
>>> field = layout_field(tee, sweep_places(np.array([-1.0, 0.0, 1.0]), 0.05, along=-5.0))
>>> np.round(1e9 * field[:, 0], 2)  # nT across the line, 5 m before the tee
array([ 9.68, 15.92,  9.69])
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.segments import segment_field
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
FieldArray = npt.NDArray[np.inexact]

SAME_PLACE = 1e-3
"""Ends closer than this meet [m]."""


@dataclass(frozen=True, eq=False)
class Layout:
    """m straight pieces of conductor.

    Parameters
    ----------
    start, end : (m, 3) float64
        x along the sweep, y along the line, z up [m].
    current : (m,) float64 or complex128
        From start to end [A].
    """

    start: FloatArray
    end: FloatArray
    current: FieldArray


class Node(NamedTuple):
    """A place where pieces meet or one ends.

    Parameters
    ----------
    place : (3,) float64
        [m].
    pieces : int
        How many meet here.
    surplus : complex
        Current in minus current out [A].
    balanced : bool
        True for a single piece's end (its current leaves the layout there) and where the
        surplus is within tolerance.
    """

    place: FloatArray
    pieces: int
    surplus: complex
    balanced: bool


def run_layout(vertices: npt.ArrayLike, current: npt.ArrayLike) -> Layout:
    """A line through given points, with bends at them.

    Parameters
    ----------
    vertices : (k, 3) float64
        [m].
    current : () or (k - 1,) float64 or complex128
        From each vertex to the next [A].

    Returns
    -------
    Layout

    Raises
    ------
    InputError
        If fewer than two points are given, or the currents do not fit.
    """
    points = np.asarray(vertices, dtype=np.float64)
    if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 3:
        raise InputError(
            f"a run of conductor has points of shape {points.shape}.",
            where="layout",
            remedy="Give two or more points with x, y and z.",
        )
    given = np.asarray(current)
    if given.shape not in ((), (len(points) - 1,)):
        raise InputError(
            f"a run through {len(points)} points has {given.size} currents.",
            where="layout",
            remedy="Read one current for the run, or one between each two points.",
        )
    return Layout(points[:-1], points[1:], np.broadcast_to(given, (len(points) - 1,)))


def join_layouts(parts: Sequence[Layout], *, tolerance: float = 0.01) -> Layout:
    """Several runs as one layout, whose currents balance wherever pieces meet.

    Parameters
    ----------
    parts : sequence of Layout
    tolerance : float
        Allowed surplus at a node, as a share of the largest current there.

    Returns
    -------
    Layout

    Raises
    ------
    InputError
        If what flows into a node does not flow out again; the text says where and how much.
    """
    layout = Layout(
        np.concatenate([part.start for part in parts]),
        np.concatenate([part.end for part in parts]),
        np.concatenate([part.current for part in parts]),
    )
    for node in layout_nodes(layout, tolerance=tolerance):
        if not node.balanced:
            x, y, z = node.place
            raise InputError(
                f"{abs(node.surplus) * 1e3:.3g} mA is unaccounted for where {node.pieces} pieces "
                f"meet at ({x:.3g}, {y:.3g}, {z:.3g}) m.",
                where="layout",
                remedy="Read the current on every leg of the tee, a few metres from it, and look "
                "for a leg that is missing.",
            )
    return layout


def layout_nodes(layout: Layout, *, tolerance: float = 0.01) -> tuple[Node, ...]:
    """Places where pieces meet or end, with the balance of their currents.

    Parameters
    ----------
    layout : Layout
    tolerance : float
        As in `join_layouts`.

    Returns
    -------
    tuple of Node
        In the order in which they first appear.
    """
    count = len(layout.start)
    places = np.concatenate([layout.start, layout.end])
    flow = np.concatenate([-layout.current, layout.current])
    # Ends within SAME_PLACE of an earlier one are that place.
    apart = np.linalg.norm(places[:, np.newaxis] - places, axis=2)
    first = (apart <= SAME_PLACE).argmax(axis=1)
    surplus = np.zeros(2 * count, dtype=np.complex128)
    np.add.at(surplus, first, flow)
    pieces = np.bincount(first, minlength=2 * count)
    largest = np.zeros(2 * count)
    np.maximum.at(largest, first, np.abs(flow))
    found = []
    for index in np.flatnonzero(pieces):
        balanced = pieces[index] == 1 or abs(surplus[index]) <= tolerance * largest[index]
        found.append(
            Node(places[index], int(pieces[index]), complex(surplus[index]), bool(balanced))
        )
    return tuple(found)


def sweep_places(
    position: FloatArray,
    coil_height: float | FloatArray,
    *,
    along: float = 0.0,
    ground_slope: float = 0.0,
) -> FloatArray:
    """Coil places of a sweep.

    Parameters
    ----------
    position : (n,) float64
        Along the sweep, level [m].
    coil_height : float or (n,) float64
        Coil above ground, plumb [m].
    along : float
        Where along the line the sweep goes [m].
    ground_slope : float
        Rise of the ground along the sweep [m/m]; the ground has z = 0 at position 0.

    Returns
    -------
    places : (n, 3) float64
        [m].
    """
    x = np.asarray(position, dtype=np.float64)
    return np.stack(np.broadcast_arrays(x, along, ground_slope * x + coil_height), axis=-1).astype(
        np.float64
    )


def layout_field(layout: Layout, places: FloatArray) -> FieldArray:
    """Field of a layout at coil places.

    Parameters
    ----------
    layout : Layout
    places : (n, 3) float64
        From `sweep_places` [m].

    Returns
    -------
    field : (n, 3) float64 or complex128
        Across (horizontal coil), along (along-line coil), up (vertical coil) [T]. The current
        that leaves the layout at its ends spreads in the ground; its field is not in here.
    """
    return segment_field(places, layout.start, layout.end, layout.current)
