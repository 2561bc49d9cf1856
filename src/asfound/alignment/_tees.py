"""Branches: lines that start on another line of the same utility."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.alignment._alongside import nearest_foreign, path_lengths
from asfound.alignment._points import Floats, Integers, Paths, Points
from asfound.alignment._tails import usual_step

LARGEST_REACH = 8.0
LEAST_REACH = 1.0
LEAST_ANGLE = np.radians(20.0)
POINTED = np.radians(60.0)
INTERIOR = 0.5


def find_tees(
    points: Points,
    paths: Paths,
    utility: Integers,
    tx: Floats,
    ty: Floats,
    stray: npt.NDArray[np.bool_],
) -> tuple[Integers, Integers, Integers, Floats, Floats]:
    """Ends of lines that run into the middle of another line of the same utility.

    Parameters
    ----------
    points, paths
    utility : (p,) int64
        Of each point.
    tx, ty : (m,) float64
        Direction of the path at each node.

    stray : (paths,) bool
        Paths that neither branch nor are branched from.

    Returns
    -------
    branch, main : (t,) int64
        Paths.
    end : (t,) int64
        0 if the branch's first point is at the tee, 1 if its last is.
    x, y : (t,) float64
        Where the branch's last direction meets the main [m].
    """
    count = len(paths)
    head, tail = paths.starts[:-1], paths.starts[1:] - 1
    position = np.concatenate((head, tail))
    line = np.tile(np.arange(count), 2)
    sense = np.repeat([-1.0, 1.0], count)
    ends = Paths.of_sizes(paths.nodes[position], np.ones(2 * count, np.int64))
    both = Paths.join([paths, ends])
    identity = np.concatenate((np.arange(count), line))
    step = np.nan_to_num(usual_step(points, paths), nan=5.0)
    reach = np.zeros(len(both.nodes))
    reach[len(paths.nodes) :] = np.clip(1.5 * step, LEAST_REACH, LARGEST_REACH)[line]
    by_utility = replace(points, key=utility.astype(np.int32))
    other, distance, station, heading = nearest_foreign(
        by_utility, both, reach, moving=np.arange(count, 3 * count), identity=identity
    )
    tail_part = slice(len(paths.nodes), None)
    other, distance = other[tail_part], distance[tail_part]
    station, heading = station[tail_part], heading[tail_part]
    length = path_lengths(points, paths)[tail]
    found = np.flatnonzero((other >= 0) & ~stray[line] & ~stray[np.maximum(other, 0)])
    main = other[found]
    inside = (station[found] > INTERIOR) & (station[found] < length[main] - INTERIOR)
    found = found[inside]
    main = other[found]
    at = position[found]
    ux, uy = sense[found] * tx[at], sense[found] * ty[at]
    mx, my = np.cos(heading[found]), np.sin(heading[found])
    x, y = points.x[paths.nodes[at]], points.y[paths.nodes[at]]
    # distance to the main along the branch's own direction
    mains = main
    across = ux * my - uy * mx
    side = _signed_offset(points, paths, mains, station[found], x, y, mx, my)
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead = side / across
    steep = np.abs(across) > np.sin(LEAST_ANGLE)
    near = distance[found] < INTERIOR
    pointed = (ahead > 0) & (distance[found] > np.abs(ahead) * np.cos(POINTED))
    fit = steep & (near | pointed)
    hit_x = np.where(near & ~pointed, x, x + ahead * ux)
    hit_y = np.where(near & ~pointed, y, y + ahead * uy)
    found, main = found[fit], main[fit]
    branch = line[found]
    # one tee at each end, and two lines never branch off each other
    order = np.lexsort((main, branch))
    return (
        branch[order],
        main[order],
        (found[order] >= count).astype(np.int64),
        hit_x[fit][order],
        hit_y[fit][order],
    )


def _signed_offset(
    points: Points,
    paths: Paths,
    main: Integers,
    station: Floats,
    x: Floats,
    y: Floats,
    mx: Floats,
    my: Floats,
) -> Floats:
    """Distance from a point to the main, positive to the left of a walk from it to the main."""
    along = path_lengths(points, paths)
    span = float(along.max(initial=0.0)) + 1.0
    owner = paths.owner()
    index = np.searchsorted(along + owner * span, station + main * span, side="right") - 1
    index = np.clip(index, paths.starts[main], paths.starts[main + 1] - 2)
    node = paths.nodes[index]
    back = station - along[index]
    foot_x = points.x[node] + back * mx
    foot_y = points.y[node] + back * my
    return np.asarray((foot_x - x) * my - (foot_y - y) * mx)
