"""Errors that shots share, and what they do to the axes of lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._shared_kernels import split_even
from asfound.model import Budget

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class SharedTerm:
    """A shared term of the budget, by member.

    Parameters
    ----------
    name : str
    code : (m,) int64
        Group of each member, -1 none.
    east, north, up : (m,) float64
        Standard deviations [m].
    coupling : (m,) float64
        Correlation of east and north.
    """

    name: str
    code: Integers
    east: Floats
    north: Floats
    up: Floats
    coupling: Floats


def shared_terms(budget: Budget, shot: Integers) -> list[SharedTerm]:
    """Terms of the budget that any of the chosen shots share."""
    found = []
    for term in budget.shared:
        if term.shared_by is None:
            continue
        code = term.shared_by[shot].astype(np.int64)
        if not (code >= 0).any():
            continue
        ee, nn, en, uu = (
            np.broadcast_to(np.asarray(part, float), (len(term.shared_by),))[shot]
            if np.ndim(part)
            else np.full(len(shot), float(part))
            for part in (term.east_east, term.north_north, term.east_north, term.up_up)
        )
        ee, nn, uu = (np.maximum(np.nan_to_num(part), 0.0) for part in (ee, nn, uu))
        size = np.sqrt(ee * nn)
        with np.errstate(invalid="ignore", divide="ignore"):
            coupling = np.where(size > 0, np.nan_to_num(en) / size, 0.0)
        found.append(SharedTerm(term.name, code, np.sqrt(ee), np.sqrt(nn), np.sqrt(uu), coupling))
    return found


@dataclass(frozen=True, eq=False)
class Uneven:
    """A shared error, and the lines whose shots share it unevenly.

    Parameters
    ----------
    code : (n,) int32
        Group of each shot, -1 none.
    east_east, north_north, east_north, up_up : (n,) or (1,) float64
        Of each shot, or of all [m2].
    lines : (lines,) int8
        As written by `split_even`.
    """

    code: npt.NDArray[np.int32]
    east_east: Floats
    north_north: Floats
    east_north: Floats
    up_up: Floats
    lines: npt.NDArray[np.int8]


def split_terms(
    budget: Budget, starts: Integers, shot: Integers, used: npt.NDArray[np.bool_]
) -> tuple[Floats, list[Uneven]]:
    """What shared errors add evenly to whole lines, and those that some lines share unevenly.

    Parameters
    ----------
    budget : Budget
    starts : (lines + 1,) int64
    shot : (m,) int64
    used : (m,) bool

    Returns
    -------
    even : (4, lines) float64
        East-east, north-north, east-north, up-up [m2].
    uneven : list of Uneven
    """
    lines = len(starts) - 1
    even = np.zeros((4, lines))
    uneven = []
    for term in budget.shared:
        if term.shared_by is None:
            continue
        ee, nn, en, uu = (
            np.atleast_1d(part)
            for part in (term.east_east, term.north_north, term.east_north, term.up_up)
        )
        touched = np.empty(lines, np.int8)
        if split_even(starts, shot, used, term.shared_by, ee, nn, en, uu, even, touched):
            uneven.append(Uneven(term.shared_by, ee, nn, en, uu, touched))
    return even, uneven
