"""The axis of each line and the tube that holds the conductor.

The axis is smoothed in easting and northing with one variance, that of the shots across the
line, and in height with another; see `_smoother`. What the shots share (a base, a datum
operation, a depth scale by hook-up) does not average out: its effect on the axis is the smoother
applied to the shared error's own pattern, and is added to the covariance.
"""

from __future__ import annotations

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
ROUNDS = 4
LEAST_STEP = 1e-3
KINK_SLOPE = 1.0
BEND_SHARE = 0.1
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
    members = _gather(ground, budget, assembly, verdict)
    if len(members.starts) < 2:
        return ()
    from asfound.alignment._lines import record_lines

    fitted = _fit(members, assembly)
    return record_lines(members, fitted, ground, budget, assembly)


def _gather(
    ground: Ground, budget: Budget, assembly: Assembly, verdict: npt.NDArray[np.int8]
) -> _Members:
    shot, starts = assembly.members()
    shot = shot.astype(np.int64)
    starts = starts.astype(np.int64)
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
class Fitted:
    """Everything known after the fit, before it is sampled and recorded."""

    nodes: _Nodes
    used: Flags
    weight: Floats
    deep_weight: Floats
    wander: Floats
    grade_wander: Floats
    track: Track
    level_track: Track
    plane: Smoothed
    level: Smoothed


def _fit(members: _Members, assembly: Assembly) -> Fitted:
    bearing = assembly.bearing[members.shot]
    lines = len(members.starts) - 1
    sd = np.sqrt(members.across)
    weight: Floats = members.usable.astype(np.float64)
    weight[_spikes(members)] = 0.0
    deep_weight: Floats = members.deep.astype(np.float64)
    cable = np.isin(assembly.utility, CABLES)
    prior = np.where(cable, WANDER_CABLE[0], WANDER_PIPE[0])
    grade_prior = np.where(cable, WANDER_CABLE[1], WANDER_PIPE[1])

    corners = find_corners(members.starts, members.east, members.north, sd, weight > 0)
    station = _stations(members, weight > 0, corners, bearing)
    nodes = _nodes(members, station, corners)
    plane_data = _spread(nodes, np.stack((members.east, members.north)))
    level_data = _spread(nodes, members.up[None])
    left = _spread(nodes, members.left)

    track = _track(nodes, weight / members.across, np.ones(lines), flat=True)
    wander = _estimate_wander(track, plane_data, left, prior)
    level_track = _track(nodes, deep_weight / members.vertical, np.ones(lines), flat=False)
    grade_wander = _estimate_wander(level_track, level_data, None, grade_prior)

    weight, plane, track = _robust(
        nodes, weight, members.across, members.usable, wander, plane_data, left, flat=True
    )
    deep_weight, level, level_track = _robust(
        nodes,
        deep_weight,
        members.vertical,
        members.deep,
        grade_wander,
        level_data,
        None,
        flat=False,
    )
    return Fitted(
        nodes,
        weight > 0.05,
        weight,
        deep_weight,
        wander,
        grade_wander,
        track,
        level_track,
        plane,
        level,
    )


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


def _track(nodes: _Nodes, precision: Floats, wander: Floats, *, flat: bool) -> Track:
    count = len(nodes.station)
    sizes = np.diff(nodes.starts)
    gap = np.zeros(count)
    gap[:-1] = np.maximum(np.diff(nodes.station), 0.0)
    gap[nodes.starts[1:] - 1] = 0.0
    seen = np.zeros(count)
    seen[nodes.node_of] = precision
    q = np.repeat(wander, sizes)
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
    wander: Floats,
    data: Floats,
    left: Floats | None,
    *,
    flat: bool,
) -> tuple[Floats, Smoothed, Track]:
    """Smooth, and let go of shots that their line contradicts, the worst of each stretch first."""
    owner = np.repeat(np.arange(len(wander)), np.diff(nodes.starts))
    member_line = owner[nodes.node_of]
    track = _track(nodes, weight / variance, wander, flat=flat)
    result = smooth(track, data)
    weight = weight.copy()
    moving = np.arange(len(wander))
    for turn in range(ROUNDS):
        score = _scores(nodes, weight, variance, data, result, left)
        wanted = np.clip((OUTLIER_GONE - score) / (OUTLIER_GONE - OUTLIER_START), 0.0, 1.0)
        wanted = np.where(
            score <= OUTLIER_START, 1.0, wanted * OUTLIER_START / np.maximum(score, 1.0)
        )
        wanted[~usable] = 0.0
        if turn < ROUNDS - 1:
            # only the worst of its neighbourhood goes down; anyone may come back up
            worst = _local_worst(score, member_line, usable)
            wanted = np.where(worst | (wanted > weight), wanted, weight)
        changed = np.abs(wanted - weight) > 0.02
        if not changed.any():
            break
        weight = np.where(changed, wanted, weight)
        moving = np.unique(member_line[changed])
        track = _track(nodes, weight / variance, wander, flat=flat)
        part, index = track.take(moving)
        again = smooth(part, data[:, index])
        _put(result, again, index)
    return weight, result, track


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


def _local_worst(score: Floats, line: Integers, usable: Flags) -> Flags:
    value = np.where(usable, score, 0.0)
    worst = value > OUTLIER_START
    for k in (1, 2, 3):
        if k >= len(value):
            break
        same = line[k:] == line[:-k]
        worst[:-k] &= ~same | (value[:-k] >= value[k:])
        worst[k:] &= ~same | (value[k:] > value[:-k])
    return worst


def _put(result: Smoothed, part: Smoothed, index: Integers) -> None:
    result.mean[:, index] = part.mean
    result.variance[index] = part.variance
    result.filtered[:, :, index] = part.filtered
    result.filtered_variance[:, index] = part.filtered_variance
    result.adjoint[:, :, index] = part.adjoint
    result.adjoint_variance[:, index] = part.adjoint_variance


__all__ = ["Fitted", "between", "fit_lines"]
