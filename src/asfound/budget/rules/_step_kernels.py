"""Loops over the log of a pole: which shots follow one another, and where their ground steps."""

from __future__ import annotations

from math import isfinite, nan, sqrt

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    BYTES,
    CODES,
    FLAG,
    FLAGS,
    FLAGS_OUT,
    FLOAT,
    FLOATS,
    FLOATS_OUT,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    SHORTS,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]

SIDE = 5
"""Shots that speak on either side of a step, at most."""
FEWEST = 3
"""The same, at least."""
NEAREST = 0.3
"""Shots closer together tell no grade [m]."""
STANDS_OUT = 0.6
"""Share of the least step by which a boundary must leave the grades around it to be fitted."""
SUREST = 1e-6
"""No height is better than this [m]."""

RTK_FIXED, NOT_RECORDED = 4, -1
"""Kinds of solution whose heights are good enough, as `Fix` has them."""


@kernel(
    *(INTEGERS, FLOATS, FLAGS, BYTES, SHORTS, CODES, CODES, FLOATS, FLOAT),
    *(INTEGERS_OUT, INTEGERS_OUT),
)
def follow_pole(
    log: Integers,
    height: Floats,
    control: Flags,
    fix: npt.NDArray[np.int8],
    source: npt.NDArray[np.int16],
    receiver: Codes,
    line: Codes,
    station: Floats,
    leap: float,
    order: Integers,
    starts: Integers,
) -> tuple[int, int]:
    """Runs of the log in which one pole followed one line without a leap.

    Parameters
    ----------
    log : (n,) int64
        Shots in the order they were logged.
    height ... station : (n,)
        Of all shots: the ground [m], whether it is a check on control, kind of solution, upload,
        receiver, line and place along it [m].
    leap : float
        Walked along a line without a shot, it begins another run [m].
    order, starts : (n,), (n + 1,) int64, written
        Shots on lines with a good height in the order of the log, and where each run starts.

    Returns
    -------
    runs, shots : int
        How many of both were written.
    """
    runs = count = 0
    last = -1
    starts[0] = 0
    for shot in log:
        good = fix[shot] == RTK_FIXED or fix[shot] == NOT_RECORDED
        if not good or line[shot] < 0 or control[shot] or not isfinite(height[shot]):
            continue
        if count and (
            line[shot] != line[last]
            or source[shot] != source[last]
            or receiver[shot] != receiver[last]
            or abs(station[shot] - station[last]) > leap
        ):
            runs += 1
            starts[runs] = count
        order[count] = last = shot
        count += 1
    if count:
        runs += 1
        starts[runs] = count
    return runs, count


@kernel(INTEGERS, INTEGERS, FLOATS, FLOATS, FLOAT, INTEGERS_OUT, INTEGERS_OUT)
def find_boundaries(
    order: Integers,
    starts: Integers,
    values: Floats,
    station: Floats,
    least: float,
    place: Integers,
    run: Integers,
) -> int:
    """Boundaries that stand out from the grades before and behind them, and so are worth a fit.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
    values, station : (n,) float64
        Of all shots: what may step, and place along the line [m].
    least : float
        Smallest step of interest.
    place, run : (m,) int64, written
        The place behind each boundary, and its run.

    Returns
    -------
    count : int
        How many were written.
    """
    count = 0
    for number in range(len(starts) - 1):
        first, last = starts[number], starts[number + 1]
        for here in range(first + FEWEST, last - FEWEST + 1):
            before, behind = order[here - 1], order[here]
            jump, along = values[behind] - values[before], station[behind] - station[before]
            stands_out = True
            for one, two in ((order[here - 2], before), (order[here + 1], order[here + 2])):
                walked = abs(station[two] - station[one])
                if not walked > NEAREST:
                    stands_out = True
                    break
                off = jump * (station[two] - station[one]) - along * (values[two] - values[one])
                stands_out = stands_out and not abs(off) < STANDS_OUT * least * walked
            if stands_out:
                place[count], run[count] = here, number
                count += 1
    return count


@part
def _fit(
    order: Integers,
    values: Floats,
    sd: Floats,
    station: Floats,
    usual_sd: float,
    own_sd: float,
    first: int,
    here: int,
    last: int,
) -> tuple[float, float]:
    """Level, slope and step at a boundary by weighted least squares: the step and its sd.

    Of the places `first` to `last - 1`; sums are about their weighted means.
    """
    if here - first < FEWEST or last - here < FEWEST:
        return nan, nan
    at = order[here]
    total = mean_step = mean_slope = mean_level = 0.0
    for k in range(first, last):
        shot = order[k]
        size = sd[shot] if isfinite(sd[shot]) else usual_sd
        weight = 1.0 / max(size * size + own_sd * own_sd, SUREST * SUREST)
        total += weight
        mean_step += weight if k >= here else 0.0
        mean_slope += weight * (station[shot] - station[at])
        mean_level += weight * (values[shot] - values[at])
    mean_step, mean_slope, mean_level = mean_step / total, mean_slope / total, mean_level / total
    ss = dd = sd_ = sy = dy = 0.0
    for k in range(first, last):
        shot = order[k]
        size = sd[shot] if isfinite(sd[shot]) else usual_sd
        weight = 1.0 / max(size * size + own_sd * own_sd, SUREST * SUREST)
        step = (1.0 if k >= here else 0.0) - mean_step
        slope = station[shot] - station[at] - mean_slope
        level = values[shot] - values[at] - mean_level
        ss += weight * step * step
        dd += weight * slope * slope
        sd_ += weight * step * slope
        sy += weight * step * level
        dy += weight * slope * level
    determinant = ss * dd - sd_ * sd_
    if not determinant > 1e-9 * ss * dd:
        return nan, nan
    return (dd * sy - sd_ * dy) / determinant, sqrt(dd / determinant)


@kernel(
    *(INTEGERS, INTEGERS, FLOATS, FLOATS, FLOATS, FLOAT, FLOAT, INTEGERS, INTEGERS, INTEGERS),
    *(FLAG, FLOATS_OUT, FLOATS_OUT),
)
def fit_steps(
    order: Integers,
    starts: Integers,
    values: Floats,
    sd: Floats,
    station: Floats,
    usual_sd: float,
    own_sd: float,
    place: Integers,
    run: Integers,
    cuts: Integers,
    beyond: bool,
    size: Floats,
    size_sd: Floats,
) -> None:
    """Fit a step at each place, by shots of its run that no cut parts from it.

    Parameters
    ----------
    order, starts : (m,), (runs + 1,) int64
    values, sd, station : (n,) float64
        Of all shots; standard deviations may be NaN.
    usual_sd, own_sd : float
        Standard deviation where none is given, and of the ground itself [m].
    place, run : (k,) int64
        Ascending.
    cuts : (c,) int64
        Places that part the shots before them from those behind, ascending.
    beyond : bool
        True if a place may itself be a cut, and both sides of that one count.
    size, size_sd : (k,) float64, written
        NaN where there are too few shots on one side.
    """
    ahead = 0
    for k in range(len(place)):
        here = place[k]
        first = max(here - SIDE, starts[run[k]])
        last = min(here + SIDE, starts[run[k] + 1])
        while ahead < len(cuts) and cuts[ahead] < here:
            ahead += 1
        following = ahead
        if ahead:
            first = max(first, cuts[ahead - 1])
        if ahead < len(cuts) and cuts[ahead] == here:
            following += 1
            if not beyond:
                first = here
        if following < len(cuts):
            last = min(last, cuts[following])
        size[k], size_sd[k] = _fit(order, values, sd, station, usual_sd, own_sd, first, here, last)


@kernel(INTEGERS, INTEGERS, INTEGERS, FLAGS_OUT)
def pick_peaks(place: Integers, clearest: Integers, accepted: Integers, picked: Flags) -> None:
    """Places with no clearer one within reach of their window, and none accepted before near.

    Parameters
    ----------
    place : (k,) int64
        Ascending.
    clearest : (k,) int64
        Numbers of places, the clearest first.
    accepted : (a,) int64
        Places, ascending.
    picked : (k,) bool, written
    """
    picked[:] = False
    for k in clearest:
        here = place[k]
        near = np.searchsorted(accepted, here - FEWEST + 1)
        free = not (near < len(accepted) and accepted[near] < here + FEWEST)
        other = k - 1
        while free and other >= 0 and place[other] > here - SIDE:
            free = not picked[other]
            other -= 1
        other = k + 1
        while free and other < len(place) and place[other] < here + SIDE:
            free = not picked[other]
            other += 1
        picked[k] = free


@kernel(SHORTS, CODES, FLOATS, GRID_OUT)
def usual_of_groups(
    source: npt.NDArray[np.int16], receiver: Codes, height: Floats, usual: Floats
) -> None:
    """The height that more than half of a group's shots have, which is their median too.

    Parameters
    ----------
    source : (n,) int16
    receiver : (n,) int32
        From -1 on.
    height : (n,) float64
        Of the antenna as recorded; shots where it is not finite do not count.
    usual : (uploads, receivers + 1) float64, written
        By upload and receiver + 1; NaN where no height has a majority.

    Notes
    -----
    By voting: shots with their group's candidate support it, others take support away, and one
    without any is replaced. Only a majority survives that; a count tells whether it is one.
    """
    support = np.zeros(usual.shape, np.int64)
    usual[:] = nan
    for shot in range(len(height)):
        if isfinite(height[shot]):
            group = source[shot], receiver[shot] + 1
            if support[group] == 0:
                usual[group] = height[shot]
            support[group] += 1 if usual[group] == height[shot] else -1
    support[:] = 0
    for shot in range(len(height)):
        if isfinite(height[shot]):
            group = source[shot], receiver[shot] + 1
            support[group] += 1 if usual[group] == height[shot] else -1
    for upload in range(len(usual)):
        for device in range(usual.shape[1]):
            if support[upload, device] <= 0:
                usual[upload, device] = nan
