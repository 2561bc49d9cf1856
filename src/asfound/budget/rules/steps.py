"""Steps in what is measured along a line: where a stretch begins and ends at which all is off.

At every boundary between two shots the values of up to five shots on either side are fitted by
one straight line with a step; the step's size over its standard deviation is its score. A step
and the opposite one behind it bound a stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Shots

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_SIDE = 5
_FEWEST = 3


@dataclass(frozen=True, eq=False)
class LoggedRun:
    """Shots in the order in which they were logged, cut where line, upload or day change.

    Parameters
    ----------
    order : (m,) int64
    run : (m,) int64
        Number of each one's run, ascending.
    """

    order: Integers
    run: Integers


@dataclass(frozen=True, eq=False)
class Step:
    """A step between places `place - 1` and `place` of a sequence; `size` per quantity."""

    place: int
    size: Floats
    score: float


@dataclass(frozen=True, eq=False)
class Stretch:
    """Shots between two opposite steps, and how far each quantity is off there."""

    rows: Integers
    size: Floats
    score: float


def time_sequence(shots: Shots, assembly: Assembly, usable: npt.NDArray[np.bool_]) -> LoggedRun:
    """Usable line shots by upload and time, cut where the line changes."""
    rows = np.flatnonzero(usable & (assembly.line >= 0))
    order = rows[np.lexsort((shots.row[rows], shots.time[rows], shots.source[rows]))]
    cut = np.zeros(len(order), bool)
    for key in (shots.source, assembly.line):
        cut[1:] |= key[order][1:] != key[order][:-1]
    return LoggedRun(order, np.cumsum(cut))


def line_sequence(shots: Shots, assembly: Assembly, usable: npt.NDArray[np.bool_]) -> LoggedRun:
    """Usable line shots by line and upload, in order along the line."""
    rows = np.flatnonzero(usable & (assembly.line >= 0))
    order = rows[np.lexsort((assembly.rank[rows], shots.source[rows], assembly.line[rows]))]
    cut = np.zeros(len(order), bool)
    for key in (shots.source, assembly.line):
        cut[1:] |= key[order][1:] != key[order][:-1]
    return LoggedRun(order, np.cumsum(cut))


def window_steps(
    sequence: LoggedRun,
    quantities: Sequence[Floats],
    spreads: Sequence[Floats],
    station: Floats,
    *,
    least: tuple[float, ...],
    score: float,
) -> list[Step]:
    """Steps whose joint score (sum of squares over quantities) exceeds a limit.

    Parameters
    ----------
    quantities, spreads : sequence of (n,) float64
        Values and their standard deviations; NaN where not known.
    station : (n,) float64
        Along the line [m].
    least : tuple
        Smallest size of interest of each quantity; one of them must reach it.
    score : float

    Returns
    -------
    steps : list of Step
        Only the highest within reach of its window.
    """
    order, run = sequence.order, sequence.run
    count = len(order)
    if count < 2 * _FEWEST:
        return []
    offset = np.arange(-_SIDE, _SIDE)
    place = np.arange(count)[:, None] + offset
    inside = (place >= 0) & (place < count)
    clipped = np.clip(place, 0, count - 1)
    inside &= run[clipped] == run[:, None]
    inside[:, :_SIDE] &= inside[:, _SIDE][:, None]
    side = (offset >= 0).astype(np.float64)
    along = station[order]
    distance = along[clipped] - along[:, None]
    total = np.zeros(count)
    reached = np.zeros(count, bool)
    sizes = np.zeros((count, len(quantities)))
    for number, (values, spread) in enumerate(zip(quantities, spreads, strict=True)):
        mine, sd = values[order], spread[order]
        known = inside & np.isfinite(mine[clipped]) & np.isfinite(sd[clipped])
        weight = np.where(known, 1.0 / np.maximum(sd[clipped], 1e-6) ** 2, 0.0)
        enough = (known[:, :_SIDE].sum(axis=1) >= _FEWEST) & (
            known[:, _SIDE:].sum(axis=1) >= _FEWEST
        )
        size, variance = _step_fit(weight, distance, side, np.where(known, mine[clipped], 0.0))
        good = enough & np.isfinite(size) & (variance > 0)
        sizes[:, number] = np.where(good, size, 0.0)
        total += np.where(good, size**2 / np.where(good, variance, 1.0), 0.0)
        reached |= good & (np.abs(size) >= least[number])
    candidates = np.flatnonzero(reached & (total > score))
    best = candidates[np.argsort(-total[candidates], kind="stable")]
    taken = np.zeros(count, bool)
    steps = []
    for at in best.tolist():
        if not taken[at]:
            steps.append(Step(at, sizes[at], float(total[at])))
            taken[max(at - _SIDE + 1, 0) : at + _SIDE] = True
    return sorted(steps, key=lambda step: step.place)


def _step_fit(
    weight: Floats, distance: Floats, side: Floats, values: Floats
) -> tuple[Floats, Floats]:
    """Weighted least squares of level, slope and step per row; the step and its variance."""
    total = weight.sum(axis=1)
    total = np.where(total > 0, total, np.nan)

    def centred(array: Floats) -> Floats:
        return np.asarray(array - ((weight * array).sum(axis=1) / total)[:, None])

    step = centred(np.broadcast_to(side, weight.shape))
    slope = centred(distance)
    ss = (weight * step * step).sum(axis=1)
    sd = (weight * step * slope).sum(axis=1)
    dd = (weight * slope * slope).sum(axis=1)
    sy = (weight * step * values).sum(axis=1)
    dy = (weight * slope * values).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = ss * dd - sd * sd
        usable = determinant > 1e-9 * ss * dd
        size = np.where(usable, (dd * sy - sd * dy) / determinant, np.nan)
        variance = np.where(usable, dd / determinant, np.nan)
    return size, variance


def pair_steps(
    sequence: LoggedRun, steps: Sequence[Step], *, longest: int = 60, alike: float = 0.6
) -> list[Stretch]:
    """Stretches between a step and an opposite one behind it in the same run.

    Where several could be paired the clearest go first, and no two stretches overlap.

    Parameters
    ----------
    longest : int
        Most shots in a stretch.
    alike : float
        How far the two sizes may differ, as a share of the larger.
    """
    pairs = []
    for number, first in enumerate(steps):
        for later in range(number + 1, len(steps)):
            second = steps[later]
            if (
                second.place - first.place > longest
                or sequence.run[second.place] != sequence.run[first.place]
            ):
                break
            scale = max(float(np.linalg.norm(first.size)), float(np.linalg.norm(second.size)))
            if float(np.linalg.norm(first.size + second.size)) <= alike * scale:
                pairs.append((min(first.score, second.score), number, later))
    taken = np.zeros(len(sequence.order), bool)
    stretches = []
    for score, number, later in sorted(pairs, key=lambda pair: (-pair[0], pair[1])):
        first, second = steps[number], steps[later]
        if not taken[first.place : second.place].any():
            taken[first.place : second.place] = True
            rows = sequence.order[first.place : second.place]
            stretches.append(Stretch(rows, (first.size - second.size) / 2, score))
    return stretches
