"""Inversion of sweeps: readings in, conductors out.

>>> import numpy as np
>>> position = np.round(np.arange(-2.0, 2.01, 0.5), 2)  # nine readings typed from a tape
>>> shown = np.array([16.6, 22.8, 32.5, 48.0, 70.9, 94.6, 97.5, 76.1, 52.1])  # percent
>>> sweep = SweepReadings(position, 0.05, np.zeros(9), shown, "percent", relative_noise=0.01)
>>> fit = invert_sweep(sweep)
>>> [(round(c.position, 1), round(c.depth, 1)) for c in fit.conductors]
[(0.8, 1.2)]
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._answer import Answer
from asfound.em.inversion._assemble import solve_certainty
from asfound.em.inversion._bounds import Bounds, bounds_of
from asfound.em.inversion._gross import residual_square
from asfound.em.inversion._levenberg import merged
from asfound.em.inversion._likelihood import Kind
from asfound.em.inversion._modes import explore
from asfound.em.inversion._moments import Readings
from asfound.em.inversion._orders import Effort
from asfound.em.inversion._outliers import clean, lonely, suspicious
from asfound.em.inversion._scaling import as_error, count_distinct, faults, scale
from asfound.em.inversion._selection import (
    NEAR,
    Counts,
    Ladder,
    climb,
    n_parameters,
)
from asfound.em.inversion.fits import MOST_CONDUCTORS, SweepFit, SweepFits, SweepStatus
from asfound.em.inversion.readings import SweepBatch, SweepReadings, stack_sweeps
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_CHUNK = 2048  # sweeps in memory at once
PLAIN_TO_SEE = 1500.0  # noise variances of misfit that a conductor beyond doubt explains


def invert_sweep(
    readings: SweepReadings,
    *,
    max_conductors: int = MOST_CONDUCTORS,
    background: bool = False,
    depth_range: tuple[float, float] = (0.1, 8.0),
) -> SweepFit:
    """Conductors under one sweep.

    Parameters
    ----------
    readings : SweepReadings
    max_conductors : int
        1 to 4.
    background : bool
        Fit a uniform background field too (one for each coil).
    depth_range : (float, float)
        Depths searched [m].

    Returns
    -------
    SweepFit

    Raises
    ------
    InputError
        Where the readings can't be inverted; the remedy says what to measure next.
    """
    fits = invert_sweeps(
        [readings],
        max_conductors=max_conductors,
        background=background,
        depth_range=depth_range,
    )
    if fits.status[0] == SweepStatus.UNUSABLE:
        raise as_error(fits.reason[0], readings.name or "sweep")
    return fits.fit(0)


def invert_sweeps(
    sweeps: SweepBatch | Sequence[SweepReadings],
    *,
    max_conductors: int = MOST_CONDUCTORS,
    n_conductors: int | None = None,
    background: bool = False,
    depth_range: tuple[float, float] = (0.1, 8.0),
) -> SweepFits:
    """Conductors under many sweeps.

    One bad sweep does not spoil the rest: it gets status `SweepStatus.UNUSABLE` and a reason.

    Parameters
    ----------
    sweeps : SweepBatch or sequence of n SweepReadings
        Sweeps that share their sampling, and have both coils at each place, are fastest.
    max_conductors : int
        1 to 4.
    n_conductors : int, optional
        Fit just so many, without choosing by evidence.
    background : bool
        Fit a uniform background field too (one for each coil).
    depth_range : (float, float)
        Depths searched [m].

    Returns
    -------
    SweepFits

    Raises
    ------
    InputError
        Where an argument can't be right for any sweep.
    """
    most = max_conductors if n_conductors is None else n_conductors
    if not 1 <= most <= MOST_CONDUCTORS:
        raise InputError(
            f"{most} conductors asked for",
            where="invert_sweeps",
            remedy=f"A sweep is fitted with 1 to {MOST_CONDUCTORS}.",
        )
    if not 0 < depth_range[0] < depth_range[1]:
        raise InputError(
            f"depths searched from {depth_range[0]} to {depth_range[1]} m",
            where="invert_sweeps",
            remedy="Give the shallowest, then the deepest, in metres, both above 0.",
        )
    if isinstance(sweeps, SweepBatch):
        groups = [(np.arange(len(sweeps)), sweeps)]
    else:
        groups = stack_sweeps(sweeps)
    n = sum(len(rows) for rows, _ in groups)
    answer = Answer(n, phasor=any(batch.phasor for _, batch in groups))
    outlier: list[npt.NDArray[np.bool_]] = [np.zeros(0, dtype=bool)] * n
    reason = [""] * n
    for rows, batch in groups:
        for start in range(0, len(rows), _CHUNK):
            part = np.arange(start, min(start + _CHUNK, len(rows)))
            some = batch.rows(part)
            said = faults(some)
            good = np.flatnonzero([not s for s in said])
            for i, s in enumerate(said):
                reason[rows[part[i]]] = s
                outlier[rows[part[i]]] = np.zeros(int(some.used[i].sum()), dtype=bool)
            if len(good):
                usable = some.rows(good)
                left_out = _invert(
                    usable, rows[part[good]], answer, most, n_conductors, background, depth_range
                )
                for i, row in enumerate(rows[part[good]]):
                    outlier[row] = left_out[i][usable.used[i]]
    return answer.finish(outlier, reason)


def _invert(
    batch: SweepBatch,
    rows: IntArray,
    answer: Answer,
    most: int,
    n_conductors: int | None,
    background: bool,
    depth_range: tuple[float, float],
) -> npt.NDArray[np.bool_]:
    """Invert usable sweeps into `rows` of the answer; returns the readings left out, (m, k)."""
    scaled = scale(batch, background=background)
    readings, kind = scaled.readings, scaled.kind
    bounds = bounds_of(batch, depth_range)
    n_parts = readings.value.shape[1]
    counts = Counts((batch.used.sum(axis=1) * n_parts).astype(float), scaled.distinct, scaled.known)
    effort = Effort()
    fixed = n_conductors is not None
    ladder = climb(readings, kind, bounds, counts, most, effort, fixed=fixed)
    left_out = np.zeros(batch.used.shape, dtype=bool)
    doubtful = _doubtful(readings, kind, ladder, counts)
    if len(doubtful):
        cleaned = clean(
            readings.rows(doubtful),
            kind.rows(doubtful),
            bounds.rows(doubtful),
            counts.rows(doubtful),
            most,
            _ladder_rows(ladder, doubtful),
            effort,
            fixed=fixed,
        )
        take = np.flatnonzero(cleaned.accepted)
        where = doubtful[take]
        left_out[where] = cleaned.left_out[take]
        _put_ladder(ladder, _ladder_rows(cleaned.ladder, take), where)
        readings = readings._replace(weight=np.where(left_out, 0.0, readings.weight))
        counts = counts._replace(readings=counts.readings - n_parts * left_out.sum(axis=1))
    answer.evidence[rows[:, np.newaxis], np.arange(most)] = ladder.evidence
    answer.n_conductors[rows] = ladder.order
    answer.noise_known[rows] = scaled.known
    answer.gain_known[rows] = np.isfinite(scaled.current)
    answer.sampled[rows] = _sampled(batch, left_out, scaled.distinct)
    for size in np.unique(ladder.order):
        which = np.flatnonzero(ladder.order == size)
        reach = _rivals(readings, kind, bounds, ladder, size, which, counts)
        fit = ladder.fits[size - 1].rows(which)
        solution = solve_certainty(
            readings.rows(which),
            kind.rows(which),
            bounds.rows(which),
            fit,
            ladder.square[which, size - 1],
            counts.readings[which],
            scaled.known[which],
            ladder.p_value[which, size - 1],
            reach,
        )
        answer.report(rows[which], fit, solution, scaled, which, batch)
    return left_out


def _doubtful(readings: Readings, kind: Kind, ladder: Ladder, counts: Counts) -> IntArray:
    """Sweeps whose best fit leaves a reading far off, or is improbable as a whole."""
    n_parts = readings.value.shape[1]
    everyone = np.arange(len(ladder.order))
    square = np.zeros(readings.weight.shape)
    alone = np.zeros(len(everyone), dtype=bool)
    for size in np.unique(ladder.order):
        which = np.flatnonzero(ladder.order == size)
        square[which] = residual_square(readings, kind, ladder.fits[size - 1], which)
        alone[which] = lonely(readings.rows(which), ladder.fits[size - 1].rows(which))
    chance = ladder.p_value[everyone, ladder.order - 1]
    lost = (2.0 + n_parts) * ladder.order
    found = suspicious(square, readings.weight, chance, counts.known, lost)
    return np.flatnonzero(found | alone)


def _rivals(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    ladder: Ladder,
    size: int,
    which: IntArray,
    counts: Counts,
) -> FloatArray:
    """Reach of rival layouts (2 C, m) for sweeps whose last conductor is only just seen."""
    reach = np.zeros((2 * size, len(which)))
    if size == 1:
        return reach
    n_parts = readings.value.shape[1]
    freedom = counts.readings[which] - n_parameters(size, n_parts, readings.background)
    estimated = ladder.square[which, size - 1] / np.maximum(freedom, 1.0)
    variance = np.where(counts.known[which], 1.0, np.maximum(estimated, 1e-6))
    gained = (ladder.square[which, size - 2] - ladder.square[which, size - 1]) / variance
    near = merged(ladder.fits[size - 1].place[:, which], NEAR)
    weak = np.flatnonzero(~(gained > PLAIN_TO_SEE) | near)
    if len(weak):
        rows = which[weak]
        fit, found = explore(
            readings.rows(rows),
            kind.rows(rows),
            bounds.rows(rows),
            ladder.fits[size - 1].rows(rows),
            ladder.fits[size - 2].rows(rows),
            variance[weak],
        )
        for to, values in zip(ladder.fits[size - 1], fit, strict=True):
            to[..., rows] = values
        part = residual_square(readings, kind, ladder.fits[size - 1], rows).sum(axis=1)
        ladder.square[rows, size - 1] = part
        reach[:, weak] = found
    return reach


def _ladder_rows(ladder: Ladder, rows: IntArray) -> Ladder:
    return Ladder(
        [fit.rows(rows) for fit in ladder.fits],
        ladder.square[rows],
        ladder.evidence[rows],
        ladder.order[rows],
        ladder.p_value[rows],
    )


def _put_ladder(whole: Ladder, part: Ladder, rows: IntArray) -> None:
    for fit, new in zip(whole.fits, part.fits, strict=True):
        for to, values in zip(fit, new, strict=True):
            to[..., rows] = values
    whole.square[rows] = part.square
    whole.evidence[rows] = part.evidence
    whole.order[rows] = part.order
    whole.p_value[rows] = part.p_value


def _sampled(batch: SweepBatch, left_out: npt.NDArray[np.bool_], distinct: IntArray) -> FloatArray:
    """What the words need to know of the readings; see `SweepFits.sampled`."""
    used = batch.used & ~batch.saturated & ~left_out
    shape = used.shape
    vertical = np.broadcast_to(batch.coil, shape) == 1
    heights = count_distinct(np.broadcast_to(batch.coil_height, shape), used)
    number = used.sum(axis=1)
    usable = (batch.used & ~batch.saturated).sum(axis=1)
    share = (used & vertical).sum(axis=1) / np.maximum(number, 1)
    return np.stack([number, heights, share, usable - distinct], axis=1)
