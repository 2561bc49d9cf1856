"""Paths through points whose log order proves nothing: the straightest way, not the nearest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._neighbours_kernels import (
    MERGE,
    REACH,
    at_most_two,
    mutual_links,
    nearest_distances,
    offered_links,
    sort_into_cells,
    strong_links,
    thin_in_turn,
    tie_links,
    walk_links,
    wish_for_links,
)
from asfound.alignment._points import Floats, Integers, Paths, Points, grouped_median

LEAST_REACH = 15.0
FAR = 3.5
ROUNDS = 6
LARGEST_CELL = 16.0
LEAST_CELL = 1.0
CROWD = 16.0

Codes = npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class _Cells:
    """Points in the order of cells.

    Parameters
    ----------
    x, y, key : (n,)
    order : (n,) int32
        What number each had before.
    starts : (buckets + 1,) int32
    size : float
        Of a cell [m].
    """

    x: Floats
    y: Floats
    key: Codes
    order: Codes
    starts: Codes
    size: float


def neighbour_paths(points: Points, chosen: Integers, spacing: Floats) -> tuple[Paths, Integers]:
    """Paths of least turn through the chosen points.

    Each point picks, among pairs of its neighbours, the pair it lies most nearly straight
    between; two points are linked where each is in the other's pair. Points with both links
    made are then out of the way, and the rest choose again. At last a point that lies between no
    pair (an end, a corner) takes up to two links that others ask of it. On parallel lines a
    metre apart with shots five metres apart the nearest shot is on the wrong line, but the
    straight continuation is not.

    Parameters
    ----------
    points : Points
    chosen : (c,) int64
        Ascending.
    spacing : (keys,) float64
        Usual distance between shots of each key where it is known, else NaN [m].

    Returns
    -------
    paths : Paths
        Through the nodes kept, single points included.
    close : (k,) int64
        Points that lie within 0.3 m of a node and were not made nodes themselves.
    """
    cells = _in_cells(points.x[chosen], points.y[chosen], points.key[chosen])
    near, crowded = _nearest(cells)
    close = chosen[:0]
    if crowded:
        kept = _thin(points, chosen, near <= MERGE)
        chosen, close = chosen[kept], chosen[~kept]
        cells = _in_cells(points.x[chosen], points.y[chosen], points.key[chosen])
        near, _ = _nearest(cells)
    if len(chosen) < 3:
        return Paths.of_sizes(chosen, np.ones(len(chosen), np.int64)), close
    reach = _reaches(near, points.key[chosen], spacing)
    node = chosen[cells.order]
    nodes, starts, least = _linked(cells, points.hookup[node], points.scatter[node], reach)
    paths = Paths(chosen[nodes], starts)
    return paths.take(np.argsort(least)), close


def keyed_places(points: Points, chosen: Integers) -> Floats:
    """(c, 2) places with keys set so far apart that no neighbour search crosses between them."""
    x, y = points.x, points.y
    span = float(np.ptp(x[chosen])) + 1000.0 if len(chosen) else 1.0
    return np.column_stack((x[chosen] + points.key[chosen] * span, y[chosen]))


def _in_cells(x: Floats, y: Floats, key: Codes) -> _Cells:
    """Points in cells small enough that few share one."""
    order = np.empty(len(x), np.int32)
    starts = np.empty((1 << (len(x) // 2).bit_length()) + 1, np.int32)
    size = LARGEST_CELL
    while sort_into_cells(x, y, key, size, order, starts) > CROWD and size > LEAST_CELL:
        size /= 2.0
    return _Cells(x[order], y[order], key[order], order, starts, size)


def _nearest(cells: _Cells) -> tuple[Floats, int]:
    """Distance from each to the nearest of its key [m], and how many are crowded."""
    near = np.empty(len(cells.x))
    crowded = nearest_distances(
        cells.x, cells.y, cells.key, cells.starts, cells.size, cells.order, near
    )
    return near, crowded


def _thin(
    points: Points, chosen: Integers, crowded: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Mask of nodes: no two closer than `MERGE`; the choice does not depend on row order."""
    # better shots first, then a mix of the coordinates' bits: the same whatever the row order
    asked = np.flatnonzero(crowded)
    bits = keyed_places(points, chosen)[asked].view(np.uint64)
    mix = (bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)) ^ (
        bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F)
    )
    mix ^= mix >> np.uint64(29)
    asked = asked[np.lexsort((mix, points.scatter[chosen[asked]]))]
    point = chosen[asked]
    stays = np.empty(len(asked), bool)
    thin_in_turn(points.x[point], points.y[point], points.key[point], stays)
    kept = np.ones(len(chosen), bool)
    kept[asked] = stays
    return kept


def _reaches(near: Floats, key: Codes, spacing: Floats) -> Floats:
    """(keys,) longest link: some times the usual spacing, or distance of the nearest point."""
    usual = FAR * spacing
    if not np.isfinite(spacing[key]).all():
        near = np.where(np.isfinite(near), near, 0.0)
        apart = np.nan_to_num(grouped_median(near, key, len(spacing)))
        usual = np.where(np.isfinite(spacing), usual, np.maximum(FAR * apart, LEAST_REACH))
    return np.minimum(usual, REACH)


def _linked(
    cells: _Cells, hookup: Codes, scatter: Floats, reach: Floats
) -> tuple[Integers, Integers, Integers]:
    """Paths through points in cells, in the numbers they had before.

    Parameters
    ----------
    cells : _Cells
    hookup, scatter
        By point in cells.
    reach : (keys,) float64
        Longest link [m].

    Returns
    -------
    nodes, starts
        Of paths, each from that of its ends with the lower number.
    least : (paths,) int64
        The lowest number on each.
    """
    count = len(cells.x)
    x, y, name = cells.x, cells.y, cells.order
    link, other_link = np.full(count, -1, np.int32), np.full(count, -1, np.int32)
    far, length = np.arange(count, dtype=np.int32), np.ones(count, np.int32)
    number = place = np.arange(count, dtype=np.int32)
    active = cells
    for round_ in range(ROUNDS + 1):
        if round_:
            open_ = np.flatnonzero(other_link < 0).astype(np.int32)
            if len(open_) < 2:
                break
            active = _in_cells(x[open_], y[open_], cells.key[open_])
            number = open_[active.order]
            place = np.empty(count, np.int32)
            place[number] = np.arange(len(number))
        size = len(number)
        wish, other_wish = np.empty(size, np.int32), np.empty(size, np.int32)
        cost, bent = np.empty(size), np.empty(size)
        wish_for_links(
            active.x, active.y, active.key, active.starts, active.size, hookup[number],
            scatter[number], number, link, x, y, reach, wish, other_wish, cost, bent,
        )  # fmt: skip
        first, second = np.empty(2 * size, np.int32), np.empty(2 * size, np.int32)
        found = mutual_links(number, wish, other_wish, place, name, first, second)
        if round_:
            strong, taker = np.empty(size, np.int32), np.empty(size, np.int32)
            firm = strong_links(number, wish, cost, bent, place, name, link, length, strong, taker)
            first, second = _fitting(
                first[:found], second[:found], strong[:firm], taker[:firm], name, link, other_link
            )
            found = len(first)
        last = found == 0 or round_ == ROUNDS
        if last:
            first, second = np.empty(2 * size, np.int32), np.empty(2 * size, np.int32)
            found = offered_links(
                x, y, number, wish, other_wish, cost, bent, place, name, link, first, second
            )
        tie_links(x, y, name, first[:found], second[:found], link, other_link, far, length)
        if last:
            break
    nodes, starts, least = (np.empty(count + one, np.int64) for one in (0, 1, 0))
    paths = walk_links(name, link, other_link, far, nodes, starts, least)
    return nodes, starts[: paths + 1], least[:paths]


def _fitting(
    first: Codes,
    second: Codes,
    strong: Codes,
    taker: Codes,
    name: Codes,
    link: Codes,
    other_link: Codes,
) -> tuple[Codes, Codes]:
    """Mutual and strong links without repeats, the strong first, none past a second link."""
    mutual = np.lexsort((name[second], name[first]))[::-1]
    firm = np.argsort(name[taker])[::-1]
    first = np.concatenate((strong[firm], first[mutual]))
    second = np.concatenate((taker[firm], second[mutual]))
    code = np.minimum(first, second) * np.int64(len(name)) + np.maximum(first, second)
    once = np.sort(np.unique(code, return_index=True)[1])
    fit_first, fit_second = np.empty(len(once), np.int32), np.empty(len(once), np.int32)
    count = at_most_two(
        first[once], second[once], link, other_link, np.zeros(len(name), np.int32),
        fit_first, fit_second,
    )  # fmt: skip
    return fit_first[:count], fit_second[:count]
