"""Doubtful links of paths, looked at once more: joined another way where that is plainly better."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.alignment._mend_kernels import find_doubtful, find_paths_near, mend_links
from asfound.alignment._points import Floats, Integers, Paths, Points, grouped_median
from asfound.alignment._tails import usual_step

LEAST_STEP, MOST_STEP, STEP_ELSE = 1.0, 60.0, 5.0
FEW = 7


def mend(points: Points, paths: Paths, alone: npt.NDArray[np.bool_]) -> Paths:
    """Paths with those links changed that make little sense beside what else is possible.

    Lines found one by one can be wrong together: two that run side by side and change places
    where the log went from one to the other; a link across the street between the ends of two
    services. Each doubtful link is exchanged with another, given to a free end, or left out,
    where lengths, turns and ends together become clearly likelier.

    Parameters
    ----------
    points, paths
        Every point is in one path.
    alone : (p,) bool
        By point: such points stay by themselves.
    """
    if paths.sizes.max(initial=0) < 2:
        return paths
    usual = _usual(points, paths)
    doubtful = np.empty(len(paths.nodes), np.int64)
    found = find_doubtful(
        points.x, points.y, points.scatter, points.chain,
        paths.nodes, paths.starts, usual, doubtful,
    )  # fmt: skip
    single = paths.starts[:-1][paths.sizes == 1]
    single = single[~alone[paths.nodes[single]]]
    asked = np.concatenate((doubtful[:found], single))
    if len(asked) == 0:
        return paths
    after = np.concatenate((doubtful[:found] + 1, single))
    near = np.empty(len(paths), bool)
    find_paths_near(
        points.x, points.y, points.key, paths.nodes, paths.starts, usual, asked, after, near
    )
    chosen = np.flatnonzero(near)
    part = paths.take(chosen)
    owner = paths.owner_of(asked)
    asked += part.starts[np.searchsorted(chosen, owner)] - paths.starts[owner]
    node = part.nodes
    nodes, starts = np.empty(len(node), np.int64), np.empty(len(node) + 1, np.int64)
    number = mend_links(
        points.x[node], points.y[node], points.scatter[node], np.repeat(usual[chosen], part.sizes),
        points.key[node], points.chain[node], node, alone[node], part.starts,
        asked[:found], asked[found:], nodes, starts,
    )  # fmt: skip
    if number == 0:
        return paths
    mended = Paths(node[nodes], starts[: number + 1])
    return Paths.join([paths.take(np.flatnonzero(~near)), mended])


def _usual(points: Points, paths: Paths) -> Floats:
    """(paths,) step that is usual on each; short paths are held to what is usual for their key."""
    step = usual_step(points, paths)
    key = points.key[paths.nodes[paths.starts[:-1]]]
    order: Integers = np.flatnonzero(np.isfinite(step))
    order = order[np.argsort(key[order], kind="stable")]
    of_key = grouped_median(step[order], key[order], len(points.named))
    of_key = np.where(np.isfinite(of_key), of_key, STEP_ELSE)[key]
    step = np.where(np.isfinite(step), step, of_key)
    short = paths.sizes < FEW
    step[short] = np.minimum(step[short], of_key[short])
    return np.clip(step, LEAST_STEP, MOST_STEP)
