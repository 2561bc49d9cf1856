"""Stretches of a line over which another conductor distorts the field.

The field itself, current over depth, is by far the steadiest thing a receiver shows (one or two
per cent, where depth and current each have five to ten), and a second conductor steps it by
tens of per cent where it comes near and where it leaves. A line that merely runs deeper weakens
the field and reads deeper, so that the current reckoned from both stays the same; over two
conductors field and depth err the same way, and the current doubly so. The line's apparent place
and the distance between peak and null step along.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.profile import Profile
from asfound.budget.rules._stretch_kernels import QUANTITIES, distorted_stretches
from asfound.budget.rules.runs import Runs
from asfound.model import Assembly, Budget, Ground, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_LIMITS = (
    "field_step",
    "current_step",
    "current_sure",
    "depth_step",
    "field_noise",
    "clear",
    "proof",
    "longest",
)
_ERRORS = ("coil_height", "pinpoint_fixed", "pinpoint_relative")


@dataclass(frozen=True, eq=False)
class Stretch:
    """Shots in order along a line, and by how much each quantity is off there.

    `size` and `score` (its size over its standard deviation, 0 where it is not known) are of the
    leading quantity, depth, current, place across the line, and distance of peak and null; the
    first three are natural logarithms, the others metres.
    """

    rows: Integers
    size: tuple[float, ...]
    score: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Surveyed:
    """What a search for stretches looks at."""

    shots: Shots
    ground: Ground
    budget: Budget
    assembly: Assembly
    profile: Profile
    lines: Runs
    signals: Runs
    steady: Flags


def find_stretches(job: Surveyed, usable: Flags, *, with_current: bool) -> Iterator[Stretch]:
    """Stretches between a step of the field and an opposite one, none overlapping another.

    Parameters
    ----------
    job : Surveyed
    usable : (n,) bool
        Shots with a depth and, `with_current`, a current above zero.
    with_current : bool
        False: the depth leads, not the field.
    """
    shots, ground, signals = job.shots, job.ground, job.signals
    told = [job.profile("distorted-field", key) for key in _LIMITS]
    told += [job.profile("errors", key) for key in _ERRORS]
    most = len(signals) // 4 + 1
    members, bounds = np.empty(len(signals), np.int64), np.empty(most + 1, np.int64)
    sizes, scores = np.empty((most, QUANTITIES)), np.empty((most, QUANTITIES))
    count = distorted_stretches(
        signals.order,
        signals.starts,
        usable,
        with_current,
        shots.depth,
        shots.current,
        shots.peak_null_separation,
        job.budget.own,
        job.lines.order,
        job.lines.starts,
        job.assembly.line,
        ground.easting,
        ground.northing,
        job.assembly.bearing,
        job.steady,
        np.array(told),
        np.empty(len(shots)),
        members,
        bounds,
        sizes,
        scores,
    )
    for number in range(count):
        yield Stretch(
            members[bounds[number] : bounds[number + 1]],
            tuple(sizes[number].tolist()),
            tuple(scores[number].tolist()),
        )
