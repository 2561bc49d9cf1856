"""Stretches of a line over which another conductor distorts the field.

The field itself, current over depth, is by far the steadiest thing a receiver shows (one or two
per cent, where depth and current each have five to ten), and a second conductor steps it by
tens of per cent where it comes near and where it leaves. A line that merely runs deeper weakens
the field and reads deeper, so that the current reckoned from both stays the same; over two
conductors field and depth err the same way, and the current doubly so. The line's apparent place
and the distance between peak and null step along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.runs import Runs, middle, scatter_of_runs
from asfound.budget.rules.steps import median_steps, sharpest

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_FLANK = 6
_FEWEST = 3
_SHORTEST = 4
_TELLING = 2
"""Quantities that place the ends of a stretch: the leading one and the depth."""
_OUTWARD = 2
_LEAST_NOISE = 0.04
_MOST_SAID = 4.0
"""Most that one shot's quantity may weigh, in units of log likelihood."""
_MEDIAN_OF_THREE = 0.95
"""Standard deviation of a difference of two medians of three, over that of one value."""


@dataclass(frozen=True, eq=False)
class Quantity:
    """One thing to look at along runs, in their order: (m,) values, (m,) or () noise.

    `settling` is how far it may wander by itself between a stretch and its flanks.
    """

    values: Floats
    sd: Floats
    settling: float


@dataclass(frozen=True, eq=False)
class Stretch:
    """Places `first` to `last - 1` of runs, and by how much each quantity is off there.

    `score` is each one's size over its standard deviation; 0 where it is not known.
    """

    first: int
    last: int
    size: Floats
    score: Floats
    steady: float
    """Share of the shots at which the leading quantity is off by more than half its size."""
    edge: float
    """The smaller of the leading quantity's steps at both ends, over its noise."""


def find_stretches(
    runs: Runs,
    quantities: Sequence[Quantity],
    *,
    least: float,
    clear: float,
    longest: int,
) -> list[Stretch]:
    """Stretches between a step of the leading quantity and an opposite one, best first.

    Parameters
    ----------
    runs : Runs
    quantities : sequence of Quantity
        The leading one first, all its values finite; others are NaN where not known. Stretches
        whose leading quantity is off by less than a step would be are left out.
    least : float
        Smallest step of interest.
    clear : float
        Least ratio of a step to its standard deviation.
    longest : int
        Most shots in a stretch.

    Returns
    -------
    stretches : list of Stretch
        They may overlap: the caller takes those it believes, in this order. `size` and `score`
        are in the order of the quantities.
    """
    leading = quantities[0]
    sd = np.broadcast_to(leading.sd, leading.values.shape)
    step = median_steps(leading.values, runs)
    place = sharpest(step, leading.values, np.maximum(least, clear * _MEDIAN_OF_THREE * sd), runs)
    size = step[place]
    found = []
    for at, first in enumerate(place.tolist()):
        for ahead in range(at + 1, len(place)):
            last = int(place[ahead])
            if last - first > longest or runs.run[last] != runs.run[first]:
                break
            if size[at] * size[ahead] < 0 and last - first >= _SHORTEST:
                edge = min(abs(size[at]) / sd[first], abs(size[ahead]) / sd[last])
                # The leading quantity first: most pairs of steps fail already there.
                alone = _measure(runs, first, last, quantities[:1], float(edge))
                if abs(alone.size[0]) >= least and abs(alone.score[0]) >= clear:
                    found.append(_measure(runs, first, last, quantities, float(edge)))
    return sorted(found, key=lambda s: (-s.edge * s.steady, s.first, s.last))


def take_apart(stretches: Sequence[Stretch], count: int) -> list[Stretch]:
    """Of stretches that overlap or share an end the earlier in the sequence.

    The end of one stretch would otherwise pass for the beginning of another behind it.
    """
    taken = np.zeros(count + 1, bool)
    kept = []
    for stretch in stretches:
        if not taken[stretch.first : stretch.last + 1].any():
            taken[stretch.first : stretch.last + 1] = True
            kept.append(stretch)
    return kept


def _measure(
    runs: Runs, first: int, last: int, quantities: Sequence[Quantity], edge: float
) -> Stretch:
    """How far each quantity lies off the straight between its flanks."""
    start = max(first - _FLANK, int(np.searchsorted(runs.run, runs.run[first])))
    stop = min(last + _FLANK, int(np.searchsorted(runs.run, runs.run[first], "right")))
    ends = ((start, first), (first, last), (last, stop))
    size, score = np.zeros(len(quantities)), np.zeros(len(quantities))
    steady = 0.0
    for number, quantity in enumerate(quantities):
        known = [low + np.flatnonzero(np.isfinite(quantity.values[low:high])) for low, high in ends]
        counts = [len(part) for part in known]
        if min(counts) < _FEWEST:
            continue
        values = [quantity.values[part] for part in known]
        left, inside, right = (middle(part) for part in values)
        at = [float(part.sum()) / len(part) for part in known]
        share = (at[1] - at[0]) / (at[2] - at[0])
        size[number] = inside - (left + (right - left) * share)
        noise = middle(quantity.sd[start:stop]) if np.ndim(quantity.sd) else float(quantity.sd)
        weight = (1 - share) ** 2 / counts[0] + 1 / counts[1] + share**2 / counts[2]
        # Medians scatter sqrt(pi / 2) times as much as means.
        score[number] = size[number] / np.hypot(
            noise * np.sqrt(np.pi / 2 * weight), quantity.settling
        )
        if number == 0:
            line = left + (right - left) * (known[1] - at[0]) / (at[2] - at[0])
            off = (values[1] - line) * np.sign(size[0])
            steady = float(np.count_nonzero(off > 0.5 * abs(size[0]))) / counts[1]
    return Stretch(first, last, size, score, steady, edge)


def trimmed(
    runs: Runs, stretches: Sequence[Stretch], quantities: Sequence[Quantity]
) -> list[Stretch]:
    """The same stretches with each end where the quantities together put it best.

    The leading quantity's own steps may lie a few shots off where it also changes by itself.

    Parameters
    ----------
    runs : Runs
    stretches : sequence of Stretch
        None overlapping.
    quantities : sequence of Quantity
        The leading one first, and whichever others step with it.

    Returns
    -------
    stretches : list of Stretch
        Ascending by place, measured anew by all quantities.
    """
    ordered = sorted(stretches, key=lambda stretch: stretch.first)
    result: list[Stretch] = []
    for number, stretch in enumerate(ordered):
        low = result[-1].last if result else 0
        high = ordered[number + 1].first if number + 1 < len(ordered) else len(runs)
        first, last = _best_ends(runs, stretch, quantities[:_TELLING], low, high)
        result.append(_measure(runs, first, last, quantities, stretch.edge))
    return result


def _best_ends(
    runs: Runs, stretch: Stretch, quantities: Sequence[Quantity], low: int, high: int
) -> tuple[int, int]:
    """Ends with the greatest likelihood of shots inside being off and those outside not."""
    start, stop = max(stretch.first - _FLANK, low), min(stretch.last + _FLANK, high)
    place = np.arange(start, stop)
    place = place[runs.run[place] == runs.run[stretch.first]]
    favour = np.zeros(len(place))
    for quantity, size in zip(quantities, stretch.size, strict=False):
        values = quantity.values[place]
        outside = _line_between(values, place, stretch)
        if outside is None or size == 0.0:
            continue
        noise = np.hypot(np.broadcast_to(quantity.sd, quantity.values.shape)[place], _LEAST_NOISE)
        off = values - outside
        gain = (off**2 - (off - size) ** 2) / (2.0 * noise**2)
        favour += np.nan_to_num(np.clip(gain, -_MOST_SAID, _MOST_SAID))
    middle = (stretch.first + stretch.last) // 2
    at = int(np.searchsorted(place, middle))
    behind = np.cumsum(favour[at:])
    before = np.cumsum(favour[:at][::-1])
    last = int(place[at + int(behind.argmax())]) + 1
    first = int(place[at - 1 - int(before.argmax())])
    first, last = max(first, stretch.first - _OUTWARD), min(last, stretch.last + _OUTWARD)
    if last - first < _SHORTEST:
        return stretch.first, stretch.last
    return first, last


def _line_between(values: Floats, place: Integers, stretch: Stretch) -> Floats | None:
    """Straight through the medians of both flanks at every place, or None without flanks."""
    known = np.isfinite(values)
    left = known & (place < stretch.first)
    right = known & (place >= stretch.last)
    if left.sum() < _FEWEST or right.sum() < _FEWEST:
        return None
    x0, x1 = float(place[left].mean()), float(place[right].mean())
    y0, y1 = middle(values[left]), middle(values[right])
    share = np.clip((place - x0) / (x1 - x0), 0.0, 1.0)
    return np.asarray(y0 + (y1 - y0) * share)


def noise_of(values: Floats, runs: Runs, least: float) -> Floats:
    """(m,) scatter of each value's run; `values` finite, in the order of the runs."""
    return scatter_of_runs(values, runs, least=least)[runs.run]
