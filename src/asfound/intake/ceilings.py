"""Readings of a sweep that stand at the receiver's ceiling, though the file does not say so."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FULL_SCALE = 100.0
"""Of readings in per cent: a receiver shows no more. Common practice, no source."""
_PLATEAU = 3
"""Equal readings in a row at the top that a peak seldom gives by chance."""
_STEP = 3.0
"""Steps of the readings' resolution by which a smooth peak falls off at most beside as many equal
ones: a parabola that stays within one step over m readings falls by ((m + 2) / m)^2 beyond."""

_MOST_PLACES = 6


def at_the_ceiling(
    position: Floats, height: Floats, coil: npt.NDArray[np.int8], value: Floats, unit: str
) -> Flags:
    """Which readings of one sweep were cut off at the top.

    Per cent at full scale are, if none is above. In any unit a flat top of three and more equal
    readings is, if the readings fall off beside it more steeply than those of a peak would that
    is only coarsely read.

    Parameters
    ----------
    position, height : (k,) float64
        Along the tape and of the coil [m].
    coil : (k,) int8
    value : (k,) float64
        NaN where there is none.
    unit : str

    Returns
    -------
    saturated : (k,) bool
    """
    known = np.isfinite(value)
    if not known.any():
        return np.zeros(len(value), bool)
    top = float(value[known].max())
    if unit == "percent" and top == FULL_SCALE:
        return np.asarray(known & (value == FULL_SCALE), bool)
    found = np.zeros(len(value), bool)
    least = _STEP * _resolution(value[known])
    for pair in np.unique(np.stack([coil.astype(float), height], axis=1), axis=0):
        rows = np.flatnonzero(known & (coil == pair[0]) & (height == pair[1]))
        rows = rows[np.argsort(position[rows], kind="stable")]
        found[rows] = _flat_top(value[rows], top, least)
    return found


def _resolution(value: Floats) -> float:
    """The step in which readings are written: 1, 0.1, 0.01 ..."""
    for places in range(_MOST_PLACES):
        if np.allclose(value, np.round(value, places), rtol=0.0, atol=1e-9):
            return float(10.0**-places)
    return float(10.0**-_MOST_PLACES)


def _flat_top(value: Floats, top: float, least: float) -> Flags:
    """Runs of readings at the top with a fall of more than `least` on every side."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], value == top, [0]]).astype(np.int8)))
    found = np.zeros(len(value), bool)
    for first, after in edges.reshape(-1, 2).tolist():
        sides = [value[k] for k in (first - 1, after) if 0 <= k < len(value)]
        if after - first >= _PLATEAU and sides and top - max(sides) > least:
            found[first:after] = True
    return found
