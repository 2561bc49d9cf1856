"""Joint covariance of several shots' positions, errors that they share included."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.model import Budget

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


def joint_covariance_of_shots(budget: Budget, rows: Integers) -> Floats:
    """(3k, 3k) covariance of east, north, up of k shots of a budget [m2].

    Sums the budget's terms: one that shots share by code moves them together, each by its own
    standard deviation; a shot listed twice carries the same error in both places. (The budget's
    own covariance has NaN upward where a shot has no depth; here a control check's height
    counts.)
    """
    count = len(rows)
    total = np.zeros((count, 3, count, 3))
    twin = rows[:, None] == rows[None, :]
    for term in budget.terms_of(rows):
        ee, nn, en, uu = (
            np.nan_to_num(np.broadcast_to(part, count))
            for part in (term.east_east, term.north_north, term.east_north, term.up_up)
        )
        moved = twin
        if term.shared_by is not None:
            code = term.shared_by
            moved = twin | ((code[:, None] == code) & (code[:, None] >= 0))
        east, north, up = (np.sqrt(np.maximum(part, 0.0)) for part in (ee, nn, uu))
        size = east * north
        coupling = np.divide(en, size, out=np.zeros(count), where=size > 0)
        both = moved * 0.5 * (coupling[:, None] + coupling)
        total[:, 0, :, 0] += moved * np.outer(east, east)
        total[:, 1, :, 1] += moved * np.outer(north, north)
        total[:, 2, :, 2] += moved * np.outer(up, up)
        total[:, 0, :, 1] += both * np.outer(east, north)
        total[:, 1, :, 0] += both * np.outer(north, east)
    return total.reshape(3 * count, 3 * count)
