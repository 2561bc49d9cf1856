"""From the smoothed nodes to `Line` records: samples, covariances, residuals, bends, gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._fitted import Fitted
from asfound.alignment._members import Members
from asfound.alignment._points import median_of_stretches, ragged
from asfound.alignment._shared import Pattern, SharedTerm, shared_terms, split_even
from asfound.alignment._smoother import Smoothed, Track, between, smooth
from asfound.model import Budget, Ground, Line, Utility

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

TOLERANCE = 0.002
FINEST = 0.5
LEAST_BEND = np.radians(8.0)
GAP_SPACINGS = 3.5
GAP_LEAST = 15.0
PATTERN_BATCH = 400_000


def sample_places(fitted: Fitted) -> tuple[Integers, Floats, Integers]:
    """Where the axis is sampled: at every node, and between them as the curve asks for.

    Between samples everything is read by straight interpolation; samples are set so that this
    errs by less than two millimetres in place and in standard deviation, but never closer than
    half a metre.

    Returns
    -------
    node : (s,) int64
        Node at or before each sample.
    ahead : (s,) float64
        Station past it [m].
    first : (nodes,) int64
        The sample at each node.
    """
    track = fitted.plane.track
    count = len(track.gap)
    ends = track.starts[1:] - 1
    inner = np.ones(count, bool)
    inner[ends] = False
    node = np.flatnonzero(inner & (track.gap > FINEST))
    pieces = np.ones(count, np.int64)
    half = 0.5 * track.gap[node]
    plane, level = fitted.plane.result, fitted.level.result
    bent = np.zeros(len(node))
    for result, on in ((plane, track), (level, fitted.level.track)):
        mean, _, variance = between(on, result, node, half)
        straight = 0.5 * (result.mean[:, node] + result.mean[:, node + 1])
        bow = np.sqrt(np.sum((mean - straight) ** 2, axis=0))
        sd = np.sqrt(np.maximum(result.variance, 0.0))
        swell = np.abs(np.sqrt(np.maximum(variance, 0.0)) - 0.5 * (sd[node] + sd[node + 1]))
        bent = np.maximum(bent, np.maximum(bow, swell))
    wanted = np.ceil(np.sqrt(bent / TOLERANCE))
    most = np.ceil(track.gap[node] / FINEST)
    pieces[node] = np.clip(np.minimum(wanted, most), 1, None).astype(np.int64)
    pieces[ends] = 1
    first = np.cumsum(pieces) - pieces
    total = int(pieces.sum())
    at = np.repeat(np.arange(count), pieces)
    share = (np.arange(total) - first[at]) / pieces[at]
    return at, share * track.gap[at], first


def sampled(
    track: Track, result: Smoothed, node: Integers, ahead: Floats
) -> tuple[Floats, Floats, Floats]:
    """Mean, slope and variance at samples; at a line's last node from the filter."""
    last = np.zeros(len(track.gap), bool)
    last[track.starts[1:] - 1] = True
    inner = ~last[node]
    columns = len(result.mean)
    mean, slope = np.empty((columns, len(node))), np.empty((columns, len(node)))
    variance = np.empty(len(node))
    mean[:, inner], slope[:, inner], variance[inner] = between(
        track, result, node[inner], ahead[inner]
    )
    end = node[~inner]
    mean[:, ~inner] = result.mean[:, end]
    slope[:, ~inner] = result.filtered[:, 1, end]
    variance[~inner] = result.variance[end]
    return mean, slope, np.maximum(variance, 1e-12)


def record_lines(
    members: Members,
    fitted: Fitted,
    ground: Ground,
    budget: Budget,
    names: tuple[str, ...],
    utility: npt.NDArray[np.int8],
) -> list[Line]:
    """Make the records of all lines."""
    nodes = fitted.nodes
    lines = len(members.starts) - 1
    node, ahead, first = sample_places(fitted)
    node_owner = np.repeat(np.arange(lines), np.diff(nodes.starts))
    owner = node_owner[node]
    starts = np.searchsorted(owner, np.arange(lines + 1))
    plane, slope, across = sampled(fitted.plane.track, fitted.plane.result, node, ahead)
    level, _, vertical = sampled(fitted.level.track, fitted.level.result, node, ahead)

    step = np.zeros(len(node))
    step[1:] = np.hypot(np.diff(plane[0]), np.diff(plane[1]))
    step[starts[:-1]] = 0.0
    total = np.cumsum(step)
    station = total - total[starts[:-1]][owner]
    bearing = np.mod(np.arctan2(slope[0], slope[1]), 2.0 * np.pi)

    count = len(node)
    independent = np.zeros((count, 3, 3))
    independent[:, 0, 0] = across
    independent[:, 1, 1] = across
    independent[:, 2, 2] = vertical
    covariance = independent.copy()
    add_shared(covariance, members, fitted, budget, node, ahead, owner, starts)

    depths = np.bincount(members.owner[fitted.deep_weight > 0.05], minlength=lines)
    shallow = (depths == 0)[owner]
    height = level[0] + members.origin[2, owner]
    height[shallow] = np.nan
    for array in (independent, covariance):
        array[shallow, 2, :] = np.nan
        array[shallow, :, 2] = np.nan

    at = first[nodes.node_of]
    shot_station = station[at]
    east_off = members.east - plane[0, at]
    north_off = members.north - plane[1, at]
    sine, cosine = np.sin(bearing[at]), np.cos(bearing[at])
    up_off = budget.centre_height[members.shot] - height[at]
    residual = np.stack(
        (east_off * sine + north_off * cosine, north_off * sine - east_off * cosine, up_off),
        axis=1,
    )
    above = _ground_above(members, ground, shot_station, station, owner)
    easting = plane[0] + members.origin[0, owner]
    northing = plane[1] + members.origin[1, owner]

    bend_rows, bend_owner = _bends(fitted, station, first, node_owner)
    bend_starts = np.searchsorted(bend_owner, np.arange(lines + 1))
    gap_rows, gap_owner = _gaps(members, fitted.used, shot_station)
    gap_starts = np.searchsorted(gap_owner, np.arange(lines + 1))
    diameter = _diameters(budget.outside_diameter[members.shot], members.starts)
    weight = fitted.weight

    result = []
    m_starts, s_starts = members.starts.tolist(), starts.tolist()
    b_starts, g_starts = bend_starts.tolist(), gap_starts.tolist()
    utilities = {kind: Utility(kind) for kind in set(utility.tolist())}
    kinds = utility.tolist()
    for i in range(lines):
        m = slice(m_starts[i], m_starts[i + 1])
        s = slice(s_starts[i], s_starts[i + 1])
        result.append(
            Line(
                name=names[i],
                utility=utilities[kinds[i]],
                shots=members.shot[m],
                used=fitted.used[m],
                weight=weight[m],
                station=shot_station[m],
                residual=residual[m],
                axis_station=station[s],
                easting=easting[s],
                northing=northing[s],
                height=height[s],
                ground_height=above[s],
                bearing=bearing[s],
                covariance=covariance[s],
                independent=independent[s],
                bends=bend_rows[b_starts[i] : b_starts[i + 1]],
                gaps=gap_rows[g_starts[i] : g_starts[i + 1]],
                outside_diameter=float(diameter[i]),
            )
        )
    return result


def add_shared(
    covariance: Floats,
    members: Members,
    fitted: Fitted,
    budget: Budget,
    node: Integers,
    ahead: Floats,
    owner: Integers,
    starts: Integers,
) -> None:
    """Add to the covariance at the samples what the shots' shared errors do to the axis."""
    lines = len(members.starts) - 1
    even = np.zeros((4, lines))
    places = _Places(node, ahead, starts)
    for term in shared_terms(budget, members.shot):
        part, plane, level = split_even(term, members.starts, fitted.used)
        even += part
        for pattern, flat in ((plane, True), (level, False)):
            sizes = np.diff(fitted.nodes.starts)[pattern.line]
            # not all at once: a line may hold many groups
            batch = np.cumsum(sizes) // PATTERN_BATCH
            for number in np.unique(batch):
                here = batch == number
                _add_pattern(
                    covariance,
                    members,
                    fitted,
                    term,
                    Pattern(pattern.line[here], pattern.code[here]),
                    places,
                    flat=flat,
                )
    covariance[:, 0, 0] += even[0, owner]
    covariance[:, 1, 1] += even[1, owner]
    covariance[:, 0, 1] += even[2, owner]
    covariance[:, 1, 0] += even[2, owner]
    covariance[:, 2, 2] += even[3, owner]


@dataclass(frozen=True, eq=False)
class _Places:
    """Samples: the node at or before each, the station past it, and where lines start."""

    node: Integers
    ahead: Floats
    starts: Integers


def _add_pattern(
    covariance: Floats,
    members: Members,
    fitted: Fitted,
    term: SharedTerm,
    pattern: Pattern,
    places: _Places,
    *,
    flat: bool,
) -> None:
    """Smooth the pattern of a shared error on the lines it touches unevenly."""
    line = pattern.line
    track = fitted.plane.track if flat else fitted.level.track
    part, index = track.take(line)
    member = fitted.nodes.shot[index]
    safe = np.maximum(member, 0)
    group = np.repeat(pattern.code, part.sizes)
    inside = (member >= 0) & (term.code[safe] == group)
    sizes = (term.east, term.north) if flat else (term.up,)
    data = np.stack([np.where(inside, size[safe], 0.0) for size in sizes])
    if float(data.max(initial=0.0)) <= 0.0:
        return
    result = smooth(part, data)
    # samples of those lines, line by line
    number = np.diff(places.starts)[line]
    sample = ragged(places.starts[line], number)
    shift = np.repeat(part.starts[:-1] - track.starts[line], number)
    moved, _, _ = sampled(part, result, places.node[sample] + shift, places.ahead[sample])
    if flat:
        coupling = np.repeat(term.coupling[members.starts[line]], number)
        np.add.at(covariance[:, 0, 0], sample, moved[0] ** 2)
        np.add.at(covariance[:, 1, 1], sample, moved[1] ** 2)
        cross = coupling * moved[0] * moved[1]
        np.add.at(covariance[:, 0, 1], sample, cross)
        np.add.at(covariance[:, 1, 0], sample, cross)
    else:
        np.add.at(covariance[:, 2, 2], sample, moved[0] ** 2)


def _ground_above(
    members: Members, ground: Ground, shot_station: Floats, station: Floats, owner: Integers
) -> Floats:
    """(s,) ground height above the axis, straight between shots."""
    level = ground.height[members.shot]
    good = np.isfinite(level)
    span = float(station.max(initial=0.0)) + 1.0
    if not good.any():
        return np.full(len(station), np.nan)
    known = shot_station[good] + members.owner[good] * span
    above = np.interp(station + owner * span, known, level[good])
    number = np.bincount(members.owner[good], minlength=len(members.starts) - 1)
    above[(number == 0)[owner]] = np.nan
    return np.asarray(above)


def _bends(
    fitted: Fitted, station: Floats, first: Integers, node_owner: Integers
) -> tuple[Floats, Integers]:
    """(b, 2) station and deflection of bends located between legs, and of turns found."""
    nodes = fitted.nodes
    turn = np.where(nodes.kink, nodes.deflection, 0.0)
    found = np.abs(fitted.plane.turn) >= LEAST_BEND
    turn = np.where(found & ~nodes.kink, fitted.plane.turn, turn)
    bend = np.flatnonzero(np.abs(turn) >= LEAST_BEND)
    place = station[first[bend]]
    after = np.minimum(bend + 1, len(first) - 1)
    halfway = 0.5 * (place + station[first[after]])
    place = np.where(nodes.kink[bend], place, halfway)
    return np.stack((place, turn[bend]), axis=1), node_owner[bend]


def _gaps(
    members: Members, used: npt.NDArray[np.bool_], station: Floats
) -> tuple[Floats, Integers]:
    keep = np.flatnonzero(used)
    step = np.diff(station[keep])
    owner = members.owner[keep]
    same = owner[1:] == owner[:-1]
    lines = len(members.starts) - 1
    starts = np.searchsorted(owner[1:][same], np.arange(lines + 1))
    usual = np.nan_to_num(median_of_stretches(step[same], starts), nan=5.0)
    limit = np.maximum(GAP_SPACINGS * usual, GAP_LEAST)[owner[1:]]
    wide = np.flatnonzero(same & (step > limit))
    return np.stack((station[keep[wide]], station[keep[wide + 1]]), axis=1), owner[wide]


def _diameters(diameter: Floats, starts: Integers) -> Floats:
    """(lines,) first known outside diameter of each line's shots."""
    lines = len(starts) - 1
    result = np.full(lines, np.nan)
    known = np.flatnonzero(np.isfinite(diameter))
    which = np.searchsorted(starts, known, side="right") - 1
    line, index = np.unique(which, return_index=True)
    result[line] = diameter[known[index]]
    return result
