"""Grossly wrong readings: found by a fit that resists them, left out, and counted.

A sweep whose misfit is improbable, or with one reading far off, is fitted again with Student's t
in place of the normal, over all numbers of conductors. Readings far from that fit are left out
and the sweep is fitted as if they had not been taken. Each reading left out costs nearly as much
evidence as a conductor: one odd reading is an error, but two neighbouring odd readings make a
shallow conductor rather than two errors. No more than a share of the readings may be left out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._gross import FAR, IMPROBABLE, LARGEST_SHARE, residual_square
from asfound.em.inversion._likelihood import Kind
from asfound.em.inversion._moments import Readings, columns
from asfound.em.inversion._orders import Effort, OrderFit
from asfound.em.inversion._scaling import ASSUMED_NOISE, SMALLEST_NOISE
from asfound.em.inversion._selection import Counts, Ladder, climb

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

COST = 12.0  # of misfit for each reading left out: a little less than for a conductor
LONELY = 0.6  # a conductor that shows so much of itself in one reading may be an error


class Cleaned(NamedTuple):
    """Sweeps with readings left out: ``ladder``; ``left_out`` (n, k); ``accepted`` (n,)."""

    ladder: Ladder
    left_out: BoolArray
    accepted: BoolArray


def spread(square: FloatArray, used: BoolArray, freedom_lost: FloatArray) -> FloatArray:
    """Robust noise variance, (n,), in units of the assumed one: from the median residual."""
    middle = np.nanmedian(np.where(used, square, np.nan), axis=1) / 0.4549364231195724
    count = np.maximum(used.sum(axis=1), 1)
    floor = (SMALLEST_NOISE / ASSUMED_NOISE) ** 2
    result: FloatArray = np.maximum(middle * count / np.maximum(count - freedom_lost, 1), floor)
    return result


def lonely(readings: Readings, fit: OrderFit) -> BoolArray:
    """Sweeps in which one of several conductors shows itself in one reading only, (n,)."""
    size = fit.place.shape[0] // 2
    if size == 1:
        return np.zeros(fit.place.shape[1], dtype=bool)
    bare = readings._replace(background=False)
    fields = columns(bare, fit.place, order=0) ** 2 * readings.weight[:, np.newaxis]
    share = fields.max(axis=2) / np.maximum(fields.sum(axis=2), np.finfo(np.float64).tiny)
    result: BoolArray = (share > LONELY).any(axis=1)
    return result


def suspicious(
    square: FloatArray, weight: FloatArray, p_value: FloatArray, known: BoolArray, lost: FloatArray
) -> BoolArray:
    """Sweeps in which some reading may be grossly wrong, (n,)."""
    used = weight > 0
    variance = np.where(known, 1.0, spread(square, used, lost))
    far = (square > FAR**2 * variance[:, np.newaxis]).any(axis=1)
    return far | (known & (p_value < IMPROBABLE))


def clean(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    counts: Counts,
    most: int,
    plain: Ladder,
    effort: Effort,
    *,
    fixed: bool = False,
) -> Cleaned:
    """Fit sweeps again with their gross errors left out.

    Parameters
    ----------
    readings, kind, bounds, counts : of n suspicious sweeps
    most : int
    plain : Ladder
        Fits with all readings.
    effort : Effort
    fixed : bool
        Keep to `most` conductors.

    Returns
    -------
    Cleaned
    """
    n, n_parts, _ = readings.value.shape
    used = readings.weight > 0
    columns = np.arange(n)
    variance = np.ones(n)
    robust = kind._replace(robust=True)
    square = np.zeros(used.shape)
    for _ in range(2):
        scaled = readings._replace(weight=readings.weight / variance[:, np.newaxis])
        settled = counts._replace(known=np.ones(n, dtype=bool))
        ladder = climb(scaled, robust, bounds, settled, most, effort, fixed=fixed)
        square = _at_order(readings, kind, ladder)
        if counts.known.all():
            break
        lost = (2.0 + n_parts) * ladder.order
        variance = np.where(counts.known, 1.0, spread(square, used, lost))
    left_out = square > FAR**2 * variance[:, np.newaxis]
    ladder, fewer = plain, counts
    for _ in range(3):
        fewer = counts._replace(
            readings=counts.readings - n_parts * left_out.sum(axis=1),
            distinct=counts.distinct - left_out.sum(axis=1),
        )
        kept = readings._replace(weight=np.where(left_out, 0.0, readings.weight))
        ladder = climb(kept, kind, bounds, fewer, most, effort, fixed=fixed)
        square = _at_order(readings, kind, ladder)
        lost = (2.0 + n_parts) * ladder.order
        variance = np.where(counts.known, 1.0, spread(square, used & ~left_out, lost))
        again = square > FAR**2 * variance[:, np.newaxis]
        if np.array_equal(again, left_out):
            break
        left_out = again
    number = left_out.sum(axis=1)
    few = number <= np.maximum(1, np.floor(LARGEST_SHARE * used.sum(axis=1)))
    before = plain.evidence[columns, plain.order - 1]
    after = ladder.evidence[columns, ladder.order - 1] - 0.5 * COST * number
    return Cleaned(ladder, left_out, few & (after > before))


def _at_order(readings: Readings, kind: Kind, ladder: Ladder) -> FloatArray:
    """Squared residuals of all readings under the best order, (n, k)."""
    square = np.zeros(readings.weight.shape)
    for size in np.unique(ladder.order):
        rows = np.flatnonzero(ladder.order == size)
        square[rows] = residual_square(readings, kind, ladder.fits[size - 1], rows)
    return square
