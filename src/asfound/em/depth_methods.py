"""Depth of one long conductor by the methods of the trade, each with its variance and validity.

All of them assume a single conductor. With a neighbour they still give a number, a wrong one:
see `receiver` and `distortion`.

>>> import numpy as np
>>> z = 1.2 + np.array([0.05, 0.45])  # conductor 1.2 m deep under both coils
>>> estimate = two_coil_depth(1 / z[:1], 1 / z[1:], bottom_sd=0.01 / z[:1], top_sd=0.01 / z[1:])
>>> float(round(estimate.depth[0], 9)), float(round(estimate.variance[0] ** 0.5, 4))
(1.2, 0.0729)
>>> two_coil_depth(np.array([2.0]), np.array([2.5])).reason
array([3], dtype=int8)
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
FloatLike = FloatArray | float

COIL_SEPARATION = 0.4
BOTTOM_HEIGHT = 0.05
"""Usual coil distance and lower coil above ground [m]; common practice, no source."""
RELATIVE_COIL_NOISE = 0.01
"""Of one coil's reading over a steady signal; common practice, no source."""


class DepthReason(IntEnum):
    """Why a depth is, or is not, there."""

    VALID = 0
    MISSING = 1
    NOT_POSITIVE = 2
    NO_DECREASE = 3
    ABOVE_GROUND = 4
    DROWNED = 5

    @property
    def sentence(self) -> str:
        """In plain words, with what to measure next."""
        return _SENTENCES[self]


_SENTENCES = {
    DepthReason.VALID: "The depth holds if one conductor makes the field.",
    DepthReason.MISSING: "A reading is missing; take it again.",
    DepthReason.NOT_POSITIVE: "A reading or distance is zero or negative; take it again.",
    DepthReason.NO_DECREASE: (
        "The upper coil reads no less than the lower one: the field does not come from a line "
        "below; look for an overhead or nearby source and measure at another place."
    ),
    DepthReason.ABOVE_GROUND: (
        "The method puts the conductor above ground: too near, or not one long line; raise the "
        "receiver by a known height and measure again."
    ),
    DepthReason.DROWNED: (
        "The difference between the coils is within the noise; raise the signal or lower the "
        "frequency's losses and measure again."
    ),
}


class DepthEstimate(NamedTuple):
    """Depths (n,) below ground to the centre [m], variances [m2], `DepthReason` codes int8.

    Depth and variance are NaN wherever the reason is not `DepthReason.VALID`.
    """

    depth: FloatArray
    variance: FloatArray
    reason: npt.NDArray[np.int8]


def two_coil_depth(
    bottom: FloatLike,
    top: FloatLike,
    separation: float = COIL_SEPARATION,
    bottom_height: float = BOTTOM_HEIGHT,
    *,
    bottom_sd: FloatLike = 0.0,
    top_sd: FloatLike = 0.0,
) -> DepthEstimate:
    """Depth from the readings of two horizontal coils, one above the other, at the peak.

    Parameters
    ----------
    bottom, top : (n,) float64
        Sizes of the field at the lower and the upper coil; any unit, any common gain.
    separation, bottom_height : float
        Coil distance and lower coil above ground [m].
    bottom_sd, top_sd : (n,) float64
        Noise of the readings, in their unit.

    Returns
    -------
    DepthEstimate
        Not valid where a reading is missing or not above zero, where the upper coil reads no less
        than the lower, where their difference is less than two of its standard deviations, or
        where the depth is not below ground.

    Raises
    ------
    InputError
        If the coils are not apart.

    Notes
    -----
    B (d + h) is the same at both heights over one line, so d = s Bt / (Bb - Bt) - h. First order:
    var d = s² (Bb² var Bt + Bt² var Bb) / (Bb - Bt)⁴. Source: Biot-Savart, long wire.
    """
    _check_separation(separation)
    bottom, top, bottom_sd, top_sd = _arrays(bottom, top, bottom_sd, top_sd)
    fall = bottom - top
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        depth = separation * top / fall - bottom_height
        variance = (
            separation**2 * ((bottom * top_sd) ** 2 + (top * bottom_sd) ** 2) / np.square(fall) ** 2
        )
    return _checked(
        depth,
        variance,
        (DepthReason.MISSING, np.isnan(bottom) | np.isnan(top)),
        (DepthReason.NOT_POSITIVE, (bottom <= 0.0) | (top <= 0.0)),
        (DepthReason.NO_DECREASE, fall <= 0.0),
        (DepthReason.DROWNED, fall < 2.0 * np.hypot(bottom_sd, top_sd)),
        (DepthReason.ABOVE_GROUND, depth <= 0.0),
    )


def two_coil_depth_sd(
    depth: FloatLike,
    separation: float = COIL_SEPARATION,
    bottom_height: float = BOTTOM_HEIGHT,
    relative_noise: FloatLike = RELATIVE_COIL_NOISE,
) -> FloatArray:
    """Standard deviation of a two-coil depth when both coils carry the same relative noise.

    Parameters
    ----------
    depth : (n,) float64
        Ground to the conductor's centre [m].
    separation, bottom_height : float
        Coil distance and lower coil above ground [m].
    relative_noise : float or (n,) float64
        Standard deviation of one coil's reading over the reading, coils independent.

    Returns
    -------
    sd : (n,) float64
        sqrt(2) noise z (z + s) / s with z = depth + h [m]: it grows with the square of depth.

    Raises
    ------
    InputError
        If the coils are not apart.
    """
    _check_separation(separation)
    z = np.asarray(depth, dtype=np.float64) + bottom_height
    return np.asarray(np.sqrt(2.0) * relative_noise * z * (z + separation) / separation)


def null_at_45_depth(
    distance: FloatLike,
    coil_height: float = BOTTOM_HEIGHT,
    *,
    distance_sd: FloatLike = 0.0,
    angle_sd: FloatLike = 0.0,
) -> DepthEstimate:
    """Depth from the distance between the line and the place where a coil tilted 45° goes null.

    Parameters
    ----------
    distance : (n,) float64
        From the mark over the line to the 45° null, square to the line; or half of the distance
        between the nulls to either side [m].
    coil_height : float
        Coil's centre above ground [m].
    distance_sd : (n,) float64
        [m].
    angle_sd : (n,) float64
        Error of the 45° [rad].

    Returns
    -------
    DepthEstimate

    Notes
    -----
    The field circles the line: at u = z it stands at 45°, so d = u - h. A coil at 45° + e goes
    null at u = z tan(45° + e), so var d = var u + (2 u)² var e.
    """
    distance, distance_sd, angle_sd = _arrays(distance, distance_sd, angle_sd)
    depth = distance - coil_height
    return _checked(
        depth,
        distance_sd**2 + (2.0 * distance * angle_sd) ** 2,
        (DepthReason.MISSING, np.isnan(distance)),
        (DepthReason.NOT_POSITIVE, distance <= 0.0),
        (DepthReason.ABOVE_GROUND, depth <= 0.0),
    )


def width_depth(
    width: FloatLike,
    fraction: float = 0.5,
    coil_height: float = BOTTOM_HEIGHT,
    *,
    width_sd: FloatLike = 0.0,
    fraction_sd: FloatLike = 0.0,
) -> DepthEstimate:
    """Depth from how wide one horizontal coil's peak is at a fraction of its height.

    Parameters
    ----------
    width : (n,) float64
        Between the two places, left and right, that read `fraction` of the peak [m].
    fraction : float
        Between 0 and 1, of the peak's field (not dB).
    coil_height : float
        Coil above ground [m].
    width_sd, fraction_sd : (n,) float64
        Of the width [m]; of the fraction, from reading noise.

    Returns
    -------
    DepthEstimate

    Raises
    ------
    InputError
        If the fraction is not between 0 and 1.

    Notes
    -----
    Bx / Bmax = z² / (z² + u²) = f, so width = 2 z sqrt(1/f - 1): full width z at 80 %, 2 z at
    50 %. With q = sqrt(1/f - 1): dz/dwidth = 1/2q, dz/df = width / (4 f² q³).
    """
    _check_fraction(fraction)
    width, width_sd, fraction_sd = _arrays(width, width_sd, fraction_sd)
    root = np.sqrt(1.0 / fraction - 1.0)
    depth = width / (2.0 * root) - coil_height
    by_fraction = width / (4.0 * fraction**2 * root**3)
    return _checked(
        depth,
        (width_sd / (2.0 * root)) ** 2 + (by_fraction * fraction_sd) ** 2,
        (DepthReason.MISSING, np.isnan(width)),
        (DepthReason.NOT_POSITIVE, width <= 0.0),
        (DepthReason.ABOVE_GROUND, depth <= 0.0),
    )


def gradient_width_depth(
    width: FloatLike,
    fraction: float = 0.5,
    separation: float = COIL_SEPARATION,
    bottom_height: float = BOTTOM_HEIGHT,
    *,
    width_sd: FloatLike = 0.0,
    fraction_sd: FloatLike = 0.0,
) -> DepthEstimate:
    """Depth from how wide the difference of two horizontal coils (lower minus upper) is.

    Parameters
    ----------
    width : (n,) float64
        Between the two places that read `fraction` of the difference at the peak [m].
    fraction : float
        Between 0 and 1.
    separation, bottom_height : float
        Coil distance and lower coil above ground [m].
    width_sd, fraction_sd : (n,) float64
        Of the width [m]; of the fraction.

    Returns
    -------
    DepthEstimate

    Raises
    ------
    InputError
        If the fraction is not between 0 and 1, or the coils are not apart.

    Notes
    -----
    With p = z1 z2, u half the width and s = z2 - z1, the difference of K I z / (u² + z²) is to
    its peak as

        f = p (p - u²) / (p² + u² (2 p + s²) + u⁴)

    so (1 - f) p² - u² (1 + 2 f) p - f u² (u² + s²) = 0, whose positive root gives
    z1 = (sqrt(s² + 4 p) - s) / 2. Variance by the implicit derivatives of that equation.
    """
    _check_fraction(fraction)
    _check_separation(separation)
    width, width_sd, fraction_sd = _arrays(width, width_sd, fraction_sd)
    f = fraction
    square = (0.5 * width) ** 2
    linear = square * (1.0 + 2.0 * f)
    root = np.sqrt(linear**2 + 4.0 * (1.0 - f) * f * square * (square + separation**2))
    product = (linear + root) / (2.0 * (1.0 - f))
    span = np.sqrt(separation**2 + 4.0 * product)
    depth = 0.5 * (span - separation) - bottom_height
    with np.errstate(divide="ignore", invalid="ignore"):
        # dF/dp = root; dF/du², dF/df of F = (1 - f) p² - u² (1 + 2 f) p - f u² (u² + s²).
        by_square = (product * (1.0 + 2.0 * f) + f * (2.0 * square + separation**2)) / root
        by_fraction = (
            product**2 + 2.0 * square * product + square * (square + separation**2)
        ) / root
    variance = (by_square * 0.5 * width * width_sd / span) ** 2 + (
        by_fraction * fraction_sd / span
    ) ** 2
    return _checked(
        depth,
        variance,
        (DepthReason.MISSING, np.isnan(width)),
        (DepthReason.NOT_POSITIVE, width <= 0.0),
        (DepthReason.ABOVE_GROUND, depth <= 0.0),
    )


def _arrays(*values: FloatLike) -> tuple[FloatArray, ...]:
    return tuple(np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values)))


def _checked(
    depth: FloatArray,
    variance: FloatArray,
    *checks: tuple[DepthReason, npt.NDArray[np.bool_]],
) -> DepthEstimate:
    """The estimate with the first check that fails as its reason."""
    reason = np.full(depth.shape, DepthReason.VALID, dtype=np.int8)
    for code, failed in reversed(checks):
        reason = np.where(failed, np.int8(code), reason)
    valid = reason == DepthReason.VALID
    return DepthEstimate(
        np.where(valid, depth, np.nan),
        np.where(valid, variance, np.nan),
        reason.astype(np.int8),
    )


def _check_fraction(fraction: float) -> None:
    if not 0.0 < fraction < 1.0:
        raise InputError(
            f"the fraction of the peak is {fraction:g}.",
            where="depth from width",
            remedy="Measure the width at a fraction between 0 and 1, such as 0.5 or 0.8.",
        )


def _check_separation(separation: float) -> None:
    if not separation > 0.0:
        raise InputError(
            f"the coil separation is {separation:g} m.",
            where="two-coil depth",
            remedy="Measure the distance between the coils' centres, or look it up in the "
            "receiver's data sheet.",
        )
