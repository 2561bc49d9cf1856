"""Sharp bends: where two straight legs meet, and the place they meet at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

LEG = 4
LEAST_DEFLECTION = np.radians(10.0)
SIGNIFICANCE = 4.0
STRAIGHT = 2.5


@dataclass(frozen=True, eq=False)
class Corners:
    """Bends between shots.

    Parameters
    ----------
    node : (b,) int64
        The bend lies between this shot (flat index) and the next used one.
    following : (b,) int64
        That next one.
    before, after : (b,) float64
        From the shot to the bend, from the bend to the next [m].
    deflection : (b,) float64
        Right positive [rad].
    """

    node: Integers
    following: Integers
    before: Floats
    after: Floats
    deflection: Floats


def find_corners(
    starts: Integers, x: Floats, y: Floats, sd: Floats, used: npt.NDArray[np.bool_]
) -> Corners:
    """Bends by the directions of straight legs before and after each interval.

    Parameters
    ----------
    starts : (lines + 1,) int64
    x, y, sd : (n,) float64
        Shots in order along their lines and their scatter [m].
    used : (n,) bool

    Returns
    -------
    Corners

    Notes
    -----
    A leg is a straight fit over up to four shots. On a curve legs are not straight, or the
    deflection is the same all along; at a bend both legs are straight and the deflection peaks.
    A leg of two shots always fits: the bend is then taken as sharp, which the wander of the
    interval (see `fit`) makes up for.
    """
    keep = np.flatnonzero(used)
    none = np.empty(0, np.int64)
    if len(keep) < 3:
        return Corners(none, none, np.empty(0), np.empty(0), np.empty(0))
    owner = np.repeat(np.arange(len(starts) - 1), np.diff(starts))[keep]
    px, py, ps = x[keep], y[keep], sd[keep]
    left = _leg(px, py, ps, owner, -1)
    right = _leg(px, py, ps, owner, 1)
    node = np.flatnonzero(owner[1:] == owner[:-1])
    lx, ly, l_sd, l_rms, l_number = (part[node] for part in left)
    rx, ry, r_sd, r_rms, r_number = (part[node + 1] for part in right)
    cross = ly * rx - lx * ry
    dot = lx * rx + ly * ry
    deflection = np.arctan2(cross, dot)
    wobble = np.hypot(l_sd, r_sd)
    straight = (l_rms <= STRAIGHT) & (r_rms <= STRAIGHT)
    size = np.abs(deflection)
    able = (l_number >= 2) & (r_number >= 2) & straight
    able &= size > np.maximum(LEAST_DEFLECTION, SIGNIFICANCE * wobble)
    # where the legs meet
    gx, gy = px[node + 1] - px[node], py[node + 1] - py[node]
    gap = np.hypot(gx, gy)
    bend = lx * ry - ly * rx
    bend = np.where(np.abs(bend) > 1e-6, bend, 1e-6)
    before = (gx * ry - gy * rx) / bend
    after = (gx - before * lx) * rx + (gy - before * ly) * ry
    slack = 4.0 * np.maximum(ps[node], ps[node + 1])
    slack = slack / np.maximum(np.sin(np.minimum(size, 1.5)), 0.1)
    meets = (before > -slack) & (after > -slack) & (before + after < 1.6 * gap + 2.0 * slack)
    able &= meets
    score = np.where(able, size / np.maximum(wobble, 1e-6) - 0.5 * (l_rms + r_rms), 0.0)
    best = _peaks(score, owner[node])
    chosen = np.flatnonzero(best)
    if len(chosen) == 0:
        return Corners(none, none, np.empty(0), np.empty(0), np.empty(0))
    at = node[chosen]
    return Corners(
        keep[at],
        keep[at + 1],
        np.maximum(before[chosen], 0.02),
        np.maximum(after[chosen], 0.02),
        deflection[chosen],
    )


def _leg(
    x: Floats, y: Floats, sd: Floats, owner: Integers, sign: int
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Straight fit from each shot to up to three more on one side.

    Returns unit direction in walking order (x, y), its standard deviation [rad], scaled root
    mean square distance from the fit, and the number of shots.
    """
    count = len(x)
    n = np.ones(count)
    sx, sy = np.zeros(count), np.zeros(count)
    sxx, sxy, syy = np.zeros(count), np.zeros(count), np.zeros(count)
    var = sd * sd
    sv = var.copy()
    far_x, far_y = np.zeros(count), np.zeros(count)
    for k in range(1, LEG):
        if k >= count:
            break
        here = slice(k, None) if sign < 0 else slice(None, -k)
        there = slice(None, -k) if sign < 0 else slice(k, None)
        same = (owner[here] == owner[there]).astype(np.float64)
        dx, dy = (x[there] - x[here]) * same, (y[there] - y[here]) * same
        n[here] += same
        sx[here] += dx
        sy[here] += dy
        sxx[here] += dx * dx
        sxy[here] += dx * dy
        syy[here] += dy * dy
        sv[here] += var[there] * same
        far_x[here] = np.where(same > 0, dx, far_x[here])
        far_y[here] = np.where(same > 0, dy, far_y[here])
    mx, my = sx / n, sy / n
    xx, xy, yy = sxx - n * mx * mx, sxy - n * mx * my, syy - n * my * my
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    half = 0.5 * np.hypot(xx - yy, 2.0 * xy)
    most = np.maximum(0.5 * (xx + yy) + half, 1e-12)
    least = np.maximum(0.5 * (xx + yy) - half, 0.0)
    tx, ty = np.cos(angle), np.sin(angle)
    flip = (tx * far_x + ty * far_y) * sign < 0
    tx, ty = np.where(flip, -tx, tx), np.where(flip, -ty, ty)
    mean_var = sv / n
    rms = np.sqrt(least / np.maximum(n - 2.0, 1.0) / np.maximum(mean_var, 1e-8))
    rms[n < 3] = 0.0
    direction_sd = np.sqrt(mean_var / most)
    return tx, ty, direction_sd, rms, n


def _peaks(score: Floats, owner: Integers) -> npt.NDArray[np.bool_]:
    """Local maxima within two intervals on the same line."""
    best = score > 0
    count = len(score)
    for k in (1, 2):
        if k >= count:
            break
        same = owner[k:] == owner[:-k]
        best[:-k] &= ~same | (score[:-k] >= score[k:])
        best[k:] &= ~same | (score[k:] > score[:-k])
    return best
