"""Shots put into lines, whatever order they were logged in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.alignment._alongside import (
    embedded,
    merge_alongside,
    places_in_paths,
    take_in_small,
)
from asfound.alignment._ends import join_ends
from asfound.alignment._log_runs import log_runs, proven_chains
from asfound.alignment._mend import mend
from asfound.alignment._neighbours import neighbour_paths
from asfound.alignment._points import Paths, Points, grouped_median, select_points
from asfound.alignment._record import record_lines
from asfound.alignment._record_kernels import lay_paths, look_at_walks
from asfound.alignment._tails import shed_by_log, shed_tails, usual_step
from asfound.model import Assembly, Ground, Shots


def assemble(shots: Shots, ground: Ground) -> Assembly:
    """Order shots into lines.

    Shots of one utility, and of one line name where the field gave one, are joined by
    straightness and nearness; the order of the log helps where it is sound and is ignored where
    it is not. Lines end at tees, at gaps too long to bridge, and where nothing goes on; a
    doubtful gap that is bridged is recorded with the reason.

    Parameters
    ----------
    shots : Shots
    ground : Ground
        Of the same length.

    Returns
    -------
    Assembly
        Control checks, shots without a position, and shots that fit no line have line -1. Every
        line has at least two shots.
    """
    points = select_points(shots, ground)
    paths, miscoded = _all_paths(points)
    return record_lines(shots, ground, points, _laid_out(points, paths), miscoded)


def _laid_out(points: Points, paths: Paths) -> Paths:
    """Paths of two points and more in the order their first shots came in.

    Each runs in the direction the log mostly walked it.
    """
    count = len(paths)
    backward, first = np.empty(count, bool), np.empty(count, np.int64)
    look_at_walks(paths.nodes, paths.starts, points.shot, backward, first)
    order = np.flatnonzero(paths.sizes >= 2)
    order = order[np.argsort(first[order])]
    nodes = np.empty(int(paths.sizes[order].sum()), np.int64)
    starts = np.empty(len(order) + 1, np.int64)
    lay_paths(paths.nodes, paths.starts, order, backward, nodes, starts)
    return Paths(nodes, starts)


def _all_paths(points: Points) -> tuple[Paths, npt.NDArray[np.bool_]]:
    """Paths through all points: log first, geometry for the rest, then joins.

    With them, a mask of points coded as another utility than the line they were taken on.
    """
    paths, singles, repeats, lost = log_runs(points)
    points = _without_unproven_logs(points, paths)
    if len(singles):
        lone, close = neighbour_paths(points, singles, _key_spacing(points, paths))
        repeats = np.concatenate((repeats, close))
        paths = Paths.join([paths, lone])
    repeats = np.concatenate((repeats, lost))
    if len(repeats):
        extra = Paths.of_sizes(repeats, np.ones(len(repeats), np.int64))
        paths = Paths.join([paths, extra])
    miscoded = embedded(points, paths)
    alone = miscoded.copy()
    alone[lost] = True
    paths = merge_alongside(points, paths, alone)
    paths = shed_tails(points, paths)
    paths = join_ends(points, paths, alone, (0, 1))
    paths = take_in_small(points, paths, alone)
    paths = join_ends(points, paths, alone, (2,))
    where = places_in_paths(points, paths)
    paths, shed = shed_by_log(points, paths, where)
    paths = take_in_small(points, paths, alone, where)
    single = paths.nodes[paths.starts[:-1][paths.sizes == 1]]
    alone[np.intersect1d(shed, single)] = True
    paths = join_ends(points, paths, alone, (2, 3))
    return mend(points, paths, alone), miscoded


def _without_unproven_logs(points: Points, runs: Paths) -> Points:
    """Points as if each were a log by itself where the log has no run: neighbours by chance."""
    proven = proven_chains(points, runs)
    if proven.all():
        return points
    alone = -1 - np.arange(len(points), dtype=np.int32)
    return replace(points, chain=np.where(proven[points.chain], points.chain, alone))


def _key_spacing(points: Points, runs: Paths) -> npt.NDArray[np.float64]:
    """(keys,) usual distance between shots in the runs of each key, NaN without runs."""
    key = points.key[runs.nodes[runs.starts[:-1]]]
    return grouped_median(usual_step(points, runs), key, len(points.named))
