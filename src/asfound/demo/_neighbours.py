"""Ambient neighbours: the fields that other conductors of a street add to every reading."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def ambient(rng: np.random.Generator, depth: Floats) -> tuple[Floats, Floats, Floats]:
    """One neighbour for each of n shots.

    Returns
    -------
    offset, depth, share : (n, 1) float64
        To the right and below ground [m]; current as a share of the line's, 0 for none.
    """
    count = len(depth)
    offset = rng.choice([-1.0, 1.0], count) * rng.uniform(0.6, 3.0, count)
    beside = depth * rng.uniform(0.6, 1.4, count)
    share = np.where(rng.uniform(size=count) < 0.4, 0.1 * rng.standard_normal(count), 0.0)
    return offset[:, None], beside[:, None], share[:, None]
