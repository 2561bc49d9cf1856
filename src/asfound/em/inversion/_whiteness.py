"""Whether what a fit leaves is noise, where the size of the noise is not known.

Noise of neighbouring readings is independent; what a wrong model leaves is not: its residuals
run on one side over several readings. Neighbours are readings of one coil at one height next to
each other along the tape.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from asfound.em.inversion._likelihood import Kind, model_field
from asfound.em.inversion._moments import Readings
from asfound.em.inversion._orders import OrderFit

FloatArray = npt.NDArray[np.float64]

_FEWEST_PAIRS = 8


def likeness_probability(
    readings: Readings, kind: Kind, fit: OrderFit, n_parameters: int
) -> FloatArray:
    """Probability of so much likeness between neighbouring residuals by chance, (m,).

    Parameters
    ----------
    readings, kind, fit : of m sweeps
    n_parameters : int
        Fitted.

    Returns
    -------
    (m,) float64
        NaN with fewer than 8 pairs of neighbours.

    Notes
    -----
    Lag-one correlation of N residuals of p parameters: mean about -p / N, variance about 1 / N
    (Anderson 1942, for N well above p; wider for few).
    """
    model = model_field(readings, fit.place, fit.linear)
    if kind.unsigned:
        model = np.abs(model)
    m, _, k = model.shape
    used = (readings.weight > 0) & ~kind.saturated
    residual = np.where(used[:, np.newaxis], readings.value - model, 0.0)
    shape = (m, k)
    position, height = (np.broadcast_to(a, shape) for a in (readings.position, readings.height))
    vertical = np.broadcast_to(readings.vertical, shape)
    order = np.lexsort((position, height, vertical, ~used), axis=1)
    height = np.take_along_axis(height, order, axis=1)
    vertical = np.take_along_axis(vertical, order, axis=1)
    used = np.take_along_axis(used, order, axis=1)
    residual = np.take_along_axis(residual, order[:, np.newaxis], axis=2)
    pair = used[:, 1:] & used[:, :-1]
    pair &= (height[:, 1:] == height[:, :-1]) & (vertical[:, 1:] == vertical[:, :-1])
    number = pair.sum(axis=1)
    count = np.maximum(used.sum(axis=1), 1)
    product = (residual[:, :, 1:] * residual[:, :, :-1]).sum(axis=1)
    square = np.maximum((residual**2).sum(axis=(1, 2)), np.finfo(np.float64).tiny)
    correlation = (product * pair).sum(axis=1) / square * count / np.maximum(number, 1)
    expected = -n_parameters / count
    spread = np.sqrt(1.0 / np.maximum(number - n_parameters, 1))
    chance = ndtr(-(correlation - expected) / spread)
    return np.where(number >= max(_FEWEST_PAIRS, n_parameters + 3), chance, np.nan)
