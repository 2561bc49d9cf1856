"""Direction along ordered points, told from noise, outliers and corners."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._bearings_kernels import find_directions
from asfound.alignment._points import Floats, Paths, Points


def directions(points: Points, paths: Paths) -> tuple[npt.NDArray[np.bool_], Floats, Floats]:
    """Nodes off their line, and the line's direction at each node.

    A node is off where the path jumps aside and comes back: the turns before and after it go
    against its own, which no corner does. The direction is that of a straight fit over up to
    seven nodes where they lie straight; else over the four to one side, so that a corner stays a
    corner; else that of the chord of the two neighbours, as on a curve. Nodes that are off count
    in none of these.

    Returns
    -------
    off : (m,) bool
        Never at an end of a path.
    tx, ty : (m,) float64
        Unit east and north components; NaN where a path does not leave its place.
    """
    count = len(paths.nodes)
    off, tx, ty = np.empty(count, bool), np.empty(count), np.empty(count)
    find_directions(points.x, points.y, points.scatter, paths.nodes, paths.starts, off, tx, ty)
    return off, tx, ty
