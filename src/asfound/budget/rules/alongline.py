"""Each shot against its neighbours on the line: what they would have led one to expect there.

For a shot between neighbours at stations s- and s+ the straight line between the two predicts
its height, depth and place; the median over the nearest four pairs is robust against a bad
neighbour on either side. At line ends, where pairs are few, the plain median of the neighbours
serves, with its larger uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.runs import Runs
from asfound.model import Assembly, Budget, Fix, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_PAIRS = 4
_ENOUGH = 3
"""Pairs without which one bad neighbour could have its way."""
_REACH = 30.0
_BLOCK = 1 << 15
"""Shots at a time, in whole lines: few enough to stay in the processor's cache."""


@dataclass(frozen=True, eq=False)
class AlongLine:
    """Residuals of n shots against their neighbours on the line.

    Parameters
    ----------
    depth : (n,) float64
        Reading minus expectation [m]; NaN where it can't be said.
    depth_expected, depth_spread : (n,) float64
        Expectation, and the standard deviation of the residual [m].
    lateral, lateral_spread : (n,) float64
        Distance across the line from the best of several predictions, and its standard
        deviation [m].
    log_current : (n,) float64
        Natural log of the current reading minus its expectation.
    """

    depth: Floats
    depth_expected: Floats
    depth_spread: Floats
    lateral: Floats
    lateral_spread: Floats
    log_current: Floats


def along_line(
    shots: Shots, ground: Ground, budget: Budget, assembly: Assembly, lines: Runs, signals: Runs
) -> AlongLine:
    """Compare each shot with its neighbours along the line, vectorised over all lines.

    Depths and places are compared with all shots of the line, currents only with those of the
    same upload and hook-up. What a line keeps steady may be its depth (a cable ploughed in) or
    its height (a pipe under uneven ground), so a depth is judged by the one that it fits better.

    Parameters
    ----------
    lines, signals : Runs
        From `along_lines` and `by_signal`.

    Returns
    -------
    AlongLine
    """
    depth, expected, spread, lateral, lateral_spread, current = (
        np.full(len(shots), np.nan) for _ in range(6)
    )
    for runs in [lines]:
        at = runs.order
        near = _Neighbours(runs, assembly.station[at])
        expected[at] = _expected_depth(
            near, shots.depth[at], ground.height[at], budget.centre_height[at]
        )
        depth[at] = shots.depth[at] - expected[at]
        # A reading must not set its own noise: a tenfold depth would excuse itself, a tenth of
        # one convict all that it may have been meant to be.
        own = np.sqrt(np.maximum(budget.independent[at, 2, 2], 0.0))
        spread[at] = np.hypot(near.expected(own), 0.03 * expected[at]) * near.factor
        steady = (shots.fix[at] == Fix.RTK_FIXED) | (shots.fix[at] == Fix.NOT_RECORDED)
        at, run = at[steady], runs.run[steady]
        plan = np.maximum(budget.independent[at, 0, 0], budget.independent[at, 1, 1])
        lateral[at], lateral_spread[at] = _lateral(
            run, ground.easting[at], ground.northing[at], np.sqrt(plan)
        )
    for runs in [signals]:
        at = runs.order
        logarithm = np.log(np.where(shots.current[at] > 0, shots.current[at], np.nan))
        current[at] = logarithm - _Neighbours(runs, assembly.station[at]).expected(logarithm)
    return AlongLine(depth, expected, spread, lateral, lateral_spread, current)


def _expected_depth(near: _Neighbours, depth: Floats, ground: Floats, centre: Floats) -> Floats:
    """What neighbours lead one to expect of a depth, by depth or by height of the centre."""
    by_depth = near.expected(depth)
    by_height = ground - near.expected(centre)
    nearer = np.abs(depth - by_height) < np.abs(depth - by_depth)
    # A height that is wrong itself must not excuse a depth.
    nearer &= np.abs(by_height - by_depth) < 0.5 * np.abs(by_depth)
    return np.where(nearer, by_height, by_depth)


class _Neighbours:
    """Neighbour pairs of m shots in runs along lines; all arrays in the order of the runs.

    Parameters
    ----------
    runs : Runs
    along : (m,) float64
        Stations [m].
    """

    def __init__(self, runs: Runs, along: Floats) -> None:
        run = runs.run
        count = len(run)
        self.shares: list[Floats] = []
        pairs = np.zeros(count, np.int8)
        for k in range(1, _PAIRS + 1):
            share = np.full(count, np.nan)
            if count > 2 * k:
                low, middle, high = along[: -2 * k], along[k:-k], along[2 * k :]
                width = high - low
                good = (run[2 * k :] == run[: -2 * k]) & (width > 1e-6) & (width < 2 * _REACH)
                np.divide(middle - low, width, out=share[k:-k], where=good)
            self.shares.append(share)
            pairs += ~np.isnan(share)
        ends = np.flatnonzero(pairs < _ENOUGH)
        step = np.concatenate([np.arange(-_PAIRS, 0), np.arange(1, _PAIRS + 1)])
        side = ends[:, None] + step
        near = np.clip(side, 0, max(count - 1, 0))
        inside = (side >= 0) & (side < count)
        if len(ends):
            inside &= run[near] == run[ends, None]
            inside &= np.abs(along[near] - along[ends, None]) < _REACH
        self.ends, self.near, self.inside = ends, near, inside

    @property
    def factor(self) -> Floats:
        """(m,) how much wider a residual scatters than one shot alone."""
        factor = np.full(len(self.shares[0]), 1.3)
        factor[self.ends] = 2.0
        return factor

    def expected(self, mine: Floats) -> Floats:
        """(m,) what the neighbours lead one to expect of (m,) values; NaN where none do."""
        guesses = []
        for k, share in enumerate(self.shares, start=1):
            guess = np.full(len(mine), np.nan)
            if len(mine) > 2 * k:
                low, high = mine[: -2 * k], mine[2 * k :]
                guess[k:-k] = low + (high - low) * share[k:-k]
            guesses.append(guess)
        result = _median_of_four(*guesses)
        result[self.ends] = row_median(np.where(self.inside, mine[self.near], np.nan))
        return result


def _median_of_four(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Median of four arrays without regard to NaN; NaN where all are."""
    # Of four numbers the middle two are the larger of the pairs' minima and the smaller of the
    # pairs' maxima.
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    result = 0.5 * (low + high)
    gaps = np.flatnonzero(np.isnan(result))
    result[gaps] = row_median(np.stack([a[gaps], b[gaps], c[gaps], d[gaps]], axis=1))
    return np.asarray(result)


def row_median(values: Floats) -> Floats:
    """Row-wise median of (n, k) without regard to NaN; NaN where all are."""
    ordered = np.sort(values, axis=1)
    known = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(values))
    low = np.maximum((known - 1) // 2, 0)
    high = np.minimum(known // 2, values.shape[1] - 1)
    return np.asarray(0.5 * (ordered[rows, low] + ordered[rows, high]))


_BETWEEN = (
    (-1, 1),
    (-2, -1),
    (1, 2),
    (-2, 1),
    (-1, 2),
    (-2, -1, 1, 2),
    (-3, -2, -1),
    (1, 2, 3),
)
"""Neighbours (by places before and behind) that may each predict where a shot should lie: between
two of them on a straight, beyond two of them next to a bend, among four of them on a curve or
beyond three at its end."""
_GOOD_ENOUGH = 2.0
"""Standard deviations within which the first prediction settles the matter."""


def _lateral(run: Integers, east: Floats, north: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Each shot's distance from the prediction that suits it best, across the line.

    A shot that is itself well placed agrees with at least one of the predictions, whatever bends
    the line has and whichever single neighbour is misplaced; a misplaced one agrees with none.
    Most agree with the first.

    Parameters
    ----------
    run : (m,) int64
        Line of each shot with a steady position, ascending.
    east, north : (m,) float64
        [m].
    sd : (m,) float64
        Standard deviation of one position across the line [m].

    Returns
    -------
    off, off_sd : (m,) float64
        Distance and its standard deviation [m]; NaN where no prediction is possible.
    """
    off, off_sd = np.full(len(run), np.nan), np.full(len(run), np.nan)
    if len(run) < 3:
        return off, off_sd
    off[1:-1], off_sd[1:-1] = _off_the_chord(run, east, north, sd)
    rest = np.flatnonzero(~(off <= _GOOD_ENOUGH * off_sd))
    off[rest], off_sd[rest] = _best_prediction(rest, run, east, north, sd)
    return off, off_sd


def _off_the_chord(run: Integers, east: Floats, north: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Distance of the inner m - 2 shots from the chord between their neighbours, and its sd."""
    chord_east, chord_north = east[2:] - east[:-2], north[2:] - north[:-2]
    own_east, own_north = east[1:-1] - east[:-2], north[1:-1] - north[:-2]
    square = chord_east**2 + chord_north**2
    along = own_east * chord_east + own_north * chord_north
    good = (run[2:] == run[:-2]) & (square > 0.25) & (along > 0.04 * square)
    good &= (along < 0.96 * square) & (square < _REACH**2)
    square = np.where(good, square, np.nan)
    share = along / square
    off = np.abs(own_north * chord_east - own_east * chord_north) / np.sqrt(square)
    variance = sd[1:-1] ** 2 + (1 - share) ** 2 * sd[:-2] ** 2 + share**2 * sd[2:] ** 2
    return off, np.sqrt(variance)


def _best_prediction(
    place: Integers, run: Integers, east: Floats, north: Floats, sd: Floats
) -> tuple[Floats, Floats]:
    """Distance from the most fitting of all predictions at some places, and its sd."""
    count = len(run)
    reach = (-3, -2, -1, 1, 2, 3)
    near = {k: np.clip(place + k, 0, count - 1) for k in reach}
    valid = {
        k: (place + k >= 0) & (place + k < count) & (run[near[k]] == run[place]) for k in reach
    }
    # The course comes from the neighbours alone, lest a misplaced shot bend it.
    back = np.where(valid[-1], near[-1], np.where(valid[1], near[1], place))
    ahead = np.where(
        valid[1] & valid[-1],
        near[1],
        np.where(valid[2], near[2], np.where(valid[-2], near[-2], place)),
    )
    course = np.stack([east[ahead] - east[back], north[ahead] - north[back]])
    length = np.hypot(*course)
    course = course / np.where(length > 0.05, length, np.nan)
    along, left = {}, {}
    for k in reach:
        de, dn = east[near[k]] - east[place], north[near[k]] - north[place]
        along[k] = de * course[0] + dn * course[1]
        left[k] = dn * course[0] - de * course[1]
    score = np.full(len(place), np.nan)
    off, off_sd = np.full(len(place), np.nan), np.full(len(place), np.nan)
    for offsets in _BETWEEN:
        guess, variance = np.zeros(len(place)), sd[place] ** 2
        usable = np.ones(len(place), bool)
        for j in offsets:
            weight = np.ones(len(place))
            for k in offsets:
                if k != j:
                    gap = along[j] - along[k]
                    usable &= np.abs(gap) > 0.2
                    weight = weight * -along[k] / np.where(np.abs(gap) > 0.2, gap, 1.0)
            usable &= valid[j] & (np.abs(along[j]) < _REACH)
            guess = guess + weight * left[j]
            variance = variance + weight**2 * sd[near[j]] ** 2
        with np.errstate(invalid="ignore"):
            this = np.abs(guess) / np.sqrt(variance)
            better = usable & np.isfinite(this) & ~(this >= score)
        score[better] = this[better]
        off[better], off_sd[better] = np.abs(guess[better]), np.sqrt(variance[better])
    return off, off_sd
