"""The axis of each line and the tube that holds the conductor.

The axis is smoothed in easting and northing with one variance, that of the shots across the
line, and in height with another; see `_smoother`. What the shots share (a base, a datum
operation, a depth scale by hook-up) does not average out: its effect on the axis is the smoother
applied to the shared error's own pattern, and is added to the covariance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._fitted import fit_members
from asfound.alignment._lines import record_lines
from asfound.alignment._members import batches, gather
from asfound.alignment._room import Room
from asfound.model import Assembly, Budget, Ground, JobSettings, Line, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


def fit_lines(
    shots: Shots,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
    settings: JobSettings,
) -> tuple[Line, ...]:
    """Estimate the axis of every line, with its covariance at the shots and between them.

    Parameters
    ----------
    shots, ground, budget, assembly
        Of the same n shots.
    verdict : (n,) int8
        Unfit shots are not used; doubtful ones count with four times their variance.
    settings : JobSettings

    Returns
    -------
    tuple of Line
        One for each line of the assembly, in its order.
    """
    shot, starts = assembly.members()
    result: list[Line] = []
    room = Room()
    for low, high in batches(starts):
        members = gather(
            shot[starts[low] : starts[high]],
            starts[low : high + 1] - int(starts[low]),
            ground,
            budget,
            assembly,
            verdict,
        )
        utility = assembly.utility[low:high]
        fitted = fit_members(members, utility, room)
        result += record_lines(members, fitted, ground, budget, assembly.names[low:high], utility)
        room.clear()
    return tuple(result)
