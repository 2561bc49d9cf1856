"""Runs of shots that the log itself has in order: checked by geometry, never trusted blindly."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._points import Floats, Integers, Paths, Points

SMOOTH_TURN = np.radians(40.0)
LEADS = np.radians(10.0)
REVERSAL = np.radians(115.0)
SHUFFLED_SHARE = 0.33
LEAST_STEP_LIMIT = 12.0
LARGEST_STEP = 30.0
SHORTEST_RUN = 3
SHORT_STEP = 0.3
STRIDE = 0.5
WINDOW = 8


def log_runs(points: Points) -> tuple[Paths, Integers]:
    """Stretches of the log that walk along a line.

    Points stand in log order within their chain. A link between neighbours in the log holds
    where the step is usual for the chain, and the path turns little at both of its ends. Where
    the path doubles back again and again (a shuffled log, or shots taken in turn on parallel
    lines) the log proves nothing there, and its points are left to geometry.

    Parameters
    ----------
    points : Points

    Returns
    -------
    paths : Paths
        Runs, and paths of one point for the rest.
    close : (k,) int64
        Points logged within a step too short to have a direction; they are in no path.
    """
    kept = _thinned(points)
    close = np.flatnonzero(~kept)
    nodes = np.flatnonzero(kept)
    if len(close):
        points = points.take(nodes)
    paths = _runs(points)
    return Paths(nodes[paths.nodes], paths.starts), close


def _thinned(points: Points) -> npt.NDArray[np.bool_]:
    """Points without those that follow the one before within half a metre of walking."""
    kept = np.ones(len(points), bool)
    if len(points) < 2:
        return kept
    step = np.hypot(np.diff(points.x), np.diff(points.y))
    same = points.chain[1:] == points.chain[:-1]
    short = same & (step < SHORT_STEP)
    if not short.any():
        return kept
    walked = np.concatenate(([0.0], np.cumsum(np.minimum(step, 1.0))))
    stride = np.floor(walked / STRIDE)
    kept[1:] = ~short | (stride[1:] != stride[:-1])
    return kept


def _runs(points: Points) -> Paths:
    """Runs, and single points, of points that all stand apart."""
    count = len(points)
    if count < 2:
        return Paths.of_sizes(np.arange(count), np.ones(count, np.int64))
    dx, dy = np.diff(points.x), np.diff(points.y)
    step = np.hypot(dx, dy)
    same = points.chain[1:] == points.chain[:-1]
    limit = _step_limit(points, step, same)
    joined = same & (step <= limit) & (step > 0)

    # turn at each inner point between the step to it and the step from it
    cross = dx[:-1] * dy[1:] - dy[:-1] * dx[1:]
    dot = dx[:-1] * dx[1:] + dy[:-1] * dy[1:]
    inner = same[:-1] & same[1:]
    turn = np.zeros(count)
    turn[1:-1] = np.where(inner, np.abs(np.arctan2(cross, dot)), 0.0)
    shortest = np.minimum(step[:-1], step[1:])
    noise = np.zeros(count)
    scatter = np.maximum(np.maximum(points.scatter[:-2], points.scatter[1:-1]), points.scatter[2:])
    noise[1:-1] = np.minimum(3.0 * scatter / np.maximum(shortest, 0.05), 0.6)
    smooth = turn <= SMOOTH_TURN + noise

    reversal = (turn > REVERSAL).astype(np.float64)
    number = np.bincount(points.chain)
    whole = np.bincount(points.chain, reversal) / np.maximum(number, 1)
    share = np.maximum(_moving_mean(reversal, WINDOW), whole[points.chain])
    sound = share <= SHUFFLED_SHARE

    link = joined & sound[:-1] & sound[1:]
    # at a point that is not smooth, the link that the path on its far side does not lead into
    # goes, or the longer one where both sides do
    rough = np.flatnonzero(~smooth[1:-1] & link[:-1] & link[1:]) + 1
    bent_before, bent_after = turn[rough - 1], turn[rough + 1]
    before = np.where(
        np.abs(bent_before - bent_after) > LEADS,
        bent_before > bent_after,
        step[rough - 1] >= step[rough],
    )
    cut = np.where(before, rough - 1, rough)
    link[cut] = False
    starts = np.flatnonzero(np.concatenate(([True], ~link)))
    sizes = np.diff(np.append(starts, count))
    # runs too short to prove anything fall apart into points
    keep = sizes >= SHORTEST_RUN
    pieces = np.where(keep, 1, sizes)
    final = np.repeat(np.where(keep, sizes, 1), pieces)
    return Paths.of_sizes(np.arange(count), final)


def _step_limit(points: Points, step: Floats, same: npt.NDArray[np.bool_]) -> Floats:
    """(p - 1,) longest step a run may take: some times the usual step of the chain."""
    chains = int(points.chain.max()) + 1
    usual = np.full(chains, 5.0)
    chain = points.chain[1:][same]
    inside = step[same]
    if len(inside):
        bounds = np.searchsorted(chain, np.arange(chains + 1))
        if chains > 200:
            # many chains: means of log steps are close enough, and need no loop
            total = np.bincount(chain, np.log(np.clip(inside, 0.1, 30.0)), chains)
            number = np.maximum(np.bincount(chain, minlength=chains), 1)
            usual = np.exp(total / number)
        else:
            for k in range(chains):
                if bounds[k + 1] > bounds[k]:
                    usual[k] = np.median(inside[bounds[k] : bounds[k + 1]])
    limit = np.clip(3.0 * usual, LEAST_STEP_LIMIT, LARGEST_STEP)
    return limit[points.chain[1:]]


def _moving_mean(values: Floats, reach: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(len(values))
    low = np.maximum(index - reach, 0)
    high = np.minimum(index + reach + 1, len(values))
    return np.asarray((total[high] - total[low]) / (high - low))
