"""The loop that finds where shots of several visits stand beside each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.compiled import FLOATS, INTEGER, INTEGERS, INTEGERS_OUT, kernel, part

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

HALF_CELL = 0.75
"""Half of a cell's side [m]."""


@part
def _least_corner(order: Integers, east: Floats, north: Floats) -> tuple[float, float]:
    """Least easting and least northing of some shots."""
    least_east, least_north = np.inf, np.inf
    for k in range(len(order)):
        shot = order[k]
        least_east = east[shot] if east[shot] < least_east else least_east
        least_north = north[shot] if north[shot] < least_north else least_north
    return least_east, least_north


@part
def _bit_of(across: int, up: int, side: int) -> int:
    """Number of a cell's bit in a map of `side` by `side` words; maps repeat themselves."""
    mask = side - 1
    word = ((up >> 3) & mask) * side + ((across >> 3) & mask)
    return int((word << 6) + ((up & 7) << 3) + (across & 7))


@kernel(INTEGERS, INTEGERS, FLOATS, FLOATS, INTEGER, *5 * (INTEGERS_OUT,))
def in_shared_cells(
    order: Integers,
    starts: Integers,
    east: Floats,
    north: Floats,
    side: int,
    visited: Integers,
    shared: Integers,
    first: Integers,
    second: Integers,
    places: Integers,
) -> tuple[int, float, float]:
    """Shots in cells that more than one run visits, and some others, on either of two grids.

    The second grid's cells have their corners in the middles of the first one's. Cells are kept
    in maps of bits that repeat themselves at some distance: two cells may share a bit, which
    costs time and changes nothing.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
        Shots, run after run.
    east, north : (n,) float64
        [m].
    side : int
        Of the maps [words of eight by eight cells]; a power of two.
    visited, shared : (2 * side * side,) int64, written
        Maps of both grids one after the other: zeros.
    first, second : (m,) int64, written
        Number of each place's bit in the map of either grid.
    places : (m,) int64, written
        Places found, ascending.

    Returns
    -------
    found : int
        Number found.
    from_east, from_north : float
        Corner of the first grid [m].
    """
    from_east, from_north = _least_corner(order, east, north)
    size = side * side * 64
    one, any_shared = np.int64(1), False
    for run in range(len(starts) - 1):
        for k in range(starts[run], starts[run + 1]):
            shot = order[k]
            across = int((east[shot] - from_east) / HALF_CELL)
            up = int((north[shot] - from_north) / HALF_CELL)
            first[k] = _bit_of(across >> 1, up >> 1, side)
            second[k] = size + _bit_of((across + 1) >> 1, (up + 1) >> 1, side)
        # Against all runs before first, so that a run does not meet itself.
        for k in range(starts[run], starts[run + 1]):
            for bit in (first[k], second[k]):
                met = visited[bit >> 6] & (one << (bit & 63))
                if met != 0:
                    shared[bit >> 6] |= met
                    any_shared = True
        for k in range(starts[run], starts[run + 1]):
            for bit in (first[k], second[k]):
                visited[bit >> 6] |= one << (bit & 63)
    found = 0
    if any_shared:
        for k in range(len(order)):
            met = shared[first[k] >> 6] >> (first[k] & 63)
            met |= shared[second[k] >> 6] >> (second[k] & 63)
            places[found] = k
            found += met & one
    return found, from_east, from_north
