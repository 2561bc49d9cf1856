"""Lines: shots joined, with the tube that holds the conductor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model.vocabulary import Utility

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Assembly:
    """Which shot belongs to which line, and in which order.

    Parameters
    ----------
    line : (n,) int32
        Line index of each shot, -1 for none (control checks, strays).
    rank : (n,) int32
        Place along its line from 0, -1 for none.
    station : (n,) float64
        Distance along the raw polyline [m], NaN for none.
    bearing : (n,) float64
        Grid bearing of the line at each shot [rad], NaN where not known. The field locates a
        line across its own direction only, so the error budget needs it.
    names : tuple of str
        One a line: the field's name where given, else utility initial and number: ``'G1'``.
    utility : (lines,) int8
    hookup : (lines,) int32
        Code in `Shots.hookup.names`, -1 none or several.
    gaps : tuple of (line, rank, reason)
        Doubtful joins: the gap lies between `rank` and `rank + 1`.
    tees : tuple of (branch, main, easting, northing)
        A line (index) that starts on another.
    """

    line: npt.NDArray[np.int32]
    rank: npt.NDArray[np.int32]
    station: Floats
    bearing: Floats
    names: tuple[str, ...]
    utility: npt.NDArray[np.int8]
    hookup: npt.NDArray[np.int32]
    gaps: tuple[tuple[int, int, str], ...] = ()
    tees: tuple[tuple[int, int, float, float], ...] = ()

    def members(self) -> tuple[Integers, Integers]:
        """Shots of all lines in order, and where each line starts.

        Returns
        -------
        shots : (m,) int64
            Shot indices sorted by line, then rank.
        starts : (lines + 1,) int64
            Line i is ``shots[starts[i]:starts[i + 1]]``.
        """
        # only here: records are read without what compiles loops
        from asfound.model._member_kernels import order_by_rank

        line = np.ascontiguousarray(self.line, np.int32)
        rank = np.ascontiguousarray(self.rank, np.int32)
        lines = max(len(self.names), int(line.max(initial=-1)) + 1)
        starts = np.empty(lines + 1, np.int64)
        order = np.empty(int(np.count_nonzero(line >= 0)), np.int64)
        if not order_by_rank(line, rank, starts, order):
            joined = np.flatnonzero(line >= 0)
            order = joined[np.lexsort((rank[joined], line[joined]))]
        return order, starts[: len(self.names) + 1]


@dataclass(frozen=True, eq=False)
class Line:
    """A line's estimated axis (centre of the conductor) and its envelope.

    Parameters
    ----------
    name : str
    utility : Utility
    shots : (k,) int64
        Member shots in station order.
    used : (k,) bool
        False where the smoother left a shot out (unfit, or an outlier).
    weight : (k,) float64
        Final robust weight, 0 to 1.
    station : (k,) float64
        Of the shots, along the estimated axis [m].
    residual : (k, 3) float64
        Shot minus axis: along, left, up [m].
    axis_station : (m,) float64
    easting, northing, height : (m,) float64
        Axis at `axis_station`, centre of the conductor, job frame [m]; height NaN if no depths.
    ground_height : (m,) float64
        Ground above the axis [m].
    bearing : (m,) float64
        Grid bearing of the axis [rad].
    covariance : (m, 3, 3) float64
        Posterior of the axis [m2], grid east, north, up, shared terms included.
    independent : (m, 3, 3) float64
        The same without the shared terms.
    bends : (b, 2) float64
        Station [m], deflection [rad], right positive.
    gaps : (g, 2) float64
        Stations between which the axis is not supported by shots.
    outside_diameter : float
        Nominal [m], NaN if unknown.
    """

    name: str
    utility: Utility
    shots: Integers
    used: npt.NDArray[np.bool_]
    weight: Floats
    station: Floats
    residual: Floats
    axis_station: Floats
    easting: Floats
    northing: Floats
    height: Floats
    ground_height: Floats
    bearing: Floats
    covariance: Floats
    independent: Floats
    bends: Floats
    gaps: Floats
    outside_diameter: float = float("nan")

    @property
    def length(self) -> float:
        """Along the axis [m]."""
        return float(self.axis_station[-1] - self.axis_station[0])


@dataclass(frozen=True)
class Crossing:
    """Two lines crossing in plan.

    Parameters
    ----------
    line_a, line_b : int
        Indices; `line_a` is the upper one where heights are known.
    station_a, station_b : float
        [m].
    easting, northing : float
        [m].
    separation, separation_sd : float
        Vertical, centre to centre, a above b [m], and its standard deviation.
    surface_separation : float
        Less half of both outside diameters [m]; NaN where a size is unknown.
    angle : float
        Between the axes, 0 to pi/2 [rad].
    order_certainty : float
        Probability that a is above b.
    """

    line_a: int
    line_b: int
    station_a: float
    station_b: float
    easting: float
    northing: float
    separation: float
    separation_sd: float
    surface_separation: float
    angle: float
    order_certainty: float
