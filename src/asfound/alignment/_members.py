"""The shots of lines, gathered in order, with the variances that count along and across."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._member_kernels import gather_members
from asfound.model import Assembly, Budget, Ground, Verdict

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BATCH = 16_000


@dataclass(frozen=True, eq=False)
class Members:
    """Shots of all lines in order, in local coordinates, with their variances.

    Parameters
    ----------
    shot : (m,) int64
        Index in `Shots`.
    starts : (lines + 1,) int64
    east, north, up : (m,) float64
        Relative to the line's origin [m]; up is 0 where not deep.
    left : (2, m) float64
        Unit vector across the line (easting, northing); 0 where its bearing is not known.
    across, vertical : (m,) float64
        Variances [m2]; 1 where not usable, not deep.
    usable, deep : (m,) bool
        Fit for the plane; and for the level.
    origin : (3, lines) float64
        Easting, northing, height of each line's first shot (first deep one; NaN if none) [m].
    """

    shot: Integers
    starts: Integers
    east: Floats
    north: Floats
    up: Floats
    left: Floats
    across: Floats
    vertical: Floats
    usable: Flags
    deep: Flags
    origin: Floats


def batches(starts: Integers) -> list[tuple[int, int]]:
    """Ranges of lines of about `BATCH` shots: few enough to stay in the processor's cache."""
    bounds = [0]
    lines = len(starts) - 1
    while bounds[-1] < lines:
        goal = int(starts[bounds[-1]]) + BATCH
        bounds.append(max(bounds[-1] + 1, int(np.searchsorted(starts, goal, side="right")) - 1))
    return list(itertools.pairwise(bounds))


def gather(
    shot: Integers,
    starts: Integers,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> Members:
    """Members of lines whose shots are `shot`, line i from ``starts[i]`` on."""
    count = len(shot)
    members = Members(
        shot=shot,
        starts=starts,
        east=np.empty(count),
        north=np.empty(count),
        up=np.empty(count),
        left=np.empty((2, count)),
        across=np.empty(count),
        vertical=np.empty(count),
        usable=np.empty(count, bool),
        deep=np.empty(count, bool),
        origin=np.empty((3, len(starts) - 1)),
    )
    gather_members(
        shot,
        starts,
        ground.easting,
        ground.northing,
        budget.centre_height,
        budget.own,
        assembly.bearing,
        verdict,
        int(Verdict.DOUBTFUL),
        int(Verdict.UNFIT),
        members.east,
        members.north,
        members.up,
        members.left,
        members.across,
        members.vertical,
        members.usable,
        members.deep,
        members.origin,
    )
    return members
