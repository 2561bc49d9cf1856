"""State-space smoother for many lines, in time proportional to the number of shots.

Each channel (easting, northing; height) is an integrated random walk along the station: the
direction wanders as white noise of density q [rad2/m], so that

    [x, v](s + d) = [x + d v, v] + noise,  covariance q [[d3/3, d2/2], [d2/2, d]],

which makes the smoothed curve a cubic spline and its variance that of a Gaussian process with an
integrated Wiener kernel (Wahba 1978; Kalman and Bryson-Frazier recursions as in Durbin and
Koopman, Time Series Analysis by State Space Methods, ch. 4). The recursions themselves are in
`_smoother_kernels`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._room import Room
from asfound.alignment._smoother_kernels import (
    CLIP,
    LANES,
    between_nodes,
    likelihoods_of_lines,
    smooth_lines,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

POSITION_PRIOR = 1.0e4
SLOPE_PRIOR = 4.0


@dataclass(frozen=True, eq=False)
class Track:
    """Nodes of many lines, one line after the other: shots, and places that are not observed.

    Parameters
    ----------
    starts : (lines + 1,) int64
    gap : (n,) float64
        Station from each node to the next of its line [m]; any value at a line's last node.
    precision : (n,) float64
        1 / variance of the observation [1/m2]; 0 where nothing was observed.
    wander : (n,) float64
        q between each node and the next [1/m].
    kink : (n,) float64
        Variance added to the slope at the node, past its observation.
    """

    starts: Integers
    gap: Floats
    precision: Floats
    wander: Floats
    kink: Floats

    @property
    def sizes(self) -> Integers:
        return np.diff(self.starts)

    def take(self, lines: Integers) -> tuple[Track, Integers]:
        """Chosen lines, and the nodes they consist of."""
        sizes = self.sizes[lines]
        starts = np.concatenate(([0], np.cumsum(sizes)))
        index = (
            np.arange(int(starts[-1]))
            - np.repeat(starts[:-1], sizes)
            + np.repeat(self.starts[lines], sizes)
        )
        part = Track(
            starts, self.gap[index], self.precision[index], self.wander[index], self.kink[index]
        )
        return part, index


@dataclass(frozen=True, eq=False)
class Smoothed:
    """Posterior at each node, and what is needed between nodes.

    Parameters
    ----------
    mean : (columns, n) float64
        Smoothed position.
    variance : (n,) float64
    filtered : (columns, 2, n) float64
        Position and slope given the observations up to and at the node.
    filtered_variance : (3, n) float64
        (11, 12, 22) of the same, the kink not yet added.
    adjoint : (columns, 2, n) float64
        What the observations from the node on say, as gradient about the prediction.
    adjoint_variance : (3, n) float64
        Information (11, 12, 22) of the same.
    """

    mean: Floats
    variance: Floats
    filtered: Floats
    filtered_variance: Floats
    adjoint: Floats
    adjoint_variance: Floats


def prior_variances() -> Floats:
    """(2,) variance of position [m2] and of slope at a line's start."""
    return np.array([POSITION_PRIOR, SLOPE_PRIOR])


def result_for(columns: int, count: int, room: Room | None = None) -> Smoothed:
    """A result yet to be written."""
    empty = np.empty if room is None else room.floats
    return Smoothed(
        empty((columns, count)),
        empty(count),
        empty((columns, 2, count)),
        empty((3, count)),
        empty((columns, 2, count)),
        empty((3, count)),
    )


def smooth(track: Track, observed: Floats) -> Smoothed:
    """Smooth several columns of observations with the same variances.

    Parameters
    ----------
    track : Track
    observed : (columns, n) float64
        Relative to a place near each line's start; ignored where the precision is 0.

    Returns
    -------
    Smoothed
    """
    result = result_for(*observed.shape)
    smooth_lines(
        track.starts,
        track.gap,
        track.precision,
        track.wander,
        track.kink,
        np.ascontiguousarray(observed),
        prior_variances(),
        result.mean,
        result.variance,
        result.filtered,
        result.filtered_variance,
        result.adjoint,
        result.adjoint_variance,
    )
    return result


def log_likelihoods(
    track: Track,
    observed: Floats,
    factors: Floats,
    left: Floats | None = None,
    clip: float = CLIP,
) -> Floats:
    """Robust log likelihood of each observation for several sizes of the wander.

    What `_robust.fit_channel` goes by when it estimates the wander.

    Parameters
    ----------
    track : Track
    observed : (columns, n) float64
        One column, or easting and northing.
    factors : (LANES,) float64
        The track's wander is multiplied by each.
    left : (2, n) float64
        For two columns: unit vector across the line at each node. Only that component of
        (easting, northing) counts, for along the line the station is measured from the shots
        themselves.
    clip : float
        Innovations beyond so many standard deviations count linearly.

    Returns
    -------
    (LANES, n) float64
        By node, given the nodes before it on its line; 0 where nothing was observed.
    """
    result = np.empty((LANES, len(track.gap)))
    likelihoods_of_lines(
        track.starts,
        track.gap,
        track.precision,
        track.wander,
        track.kink,
        np.ascontiguousarray(observed),
        np.empty((2, 0)) if left is None else np.ascontiguousarray(left),
        prior_variances(),
        factors,
        clip,
        result,
    )
    return result


def between(
    track: Track, result: Smoothed, node: Integers, ahead: Floats
) -> tuple[Floats, Floats, Floats]:
    """Posterior at places past nodes and before the next ones.

    Parameters
    ----------
    track : Track
    result : Smoothed
    node : (k,) int64
        Node before each place; not a line's last.
    ahead : (k,) float64
        Station from it [m].

    Returns
    -------
    mean, slope : (columns, k) float64
    variance : (k,) float64
    """
    columns, count = len(result.mean), len(node)
    mean, slope = np.empty((columns, count)), np.empty((columns, count))
    variance = np.empty(count)
    between_nodes(
        track.gap,
        track.wander,
        track.kink,
        result.filtered,
        result.filtered_variance,
        result.adjoint,
        result.adjoint_variance,
        node,
        ahead,
        mean,
        slope,
        variance,
    )
    return mean, slope, variance
