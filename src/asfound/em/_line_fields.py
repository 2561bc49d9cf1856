"""Field of infinite straight conductors, with its derivatives.

A conductor runs along the line; ``u`` is how far the coil stands across it (coil position minus
conductor position), ``z`` how far it stands above it (depth plus coil height), r² = u² + z²:

    Bx =  K I z / r²    horizontal coil, its axis across the line: the "peak" coil
    Bz = -K I u / r²    vertical coil: the "null" coil                   K = mu0 / 2 pi

Both are one complex number, Bx + i Bz = K I / w with w = z + i u, which makes every derivative a
power of 1/w. Source: Biot-Savart for a long straight wire.

All functions are elementwise and broadcast, so sweeps, readings and conductors may be any axes:

>>> import numpy as np
>>> position = np.array([-1.0, 0.0, 1.0])
>>> across = position[:, np.newaxis] - np.array([0.0, 0.8])  # readings, conductors
>>> above = np.array([1.2, 1.0]) + 0.05
>>> peak, null = field_per_ampere(across, above)
>>> np.round(1e9 * peak @ np.array([0.100, -0.035]), 3)  # nT
array([ 8.064, 11.782,  3.323])
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LINE_FIELD_CONSTANT = 2.0e-7
"""mu0 / 2 pi [T m / A]. CODATA 2022 says 2.000 000 000 3e-7; the last figure moves no reading."""


class FieldGradient(NamedTuple):
    """Field per ampere of a conductor and its derivatives by the conductor's place.

    Each member has the broadcast shape of the arguments. Units: `peak`, `null` T/A; the
    others T/(A m). ``by_position`` moves the conductor, not the coil.
    """

    peak: FloatArray
    null: FloatArray
    peak_by_position: FloatArray
    peak_by_depth: FloatArray
    null_by_position: FloatArray
    null_by_depth: FloatArray


def field_per_ampere(across: FloatArray, above: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Field of a long straight conductor carrying 1 A, at the horizontal and vertical coil.

    Parameters
    ----------
    across : (...) float64
        Coil position minus conductor position, u [m].
    above : (...) float64
        Coil above the conductor's centre, z = depth + coil height [m]; broadcasts with `across`.

    Returns
    -------
    peak, null : (...) float64
        K z / r² and -K u / r² [T/A]. Infinite or NaN on the conductor itself.
    """
    scale = LINE_FIELD_CONSTANT / (across * across + above * above)
    return above * scale, -across * scale


def field_gradient(across: FloatArray, above: FloatArray) -> FieldGradient:
    """Field per ampere and its derivatives by the conductor's position and depth.

    Parameters
    ----------
    across, above : (...) float64
        As in `field_per_ampere` [m].

    Returns
    -------
    FieldGradient
        With 1/w² = (z² - u² - 2 i u z) / r⁴: d(Bx + i Bz)/d position = i K / w² and
        d(Bx + i Bz)/d depth = -K / w². So there are only two different derivatives:
        ``peak_by_position`` = ``null_by_depth`` and ``null_by_position`` = -``peak_by_depth``.
    """
    inverse = 1.0 / (across * across + above * above)
    scale = LINE_FIELD_CONSTANT * inverse
    peak = above * scale
    null = -across * scale
    slope = 2.0 * across * peak * inverse
    curve = (above * above - across * across) * scale * inverse
    return FieldGradient(peak, null, slope, -curve, curve, slope)


def coil_field(across: FloatArray, above: FloatArray, vertical: BoolArray) -> FloatArray:
    """Field per ampere in the coil that took each reading.

    Parameters
    ----------
    across, above : (...) float64
        As in `field_per_ampere` [m].
    vertical : (...) bool
        True where the reading is of the vertical (null) coil; broadcasts with the others.

    Returns
    -------
    field : (...) float64
        [T/A].
    """
    numerator = np.where(vertical, -across, above)
    return LINE_FIELD_CONSTANT * numerator / (across * across + above * above)


def coil_field_gradient(
    across: FloatArray, above: FloatArray, vertical: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Field per ampere in the coil that took each reading, and its derivatives.

    Parameters
    ----------
    across, above, vertical : (...)
        As in `coil_field`.

    Returns
    -------
    field, by_position, by_depth : (...) float64
        [T/A], [T/(A m)], [T/(A m)]; the derivatives are by the conductor's position and depth.
    """
    gradient = field_gradient(across, above)
    return (
        np.where(vertical, gradient.null, gradient.peak),
        np.where(vertical, gradient.null_by_position, gradient.peak_by_position),
        np.where(vertical, gradient.null_by_depth, gradient.peak_by_depth),
    )
