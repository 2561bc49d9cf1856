"""Steps in what is measured along a line: where a stretch begins and ends at which all is off.

At a boundary between two shots the values of up to five shots on either side are fitted by one
straight line with a step. Medians of three on either side find the boundaries worth that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._step_kernels import find_boundaries, fit_steps, pick_peaks
from asfound.budget.rules.runs import Runs

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

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
    usual_sd: float = np.nan,
    own_sd: float = 0.0,
) -> Steps:
    """Steps of a quantity that otherwise runs straight over ten shots, such as the ground.

    Parameters
    ----------
    values, sd, station : (n,) float64
        Of all shots, finite on the runs; station in metres along the line. A standard deviation
        that is not finite is taken as `usual_sd`.
    least : float
        Smallest step of interest.
    score : float
        Least ratio of a step to its standard deviation.
    own_sd : float
        How much the quantity varies by itself from shot to shot, added in quadrature.

    Returns
    -------
    Steps
        Only the clearest within reach of its window.
    """
    order, starts = runs.order, runs.starts
    place, run = np.empty(len(runs), np.int64), np.empty(len(runs), np.int64)
    count = find_boundaries(order, starts, values, station, least, place, run)
    place, run = place[:count], run[:count]

    def fitted(at: Integers, *, beyond: bool) -> tuple[Floats, Floats, Flags]:
        """Steps at numbers of boundaries, and which are clear; cut where some were accepted."""
        size, size_sd = np.empty(len(at)), np.empty(len(at))
        whose = order, starts, values, sd, station, usual_sd, own_sd, place[at], run[at]
        fit_steps(*whose, place[accepted], beyond, size, size_sd)
        clear = (np.abs(size) >= least) & (np.abs(size) >= score * size_sd)
        return size, size_sd, clear

    every, accepted = np.arange(count), np.empty(0, np.int64)
    # The clearest steps first; what lies near one is judged by the shots on its own side of it.
    for _ in range(2):
        size, size_sd, clear = fitted(every, beyond=False)
        at = np.flatnonzero(clear)
        clearest = np.argsort(-np.abs(size[at]) / size_sd[at], kind="stable")
        picked = np.empty(len(at), bool)
        pick_peaks(place[at], clearest, place[accepted], picked)
        accepted = np.sort(np.concatenate([accepted, at[picked]]))
    size, size_sd, clear = fitted(accepted, beyond=True)
    return Steps(place[accepted[clear]], size[clear], size_sd[clear])
