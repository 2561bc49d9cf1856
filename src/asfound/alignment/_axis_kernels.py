"""The smoothed axis sampled, and what lines are told by: residuals, ground, bends, gaps.

Between nodes the smoothed mean is a cubic with the slopes at both ends, and state and variance
follow from the filter at the node before and the adjoint at the node after (see `_smoother`).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    CUBE,
    CUBE_OUT,
    FLAGS,
    FLOATS,
    FLOATS_OUT,
    GRID,
    GRID_OUT,
    INTEGERS,
    INTEGERS_OUT,
    kernel,
    part,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TOLERANCE = 0.002
FINEST = 0.5
LEAST_VARIANCE = 1e-12
LEAST_BEND = math.radians(8.0)
LEAST_WEIGHT = 0.05
GAP_SPACINGS = 3.5
GAP_LEAST = 15.0
USUAL_SPACING = 5.0
LOOKED_AT = 16
"""Of a long line so many spacings spread over it tell what is usual."""
ONE_PLACE = 1e-6
"""Shots no farther apart stand at one place along the line [m]."""
SMALL_TANGENT = 0.05
"""Up to this tangent the series of `_small_angle` is exact to the last digits."""


@part
def _between(
    f11: float, f12: float, f22: float, q: float, ahead: float
) -> tuple[float, float, float]:
    """Predicted variance (11, 12, 22) ahead of a node, from that at the node."""
    qa = q * ahead
    p11 = f11 + ahead * (2.0 * f12 + ahead * f22 + qa * ahead / 3.0)
    return p11, f12 + ahead * f22 + 0.5 * qa * ahead, f22 + qa


@part
def _variance_at(p11: float, p12: float, n11: float, n12: float, n22: float, rest: float) -> float:
    """Smoothed variance from the predicted one and the information at the next node."""
    l12 = n12 + rest * n11
    l22 = n22 + rest * (2.0 * n12 + rest * n11)
    return p11 - (p11 * p11 * n11 + 2.0 * p11 * p12 * l12 + p12 * p12 * l22)


@part
def _swell(
    i: int,
    d: float,
    q: float,
    kink: float,
    here: float,
    there: float,
    filtered_variance: Floats,
    information: Floats,
) -> float:
    """How far the standard deviation half-way to the next node is off the mean of both ends'.

    0 where that is less than `TOLERANCE`; `here` and `there` are the ends'.
    """
    half = 0.5 * d
    p11, p12, _ = _between(
        filtered_variance[0, i], filtered_variance[1, i], filtered_variance[2, i] + kink, q, half
    )
    middle = _variance_at(
        p11, p12, information[0, i + 1], information[1, i + 1], information[2, i + 1], half
    )
    usual = 0.5 * (here + there)
    # mostly nothing to speak of, told without a root
    if usual > TOLERANCE and (usual - TOLERANCE) ** 2 < middle < (usual + TOLERANCE) ** 2:
        return 0.0
    return abs(math.sqrt(max(middle, 0.0)) - usual)


@part
def _slope(
    i: int, d: float, known: float, column: int, filtered: Floats, f12: float, adjoint: Floats
) -> tuple[float, float]:
    """Smoothed slope before a kink at the node, and what the slope gains per variance added."""
    r1 = adjoint[column, 0, i + 1]
    r2 = adjoint[column, 1, i + 1] + d * r1
    return filtered[column, 1, i] + f12 * r1 + known * r2, r2


@kernel(
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    FLOATS,
    CUBE,
    GRID,
    CUBE,
    GRID,
    FLOATS,
    FLOATS,
    FLOATS,
    CUBE,
    GRID,
    CUBE,
    GRID,
    GRID_OUT,
    INTEGERS_OUT,
    INTEGERS_OUT,
)
def cut_intervals(
    starts: Integers,
    gap: Floats,
    wander: Floats,
    kink: Floats,
    variance: Floats,
    filtered: Floats,
    filtered_variance: Floats,
    adjoint: Floats,
    information: Floats,
    level_wander: Floats,
    level_kink: Floats,
    level_variance: Floats,
    level_filtered: Floats,
    level_filtered_variance: Floats,
    level_adjoint: Floats,
    level_information: Floats,
    slope: Floats,
    pieces: Integers,
    sample_starts: Integers,
) -> None:
    """In how many pieces the axis is sampled from each node to the next, and its slope at nodes.

    Between samples everything is read by straight interpolation; samples are set so that this
    errs by about `TOLERANCE` at most in place and in standard deviation, but never closer than
    `FINEST`. Half-way the cubic lies d / 8 times the difference of its ends' slopes off the
    straight.

    Parameters
    ----------
    starts : (lines + 1,) int64
    gap : (n,) float64
    wander, kink, variance, filtered, filtered_variance, adjoint, information
        Of the plane's `Track` and `Smoothed` (`information` is `adjoint_variance`).
    level_wander ... level_information
        Of the level's.
    slope : (2, n) float64
        Written: of easting and northing past each node (and its kink).
    pieces : (n,) int64
        Written; 1 at a line's last node.
    sample_starts : (lines + 1,) int64
        Written: where the samples of each line start.
    """
    samples = 0
    before = np.zeros(3)
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        sample_starts[line] = samples
        rise = sd_before = level_sd_before = 0.0
        for i in range(begin, end):
            last = i == end - 1
            d = gap[i]
            sd = math.sqrt(max(variance[i], 0.0))
            level_sd = math.sqrt(max(level_variance[i], 0.0))
            if last:
                before[0], before[1] = filtered[0, 1, i], filtered[1, 1, i]
                before[2] = level_filtered[0, 1, i]
                slope[0, i], slope[1, i] = before[0], before[1]
                rise_past = 0.0
            else:
                f12, f22 = filtered_variance[1, i], filtered_variance[2, i]
                before[0], r = _slope(i, d, f22, 0, filtered, f12, adjoint)
                slope[0, i] = before[0] + kink[i] * r
                before[1], r = _slope(i, d, f22, 1, filtered, f12, adjoint)
                slope[1, i] = before[1] + kink[i] * r
                f12, f22 = level_filtered_variance[1, i], level_filtered_variance[2, i]
                before[2], r = _slope(i, d, f22, 0, level_filtered, f12, level_adjoint)
                rise_past = before[2] + level_kink[i] * r
            if i > begin:
                back = gap[i - 1]
                pieces[i - 1] = 1
                if back > FINEST:
                    east, north = slope[0, i - 1] - before[0], slope[1, i - 1] - before[1]
                    bow = max(east * east + north * north, (rise - before[2]) ** 2)
                    bent = 0.0
                    if bow * back * back > (8.0 * TOLERANCE) ** 2:
                        bent = 0.125 * back * math.sqrt(bow)
                    swell = _swell(
                        i - 1,
                        back,
                        wander[i - 1],
                        kink[i - 1],
                        sd_before,
                        sd,
                        filtered_variance,
                        information,
                    )
                    level_swell = _swell(
                        i - 1,
                        back,
                        level_wander[i - 1],
                        level_kink[i - 1],
                        level_sd_before,
                        level_sd,
                        level_filtered_variance,
                        level_information,
                    )
                    bent = max(bent, swell, level_swell)
                    if bent > TOLERANCE:
                        wanted = math.ceil(math.sqrt(bent / TOLERANCE))
                        pieces[i - 1] = int(max(min(wanted, math.ceil(back / FINEST)), 1))
                samples += pieces[i - 1]
            rise, sd_before, level_sd_before = rise_past, sd, level_sd
        if end > begin:
            pieces[end - 1] = 1
            samples += 1
    sample_starts[len(starts) - 1] = samples


@part
def _small_angle(t: float) -> float:
    """Angle of a tangent no larger than `SMALL_TANGENT`."""
    s = t * t
    return t * (
        1.0
        - s * (1.0 / 3.0 - s * (1.0 / 5.0 - s * (1.0 / 7.0 - s * (1.0 / 9.0 - s * (1.0 / 11.0)))))
    )


@kernel(
    INTEGERS,
    FLOATS,
    INTEGERS,
    INTEGERS,
    GRID,
    FLOATS,
    FLOATS,
    GRID,
    FLOATS,
    CUBE,
    GRID,
    CUBE,
    GRID,
    FLOATS,
    FLOATS,
    GRID,
    FLOATS,
    CUBE,
    GRID,
    CUBE,
    GRID,
    FLOATS,
    GRID,
    GRID,
    INTEGERS,
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    INTEGERS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    FLOATS_OUT,
    CUBE_OUT,
    CUBE_OUT,
    FLOATS_OUT,
    GRID_OUT,
)
def sample_axis(
    starts: Integers,
    gap: Floats,
    pieces: Integers,
    sample_starts: Integers,
    slope: Floats,
    wander: Floats,
    kink: Floats,
    mean: Floats,
    variance: Floats,
    filtered: Floats,
    filtered_variance: Floats,
    adjoint: Floats,
    information: Floats,
    level_wander: Floats,
    level_kink: Floats,
    level_mean: Floats,
    level_variance: Floats,
    level_filtered: Floats,
    level_filtered_variance: Floats,
    level_adjoint: Floats,
    level_information: Floats,
    deep_weight: Floats,
    even: Floats,
    origin: Floats,
    member: Integers,
    shot: Integers,
    east: Floats,
    north: Floats,
    centre_height: Floats,
    first: Integers,
    station: Floats,
    easting: Floats,
    northing: Floats,
    height: Floats,
    bearing: Floats,
    covariance: Floats,
    independent: Floats,
    shot_station: Floats,
    residual: Floats,
) -> None:
    """Sample the axes of lines, and measure their m shots from them; n nodes, s samples.

    Parameters
    ----------
    starts, gap, wander ... level_information
        As of `cut_intervals`, with both channels' `mean`.
    pieces, sample_starts, slope
        As written there.
    deep_weight : (n,) float64
        Weight in the level of each node's shot.
    even : (4, lines) float64
        What shared errors add to all of a line: east-east, north-north, east-north, up-up [m2].
    origin : (3, lines) float64
        Of each line, as in `Members`.
    member : (n,) int64
    shot, east, north : (m,) int64, float64
        By member.
    centre_height : float64
        By shot.
    first : (n,) int64
        Written: the sample at each node.
    station, easting, northing, height, bearing, covariance, independent
        Written, by sample, as in `Line`.
    shot_station, residual
        Written, by member, as in `Line`.
    """
    base_x, base_y, base = 0.0, 1.0, 0.0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        shallow = True
        for i in range(begin, end):
            if deep_weight[i] > LEAST_WEIGHT:
                shallow = False
                break
        k = sample_starts[line]
        along = x_before = y_before = 0.0
        for i in range(begin, end):
            first[i] = k
            for piece in range(pieces[i]):
                x, y, z = mean[0, i], mean[1, i], level_mean[0, i]
                sx, sy = slope[0, i], slope[1, i]
                v, w = variance[i], level_variance[i]
                if piece > 0:
                    ahead = gap[i] * piece / pieces[i]
                    rest = gap[i] - ahead
                    p11, p12, p22 = _between(
                        filtered_variance[0, i],
                        filtered_variance[1, i],
                        filtered_variance[2, i] + kink[i],
                        wander[i],
                        ahead,
                    )
                    n11, n12, n22 = (
                        information[0, i + 1],
                        information[1, i + 1],
                        information[2, i + 1],
                    )
                    v = _variance_at(p11, p12, n11, n12, n22, rest)
                    r1 = adjoint[0, 0, i + 1]
                    r2 = adjoint[0, 1, i + 1] + rest * r1
                    x = filtered[0, 0, i] + ahead * filtered[0, 1, i] + p11 * r1 + p12 * r2
                    sx = filtered[0, 1, i] + p12 * r1 + p22 * r2
                    r1 = adjoint[1, 0, i + 1]
                    r2 = adjoint[1, 1, i + 1] + rest * r1
                    y = filtered[1, 0, i] + ahead * filtered[1, 1, i] + p11 * r1 + p12 * r2
                    sy = filtered[1, 1, i] + p12 * r1 + p22 * r2
                    p11, p12, p22 = _between(
                        level_filtered_variance[0, i],
                        level_filtered_variance[1, i],
                        level_filtered_variance[2, i] + level_kink[i],
                        level_wander[i],
                        ahead,
                    )
                    n11, n12, n22 = (
                        level_information[0, i + 1],
                        level_information[1, i + 1],
                        level_information[2, i + 1],
                    )
                    w = _variance_at(p11, p12, n11, n12, n22, rest)
                    r1 = level_adjoint[0, 0, i + 1]
                    r2 = level_adjoint[0, 1, i + 1] + rest * r1
                    z = (
                        level_filtered[0, 0, i]
                        + ahead * level_filtered[0, 1, i]
                        + p11 * r1
                        + p12 * r2
                    )
                if i > begin or piece > 0:
                    dx, dy = x - x_before, y - y_before
                    along += math.sqrt(dx * dx + dy * dy)
                x_before, y_before = x, y
                station[k] = along
                easting[k], northing[k] = x + origin[0, line], y + origin[1, line]
                height[k] = np.nan if shallow else z + origin[2, line]
                # directions near the last full one, by a series
                cross, dot = sx * base_y - sy * base_x, sx * base_x + sy * base_y
                if abs(cross) <= SMALL_TANGENT * dot and dot > 0.0:
                    angle = base + _small_angle(cross / dot)
                else:
                    base_x, base_y, base = sx, sy, math.atan2(sx, sy)
                    angle = base
                bearing[k] = angle if angle >= 0.0 else angle + 2.0 * math.pi
                v, w = max(v, LEAST_VARIANCE), max(w, LEAST_VARIANCE)
                unknown = np.nan if shallow else 0.0
                independent[k, 0, 0] = independent[k, 1, 1] = v
                independent[k, 0, 1] = independent[k, 1, 0] = 0.0
                covariance[k, 0, 0], covariance[k, 1, 1] = v + even[0, line], v + even[1, line]
                covariance[k, 0, 1] = covariance[k, 1, 0] = even[2, line]
                for axis in range(2):
                    independent[k, axis, 2] = independent[k, 2, axis] = unknown
                    covariance[k, axis, 2] = covariance[k, 2, axis] = unknown
                independent[k, 2, 2] = w + unknown
                covariance[k, 2, 2] = w + even[3, line] + unknown
                if piece == 0 and member[i] >= 0:
                    m = member[i]
                    shot_station[m] = along
                    length = math.sqrt(sx * sx + sy * sy)
                    sine, cosine = 0.0, 1.0
                    if length > 0.0:
                        sine, cosine = sx / length, sy / length
                    dx, dy = east[m] - x, north[m] - y
                    residual[m, 0] = dx * sine + dy * cosine
                    residual[m, 1] = dy * sine - dx * cosine
                    residual[m, 2] = centre_height[shot[m]] - height[k]
                k += 1


@part
def _above(
    begin: int,
    end: int,
    member: Integers,
    first: Integers,
    low: int,
    high: int,
    station: Floats,
    shot: Integers,
    ground: Floats,
    above: Floats,
) -> None:
    """Ground over samples low to high, straight between shots; the nearest one's past the last."""
    told = -1
    level = np.nan
    for i in range(begin, end):
        if member[i] < 0:
            continue
        here = ground[shot[member[i]]]
        if not math.isfinite(here):
            continue
        k = first[i]
        if told < 0:
            for s in range(low, k):
                above[s] = here
            told = k
        elif station[k] > station[told] + ONE_PLACE:
            grade = (here - level) / (station[k] - station[told])
            for s in range(told, k):
                above[s] = level + grade * (station[s] - station[told])
            told = k
        # of several shots at one place the last one is told
        level = here
    for s in range(low if told < 0 else told, high):
        above[s] = level


@part
def _usual_step(station: Floats, used: Flags, begin: int, end: int, steps: int) -> float:
    """Median of the steps from each used shot to the next."""
    if steps == 0:
        return USUAL_SPACING
    looked = np.empty(LOOKED_AT)
    taken = min(steps, LOOKED_AT)
    number, step, last = 0, 0, -1
    for k in range(begin, end):
        if not used[k]:
            continue
        if last >= 0:
            if number < taken and step == number * steps // taken:
                here = station[k] - station[last]
                place = number
                while place > 0 and looked[place - 1] > here:
                    looked[place] = looked[place - 1]
                    place -= 1
                looked[place] = here
                number += 1
            step += 1
        last = k
    return float(looked[(taken - 1) // 2])


@kernel(
    INTEGERS,
    INTEGERS,
    INTEGERS,
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    INTEGERS,
    INTEGERS,
    FLAGS,
    FLOATS,
    FLOATS,
    FLOATS,
    FLOATS_OUT,
    GRID_OUT,
    INTEGERS_OUT,
    GRID_OUT,
    INTEGERS_OUT,
    FLOATS_OUT,
)
def describe_lines(
    starts: Integers,
    member: Integers,
    first: Integers,
    sample_starts: Integers,
    station: Floats,
    deflection: Floats,
    turn: Floats,
    member_starts: Integers,
    shot: Integers,
    used: Flags,
    shot_station: Floats,
    ground: Floats,
    outside_diameter: Floats,
    above: Floats,
    bends: Floats,
    bend_starts: Integers,
    gaps: Floats,
    gap_starts: Integers,
    diameter: Floats,
) -> None:
    """Ground over the samples, and each line's bends, gaps and outside diameter.

    Parameters
    ----------
    starts, member, first, sample_starts, station, shot_station
        As of `sample_axis`.
    deflection : (n,) float64
        Of a bend located between legs, by node [rad].
    turn : (n,) float64
        Of a turn found between the node and the next.
    member_starts : (lines + 1,) int64
    shot : (m,) int64
    used : (m,) bool
    ground, outside_diameter : float64
        By shot.
    above : (s,) float64
        Written.
    bends : (n, 2) float64
        Written: station [m] and deflection [rad]; those of line i from ``bend_starts[i]`` on.
    gaps : (m, 2) float64
        Written: stations of both ends; those of line i from ``gap_starts[i]`` on.
    diameter : (lines,) float64
        Written: the first known.
    """
    bend, wide = 0, 0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        low, high = sample_starts[line], sample_starts[line + 1]
        _above(begin, end, member, first, low, high, station, shot, ground, above)
        bend_starts[line] = bend
        for i in range(begin, end):
            place = station[first[i]]
            here = deflection[i]
            if member[i] >= 0:
                here = turn[i]
                if i + 1 < end:
                    place = 0.5 * (place + station[first[i + 1]])
            if abs(here) >= LEAST_BEND:
                bends[bend, 0], bends[bend, 1] = place, here
                bend += 1
        gap_starts[line] = wide
        begin, end = member_starts[line], member_starts[line + 1]
        steps, last, most = 0, -1, 0.0
        diameter[line] = np.nan
        for k in range(begin, end):
            if math.isnan(diameter[line]) and math.isfinite(outside_diameter[shot[k]]):
                diameter[line] = outside_diameter[shot[k]]
            if used[k]:
                if last >= 0:
                    most = max(most, shot_station[k] - shot_station[last])
                    steps += 1
                last = k
        if most > GAP_LEAST:
            usual = _usual_step(shot_station, used, begin, end, steps)
            limit = max(GAP_SPACINGS * usual, GAP_LEAST)
            last = -1
            for k in range(begin, end):
                if used[k]:
                    if last >= 0 and shot_station[k] - shot_station[last] > limit:
                        gaps[wide, 0], gaps[wide, 1] = shot_station[last], shot_station[k]
                        wide += 1
                    last = k
    bend_starts[len(starts) - 1] = bend
    gap_starts[len(starts) - 1] = wide
