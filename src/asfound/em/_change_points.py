"""Best cut of many series into straight pieces: exact, penalised, all series at once.

Each series is values against places (from -1 to 1 or so); a piece is a straight line whose slope
is the series' common one, or its own where that pays. The cut minimises

    sum over pieces of squares / noise²  +  penalty for each further piece  +  one for an own slope

by dynamic programming over the place of the last cut (optimal partitioning), on prefix sums, so a
piece costs a handful of operations however long it is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._change_kernels import (
    LEAST_FOR_SLOPE,
    LEAST_READINGS,
    LEAST_SPREAD,
    NEVER,
    cut_series,
)

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]


class Sums(NamedTuple):
    """Prefix sums (L, m + 1) over readings: of weights, x, x², y, xy, y², weighted."""

    n: FloatArray
    x: FloatArray
    xx: FloatArray
    y: FloatArray
    xy: FloatArray
    yy: FloatArray

    def between(self, low: Sums) -> Sums:
        """These sums minus lower ones."""
        return Sums._make(high - part for high, part in zip(self, low, strict=True))

    def at(self, row: IndexArray | slice, column: IndexArray | slice) -> Sums:
        """The sums at an index of series and one of readings."""
        return Sums._make(part[row, column] for part in self)


class Cut(NamedTuple):
    """Pieces of all series, flat: series, first reading, one past the last reading (p,)."""

    row: IndexArray
    begin: IndexArray
    end: IndexArray


class Piece(NamedTuple):
    """Straight fit of pieces: arrays of any one shape.

    `cost` in squared noise; `own` where the slope is the piece's own; `mean_x`, `mean_y`, `slope`
    of the fit; `n`, `spread` (sum of squared x about the mean) and `across` (sum of x y about the
    means) for its variance and for pooling slopes.
    """

    cost: FloatArray
    own: npt.NDArray[np.bool_]
    mean_x: FloatArray
    mean_y: FloatArray
    slope: FloatArray
    n: FloatArray
    spread: FloatArray
    across: FloatArray


def prefix_sums(x: FloatArray, y: FloatArray, weight: FloatArray) -> Sums:
    """Prefix sums of series (L, m); `y` in units of its noise."""
    safe = np.where(weight > 0.0, y, 0.0)

    def running(values: FloatArray) -> FloatArray:
        total = np.zeros((values.shape[0], values.shape[1] + 1))
        np.cumsum(values, axis=1, out=total[:, 1:])
        return total

    return Sums(
        running(weight),
        running(weight * x),
        running(weight * x * x),
        running(weight * safe),
        running(weight * x * safe),
        running(weight * safe * safe),
    )


def fit_pieces(sums: Sums, slope: FloatArray, slope_penalty: FloatArray) -> Piece:
    """Straight fits of pieces, whose slope is common or their own.

    Parameters
    ----------
    sums : Sums
        Over each piece.
    slope, slope_penalty : float64
        Common slope, and price of an own one; broadcast with the sums.

    Returns
    -------
    Piece
        Cost above 1e15 where there are too few readings.
    """
    n = np.maximum(sums.n, 1.0)
    mean_x, mean_y = sums.x / n, sums.y / n
    spread = np.maximum(sums.xx - sums.x * mean_x, 0.0)
    across = sums.xy - sums.x * mean_y
    total = np.maximum(sums.yy - sums.y * mean_y, 0.0)
    common = total - (2.0 * across - slope * spread) * slope
    with np.errstate(divide="ignore", invalid="ignore"):
        own_slope = across / spread
        free = total - across * own_slope + slope_penalty
    own = (sums.n >= LEAST_FOR_SLOPE) & (spread > LEAST_SPREAD) & (free < common)
    cost = np.where(own, free, common)
    cost = np.where(sums.n >= LEAST_READINGS, cost, NEVER)
    return Piece(cost, own, mean_x, mean_y, np.where(own, own_slope, slope), sums.n, spread, across)


def best_cut(
    sums: Sums, slope: FloatArray, penalty: FloatArray, slope_penalty: FloatArray
) -> npt.NDArray[np.int32]:
    """Piece of every reading in the best cut.

    Parameters
    ----------
    sums : Sums
        Prefix sums (L, m + 1).
    slope, penalty, slope_penalty : (L,) float64
        Common slope; price of a further piece; price of an own slope.

    Returns
    -------
    piece : (L, m) int32
        From 0, growing along each series.
    """
    series, columns = sums.n.shape
    piece = np.empty(series * (columns - 1), np.int32)
    n, x, xx, y, xy, yy = (np.ascontiguousarray(part) for part in sums)
    cut_series(n, x, xx, y, xy, yy, slope, penalty, slope_penalty, piece)
    return piece.reshape(series, columns - 1)


def pieces_of(piece: npt.NDArray[np.int32]) -> Cut:
    """Where pieces begin and end, from the piece of every reading (L, m)."""
    series, count = piece.shape
    first = np.ones((series, count), dtype=bool)
    first[:, 1:] = piece[:, 1:] != piece[:, :-1]
    row, begin = np.nonzero(first)
    end = np.append(begin[1:], 0)
    last = np.append(row[1:] != row[:-1], True)
    return Cut(row, begin, np.where(last, count, end))


def fit_cut(sums: Sums, cut: Cut, slope: FloatArray, slope_penalty: FloatArray) -> Piece:
    """Straight fits of all pieces (p,)."""
    within = sums.at(cut.row, cut.end).between(sums.at(cut.row, cut.begin))
    return fit_pieces(within, slope[cut.row], slope_penalty[cut.row])


def pooled_slope(fit: Piece, cut: Cut, series: int) -> tuple[FloatArray, FloatArray]:
    """Common slope of each series' pieces (L,) and the sum of squares behind it."""
    shared = np.where(fit.own, 0.0, 1.0)
    # Where every piece has its own slope, all of them make the common one.
    any_shared = np.bincount(cut.row, shared * fit.spread, series) > 0.0
    use = np.where(any_shared[cut.row], shared, 1.0)
    spread: FloatArray = np.bincount(cut.row, use * fit.spread, series).astype(np.float64)
    across: FloatArray = np.bincount(cut.row, use * fit.across, series).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(spread > 0.0, across / spread, 0.0), spread
