"""Walking order: a short open path from where one stands past all targets.

Nearest neighbour first; then 2-opt (turn a stretch round) and Or-opt (move a stretch of up to
three elsewhere, turned or not) among near neighbours until neither helps; then many small
perturbations (three short neighbouring stretches change places), each mended where it was made and
kept if the path got no longer. Rounds are counted, never timed: the same input gives the same
order.

>>> order, length = walking_order(np.array([[3.0, 0.0], [1.0, 0.0], [2.0, 0.0]]), (0.0, 0.0))
>>> order.tolist(), length
([1, 2, 0], 3.0)
"""

from __future__ import annotations

import random

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError
from asfound.stakeout._tour import Tour

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_WINDOW = 800  # points improved at once; longer paths go window by window
_NEIGHBOURS = 6
_ROUNDS = 600
_STRETCH = 30  # longest stretch that a perturbation takes


def walking_order(
    place: Floats, start: tuple[float, float] | None = None, *, rounds: int = _ROUNDS, seed: int = 0
) -> tuple[Integers, float]:
    """Order in which to walk past targets, and the distance in all.

    Parameters
    ----------
    place : (n, 2) float64
        Easting, northing [m].
    start : (easting, northing), optional
        Where one stands; None: at the first target.
    rounds : int
        Perturbations tried (a window of 800 targets each); 0 for the quickest order.
    seed : int
        Of the perturbations.

    Returns
    -------
    order : (n,) int64
        Indices of targets.
    length : float
        From the start past all targets; no way back is counted [m].

    Raises
    ------
    InputError
        If a position is not finite.
    """
    place = np.asarray(place, np.float64).reshape(-1, 2)
    fixed = place[:1] if start is None else np.array([start], float)
    points = np.concatenate((fixed, place[1:] if start is None else place))
    if not np.isfinite(points).all():
        raise InputError(
            "a walking order needs every target's position.", remedy="Leave out the others."
        )
    if not len(place):
        return np.empty(0, np.int64), 0.0
    path = _nearest_first(points)
    step = _WINDOW // 2
    for first in range(0, max(len(path) - step, 1), step):  # windows overlap by half
        window = path[first : first + _WINDOW]
        last = first + _WINDOW >= len(path)
        path[first : first + _WINDOW] = window[
            _improved(points[window], rounds, seed, fixed_end=not last)
        ]
    return (path if start is None else path[1:] - 1), path_length(points[path])


def path_length(points: Floats) -> float:
    """Length of an open path through points in their order [m]."""
    step = np.diff(np.asarray(points, float), axis=0)
    return float(np.hypot(step[:, 0], step[:, 1]).sum())


def _nearest_first(points: Floats) -> Integers:
    """From point 0 always to the nearest point not yet passed."""
    count = len(points)
    where = points[:, 0] + 1j * points[:, 1]
    left = np.arange(1, count)
    path = np.zeros(count, np.int64)
    for k in range(1, count):
        nearest = int(np.argmin(np.abs(where[left] - where[path[k - 1]])))
        path[k] = left[nearest]
        left[nearest] = left[-1]
        left = left[:-1]
    return path


def _improved(points: Floats, rounds: int, seed: int, *, fixed_end: bool) -> Integers:
    """Order of points given in a good order; the first stays first (and the last, if fixed)."""
    count = len(points)
    if count < 4:
        return _all_orders(points, fixed_end)
    distance = np.abs(
        (points[:, 0] + 1j * points[:, 1])[:, None] - (points[:, 0] + 1j * points[:, 1])
    )
    # One more point makes the open path a round trip: it costs nothing, and so much is gained by
    # having it beside the start (and beside a fixed end) that it stays there.
    bond = -(10.0 * float(distance.max()) + 1.0) * count
    full = np.zeros((count + 1, count + 1))
    full[:count, :count] = distance
    full[count, 0] = full[0, count] = bond
    if fixed_end:
        full[count, count - 1] = full[count - 1, count] = bond
    near = _neighbours(points, distance)
    for row in near:
        row.insert(0, count)  # the extra point is next to everyone
    near.append([0])
    tour = Tour(full.tolist(), near, [*range(count), count])
    tour.settle(list(range(count)))
    draw = random.Random(seed)
    for _ in range(rounds):
        tour.perturb(draw, _STRETCH)
    return np.array(tour.from_point(0, count), np.int64)


def _neighbours(points: Floats, distance: Floats) -> list[list[int]]:
    """Nearest points of each, and the nearest two in each quadrant around it, by distance.

    Targets lie along lines: without the quadrants all neighbours of a point would be on its own
    line, and no move would ever join the ends of two lines.
    """
    count = len(points)
    far = distance + np.diag(np.full(count, np.inf))
    chosen = np.zeros((count, count), bool)
    rows = np.arange(count)[:, None]
    few = min(_NEIGHBOURS, count - 1)
    chosen[rows, np.argpartition(far, few - 1, axis=1)[:, :few]] = True
    east = points[None, :, 0] - points[:, None, 0]
    north = points[None, :, 1] - points[:, None, 1]
    for quadrant in (
        (east >= 0) & (north > 0), (east > 0) & (north <= 0),
        (east <= 0) & (north < 0), (east < 0) & (north >= 0),
    ):  # fmt: skip
        inside = np.where(quadrant, far, np.inf)
        for _ in range(2):
            best = np.argmin(inside, axis=1)
            chosen[rows[:, 0], best] |= np.isfinite(inside[rows[:, 0], best])
            inside[rows[:, 0], best] = np.inf
    np.fill_diagonal(chosen, False)
    ranked = np.argsort(np.where(chosen, far, np.inf), axis=1, kind="stable")
    sizes = chosen.sum(axis=1).tolist()
    return [row[:size] for row, size in zip(ranked.tolist(), sizes, strict=True)]


def _all_orders(points: Floats, fixed_end: bool) -> Integers:
    """Three points or fewer: the best by trying."""
    if len(points) < 3 or fixed_end:
        return np.arange(len(points))
    orders = (np.array([0, 1, 2]), np.array([0, 2, 1]))
    return min(orders, key=lambda order: path_length(points[order]))
