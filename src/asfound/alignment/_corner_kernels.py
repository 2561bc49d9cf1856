"""Stray shots, sharp bends and stations: what is known of a line before it is smoothed.

A bend lies where two straight legs meet. A leg is a straight fit over up to four shots. On a
curve legs are not straight, or the deflection is the same all along; at a bend both legs are
straight and the deflection peaks. A leg of two shots always fits: the bend is then taken as
sharp, which the wander of the interval (see `_fitted`) makes up for.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from asfound.compiled import (
    FLAGS,
    FLAGS_OUT,
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

LEG = 4
LEAST_DEFLECTION = math.radians(10.0)
SIGNIFICANCE = 4.0
STRAIGHT = 2.5
LEAST_STEP = 1e-3
STRAIGHT_ON = math.tan(math.radians(4.99))
"""Tangent of a little less than half the least deflection: see `_turning`."""
NO_BEND = math.tan(math.radians(9.99))
AGREE = 2.0 * math.cos(math.radians(15.0))
"""Length of the sum of two unit vectors that differ by thirty degrees."""


@part
def _off(e: Floats, n: Floats, a: int, b: int, c: int) -> float:
    """Distance of b from the straight through a and c."""
    ex, ey = e[c] - e[a], n[c] - n[a]
    away = abs((e[b] - e[a]) * ey - (n[b] - n[a]) * ex)
    return float(away / max(math.hypot(ex, ey), 1e-6))


@part
def _find_spikes(
    e: Floats, n: Floats, variance: Floats, begin: int, end: int, sound: Flags
) -> None:
    """Unset shots far off the straight between their neighbours on a stretch that is straight."""
    for i in range(begin + 2, end - 2):
        ex, ey = e[i + 1] - e[i - 1], n[i + 1] - n[i - 1]
        away = (e[i] - e[i - 1]) * ey - (n[i] - n[i - 1]) * ex
        beside = max(variance[i - 1], variance[i + 1])
        # sooner told without roots: (sd + sd')^2 >= sd^2 + sd'^2
        least = 24.9 * (variance[i] + beside) * max(ex * ex + ey * ey, 1e-12)
        if away * away < least:
            continue
        spread = math.sqrt(variance[i]) + math.sqrt(beside)
        here = _off(e, n, i - 1, i, i + 1)
        before, after = _off(e, n, i - 2, i - 1, i + 1), _off(e, n, i - 1, i + 1, i + 2)
        if here > 5.0 * spread and here > 4.0 * (before + after) + 2.0 * spread:
            sound[i] = False


@part
def _turning(x: Floats, y: Floats, kept: Integers, number: int, run: Integers) -> None:
    """Number the runs of steps that all lie within five degrees of one direction.

    A leg's direction lies between those of its steps, so legs within one run deflect by less
    than the least deflection of a bend.
    """
    dx = dy = 0.0
    current = 0
    for k in range(number - 1):
        sx, sy = x[kept[k + 1]] - x[kept[k]], y[kept[k + 1]] - y[kept[k]]
        if not abs(dx * sy - dy * sx) <= STRAIGHT_ON * (dx * sx + dy * sy) or (
            dx == 0.0 and dy == 0.0
        ):
            dx, dy = sx, sy
            current += 1
        run[k] = current


@part
def _straight(x: Floats, y: Floats, kept: Integers, low: int, high: int) -> bool:
    """Whether steps low to high all lie within five degrees of the way from end to end."""
    dx, dy = x[kept[high + 1]] - x[kept[low]], y[kept[high + 1]] - y[kept[low]]
    for k in range(low, high + 1):
        sx, sy = x[kept[k + 1]] - x[kept[k]], y[kept[k + 1]] - y[kept[k]]
        if not abs(dx * sy - dy * sx) <= STRAIGHT_ON * (dx * sx + dy * sy):
            return False
    return True


@part
def _leg(
    x: Floats, y: Floats, variance: Floats, kept: Integers, number: int, at: int, sign: int
) -> tuple[float, float, float, float]:
    """Straight fit from a shot to up to three more on one side.

    Returns unit direction in walking order (x, y), its standard deviation [rad], and scaled root
    mean square distance from the fit.
    """
    here = kept[at]
    n = 1.0
    sx = sy = sxx = sxy = syy = far_x = far_y = 0.0
    sv = variance[here]
    for k in range(1, LEG):
        place = at + sign * k
        if place < 0 or place >= number:
            break
        there = kept[place]
        far_x, far_y = x[there] - x[here], y[there] - y[here]
        n += 1.0
        sx += far_x
        sy += far_y
        sxx += far_x * far_x
        sxy += far_x * far_y
        syy += far_y * far_y
        sv += variance[there]
    mx, my = sx / n, sy / n
    xx, xy, yy = sxx - n * mx * mx, sxy - n * mx * my, syy - n * my * my
    # twice the direction's angle has this cosine and sine, times `double`
    c2, s2 = xx - yy, 2.0 * xy
    double = math.sqrt(c2 * c2 + s2 * s2)
    most = max(0.5 * (xx + yy + double), 1e-12)
    least = max(0.5 * (xx + yy - double), 0.0)
    tx, ty = 1.0, 0.0
    if c2 > 0.0:
        tx = math.sqrt(0.5 * (1.0 + c2 / double))
        ty = 0.5 * s2 / (double * tx)
    elif double > 0.0:
        ty = math.sqrt(0.5 * (1.0 - c2 / double))
        tx = 0.5 * s2 / (double * ty)
    if (tx * far_x + ty * far_y) * sign < 0:
        tx, ty = -tx, -ty
    mean_variance = sv / n
    rms = 0.0
    if n > 2.5:
        rms = math.sqrt(least / max(n - 2.0, 1.0) / max(mean_variance, 1e-8))
    return tx, ty, math.sqrt(mean_variance / most), rms


@part
def _bend_at(
    x: Floats, y: Floats, variance: Floats, kept: Integers, number: int, at: int
) -> tuple[float, float, float, float]:
    """Bend between a shot and the next: score (0 if none), deflection, and where on both sides."""
    lx, ly, l_sd, l_rms = _leg(x, y, variance, kept, number, at, -1)
    rx, ry, r_sd, r_rms = _leg(x, y, variance, kept, number, at + 1, 1)
    cross, dot = ly * rx - lx * ry, lx * rx + ly * ry
    if l_rms > STRAIGHT or r_rms > STRAIGHT or abs(cross) < NO_BEND * dot:
        return 0.0, 0.0, 0.0, 0.0
    deflection = math.atan2(cross, dot)
    wobble = math.hypot(l_sd, r_sd)
    size = abs(deflection)
    if size <= max(LEAST_DEFLECTION, SIGNIFICANCE * wobble):
        return 0.0, 0.0, 0.0, 0.0
    # where the legs meet
    one, two = kept[at], kept[at + 1]
    gx, gy = x[two] - x[one], y[two] - y[one]
    gap = math.hypot(gx, gy)
    bend = lx * ry - ly * rx
    if abs(bend) <= 1e-6:
        bend = 1e-6
    before = (gx * ry - gy * rx) / bend
    after = (gx - before * lx) * rx + (gy - before * ly) * ry
    slack = 4.0 * math.sqrt(max(variance[one], variance[two]))
    slack = slack / max(math.sin(min(size, 1.5)), 0.1)
    if before > -slack and after > -slack and before + after < 1.6 * gap + 2.0 * slack:
        score = size / max(wobble, 1e-6) - 0.5 * (l_rms + r_rms)
        return score, deflection, before, after
    return 0.0, 0.0, 0.0, 0.0


@part
def _peak(score: Floats, number: int, k: int) -> bool:
    """Whether a score is the largest within two intervals."""
    best = score[k] > 0.0
    for i in range(max(k - 2, 0), k):
        best = best and score[i] < score[k]
    for i in range(k + 1, min(k + 3, number - 1)):
        best = best and score[i] <= score[k]
    return bool(best)


@part
def _add_up(
    x: Floats,
    y: Floats,
    kept: Integers,
    number: int,
    begin: int,
    end: int,
    step: Floats,
    station: Floats,
) -> None:
    """Stations of sound shots by their steps, and of those between by where they stand."""
    if number == 0:
        for k in range(begin, end):
            station[k] = 0.0
        return
    total = 0.0
    for k in range(begin, kept[0] + 1):
        station[k] = 0.0
    for i in range(1, number):
        a, b = kept[i - 1], kept[i]
        past = total + step[i - 1]
        if b > a + 1:
            dx, dy = x[b] - x[a], y[b] - y[a]
            square = max(dx * dx + dy * dy, 1e-9)
            for k in range(a + 1, b):
                share = ((x[k] - x[a]) * dx + (y[k] - y[a]) * dy) / square
                station[k] = total + min(max(share, 0.0), 1.0) * (past - total)
        station[b] = past
        total = past
    for k in range(kept[number - 1] + 1, end):
        station[k] = total


@kernel(
    INTEGERS,
    FLOATS,
    FLOATS,
    FLOATS,
    GRID,
    FLAGS,
    FLAGS_OUT,
    FLOATS_OUT,
    INTEGERS_OUT,
    GRID_OUT,
)
def place_shots(
    starts: Integers,
    x: Floats,
    y: Floats,
    variance: Floats,
    left: Floats,
    usable: Flags,
    sound: Flags,
    station: Floats,
    corner: Integers,
    bend: Floats,
) -> int:
    """Find stray shots and bends, and measure each shot's station by way of the bends.

    Parameters
    ----------
    starts : (lines + 1,) int64
    x, y : (m,) float64
        Shots in order along their lines [m].
    variance : (m,) float64
        Across the line [m2].
    left : (2, m) float64
        As in `Members`.
    usable : (m,) bool
    sound : (m,) bool
        Written: usable, and no stray.
    station : (m,) float64
        Written: projected on the line, from the first sound shot [m].
    corner : (b,) int64
        Written: the sound shot before each bend; b is at least the number of usable shots.
    bend : (3, b) float64
        Written: from that shot to the bend, from the bend to the next sound one [m], deflection,
        right positive [rad].

    Returns
    -------
    int
        Number of bends.
    """
    longest = 1
    for line in range(len(starts) - 1):
        longest = max(longest, starts[line + 1] - starts[line])
    kept, run = np.empty(longest, np.int64), np.empty(longest, np.int64)
    score, step = np.empty(longest), np.empty(longest)
    found = np.empty((3, longest))
    bends = 0
    for line in range(len(starts) - 1):
        begin, end = starts[line], starts[line + 1]
        for k in range(begin, end):
            sound[k] = usable[k]
        _find_spikes(x, y, variance, begin, end, sound)
        number = 0
        for k in range(begin, end):
            if sound[k]:
                kept[number] = k
                number += 1
        _turning(x, y, kept, number, run)
        turns = 0
        for k in range(number - 1):
            score[k] = 0.0
            # both legs need two shots
            if k < 1 or k > number - 3:
                continue
            low, high = max(k - LEG + 1, 0), min(k + LEG - 1, number - 2)
            if run[low] != run[high] and not _straight(x, y, kept, low, high):
                score[k], found[2, k], found[0, k], found[1, k] = _bend_at(
                    x, y, variance, kept, number, k
                )
                turns += score[k] > 0.0
        for k in range(number - 1):
            a, b = kept[k], kept[k + 1]
            dx, dy = x[b] - x[a], y[b] - y[a]
            # along the mean direction of both ends where they agree, else as it comes
            mx, my = left[1, a] + left[1, b], -left[0, a] - left[0, b]
            length = math.sqrt(mx * mx + my * my)
            along = (dx * mx + dy * my) / length if length > AGREE else math.hypot(dx, dy)
            step[k] = max(along, LEAST_STEP)
        if turns:
            for k in range(number - 1):
                if _peak(score, number, k):
                    before, after = max(found[0, k], 0.02), max(found[1, k], 0.02)
                    step[k] = before + after
                    corner[bends] = kept[k]
                    bend[0, bends], bend[1, bends], bend[2, bends] = before, after, found[2, k]
                    bends += 1
        _add_up(x, y, kept, number, begin, end, step, station)
    return bends
