"""A smoothed channel that lets go of wrong shots, and of smoothness where the line turns.

Two things can break a smooth line: a shot that is wrong, and a turn that is sharp. Each has its
score in standard deviations: the shot's distance from the line fitted without it, and the score
test of a jump in direction between two nodes. In every neighbourhood the larger score of either
kind wins a round, then the line is fitted again. How much a line wanders is its own shots' say:
first the posterior mean of log q of the whole line, about the prior of its kind; then that of
each neighbourhood, about its line's, for a line may be straight here and wind there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from asfound.alignment._room import Room
from asfound.alignment._smoother import Smoothed, Track, prior_variances, result_for
from asfound.alignment._smoother_kernels import LANES, fit_each_line

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WANDER_SPREAD = 1.0
STRETCH_SPREAD = 0.7
WANDER_GRID = np.linspace(-9.0, -2.0, LANES)
_FINE_GRID = np.linspace(-9.0, -2.0, 22)
_FINER = np.ascontiguousarray(CubicSpline(WANDER_GRID, np.eye(LANES))(_FINE_GRID).T)
HELD = 0.5


@dataclass(frozen=True, eq=False)
class Observed:
    """What a channel is fitted to, by node (shots, and bends that are not observed).

    Parameters
    ----------
    starts : (lines + 1,) int64
    gap : (n,) float64
        To the next node [m].
    data : (columns, n) float64
    variance : (n,) float64
        Of the observation at weight 1 [m2].
    usable : (n,) bool
    weight : (n,) float64
        To begin with; 0 where not usable.
    left : (2, n) float64 or None
        Unit vector across the line: only that component of (easting, northing) is judged.
    extra : (n,) float64
        Wander added between the node and the next [1/m].
    kink : (n,) float64
        Variance of slope added at the node.
    known : (n,) bool
        The interval holds a bend already found: no further jump is looked for.
    """

    starts: Integers
    gap: Floats
    data: Floats
    variance: Floats
    usable: Flags
    weight: Floats
    left: Floats | None
    extra: Floats
    kink: Floats
    known: Flags


@dataclass(frozen=True, eq=False)
class Channel:
    """One smoothed channel: the plane (easting and northing) or the level (height).

    Parameters
    ----------
    weight : (n,) float64
        Of each node's shot, 0 to 1.
    wander : (n,) float64
        q between each node and the next [1/m], bends and turns left out.
    release : (n,) float64
        Variance of an abrupt turn found between a node and the next [rad2]; 0 where none.
    turn : (n,) float64
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


def fit_channel(seen: Observed, prior: Floats, room: Room | None = None) -> Channel:
    """Smooth every line; find wrong shots and sharp turns, and smooth again.

    A sharp turn not yet found would pass for much wander: for the first rounds the wander is
    held back, until turns are found.

    Parameters
    ----------
    seen : Observed
    prior : (lines,) float64
        log10 of the prior median of the wander q.
    room : Room, optional
        Where the result's arrays are to be, good until it is cleared.
    """
    columns, count = seen.data.shape
    left = np.empty((2, 0)) if seen.left is None else seen.left
    empty = np.empty if room is None else room.floats
    weight = empty(count)
    weight[:] = seen.weight
    wander, release, turn = empty(count), empty(count), empty(count)
    precision, full_wander = empty(count), empty(count)
    result = result_for(columns, count, room)
    fit_each_line(
        seen.starts,
        seen.gap,
        seen.data,
        seen.variance,
        seen.usable,
        left,
        seen.extra,
        seen.kink,
        seen.known,
        np.asarray(prior, np.float64),
        HELD,
        np.array([WANDER_SPREAD, STRETCH_SPREAD]),
        WANDER_GRID,
        _FINE_GRID,
        _FINER,
        prior_variances(),
        weight,
        wander,
        release,
        turn,
        precision,
        full_wander,
        result.mean,
        result.variance,
        result.filtered,
        result.filtered_variance,
        result.adjoint,
        result.adjoint_variance,
    )
    track = Track(seen.starts, seen.gap, precision, full_wander, seen.kink)
    return Channel(weight, wander, release, turn, track, result)
