"""Whole visits on which the ground comes out too high or too low.

A pole changed between two lines leaves no step in either. But where lines cross or run side by
side, shots of several visits stand within arm's reach of each other, on the same ground: a visit
off by one amount against two or more others, which agree, had the wrong pole.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._visit_kernels import HALF_CELL, in_shared_cells
from asfound.budget.rules.pieces import Piece, combined
from asfound.budget.rules.runs import Runs

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_UNEVEN = 0.10
"""Ground's difference within a cell, kerbs included [m], 1 sigma."""
_FEWEST = 2


def odd_visits(
    log: Runs, east: Floats, north: Floats, height: Floats, *, least: float
) -> list[Piece]:
    """Runs of the log whose ground is off against that of several others.

    Parameters
    ----------
    log : Runs
        Shots in the order of the log, one run a line and visit; without those known to be off.
    east, north, height : (n,) float64
        Ground of all shots [m].
    least : float
        Smallest offset of interest [m].

    Returns
    -------
    pieces : list of Piece
        In the order of the log.
    """
    if log.count < _FEWEST + 1:
        return []
    first, second, above = _beside_each_other(log, east, north, height)
    if not len(first):
        return []
    # Every pair of visits once, seen from either side: how far one lies above the other.
    one, other, size = _by_visits(first, second, above, log.count)
    trusted = np.ones(log.count, bool)
    starts = log.starts
    found: dict[int, Piece] = {}
    bounds = np.searchsorted(one, np.arange(log.count + 1))
    suspects = np.unique(one[np.abs(size) >= least])
    while True:
        judged = []
        for visit in suspects.tolist():
            if visit in found:
                continue
            part = slice(int(bounds[visit]), int(bounds[visit + 1]))
            heard = size[part][trusted[other[part]]]
            if len(heard) < _FEWEST:
                continue
            value, sd = combined([(float(v), _UNEVEN) for v in heard])
            agreeing = int((np.abs(heard - value) < 3.0 * _UNEVEN).sum())
            if abs(value) >= least and abs(value) > 4.0 * sd and agreeing == len(heard):
                judged.append((abs(value) / sd, -visit, value, agreeing))
        if not judged:
            return [found[visit] for visit in sorted(found)]
        # One at a time, the clearest first: the others are then judged without it.
        score, visit, value, agreeing = max(judged)
        rows = log.order[starts[-visit] : starts[-visit + 1]]
        found[-visit] = Piece(rows, value, score, agreeing)
        trusted[-visit] = False


def _beside_each_other(
    log: Runs, east: Floats, north: Floats, height: Floats
) -> tuple[Integers, Integers, Floats]:
    """Pairs of shots of two runs within one cell of a grid: both runs, and the first's height
    above the second [m]."""
    count = len(log)
    first, second, places = (np.empty(count, np.int64) for _ in range(3))
    # Some two hundred cells a shot, so that few share a bit.
    side = 1 << ((count.bit_length() + 3) // 2)
    visited, shared = np.zeros((2, 2 * side * side), np.int64)
    found, *corner = in_shared_cells(
        log.order, log.starts, east, north, side, visited, shared, first, second, places
    )
    if not found:
        return first[:0], second[:0], np.empty(0)
    places = places[:found]
    shots, run = log.order[places], np.searchsorted(log.starts, places, "right") - 1
    across, up = (
        ((values[shots] - least) / HALF_CELL).astype(np.int64)
        for values, least in zip((east, north), corner, strict=True)
    )
    firsts, seconds, differences = [], [], []
    for shift in (0, 1):
        key = ((across + shift) >> 1) * (int(up.max(initial=0)) + 1) + ((up + shift) >> 1)
        order = np.argsort(key, kind="stable")
        here, ahead = order[:-1], order[1:]
        pair = (key[here] == key[ahead]) & (run[here] != run[ahead])
        here, ahead = here[pair], ahead[pair]
        firsts.append(run[here])
        seconds.append(run[ahead])
        differences.append(height[shots[here]] - height[shots[ahead]])
    return np.concatenate(firsts), np.concatenate(seconds), np.concatenate(differences)


def _by_visits(
    first: Integers, second: Integers, above: Floats, count: int
) -> tuple[Integers, Integers, Floats]:
    """Median difference of each ordered pair of visits, sorted by the first."""
    key = np.concatenate([first * count + second, second * count + first])
    size = np.concatenate([above, -above])
    order = np.lexsort((size, key))
    pairs, start, number = np.unique(key[order], return_index=True, return_counts=True)
    low, high = start + (number - 1) // 2, start + number // 2
    middle = 0.5 * (size[order][low] + size[order][high])
    return pairs // count, pairs % count, middle
