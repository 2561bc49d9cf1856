"""95 % regions of two-dimensional normal errors.

The radius that holds 95 % of a normal distribution with standard deviations a >= b along its
axes is a k(b/a); k runs from 1.9600 (a line) to 2.4477 (a circle, the Rayleigh value).

>>> round(float(circular_factor(np.array(1.0))), 4), round(float(circular_factor(np.array(0.0))), 4)
(2.4477, 1.96)
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from asfound.budget import _term_kernels

Floats = npt.NDArray[np.float64]

NORMAL_95 = _term_kernels.NORMAL_95
"""Half-width of a 95 % interval in standard deviations."""
RAYLEIGH_95 = _term_kernels.RAYLEIGH_95
"""Square root of the 95 % point of chi-squared with 2 degrees of freedom."""

_RATIOS = np.linspace(0.0, 1.0, 513)


@lru_cache(maxsize=1)
def factor_table() -> Floats:
    """k at axis ratios 0 to 1 in equal steps.

    With x = A cos(phi), y = q A sin(phi), A Rayleigh and phi uniform, the chance to be beyond k
    is the mean over phi of exp(-k^2 / (2 (cos^2 phi + q^2 sin^2 phi))): smooth and periodic, so
    the trapezoid rule converges fast. Newton's method finds k for 5 %.
    """
    phi = (np.arange(720) + 0.5) * (np.pi / 2 / 720)
    spread = np.cos(phi) ** 2 + _RATIOS[:, None] ** 2 * np.sin(phi) ** 2
    factor = NORMAL_95 + (RAYLEIGH_95 - NORMAL_95) * _RATIOS**2
    for _ in range(12):
        tail = np.exp(-(factor[:, None] ** 2) / (2 * spread))
        excess = tail.mean(axis=1) - 0.05
        slope = -(factor[:, None] / spread * tail).mean(axis=1)
        factor = factor - excess / slope
    return factor


def circular_factor(ratio: Floats) -> Floats:
    """Radius of the 95 % circle over the larger standard deviation, within 1e-6.

    Parameters
    ----------
    ratio : (n,) float64
        Smaller over larger standard deviation, 0 to 1.
    """
    return np.asarray(np.interp(ratio, _RATIOS, factor_table()))


def principal_axes(
    east_east: Floats, north_north: Floats, east_north: Floats
) -> tuple[Floats, Floats, Floats]:
    """Standard deviations along the axes of 2x2 covariances.

    Returns
    -------
    major, minor : (n,) float64
        [m], major >= minor >= 0.
    bearing : (n,) float64
        Of the major axis, clockwise from grid north, -pi/2 to pi/2 [rad].
    """
    mean = 0.5 * (east_east + north_north)
    half = 0.5 * (north_north - east_east)
    radius = np.hypot(half, east_north)
    major = np.sqrt(np.maximum(mean + radius, 0.0))
    minor = np.sqrt(np.maximum(mean - radius, 0.0))
    return major, minor, 0.5 * np.arctan2(east_north, half)
