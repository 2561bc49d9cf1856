"""The shots of lines gathered in order, with the variances that count along and across."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    FLAGS_OUT,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGER,
    INTEGERS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]

DOUBTFUL_INFLATION = 4.0
EVEN_REACH = 6
EVEN_FACTOR = 3.0
SMALL_TURN = 0.1
"""Up to this angle the series of `_turned` are exact to the last digits [rad]."""


@part
def _turned(turn: float, sine: float, cosine: float) -> tuple[float, float]:
    """Sine and cosine of an angle that lies a small turn past one of given sine and cosine."""
    square = turn * turn
    s = turn * (
        1.0 - square / 6.0 * (1.0 - square / 20.0 * (1.0 - square / 42.0 * (1.0 - square / 72.0)))
    )
    c = 1.0 - square / 2.0 * (1.0 - square / 12.0 * (1.0 - square / 30.0 * (1.0 - square / 56.0)))
    return sine * c + cosine * s, cosine * c - sine * s


@part
def _clip_block(values: Floats, size: int, block: int, clipped: Floats) -> None:
    """Clip a block of values to what lies within the factor of their neighbours' geometric mean.

    All neighbours of a block of `EVEN_REACH` values are in it, the block before and that after.
    """
    least, most = np.inf, 0.0
    for i in range(max(block - EVEN_REACH, 0), min(block + 2 * EVEN_REACH, size)):
        least, most = min(least, values[i]), max(most, values[i])
    if most <= EVEN_FACTOR * least:
        return
    for k in range(block, min(block + EVEN_REACH, size)):
        low, high = max(k - EVEN_REACH, 0), min(k + EVEN_REACH + 1, size)
        scale = 1.0 / values[k]
        product, limit = 1.0, 1.0
        for i in range(low, high):
            product *= values[i] * scale
            limit *= EVEN_FACTOR
        # the mean is the root of the product: taken only where it decides
        if product > limit or product * limit < 1.0:
            rough = values[k] * product ** (1.0 / (high - low))
            clipped[k] = min(max(values[k], rough / EVEN_FACTOR), rough * EVEN_FACTOR)


@part
def _even(variance: Floats, begin: int, end: int, clipped: Floats, total: Floats) -> None:
    """Set variances near their neighbours' usual one to it.

    A shot that happens to read too deep is also given a larger variance, for the budget goes by
    the depth read. Weighted by its own variance it would count less, and the line would come out
    too shallow. Within a factor of `EVEN_FACTOR` of what is usual nearby the usual one is used;
    beyond it (a float solution, say) the difference is real and stays.
    """
    size = end - begin
    least, most = np.inf, 0.0
    for k in range(size):
        v = variance[begin + k]
        v = v if v > 0.0 and v < np.inf else 1.0
        clipped[k] = v
        least = v if v < least else least
        most = v if v > most else most
    if most > EVEN_FACTOR * least:
        total[:size] = clipped[:size]
        for block in range(0, size, EVEN_REACH):
            _clip_block(total, size, block, clipped)
    total[0] = 0.0
    for k in range(size):
        total[k + 1] = total[k] + clipped[k]
    share = 1.0 / (2 * EVEN_REACH + 1)
    for k in range(size):
        low, high = k - EVEN_REACH, k + EVEN_REACH + 1
        if low >= 0 and high <= size:
            usual = (total[high] - total[low]) * share
        else:
            low, high = max(low, 0), min(high, size)
            usual = (total[high] - total[low]) / (high - low)
        v = variance[begin + k]
        if v > 0.0 and v < EVEN_FACTOR * usual and v * EVEN_FACTOR > usual:
            variance[begin + k] = usual


@kernel(
    INTEGERS,
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    FLOATS,
    BYTES,
    INTEGER,
    INTEGER,
    FLOATS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    GRID_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    FLAGS_OUT,
    FLAGS_OUT,
    GRID_OUT,
)
def gather_members(
    shot: Integers,
    starts: Integers,
    easting: Floats,
    northing: Floats,
    centre_height: Floats,
    own: Floats,
    bearing: Floats,
    verdict: Bytes,
    doubtful: int,
    unfit: int,
    east: Floats,
    north: Floats,
    up: Floats,
    left: Floats,
    across: Floats,
    vertical: Floats,
    usable: Flags,
    deep: Flags,
    origin: Floats,
) -> None:
    """Gather the m members of lines from the n shots of a job.

    Parameters
    ----------
    shot : (m,) int64
    starts : (lines + 1,) int64
    easting, northing, centre_height : (n,) float64
    own : (n, 4) float64
        As in `Budget`.
    bearing : (n,) float64
        Of the line at the shot, NaN where not known.
    verdict : (n,) int8
    doubtful, unfit : int
        Verdicts.
    east, north, up, left, across, vertical, usable, deep, origin
        Written; as in `Members`.
    """
    longest = 0
    for line in range(len(starts) - 1):
        longest = max(longest, starts[line + 1] - starts[line])
    clipped, total = np.empty(longest), np.empty(longest + 1)
    base, base_sine, base_cosine = 0.0, 0.0, 1.0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        if begin == end:
            continue
        east_0, north_0 = easting[shot[begin]], northing[shot[begin]]
        for k in range(begin, end):
            j = shot[k]
            east[k], north[k] = easting[j] - east_0, northing[j] - north_0
            b = bearing[j]
            if math.isfinite(b):
                if not abs(b - base) <= SMALL_TURN:
                    base, base_sine, base_cosine = b, math.sin(b), math.cos(b)
                sine, cosine = _turned(b - base, base_sine, base_cosine)
                left[0, k], left[1, k] = -cosine, sine
                across[k] = (
                    cosine * cosine * own[j, 0]
                    + sine * sine * own[j, 1]
                    - 2.0 * sine * cosine * own[j, 2]
                )
            else:
                left[0, k] = left[1, k] = 0.0
                across[k] = 0.5 * (own[j, 0] + own[j, 1])
            vertical[k] = own[j, 3]
        _even(across, begin, end, clipped, total)
        _even(vertical, begin, end, clipped, total)
        fit = 0
        for k in range(begin, end):
            good = across[k] > 0.0 and across[k] < np.inf
            judged = verdict[shot[k]]
            if judged == doubtful:
                across[k] *= DOUBTFUL_INFLATION
                vertical[k] *= DOUBTFUL_INFLATION
            usable[k] = good and judged != unfit
            deep[k] = good
            fit += usable[k]
        # a line with fewer than two fit shots is still drawn, from all of them
        level = np.nan
        for k in range(begin, end):
            good = deep[k]
            usable[k] = usable[k] or (good and fit < 2)
            if not good:
                across[k] = 1.0
            height = centre_height[shot[k]]
            deep[k] = (
                usable[k] and math.isfinite(height) and vertical[k] > 0.0 and vertical[k] < np.inf
            )
            if deep[k]:
                if math.isnan(level):
                    level = height
                up[k] = height - level
            else:
                up[k] = 0.0
                vertical[k] = 1.0
        origin[0, line], origin[1, line], origin[2, line] = east_0, north_0, level
