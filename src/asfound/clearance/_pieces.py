"""Convex pieces that digs are made of, and the way from a piece to a point.

Three kinds of open piece, cut out from a bottom up without end, and one closed:

- slab: a rectangle in plan whose bottom slopes along its length (a leg of a trench);
- disc: a round hole with a level bottom (a post, a bend of a trench);
- wedge: a triangle in plan with a level bottom (part of a pit);
- tube: all points within a radius of a straight path (a leg of a bore).

`away` is the vector from the nearest point of a piece (of a tube: of its axis) to a point. Its
length is a convex function of the point, as the pieces are convex sets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Vector = tuple[Floats, Floats, Floats]

SLAB, DISC, WEDGE, TUBE = range(4)
COLUMNS = {SLAB: 8, DISC: 4, WEDGE: 7, TUBE: 7}


@dataclass(frozen=True, eq=False)
class Pieces:
    """p convex pieces.

    Parameters
    ----------
    kind : (p,) int8
    shape : (p, 8) float64
        slab: easting and northing of the start of its bottom's middle line, unit direction in
        plan (2), length, half width, bottom at the start, slope. disc: centre (2), radius, bottom.
        wedge: three corners (6, counter-clockwise), bottom. tube: both ends (6), radius [m].
    station : (p, 2) float64
        Of the piece's start and end along the dig [m].
    """

    kind: npt.NDArray[np.int8]
    shape: Floats
    station: Floats

    def __len__(self) -> int:
        return len(self.kind)

    def take(self, index: Integers) -> Pieces:
        return Pieces(self.kind[index], self.shape[index], self.station[index])

    def less(self, origin: Floats) -> Pieces:
        """The same pieces from an origin (3,) near them [m]: smaller numbers keep more digits."""
        shape = self.shape.copy()
        e, n, z = origin
        for kind, columns in (
            (SLAB, (e, n, 0, 0, 0, 0, z, 0)),
            (DISC, (e, n, 0, z, 0, 0, 0, 0)),
            (WEDGE, (e, n, e, n, e, n, z, 0)),
            (TUBE, (e, n, z, e, n, z, 0, 0)),
        ):
            shape[self.kind == kind] -= np.array(columns, np.float64)
        return Pieces(self.kind, shape, self.station)

    @staticmethod
    def of(rows: list[tuple[int, tuple[float, ...], float, float]]) -> Pieces:
        """From rows of kind, shape and stations."""
        shape = np.zeros((len(rows), 8))
        for k, row in enumerate(rows):
            shape[k, : len(row[1])] = row[1]
        return Pieces(
            np.array([row[0] for row in rows], np.int8),
            shape,
            np.array([[row[2], row[3]] for row in rows]).reshape(-1, 2),
        )

    @staticmethod
    def join(parts: list[Pieces]) -> Pieces:
        return Pieces(
            np.concatenate([p.kind for p in parts]) if parts else np.empty(0, np.int8),
            np.concatenate([p.shape for p in parts]) if parts else np.empty((0, 8)),
            np.concatenate([p.station for p in parts]) if parts else np.empty((0, 2)),
        )

    @property
    def rounding(self) -> Floats:
        """(p,) radius of tubes, 0 of other pieces [m]."""
        return np.where(self.kind == TUBE, self.shape[:, 6], 0.0)

    def boxes(self) -> Floats:
        """(p, 4) least easting, northing, greatest easting, northing [m]."""
        s = self.shape
        box = np.empty((len(s), 4))
        k = self.kind == SLAB
        end = s[:, 0:2] + s[:, 2:4] * s[:, 4:5]
        reach = np.abs(s[:, [3, 2]]) * s[:, 5:6]
        low, high = np.minimum(s[:, 0:2], end) - reach, np.maximum(s[:, 0:2], end) + reach
        box[k] = np.hstack((low, high))[k]
        k = self.kind == DISC
        box[k] = np.hstack((s[:, 0:2] - s[:, 2:3], s[:, 0:2] + s[:, 2:3]))[k]
        k = self.kind == WEDGE
        corner = s[:, :6].reshape(-1, 3, 2)
        box[k] = np.hstack((corner.min(axis=1), corner.max(axis=1)))[k]
        k = self.kind == TUBE
        one, two, r = s[:, 0:2], s[:, 3:5], s[:, 6:7]
        box[k] = np.hstack((np.minimum(one, two) - r, np.maximum(one, two) + r))[k]
        return box


def away(kind: int, p: tuple[Floats, ...], x: Floats, y: Floats, z: Floats) -> Vector:
    """From the nearest point of pieces of one kind to points; all arrays broadcast.

    Parameters
    ----------
    kind : int
    p : tuple of arrays
        The columns of `Pieces.shape`, one array each.
    x, y, z : float64
        [m].

    Returns
    -------
    easting, northing, height : float64
        [m].
    """
    if kind == SLAB:
        return _away_slab(p, x, y, z)
    if kind == DISC:
        return _away_disc(p, x, y, z)
    if kind == WEDGE:
        return _away_wedge(p, x, y, z)
    return _away_tube(p, x, y, z)


def _away_slab(p: tuple[Floats, ...], x: Floats, y: Floats, z: Floats) -> Vector:
    e0, n0, ue, un, length, half, bottom, slope = p
    dx, dy, dz = x - e0, y - n0, z - bottom
    along = dx * ue + dy * un
    aside = dx * un - dy * ue
    aside = aside - np.clip(aside, -half, half)
    beside = np.clip(along, 0.0, length)
    above = dz >= slope * beside
    foot = np.clip((along + slope * dz) / (1.0 + slope * slope), 0.0, length)
    ahead = along - np.where(above, beside, foot)
    up = np.where(above, 0.0, dz - slope * foot)
    return ahead * ue + aside * un, ahead * un - aside * ue, up


def _away_disc(p: tuple[Floats, ...], x: Floats, y: Floats, z: Floats) -> Vector:
    e0, n0, radius, bottom = p[:4]
    dx, dy = x - e0, y - n0
    distance = np.sqrt(dx * dx + dy * dy)
    share = np.maximum(0.0, 1.0 - radius / np.maximum(distance, 1e-300))
    return dx * share, dy * share, np.minimum(z - bottom, 0.0)


def _away_wedge(p: tuple[Floats, ...], x: Floats, y: Floats, z: Floats) -> Vector:
    corners = ((p[0], p[1]), (p[2], p[3]), (p[4], p[5]))
    inside = np.ones(np.broadcast_shapes(np.shape(x), np.shape(p[0])), bool)
    best = np.full(inside.shape, np.inf)
    ax, ay = np.zeros(inside.shape), np.zeros(inside.shape)
    for i in range(3):
        (x0, y0), (x1, y1) = corners[i], corners[(i + 1) % 3]
        ex, ey = x1 - x0, y1 - y0
        dx, dy = x - x0, y - y0
        inside &= ex * dy - ey * dx >= 0.0
        share = np.clip((dx * ex + dy * ey) / np.maximum(ex * ex + ey * ey, 1e-300), 0.0, 1.0)
        gx, gy = dx - share * ex, dy - share * ey
        square = gx * gx + gy * gy
        nearer = square < best
        best = np.where(nearer, square, best)
        ax, ay = np.where(nearer, gx, ax), np.where(nearer, gy, ay)
    up = np.minimum(z - p[6], 0.0)
    return np.where(inside, 0.0, ax), np.where(inside, 0.0, ay), up + np.zeros(inside.shape)


def _away_tube(p: tuple[Floats, ...], x: Floats, y: Floats, z: Floats) -> Vector:
    ex, ey, ez = p[3] - p[0], p[4] - p[1], p[5] - p[2]
    dx, dy, dz = x - p[0], y - p[1], z - p[2]
    square = np.maximum(ex * ex + ey * ey + ez * ez, 1e-300)
    share = np.clip((dx * ex + dy * ey + dz * ez) / square, 0.0, 1.0)
    return dx - share * ex, dy - share * ey, dz - share * ez
