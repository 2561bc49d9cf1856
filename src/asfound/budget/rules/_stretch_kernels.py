"""Loops that look for stretches of a line over which another conductor distorts the field.

A run is taken from its readings to its stretches while they lie in the processor's cache. What
only a stretch asks for (its place across the line, its depth) is worked out where one may be.
"""

from __future__ import annotations

from math import cos, hypot, isfinite, log, nan, pi, sin, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CODES,
    FLAG,
    FLAGS,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

LEADING, DEPTH, CURRENT, ASIDE, APART = 0, 1, 2, 3, 4
"""Quantities of a stretch; the leading one is the field or, lacking that, the depth."""
QUANTITIES = 5
(
    FIELD_STEP,
    CURRENT_STEP,
    CURRENT_SURE,
    DEPTH_STEP,
    FIELD_NOISE,
    CLEAR,
    PROOF,
    LONGEST,
    COIL_HEIGHT,
    PINPOINT_FIXED,
    PINPOINT_RELATIVE,
) = range(11)
"""Places of limits and sizes of errors in what the search is told."""

_FLANK = 6
_FEWEST = 3
_SHORTEST = 4
_LEAST_RUN = 10
"""Fewest shots that hold a stretch and three shots before and behind it."""
_TELLING = 2
"""Quantities that place the ends of a stretch: the leading one and the depth."""
_OUTWARD = 2
_LEAST_NOISE = 0.04
_MOST_SAID = 4.0
"""Most that one shot's quantity may weigh, in units of log likelihood."""
_MEDIAN_OF_THREE = 0.95
"""Standard deviation of a difference of two medians of three, over that of one value."""
_CLEAR_DEPTH = 2.5
"""Standard deviations at which steps of the depth alone are looked at."""
_SETTLING = np.array([0.02, 0.02, 0.03, 0.03, 0.01])
"""How far each quantity may wander by itself between a stretch and its flanks."""
_SCATTER = 1.4826 / sqrt(1.5)
"""Noise of one value, over the median absolute second difference."""
_STRAIGHT = cos(pi / 30.0)
"""Cosine of the turn (6 degrees) from which on a line bends."""


@part
def _of_three(a: float, b: float, c: float) -> float:
    """Median of three."""
    low, high = (a, b) if a < b else (b, a)
    high = high if high < c else c
    return high if high > low else low


@part
def median_steps(values: Floats, count: int, step: Floats) -> float:
    """Median of the three values behind each boundary minus that of the three before it.

    A steady drift, such as that of a current that leaks away, is taken off: over three places,
    before or behind or none, whichever is between. A boundary is that before each place; it has
    no step (NaN) where there are fewer than three values on one side. The largest size is given.
    """
    for k in range(count):
        step[k] = nan
    if count < 2 * _FEWEST:
        return 0.0
    for k in range(_FEWEST + 1, count - _FEWEST):
        drift = _of_three(values[k - 1] - values[k - 4], values[k + 3] - values[k], 0.0)
        before = _of_three(values[k - 3], values[k - 2], values[k - 1])
        step[k] = _of_three(values[k], values[k + 1], values[k + 2]) - before - drift
    # Beyond the first and the last boundary there is nothing that could drift.
    for k in (_FEWEST, count - _FEWEST):
        ahead = values[k + 3] - values[k] if k + 3 < count else 0.0
        behind = values[k - 1] - values[k - 4] if k >= 4 else 0.0
        before = _of_three(values[k - 3], values[k - 2], values[k - 1])
        step[k] = _of_three(values[k], values[k + 1], values[k + 2]) - before
        step[k] -= _of_three(behind, ahead, 0.0)
    largest = 0.0
    for k in range(_FEWEST, count - _FEWEST + 1):
        size = abs(step[k])
        largest = size if size > largest else largest
    return largest


@part
def _smallest(values: Floats, count: int, rank: int) -> float:
    """The value of a rank (from 0) among the first few; they are rearranged."""
    low, high = 0, count - 1
    while low < high:
        pivot = values[(low + high) // 2]
        left, right = low, high
        while left <= right:
            while values[left] < pivot:
                left += 1
            while values[right] > pivot:
                right -= 1
            if left <= right:
                values[left], values[right] = values[right], values[left]
                left += 1
                right -= 1
        if rank <= right:
            high = right
        elif rank >= left:
            low = left
        else:
            break
    return float(values[rank])


@part
def scatter_of(values: Floats, count: int, spare: Floats) -> float:
    """Noise of one value, from how single values leave the middle of their neighbours."""
    for k in range(1, count - 1):
        spare[k - 1] = abs(values[k] - 0.5 * (values[k - 1] + values[k + 1]))
    return _SCATTER * _smallest(spare, count - 2, (count - 2) // 2)


@part
def _scatters_less(values: Floats, count: int, noise: float) -> bool:
    """Whether `scatter_of` would give less, or as good as the same, found by counting."""
    most, below = noise / _SCATTER * (1.0 + 1e-9), 0
    for k in range(1, count - 1):
        below += abs(values[k] - 0.5 * (values[k - 1] + values[k + 1])) < most
    return below > (count - 2) // 2


@part
def _sharpest(
    step: Floats,
    values: Floats,
    sd: Floats,
    count: int,
    limits: tuple[float, float],
    place: Integers,
) -> int:
    """Places where a step is largest among its neighbours of the same sign; their number.

    A true step shows at three boundaries in a row alike; the single difference tells which.
    """
    least, clear = limits
    found, before, sign, best = 0, -2, 0.0, 0.0
    for k in range(count):
        if not abs(step[k]) > max(least, clear * _MEDIAN_OF_THREE * sd[k]):
            continue
        own = 1.0 if step[k] > 0.0 else -1.0
        jump = (values[k] - values[k - 1]) * own
        if k > before + 1 or own != sign:
            place[found], best = k, jump
            found += 1
        elif jump > best:
            place[found - 1], best = k, jump
        before, sign = k, own
    return found


@part
def _median(values: Floats, first: int, last: int, spare: Floats) -> tuple[int, float, float]:
    """Number of the known values at places `first` to `last - 1`, their median and mean place."""
    known, total = 0, 0.0
    for k in range(first, last):
        value = values[k]
        if isfinite(value):
            at = known
            while at > 0 and spare[at - 1] > value:
                spare[at] = spare[at - 1]
                at -= 1
            spare[at] = value
            known += 1
            total += k
    if known == 0:
        return 0, nan, nan
    return known, 0.5 * (spare[(known - 1) // 2] + spare[known // 2]), total / known


@part
def _measure(
    values: Floats,
    sds: Floats,
    count: int,
    stretch: tuple[int, int],
    quantities: int,
    size: Floats,
    score: Floats,
    spare: Floats,
) -> float:
    """How far each quantity lies off the straight between the flanks of a stretch.

    Fills `size` and `score`, 0 of what is not known, and gives the share of the shots at which
    the leading quantity is off by more than half its size.
    """
    first, last = stretch
    start, stop = max(first - _FLANK, 0), min(last + _FLANK, count)
    steady = 0.0
    for number in range(quantities):
        size[number] = score[number] = 0.0
        mine = values[number]
        some, left, x_left = _median(mine, start, first, spare)
        within, inside, x_inside = _median(mine, first, last, spare)
        others, right, x_right = _median(mine, last, stop, spare)
        if min(some, within, others) < _FEWEST:
            continue
        share = (x_inside - x_left) / (x_right - x_left)
        off = inside - (left + (right - left) * share)
        noise = _median(sds[number], start, stop, spare)[1]
        weight = (1.0 - share) ** 2 / some + 1.0 / within + share * share / others
        # Medians scatter sqrt(pi / 2) times as much as means.
        size[number] = off
        score[number] = off / hypot(noise * sqrt(0.5 * pi * weight), _SETTLING[number])
        if number == LEADING:
            beyond = 0
            for k in range(first, last):
                line = left + (right - left) * (k - x_left) / (x_right - x_left)
                away = mine[k] - line if off > 0.0 else line - mine[k]
                beyond += away > 0.5 * abs(off)
            steady = beyond / within
    return steady


@part
def _field_convinces(size: Floats, score: Floats, steady: float, told: Floats) -> bool:
    """Field and current off together, and something else that shows a second conductor."""
    lead, current = size[LEADING], size[CURRENT]
    if abs(lead) < told[FIELD_STEP] or abs(score[LEADING]) < told[CLEAR]:
        return False
    # A line that runs deeper weakens the field and leaves the current as it is.
    if lead * current <= 0.0 or abs(current) < told[CURRENT_STEP]:
        return False
    depth = score[DEPTH] if lead > 0.0 else -score[DEPTH]
    proof = max(depth, abs(score[ASIDE]), score[APART])
    sure = abs(current) >= told[CURRENT_SURE]
    return bool(steady >= 0.6 and (proof >= told[PROOF] or (sure and depth > 0.0)))


@part
def _depth_convinces(size: Floats, score: Floats, steady: float, told: Floats) -> bool:
    """Depth off throughout, and the place or the distance of peak and null with it."""
    proof = max(abs(score[ASIDE]), score[APART])
    off = abs(score[LEADING]) >= told[CLEAR] and abs(size[LEADING]) >= told[DEPTH_STEP]
    return bool(off and steady >= 0.7 and proof >= told[PROOF])


@part
def _best_ends(
    values: Floats,
    sds: Floats,
    stretch: tuple[int, int],
    between: tuple[int, int],
    size: Floats,
    favour: Floats,
    spare: Floats,
) -> tuple[int, int]:
    """Ends with the greatest likelihood of shots inside being off and those outside not."""
    first, last = stretch
    start, stop = max(first - _FLANK, between[0]), min(last + _FLANK, between[1])
    for k in range(start, stop):
        favour[k] = 0.0
    for number in range(_TELLING):
        mine = values[number]
        some, left, x_left = _median(mine, start, first, spare)
        others, right, x_right = _median(mine, last, stop, spare)
        if min(some, others) < _FEWEST or size[number] == 0.0:
            continue
        for k in range(start, stop):
            share = min(max((k - x_left) / (x_right - x_left), 0.0), 1.0)
            off = mine[k] - (left + (right - left) * share)
            noise = sds[number, k] ** 2 + _LEAST_NOISE**2
            gain = (off * off - (off - size[number]) ** 2) / (2.0 * noise)
            if not np.isnan(gain):
                favour[k] += min(max(gain, -_MOST_SAID), _MOST_SAID)
    middle = (first + last) // 2
    ahead, total, best = middle, favour[middle], favour[middle]
    for k in range(middle + 1, stop):
        total += favour[k]
        if total > best:
            ahead, best = k, total
    back, total, best = middle - 1, favour[middle - 1], favour[middle - 1]
    for k in range(middle - 2, start - 1, -1):
        total += favour[k]
        if total > best:
            back, best = k, total
    back, ahead = max(back, first - _OUTWARD), min(ahead + 1, last + _OUTWARD)
    if ahead - back < _SHORTEST:
        return first, last
    return back, ahead


@part
def _shift_along(
    order: Integers,
    first: int,
    last: int,
    easting: Floats,
    northing: Floats,
    bearing: Floats,
    steady: Flags,
    lateral: Floats,
) -> None:
    """Metres moved to the left along a line where it runs straight, NaN at bends.

    On a straight a jump aside is a step of this; at a bend it would be taken for one. Written for
    the shots of the line.
    """
    count = last - first
    sine, cosine, bent = np.empty(count), np.empty(count), np.zeros(count, np.bool_)
    for k in range(count):
        course = bearing[order[first + k]]
        course = 0.0 if np.isnan(course) else course
        sine[k], cosine[k] = sin(course), cos(course)
    for reach in range(3, 5):
        for k in range(reach, count):
            if sine[k] * sine[k - reach] + cosine[k] * cosine[k - reach] < _STRAIGHT:
                bent[k] = bent[k - reach] = True
    total = 0.0
    for k in range(count):
        shot = order[first + k]
        if k:
            # Along the mean of both ends' courses; its length (the cosine of half the turn)
            # hardly counts.
            before = order[first + k - 1]
            total += 0.5 * (northing[shot] - northing[before]) * (sine[k] + sine[k - 1])
            total -= 0.5 * (easting[shot] - easting[before]) * (cosine[k] + cosine[k - 1])
        lateral[shot] = total if steady[shot] and not bent[k] else nan


@part
def _depth_noise(variance: float, depth: float) -> float:
    """Standard deviation of a depth's logarithm by its budget [m2]."""
    if np.isnan(variance):
        return 0.1
    return min(sqrt(max(variance, 0.0)) / depth, 0.3)


@part
def _take_apart(
    ends: Integers, clearness: Floats, count: int, taken: Flags, places: int
) -> Integers:
    """Numbers of stretches, the clearest first, that share no place with one taken before; by
    place."""
    taken[: places + 1] = False
    by_clearness, chosen = np.empty(count, np.int64), np.empty(count, np.int64)
    for one in range(count):
        at = one
        while at > 0 and clearness[by_clearness[at - 1]] < clearness[one]:
            by_clearness[at] = by_clearness[at - 1]
            at -= 1
        by_clearness[at] = one
    kept = 0
    for rank in range(count):
        one = by_clearness[rank]
        first, last = ends[one, 0], ends[one, 1]
        free = True
        for k in range(first, last + 1):
            free &= not taken[k]
        if free:
            taken[first : last + 1] = True
            at = kept
            while at > 0 and ends[chosen[at - 1], 0] > first:
                chosen[at] = chosen[at - 1]
                at -= 1
            chosen[at] = one
            kept += 1
    return chosen[:kept]


@kernel(
    INTEGERS,
    INTEGERS,
    FLAGS,
    FLAG,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    INTEGERS,
    INTEGERS,
    CODES,
    FLOATS,
    FLOATS,
    FLOATS,
    FLAGS,
    FLOATS,
    FLOATS_OUT,
    INTEGERS_OUT,
    INTEGERS_OUT,
    GRID_OUT,
    GRID_OUT,
)
def distorted_stretches(
    order: Integers,
    starts: Integers,
    usable: Flags,
    with_current: bool,
    depth: Floats,
    current: Floats,
    apart: Floats,
    own: Floats,
    line_order: Integers,
    line_starts: Integers,
    line: Codes,
    easting: Floats,
    northing: Floats,
    bearing: Floats,
    steady: Flags,
    told: Floats,
    lateral: Floats,
    members: Integers,
    bounds: Integers,
    sizes: Floats,
    scores: Floats,
) -> int:
    """Stretches between a step of the leading quantity and an opposite one that convince.

    Of those that overlap or share an end the clearest, each with its ends where field and depth
    together put them best.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
        Shots in order along lines, split by upload and hook-up.
    usable : (n,) bool
        Shots with a depth and, `with_current`, a current above zero.
    with_current : bool
        Whether the field leads; else the depth does.
    depth, current, apart : (n,) float64
        Readings [m, A, m]; the last is the distance of peak and null.
    own : (n, 4) float64
        Error budget of one shot alone [m2].
    line_order, line_starts, line
        Lines as `order` and `starts`, and each shot's.
    easting, northing, bearing, steady : (n,)
        Places [m], courses of the line [rad], and whether a place is good to centimetres.
    told : (11,) float64
        Limits and errors.
    lateral : (n,) float64, for use in between
    members, bounds : (m,), (m + 1,) int64, written
        Shots of stretch s are ``members[bounds[s]:bounds[s + 1]]``.
    sizes, scores : (m, 5) float64, written
        How far each quantity is off, and over its standard deviation; 0 where not known.

    Returns
    -------
    int
        Number of stretches.
    """
    longest_run = 0
    for run in range(len(starts) - 1):
        longest_run = max(longest_run, starts[run + 1] - starts[run])
    shots, place = np.empty(longest_run, np.int64), np.empty(longest_run, np.int64)
    values, sds = np.empty((QUANTITIES, longest_run)), np.empty((QUANTITIES, longest_run))
    step, spare, favour = np.empty(longest_run), np.empty(longest_run), np.empty(longest_run)
    taken = np.empty(longest_run + 1, np.bool_)
    size, score = np.empty(QUANTITIES), np.empty(QUANTITIES)
    # Candidates of a run: first, last, and how clear each is; and what each measures.
    ends, clearness, leads = np.empty((64, 2), np.int64), np.empty(64), np.empty((64, _TELLING))
    least = told[FIELD_STEP] if with_current else told[DEPTH_STEP]
    clear = told[CLEAR] if with_current else _CLEAR_DEPTH
    total, found = 0, 0
    bounds[0] = 0
    for run in range(len(starts) - 1):
        count = 0
        for k in range(starts[run], starts[run + 1]):
            if usable[order[k]]:
                shots[count] = order[k]
                count += 1
        if count < _LEAST_RUN:
            continue
        lead = values[LEADING]
        for k in range(count):
            shot = shots[k]
            if with_current:
                # A receiver reckons the current from the field and the depth it reads.
                lead[k] = log(current[shot] / (depth[shot] + told[COIL_HEIGHT]))
            else:
                lead[k] = log(depth[shot])
        largest, noise = median_steps(lead, count, step), 0.0
        if not largest > least:
            continue
        if with_current:
            if not _scatters_less(lead, count, largest / (clear * _MEDIAN_OF_THREE)):
                continue
            noise = max(scatter_of(lead, count, spare), told[FIELD_NOISE])
        for k in range(count):
            sds[LEADING, k] = noise
            if not with_current:
                sds[LEADING, k] = _depth_noise(own[shots[k], 3], depth[shots[k]])
        steps = _sharpest(step, lead, sds[LEADING], count, (least, clear), place)
        candidates, filled = 0, False
        for at in range(steps):
            for ahead in range(at + 1, steps):
                first, last = place[at], place[ahead]
                if last - first > told[LONGEST]:
                    break
                if step[first] * step[last] >= 0.0 or last - first < _SHORTEST:
                    continue
                # The leading quantity first: most pairs of steps fail already there.
                _measure(values, sds, count, (first, last), 1, size, score, spare)
                if not (abs(size[LEADING]) >= least and abs(score[LEADING]) >= clear):
                    continue
                if not filled:
                    filled = True
                    here = line[shots[0]]
                    _shift_along(
                        line_order,
                        line_starts[here],
                        line_starts[here + 1],
                        easting,
                        northing,
                        bearing,
                        steady,
                        lateral,
                    )
                    for k in range(count):
                        shot = shots[k]
                        values[DEPTH, k] = log(depth[shot])
                        values[CURRENT, k] = log(current[shot]) if with_current else nan
                        values[ASIDE, k] = lateral[shot]
                        values[APART, k] = apart[shot]
                        sds[DEPTH, k] = _depth_noise(own[shot, 3], depth[shot])
                        sds[CURRENT, k] = hypot(noise, sds[DEPTH, k])
                        sds[ASIDE, k] = sqrt(max(own[shot, 0], own[shot, 1]))
                        sds[APART, k] = hypot(
                            told[PINPOINT_FIXED], told[PINPOINT_RELATIVE] * depth[shot]
                        )
                even = _measure(values, sds, count, (first, last), QUANTITIES, size, score, spare)
                if with_current:
                    convinces = _field_convinces(size, score, even, told)
                else:
                    convinces = _depth_convinces(size, score, even, told)
                if not convinces:
                    continue
                if candidates == len(ends):
                    ends = np.concatenate((ends, np.empty_like(ends)))
                    clearness = np.concatenate((clearness, np.empty_like(clearness)))
                    leads = np.concatenate((leads, np.empty_like(leads)))
                edge = min(
                    abs(step[first]) / sds[LEADING, first], abs(step[last]) / sds[LEADING, last]
                )
                ends[candidates, 0], ends[candidates, 1] = first, last
                clearness[candidates] = edge * even
                leads[candidates, 0], leads[candidates, 1] = size[0], size[1]
                candidates += 1
        if not candidates:
            continue
        # The end of one stretch would otherwise pass for the beginning of another behind it.
        chosen = _take_apart(ends, clearness, candidates, taken, count)
        low = 0
        for number in range(len(chosen)):
            one = chosen[number]
            high = ends[chosen[number + 1], 0] if number + 1 < len(chosen) else count
            first, last = _best_ends(
                values, sds, (ends[one, 0], ends[one, 1]), (low, high), leads[one], favour, spare
            )
            low = last
            _measure(
                values, sds, count, (first, last), QUANTITIES, sizes[found], scores[found], spare
            )
            for k in range(first, last):
                members[total] = shots[k]
                total += 1
            found += 1
            bounds[found] = total
    return found
