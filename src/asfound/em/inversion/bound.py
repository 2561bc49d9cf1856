"""The best any method can do with a sweep: the Cramér-Rao bound, before a reading is taken.

Worked example: 100 mA at 0 m, 1.2 m deep, and -35 mA at 0.8 m, 1.0 m deep; 61 positions, both
coils, two heights, noise 1 % of the peak.

>>> import numpy as np
>>> place = np.linspace(-3, 3, 61)
>>> bound = sweep_bound(
...     np.array([0.0, 0.8]),
...     np.array([1.2, 1.0]),
...     np.array([0.100, -0.035]),
...     np.tile(place, 4),
...     np.repeat([0.05, 0.45, 0.05, 0.45], 61),
...     np.repeat([0, 0, 1, 1], 61),
...     relative_noise=0.01,
... )
>>> np.round(bound.position_sd, 4), np.round(bound.depth_sd, 4), np.round(1e3 * bound.current_sd, 2)
(array([0.0245, 0.0405]), array([0.0082, 0.0327]), array([5.27, 5.15]))
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.em.inversion._certainty import fisher_covariance
from asfound.em.inversion._likelihood import model_field
from asfound.em.inversion._moments import Readings

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SweepBound:
    """Smallest standard deviations of unbiased estimates, for n layouts of C conductors.

    Parameters
    ----------
    position_sd, depth_sd : (..., C) float64
        [m].
    current_sd : (..., C) float64
        [A], if the gain is known.
    covariance : (..., 3 C, 3 C) float64
        Position, depth, current of the first conductor, then of the next.
    """

    position_sd: FloatArray
    depth_sd: FloatArray
    current_sd: FloatArray
    covariance: FloatArray


def sweep_bound(
    position: FloatArray,
    depth: FloatArray,
    current: FloatArray,
    reading_position: FloatArray,
    coil_height: FloatArray,
    coil: npt.NDArray[np.integer],
    *,
    relative_noise: float = 0.01,
    noise_floor: float = 0.0,
) -> SweepBound:
    """Bound for signed readings of assumed layouts.

    Parameters
    ----------
    position, depth : (..., C) float64
        Of the conductors [m].
    current : (..., C) float64
        [A].
    reading_position, coil_height, coil : (k,)
        Of the readings; `coil` 0 horizontal, 1 vertical.
    relative_noise : float
        Standard deviation of a reading as a share of the sweep's peak.
    noise_floor : float
        Further standard deviation, in quadrature [T].

    Returns
    -------
    SweepBound

    Notes
    -----
    Inverse of the Fisher information J'J / variance, J the derivatives of the readings by all
    positions, depths and currents. Source: Cramér (1946), Rao (1945).
    """
    position, depth, current = np.broadcast_arrays(position, depth, current)
    shape, size = position.shape[:-1], position.shape[-1]
    place = np.concatenate([position.reshape(-1, size).T, depth.reshape(-1, size).T])
    # Currents in field at 1 m, as the scaled readings have them.
    linear = LINE_FIELD_CONSTANT * current.reshape(-1, size).T[:, np.newaxis]
    n, k = place.shape[1], len(reading_position)
    readings = Readings(
        np.asarray(reading_position, dtype=np.float64)[np.newaxis],
        np.asarray(coil_height, dtype=np.float64)[np.newaxis],
        (np.asarray(coil) == 1)[np.newaxis],
        np.zeros((n, 1, k)),
        np.ones((n, k)),
        background=False,
    )
    field = model_field(readings, place, linear)[:, 0]
    peak = np.abs(field).max(axis=1)
    # Scaled to the peak, so that the matrices are well conditioned.
    variance = relative_noise**2 + (noise_floor / peak) ** 2
    weight = np.broadcast_to(1.0 / variance[:, np.newaxis], (n, k))
    covariance = fisher_covariance(readings, place, linear / peak, weight)
    turn = np.ones(3 * size)
    turn[2::3] = 1.0 / LINE_FIELD_CONSTANT
    scale = np.where(np.arange(3 * size) % 3 == 2, peak[:, np.newaxis], 1.0) * turn
    covariance = covariance * scale[:, :, np.newaxis] * scale[:, np.newaxis]
    deviation = np.sqrt(np.einsum("nii->ni", covariance))
    return SweepBound(
        deviation[:, 0::3].reshape(*shape, size),
        deviation[:, 1::3].reshape(*shape, size),
        deviation[:, 2::3].reshape(*shape, size),
        covariance.reshape(*shape, 3 * size, 3 * size),
    )
