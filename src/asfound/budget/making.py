"""How terms of a budget are made of what the loop over shots sized."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.model import BudgetTerm

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]

NONE = np.array(0.0)


class SingleCause(NamedTuple):
    """An error that each shot has of its own.

    Parameters
    ----------
    name, title, basis : str
    columns : tuple of str
        Names of what was sized for east-east, north-north, east-north and up-up; '' for none.
    """

    name: str
    title: str
    basis: str
    columns: tuple[str, str, str, str]

    def term(self, sized: Mapping[str, Floats]) -> BudgetTerm:
        """The term, of columns by name."""
        east, north, both, up = (sized[name] if name else NONE for name in self.columns)
        return BudgetTerm(self.name, self.title, self.basis, east, north, both, up)


class SharedCause(NamedTuple):
    """An error of the position that shots share.

    Parameters
    ----------
    name, title, basis : str
    group : str
        By what it is shared: ``'upload'``, ``'operation'``, ``'pole'`` (of a receiver in an
        upload) or ``'job'``.
    level, up : () or (uploads or operations,) float64
        Variance of a horizontal axis and of the height [m2].
    """

    name: str
    title: str
    basis: str
    group: str
    level: Floats
    up: Floats

    def term(self, index: npt.NDArray[np.integer] | None, count: int) -> BudgetTerm:
        """The term of `count` shots with these numbers of their groups; None if all are one."""
        code = np.zeros(count, np.int32) if index is None else index.astype(np.int32, copy=False)
        level, up = (part[code] if part.ndim else part for part in (self.level, self.up))
        return BudgetTerm(self.name, self.title, self.basis, level, level, NONE, up, code)
