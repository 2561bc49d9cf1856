"""Ends of paths that don't belong: loose by distance, by angle, or by what the log says."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._ends_kernels import usual_steps
from asfound.alignment._points import Floats, Integers, Paths, Points
from asfound.alignment._tail_kernels import cut_loose, find_strangers, suspect_ends


def shed_tails(points: Points, paths: Paths) -> Paths:
    """Paths without end points that hang on by a step far longer than usual, or at an angle.

    Such a point is as likely mistyped as the end of the line; by itself it can still be joined,
    after the line has found its own continuation.
    """
    step = usual_step(points, paths)
    starts = np.empty(3 * len(paths) + 1, np.int64)
    number = cut_loose(points.x, points.y, points.scatter, paths.nodes, paths.starts, step, starts)
    return Paths(paths.nodes, starts[: number + 1])


def shed_by_log(
    points: Points, paths: Paths, where: npt.NDArray[np.int32]
) -> tuple[Paths, Integers]:
    """Paths without end points that the log has in the middle of another path.

    A mistyped position can fall where another line seems to go on to it; the shots logged before
    and after it, neighbours on their own line, say where it belongs.

    Parameters
    ----------
    points, paths
    where : (p,) int32
        `places_in_paths`.

    Returns
    -------
    paths : Paths
    shed : (k,) int64
        Points cut off.
    """
    ends = np.empty(2 * len(paths), np.int64)
    ends = ends[: suspect_ends(points.chain, paths.nodes, paths.starts, ends)]
    step = usual_step(points, paths)
    x, y = points.x, points.y
    wrong = ends[: find_strangers(x, y, paths.nodes, paths.starts, where, step, ends)]
    # a head is cut off after itself, a tail before
    head = np.isin(wrong, paths.starts[:-1])
    starts = np.union1d(paths.starts, np.where(head, wrong + 1, wrong))
    return Paths(paths.nodes, starts), paths.nodes[wrong]


def usual_step(points: Points, paths: Paths) -> Floats:
    """(paths,) median distance between neighbours on each path [m]; NaN for single points.

    Of a long path sixteen steps spread over it are looked at: enough to tell what is usual.
    """
    step = np.empty(len(paths))
    usual_steps(points.x, points.y, paths.nodes, paths.starts, step)
    return step
