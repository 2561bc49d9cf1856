"""What errors that shots share do to the axes of lines.

A shared error moves each shot of its group by one unknown number times the shot's own standard
deviation. The smoother is linear, so the axis moves by the smoother applied to that pattern of
standard deviations; where all shots of a line share the error evenly that is the pattern itself.

The gains of the smoother do not depend on what is smoothed. With w the precision of an
observation and f the variance given it, they are f11 w for the position and f12 w for the slope.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    BYTES_OUT,
    CODES,
    CUBE_OUT,
    FLAG,
    FLAGS,
    FLOATS,
    GRID,
    GRID_OUT,
    INTEGERS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Bytes = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]

EVEN = 1e-3
LEAST = 1e-9
PLANE, LEVEL = 1, 2
"""Bits of what a shared error touches unevenly."""


@part
def _of_shot(variance: Floats, shot: int) -> float:
    """Variance of a shot from one for each, or one for all; 0 where it is not known."""
    value = variance[shot] if len(variance) > 1 else variance[0]
    return value if value > 0.0 else 0.0


@part
def _any_used(used: Flags, begin: int, end: int) -> bool:
    k = begin
    while k < end and not used[k]:
        k += 1
    return k < end


@part
def _code_range(
    code: Codes, shot: Integers, used: Flags, begin: int, end: int
) -> tuple[int, int, bool]:
    """Lowest and highest code of a line's used members (all, if none is), and if any is used."""
    some = _any_used(used, begin, end)
    low = high = -1
    first = True
    for k in range(begin, end):
        if used[k] or not some:
            c = code[shot[k]]
            low = c if first or c < low else low
            high = c if first or c > high else high
            first = False
    return low, high, some


@part
def _range(
    variance: Floats, shot: Integers, used: Flags, some: bool, begin: int, end: int
) -> tuple[float, float, float]:
    """First, least and largest variance of a line's used members (all, if none is)."""
    if len(variance) == 1:
        value = _of_shot(variance, 0)
        return value, value, value
    first = -1.0
    least, most = np.inf, 0.0
    for k in range(begin, end):
        if used[k] or not some:
            value = _of_shot(variance, shot[k])
            first = value if first < 0.0 else first
            least = value if value < least else least
            most = value if value > most else most
    return first, least, most


@part
def _is_even(least: float, most: float) -> bool:
    high = math.sqrt(most)
    return high - math.sqrt(least) <= EVEN * high + LEAST


@part
def _coupling(east: float, north: float, both: float) -> float:
    """Correlation of east and north."""
    size = math.sqrt(east * north)
    if size > 0.0 and not math.isnan(both):
        return both / size
    return 0.0


@kernel(
    INTEGERS,
    INTEGERS,
    FLAGS,
    CODES,
    FLOATS,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID_OUT,
    BYTES_OUT,
)
def split_even(
    starts: Integers,
    shot: Integers,
    used: Flags,
    code: Codes,
    east_east: Floats,
    north_north: Floats,
    east_north: Floats,
    up_up: Floats,
    even: Floats,
    uneven: Bytes,
) -> int:
    """Add what a shared error does evenly to whole lines; mark lines that it touches unevenly.

    Members that are not used say nothing, unless none of the line is.

    Parameters
    ----------
    starts : (lines + 1,) int64
    shot : (m,) int64
    used : (m,) bool
    code, east_east, north_north, east_north, up_up
        Of a `BudgetTerm`; variances of length 1 hold for all shots.
    even : (4, lines) float64
        Added to: east-east, north-north, east-north, up-up [m2].
    uneven : (lines,) int8
        Written: PLANE, LEVEL, both or 0.

    Returns
    -------
    int
        How many lines are touched unevenly.
    """
    number = 0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        uneven[line] = 0
        low, high, some = _code_range(code, shot, used, begin, end)
        if high < 0:
            continue
        one_group = low == high
        east, e_low, e_high = _range(east_east, shot, used, some, begin, end)
        north, n_low, n_high = _range(north_north, shot, used, some, begin, end)
        up, u_low, u_high = _range(up_up, shot, used, some, begin, end)
        if one_group and _is_even(e_low, e_high) and _is_even(n_low, n_high):
            j = shot[begin]
            both = east_north[j] if len(east_north) > 1 else east_north[0]
            coupling = _coupling(_of_shot(east_east, j), _of_shot(north_north, j), both)
            even[0, line] += east
            even[1, line] += north
            even[2, line] += coupling * math.sqrt(east * north)
        elif e_high > 0.0 or n_high > 0.0:
            uneven[line] |= PLANE
        if one_group and _is_even(u_low, u_high):
            even[3, line] += up
        elif u_high > 0.0:
            uneven[line] |= LEVEL
        number += uneven[line] > 0
    return number


@part
def _groups(
    begin: int, end: int, shot: Integers, used: Flags, code: Codes, groups: Integers
) -> int:
    """Write the groups of a line's used members (all, if none is), and tell how many."""
    some = _any_used(used, begin, end)
    number = 0
    for k in range(begin, end):
        if some and not used[k]:
            continue
        c = code[shot[k]]
        # mostly the one met last
        found = c < 0
        for g in range(number - 1, -1, -1):
            if groups[g] == c:
                found = True
                break
        if not found:
            groups[number] = c
            number += 1
    return number


@part
def _respond(
    begin: int,
    end: int,
    gap: Floats,
    precision: Floats,
    wander: Floats,
    kink: Floats,
    filtered_variance: Floats,
    pieces: Integers,
    seen: Floats,
    position: Floats,
    slope: Floats,
    moved: Floats,
    samples: int,
) -> None:
    """How far the axis moves at the samples of a line for a pattern at its nodes.

    Parameters
    ----------
    begin, end : int
        Nodes of the line.
    seen : (k,) float64
        The pattern at its k nodes; comes back as weighted innovations.
    position, slope : (k,) float64
        To work in.
    moved : (s,) float64
        Written.
    samples : int
        Of the line.
    """
    # what each step waits for is kept short: the next innovation's place first
    x = v = 0.0
    for i in range(begin, end):
        k = i - begin
        w = precision[i]
        k1, k2 = w * filtered_variance[0, i], w * filtered_variance[1, i]
        nu = seen[k] - x
        position[k], slope[k] = x + k1 * nu, v + k2 * nu
        seen[k] = w * (1.0 - k1) * nu
        x = (x + gap[i] * v) + (k1 + gap[i] * k2) * nu
        v += k2 * nu
    s = samples - 1
    # adjoint past the node's observation, and at the next node
    s1 = s2 = r1 = r2 = 0.0
    for i in range(end - 1, begin - 1, -1):
        k = i - begin
        f11, f12 = filtered_variance[0, i], filtered_variance[1, i]
        if pieces[i] > 1:
            for piece in range(pieces[i] - 1, 0, -1):
                ahead = gap[i] * piece / pieces[i]
                qa = wander[i] * ahead
                f22 = filtered_variance[2, i] + kink[i]
                p11 = f11 + ahead * (2.0 * f12 + ahead * f22 + qa * ahead / 3.0)
                p12 = f12 + ahead * f22 + 0.5 * qa * ahead
                moved[s] = (
                    position[k] + ahead * slope[k] + p11 * r1 + p12 * (r2 + (gap[i] - ahead) * r1)
                )
                s -= 1
        moved[s] = position[k] + f11 * s1 + f12 * s2
        s -= 1
        w = precision[i]
        r1 = ((1.0 - w * f11) * s1 + seen[k]) - w * f12 * s2
        r2 = s2
        if i > begin:
            s1, s2 = r1, r2 + gap[i - 1] * r1


@kernel(
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    FLAGS,
    CODES,
    FLOATS,
    FLOATS,
    FLOATS,
    BYTES,
    FLAG,
    CUBE_OUT,
)
def add_patterns(
    starts: Integers,
    gap: Floats,
    precision: Floats,
    wander: Floats,
    kink: Floats,
    filtered_variance: Floats,
    pieces: Integers,
    sample_starts: Integers,
    member: Integers,
    member_starts: Integers,
    shot: Integers,
    used: Flags,
    code: Codes,
    one: Floats,
    two: Floats,
    both: Floats,
    uneven: Bytes,
    flat: bool,
    covariance: Floats,
) -> None:
    """Add to the covariance of lines what an error does that their shots share unevenly.

    Parameters
    ----------
    starts, gap, precision, wander, kink, filtered_variance
        Of the channel's `Track` and `Smoothed`: the plane's if flat, else the level's.
    pieces, sample_starts
        As of `cut_intervals`.
    member : (n,) int64
    member_starts : (lines + 1,) int64
    shot, used
        By member.
    code : int32
        Group of each shot, -1 none.
    one, two, both : float64
        Variances of easting and northing and their covariance, or of the height and of nothing
        further [m2], as of `split_even`.
    uneven : (lines,) int8
        As written by `split_even`.
    covariance : (s, 3, 3) float64
        Added to [m2].
    """
    longest = most = 1
    for line in range(len(starts) - 1):
        longest = max(longest, starts[line + 1] - starts[line])
        most = max(most, sample_starts[line + 1] - sample_starts[line])
    groups = np.empty(longest, np.int64)
    first, second = np.empty(longest), np.zeros(longest)
    position, slope = np.empty(longest), np.empty(longest)
    moved, other = np.empty(most), np.zeros(most)
    touched = PLANE if flat else LEVEL
    for line in range(len(starts) - 1):
        if not uneven[line] & touched:
            continue
        begin, end = starts[line], starts[line + 1]
        low, samples = sample_starts[line], sample_starts[line + 1] - sample_starts[line]
        m, m_end = member_starts[line], member_starts[line + 1]
        coupling = 0.0
        if flat:
            j = shot[m]
            shared = both[j] if len(both) > 1 else both[0]
            coupling = _coupling(_of_shot(one, j), _of_shot(two, j), shared)
        for g in range(_groups(m, m_end, shot, used, code, groups)):
            for i in range(begin, end):
                first[i - begin] = second[i - begin] = 0.0
                if member[i] >= 0:
                    j = shot[member[i]]
                    if code[j] == groups[g]:
                        first[i - begin] = math.sqrt(_of_shot(one, j))
                        if flat:
                            second[i - begin] = math.sqrt(_of_shot(two, j))
            _respond(
                begin,
                end,
                gap,
                precision,
                wander,
                kink,
                filtered_variance,
                pieces,
                first,
                position,
                slope,
                moved,
                samples,
            )
            if not flat:
                for s in range(samples):
                    covariance[low + s, 2, 2] += moved[s] * moved[s]
                continue
            _respond(
                begin,
                end,
                gap,
                precision,
                wander,
                kink,
                filtered_variance,
                pieces,
                second,
                position,
                slope,
                other,
                samples,
            )
            for s in range(samples):
                covariance[low + s, 0, 0] += moved[s] * moved[s]
                covariance[low + s, 1, 1] += other[s] * other[s]
                cross = coupling * moved[s] * other[s]
                covariance[low + s, 0, 1] += cross
                covariance[low + s, 1, 0] += cross
