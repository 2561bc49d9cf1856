"""From the smoothed nodes to `Line` records: samples, covariances, residuals, bends, gaps."""

from __future__ import annotations

from dataclasses import dataclass

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
    bends = bends[: bend_starts[-1]].copy()
    gaps = gaps[: gap_starts[-1]].copy()
    # the arrays of a batch are kept once, and each line has its own part of them
    utilities = {kind: Utility(kind) for kind in set(utility.tolist())}
    kinds, diameters = utility.tolist(), diameter.tolist()
    m, s = members.starts.tolist(), cuts.starts.tolist()
    b, g = bend_starts.tolist(), gap_starts.tolist()
    return [
        Line(
            name=names[i],
            utility=utilities[kinds[i]],
            shots=members.shot[m[i] : m[i + 1]],
            used=fitted.used[m[i] : m[i + 1]],
            weight=fitted.weight[m[i] : m[i + 1]],
            station=shot_station[m[i] : m[i + 1]],
            residual=residual[m[i] : m[i + 1]],
            axis_station=station[s[i] : s[i + 1]],
            easting=easting[s[i] : s[i + 1]],
            northing=northing[s[i] : s[i + 1]],
            height=height[s[i] : s[i + 1]],
            ground_height=above[s[i] : s[i + 1]],
            bearing=bearing[s[i] : s[i + 1]],
            covariance=covariance[s[i] : s[i + 1]],
            independent=independent[s[i] : s[i + 1]],
            bends=bends[b[i] : b[i + 1]],
            gaps=gaps[g[i] : g[i + 1]],
            outside_diameter=diameters[i],
        )
        for i in range(lines)
    ]


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
