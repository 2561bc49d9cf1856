"""Straight pieces of the logarithm of current along many lines, outliers passed over."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._change_points import (
    Cut,
    Piece,
    Sums,
    best_cut,
    fit_cut,
    fit_pieces,
    pieces_of,
    pooled_slope,
    prefix_sums,
)

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

OUTLIER = 5.0
"""Noises off the fit from which on a reading is passed over."""
_WINDOW = 5
_ROUNDS = 4
_LEAST_FOR_SCATTER = 15
_SCATTER_BEYOND = 1.3
"""The scatter of few readings is itself noisy: it counts only this far above the stated noise."""


class Pieces(NamedTuple):
    """Best cut of L lines of up to m readings.

    `noise` (L,) of the logarithm; `y` (L, m) logarithm in noises; `weight` (L, m) True where used;
    `slope`, `slope_spread` (L,) common slope and squares behind it; `penalty`, `slope_penalty`
    (L,); `level` (L, m) fitted `y`; `number` (L, m) piece from 0.
    """

    noise: FloatArray
    y: FloatArray
    weight: BoolArray
    sums: Sums
    cut: Cut
    slope: FloatArray
    slope_spread: FloatArray
    penalty: FloatArray
    slope_penalty: FloatArray
    level: FloatArray
    number: npt.NDArray[np.int32]


def cut_lines(x: FloatArray, log_current: FloatArray, inside: BoolArray, noise: float) -> Pieces:
    """Cut lines into straight pieces.

    Parameters
    ----------
    x : (L, m) float64
        Scaled place, increasing away from the feed.
    log_current : (L, m) float64
    inside : (L, m) bool
        False on padding, which is at the end.
    noise : float
        Relative, of a reading.

    Returns
    -------
    Pieces

    Notes
    -----
    Lines that one straight line explains skip the search: no single cut of theirs pays, and
    their squares are what noise makes.
    """
    sigma = np.maximum(noise, _scatter(log_current, inside, noise))
    weight = inside & ~_spikes(log_current, inside, sigma)
    y = log_current / sigma[:, np.newaxis]
    log_count = np.log(np.maximum(inside.sum(axis=1), 2))
    penalty, slope_penalty = 3.0 * log_count, log_count
    slope = _first_slope(x, y, weight)
    piece = np.zeros(x.shape, dtype=np.int32)
    busy, spread = np.ones(len(x), dtype=bool), np.zeros(len(x))
    for turn in range(_ROUNDS):
        sums = prefix_sums(x, y, weight.astype(np.float64))
        rows = np.flatnonzero(busy & ~_straight(sums, penalty))
        piece[busy] = 0
        if len(rows):
            piece[rows] = best_cut(
                sums.at(rows, slice(None)), slope[rows], penalty[rows], slope_penalty[rows]
            )
        cut = pieces_of(piece)
        fit = fit_cut(sums, cut, slope, slope_penalty)
        pooled, behind = pooled_slope(fit, cut, len(x))
        slope, spread = np.where(busy, pooled, slope), np.where(busy, behind, spread)
        fit = fit_cut(sums, cut, slope, slope_penalty)
        level = _levels(fit, cut, x)
        used = inside & (np.abs(y - level) <= OUTLIER)
        busy = (used != weight).any(axis=1)
        if turn == 0:
            # Once more with the slope that the pieces have together.
            busy[rows] = True
        if not busy.any():
            break
        # The next round's sums; after the last one the events keep this round's weights.
        weight_before, weight = weight, used
    else:
        weight = weight_before
    return Pieces(sigma, y, weight, sums, cut, slope, spread, penalty, slope_penalty, level, piece)


def _levels(fit: Piece, cut: Cut, x: FloatArray) -> FloatArray:
    number = np.repeat(np.arange(len(cut.row)), cut.end - cut.begin).reshape(x.shape)
    level: FloatArray = fit.mean_y[number] + fit.slope[number] * (x - fit.mean_x[number])
    return level


def _straight(sums: Sums, penalty: FloatArray) -> BoolArray:
    """Lines (L,) that one straight line explains."""
    count = sums.n.shape[1] - 1
    zero = np.zeros((1, 1))
    last = sums.at(slice(None), slice(count, count + 1))
    whole = fit_pieces(last, zero, zero).cost[:, 0]
    cuts = fit_pieces(sums, zero, zero).cost + fit_pieces(last.between(sums), zero, zero).cost
    n = last.n[:, 0]
    no_cut_pays = whole - cuts.min(axis=1) < 0.8 * penalty
    return np.asarray(no_cut_pays & (whole < n + 3.0 * np.sqrt(2.0 * n)))


def _spikes(log_current: FloatArray, inside: BoolArray, noise: FloatArray) -> BoolArray:
    """Readings far off the median of the five about them."""
    half = _WINDOW // 2
    padded = np.pad(
        np.where(inside, log_current, np.nan), ((0, 0), (half, half)), constant_values=np.nan
    )
    windows = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW, axis=1)
    off = np.abs(log_current - _median(windows))
    return inside & (off > OUTLIER * noise[:, np.newaxis])


def _scatter(log_current: FloatArray, weight: BoolArray, noise: float) -> FloatArray:
    """Noise (L,) by the median of second differences, 0 where it says nothing against `noise`."""
    bend = np.diff(np.where(weight, log_current, np.nan), n=2, axis=1)
    # A second difference of equal noises has sqrt6 of one; a median of sizes 0.6745 sd.
    scatter = np.nan_to_num(_median(np.abs(bend))) / (0.6745 * np.sqrt(6.0))
    telling = (weight.sum(axis=1) >= _LEAST_FOR_SCATTER) & (scatter > _SCATTER_BEYOND * noise)
    return np.where(telling, scatter, 0.0)


def _first_slope(x: FloatArray, y: FloatArray, weight: BoolArray) -> FloatArray:
    """Median slope (L,) between readings some way apart: few of those pairs straddle a step."""
    apart = np.maximum(2, weight.sum(axis=1) // 8)
    column = np.arange(x.shape[1]) + apart[:, np.newaxis]
    partner = np.minimum(column, x.shape[1] - 1)
    run = np.take_along_axis(x, partner, axis=1) - x
    good = weight & np.take_along_axis(weight, partner, axis=1)
    good &= (column < x.shape[1]) & (run > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.where(good, (np.take_along_axis(y, partner, axis=1) - y) / run, np.nan)
    return np.nan_to_num(_median(slopes))


def _median(values: FloatArray) -> FloatArray:
    """Median along the last axis without the NaNs; NaN where there are only such."""
    if values.shape[-1] == 0:
        return np.full(values.shape[:-1], np.nan)
    ordered = np.sort(values, axis=-1)
    count = np.isfinite(values).sum(axis=-1)
    low, high = np.maximum((count - 1) // 2, 0), count // 2
    high = np.minimum(high, values.shape[-1] - 1)

    def pick(index: npt.NDArray[np.intp]) -> FloatArray:
        return np.take_along_axis(ordered, index[..., np.newaxis], -1)[..., 0]

    middle = 0.5 * (pick(low) + pick(high))
    return np.where(count > 0, middle, np.nan)
