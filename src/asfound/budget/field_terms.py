"""Errors of the field: of finding the line across itself, and of its depth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from asfound.budget.making import Across, across_term, level_term, pair_codes
from asfound.em import distortion_sd, two_coil_depth_sd
from asfound.model import BudgetTerm, Shots, SweepCorrection


def field_terms(
    shots: Shots,
    across: Across,
    corrections: Sequence[SweepCorrection],
    size: Mapping[str, float],
) -> list[BudgetTerm]:
    """Terms of the located conductor's errors against the ground point.

    Control checks are on a mark, not over a conductor: they have none. Shots with a correction
    have their sweep's uncertainty in place of the reading's.

    Parameters
    ----------
    shots : Shots
    across : Across
        Of each shot's line.
    corrections : sequence of SweepCorrection
    size : mapping
        The profile's table `errors`.
    """
    depth = shots.depth
    unknown = ~np.isfinite(depth)
    if unknown.any():
        depth = np.where(unknown, size["default_depth"], depth)
    squared = depth * depth
    pinpoint = size["pinpoint_fixed"] ** 2 + size["pinpoint_relative"] ** 2 * squared
    distortion = distortion_sd(shots.peak_null_separation, depth, shots.method)
    noise = two_coil_depth_sd(
        depth, size["coil_separation"], size["coil_height"], size["coil_noise"]
    )
    aside, below = distortion.horizontal**2, distortion.depth**2
    blurred, scaled = noise * noise, size["depth_scale"] ** 2 * squared

    corrected = np.array([item.shot for item in corrections], np.int64)
    without = np.concatenate([np.flatnonzero(shots.control.codes >= 0), corrected])
    for variance in (pinpoint, aside, below, blurred, scaled):
        variance[without] = 0.0

    terms = [
        across_term(
            "pinpointing", "Finding the peak", "common practice; across the line", pinpoint, across
        ),
        across_term(
            "neighbour-field",
            "Fields of other conductors",
            "simulated over neighbour layouts; see what-the-receiver-hides",
            aside,
            across,
            below,
        ),
        level_term(
            "depth-noise",
            "Noise of the depth reading",
            "two-coil formula at the stated coil noise",
            0.0,
            blurred,
        ),
        level_term(
            "depth-scale",
            "Depth scale of the hook-up",
            "common practice; the same for a hook-up",
            0.0,
            scaled,
            pair_codes(None, shots.hookup),
        ),
    ]
    if corrections:
        terms.append(_sweep_term(len(shots), across, corrections))
    return terms


def _sweep_term(count: int, across: Across, corrections: Sequence[SweepCorrection]) -> BudgetTerm:
    rows = [item.shot for item in corrections]
    aside, below = np.zeros(count), np.zeros(count)
    aside[rows] = [item.horizontal_sd**2 for item in corrections]
    below[rows] = [item.depth_sd**2 for item in corrections]
    return across_term(
        "sweep",
        "Place and depth from a sweep",
        "covariance of the sweep's inversion, tape and distance from it",
        aside,
        across,
        below,
    )
