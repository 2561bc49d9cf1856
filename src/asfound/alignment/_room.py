"""Memory that batches of lines use one after the other."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


class Room:
    """Room for the arrays of a batch, which the next batch is given again.

    To be handed a fresh page by the system costs more than what is computed in it, and a large
    array that is let go of goes back to the system.
    """

    def __init__(self) -> None:
        self._block = np.empty(0)
        self._used = 0

    def floats(self, shape: tuple[int, ...] | int) -> Floats:
        """An array to be written, good until `clear`."""
        size = math.prod(shape) if isinstance(shape, tuple) else shape
        if self._used + size > len(self._block):
            # arrays given before keep the smaller block
            self._block, self._used = np.empty(2 * (len(self._block) + size)), 0
        begin = self._used
        self._used += size
        return self._block[begin : begin + size].reshape(shape)

    def integers(self, size: int) -> Integers:
        """The same of int64, in one row."""
        return self.floats(size).view(np.int64)

    def clear(self) -> None:
        """Let the next batch have it all; arrays given so far are lost."""
        self._used = 0
