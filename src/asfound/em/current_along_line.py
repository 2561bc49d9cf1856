"""Current along lines: how it decays, where it drops, and what that may mean.

The logarithm of the current falls straight along a uniform line. A branch takes a share away and
the decay goes on as before; a coating worse from some place on makes the decay steeper; a step
together with a jump aside, or a current that grows away from the hook-up, means that another line
is being followed.

>>> import numpy as np
>>> station = np.arange(0.0, 200.0, 5.0)
>>> current = 0.1 * np.exp(-station / 500.0) * np.where(station < 98.0, 1.0, 0.7)
>>> fit = current_along_lines(station, current)
>>> event = fit.events
>>> [EventKind(k).word for k in event.kind], np.round(event.station, 1), np.round(event.ratio, 3)
(['branch'], array([97.5]), array([0.7]))
>>> np.round(1 / fit.decay)
array([500.])
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._change_kernels import LEAST_READINGS
from asfound.em._current_cuts import cut_lines
from asfound.em._current_events import EventKind, Events, Series, find_events, join_events
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
CodeArray = npt.NDArray[np.integer]
LineCodes = npt.NDArray[np.int64]

__all__ = ["CurrentFit", "EventKind", "Events", "current_along_lines"]

READING_NOISE = 0.05
"""Of a current reading, relative; common practice, no source."""
_CHUNK = 200_000


@dataclass(frozen=True, eq=False)
class CurrentFit:
    """Current along L lines with n shots.

    Parameters
    ----------
    line : (L,) int64
        Line codes, increasing.
    decay, decay_sd : (L,) float64
        Common decay [1/m], positive away from the feed; NaN with fewer than three readings.
    start_current : (L,) float64
        Fitted at the shot nearest to the feed [A].
    noise : (L,) float64
        Relative noise of a reading: the given one, or the scatter where that is larger.
    direction : (L,) int8
        1 where the feed is at the low stations, -1 where it is at the high ones.
    fitted : (n,) float64
        Fitted current at each shot [A]; NaN where a line has no fit.
    piece : (n,) int32
        Pieces count from 0 away from the feed; -1 without fit.
    outlier : (n,) bool
        Readings passed over: more than five noises off the fit, mistyped or misread.
    events : Events
    """

    line: npt.NDArray[np.int64]
    decay: FloatArray
    decay_sd: FloatArray
    start_current: FloatArray
    noise: FloatArray
    direction: npt.NDArray[np.int8]
    fitted: FloatArray
    piece: npt.NDArray[np.int32]
    outlier: npt.NDArray[np.bool_]
    events: Events


def current_along_lines(
    station: FloatArray,
    current: FloatArray,
    line: CodeArray | None = None,
    *,
    offset: FloatArray | None = None,
    noise: float = READING_NOISE,
    direction: npt.NDArray[np.int8] | None = None,
    tees: tuple[CodeArray, FloatArray] | None = None,
) -> CurrentFit:
    """Fit decay and changes of the current along many lines at once.

    Parameters
    ----------
    station : (n,) float64
        Of each shot along its line [m], in any order.
    current : (n,) float64
        Read [A]; NaN where not read.
    line : (n,) int, optional
        Line code of each shot; default: one line.
    offset : (n,) float64, optional
        Sideways of a smooth course of the line [m]: tells a swap from a branch.
    noise : float
        Relative noise of a reading, 1 sigma.
    direction : (L,) int8, optional
        1 or -1 as in `CurrentFit`, for the lines in order of their codes; default: away from the
        end with the larger currents.
    tees : tuple of (t,) line codes and (t,) stations, optional
        Known tees: a drop elsewhere is then a fault, not a branch.

    Returns
    -------
    CurrentFit

    Raises
    ------
    InputError
        If the columns do not fit together, a station is missing, or the noise is not above zero.

    Notes
    -----
    The best cut into straight pieces of the logarithm (at least three readings each) by exact
    penalised likelihood: 3 ln n for a further piece, ln n for a slope of its own, as the Bayes
    information criterion has it. Kinds: **swap** when the shots jump aside by 0.3 m and three
    standard deviations, or the current rises away from the feed and no offsets are given;
    **fault** when the decay is steeper after it, or (tees known) at a drop without a tee;
    **branch** at a drop after which the decay goes on; else **unclear**. A point fault without
    known tees looks like a branch: from the current alone nothing tells them apart.
    """
    station, current = np.asarray(station, np.float64), np.asarray(current, np.float64)
    count = len(station)
    row_line: LineCodes = np.zeros(count, np.int64)
    if line is not None:
        row_line = np.asarray(line).astype(np.int64)
    offset = np.full(count, np.nan) if offset is None else np.asarray(offset, np.float64)
    _check(station, current, row_line, offset, noise)
    codes, row = np.unique(row_line, return_inverse=True)
    read = np.flatnonzero(np.isfinite(current) & (current > 0.0))
    if direction is None:
        away = _directions(station[read], current[read], row[read], len(codes))
    else:
        away = np.asarray(direction, dtype=np.int8)
        if away.shape != codes.shape:
            raise InputError(
                f"{len(away)} directions for {len(codes)} lines.",
                where="current along a line",
                remedy="Say for each line at which end it was hooked up.",
            )
    order = read[np.lexsort((station[read] * away[row[read]], row[read]))]
    readings = np.bincount(row[order], minlength=len(codes))
    first = np.cumsum(readings) - readings
    result = _Result(len(codes), count)
    known_tees = None if tees is None else (np.asarray(tees[0]).astype(np.int64), tees[1])
    parts: list[Events] = []
    for rows in _batches(readings):
        width = int(readings[rows].max())
        column = np.arange(width)
        inside = column < readings[rows][:, np.newaxis]
        shot = order[np.minimum(first[rows][:, np.newaxis] + column, len(order) - 1)]
        batch = _Batch(
            np.where(inside, shot, -1), station[shot], np.log(current[shot]), offset[shot], inside
        )
        parts.append(_fit_batch(batch, rows, codes, away, noise, known_tees, result))
    return CurrentFit(
        codes,
        result.decay,
        result.decay_sd,
        result.start_current,
        result.noise,
        away,
        result.fitted,
        result.piece,
        result.outlier,
        join_events(parts),
    )


class _Batch(NamedTuple):
    """Lines of like length side by side (L, m): shot (-1: none), station, log current, ..."""

    shot: npt.NDArray[np.intp]
    station: FloatArray
    log_current: FloatArray
    offset: FloatArray
    inside: npt.NDArray[np.bool_]


class _Result:
    """Columns filled batch by batch."""

    def __init__(self, lines: int, shots: int) -> None:
        self.decay, self.decay_sd = np.full(lines, np.nan), np.full(lines, np.nan)
        self.start_current, self.noise = np.full(lines, np.nan), np.full(lines, np.nan)
        self.fitted = np.full(shots, np.nan)
        self.piece = np.full(shots, -1, dtype=np.int32)
        self.outlier = np.zeros(shots, dtype=bool)


def _fit_batch(
    batch: _Batch,
    rows: npt.NDArray[np.intp],
    codes: npt.NDArray[np.int64],
    away: npt.NDArray[np.int8],
    noise: float,
    tees: tuple[npt.NDArray[np.int64], FloatArray] | None,
    result: _Result,
) -> Events:
    """Cut a batch of lines, put the figures where they belong and return the events."""
    inside, count = batch.inside, batch.inside.sum(axis=1)
    low = np.where(inside, batch.station, np.inf).min(axis=1)
    high = np.where(inside, batch.station, -np.inf).max(axis=1)
    length = np.where(high > low, high - low, 1.0)
    middle, direction = 0.5 * (low + high), away[rows].astype(np.float64)
    x = direction[:, np.newaxis] * (batch.station - middle[:, np.newaxis]) / length[:, np.newaxis]
    pieces = cut_lines(x, batch.log_current, inside, noise)
    sigma = pieces.noise[:, np.newaxis]
    good = inside & (count >= LEAST_READINGS)[:, np.newaxis]
    shots = batch.shot[good]
    result.fitted[shots] = np.exp(pieces.level * sigma)[good]
    result.piece[shots] = pieces.number[good]
    result.outlier[shots] = ~pieces.weight[good]
    fitted = count >= LEAST_READINGS
    with np.errstate(divide="ignore"):
        decay_sd = pieces.noise / np.sqrt(pieces.slope_spread) / length
    result.decay[rows] = np.where(fitted, -pieces.slope * pieces.noise / length, np.nan)
    result.decay_sd[rows] = np.where(fitted, decay_sd, np.nan)
    start = np.exp(pieces.level[:, 0] * pieces.noise)
    result.start_current[rows] = np.where(fitted, start, np.nan)
    result.noise[rows] = pieces.noise
    series = Series(
        x, pieces.weight, batch.offset, pieces.noise, middle, length, direction, codes[rows]
    )
    return find_events(series, pieces, tees)


def _batches(readings: npt.NDArray[np.intp]) -> list[npt.NDArray[np.intp]]:
    """Lines with readings, those of like number together, so that padding wastes little."""
    order = np.argsort(readings, kind="stable")
    order = order[readings[order] > 0]
    batches: list[npt.NDArray[np.intp]] = []
    start = 0
    while start < len(order):
        fewest = readings[order[start]]
        widest = max(int(1.3 * fewest), int(fewest) + 4)
        end = int(np.searchsorted(readings[order], widest, side="right"))
        end = min(end, start + max(1, _CHUNK // widest))
        batches.append(order[start:end])
        start = end
    return batches


def _directions(
    station: FloatArray, current: FloatArray, row: npt.NDArray[np.intp], lines: int
) -> npt.NDArray[np.int8]:
    """1 where the current falls with the station, -1 where it grows: by ranks, so that mistyped
    readings don't turn a line round."""
    ranks = []
    for values in (station, current):
        order = np.lexsort((values, row))
        rank = np.empty(len(row))
        rank[order] = np.arange(len(row))
        count = np.maximum(np.bincount(row, minlength=lines), 1)
        ranks.append(rank - (np.bincount(row, rank, lines) / count)[row])
    total: FloatArray = np.bincount(row, ranks[0] * ranks[1], lines).astype(np.float64)
    return np.where(total > 0.0, -1, 1).astype(np.int8)


def _check(
    station: FloatArray,
    current: FloatArray,
    line: npt.NDArray[np.int64],
    offset: FloatArray,
    noise: float,
) -> None:
    where = "current along a line"
    shapes = {station.shape, current.shape, line.shape, offset.shape}
    if len(shapes) != 1 or station.ndim != 1:
        raise InputError(
            f"stations, currents, lines and offsets have shapes {sorted(shapes)}.",
            where=where,
            remedy="Give one value of each for every shot, NaN where none was read.",
        )
    if not np.all(np.isfinite(station)):
        raise InputError(
            f"shot {int(np.argmin(np.isfinite(station)))} has no station.",
            where=where,
            remedy="Measure each shot's distance along its line, or leave the shot out.",
        )
    if not noise > 0.0:
        raise InputError(
            f"the noise of a current reading is {noise:g}.",
            where=where,
            remedy="Read the current five times at one place and take its relative scatter.",
        )
