"""Steps in what is measured along a line: where a stretch begins and ends at which all is off.

At a boundary between two shots the values of up to five shots on either side are fitted by one
straight line with a step. Medians of three on either side find the boundaries worth that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules.runs import Runs

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_SIDE = 5
_FEWEST = 3


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps between places `place - 1` and `place` of runs.

    Parameters
    ----------
    place : (s,) int64
        In the order of the runs, ascending.
    size, size_sd : (s,) float64
        Behind minus before, with its standard deviation.
    """

    place: Integers
    size: Floats
    size_sd: Floats

    def __len__(self) -> int:
        return len(self.place)


def median_steps(values: Floats, runs: Runs) -> Floats:
    """Median of the three values behind each boundary minus that of the three before it.

    A steady drift, such as that of a current that leaks away, is taken off.

    Parameters
    ----------
    values : (m,) float64
        In the order of the runs, all finite.

    Returns
    -------
    step : (m,) float64
        Of the boundary before each place; NaN where a run has fewer than three on one side.
    """
    count = len(values)
    step = np.full(count, np.nan)
    if count < 2 * _FEWEST:
        return step
    middle = _middle(values[:-2], values[1:-1], values[2:])
    inner = runs.run[5:] == runs.run[:-5]
    # Drift over three places: of those before, of those behind, or none, whichever is between.
    over_three = values[3:] - values[:-3]
    before, behind = np.zeros(count), np.zeros(count)
    whole = runs.run[3:] == runs.run[:-3]
    before[4:], behind[:-3] = (
        np.where(whole, over_three, 0.0)[:-1],
        np.where(whole, over_three, 0.0),
    )
    drift = _middle(before, behind, np.zeros(count))[3:-2]
    step[3:-2] = np.where(inner, middle[3:] - middle[:-3] - drift, np.nan)
    return step


def _middle(a: Floats, b: Floats, c: Floats) -> Floats:
    """Median of three."""
    return np.asarray(np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c)))


def sharpest(step: Floats, values: Floats, limit: Floats, runs: Runs) -> Integers:
    """Places where a step is largest among its neighbours of the same sign.

    A true step shows at three boundaries in a row alike; the single difference tells which.

    Parameters
    ----------
    step : (m,) float64
        From `median_steps`.
    values : (m,) float64
    limit : (m,) float64
        Smallest size of a step.

    Returns
    -------
    place : (k,) int64
    """
    with np.errstate(invalid="ignore"):
        over = np.flatnonzero(np.abs(step) > limit)
    if not len(over):
        return over
    sign = np.sign(step[over])
    fresh = np.ones(len(over), bool)
    fresh[1:] = (np.diff(over) > 1) | (np.diff(sign) != 0)
    fresh[1:] |= runs.run[over[1:]] != runs.run[over[:-1]]
    group = np.cumsum(fresh) - 1
    jump = (values[over] - values[over - 1]) * sign
    by_jump = np.lexsort((-jump, group))
    return np.sort(over[by_jump[np.unique(group[by_jump], return_index=True)[1]]])


def straight_steps(
    values: Floats,
    sd: Floats,
    station: Floats,
    runs: Runs,
    *,
    least: float,
    score: float,
) -> Steps:
    """Steps of a quantity that otherwise runs straight over ten shots, such as the ground.

    Parameters
    ----------
    values, sd, station : (m,) float64
        In the order of the runs, all finite; station in metres along the line.
    least : float
        Smallest step of interest.
    score : float
        Least ratio of a step to its standard deviation.

    Returns
    -------
    Steps
        Only the clearest within reach of its window.
    """
    count = len(values)
    empty = np.empty(0)
    none = Steps(np.empty(0, np.int64), empty, empty)
    if count < 2 * _FEWEST:
        return none
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.diff(station)
        grade = np.where(np.abs(distance) > 0.3, np.diff(values) / distance, np.nan)
    # A boundary that does not stand out from the grades around it needs no fit.
    before, behind = np.full(count, np.nan), np.full(count, np.nan)
    before[2:], behind[:-2] = grade[:-1], grade[1:]
    jump = np.concatenate([[0.0], np.diff(values)])
    along = np.concatenate([[0.0], distance])
    with np.errstate(invalid="ignore"):
        expected = np.stack([before * along, behind * along])
        apart = np.abs(jump - expected)
        stands_out = ~(np.minimum(apart[0], apart[1]) < 0.6 * least)
    inner = np.zeros(count, bool)
    inner[3:-2] = runs.run[5:] == runs.run[:-5]
    place = np.flatnonzero(stands_out & inner)
    accepted = np.empty(0, np.int64)
    # The clearest steps first; what lies near one is judged by the shots on its own side of it.
    for _ in range(2):
        size, size_sd = _fit(place, values, sd, station, _cut_at(runs, accepted))
        with np.errstate(invalid="ignore"):
            strength = np.abs(size) / size_sd
            good = (np.abs(size) >= least) & (strength >= score)
        fresh = _peaks(place[good], strength[good], count, accepted)
        accepted = np.sort(np.concatenate([accepted, fresh]))
    size, size_sd = _fit(accepted, values, sd, station, _cut_at(runs, accepted), beyond=True)
    with np.errstate(invalid="ignore"):
        good = (np.abs(size) >= least) & (np.abs(size) >= score * size_sd)
    return Steps(accepted[good], size[good], size_sd[good])


def _peaks(place: Integers, strength: Floats, count: int, accepted: Integers) -> Integers:
    """Places with no clearer one within reach of their window."""
    taken = np.zeros(count, bool)
    for here in accepted.tolist():
        taken[max(here - _FEWEST + 1, 0) : here + _FEWEST] = True
    kept = []
    for at in np.argsort(-strength, kind="stable").tolist():
        here = int(place[at])
        if not taken[here]:
            kept.append(here)
            taken[max(here - _SIDE + 1, 0) : here + _SIDE] = True
    return np.array(sorted(kept), np.int64)


def _cut_at(runs: Runs, place: Integers) -> Runs:
    """Runs cut at places too."""
    cut = np.zeros(len(runs), np.int64)
    cut[1:] = runs.run[1:] != runs.run[:-1]
    cut[place] = 1
    return Runs.numbered(runs.order, np.cumsum(cut))


def _fit(
    place: Integers,
    values: Floats,
    sd: Floats,
    station: Floats,
    runs: Runs,
    *,
    beyond: bool = False,
) -> tuple[Floats, Floats]:
    """Weighted least squares of level, slope and step at each place; the step and its sd.

    With `beyond`, runs are cut at the places themselves, and each fit takes both sides.
    """
    offset = np.arange(-_SIDE, _SIDE)
    near = place[:, None] + offset
    inside = (near >= 0) & (near < len(values))
    near = np.clip(near, 0, len(values) - 1)
    own = runs.run[place][:, None] - (beyond & (offset < 0))
    inside &= runs.run[near] == own
    enough = (inside[:, :_SIDE].sum(axis=1) >= _FEWEST) & (inside[:, _SIDE:].sum(axis=1) >= _FEWEST)
    weight = np.where(inside, 1.0 / np.maximum(sd[near], 1e-6) ** 2, 0.0)
    total = weight.sum(axis=1)

    def centred(array: Floats) -> Floats:
        return np.asarray(array - ((weight * array).sum(axis=1) / total)[:, None])

    step = centred(np.broadcast_to((offset >= 0).astype(np.float64), weight.shape))
    slope = centred(station[near] - station[place][:, None])
    level = values[near] - values[place][:, None]
    ss, dd = (weight * step * step).sum(axis=1), (weight * slope * slope).sum(axis=1)
    sd_ = (weight * step * slope).sum(axis=1)
    sy, dy = (weight * step * level).sum(axis=1), (weight * slope * level).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = ss * dd - sd_ * sd_
        usable = enough & (determinant > 1e-9 * ss * dd)
        size = np.where(usable, (dd * sy - sd_ * dy) / determinant, np.nan)
        variance = np.where(usable, dd / determinant, np.nan)
    return size, np.sqrt(variance)
