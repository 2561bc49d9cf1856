"""A smoothed channel that lets go of wrong shots, and of smoothness where the line turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from asfound.alignment._smoother import Smoothed, Track, log_likelihoods, smooth

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WANDER_SPREAD = 1.0
STRETCH = 6
STRETCH_SPREAD = 0.7
_BLOCK = 8192
WANDER_GRID = np.arange(-9.0, -1.9, 1.0)
_FINE_GRID = np.linspace(-9.0, -2.0, 22)
_FINER = CubicSpline(WANDER_GRID, np.eye(len(WANDER_GRID)))(_FINE_GRID)
OUTLIER_START = 3.0
OUTLIER_GONE = 6.0
JUMP_START = 3.0
JUMP_ROOM = 1.5
HELD = 0.5
HELD_ROUNDS = 3
MOVED = 0.2
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Observed:
    """What a channel is fitted to, by node (shots, and bends that are not observed).

    Parameters
    ----------
    starts : (lines + 1,) int64
    gap : (n,) float64
        To the next node [m].
    data : (columns, n) float64
    variance : (n,) float64
        Of the observation at weight 1 [m2].
    usable : (n,) bool
    weight : (n,) float64
        To begin with; 0 where not usable.
    left : (2, n) float64 or None
        Unit vector across the line: only that component of (easting, northing) is judged.
    extra : (n,) float64
        Wander added between the node and the next [1/m].
    kink : (n,) float64
        Variance of slope added at the node.
    known : (n,) bool
        The interval holds a bend already found: no further jump is looked for.
    """

    starts: Integers
    gap: Floats
    data: Floats
    variance: Floats
    usable: Flags
    weight: Floats
    left: Floats | None
    extra: Floats
    kink: Floats
    known: Flags


@dataclass(frozen=True, eq=False)
class Channel:
    """One smoothed channel: the plane (easting and northing) or the level (height).

    Parameters
    ----------
    weight : (n,) float64
        Of each node's shot, 0 to 1.
    wander : (n,) float64
        q between each node and the next [1/m], bends and turns left out.
    release : (n,) float64
        Variance of an abrupt turn found between a node and the next [rad2]; 0 where none.
    turn : (n,) float64
        Size of that turn in the plane, right positive; of the grade's change in the level.
    track : Track
    result : Smoothed
    """

    weight: Floats
    wander: Floats
    release: Floats
    turn: Floats
    track: Track
    result: Smoothed


@dataclass(eq=False)
class _State:
    weight: Floats
    release: Floats
    turn: Floats


def fit_channel(seen: Observed, prior: Floats) -> Channel:
    """Smooth every line; find wrong shots and sharp turns, and smooth again.

    Two things can break a smooth line: a shot that is wrong, and a turn that is sharp. Each has
    its score in standard deviations: the shot's distance from the line fitted without it, and
    the score test of a jump in direction between two nodes. In every neighbourhood the larger
    score of either kind wins a round, then the lines touched are fitted again.

    Parameters
    ----------
    seen : Observed
    prior : (lines,) float64
        log10 of the prior median of the wander q.
    """
    lines = len(prior)
    count = len(seen.gap)
    state = _State(seen.weight.copy(), np.zeros(count), np.zeros(count))
    everything = np.arange(count)
    free = _estimate_wander(seen, state, everything, seen.starts, prior)
    # a sharp turn not yet found would pass for much wander: hold it back until turns are found
    owner = np.repeat(np.arange(lines), np.diff(seen.starts))
    wander = np.minimum(free, 10.0 ** (prior + HELD)[owner])
    result = smooth(_track(seen, state, everything, seen.starts, wander), seen.data)
    changed = np.zeros(lines, bool)
    active = np.arange(lines)
    for turn in range(ROUNDS):
        index, starts = _nodes_of(seen.starts, active)
        touched = np.zeros(lines, bool)
        if len(active):
            part = result if len(active) == lines else _picked(result, index)
            touched[active] = _judge(seen, state, index, starts, part, turn < ROUNDS - 2)
        changed |= touched
        if turn >= HELD_ROUNDS:
            again = np.flatnonzero(changed)
            if len(again):
                index, starts = _nodes_of(seen.starts, again)
                free[index] = _estimate_wander(seen, state, index, starts, prior[again])
            changed[:] = False
            touched[owner[np.abs(np.log(free / wander)) > MOVED]] = True
            wander = np.where(touched[owner], free, wander)
        active = np.flatnonzero(touched)
        if len(active) == 0:
            if turn >= HELD_ROUNDS:
                break
            continue
        index, starts = _nodes_of(seen.starts, active)
        again_track = _track(seen, state, index, starts, wander[index])
        _put(result, smooth(again_track, seen.data[:, index]), index)
    track = _track(seen, state, everything, seen.starts, wander)
    return Channel(state.weight, wander, state.release, state.turn, track, result)


def _nodes_of(starts: Integers, lines: Integers) -> tuple[Integers, Integers]:
    """Nodes of chosen lines, and where each of those lines starts among them."""
    sizes = np.diff(starts)[lines]
    own = np.concatenate(([0], np.cumsum(sizes)))
    index = np.arange(int(own[-1])) + np.repeat(starts[lines] - own[:-1], sizes)
    return index, own


def _track(
    seen: Observed, state: _State, index: Integers, starts: Integers, wander: Floats
) -> Track:
    gap = seen.gap[index]
    turns = state.release[index] / np.maximum(gap, 0.1)
    q = wander + seen.extra[index] + turns
    precision = state.weight[index] / seen.variance[index]
    return Track(starts, gap, precision, q, seen.kink[index])


def _estimate_wander(
    seen: Observed, state: _State, index: Integers, starts: Integers, prior: Floats
) -> Floats:
    """(n,) wander between each node and the next.

    First the posterior mean of log q of each whole line, about the prior of its kind; then that
    of each neighbourhood, about its line's: a line may be straight here and wind there.
    """
    grid = 10.0**WANDER_GRID
    lines = len(prior)
    sizes = np.diff(starts)
    track = _track(seen, state, index, starts, np.ones(len(index)))
    left = None if seen.left is None else seen.left[:, index]
    factors = np.broadcast_to(grid[:, None], (len(grid), lines))
    terms = log_likelihoods(track, seen.data[:, index], factors, left)
    total = np.zeros((len(grid), len(index) + 1))
    np.cumsum(terms, axis=1, out=total[:, 1:])
    # the likelihood of a line is smooth in log q: between the decades it is read off a spline
    each = _FINER @ (total[:, starts[1:]] - total[:, starts[:-1]])
    whole = _posterior_mean(each, _FINE_GRID, prior, WANDER_SPREAD)
    low = np.maximum(np.arange(len(index)) - STRETCH, np.repeat(starts[:-1], sizes))
    high = np.minimum(np.arange(len(index)) + STRETCH + 2, np.repeat(starts[1:], sizes))
    local = np.empty(len(index))
    centre = np.repeat(whole, sizes)
    # blocks that stay in the processor's cache
    for begin in range(0, len(index), _BLOCK):
        part = slice(begin, begin + _BLOCK)
        near = total[:, high[part]] - total[:, low[part]]
        local[part] = _posterior_mean(near, WANDER_GRID, centre[part], STRETCH_SPREAD)
    return np.asarray(10.0**local)


def _posterior_mean(likelihood: Floats, grid: Floats, prior: Floats, spread: float) -> Floats:
    """(k,) posterior mean of log10 q from its log likelihood on a grid, (g, k)."""
    log = grid[:, None] - prior
    log *= log
    log *= -0.5 / spread**2
    log += likelihood
    log -= log.max(axis=0)
    share = np.exp(log, out=log)
    return np.asarray((grid @ share) / share.sum(axis=0))


def _judge(
    seen: Observed,
    state: _State,
    index: Integers,
    starts: Integers,
    result: Smoothed,
    lenient: bool,
) -> Flags:
    """Change weights and releases where a score asks for it; which of the lines were touched."""
    sizes = np.diff(starts)
    owner = np.repeat(np.arange(len(sizes)), sizes)
    left = None if seen.left is None else seen.left[:, index]
    usable, weight = seen.usable[index], state.weight[index]
    score = _scores(seen.data[:, index], weight, seen.variance[index], result, left)
    score[~usable] = 0.0
    jump, size = _jumps(seen.gap[index], starts, result, left)
    jump[seen.known[index]] = 0.0
    best_shot, best_jump = _winners(score, jump, owner)
    wanted = _weight_of(score)
    wanted[~usable] = 0.0
    # the worst of its neighbourhood goes down; anyone may come back up, but not for ever
    up = (wanted > weight) & lenient
    wanted = np.where(best_shot | up, wanted, weight)
    moved = np.abs(wanted - weight) > 0.05
    state.weight[index[moved]] = wanted[moved]
    turned = index[best_jump]
    state.release[turned] += (JUMP_ROOM * size[best_jump]) ** 2
    state.turn[turned] += size[best_jump]
    touched = np.zeros(len(sizes), bool)
    touched[owner[moved]] = True
    touched[owner[best_jump]] = True
    return touched


def _weight_of(score: Floats) -> Floats:
    """Huber's weight beyond three standard deviations, fading to nothing at six."""
    fade = np.clip((OUTLIER_GONE - score) / (OUTLIER_GONE - OUTLIER_START), 0.0, 1.0)
    return np.where(score <= OUTLIER_START, 1.0, fade * OUTLIER_START / np.maximum(score, 1.0))


def _scores(
    data: Floats, weight: Floats, variance: Floats, result: Smoothed, left: Floats | None
) -> Floats:
    """(n,) distance of each shot from the axis fitted without it, in standard deviations."""
    off = data - result.mean
    if left is None:
        distance = np.abs(off[0])
    else:
        distance = np.abs(off[0] * left[0] + off[1] * left[1])
        unknown = (left[0] == 0.0) & (left[1] == 0.0)
        distance[unknown] = np.hypot(off[0, unknown], off[1, unknown])
    # taking a shot of variance v / w out of its own posterior p: p' = p / (1 - p w / v)
    rest = 1.0 - np.clip(result.variance * weight / variance, 0.0, 1.0 - 1e-6)
    return np.asarray(distance / rest / np.sqrt(result.variance / rest + variance))


def _jumps(
    gap: Floats, starts: Integers, result: Smoothed, left: Floats | None
) -> tuple[Floats, Floats]:
    """Score and size of a jump in direction half-way between each node and the next.

    With r and N the adjoint of the slope and its information from the backward recursion, the
    jump's estimate is r / N and its score r / sqrt(N) (auxiliary residuals; Harvey and Koopman
    1992, Diagnostic checking of unobserved-components time series models).
    """
    count = len(gap)
    score, size = np.zeros(count), np.zeros(count)
    if count < 2:
        return score, size
    half = 0.5 * gap[:-1]
    n11, n12, n22 = result.adjoint_variance[:, 1:]
    information = n22 + half * (2.0 * n12 + half * n11)
    r = result.adjoint[:, 1, 1:] + half * result.adjoint[:, 0, 1:]
    if left is None:
        push = r[0]
    else:
        # across the line, as the shots at both ends have it; to the left is a turn to the left
        side = left[:, :-1] + left[:, 1:]
        length = np.maximum(np.hypot(side[0], side[1]), 1e-9)
        push = -(r[0] * side[0] + r[1] * side[1]) / length
    fine = information > 1e-6
    safe = np.maximum(information, 1e-6)
    score[:-1] = np.where(fine, np.abs(push) / np.sqrt(safe), 0.0)
    size[:-1] = np.where(fine, np.clip(push / safe, -2.0, 2.0), 0.0)
    score[starts[1:] - 1] = 0.0
    return score, size


def _winners(score: Floats, jump: Floats, owner: Integers) -> tuple[Flags, Flags]:
    """Shots and intervals whose score is the largest within two nodes either way."""
    both = np.empty(2 * len(owner))
    both[0::2], both[1::2] = score, jump
    limit = np.tile([OUTLIER_START, JUMP_START], len(owner))
    best = both > limit
    high = np.flatnonzero(best)
    for k in range(-5, 6):
        if k == 0:
            continue
        other = high + k
        inside = (other >= 0) & (other < len(both))
        other = np.where(inside, other, high)
        rival = inside & (owner[other // 2] == owner[high // 2])
        rival &= (both[other] > both[high]) | ((both[other] == both[high]) & (k < 0))
        best[high[rival]] = False
    return best[0::2], best[1::2]


def _picked(result: Smoothed, index: Integers) -> Smoothed:
    return Smoothed(
        result.mean[:, index],
        result.variance[index],
        result.filtered[:, :, index],
        result.filtered_variance[:, index],
        result.adjoint[:, :, index],
        result.adjoint_variance[:, index],
    )


def _put(result: Smoothed, part: Smoothed, index: Integers) -> None:
    result.mean[:, index] = part.mean
    result.variance[index] = part.variance
    result.filtered[:, :, index] = part.filtered
    result.filtered_variance[:, index] = part.filtered_variance
    result.adjoint[:, :, index] = part.adjoint
    result.adjoint_variance[:, index] = part.adjoint_variance
