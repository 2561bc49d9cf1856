"""Between true north and grid north: vectors, covariances and bearings.

Convergence is the true bearing minus the grid bearing of a line.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def rotate_vector(east: Floats, north: Floats, convergence: Floats) -> tuple[Floats, Floats]:
    """Grid east and north of vectors in true east and north.

    Parameters
    ----------
    east, north : (n,) float64
    convergence : (n,) float64
        [rad]; its negative turns grid into true.
    """
    c, s = np.cos(convergence), np.sin(convergence)
    return c * east - s * north, s * east + c * north


def rotate_covariance(covariance: Floats, convergence: Floats) -> Floats:
    """Covariance in grid east, north, up of one in true east, north, up.

    Parameters
    ----------
    covariance : (n, 3, 3) float64
    convergence : (n,) float64
        [rad]; its negative turns grid into true.

    Returns
    -------
    covariance : (n, 3, 3) float64
    """
    c, s = np.cos(convergence), np.sin(convergence)
    turn = np.zeros((*np.shape(convergence), 3, 3))
    turn[..., 0, 0] = turn[..., 1, 1] = c
    turn[..., 0, 1], turn[..., 1, 0] = -s, s
    turn[..., 2, 2] = 1.0
    return np.asarray(turn @ covariance @ np.swapaxes(turn, -1, -2))


def grid_bearing(true_bearing: Floats, convergence: Floats) -> Floats:
    """Grid bearing in 0 to 2 pi of a true bearing [rad]."""
    return np.mod(true_bearing - convergence, 2.0 * np.pi)


def true_bearing(grid_bearing: Floats, convergence: Floats) -> Floats:
    """True bearing in 0 to 2 pi of a grid bearing [rad]."""
    return np.mod(grid_bearing + convergence, 2.0 * np.pi)
