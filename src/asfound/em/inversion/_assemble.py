"""From the fits of a batch to its answer: covariances, limits, units, status."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._certainty import (
    effective_weight,
    fisher_covariance,
    noise_growth,
    profile_inflation,
)
from asfound.em.inversion._gross import IMPROBABLE
from asfound.em.inversion._likelihood import Kind
from asfound.em.inversion._moments import Readings
from asfound.em.inversion._neighbours import separation_needed, undetected
from asfound.em.inversion._orders import OrderFit
from asfound.em.inversion._scaling import ASSUMED_NOISE, SMALLEST_NOISE
from asfound.em.inversion._selection import n_parameters
from asfound.em.inversion._whiteness import likeness_probability

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

NEIGHBOUR_SHARE = 1.0 / 3.0
"""Current of the neighbour for which the separation limit is stated, of the strongest's."""

_UNKNOWN_TOO_ROUGH = 0.1  # of the peak: no receiver is so noisy, so the model is wrong
_UNKNOWN_ROUGH = 0.02  # of the peak: so noisy a receiver may be, if neighbours are not alike


class Solution(NamedTuple):
    """Answer for m sweeps with the same number C of conductors, scaled currents.

    ``covariance`` (m, 3 C, 3 C) conductor by conductor; ``neighbour`` (m, C, 2);
    ``separation`` (m,); ``variance`` (m,) of the noise in units of the assumed one;
    ``at_bound`` (m, C); ``explained`` (m,); ``p_value`` (m,) also where the noise is unknown.
    """

    covariance: FloatArray
    neighbour: FloatArray
    separation: FloatArray
    variance: FloatArray
    at_bound: BoolArray
    explained: BoolArray
    p_value: FloatArray


def solve_certainty(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    square: FloatArray,
    count: FloatArray,
    known: BoolArray,
    p_value: FloatArray,
    reach: FloatArray,
) -> Solution:
    """Uncertainty of m sweeps with the same number of conductors.

    Parameters
    ----------
    readings, kind, bounds, fit : of m sweeps
    square, count : (m,)
        Sum of squared residuals in assumed noise variances; real numbers read.
    known : (m,) bool
    p_value : (m,)
    reach : (2 C, m)
        Standard deviations needed to reach rival layouts [m].

    Returns
    -------
    Solution
    """
    size, n_parts, m = fit.place.shape[0] // 2, fit.linear.shape[1], fit.place.shape[1]
    freedom = np.maximum(count - n_parameters(size, n_parts, readings.background), 1.0)
    floor = (SMALLEST_NOISE / ASSUMED_NOISE) ** 2
    estimated = np.maximum(square / freedom, floor)
    improbable = known & (p_value < IMPROBABLE)
    # A misfit that noise does not explain enlarges the uncertainty as unknown noise would.
    variance = np.where(known & ~improbable, 1.0, estimated)
    growth = noise_growth(estimated * freedom, freedom, known & ~improbable)
    weight = effective_weight(readings, kind, fit)
    fisher = fisher_covariance(readings, fit.place, fit.linear, weight)
    covariance = fisher * growth[:, np.newaxis, np.newaxis]
    per = 2 + n_parts
    where = np.concatenate([np.arange(size) * per, np.arange(size) * per + 1])
    places = fisher[:, where[:, np.newaxis], where] * variance[:, np.newaxis, np.newaxis]
    deviation = np.sqrt(np.maximum(np.einsum("nii->ni", places), 1e-18)).T
    direction = places.transpose(1, 2, 0) / deviation
    inflation = profile_inflation(readings, kind, bounds, fit, direction, variance)
    inflation = np.maximum(inflation, reach / deviation)
    covariance = _reported(covariance, fit, inflation.T)
    hidden = undetected(readings, fit.place, fit.linear, weight, variance, count)
    neighbour = hidden.shift.reshape(m, 2, size).transpose(0, 2, 1)
    low, high = bounds.boxes(size)
    edge = (fit.place <= low + 1e-9) | (fit.place >= high - 1e-9)
    noise = np.sqrt(variance) * ASSUMED_NOISE
    too_rough = ~known & (noise > _UNKNOWN_TOO_ROUGH)
    if not known.all():
        parameters = n_parameters(size, n_parts, readings.background)
        alike = likeness_probability(readings, kind, fit, parameters)
        p_value = np.where(known, p_value, alike)
        too_rough |= ~known & (alike < IMPROBABLE) & (noise > _UNKNOWN_ROUGH)
    return Solution(
        covariance,
        neighbour,
        separation_needed(hidden.ratio, NEIGHBOUR_SHARE),
        variance,
        (edge[:size] | edge[size:]).T,
        ~(improbable | too_rough),
        p_value,
    )


def _reported(covariance: FloatArray, fit: OrderFit, inflation: FloatArray) -> FloatArray:
    """Covariance of position, depth and current (magnitude of phasors), inflated, (m, 3 C, 3 C)."""
    size, n_parts, m = fit.place.shape[0] // 2, fit.linear.shape[1], fit.place.shape[1]
    per = 2 + n_parts
    turn = np.zeros((m, 3 * size, covariance.shape[1]))
    current = fit.linear[:size]
    strength = np.sqrt((current**2).sum(axis=1))
    for c in range(size):
        # A current is as lopsided as the worse of its conductor's coordinates.
        both = np.maximum(inflation[:, c], inflation[:, size + c])
        turn[:, 3 * c, c * per] = inflation[:, c]
        turn[:, 3 * c + 1, c * per + 1] = inflation[:, size + c]
        for part in range(n_parts):
            slope = current[c, part] / strength[c] if n_parts > 1 else 1.0
            turn[:, 3 * c + 2, c * per + 2 + part] = slope * both
    return turn @ covariance @ turn.transpose(0, 2, 1)
