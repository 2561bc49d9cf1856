"""Telling a few grossly wrong readings from a model that does not fit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._levenberg import minimise
from asfound.em.inversion._likelihood import IteratedSquares, Kind, misfit, model_field
from asfound.em.inversion._moments import Readings
from asfound.em.inversion._orders import OrderFit

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FAR = 4.5  # standard deviations; 244 normal readings have one so far once in 600 sweeps
LARGEST_SHARE = 0.15  # of a sweep's readings that may be grossly wrong
IMPROBABLE = 1e-3  # probability of a misfit that noise does not explain
_HOPELESS = 1e-6


def residual_square(
    readings: Readings, kind: Kind, fit: OrderFit, rows: npt.NDArray[np.intp] | None = None
) -> FloatArray:
    """Squared residuals in noise variances, (n, k); magnitudes against magnitudes."""
    if rows is not None:
        readings, kind, fit = readings.rows(rows), kind.rows(rows), fit.rows(rows)
    model = model_field(readings, fit.place, fit.linear)
    if kind.unsigned:
        model = np.abs(model)
    return misfit(readings, kind._replace(unsigned=False, robust=False), model)


def near_square(square: FloatArray, readings: Readings) -> tuple[FloatArray, FloatArray]:
    """Sum of squared residuals without the far ones, and how many are far, (n,) both."""
    far = square > FAR**2
    number = far.sum(axis=1) * float(readings.value.shape[1])
    return np.where(far, 0.0, square).sum(axis=1), number


def errors_suspected(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    chance: FloatArray,
    freedom: FloatArray,
) -> BoolArray:
    """Sweeps with a hopeless misfit that a few gross errors would explain, (n,).

    Parameters
    ----------
    readings, kind, bounds, fit : of n sweeps
    chance, freedom : (n,) float64
        Probability of the misfit, and its degrees of freedom.

    Returns
    -------
    (n,) bool
        A fit that resists gross errors, from the same places, leaves few readings far off and
        the others as near as noise.
    """
    found = np.zeros(len(chance), dtype=bool)
    square = residual_square(readings, kind, fit)
    rows = np.flatnonzero((chance < _HOPELESS) & (square > FAR**2).any(axis=1))
    if kind.robust or not len(rows):
        return found
    part, robust = readings.rows(rows), kind.rows(rows)._replace(robust=True)
    low, high = bounds.rows(rows).boxes(fit.place.shape[0] // 2)
    calm = minimise(
        IteratedSquares(part, robust),
        fit.place[:, rows],
        low,
        high,
        linear=fit.linear[..., rows],
        max_iterations=15,
        tolerance=0.1,
    )
    settled = OrderFit(calm.place, calm.linear, calm.square, calm.converged)
    near, number = near_square(residual_square(part, kind.rows(rows), settled), part)
    few = number <= np.maximum(1.0, LARGEST_SHARE * (part.weight > 0).sum(axis=1))
    left = np.maximum(freedom[rows] - number, 1.0)
    found[rows] = few & (chdtrc(left, near) > IMPROBABLE)
    return found
