"""The search for the best cut of series into straight pieces: one series after the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.compiled import CODES_OUT, FLOATS, GRID, kernel

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]

LEAST_READINGS = 3
"""A piece has at least so many; fewer are outliers."""
LEAST_FOR_SLOPE = 4
LEAST_SPREAD = 1e-9
NEVER = 1e15


@kernel(GRID, GRID, GRID, GRID, GRID, GRID, FLOATS, FLOATS, FLOATS, CODES_OUT)
def cut_series(
    n: Floats,
    x: Floats,
    xx: Floats,
    y: Floats,
    xy: Floats,
    yy: Floats,
    slope: Floats,
    penalty: Floats,
    slope_penalty: Floats,
    piece: Codes,
) -> None:
    """Piece of every reading in the best cut, by optimal partitioning.

    Parameters
    ----------
    n, x, xx, y, xy, yy : (L, m + 1) float64
        Prefix sums.
    slope, penalty, slope_penalty : (L,) float64
        Common slope; price of a further piece; price of an own slope.
    piece : (L * m,) int32, written
        From 0, growing along each series.
    """
    series, columns = n.shape
    # `before`: the best cut up to each place, and the price of a piece that begins there.
    before, cost, origin = np.empty(columns), np.empty(columns), np.empty(columns, np.int64)
    for row in range(series):
        ns, xs, xxs, ys, xys, yys = n[row], x[row], xx[row], y[row], xy[row], yy[row]
        common_slope, price = slope[row], slope_penalty[row]
        before[0] = 0.0
        for end in range(1, columns):
            n_end, x_end, xx_end = ns[end], xs[end], xxs[end]
            y_end, xy_end, yy_end = ys[end], xys[end], yys[end]
            for begin in range(end):
                count = n_end - ns[begin]
                sum_x, sum_y = x_end - xs[begin], y_end - ys[begin]
                share = 1.0 / (count if count > 1.0 else 1.0)
                mean_x = sum_x * share
                spread = (xx_end - xxs[begin]) - sum_x * mean_x
                across = (xy_end - xys[begin]) - sum_y * mean_x
                total = (yy_end - yys[begin]) - sum_y * sum_y * share
                least = total - (2.0 * across - common_slope * spread) * common_slope
                free = total - across * across / spread + price
                sloped = (count >= LEAST_FOR_SLOPE) & (spread > LEAST_SPREAD) & (free < least)
                least = free if sloped else least
                least = least if count >= LEAST_READINGS else NEVER
                cost[begin] = least + before[begin]
            chosen, best = 0, cost[0]
            for begin in range(1, end):
                if cost[begin] < best:
                    chosen, best = begin, cost[begin]
            origin[end] = chosen
            before[end] = min(best, NEVER) + penalty[row]
        # Walk back from the end; every step shows where a piece begins.
        first, at, number = row * (columns - 1), columns - 1, 0
        while at > 0:
            for k in range(origin[at], at):
                piece[first + k] = number
            number += 1
            at = origin[at]
        for k in range(columns - 1):
            piece[first + k] = number - 1 - piece[first + k]
