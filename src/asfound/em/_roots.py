"""Many one-dimensional roots at once: Newton's step, kept inside a bracket by bisection."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ValueAndSlope = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


def bracketed_roots(
    function: ValueAndSlope,
    low: FloatArray,
    high: FloatArray,
    *,
    tolerance: float = 1e-13,
    steps: int = 100,
) -> FloatArray:
    """Root of an increasing-through-zero function in each bracket.

    Parameters
    ----------
    function : callable
        Takes (n,) places, returns values (n,) and slopes (n,) there, element by element.
    low, high : (n,) float64
        The function is <= 0 at `low` and >= 0 at `high`; NaN brackets give NaN.
    tolerance : float
        Of the bracket or step, relative to the bracket's first width.
    steps : int
        At most; bisection alone needs 44 for the default tolerance.

    Returns
    -------
    root : (n,) float64
    """
    low, high = low.copy(), high.copy()
    place = 0.5 * (low + high)
    close = tolerance * (high - low)
    last_width = high - low
    for _ in range(steps):
        value, slope = function(place)
        low = np.where(value <= 0.0, place, low)
        high = np.where(value >= 0.0, place, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            newton = place - value / slope
        width = high - low
        # Newton only where it stays inside and the bracket or step shrinks; else halve.
        inside = (newton > low) & (newton < high) & (np.abs(newton - place) < 0.5 * last_width)
        step_to = np.where(inside, newton, 0.5 * (low + high))
        step_to = np.where(value == 0.0, place, step_to)
        last_width = np.where(inside, np.abs(newton - place), width)
        moved = np.abs(step_to - place)
        place = step_to
        if not np.any(moved > close):
            break
    return place
