"""Nearest approach between many lines and many digs, exact in space.

The distance from a point to a convex piece is a convex function of the point, so along a straight
segment it has one minimum. Its tangents at both ends bound it from below: most segments are
settled by them, and on the few others the zero of the derivative is found between its ends.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import shapely

from asfound.clearance._pieces import DISC, SLAB, TUBE, WEDGE, Pieces, away

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

CHUNK = 8
BLOCK = 16_384
NEARLY = 1e-12
"""How far from the least distance a place along a segment may be, in metres and at most as a share
of the segment. Coordinates some kilometres from their origin carry no more digits."""
KINDS = (SLAB, DISC, WEDGE, TUBE)


@dataclass(frozen=True, eq=False)
class Axes:
    """Axes of lines, one after the other.

    Parameters
    ----------
    point : (v, 3) float64
        Easting, northing, height [m].
    starts : (lines + 1,) int64
    """

    point: Floats
    starts: Integers


@dataclass(frozen=True, eq=False)
class Nearest:
    """Nearest approach of n pairs of line and dig.

    Parameters
    ----------
    line, dig : (n,) int64
    vertex : (n,) int64
        Vertex of the axes at or before the nearest point.
    share : (n,) float64
        From that vertex to the next, 0 to 1.
    piece : (n,) int64
        Nearest piece, counted over all digs.
    point : (n, 3) float64
        On the line's axis [m].
    away : (n, 3) float64
        From the dig's nearest point (of a bore: of its axis) to `point` [m].
    distance : (n,) float64
        From the dig's surface to the line's axis [m]; zero or less within the dig.
    """

    line: Integers
    dig: Integers
    vertex: Integers
    share: Floats
    piece: Integers
    point: Floats
    away: Floats
    distance: Floats

    def take(self, rows: npt.NDArray[np.bool_] | Integers) -> Nearest:
        """Chosen pairs."""
        return Nearest(*(getattr(self, field.name)[rows] for field in fields(self)))


def nearest_approaches(axes: Axes, pieces: Pieces, owner: Integers, reach: float) -> Nearest:
    """The nearest approach of each line to each dig that it comes near in plan.

    Parameters
    ----------
    axes : Axes
    pieces : Pieces
        Of all digs.
    owner : (p,) int64
        Dig of each piece.
    reach : float
        Pairs farther apart than this are left out [m].

    Returns
    -------
    Nearest
        By dig, then line.
    """
    sizes = np.diff(axes.starts)
    if len(pieces) == 0 or not np.any(sizes > 1):
        return _nothing()
    origin = np.round(axes.point.mean(axis=0))
    point = axes.point - origin
    local = pieces.less(origin)
    begin, last, line = _chunks(axes.starts)
    chunk, piece = _near(point, begin, last, local.boxes(), reach)
    if len(chunk) == 0:
        return _nothing()
    digs = int(owner.max()) + 1
    key = line[chunk] * digs + owner[piece]
    found = _Found(point, local, begin, last)
    first_key, group = np.unique(key, return_inverse=True)
    for low in range(0, len(chunk), BLOCK):
        part = slice(low, low + BLOCK)
        found.look(chunk[part], piece[part], group[part], len(first_key))
    return found.result(first_key, digs, reach, origin)


class _Found:
    """Gathers candidates block by block: vertices, and segments with a minimum inside."""

    def __init__(self, point: Floats, pieces: Pieces, begin: Integers, last: Integers) -> None:
        self.point, self.pieces, self.begin, self.last = point, pieces, begin, last
        self.rounding = pieces.rounding
        self.best = np.empty(0)
        self.vertices: list[tuple[Integers, Integers, Integers, Floats]] = []
        self.inner: list[tuple[Integers, Integers, Integers, Floats]] = []

    def look(self, chunk: Integers, piece: Integers, group: Integers, groups: int) -> None:
        if len(self.best) == 0:
            self.best = np.full(groups, np.inf)
        for kind in KINDS:
            mine = np.flatnonzero(self.pieces.kind[piece] == kind)
            if len(mine):
                self._look(kind, chunk[mine], piece[mine], group[mine])

    def _look(self, kind: int, chunk: Integers, piece: Integers, group: Integers) -> None:
        vertex = np.minimum(
            self.begin[chunk][:, None] + np.arange(CHUNK + 1), self.last[chunk][:, None]
        )
        x, y, z = (self.point[vertex, axis] for axis in range(3))
        columns = tuple(self.pieces.shape[piece, c][:, None] for c in range(8))
        gx, gy, gz = away(kind, columns, x, y, z)
        distance = np.sqrt(gx * gx + gy * gy + gz * gz)
        nearest = np.argmin(distance, axis=1)
        rows = np.arange(len(piece))
        least = distance[rows, nearest]
        np.minimum.at(self.best, group, least - self.rounding[piece])
        self.vertices.append((group, piece, vertex[rows, nearest], least - self.rounding[piece]))
        dx, dy, dz = np.diff(x, axis=1), np.diff(y, axis=1), np.diff(z, axis=1)
        # twice-half derivative of the squared distance at both ends
        start = gx[:, :-1] * dx + gy[:, :-1] * dy + gz[:, :-1] * dz
        end = gx[:, 1:] * dx + gy[:, 1:] * dy + gz[:, 1:] * dz
        row, column = np.nonzero((start < 0.0) & (end > 0.0))
        if len(row) == 0:
            return
        one, two = distance[row, column], distance[row, column + 1]
        fall = start[row, column] / np.maximum(one, 1e-300)
        rise = end[row, column] / np.maximum(two, 1e-300)
        meet = (one - two + rise) / np.maximum(rise - fall, 1e-300)
        bound = np.maximum(0.0, one + fall * meet) - self.rounding[piece[row]]
        open_still = bound < self.best[group[row]]
        row, column, bound = row[open_still], column[open_still], bound[open_still]
        self.inner.append((group[row], piece[row], vertex[row, column], bound))

    def result(self, key: Integers, digs: int, reach: float, origin: Floats) -> Nearest:
        group, piece, vertex, distance = (
            np.concatenate(part) for part in zip(*self.vertices, strict=True)
        )
        share = np.zeros(len(group))
        if self.inner:
            g, p, v, bound = (np.concatenate(part) for part in zip(*self.inner, strict=True))
            keep = np.flatnonzero((bound < self.best[g]) & (bound <= reach))
            g, p, v = g[keep], p[keep], v[keep]
            where, length = self._solve(p, v)
            group, piece, vertex = (
                np.concatenate(pair) for pair in ((group, g), (piece, p), (vertex, v))
            )
            share = np.concatenate((share, where))
            distance = np.concatenate((distance, length - self.rounding[p]))
        close = np.flatnonzero(distance <= reach)
        order = close[np.lexsort((distance[close], group[close]))]
        _, first = np.unique(group[order], return_index=True)
        pick = order[first]
        group, piece, vertex, share = group[pick], piece[pick], vertex[pick], share[pick]
        after = np.minimum(vertex + 1, len(self.point) - 1)
        at = self.point[vertex] + share[:, None] * np.where(
            (share > 0)[:, None], self.point[after] - self.point[vertex], 0.0
        )
        vector = away_rows(self.pieces, piece, at)
        line, dig = key[group] // digs, key[group] % digs
        sort = np.lexsort((line, dig))
        return Nearest(
            line[sort], dig[sort], vertex[sort], share[sort], piece[sort],
            at[sort] + origin, vector[sort], distance[pick][sort],
        )  # fmt: skip

    def _solve(self, piece: Integers, vertex: Integers) -> tuple[Floats, Floats]:
        share, distance = np.zeros(len(piece)), np.zeros(len(piece))
        for kind in KINDS:
            mine = np.flatnonzero(self.pieces.kind[piece] == kind)
            if len(mine):
                one = self.point[vertex[mine]]
                share[mine], distance[mine] = least_along(
                    kind, self.pieces.shape[piece[mine]], one, self.point[vertex[mine] + 1] - one
                )
        return share, distance


def least_along(kind: int, shape: Floats, start: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Where along segments the distance to a piece is least, and that distance.

    Parameters
    ----------
    kind : int
    shape : (n, 8) float64
        One piece a segment.
    start, step : (n, 3) float64
        Start of each segment, and from there to its end [m].

    Returns
    -------
    share : (n,) float64
        0 to 1.
    distance : (n,) float64
        [m].
    """
    count = len(start)
    low, high = np.zeros(count), np.ones(count)
    slope_low, _ = _slope(kind, shape, start, step, low)
    slope_high, _ = _slope(kind, shape, start, step, high)
    answer = np.where(slope_low >= 0.0, 0.0, 1.0)
    active = np.flatnonzero((slope_low < 0.0) & (slope_high > 0.0))
    low, high = low[active], high[active]
    slope_low, slope_high = slope_low[active], slope_high[active]
    size = np.sum(step[active] ** 2, axis=1)
    size = np.maximum(size, np.sqrt(size))
    # place and slope of both ends, and of both ends before they last moved
    ends = np.stack((low, slope_low, high, slope_high, low, slope_low, high, slope_high))
    for turn in range(200):
        if len(active) == 0:
            break
        middle = _next_try(ends, turn % 3)
        slope, _ = _slope(kind, shape[active], start[active], step[active], middle)
        answer[active] = middle
        left = slope < 0.0
        ends[4:6] = np.where(left, ends[0:2], ends[4:6])
        ends[6:8] = np.where(left, ends[6:8], ends[2:4])
        tried = np.stack((middle, slope))
        ends[0:2] = np.where(left, tried, ends[0:2])
        ends[2:4] = np.where(left, ends[2:4], tried)
        go = (np.abs(slope) > NEARLY * size) & (ends[2] - ends[0] > NEARLY)
        active, size, ends = active[go], size[go], ends[:, go]
    return answer, _slope(kind, shape, start, step, answer)[1]


def _next_try(ends: Floats, turn: int) -> Floats:
    """Where the slope may be zero: it is nearly straight by parts, steep beside flat.

    By turns where a line through both ends meets zero; where the flatter end's own line does, as
    known by where that end was before; and half-way.
    """
    low, slope_low, high, slope_high, low_0, slope_low_0, high_0, slope_high_0 = ends
    half = 0.5 * (low + high)
    if turn == 2:
        return np.asarray(half)
    if turn == 0:
        place = (low * slope_high - high * slope_low) / (slope_high - slope_low)
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            up = high - slope_high * (high_0 - high) / (slope_high_0 - slope_high)
            down = low - slope_low * (low_0 - low) / (slope_low_0 - slope_low)
        place = np.where(slope_high < -slope_low, up, down)
    return np.asarray(np.where((place > low) & (place < high), place, half))


def away_rows(pieces: Pieces, piece: Integers, at: Floats) -> Floats:
    """(n, 3) from the nearest point of one piece a row to a point a row [m]."""
    vector = np.zeros((len(piece), 3))
    for kind in KINDS:
        mine = np.flatnonzero(pieces.kind[piece] == kind)
        if len(mine):
            columns = tuple(pieces.shape[piece[mine]].T)
            vector[mine] = np.column_stack(away(kind, columns, *at[mine].T))
    return vector


def _slope(
    kind: int, shape: Floats, start: Floats, step: Floats, share: Floats
) -> tuple[Floats, Floats]:
    """Half the derivative of the squared distance by the share, and the distance."""
    at = start + share[:, None] * step
    vector = away(kind, tuple(shape.T), at[:, 0], at[:, 1], at[:, 2])
    slope = vector[0] * step[:, 0] + vector[1] * step[:, 1] + vector[2] * step[:, 2]
    return slope, np.sqrt(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)


def _chunks(starts: Integers) -> tuple[Integers, Integers, Integers]:
    """Runs of up to `CHUNK` segments: first vertex, last vertex, line."""
    sizes = np.diff(starts)
    parts = np.maximum(0, -(-(sizes - 1) // CHUNK))
    line = np.repeat(np.arange(len(sizes)), parts)
    within = np.arange(int(parts.sum())) - np.repeat(np.cumsum(parts) - parts, parts)
    begin = starts[line] + within * CHUNK
    return begin, np.minimum(begin + CHUNK, starts[line + 1] - 1), line


def _near(
    point: Floats, begin: Integers, last: Integers, boxes: Floats, reach: float
) -> tuple[Integers, Integers]:
    """Pairs of chunk and piece whose boxes in plan lie within reach."""
    low = np.minimum(np.minimum.reduceat(point[:, :2], begin), point[last, :2])
    high = np.maximum(np.maximum.reduceat(point[:, :2], begin), point[last, :2])
    # reduceat runs to the next chunk's first vertex: the last vertex of a line is its own
    wide = boxes + reach * np.array([-1.0, -1.0, 1.0, 1.0])
    tree = shapely.STRtree(_diagonals(low, high))
    piece, chunk = tree.query(_diagonals(wide[:, :2], wide[:, 2:]))
    return np.asarray(chunk, np.int64), np.asarray(piece, np.int64)


def _diagonals(low: Floats, high: Floats) -> npt.NDArray[np.object_]:
    """Lines with the same bounds as boxes, which is all that the tree looks at, and cheaper."""
    return np.asarray(shapely.linestrings(np.stack((low, high), axis=1)))


def _nothing() -> Nearest:
    none, flat, space = np.empty(0, np.int64), np.empty(0), np.empty((0, 3))
    return Nearest(none, none, none, flat, none, space, space, flat)
