"""Branches: lines that start on another line of the same utility."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._alongside import nearest_beside
from asfound.alignment._alongside_kernels import measure_along
from asfound.alignment._points import Floats, Integers, Paths, Points

LARGEST_REACH = 8.0
LEAST_REACH = 1.0
LEAST_ANGLE = np.radians(20.0)
POINTED = np.radians(60.0)
INTERIOR = 0.5


def find_tees(
    points: Points,
    paths: Paths,
    utility: npt.NDArray[np.integer],
    usual: Floats,
    tx: Floats,
    ty: Floats,
    stray: npt.NDArray[np.bool_],
) -> tuple[Integers, Integers, Integers, Floats, Floats]:
    """Ends of lines that run into the middle of another line of the same utility.

    Parameters
    ----------
    points, paths
    utility : (paths,) integer
    usual : (paths,) float64
        `usual_step` of each path [m].
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
    head, tail = paths.starts[:-1], paths.starts[1:] - 1
    line = np.repeat(np.arange(len(paths)), 2)
    position = np.column_stack((head, tail)).ravel()
    reach = np.repeat(np.clip(1.5 * usual, LEAST_REACH, LARGEST_REACH), 2)
    key = utility.astype(np.int32)
    beside = nearest_beside(points, paths, key, (line, position, position), reach)
    branch = paths.owner_of(beside.who)
    settled = ~stray[branch] & ~stray[beside.other]
    beside, branch = beside.take(settled), branch[settled]
    main, at = beside.other, beside.who
    at_tail = at == tail[branch]
    along = np.empty(len(paths.nodes))
    measure_along(points.x, points.y, paths.nodes, paths.starts, np.unique(main), along)
    begin, end = along[beside.begin], along[beside.begin + 1]
    station = begin + beside.share * (end - begin)
    inside = (station > INTERIOR) & (station < along[tail[main]] - INTERIOR)

    sense = np.where(at_tail, 1.0, -1.0)
    ux, uy = sense * tx[at], sense * ty[at]
    node, one, two = paths.nodes[at], paths.nodes[beside.begin], paths.nodes[beside.begin + 1]
    x, y = points.x[node], points.y[node]
    x0, y0 = points.x[one], points.y[one]
    ex, ey = points.x[two] - x0, points.y[two] - y0
    length = np.maximum(np.hypot(ex, ey), 1e-9)
    mx, my = ex / length, ey / length
    # distance to the main along the branch's own direction
    foot_x, foot_y = x0 + beside.share * ex, y0 + beside.share * ey
    across = ux * my - uy * mx
    side = (foot_x - x) * my - (foot_y - y) * mx
    # a branch along the main meets it nowhere; it is not steep, and left out below
    ahead = side / np.where(across == 0.0, 1.0, across)
    steep = np.abs(across) > np.sin(LEAST_ANGLE)
    near = beside.distance < INTERIOR
    pointed = (ahead > 0) & (beside.distance > np.abs(ahead) * np.cos(POINTED))
    onto = pointed | ~near
    hit_x, hit_y = np.where(onto, x + ahead * ux, x), np.where(onto, y + ahead * uy, y)
    # two lines never branch off each other
    fit = np.flatnonzero(inside & steep & (near | pointed))
    fit = fit[np.lexsort((main[fit], branch[fit]))]
    return branch[fit], main[fit], at_tail[fit].astype(np.int64), hit_x[fit], hit_y[fit]
