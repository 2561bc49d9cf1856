"""Errors that shots share: what they do to the axis.

A shared error moves each shot of its group by one unknown number times the shot's own standard
deviation. The smoother is linear, so the axis moves by the smoother applied to that pattern of
standard deviations; where all shots of a line share the error evenly that is the pattern itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Budget

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

EVEN = 1e-3
LEAST = 1e-9


@dataclass(frozen=True, eq=False)
class Pattern:
    """Pairs of line and group: lines that a shared error touches unevenly.

    Parameters
    ----------
    line, code : (k,) int64
    """

    line: Integers
    code: Integers


@dataclass(frozen=True, eq=False)
class SharedTerm:
    """A budget term's shared part, for the members of all lines.

    Parameters
    ----------
    name : str
    code : (m,) int64
        Group of each member, -1 none.
    east, north, up : (m,) float64
        Standard deviations [m].
    coupling : float
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


def split_even(
    term: SharedTerm, starts: Integers, used: npt.NDArray[np.bool_]
) -> tuple[Floats, Pattern, Pattern]:
    """What a term adds evenly to whole lines, and the lines on which it is uneven.

    Returns
    -------
    even : (4, lines) float64
        East-east, north-north, east-north, up-up [m2].
    plane, level : Pattern
        Pairs of line and group left over, for the horizontal and the vertical.
    """
    lines = len(starts) - 1
    even = np.zeros((4, lines))
    # members that are not used say nothing: give them the line's own values
    code = _filled(term.code, starts, used)
    east, north, up = (_filled(part, starts, used) for part in (term.east, term.north, term.up))
    begin = starts[:-1]
    one_group = np.minimum.reduceat(code, begin) == np.maximum.reduceat(code, begin)
    grouped = np.maximum.reduceat(code, begin) >= 0

    def is_even(values: Floats) -> npt.NDArray[np.bool_]:
        low, high = np.minimum.reduceat(values, begin), np.maximum.reduceat(values, begin)
        return np.asarray(one_group & (high - low <= EVEN * high + LEAST))

    flat = is_even(east) & is_even(north)
    tall = is_even(up)
    here = flat & grouped
    coupling = term.coupling[begin]
    even[0, here] = east[begin][here] ** 2
    even[1, here] = north[begin][here] ** 2
    even[2, here] = (coupling * east[begin] * north[begin])[here]
    there = tall & grouped
    even[3, there] = up[begin][there] ** 2
    return even, _pairs(code, starts, grouped & ~flat), _pairs(code, starts, grouped & ~tall)


def _filled(values: npt.NDArray, starts: Integers, used: npt.NDArray[np.bool_]) -> npt.NDArray:  # type: ignore[type-arg]
    """Values with those of unused members replaced by the nearest used one before (or after)."""
    position = np.arange(len(values))
    last = np.maximum.accumulate(np.where(used, position, -1))
    line_start = np.repeat(starts[:-1], np.diff(starts))
    following = np.minimum.accumulate(np.where(used, position, len(values))[::-1])[::-1]
    line_end = np.repeat(starts[1:], np.diff(starts))
    following = np.where(following < line_end, following, position)
    source = np.where(last >= line_start, last, following)
    return values[source]


def _pairs(code: Integers, starts: Integers, lines: npt.NDArray[np.bool_]) -> Pattern:
    if not lines.any():
        return Pattern(np.empty(0, np.int64), np.empty(0, np.int64))
    owner = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    pick = lines[owner] & (code >= 0)
    width = int(code.max()) + 1
    pair = np.unique(owner[pick] * width + code[pick])
    return Pattern(pair // width, pair % width)
