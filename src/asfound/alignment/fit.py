"""The axis of each line and the tube that holds the conductor.

The axis is smoothed in easting and northing with one variance, that of the shots across the
line, and in height with another; see `_smoother`. What the shots share (a base, a datum
operation, a depth scale by hook-up) does not average out: its effect on the axis is the smoother
applied to the shared error's own pattern, and is added to the covariance.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._corners import Corners, find_corners
from asfound.alignment._smoother import Smoothed, Track, between, log_likelihoods, smooth
from asfound.model import (
    Assembly,
    Budget,
    Ground,
    JobSettings,
    Line,
    Shots,
    Utility,
    Verdict,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Prior of the wander q [1/m] of direction and of grade: log10 of its median and spread in
# decades. Pipe is laid straight between bends, cable wanders; ten metres of pipe at 10^-5.5 turn
# by 0.3 degrees, of cable at 10^-4.5 by one degree. Common practice, no source; each line's
# own shots then decide (`_estimate_wander`).
WANDER_CABLE = (-4.5, -4.5)
WANDER_PIPE = (-5.5, -5.5)
WANDER_SPREAD = 1.0
WANDER_GRID = np.arange(-8.0, -1.9, 1.0)
CABLES = (Utility.ELECTRIC, Utility.COMMUNICATION, Utility.UNKNOWN)

DOUBTFUL_INFLATION = 4.0
OUTLIER_START = 3.0
OUTLIER_GONE = 6.0
JUMP_START = 3.0
JUMP_ROOM = 1.5
HELD = 0.5
HELD_ROUNDS = 3
ROUNDS = 6
LEAST_STEP = 1e-3
KINK_SLOPE = 1.0
BEND_SHARE = 0.1
BATCH = 300_000
GAP_SPACINGS = 3.5
GAP_LEAST = 15.0


@dataclass(frozen=True, eq=False)
class _Members:
    """Shots of all lines in order, in local coordinates, with their variances."""

    shot: Integers
    starts: Integers
    owner: Integers
    east: Floats
    north: Floats
    up: Floats
    left: Floats
    across: Floats
    vertical: Floats
    usable: Flags
    deep: Flags
    origin: Floats


def fit_lines(
    shots: Shots,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
    settings: JobSettings,
) -> tuple[Line, ...]:
    """Estimate the axis of every line, with its covariance at the shots and between them.

    Parameters
    ----------
    shots, ground, budget, assembly
        Of the same n shots.
    verdict : (n,) int8
        Unfit shots are not used; doubtful ones count with four times their variance.
    settings : JobSettings

    Returns
    -------
    tuple of Line
        One for each line of the assembly, in its order.
    """
    from asfound.alignment._lines import record_lines

    shot, starts = assembly.members()
    result: list[Line] = []
    for low, high in _batches(starts):
        members = _gather(
            shot[starts[low] : starts[high]].astype(np.int64),
            starts[low : high + 1].astype(np.int64) - int(starts[low]),
            ground,
            budget,
            assembly,
            verdict,
        )
        utility = assembly.utility[low:high]
        fitted = _fit(members, assembly.bearing[members.shot], utility)
        result += record_lines(members, fitted, ground, budget, assembly.names[low:high], utility)
    return tuple(result)


def _batches(starts: Integers) -> list[tuple[int, int]]:
    """Ranges of lines of about `BATCH` shots: few enough to stay in the processor's cache."""
    bounds = [0]
    lines = len(starts) - 1
    while bounds[-1] < lines:
        goal = int(starts[bounds[-1]]) + BATCH
        bounds.append(max(bounds[-1] + 1, int(np.searchsorted(starts, goal, side="right")) - 1))
    return list(itertools.pairwise(bounds))


def _gather(
    shot: Integers,
    starts: Integers,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> _Members:
    owner = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    first = shot[starts[:-1]]
    origin = np.stack((ground.easting[first], ground.northing[first]))
    east = ground.easting[shot] - origin[0, owner]
    north = ground.northing[shot] - origin[1, owner]
    up = budget.centre_height[shot]
    covariance = budget.independent[shot]
    bearing = assembly.bearing[shot]
    known = np.isfinite(bearing)
    sine, cosine = np.sin(bearing), np.cos(bearing)
    ee, nn, en = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    across = np.where(
        known, cosine**2 * ee + sine**2 * nn - 2.0 * sine * cosine * en, 0.5 * (ee + nn)
    )
    vertical = covariance[:, 2, 2].copy()
    doubtful = verdict[shot] == Verdict.DOUBTFUL
    across[doubtful] *= DOUBTFUL_INFLATION
    vertical[doubtful] *= DOUBTFUL_INFLATION
    usable = (verdict[shot] != Verdict.UNFIT) & np.isfinite(across) & (across > 0)
    usable = _at_least_two(usable, starts, owner, across)
    deep = usable & np.isfinite(up) & np.isfinite(vertical) & (vertical > 0)
    level = _first_of(np.where(deep, up, np.nan), deep, starts)
    origin = np.vstack((origin, level))
    return _Members(
        shot=shot,
        starts=starts,
        owner=owner,
        east=east,
        north=north,
        up=np.where(deep, up - level[owner], 0.0),
        left=np.stack((np.where(known, -cosine, 0.0), np.where(known, sine, 0.0))),
        across=np.where(np.isfinite(across) & (across > 0), across, 1.0),
        vertical=np.where(deep, vertical, 1.0),
        usable=usable,
        deep=deep,
        origin=origin,
    )


def _at_least_two(usable: Flags, starts: Integers, owner: Integers, across: Floats) -> Flags:
    """A line with fewer than two fit shots is still drawn, from all of them."""
    number = np.bincount(owner[usable], minlength=len(starts) - 1)
    return np.asarray(usable | ((number < 2)[owner] & np.isfinite(across) & (across > 0)))


def _first_of(values: Floats, good: Flags, starts: Integers) -> Floats:
    """(lines,) first good value of each line, NaN where there is none."""
    lines = len(starts) - 1
    result = np.full(lines, np.nan)
    place = np.flatnonzero(good)
    which = np.searchsorted(starts, place, side="right") - 1
    line, index = np.unique(which, return_index=True)
    result[line] = values[place[index]]
    return result


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Shots and bends of all lines, in order of station."""

    starts: Integers
    station: Floats
    shot: Integers  # index of the member, -1 at a bend
    node_of: Integers  # node of each member
    kink: Flags
    deflection: Floats
    bend_wander: Floats  # extra q of the interval that follows


def _stations(members: _Members, used: Flags, corners: Corners, bearing: Floats) -> Floats:
    """(n,) station of each shot: projected on the line, by way of the bends' points."""
    e, n = members.east, members.north
    owner = members.owner
    good = np.flatnonzero(used)
    a, b = good[:-1], good[1:]
    same = owner[a] == owner[b]
    dx, dy = e[b] - e[a], n[b] - n[a]
    # along the mean direction of both ends where they agree, else as it comes
    mx = np.sin(bearing[a]) + np.sin(bearing[b])
    my = np.cos(bearing[a]) + np.cos(bearing[b])
    length = np.hypot(mx, my)
    with np.errstate(invalid="ignore", divide="ignore"):
        projected = (dx * mx + dy * my) / length
    raw = np.hypot(dx, dy)
    agree = length > 2.0 * np.cos(np.radians(15.0))
    step = np.where(agree & np.isfinite(projected), projected, raw)
    step = np.maximum(step, LEAST_STEP)
    if len(corners.node):
        place = np.searchsorted(a, corners.node)
        hit = (place < len(a)) & (a[np.minimum(place, len(a) - 1)] == corners.node)
        step[place[hit]] = (corners.before + corners.after)[hit]
    step[~same] = 0.0
    total = np.zeros(len(e))
    total[good[1:]] = np.cumsum(step)
    out = np.flatnonzero(~used)
    if len(out) and len(good):
        place = np.searchsorted(good, out)
        before = good[np.maximum(place - 1, 0)]
        after = good[np.minimum(place, len(good) - 1)]
        before = np.where(owner[before] == owner[out], before, after)
        after = np.where(owner[after] == owner[out], after, before)
        dx, dy = e[after] - e[before], n[after] - n[before]
        square = np.maximum(dx * dx + dy * dy, 1e-9)
        t = np.clip(((e[out] - e[before]) * dx + (n[out] - n[before]) * dy) / square, 0.0, 1.0)
        total[out] = total[before] + t * (total[after] - total[before])
    base = np.minimum.reduceat(total, members.starts[:-1])
    return np.asarray(total - base[owner])


def _nodes(members: _Members, station: Floats, corners: Corners) -> _Nodes:
    count, bends = len(station), len(corners.node)
    owner = np.concatenate((members.owner, members.owner[corners.node]))
    place = np.concatenate((station, station[corners.node] + corners.before))
    # a bend stands after shots of the same station
    order = np.lexsort((np.repeat([0, 1], [count, bends]), place, owner))
    member = np.where(order < count, order, -1)
    node_of = np.empty(count + bends, np.int64)
    node_of[order] = np.arange(count + bends)
    kink = order >= count
    deflection = np.zeros(count + bends)
    deflection[node_of[count:]] = corners.deflection
    starts = np.searchsorted(owner[order], np.arange(len(members.starts)))
    at = node_of[count:]
    extra = np.zeros(count + bends)
    if bends:
        # a bend may be a sweep, not a corner: room for a tenth of the cut corner, across the gap
        gap = np.maximum(corners.before + corners.after, 0.1)
        room = 192.0 * (BEND_SHARE * np.sin(corners.deflection / 2.0)) ** 2 / gap
        extra[at] = room
        # every interval between the two shots
        extra[node_of[:count][corners.node]] = np.maximum(
            extra[node_of[:count][corners.node]], room
        )
    return _Nodes(starts, place[order], member, node_of[:count], kink, deflection, extra)


@dataclass(frozen=True, eq=False)
class Channel:
    """One smoothed channel: the plane (easting and northing) or the level (height).

    Parameters
    ----------
    weight : (n,) float64
        Of each shot, 0 to 1.
    wander : (lines,) float64
        q of each line [1/m].
    release : (nodes,) float64
        Variance of an abrupt turn found between a node and the next [rad2]; 0 where none.
    turn : (nodes,) float64
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


@dataclass(frozen=True, eq=False)
class Fitted:
    """Everything known after the fit, before it is sampled and recorded."""

    nodes: _Nodes
    used: Flags
    plane: Channel
    level: Channel


def _fit(members: _Members, bearing: Floats, utility: npt.NDArray[np.int8]) -> Fitted:
    sd = np.sqrt(members.across)
    weight: Floats = members.usable.astype(np.float64)
    weight[_spikes(members)] = 0.0
    deep_weight: Floats = members.deep.astype(np.float64)
    cable = np.isin(utility, CABLES)
    prior = np.where(cable, WANDER_CABLE[0], WANDER_PIPE[0])
    grade_prior = np.where(cable, WANDER_CABLE[1], WANDER_PIPE[1])

    corners = find_corners(members.starts, members.east, members.north, sd, weight > 0)
    station = _stations(members, weight > 0, corners, bearing)
    nodes = _nodes(members, station, corners)
    plane_data = _spread(nodes, np.stack((members.east, members.north)))
    level_data = _spread(nodes, members.up[None])
    left = _spread(nodes, members.left)

    plane_fit = _robust(
        nodes, weight, members.across, members.usable, prior, plane_data, left, flat=True
    )
    level_fit = _robust(
        nodes,
        deep_weight,
        members.vertical,
        members.deep,
        grade_prior,
        level_data,
        None,
        flat=False,
    )
    return Fitted(nodes, plane_fit.weight > 0.05, plane_fit, level_fit)


def _spikes(members: _Members) -> Flags:
    """Shots far off the straight between their neighbours on a stretch that is straight."""
    e, n, owner = members.east, members.north, members.owner
    count = len(e)
    flag = np.zeros(count, bool)
    if count < 5:
        return flag
    i = np.arange(2, count - 2)
    inner = owner[i - 2] == owner[i + 2]
    sd = np.sqrt(members.across)

    def off(a: Integers, b: Integers, c: Integers) -> Floats:
        ex, ey = e[c] - e[a], n[c] - n[a]
        return np.asarray(
            np.abs((e[b] - e[a]) * ey - (n[b] - n[a]) * ex) / np.maximum(np.hypot(ex, ey), 1e-6)
        )

    here = off(i - 1, i, i + 1)
    before = off(i - 2, i - 1, i + 1)
    after = off(i - 1, i + 1, i + 2)
    spread = sd[i] + np.maximum(sd[i - 1], sd[i + 1])
    flag[i] = inner & (here > 5.0 * spread) & (here > 4.0 * (before + after) + 2.0 * spread)
    return flag


def _spread(nodes: _Nodes, values: Floats) -> Floats:
    """(columns, nodes) values at shots, 0 at bends."""
    result = np.zeros((len(values), len(nodes.station)))
    result[:, nodes.node_of] = values
    return result


def _track(
    nodes: _Nodes, precision: Floats, wander: Floats, release: Floats, *, flat: bool
) -> Track:
    count = len(nodes.station)
    sizes = np.diff(nodes.starts)
    gap = np.zeros(count)
    gap[:-1] = np.maximum(np.diff(nodes.station), 0.0)
    gap[nodes.starts[1:] - 1] = 0.0
    seen = np.zeros(count)
    seen[nodes.node_of] = precision
    q = np.repeat(wander, sizes) + release / np.maximum(gap, 0.1)
    kink = np.zeros(count)
    if flat:
        q = q + nodes.bend_wander
        kink[nodes.kink] = KINK_SLOPE
    return Track(nodes.starts, gap, seen, q, kink)


def _estimate_wander(track: Track, data: Floats, left: Floats | None, prior: Floats) -> Floats:
    """(lines,) wander of each line: its posterior mean on a grid of decades."""
    grid = 10.0**WANDER_GRID
    sizes = track.sizes
    lines = len(sizes)
    likelihood = log_likelihoods(
        track, data, np.broadcast_to(grid[:, None], (len(grid), lines)), left
    )
    log = likelihood - 0.5 * ((WANDER_GRID[:, None] - prior) / WANDER_SPREAD) ** 2
    log -= log.max(axis=0)
    share = np.exp(log)
    share /= share.sum(axis=0)
    return np.asarray(10.0 ** (WANDER_GRID @ share))


def _robust(
    nodes: _Nodes,
    weight: Floats,
    variance: Floats,
    usable: Flags,
    prior: Floats,
    data: Floats,
    left: Floats | None,
    *,
    flat: bool,
) -> Channel:
    """Smooth; let go of shots that their line contradicts, and of smoothness where the line turns.

    Two things can break a smooth line: a shot that is wrong, and a turn that is sharp. Each has
    its score in standard deviations: the shot's distance from the line fitted without it, and
    the score test of a jump in direction between two nodes. In every neighbourhood the larger
    score of either kind wins a round, then the lines touched are fitted again.
    """
    lines = len(prior)
    owner = np.repeat(np.arange(lines), np.diff(nodes.starts))
    weight = weight.copy()
    release = np.zeros(len(owner))
    turn = np.zeros(len(owner))
    track = _track(nodes, weight / variance, np.ones(lines), release, flat=flat)
    free = _estimate_wander(track, data, left, prior)
    # a sharp turn not yet found would pass for much wander: hold it back until turns are found
    wander = np.minimum(free, 10.0 ** (prior + HELD))
    track = _track(nodes, weight / variance, wander, release, flat=flat)
    result = smooth(track, data)
    changed_lines = np.zeros(lines, bool)
    for round_ in range(ROUNDS):
        score = np.zeros(len(owner))
        score[nodes.node_of] = np.where(
            usable, _scores(nodes, weight, variance, data, result, left), 0.0
        )
        jump, size = _jumps(nodes, track, result, left)
        best_shot, best_jump = _winners(score, jump, owner)
        wanted = _weight_of(score[nodes.node_of])
        wanted[~usable] = 0.0
        # the worst of its neighbourhood goes down; anyone may come back up, but not for ever
        up = (wanted > weight) & (round_ < ROUNDS - 2)
        wanted = np.where(best_shot[nodes.node_of] | up, wanted, weight)
        changed = np.abs(wanted - weight) > 0.05
        touched = np.zeros(lines, bool)
        touched[owner[nodes.node_of[changed]]] = True
        touched[owner[best_jump]] = True
        if round_ == HELD_ROUNDS:
            touched |= free > 1.01 * wander
        if not touched.any():
            if round_ < HELD_ROUNDS:
                continue
            break
        weight = np.where(changed, wanted, weight)
        release[best_jump] += (JUMP_ROOM * size[best_jump]) ** 2
        turn[best_jump] += size[best_jump]
        moving = np.flatnonzero(touched)
        changed_lines |= touched
        if round_ >= HELD_ROUNDS:
            again = np.flatnonzero(changed_lines)
            part, index = _track(nodes, weight / variance, np.ones(lines), release, flat=flat).take(
                again
            )
            part_left = None if left is None else left[:, index]
            free[again] = _estimate_wander(part, data[:, index], part_left, prior[again])
            moving = np.flatnonzero(touched | (np.abs(np.log(free / wander)) > 0.05))
            wander[moving] = free[moving]
            changed_lines[:] = False
        track = _track(nodes, weight / variance, wander, release, flat=flat)
        part, index = track.take(moving)
        _put(result, smooth(part, data[:, index]), index)
    return Channel(weight, wander, release, turn, track, result)


def _weight_of(score: Floats) -> Floats:
    """Huber's weight beyond three standard deviations, fading to nothing at six."""
    fade = np.clip((OUTLIER_GONE - score) / (OUTLIER_GONE - OUTLIER_START), 0.0, 1.0)
    return np.where(score <= OUTLIER_START, 1.0, fade * OUTLIER_START / np.maximum(score, 1.0))


def _jumps(
    nodes: _Nodes, track: Track, result: Smoothed, left: Floats | None
) -> tuple[Floats, Floats]:
    """Score and size of a jump in direction half-way between each node and the next.

    With r and N the adjoint of the slope and its information from the backward recursion, the
    jump's estimate is r / N and its score r / sqrt(N) (auxiliary residuals; Harvey and Koopman
    1992, Diagnostic checking of unobserved-components time series models).
    """
    count = len(track.gap)
    score, size = np.zeros(count), np.zeros(count)
    if count < 2:
        return score, size
    half = 0.5 * track.gap[:-1]
    n11, n12, n22 = result.adjoint_variance[:, 1:]
    information = n22 + half * (2.0 * n12 + half * n11)
    r = result.adjoint[:, 1, 1:] + half * result.adjoint[:, 0, 1:]
    if left is None:
        push = r[0]
    else:
        # across the line, as the nearest shot has it; to the left is a turn to the left
        side = left[:, :-1] + left[:, 1:]
        length = np.maximum(np.hypot(side[0], side[1]), 1e-9)
        push = -(r[0] * side[0] + r[1] * side[1]) / length
    fine = information > 1e-6
    score[:-1] = np.where(fine, np.abs(push) / np.sqrt(np.maximum(information, 1e-12)), 0.0)
    size[:-1] = np.where(fine, push / np.maximum(information, 1e-6), 0.0)
    size = np.clip(size, -2.0, 2.0)
    score[nodes.starts[1:] - 1] = 0.0
    if left is not None:
        # bends that are known already have their freedom
        known = nodes.bend_wander > 0
        score[known] = 0.0
    return score, size


def _winners(score: Floats, jump: Floats, owner: Integers) -> tuple[Flags, Flags]:
    """Shots and intervals whose score is the largest within two nodes either way."""
    both = np.empty(2 * len(owner))
    both[0::2], both[1::2] = score, jump
    line = np.repeat(owner, 2)
    best = both > np.tile([OUTLIER_START, JUMP_START], len(owner))
    for k in range(1, 6):
        if k >= len(both):
            break
        same = line[k:] == line[:-k]
        best[:-k] &= ~same | (both[:-k] >= both[k:])
        best[k:] &= ~same | (both[k:] > both[:-k])
    return best[0::2], best[1::2]


def _scores(
    nodes: _Nodes,
    weight: Floats,
    variance: Floats,
    data: Floats,
    result: Smoothed,
    left: Floats | None,
) -> Floats:
    """(n,) distance of each shot from the axis fitted without it, in standard deviations."""
    at = nodes.node_of
    off = data[:, at] - result.mean[:, at]
    if left is None:
        distance = np.abs(off[0])
    else:
        across = np.abs(np.sum(off * left[:, at], axis=0))
        unknown = ~np.any(left[:, at] != 0.0, axis=0)
        distance = np.where(unknown, np.hypot(off[0], off[1]), across)
    posterior = result.variance[at]
    # taking a shot of variance v / w out of its own posterior p: p' = p v' / (v' - p)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = variance / weight
        share = np.where(weight > 0, np.clip(posterior / own, 0.0, 1.0 - 1e-6), 0.0)
    without = posterior / (1.0 - share)
    return np.asarray(distance / (1.0 - share) / np.sqrt(without + variance))


def _put(result: Smoothed, part: Smoothed, index: Integers) -> None:
    result.mean[:, index] = part.mean
    result.variance[index] = part.variance
    result.filtered[:, :, index] = part.filtered
    result.filtered_variance[:, index] = part.filtered_variance
    result.adjoint[:, :, index] = part.adjoint
    result.adjoint_variance[:, index] = part.adjoint_variance


__all__ = ["Fitted", "between", "fit_lines"]
