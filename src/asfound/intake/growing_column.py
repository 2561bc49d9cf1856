"""A column of unknown length, filled block by block into one array."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


class GrowingColumn:
    """An array that is laid out for the rows expected and grows if there are more.

    One array from the start takes half the memory of blocks that are put together at the end.

    Parameters
    ----------
    dtype : numpy dtype
    expected : int
    """

    def __init__(self, dtype: npt.DTypeLike, expected: int) -> None:
        self._array: npt.NDArray[Any] = np.empty(max(expected, 0), dtype)
        self._count = 0

    def add(self, values: npt.NDArray[Any]) -> None:
        """Takes in the values of one block."""
        after = self._count + len(values)
        if after > len(self._array):
            larger = np.empty(max(after, int(1.5 * len(self._array))), self._array.dtype)
            larger[: self._count] = self._array[: self._count]
            self._array = larger
        self._array[self._count : after] = values
        self._count = after

    def done(self) -> npt.NDArray[Any]:
        """All values taken in."""
        return self._array[: self._count]
