"""Each shot against its neighbours on the line: what they would have led one to expect there.

For a shot between neighbours at stations s- and s+ the straight line between the two predicts
its height, depth and place; the median over the nearest four pairs is robust against a bad
neighbour on either side. At line ends, where pairs are few, the plain median of the neighbours
serves, with its larger uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._along_kernels import odd_currents, odd_depths, odd_places
from asfound.budget.rules.runs import Runs
from asfound.model import Assembly, Budget, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TYPED = 6.0
"""Standard deviations off its neighbours that make a depth one that was probably mistyped."""
ASIDE, LEAST_ASIDE = 4.0, 0.15
"""Standard deviations and metres aside of its line that make a shot one that may be another's."""


@dataclass(frozen=True, eq=False)
class OddDepths:
    """k depths off what is expected: shots (ascending), expectation, and the sd of the difference.

    What a line keeps steady may be its depth (a cable ploughed in) or its height (a pipe under
    uneven ground), so a depth is judged by the one that it fits better.
    """

    rows: Integers
    read: Floats
    expected: Floats
    spread: Floats

    def beyond(self, scores: float) -> Flags:
        """(k,) bool: off by more than so many standard deviations."""
        return np.asarray(np.abs(self.read - self.expected) > scores * self.spread)

    def where(self, kept: Flags) -> OddDepths:
        """Some of them."""
        return OddDepths(self.rows[kept], self.read[kept], self.expected[kept], self.spread[kept])


@dataclass(frozen=True, eq=False)
class OddPlaces:
    """k shots (ascending) aside of the best of several predictions: distance across the line, and
    its standard deviation [m]."""

    rows: Integers
    aside: Floats
    spread: Floats

    def beyond(self, scores: float, least: float) -> Flags:
        """(k,) bool: aside by more than so many standard deviations and so many metres."""
        return np.asarray(self.aside > np.maximum(scores * self.spread, least))


@dataclass(frozen=True, eq=False)
class OddCurrents:
    """k shots (ascending) whose current is off: natural logarithm of it over the expected one.

    `known` says whether currents could be held against neighbours' anywhere.
    """

    rows: Integers
    change: Floats
    known: bool


def find_odd_depths(
    shots: Shots, ground: Ground, budget: Budget, assembly: Assembly, lines: Runs, scores: float
) -> OddDepths:
    """Depths more than `scores` standard deviations off what neighbours lead one to expect."""

    def fill(rows: Integers, expected: Floats, spread: Floats) -> int:
        return odd_depths(
            lines.order,
            lines.starts,
            assembly.station,
            shots.depth,
            ground.height,
            budget.centre_height,
            budget.own,
            scores,
            rows,
            expected,
            spread,
        )

    rows, expected, spread = _found(len(lines), fill)
    return OddDepths(rows, shots.depth[rows], expected, spread)


def find_odd_places(
    ground: Ground, budget: Budget, lines: Runs, steady: Flags, scores: float, least: float
) -> OddPlaces:
    """Shots aside of their line by more than `scores` standard deviations and `least` metres.

    Parameters
    ----------
    steady : (n,) bool
        Shots with positions good enough to be held against each other.
    """

    def fill(rows: Integers, aside: Floats, spread: Floats) -> int:
        return odd_places(
            lines.order,
            lines.starts,
            steady,
            ground.easting,
            ground.northing,
            budget.own,
            scores,
            least,
            rows,
            aside,
            spread,
        )

    return OddPlaces(*_found(len(lines), fill))


def find_odd_currents(
    shots: Shots, assembly: Assembly, signals: Runs, factor: float
) -> OddCurrents:
    """Currents more than a factor off those around them of the same line, upload and hook-up."""
    rows, change = np.empty(len(signals), np.int64), np.empty(len(signals))
    count, known = odd_currents(
        signals.order, signals.starts, assembly.station, shots.current, factor, rows, change
    )
    ascending = np.argsort(rows[:count])
    return OddCurrents(rows[ascending], change[ascending], known)


def _found(
    most: int, fill: Callable[[Integers, Floats, Floats], int]
) -> tuple[Integers, Floats, Floats]:
    """What a kernel writes to three columns, by ascending row."""
    rows, first, second = np.empty(most, np.int64), np.empty(most), np.empty(most)
    count = fill(rows, first, second)
    ascending = np.argsort(rows[:count])
    return rows[ascending], first[ascending], second[ascending]
