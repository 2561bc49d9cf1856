"""Runs of shots that the log itself has in order: checked by geometry, never trusted blindly."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._log_runs_kernels import (
    BESIDE_LOG,
    find_runs,
    look_at_turns,
    set_aside,
    step_limits,
    thin_log,
)
from asfound.alignment._points import Integers, Paths, Points


def log_runs(points: Points) -> tuple[Paths, Integers, Integers, Integers]:
    """Stretches of the log that walk along a line.

    Points stand in log order within their chain. A link between neighbours in the log holds
    where the step is usual for the chain, and the path turns little at both of its ends. Where
    the path doubles back again and again (a shuffled log, or shots taken in turn on parallel
    lines) the log proves nothing there, and its points are left to geometry.

    Parameters
    ----------
    points : Points

    Returns
    -------
    runs : Paths
        Of three points and more.
    singles : (s,) int64
        Points in no run, ascending.
    close : (k,) int64
        Points logged within a step too short to have a direction, or somewhat beside the walk
        they were logged on; they are in neither.
    lost : (a,) int64
        Points logged in the middle of a walk that lie far off it: they belong there and nowhere
        else, whatever line they fall on.
    """
    x, y, chain = points.x, points.y, points.chain
    kept, close = np.empty(len(points), np.int64), np.empty(len(points), np.int64)
    keeps, closes = thin_log(x, y, chain, kept, close)
    kept = kept[:keeps]
    limit = np.empty(int(chain[-1]) + 1 if keeps else 0)
    step_limits(x, y, chain, kept, limit)
    turns = np.empty(keeps, np.int8)
    look_at_turns(x, y, points.scatter, chain, kept, turns)
    astray, off = np.empty(keeps, np.int64), np.empty(keeps)
    strays = set_aside(x, y, points.scatter, chain, limit, kept, turns, astray, off)
    keeps -= strays
    kept, turns = kept[:keeps], turns[:keeps]
    nodes, singles = np.empty(keeps, np.int64), np.empty(keeps, np.int64)
    starts = np.empty(keeps + 1, np.int64)
    runs, alone = find_runs(x, y, chain, kept, limit, turns, nodes, starts, singles)
    starts = starts[: runs + 1]
    paths, astray, off = Paths(nodes[: starts[-1]], starts), astray[:strays], off[:strays]
    # where the log has no run they lie off a walk by chance only
    sure = proven_chains(points, paths)[chain[astray]]
    singles = np.sort(np.concatenate((singles[:alone], astray[~sure])))
    astray, far = astray[sure], off[sure] > BESIDE_LOG
    return paths, singles, np.concatenate((close[:closes], astray[~far])), astray[far]


def proven_chains(points: Points, runs: Paths) -> npt.NDArray[np.bool_]:
    """(chains,) whether the log of each has a run; if not, its order proves nothing."""
    proven = np.zeros(int(points.chain.max(initial=-1)) + 1, bool)
    proven[points.chain[runs.nodes[runs.starts[:-1]]]] = True
    return proven
