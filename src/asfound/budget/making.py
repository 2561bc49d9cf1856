"""How terms of a budget are made: level, or along a direction; shared, or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import BudgetTerm, Labels

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]

_ZERO = np.array(0.0)


def level_term(
    name: str,
    title: str,
    basis: str,
    horizontal: Floats | float,
    vertical: Floats | float,
    shared_by: Codes | None = None,
) -> BudgetTerm:
    """A term that is the same in all horizontal directions; variances (n,) or one for all [m2]."""
    level = np.asarray(horizontal, np.float64)
    up = np.asarray(vertical, np.float64)
    return BudgetTerm(name, title, basis, level, level, _ZERO, up, shared_by)


@dataclass(frozen=True, eq=False)
class Across:
    """Shares of a variance across the line that fall on grid east, north, and both: (n,).

    Where the line's bearing is not known it acts in full on either.
    """

    east: Floats
    north: Floats
    both: Floats

    @staticmethod
    def of(bearing: Floats) -> Across:
        """Across lines of these grid bearings [rad], NaN where not known."""
        east, north = np.cos(bearing), np.sin(bearing)
        both = -east * north
        east *= east
        north *= north
        unknown = np.flatnonzero(~np.isfinite(bearing))
        east[unknown], north[unknown], both[unknown] = 1.0, 1.0, 0.0
        return Across(east, north, both)


def across_term(
    name: str,
    title: str,
    basis: str,
    variance: Floats,
    across: Across,
    vertical: Floats | float = 0.0,
) -> BudgetTerm:
    """A term that acts across the line only: a line is located across itself."""
    return BudgetTerm(
        name,
        title,
        basis,
        across.east * variance,
        across.north * variance,
        across.both * variance,
        np.asarray(vertical, np.float64),
    )


def pair_codes(first: Codes | None, second: Labels) -> Codes:
    """One non-negative code for each group; rows without a label are a group of their own."""
    code = np.where(second.codes >= 0, second.codes, len(second.names))
    if first is not None:
        code = first * (len(second.names) + 1) + code
    return code.astype(np.int32)
