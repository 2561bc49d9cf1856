"""From the smoothed nodes to `Line` records: samples, covariances, residuals, bends, gaps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from asfound.alignment._axis_kernels import cut_intervals, describe_lines, sample_axis
from asfound.alignment._fitted import Fitted
from asfound.alignment._members import Members
from asfound.alignment._shared import Uneven, split_terms
from asfound.alignment._shared_kernels import add_patterns
from asfound.model import Budget, Ground, Line, Utility

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Cuts:
    """Where the axis is sampled: at every node, and between them as the curve asks for.

    Parameters
    ----------
    pieces : (n,) int64
        Samples from each node up to the next.
    starts : (lines + 1,) int64
        Where the samples of each line start.
    slope : (2, n) float64
        Of easting and northing past each node.
    """

    pieces: Integers
    starts: Integers
    slope: Floats

    def places(self, gap: Floats) -> tuple[Integers, Floats]:
        """(s,) node at or before each sample, and station past it [m]."""
        node = np.repeat(np.arange(len(gap)), self.pieces)
        first = np.cumsum(self.pieces) - self.pieces
        share = (np.arange(len(node)) - first[node]) / self.pieces[node]
        return node, share * gap[node]


def cut_axes(fitted: Fitted) -> Cuts:
    """Cut all lines where they are sampled."""
    track, result = fitted.plane.track, fitted.plane.result
    level_track, level = fitted.level.track, fitted.level.result
    count = len(track.gap)
    cuts = Cuts(
        np.empty(count, np.int64), np.empty(len(track.starts), np.int64), np.empty((2, count))
    )
    cut_intervals(
        track.starts,
        track.gap,
        track.wander,
        track.kink,
        result.variance,
        result.filtered,
        result.filtered_variance,
        result.adjoint,
        result.adjoint_variance,
        level_track.wander,
        level_track.kink,
        level.variance,
        level.filtered,
        level.filtered_variance,
        level.adjoint,
        level.adjoint_variance,
        cuts.slope,
        cuts.pieces,
        cuts.starts,
    )
    return cuts


def record_lines(
    members: Members,
    fitted: Fitted,
    ground: Ground,
    budget: Budget,
    names: tuple[str, ...],
    utility: npt.NDArray[np.int8],
) -> list[Line]:
    """Make the records of all lines."""
    nodes, cuts = fitted.nodes, cut_axes(fitted)
    lines, shots, count = len(names), len(members.shot), len(nodes.station)
    samples = int(cuts.starts[-1])
    station, easting, northing, height, above, bearing = (np.empty(samples) for _ in range(6))
    covariance, independent = np.empty((samples, 3, 3)), np.empty((samples, 3, 3))
    shot_station, residual = np.empty(shots), np.empty((shots, 3))
    first = np.empty(count, np.int64)
    even, uneven = split_terms(budget, members.starts, members.shot, fitted.used)
    track, result = fitted.plane.track, fitted.plane.result
    level_track, level = fitted.level.track, fitted.level.result
    sample_axis(
        track.starts,
        track.gap,
        cuts.pieces,
        cuts.starts,
        cuts.slope,
        track.wander,
        track.kink,
        result.mean,
        result.variance,
        result.filtered,
        result.filtered_variance,
        result.adjoint,
        result.adjoint_variance,
        level_track.wander,
        level_track.kink,
        level.mean,
        level.variance,
        level.filtered,
        level.filtered_variance,
        level.adjoint,
        level.adjoint_variance,
        fitted.level.weight,
        even,
        members.origin,
        nodes.member,
        members.shot,
        members.east,
        members.north,
        budget.centre_height,
        first,
        station,
        easting,
        northing,
        height,
        bearing,
        covariance,
        independent,
        shot_station,
        residual,
    )
    for error in uneven:
        _add_uneven(covariance, error, members, fitted, cuts)
    bends, bend_starts = np.empty((count, 2)), np.empty(lines + 1, np.int64)
    gaps, gap_starts = np.empty((shots, 2)), np.empty(lines + 1, np.int64)
    diameter = np.empty(lines)
    describe_lines(
        track.starts,
        nodes.member,
        first,
        cuts.starts,
        station,
        nodes.deflection,
        fitted.plane.turn,
        members.starts,
        members.shot,
        fitted.used,
        shot_station,
        ground.height,
        budget.outside_diameter,
        above,
        bends,
        bend_starts,
        gaps,
        gap_starts,
        diameter,
    )
    # the arrays of a batch are kept once, and each line has its own part of them
    bends, gaps = bends[: bend_starts[-1]].copy(), gaps[: gap_starts[-1]].copy()
    nothing = np.empty((0, 2))
    utilities = {kind: Utility(kind) for kind in set(utility.tolist())}
    bounds = (members.starts, cuts.starts, bend_starts, gap_starts)
    m, s, b, g = (pairwise(part.tolist()) for part in bounds)
    used, weight, shot = fitted.used, fitted.weight, members.shot
    return [
        _line(
            {
                "name": name,
                "utility": utilities[kind],
                "shots": shot[m0:m1],
                "used": used[m0:m1],
                "weight": weight[m0:m1],
                "station": shot_station[m0:m1],
                "residual": residual[m0:m1],
                "axis_station": station[s0:s1],
                "easting": easting[s0:s1],
                "northing": northing[s0:s1],
                "height": height[s0:s1],
                "ground_height": above[s0:s1],
                "bearing": bearing[s0:s1],
                "covariance": covariance[s0:s1],
                "independent": independent[s0:s1],
                "bends": bends[b0:b1] if b1 > b0 else nothing,
                "gaps": gaps[g0:g1] if g1 > g0 else nothing,
                "outside_diameter": outside,
            }
        )
        for name, kind, (m0, m1), (s0, s1), (b0, b1), (g0, g1), outside in zip(
            names, utility.tolist(), m, s, b, g, diameter.tolist(), strict=True
        )
    ]


def _line(fields: dict[str, object]) -> Line:
    """A record of all its fields: a frozen record's own constructor sets them one by one."""
    line = object.__new__(Line)
    object.__setattr__(line, "__dict__", fields)
    return line


def _add_uneven(
    covariance: Floats, error: Uneven, members: Members, fitted: Fitted, cuts: Cuts
) -> None:
    """Add to the covariance at the samples what a shared error does to lines unevenly."""
    nothing = np.zeros(1)
    for channel, sizes, flat in (
        (fitted.plane, (error.east_east, error.north_north, error.east_north), True),
        (fitted.level, (error.up_up, nothing, nothing), False),
    ):
        one, two, both = sizes
        add_patterns(
            channel.track.starts,
            channel.track.gap,
            channel.track.precision,
            channel.track.wander,
            channel.track.kink,
            channel.result.filtered_variance,
            cuts.pieces,
            cuts.starts,
            fitted.nodes.member,
            members.starts,
            members.shot,
            fitted.used,
            error.code,
            one,
            two,
            both,
            error.lines,
            flat,
            covariance,
        )
