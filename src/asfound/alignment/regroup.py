"""An assembly whose lines people split, joined or renamed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from asfound.alignment._points import Integers, Paths, select_points
from asfound.alignment._record import record_lines
from asfound.model import Assembly, Ground, Shots


def regroup(
    shots: Shots, ground: Ground, members: Sequence[Integers], names: Sequence[str]
) -> Assembly:
    """The assembly of given lines: stations, bearings, gaps and tees worked out anew.

    Parameters
    ----------
    shots : Shots
    ground : Ground
        Of the same length.
    members : sequence of (k,) int64
        Shots of each line in order along it, at least two.
    names : sequence of str
        One a line.

    Returns
    -------
    Assembly
    """
    points = select_points(shots, ground)
    node = np.full(len(shots), -1, np.int64)
    node[points.shot] = np.arange(len(points))
    nodes = node[np.concatenate([np.empty(0, np.int64), *members])]
    sizes = np.array([len(one) for one in members], np.int64)
    paths = Paths.of_sizes(nodes, sizes)
    miscoded = np.zeros(len(points), bool)
    found = record_lines(shots, ground, points, paths, miscoded)
    return replace(found, names=tuple(names))
