"""The probability that line and dig are within a distance: an integral over normal space."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from asfound.clearance._directions import FAR, How, frame_of, soonest_directions, steepest
from asfound.clearance._scene import (
    PLAN,
    SEPARATION,
    Scene,
    node_distances,
    piece_distances,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

SCRAMBLINGS = 8
FEWEST, MOST = 32, 2048
GOAL = 6e-4
AGREE = 1.5e-3
SETTLED = 4.0
NEARLY = 1e-5
TURNS = 40
BOLDEST = 4.0
CERTAIN = 5.5
STEEPER = 1.5
SURE = 5.0
SEED = 20
DIMENSIONS = 32
"""Points are made for so many dimensions at a time, and the first of them used."""


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
    sizes = [len(points) for points in lines]
    direction = np.repeat(np.stack(directions), sizes, axis=0)
    slope = np.repeat([steepest(scene, one) for one in directions], sizes)
    if how[0] == SEPARATION:  # a gap in height also changes where the dig slopes
        slope = slope * STEEPER
    radius = scene.radii(across)
    chance = np.zeros((len(across), len(extra)))
    low, high = np.full(len(across), -FAR), np.full(len(across), FAR)
    todo = np.arange(len(across))
    for e in range(len(extra)):
        goal = radius + extra[e]

        def excess(rows: Integers, t: Floats, goal: Floats = goal) -> Floats:
            u = across[rows] + t[:, None] * direction[rows]
            return piece_distances(scene, u, *how) - goal[rows][:, None]

        first = _first(excess, todo, low[todo], high[todo], slope, +1.0)
        hit = np.isfinite(first)
        todo, first = todo[hit], first[hit]
        if len(todo) == 0:
            break
        last = _first(excess, todo, high[todo], first, slope, -1.0)
        last = np.where(np.isfinite(last), last, first)
        low[todo], high[todo] = first, last
        top = np.where(last >= FAR, np.inf, last)
        bottom = np.where(first <= -FAR, -np.inf, first)
        flip = bottom > 0  # the upper tail keeps its digits
        chance[todo, e] = np.where(flip, ndtr(-bottom) - ndtr(-top), ndtr(top) - ndtr(bottom))
    return chance


Excess = Callable[[Integers, Floats], Floats]


def _first(
    excess: Excess, lines: Integers, start: Floats, stop: Floats, slope: Floats, way: float
) -> Floats:
    """Where, going from start towards stop, the excess first falls to zero; NaN: nowhere.

    The excess is (n, p), by piece of the dig. No step is shorter than the steepest possible fall
    allows. Longer ones follow each piece's fall seen last: as each is nearly convex they stop short
    of its zero, and a piece that recedes stays away.
    """
    answer = np.full(len(start), np.nan)
    rows, here = np.arange(len(start)), start.copy()
    value = excess(lines, here)
    inside = value.min(axis=1) <= 0.0
    answer[inside] = here[inside]
    rows, here, value = rows[~inside], here[~inside], value[~inside]
    before, value_before = here, np.full(value.shape, np.nan)
    for _ in range(TURNS):
        if len(rows) == 0:
            break
        least = value / slope[lines[rows]][:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            seen = value * np.abs(here - before)[:, None] / (value_before - value)
        seen = np.where(seen < 0.0, np.inf, seen)
        step = np.where(seen > least, np.minimum(seen, BOLDEST * least), least).min(axis=1)
        ahead = here + way * (step + 1e-9)
        out = way * (ahead - stop[rows]) > 0.0
        ahead = np.where(out, stop[rows], ahead)
        fresh = excess(lines[rows], ahead)
        lowest = fresh.min(axis=1)
        crossed = lowest <= 0.0
        near = ~crossed & (lowest <= NEARLY)
        answer[rows[near]] = ahead[near]
        if crossed.any():
            c = np.flatnonzero(crossed)
            answer[rows[c]] = _between(
                excess, lines[rows[c]], here[c], value[c].min(axis=1), ahead[c], lowest[c]
            )
        go = ~crossed & ~near & ~out
        rows, before, value_before = rows[go], here[go], value[go]
        here, value = ahead[go], fresh[go]
    answer[rows] = here  # still creeping up on it: taken as there, which can only overstate
    return answer


def _between(
    excess: Excess,
    rows: Integers,
    outside: Floats,
    above: Floats,
    inside: Floats,
    below: Floats,
) -> Floats:
    """The zero between a place outside and a place inside, by false position."""
    answer = inside.copy()
    side = np.zeros(len(rows), np.int8)
    open_ = np.arange(len(rows))
    for turn in range(8):
        middle = (outside * below - inside * above) / (below - above)
        if turn == 3:
            middle = 0.5 * (outside + inside)
        value = excess(rows, middle).min(axis=1)
        answer[open_] = middle
        left = value > 0.0
        below = np.where(left & (side == 1), 0.5 * below, below)
        above = np.where(~left & (side == -1), 0.5 * above, above)
        side = np.where(left, 1, -1).astype(np.int8)
        outside, above = np.where(left, middle, outside), np.where(left, value, above)
        inside, below = np.where(left, inside, middle), np.where(left, below, value)
        go = np.abs(value) > NEARLY
        if not go.any():
            break
        rows, open_, side = rows[go], open_[go], side[go]
        outside, above, inside, below = outside[go], above[go], inside[go], below[go]
    return answer


def normal_points(size: int, number: int, scrambling: int) -> Floats:
    """(number, size) standard normal points, the same at every call."""
    wide = -(-size // DIMENSIONS) * DIMENSIONS
    return _points(wide, number, scrambling)[:, :size]


@lru_cache(maxsize=128)
def _points(size: int, number: int, scrambling: int) -> Floats:
    from scipy.stats import qmc  # slow to load: only where odds are computed

    uniform = qmc.Sobol(size, scramble=True, seed=SEED + scrambling).random(number)
    points = ndtri(np.clip(uniform, 1e-12, 1.0 - 1e-12))
    points.setflags(write=False)
    return np.asarray(points)
