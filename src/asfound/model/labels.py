"""A column of words kept as small integers: what makes a million rows fit in memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, eq=False)
class Labels:
    """Words of n rows as codes into a tuple of distinct names.

    Parameters
    ----------
    codes : (n,) int32
        Index into `names`; -1 where nothing was recorded.
    names : tuple of str
        Distinct words.
    """

    codes: npt.NDArray[np.int32]
    names: tuple[str, ...]

    @staticmethod
    def of(words: Sequence[str]) -> Labels:
        """Labels of a sequence of words; an empty word means nothing recorded."""
        index: dict[str, int] = {"": -1}
        codes = np.fromiter(
            (index.setdefault(word, len(index) - 1) for word in words), np.int32, len(words)
        )
        return Labels(codes, tuple(index)[1:])

    @staticmethod
    def missing(count: int) -> Labels:
        """Labels of `count` rows with nothing recorded."""
        return Labels(np.full(count, -1, np.int32), ())

    @staticmethod
    def join(parts: Sequence[Labels]) -> Labels:
        """One column from several, one after the other."""
        index: dict[str, int] = {}
        pieces = []
        for part in parts:
            lookup = np.array(
                [index.setdefault(name, len(index)) for name in part.names] + [-1], np.int32
            )
            pieces.append(lookup[part.codes])
        codes = np.concatenate(pieces) if pieces else np.empty(0, np.int32)
        return Labels(codes, tuple(index))

    def __len__(self) -> int:
        return len(self.codes)

    def word(self, row: int) -> str:
        """Word of one row; empty where nothing was recorded."""
        code = self.codes[row]
        return self.names[code] if code >= 0 else ""

    def words(self) -> npt.NDArray[np.object_]:
        """(n,) object array of words, empty where nothing was recorded."""
        return np.array([*self.names, ""], object)[self.codes]

    def take(self, rows: npt.NDArray[np.integer]) -> Labels:
        """The same column for chosen rows."""
        return Labels(self.codes[rows], self.names)
