"""The loop that finds lines along which the current may step."""

from __future__ import annotations

from math import exp

import numpy as np
import numpy.typing as npt

from asfound.compiled import FLOATS, INTEGERS, INTEGERS_OUT, kernel

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_SIDE = 5
_STEP = 0.12
"""Of the mean logarithm of the current on either side."""


@kernel(INTEGERS, INTEGERS, FLOATS, FLOATS, INTEGERS_OUT, INTEGERS_OUT)
def worth_a_fit(
    order: Integers,
    starts: Integers,
    station: Floats,
    current: Floats,
    kept: Integers,
    bounds: Integers,
) -> tuple[int, int]:
    """Runs along which the means of five shots on either side ever differ by a tenth.

    A cheap look that spares most lines the exact fit. Instead of means of logarithms the
    currents' products are held against each other.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
        Shots in order along lines, split by upload and hook-up.
    station, current : (n,) float64
        [m, A]; shots without either are left out.
    kept : (m,) int64, written
        Shots of the runs found: run k is ``kept[bounds[k]:bounds[k + 1]]``.
    bounds : (runs + 1,) int64, written

    Returns
    -------
    runs, usable : int
        Number of runs found, and of shots with a station and a current.
    """
    longest = 0
    for run in range(len(starts) - 1):
        longest = max(longest, starts[run + 1] - starts[run])
    shots, line = np.empty(longest, np.int64), np.empty(longest)
    product = np.empty(longest)
    ratio = exp(_SIDE * _STEP)
    found, total, usable = 0, 0, 0
    bounds[0] = 0
    for run in range(len(starts) - 1):
        count = 0
        for k in range(starts[run], starts[run + 1]):
            shot = order[k]
            shots[count], line[count] = shot, current[shot]
            count += 0.0 < current[shot] < np.inf and np.isfinite(station[shot])
        usable += count
        for k in range(count - _SIDE + 1):
            product[k] = line[k] * line[k + 1] * line[k + 2] * line[k + 3] * line[k + 4]
        steps = False
        for k in range(count - 2 * _SIDE + 1):
            one, other = product[k], product[k + _SIDE]
            steps |= (one > ratio * other) | (other > ratio * one)
        if steps:
            for k in range(count):
                kept[total] = shots[k]
                total += 1
            found += 1
            bounds[found] = total
    return found, usable
