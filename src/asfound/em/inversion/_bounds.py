"""Where to look for conductors."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion.readings import SweepBatch

FloatArray = npt.NDArray[np.float64]


class Bounds(NamedTuple):
    """Search range of n sweeps: ``low``, ``high`` (n,) positions; depths of all [m]."""

    low: FloatArray
    high: FloatArray
    shallow: float
    deep: float

    def rows(self, rows: npt.NDArray[np.intp]) -> Bounds:
        """Of selected sweeps."""
        return self._replace(low=self.low[rows], high=self.high[rows])

    def boxes(self, size: int) -> tuple[FloatArray, FloatArray]:
        """Lower and upper bounds of the places of `size` conductors, (2 size, n)."""
        depth = np.ones((size, len(self.low)))
        low = np.concatenate([np.tile(self.low, (size, 1)), depth * self.shallow])
        high = np.concatenate([np.tile(self.high, (size, 1)), depth * self.deep])
        return low, high


def bounds_of(batch: SweepBatch, depth_range: tuple[float, float]) -> Bounds:
    """Search half the sweep's length beyond its ends, at least a metre.

    Parameters
    ----------
    batch : SweepBatch
    depth_range : (float, float)
        Shallowest and deepest [m].

    Returns
    -------
    Bounds
    """
    n = len(batch)
    if batch.position.ndim == 1 and batch.used.all():
        low, high = (np.full(n, f(batch.position)) for f in (np.min, np.max))
    else:
        position = np.broadcast_to(batch.position, batch.used.shape)
        low = np.where(batch.used, position, np.inf).min(axis=1)
        high = np.where(batch.used, position, -np.inf).max(axis=1)
    margin = np.maximum(1.0, 0.5 * (high - low))
    return Bounds(low - margin, high + margin, depth_range[0], depth_range[1])
