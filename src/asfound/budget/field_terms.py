"""Errors of the field: of finding the line across itself, and of its depth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from asfound.budget.making import NONE, Floats, SingleCause
from asfound.em import distortion_sd
from asfound.model import BudgetTerm, Labels, Shots, SweepCorrection

FIELD_CAUSES = (
    SingleCause(
        "pinpointing",
        "Finding the peak",
        "common practice; across the line",
        ("pinpointing east", "pinpointing north", "pinpointing both", ""),
    ),
    SingleCause(
        "neighbour-field",
        "Fields of other conductors",
        "simulated over neighbour layouts; see what-the-receiver-hides",
        ("neighbour east", "neighbour north", "neighbour both", "neighbour up"),
    ),
    SingleCause(
        "depth-noise",
        "Noise of the depth reading",
        "two-coil formula at the stated coil noise",
        ("", "", "", "noise up"),
    ),
    SingleCause(
        "sweep",
        "Place and depth from a sweep",
        "covariance of the sweep's inversion, tape and distance from it",
        ("sweep east", "sweep north", "sweep both", "sweep up"),
    ),
)


def field_errors(
    shots: Shots, corrections: Sequence[SweepCorrection], size: Mapping[str, float]
) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """What neighbours' fields do to every shot, or what a sweep that replaced it leaves unknown.

    Returns
    -------
    aside, below : (n,) float64
        Standard deviations across the line and of the depth [m].
    swept : (k,) int64
        Shots that a sweep replaced, ascending.
    """
    depth = shots.depth
    unknown = ~np.isfinite(depth)
    if unknown.any():
        depth = np.where(unknown, size["default_depth"], depth)
    aside, below = distortion_sd(shots.peak_null_separation, depth, shots.method)
    swept = {item.shot: item for item in corrections}
    for shot, item in swept.items():
        aside[shot], below[shot] = item.horizontal_sd, item.depth_sd
    return aside, below, np.array(sorted(swept), np.int64)


def depth_scale_term(variance: Floats, hookup: Labels) -> BudgetTerm:
    """The depth scale of each hook-up; rows without a hook-up are a group of their own."""
    code = hookup.codes
    if code.min(initial=0) < 0:
        code = np.where(code >= 0, code, np.int32(len(hookup.names)))
    return BudgetTerm(
        "depth-scale",
        "Depth scale of the hook-up",
        "common practice; the same for a hook-up",
        NONE,
        NONE,
        NONE,
        variance,
        code,
    )
