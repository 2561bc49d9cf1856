"""Joining ends of paths where one plainly goes on as another."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._ends_kernels import join_chains, lay_out
from asfound.alignment._points import Paths, Points


def join_ends(
    points: Points, paths: Paths, alone: npt.NDArray[np.bool_], stages: tuple[int, ...]
) -> Paths:
    """Paths joined where one plainly goes on as another.

    Ends are joined where each is the other's best continuation: near, and straight, or round a
    corner over a short distance. Beyond a hard limit nothing is joined. Stretches are joined
    first; single points, which have no direction of their own, only find a place afterwards.

    Parameters
    ----------
    points, paths
    alone : (p,) bool
        By point: paths of such points stay by themselves.
    stages : tuple of int
        0: stretches straight on over a short gap. 1: stretches, corners, single points straight
        ahead. 2: single points round a bend. 3: single points with each other.
    """
    if len(paths) < 2:
        return paths
    order, turned, bounds = join_chains(
        points.x,
        points.y,
        points.scatter,
        points.key,
        points.chain,
        points.hookup,
        points.named,
        alone,
        paths.nodes,
        paths.starts,
        np.array(stages, np.int64),
    )
    if len(bounds) == len(paths.starts):
        return paths
    nodes, starts = np.empty_like(paths.nodes), np.empty_like(bounds)
    lay_out(paths.nodes, paths.starts, order, turned, bounds, nodes, starts)
    return Paths(nodes, starts)
