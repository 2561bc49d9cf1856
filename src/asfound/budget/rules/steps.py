"""Steps in what is measured along a line: where a stretch begins and ends at which all is off.

At a boundary between two shots the values of up to five shots on either side are fitted by one
straight line with a step, where it stands out from the grades around it.
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
