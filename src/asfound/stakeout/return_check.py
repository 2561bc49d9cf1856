"""Return checks: a spot measured again against where it was said to be.

"Not different" is not "the same": a poor measurement differs from nothing. So a spot is called
the same only if the difference, with its uncertainty, fits into what one is ready to call the
same spot; where it does neither the check says so and what it could have told apart.

>>> small = np.eye(3) * 0.01**2
>>> result = return_check(np.zeros(3), small, np.array([0.01, 0.0, 0.02]), small)
>>> result.outcome.word
'same'
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, chdtri, chndtrinc, ndtri

from asfound.budget import circular_factor, principal_axes
from asfound.errors import InputError

Floats = npt.NDArray[np.float64]

TOLERANCE = 0.10
"""Horizontal distance within which two spots are one for finding a line again [m]; common
practice, no source."""
_POWER = 0.80


class Outcome(IntEnum):
    """What a return check says."""

    SAME = 0
    DIFFERENT = 1
    NOT_DECIDABLE = 2

    @property
    def word(self) -> str:
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, eq=False)
class ReturnCheck:
    """One spot measured again.

    Parameters
    ----------
    outcome : Outcome
    east, north, up : float
        Measured again minus target [m]; up NaN where either has no height.
    horizontal : float
        [m].
    statistic, freedom : float, int
        d' C^-1 d, and its degrees of freedom: 3, or 2 without heights.
    p_value : float
        Chance of so large a difference if it is the same spot.
    horizontal_95, vertical_95 : float
        95 % radius and half-interval of the difference [m].
    detectable : float
        Horizontal difference that such a check would find in 8 of 10 cases, whatever its
        direction [m].
    tolerance : float
        [m].
    words : str
    """

    outcome: Outcome
    east: float
    north: float
    up: float
    horizontal: float
    statistic: float
    freedom: int
    p_value: float
    horizontal_95: float
    vertical_95: float
    detectable: float
    tolerance: float
    words: str


def return_check(
    target: Floats,
    target_covariance: Floats,
    measured: Floats,
    measured_covariance: Floats,
    *,
    shared: Floats | None = None,
    level: float = 0.95,
    tolerance: float = TOLERANCE,
) -> ReturnCheck:
    """Whether a spot measured again is the target.

    Parameters
    ----------
    target, measured : (3,) float64
        Easting, northing, height in one frame [m]; height NaN if not known.
    target_covariance, measured_covariance : (3, 3) float64
        [m2].
    shared : (3, 3) float64, optional
        Covariance of errors that both share in full (same base, same frame operation) and that
        are part of both covariances: they cancel in the difference [m2].
    level : float
        1 - chance of calling the same spot different.
    tolerance : float
        Horizontal distance within which it is the same spot for the purpose [m].

    Raises
    ------
    InputError
        If a position is missing or a covariance is none.

    Notes
    -----
    Different: d' C^-1 d beyond the chi-squared point. Same: not different, and |d| plus the 95 %
    radius of the difference within the tolerance (an equivalence test). Else not decidable.
    """
    target, measured = np.asarray(target, float), np.asarray(measured, float)
    covariance = np.asarray(target_covariance, float) + np.asarray(measured_covariance, float)
    if shared is not None:
        covariance = covariance - 2.0 * np.asarray(shared, float)
    difference = measured - target
    axes = 3 if np.isfinite(difference[2]) and np.isfinite(covariance[2, 2]) else 2
    if not np.isfinite(difference[:2]).all():
        raise InputError("a return check needs both positions.", remedy="Measure the spot again.")
    matrix = covariance[:axes, :axes]
    if not np.isfinite(matrix).all() or np.linalg.eigvalsh(matrix)[0] <= 0.0:
        raise InputError(
            "the covariance of a return check is not one of two measurements.",
            remedy="Give both uncertainties; what both share must be part of each.",
        )
    if axes == 2:
        difference = np.append(difference[:2], np.nan)
    d = difference[:axes]
    statistic = float(d @ np.linalg.solve(matrix, d))
    limit = float(chdtri(axes, 1.0 - level))
    major, minor, _ = (
        float(part[0])
        for part in principal_axes(
            covariance[None, 0, 0], covariance[None, 1, 1], covariance[None, 0, 1]
        )
    )
    radius = major * float(circular_factor(np.array(minor / major if major > 0 else 1.0)))
    vertical = float(ndtri(0.975) * np.sqrt(covariance[2, 2])) if axes == 3 else float("nan")
    horizontal = float(np.hypot(difference[0], difference[1]))
    if statistic > limit:
        outcome = Outcome.DIFFERENT
    elif horizontal + radius <= tolerance:
        outcome = Outcome.SAME
    else:
        outcome = Outcome.NOT_DECIDABLE
    result = ReturnCheck(
        outcome=outcome,
        east=float(difference[0]),
        north=float(difference[1]),
        up=float(difference[2]),
        horizontal=horizontal,
        statistic=statistic,
        freedom=axes,
        p_value=float(chdtrc(axes, statistic)),
        horizontal_95=radius,
        vertical_95=vertical,
        detectable=major * math.sqrt(_noncentrality(axes, level)),
        tolerance=tolerance,
        words="",
    )
    return ReturnCheck(**{**result.__dict__, "words": _words(result)})


@lru_cache(maxsize=16)
def _noncentrality(axes: int, level: float) -> float:
    """Squared length of the shift, in standard deviations, that is found with the power."""
    limit = float(chdtri(axes, 1.0 - level))
    return float(chndtrinc(limit, axes, 1.0 - _POWER))


def _words(result: ReturnCheck) -> str:
    heights = f", {result.up:+.3f} m up" if result.freedom == 3 else ""
    size = f"{result.horizontal:.3f} m in plan{heights}"
    chance = f"{100 * result.p_value:.2g} %" if result.p_value >= 1e-5 else "less than 0.001 %"
    if result.outcome is Outcome.DIFFERENT:
        return (
            f"A different spot (or something is wrong): {size}, which would come by chance in "
            f"{chance} of returns to the same spot."
        )
    if result.outcome is Outcome.SAME:
        return (
            f"The same spot: {size}, known to {result.horizontal_95:.3f} m (95 %), within "
            f"{result.tolerance:.3f} m."
        )
    return (
        f"Not decidable: {size}, known to {result.horizontal_95:.3f} m (95 %). That is neither "
        f"surely within {result.tolerance:.3f} m nor surely another spot. Measure again: longer, "
        f"or under other satellites. (Such a check finds {result.detectable:.3f} m in 8 of 10 "
        "cases.)"
    )


def return_statistics(
    difference: Floats, covariance: Floats
) -> tuple[Floats, npt.NDArray[np.int64], Floats]:
    """Many differences at once.

    Parameters
    ----------
    difference : (n, 3) float64
        [m]; up NaN where there is no height.
    covariance : (n, 3, 3) float64
        Of the differences [m2].

    Returns
    -------
    statistic : (n,) float64
    freedom : (n,) int64
    p_value : (n,) float64
    """
    flat = ~np.isfinite(difference[:, 2]) | ~np.isfinite(covariance[:, 2, 2])
    filled = np.where(flat[:, None] & (np.arange(3) == 2), 0.0, difference)
    matrix = covariance.copy()
    matrix[flat, 2, :], matrix[flat, :, 2] = 0.0, 0.0
    matrix[flat, 2, 2] = 1.0
    solved = np.linalg.solve(matrix, filled[..., None])[..., 0]
    statistic = (filled * solved).sum(axis=1)
    freedom = np.where(flat, 2, 3)
    return statistic, freedom, np.asarray(chdtrc(freedom, statistic))
