"""The probability that line and dig are within a distance: an integral over normal space."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from asfound.clearance._directions import How, frame_of, soonest_directions
from asfound.clearance._scene import PLAN, SEPARATION, Scene, node_distances, touching
from asfound.clearance._sobol import normal_points
from asfound.clearance._touch_kernels import FAR, STEEPER

Floats = npt.NDArray[np.float64]

SCRAMBLINGS = 8
FEWEST, MOST = 32, 2048
GOAL = 6e-4
AGREE = 1.5e-3
SETTLED = 4.0
CERTAIN = 5.5
SURE = 5.0


def chances(scene: Scene, how: How, extra: Floats) -> tuple[Floats, Floats, int]:
    """Probability of distance <= radius + extra for several extras.

    Parameters
    ----------
    scene : Scene
    how : (str, float, float)
        Which distance, as for `core_distance`.
    extra : (e,) float64
        [m].

    Returns
    -------
    chance, error : (e,) float64
        And its standard error.
    points : int
        Lines through normal space that were followed.
    """
    chance, error = _settled(scene, how, extra), np.zeros(len(extra))
    open_ = np.flatnonzero(np.isnan(chance))
    if len(open_) == 0:
        return chance, error, 1
    order = open_[np.argsort(extra[open_])[::-1]]
    chance[order], error[order], points = _integrated(scene, how, extra[order])
    return chance, error, points


def _settled(scene: Scene, how: How, extra: Floats) -> Floats:
    """(e,) 0 or 1 where that is as good as sure, by bounds alone; NaN elsewhere.

    The distance changes by no more than line and dig move. Nowhere can they come within reach if
    each node and segment is farther away by `CERTAIN` deviations of how it moves; they are sure to
    be if one node is nearer by as many.
    """
    near = node_distances(scene, *how)
    axes = 2 if how[0] == PLAN else 3
    spread = np.sqrt(np.sum(scene.root[:, :axes] ** 2, axis=(1, 2)))
    if len(scene.path_root):
        spread = spread + np.sqrt(np.sum(scene.path_root[:, :axes] ** 2, axis=(1, 2)).max())
    # a gap in height also changes where the dig slopes
    room = CERTAIN * spread * (STEEPER if how[0] == SEPARATION else 1.0)
    low = near - room
    if len(near) > 1:
        length = np.sqrt(np.sum(np.diff(scene.node, axis=0) ** 2, axis=1))
        slope = STEEPER if how[0] == SEPARATION else 1.0
        inner = 0.5 * (near[:-1] + near[1:] - slope * length) - np.maximum(room[:-1], room[1:])
        low = np.concatenate((low, inner[scene.real]))
    swell = np.exp(CERTAIN * scene.radius_spread)
    chance = np.full(len(extra), np.nan)
    chance[low.min() > scene.radius * swell + extra] = 0.0
    chance[(near + room).min() <= scene.radius / swell + extra] = 1.0
    return chance


def _integrated(scene: Scene, how: How, falling: Floats) -> tuple[Floats, Floats, int]:
    """As `chances`, for extras from the greatest down that are not settled."""
    largest = scene.radius * np.exp(4.0 * scene.radius_spread)
    scene = _pruned(scene, how, float(largest + falling.max()))
    directions, soonest, others = soonest_directions(scene, how, falling)
    frames = [frame_of(scene, direction, others) for direction in directions]
    # all scramblings of the first direction, and one of each other, at once
    number = FEWEST
    first = _across(frames[0], 0, number, SCRAMBLINGS)
    tried = [first, *(_across(frame, 0, number, 1) for frame in frames[1:])]
    chance = _stretches(scene, how, tried, directions, falling)
    means = chance[: len(first)].reshape(SCRAMBLINGS, number, -1).mean(axis=1)
    if soonest > SETTLED and np.all(np.minimum(means, 1.0 - means).max(axis=0) < GOAL):
        return means.mean(axis=0), _standard_error(means), SCRAMBLINGS * number
    varies = [chance[:number].var(axis=0).max()]
    varies += [
        chance[len(first) + k * number :][:number].var(axis=0).max()
        for k in range(len(directions) - 1)
    ]
    best = int(np.argmin(varies))
    kept = chance[: len(first)].reshape(SCRAMBLINGS, number, -1)
    if best > 0:
        kept, number = kept[:, :0], 0
    # rare events may hide between few points: two estimates in a row have to agree
    while True:
        before = means.mean(axis=0)
        more = 2 * number if number else 2 * FEWEST
        lines = [_across(frames[best], number, more, SCRAMBLINGS)]
        chance = _stretches(scene, how, lines, [directions[best]], falling)
        kept = np.concatenate((kept, chance.reshape(SCRAMBLINGS, more - number, -1)), axis=1)
        number = more
        means = kept.mean(axis=1)
        error = _standard_error(means)
        agree = np.abs(means.mean(axis=0) - before).max() <= AGREE
        if (error.max() <= GOAL and agree) or number >= MOST:
            return means.mean(axis=0), error, SCRAMBLINGS * number


def _standard_error(means: Floats) -> Floats:
    return np.asarray(means.std(axis=0, ddof=1) / np.sqrt(len(means)))


def _across(frame: Floats, low: int, high: int, scramblings: int) -> Floats:
    """Points of the space across the frame's first column, from low to high of each sequence."""
    size = frame.shape[1] - 1
    points = np.concatenate(
        [normal_points(size, high, scrambling)[low:] for scrambling in range(scramblings)]
    )
    return np.asarray(points @ frame[:, 1:].T)


def _pruned(scene: Scene, how: How, goal: float) -> Scene:
    """The scene without segments that can hardly ever come near (beyond `SURE` deviations)."""
    count = len(scene.node)
    near = node_distances(scene, *how)
    spread = np.sqrt(np.sum(scene.root**2, axis=2).max(axis=1))
    if len(scene.path_root):
        spread = spread + np.sqrt(np.sum(scene.path_root**2, axis=2).max())
    keep = near - SURE * spread <= goal
    if count > 1:
        length = np.sqrt(np.sum(np.diff(scene.node, axis=0) ** 2, axis=1))
        least = 0.5 * (near[:-1] + near[1:] - length) - SURE * np.maximum(spread[:-1], spread[1:])
        held = scene.real & (least <= goal)
        keep[:-1] |= held
        keep[1:] |= held
    if not keep.any():
        keep[int(np.argmin(near))] = True
    index = np.flatnonzero(keep)
    real = np.array(
        [bool(scene.real[i:j].all() and j == i + 1) for i, j in pairwise(index.tolist())], bool
    )
    return Scene(
        scene.node[index], scene.root[index], real, scene.pieces, scene.path, scene.path_root,
        scene.radius, scene.radius_spread, scene.rounding,
    )  # fmt: skip


def _stretches(
    scene: Scene,
    how: How,
    lines: Sequence[Floats],
    directions: Sequence[Floats],
    extra: Floats,
) -> Floats:
    """(n, e) probability along lines through points; extras from the greatest down.

    One set of points a direction.
    """
    across = np.concatenate(lines)
    paths = np.repeat(np.arange(len(lines)), [len(points) for points in lines])
    goals = scene.radii(across)[:, None] + extra
    first, last, _ = touching(scene, across, paths, np.stack(directions), goals, *how)
    top = np.where(last >= FAR, np.inf, last)
    bottom = np.where(first <= -FAR, -np.inf, first)
    flip = bottom > 0  # the upper tail keeps its digits
    chance = np.where(flip, ndtr(-bottom) - ndtr(-top), ndtr(top) - ndtr(bottom))
    return np.where(np.isnan(first), 0.0, chance)
