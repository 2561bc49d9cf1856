"""Order of nodes along paths given as links: one breadth-first walk for all of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

Integers = npt.NDArray[np.int64]


def walk_links(count: int, first: Integers, second: Integers) -> tuple[Integers, Integers]:
    """Nodes in path order, and the path of each.

    Parameters
    ----------
    count : int
    first, second : (k,) int64
        Links without cycles; no node has more than two.

    Returns
    -------
    order : (count,) int64
        Nodes, path after path.
    label : (count,) int64
        Path of each of them, 0, 1, ... in that order.

    Notes
    -----
    The end of each path is tied to the start of the next, so that one walk visits all.
    """
    if count == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    ones = np.ones(len(first), np.int8)
    graph = coo_array((ones, (first, second)), shape=(count, count)).tocsr()
    paths, label = connected_components(graph, directed=False)
    degree = np.bincount(first, minlength=count) + np.bincount(second, minlength=count)
    ends = np.flatnonzero(degree < 2)
    ends = ends[np.argsort(label[ends], kind="stable")]
    begin = ends[np.searchsorted(label[ends], np.arange(paths), side="left")]
    finish = ends[np.searchsorted(label[ends], np.arange(paths), side="right") - 1]
    all_first = np.concatenate((first, finish[:-1]))
    all_second = np.concatenate((second, begin[1:]))
    ones = np.ones(len(all_first), np.int8)
    tied = coo_array((ones, (all_first, all_second)), shape=(count, count)).tocsr()
    order = breadth_first_order(tied, begin[0], directed=False, return_predecessors=False)
    order = order.astype(np.int64)
    return order, label[order].astype(np.int64)


def drop_cycles(
    count: int, first: Integers, second: Integers, cost: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """(k,) mask of links that leaves no cycle: each closed path loses its costliest link."""
    keep = np.ones(len(first), bool)
    if len(first) == 0:
        return keep
    ones = np.ones(len(first), np.int8)
    graph = coo_array((ones, (first, second)), shape=(count, count)).tocsr()
    paths, label = connected_components(graph, directed=False)
    nodes = np.bincount(label, minlength=paths)
    links = np.bincount(label[first], minlength=paths)
    closed = links >= nodes
    if not closed.any():
        return keep
    inside = np.flatnonzero(closed[label[first]])
    order = inside[np.lexsort((cost[inside], label[first[inside]]))]
    last = np.append(label[first[order]][1:] != label[first[order]][:-1], True)
    keep[order[last]] = False
    return keep
