"""Loops that hold each shot against its neighbours on the line.

Most shots are like all of their neighbours, and whatever the neighbours lead one to expect lies
between the least and the greatest of them: such shots are passed over at once, the others are
worked out in full.
"""

from __future__ import annotations

from math import hypot, inf, isfinite, log, nan, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    FLAGS,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

PAIRS = 4
ENOUGH = 3
"""Pairs without which one bad neighbour could have its way."""
REACH = 30.0
"""How far away a neighbour may be [m]."""
DEPTH_NOISE = 0.03
"""Of a depth reading, relative, besides its budget."""
INSIDE, AT_ENDS = 1.3, 2.0
"""How much wider a residual scatters than one shot alone."""

_WINDOW = 2 * PAIRS + 1
_BETWEEN = np.array(
    [
        (-1, 1, 0, 0),
        (-2, -1, 0, 0),
        (1, 2, 0, 0),
        (-2, 1, 0, 0),
        (-1, 2, 0, 0),
        (-2, -1, 1, 2),
        (-3, -2, -1, 0),
        (1, 2, 3, 0),
    ]
)
"""Neighbours (by places before and behind; 0: no more) that may each predict where a shot should
lie: between two of them on a straight, beyond two of them next to a bend, among four of them on a
curve or beyond three at its end."""
_PREDICTORS = np.array([2, 2, 2, 2, 2, 4, 3, 3])


@part
def middle_of(values: Floats, count: int) -> float:
    """Median of the first few values, finite ones only; they are sorted. NaN where there are none.

    The values are rearranged.
    """
    known = 0
    for k in range(count):
        value = values[k]
        if isfinite(value):
            place = known
            while place > 0 and values[place - 1] > value:
                values[place] = values[place - 1]
                place -= 1
            values[place] = value
            known += 1
    if known == 0:
        return nan
    return float(0.5 * (values[(known - 1) // 2] + values[known // 2]))


@part
def _look(values: Floats, order: Integers, at: int, first: int, last: int, window: Floats) -> None:
    """Fill a window with the values around place `at` of a run, NaN beyond its ends."""
    for k in range(_WINDOW):
        place = at + k - PAIRS
        window[k] = values[order[place]] if first <= place < last else nan


@part
def _weigh(stations: Floats, shares: Floats) -> int:
    """Shares of the way from one neighbour to the other, NaN of no pair; number of pairs."""
    known = 0
    for k in range(PAIRS):
        low, width = stations[PAIRS - 1 - k], stations[PAIRS + 1 + k] - stations[PAIRS - 1 - k]
        shares[k] = nan
        if 1e-6 < width < 2 * REACH:
            shares[k] = (stations[PAIRS] - low) / width
            known += not np.isnan(shares[k])
    return known


@part
def _expect(values: Floats, stations: Floats, shares: Floats, pairs: int, near: Floats) -> float:
    """What the neighbours lead one to expect in the middle of a window; NaN where none do.

    The straight between two neighbours predicts, and the median of four such predictions is
    robust against a bad one; at line ends, where pairs are few, the neighbours' own median serves.
    """
    count = 0
    if pairs >= ENOUGH:
        for k in range(PAIRS):
            low, high = values[PAIRS - 1 - k], values[PAIRS + 1 + k]
            near[count] = low + (high - low) * shares[k]
            count += 1
    else:
        for k in range(_WINDOW):
            if k != PAIRS and abs(stations[k] - stations[PAIRS]) < REACH:
                near[count] = values[k]
                count += 1
    return middle_of(near, count)


@part
def _unlike(values: Floats, count: int, share: float, beyond: Floats, places: Integers) -> int:
    """Places whose value is more than a share off that of some neighbour; their number."""
    for k in range(count):
        beyond[k] = 0.0
    for step in range(1, PAIRS + 1):
        for k in range(step, count):
            apart = abs(values[k] - values[k - step])
            over = apart - share * values[k - step]
            beyond[k] = over if over > beyond[k] else beyond[k]
            over = apart - share * values[k]
            beyond[k - step] = over if over > beyond[k - step] else beyond[k - step]
    found = 0
    for k in range(count):
        places[found] = k
        found += beyond[k] > 0.0
    return found


@kernel(
    INTEGERS,
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    FLOAT,
    INTEGERS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
)
def odd_depths(
    order: Integers,
    starts: Integers,
    station: Floats,
    depth: Floats,
    ground: Floats,
    centre: Floats,
    own: Floats,
    score: float,
    rows: Integers,
    expected: Floats,
    spread: Floats,
) -> int:
    """Depths that lie off what their neighbours on the line lead one to expect.

    Parameters
    ----------
    order, starts : (m,), (lines + 1,) int64
        Shots of each line in order along it.
    station, depth, ground, centre : (n,) float64
        Along the line; the reading; heights of the ground and of the centre [m].
    own : (n, 4) float64
        Error budget of one shot alone; the last column is upward [m2].
    score : float
        Standard deviations from which on a depth is off.
    rows : (m,) int64, written
        Shots found, in the order of the lines.
    expected, spread : (m,) float64, written
        What was expected of each, and the standard deviation of the difference [m].

    Returns
    -------
    int
        Number found.
    """
    stations, window, near = np.empty(_WINDOW), np.empty(_WINDOW), np.empty(_WINDOW)
    shares = np.empty(PAIRS)
    longest = 0
    for run in range(len(starts) - 1):
        longest = max(longest, starts[run + 1] - starts[run])
    line, beyond, suspects = np.empty(longest), np.empty(longest), np.empty(longest, np.int64)
    # A share of the neighbours' depths that is less than `score` scatters of the expected one,
    # even if that goes by the height and lies that share below them.
    sure = score * DEPTH_NOISE * INSIDE
    sure /= 1.0 + 2.0 * sure
    found = 0
    for run in range(len(starts) - 1):
        first, last = starts[run], starts[run + 1]
        for at in range(first, last):
            line[at - first] = depth[order[at]]
        for number in range(_unlike(line, last - first, sure, beyond, suspects)):
            at = first + suspects[number]
            shot = order[at]
            read = depth[shot]
            _look(station, order, at, first, last, stations)
            pairs = _weigh(stations, shares)
            _look(depth, order, at, first, last, window)
            by_depth = _expect(window, stations, shares, pairs, near)
            if abs(read - by_depth) <= sure * by_depth:
                continue
            _look(centre, order, at, first, last, window)
            by_height = ground[shot] - _expect(window, stations, shares, pairs, near)
            usual = by_depth
            # A height that is wrong itself must not excuse a depth.
            if abs(read - by_height) < abs(read - by_depth) and abs(
                by_height - by_depth
            ) < 0.5 * abs(by_depth):
                usual = by_height
            # A reading must not set its own noise: a tenfold depth would excuse itself, a tenth
            # of one convict all that it may have been meant to be.
            for k in range(_WINDOW):
                place = at + k - PAIRS
                window[k] = nan
                if first <= place < last:
                    variance = own[order[place], 3]
                    window[k] = sqrt(max(variance, 0.0)) if variance == variance else nan
            noise = hypot(_expect(window, stations, shares, pairs, near), DEPTH_NOISE * usual)
            noise *= INSIDE if pairs >= ENOUGH else AT_ENDS
            if abs(read - usual) > score * noise:
                rows[found], expected[found], spread[found] = shot, usual, noise
                found += 1
    return found


@part
def _other_current(
    values: Floats, count: int, factor: float, beyond: Floats, places: Integers
) -> int:
    """Places whose value is more than a factor off that of some neighbour; their number."""
    for k in range(count):
        beyond[k] = 0.0
    for step in range(1, PAIRS + 1):
        for k in range(step, count):
            one, other = values[k], values[k - step]
            over, under = one - factor * other, other - factor * one
            over = over if over > under else under
            beyond[k] = over if over > beyond[k] else beyond[k]
            beyond[k - step] = over if over > beyond[k - step] else beyond[k - step]
    found = 0
    for k in range(count):
        places[found] = k
        found += beyond[k] > 0.0
    return found


@kernel(INTEGERS, INTEGERS, FLOATS, FLOATS, FLOAT, INTEGERS_OUT, FLOATS_OUT)
def odd_currents(
    order: Integers,
    starts: Integers,
    station: Floats,
    current: Floats,
    factor: float,
    rows: Integers,
    change: Floats,
) -> tuple[int, bool]:
    """Currents that differ by a factor from what their neighbours lead one to expect.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
        Shots in order along lines, split by upload and hook-up.
    station, current : (n,) float64
        Along the line [m]; the reading [A].
    factor : float
    rows : (m,) int64, written
        Shots found, in the order of the runs.
    change : (m,) float64, written
        Logarithm of each over what was expected of it.

    Returns
    -------
    found : int
    known : bool
        Whether anything could be expected anywhere.
    """
    stations, window, near = np.empty(_WINDOW), np.empty(_WINDOW), np.empty(_WINDOW)
    shares = np.empty(PAIRS)
    longest = 0
    for run in range(len(starts) - 1):
        longest = max(longest, starts[run + 1] - starts[run])
    line, beyond, suspects = np.empty(longest), np.empty(longest), np.empty(longest, np.int64)
    limit = log(factor)
    found, known = 0, False
    for run in range(len(starts) - 1):
        first, last = starts[run], starts[run + 1]
        for at in range(first, last):
            read = current[order[at]]
            line[at - first] = read if read > 0.0 else nan
        # All of them until something was expected somewhere.
        count = last - first
        if known:
            count = _other_current(line, last - first, factor, beyond, suspects)
        one_known = False
        for number in range(count):
            at = first + (suspects[number] if known else number)
            _look(station, order, at, first, last, stations)
            pairs = _weigh(stations, shares)
            for k in range(_WINDOW):
                place = at - first + k - PAIRS
                window[k] = log(line[place]) if 0 <= place < last - first else nan
            off = window[PAIRS] - _expect(window, stations, shares, pairs, near)
            if abs(off) > limit:
                rows[found], change[found] = order[at], off
                found += 1
            one_known |= isfinite(off)
        known |= one_known
    return found, known


@part
def _off_the_chord(
    count: int, east: Floats, north: Floats, variance: Floats, score: float, places: Integers
) -> int:
    """Places that do not lie well on the chord between their two neighbours; their number."""
    found = 0
    for at in range(count):
        places[found] = at
        if at == 0 or at + 1 == count:
            found += 1
            continue
        chord_east, chord_north = east[at + 1] - east[at - 1], north[at + 1] - north[at - 1]
        own_east, own_north = east[at] - east[at - 1], north[at] - north[at - 1]
        square = chord_east * chord_east + chord_north * chord_north
        along = own_east * chord_east + own_north * chord_north
        across = own_north * chord_east - own_east * chord_north
        rest = square - along
        scatter = square * square * variance[at]
        scatter += rest * rest * variance[at - 1] + along * along * variance[at + 1]
        well = across * across * square <= score * score * scatter
        well &= (square > 0.25) & (square < REACH * REACH)
        well &= (along > 0.04 * square) & (along < 0.96 * square)
        found += not well
    return found


@part
def _best_prediction(
    at: int,
    count: int,
    east: Floats,
    north: Floats,
    variance: Floats,
    along: Floats,
    left: Floats,
) -> tuple[float, float]:
    """Distance from the most fitting of all predictions, and its variance; NaN where none."""
    # The course comes from the neighbours alone, lest a misplaced shot bend it.
    back = at - 1 if at >= 1 else (at + 1 if at + 1 < count else at)
    if at >= 1 and at + 1 < count:
        ahead = at + 1
    elif at + 2 < count:
        ahead = at + 2
    else:
        ahead = at - 2 if at >= 2 else at
    course_east, course_north = east[ahead] - east[back], north[ahead] - north[back]
    length = hypot(course_east, course_north)
    best, best_off, best_variance = inf, nan, nan
    if not length > 0.05:
        return best_off, best_variance
    course_east /= length
    course_north /= length
    for step in range(-3, 4):
        if 0 <= at + step < count:
            away_east, away_north = east[at + step] - east[at], north[at + step] - north[at]
            along[step + 3] = away_east * course_east + away_north * course_north
            left[step + 3] = away_north * course_east - away_east * course_north
        else:
            along[step + 3] = inf  # too far to be used
    for number in range(len(_BETWEEN)):
        guess, scatter, usable = 0.0, variance[at], True
        for j in range(_PREDICTORS[number]):
            one = along[_BETWEEN[number, j] + 3]
            usable &= abs(one) < REACH
            for k in range(j if usable else 0):
                usable &= abs(one - along[_BETWEEN[number, k] + 3]) > 0.2
        if not usable:
            continue
        for j in range(_PREDICTORS[number]):
            one = _BETWEEN[number, j]
            weight = 1.0
            for k in range(_PREDICTORS[number]):
                if k != j:
                    other = _BETWEEN[number, k]
                    weight *= -along[other + 3] / (along[one + 3] - along[other + 3])
            guess += weight * left[one + 3]
            scatter += weight * weight * variance[at + one]
        square = guess * guess / scatter if scatter > 0.0 else inf
        if square < best:
            best, best_off, best_variance = square, abs(guess), scatter
    return best_off, best_variance


@kernel(
    INTEGERS,
    INTEGERS,
    FLAGS,
    FLOATS,
    FLOATS,
    GRID,
    FLOAT,
    FLOAT,
    INTEGERS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
)
def odd_places(
    order: Integers,
    starts: Integers,
    steady: Flags,
    easting: Floats,
    northing: Floats,
    own: Floats,
    score: float,
    least: float,
    rows: Integers,
    aside: Floats,
    spread: Floats,
) -> int:
    """Shots that lie aside of every prediction of where they should lie.

    A shot that is itself well placed agrees with at least one of the predictions, whatever bends
    the line has and whichever single neighbour is misplaced; a misplaced one agrees with none.
    Most agree with the first, the chord between their neighbours.

    Parameters
    ----------
    order, starts : (m,), (lines + 1,) int64
        Shots of each line in order along it.
    steady : (n,) bool
        Other shots are passed over.
    easting, northing : (n,) float64
        [m].
    own : (n, 4) float64
        Error budget of one shot alone; east and north come first [m2].
    score, least : float
        Standard deviations and distance [m] beyond which a shot lies aside.
    rows : (m,) int64, written
        Shots found, in the order of the lines.
    aside, spread : (m,) float64, written
        Distance from the best prediction, and its standard deviation [m].

    Returns
    -------
    int
        Number found.
    """
    longest = 0
    for run in range(len(starts) - 1):
        longest = max(longest, starts[run + 1] - starts[run])
    shots, suspects = np.empty(longest, np.int64), np.empty(longest, np.int64)
    east, north, variance = np.empty(longest), np.empty(longest), np.empty(longest)
    along, left = np.empty(7), np.empty(7)
    found = 0
    for run in range(len(starts) - 1):
        count = 0
        for place in range(starts[run], starts[run + 1]):
            shot = order[place]
            if steady[shot]:
                shots[count], east[count], north[count] = shot, easting[shot], northing[shot]
                eastward, northward = own[shot, 0], own[shot, 1]
                # Not a number if either is not.
                variance[count] = northward if northward > eastward else eastward
                if northward != northward:
                    variance[count] = nan
                count += 1
        if count < 3:
            continue
        for number in range(_off_the_chord(count, east, north, variance, score, suspects)):
            at = suspects[number]
            off, scatter = _best_prediction(at, count, east, north, variance, along, left)
            sd = sqrt(scatter)
            if off > least and off > score * sd:
                rows[found], aside[found], spread[found] = shots[at], off, sd
                found += 1
    return found
