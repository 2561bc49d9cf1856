"""Just the least-squares places of a given number of conductors, as fast as they can be had.

For simulation and planning, where thousands of sweeps are fitted and no choice of the number of
conductors, no outliers and no uncertainty are wanted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._bounds import bounds_of
from asfound.em.inversion._orders import Effort, OrderFit, fit_from
from asfound.em.inversion._scaling import Scaled, check_batch, scale
from asfound.em.inversion._selection import Counts, climb
from asfound.em.inversion.readings import SweepBatch

FloatArray = npt.NDArray[np.float64]

_CHUNK = 10_000  # sweeps in memory at once


@dataclass(frozen=True, eq=False)
class PlaceFits:
    """Places of C conductors under n sweeps, strongest first.

    Parameters
    ----------
    position, depth : (n, C) float64
        [m].
    current : (n, C) float64 or complex128
        [A]; in scaled readings at 1 m where the gain is unknown.
    misfit : (n,) float64
        Sum of squared residuals in noise variances (1 % of the peak where unknown).
    converged : (n,) bool
    """

    position: FloatArray
    depth: FloatArray
    current: npt.NDArray[np.float64] | npt.NDArray[np.complex128]
    misfit: FloatArray
    converged: npt.NDArray[np.bool_]


def fit_places(
    batch: SweepBatch,
    n_conductors: int,
    *,
    start: FloatArray | None = None,
    depth_range: tuple[float, float] = (0.1, 8.0),
) -> PlaceFits:
    """Least-squares places of `n_conductors` under each sweep.

    Parameters
    ----------
    batch : SweepBatch
    n_conductors : int
        1 to 4.
    start : (s, 2 C, n) float64, optional
        Starts: positions, then depths [m]; found by scanning if not given. (Signed readings
        only: magnitudes also need signs to start from.)
    depth_range : (float, float)
        Depths searched [m].

    Returns
    -------
    PlaceFits

    Raises
    ------
    InputError
        Where a sweep can't be inverted.
    """
    check_batch(batch)
    n = len(batch)
    parts = []
    for begin in range(0, n, _CHUNK):
        rows = np.arange(begin, min(begin + _CHUNK, n))
        some = batch.rows(rows)
        scaled = scale(some, background=False)
        bounds = bounds_of(some, depth_range)
        if start is None:
            used = some.used.sum(axis=1) * scaled.readings.value.shape[1]
            counts = Counts(used.astype(np.float64), scaled.distinct, scaled.known)
            ladder = climb(
                scaled.readings, scaled.kind, bounds, counts, n_conductors, Effort(), fixed=True
            )
            fit = ladder.fits[-1]
        else:
            given = start[:, :, rows].transpose(1, 0, 2)
            fit = fit_from(scaled.readings, scaled.kind, bounds, given, None, Effort())
        parts.append(_answer(fit, scaled, n_conductors))
    return PlaceFits(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def _answer(fit: OrderFit, scaled: Scaled, size: int) -> tuple[npt.NDArray[np.generic], ...]:
    linear = fit.linear[:size, 0].T
    if fit.linear.shape[1] == 2:
        linear = linear + 1j * fit.linear[:size, 1].T
    gain = np.where(np.isfinite(scaled.current), scaled.current, 1.0)
    return (
        fit.place[:size].T,
        fit.place[size:].T,
        linear * gain[:, np.newaxis],
        fit.square,
        fit.converged,
    )
