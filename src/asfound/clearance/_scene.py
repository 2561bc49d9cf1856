"""One line near one dig, as standard normal numbers see it.

Everything uncertain is made of independent standard normal numbers u: the line's axis and a bore's
path are linear in them, the utility's radius is log-normal. An open dig strays as a whole, which
is the same as the line straying the other way. Where its depth counts from ground its bottom also
bends with the ground's error: that is the line bending the other way, to the square of the error's
slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.clearance._pieces import DISC, SLAB, TUBE, WEDGE, Pieces, Vector, away
from asfound.clearance.solids import Solid
from asfound.model import Bore

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Integers = npt.NDArray[np.int64]

SPACE, PLAN, SEPARATION = "distance", "zone", "separation"
SEARCH_TURNS = 24
CLOSE = 3e-5


@dataclass(frozen=True, eq=False)
class Scene:
    """Geometry by u of q standard normal numbers; the last is the utility's radius.

    Parameters
    ----------
    node : (k, 3) float64
        Mean axis at the nodes [m].
    root : (k, 3, q) float64
        Axis = node + root u; the straying of an open dig taken off.
    real : (k - 1,) bool
        Whether a node and the next are joined by the line.
    pieces : Pieces
        Of the dig, near the line.
    path : (m, 3) float64
        Both ends of all tubes, two rows each, empty for other digs [m].
    path_root : (m, 3, q) float64
    radius : float
        Median radius of the utility [m].
    radius_spread : float
        Standard deviation of its natural logarithm.
    rounding : float
        Radius of the bore, 0 of other digs [m].
    """

    node: Floats
    root: Floats
    real: Flags
    pieces: Pieces
    path: Floats
    path_root: Floats
    radius: float
    radius_spread: float
    rounding: float

    @property
    def size(self) -> int:
        return int(self.root.shape[2])

    def radii(self, u: Floats) -> Floats:
        """(n,) radius of the utility in each draw [m]."""
        if self.radius_spread == 0.0:
            return np.full(len(u), self.radius)
        return np.asarray(self.radius * np.exp(self.radius_spread * u[:, -1]))


def make_scene(
    mean: Floats,
    covariance: Floats,
    real: Flags,
    solid: Solid,
    pieces: Pieces,
    radius: float,
    radius_spread: float,
) -> Scene:
    """The scene of a line's nodes, their joint covariance and a dig.

    Parameters
    ----------
    mean : (k, 3) float64
    covariance : (3k, 3k) float64
    real : (k - 1,) bool
    solid : Solid
    pieces : Pieces
        Those of the solid that count.
    radius, radius_spread : float
        Of the utility: median [m] and standard deviation of its logarithm.
    """
    count = len(mean)
    origin = np.round(mean.mean(axis=0))
    values, vectors = np.linalg.eigh(covariance)
    order = np.argsort(values)[::-1]
    values, vectors = values[order], vectors[:, order]
    keep = values > max(1e-12, 1e-9 * float(values[0]))
    own = (vectors[:, keep] * np.sqrt(values[keep])).reshape(count, 3, -1)
    tubes = pieces.kind == TUBE
    bored = isinstance(solid.dig, Bore)
    ends = pieces.station[tubes].ravel() if bored else solid.stations_of(mean)
    ground = solid.ground_root(ends)
    fixed = 4 if bored else 3
    strays = fixed + ground.shape[1]
    size = own.shape[2] + strays + 1
    root = np.zeros((count, 3, size))
    # the dig's straying comes first: quasi-random numbers are best in their first dimensions
    root[:, :, strays:-1] = own
    path = pieces.shape[tubes][:, :6].reshape(-1, 3) - origin
    path_root = np.zeros((len(path), 3, size))
    if isinstance(solid.dig, Bore):
        left, station = _along_path(solid, pieces.station[tubes].ravel())
        path_root[:, 0, 0] = left[:, 0] * solid.horizontal_sd
        path_root[:, 1, 0] = left[:, 1] * solid.horizontal_sd
        path_root[:, 0, 1] = left[:, 0] * solid.dig.horizontal_steering * station
        path_root[:, 1, 1] = left[:, 1] * solid.dig.horizontal_steering * station
        path_root[:, 2, 2] = solid.vertical_sd
        path_root[:, 2, 3] = solid.dig.vertical_steering * station
        path_root[:, 2, fixed:strays] = ground
    else:
        root[:, 0, 0] = root[:, 1, 1] = -solid.horizontal_sd
        root[:, 2, 2] = -solid.vertical_sd
        root[:, 2, fixed:strays] = -ground
    shape = pieces.shape.copy()
    e, n, z = origin
    for kind, columns in (
        (SLAB, (e, n, 0, 0, 0, 0, z, 0)),
        (DISC, (e, n, 0, z, 0, 0, 0, 0)),
        (WEDGE, (e, n, e, n, e, n, z, 0)),
        (TUBE, (e, n, z, e, n, z, 0, 0)),
    ):
        shape[pieces.kind == kind] -= np.array(columns, np.float64)
    return Scene(
        mean - origin, root, real, Pieces(pieces.kind, shape, pieces.station), path, path_root,
        radius, radius_spread, float(pieces.rounding.max(initial=0.0)),
    )  # fmt: skip


def _along_path(solid: Solid, station: Floats) -> tuple[Floats, Floats]:
    """Left vectors and stations of the ends of tubes."""
    at = np.searchsorted(solid.path_station, station - 1e-9)
    at = np.clip(at, 0, len(solid.left) - 1)
    return solid.left[at], station


def core_distance(
    scene: Scene, u: Floats, how: str, horizontal: float = 0.0, vertical: float = 0.0
) -> Floats:
    """Distance of the line's axis from the dig's surface (of a bore: axis) in each draw.

    Parameters
    ----------
    scene : Scene
    u : (n, q) float64
    how : str
        `SPACE`, `PLAN` (height left out), or `SEPARATION`: the greater of the distance in plan
        beyond `horizontal` and that in height beyond `vertical`.

    Returns
    -------
    (n,) float64
        [m].
    """
    return np.asarray(piece_distances(scene, u, how, horizontal, vertical).min(axis=1))


def piece_distances(
    scene: Scene, u: Floats, how: str, horizontal: float = 0.0, vertical: float = 0.0
) -> Floats:
    """(n, p) the same from each piece of the dig [m]."""
    moved = scene.node[None] + (u @ scene.root.reshape(-1, scene.size).T).reshape(len(u), -1, 3)
    if how == PLAN:
        moved[:, :, 2] = 0.0
    if len(scene.node) > 1 and scene.real.any():
        start, step = moved[:, :-1][:, scene.real], np.diff(moved, axis=1)[:, scene.real]
    else:
        start, step = moved[:, :0], moved[:, :0]
    found = []
    for kind, columns, tubes in _kinds(scene):
        shape = _shapes(scene, u, columns, tubes)
        if how == PLAN:
            shape = _flattened(kind, shape)
        vector = _away(kind, shape, moved[:, :, None, :])
        if how == SEPARATION:
            value = _apart(kind, shape, moved[:, :, None, :], horizontal, vertical)
        else:
            value = _length(vector)
        best = value.min(axis=1)
        if start.shape[1]:
            best = _inside(
                kind, shape, start, step, scene.real, value, vector, how, horizontal, vertical, best
            )
        found.append(best)
    return np.concatenate(found, axis=1)


def node_distances(
    scene: Scene, how: str, horizontal: float = 0.0, vertical: float = 0.0
) -> Floats:
    """(k,) the same for each mean node alone [m]."""
    middle = np.zeros((1, scene.size))
    at = scene.node[None].copy()
    if how == PLAN:
        at[:, :, 2] = 0.0
    best = np.full(len(scene.node), np.inf)
    for kind, columns, tubes in _kinds(scene):
        shape = _shapes(scene, middle, columns, tubes)
        if how == PLAN:
            shape = _flattened(kind, shape)
        if how == SEPARATION:
            value = _apart(kind, shape, at[:, :, None, :], horizontal, vertical)
        else:
            value = _length(_away(kind, shape, at[:, :, None, :]))
        best = np.minimum(best, value[0].min(axis=1))
    return best


Group = tuple[int, Floats, Integers]


def _kinds(scene: Scene) -> list[Group]:
    found: list[Group] = []
    for kind in np.unique(scene.pieces.kind).tolist():
        mine = np.flatnonzero(scene.pieces.kind == kind)
        tube = np.cumsum(scene.pieces.kind == TUBE)[mine] - 1
        found.append((kind, scene.pieces.shape[mine], tube if kind == TUBE else mine[:0]))
    return found


def _shapes(scene: Scene, u: Floats, columns: Floats, tubes: Integers) -> list[Floats]:
    """Columns of the pieces, (1, 1, p), or (n, 1, p) for tubes that stray with u."""
    if len(tubes) == 0:
        return [columns[None, None, :, c] for c in range(8)]
    ends = np.stack((2 * tubes, 2 * tubes + 1), axis=1).ravel()
    stray = u @ scene.path_root[ends].reshape(-1, scene.size).T
    both = (scene.path[ends].ravel() + stray).reshape(len(u), 1, len(tubes), 6)
    return [both[..., c] for c in range(6)] + [columns[None, None, :, 6], columns[None, None, :, 7]]


def _away(kind: int, shape: list[Floats], at: Floats) -> Vector:
    return away(kind, tuple(shape), at[..., 0], at[..., 1], at[..., 2])


def _length(vector: Vector) -> Floats:
    x, y, z = vector
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def _flattened(kind: int, shape: list[Floats]) -> list[Floats]:
    """The same pieces as drawn in plan, for points at height zero."""
    flat = list(shape)
    if kind == TUBE:
        flat[2] = flat[5] = np.zeros(1)
    else:
        deep = {SLAB: 6, DISC: 3, WEDGE: 6}[kind]
        flat[deep] = np.full(1, -1e6)
        if kind == SLAB:
            flat[7] = np.zeros(1)
    return flat


def _apart(
    kind: int, shape: list[Floats], at: Floats, horizontal: float, vertical: float
) -> Floats:
    """Greater of the gap in plan beyond `horizontal` and that in height there beyond `vertical`."""
    z = at[..., 2]
    level = at.copy()
    level[..., 2] = 0.0
    x, y, _ = _away(kind, _flattened(kind, shape), level)
    if kind == TUBE:
        ex, ey, ez = shape[3] - shape[0], shape[4] - shape[1], shape[5] - shape[2]
        dx, dy = at[..., 0] - shape[0], at[..., 1] - shape[1]
        share = np.clip((dx * ex + dy * ey) / np.maximum(ex * ex + ey * ey, 1e-300), 0.0, 1.0)
        gap = np.abs(z - shape[2] - share * ez)
    elif kind == SLAB:
        along = (at[..., 0] - shape[0]) * shape[2] + (at[..., 1] - shape[1]) * shape[3]
        gap = np.maximum(shape[6] + shape[7] * np.clip(along, 0.0, shape[4]) - z, 0.0)
    else:
        gap = np.maximum(shape[3 if kind == DISC else 6] - z, 0.0)
    return np.asarray(np.maximum(np.sqrt(x * x + y * y) - horizontal, gap - vertical))


def _inside(
    kind: int,
    shape: list[Floats],
    start: Floats,
    step: Floats,
    real: Flags,
    value: Floats,
    vector: Vector,
    how: str,
    horizontal: float,
    vertical: float,
    best: Floats,
) -> Floats:
    """(n, p) least value inside segments; most are settled by a bound from their ends."""
    draws = len(start)
    length = np.sqrt(np.sum(step * step, axis=2))
    one, two = value[:, :-1][:, real], value[:, 1:][:, real]
    bound = 0.5 * (one + two - length[:, :, None])
    if how != SEPARATION:
        # tangents at both ends of a convex function bound it better
        down, up = np.zeros(one.shape), np.zeros(one.shape)
        for axis in range(3):
            along = np.broadcast_to(vector[axis], value.shape)
            down += along[:, :-1][:, real] * step[:, :, None, axis]
            up += along[:, 1:][:, real] * step[:, :, None, axis]
        fall, rise = down / np.maximum(one, 1e-12), up / np.maximum(two, 1e-12)
        meet = (one - two + rise) / np.maximum(rise - fall, 1e-12)
        tangent = np.where((fall < 0) & (rise > 0), one + fall * meet, np.inf)
        bound = np.maximum(bound, tangent)
    pieces = bound.shape[2]
    todo, segment, piece = np.nonzero(bound < best[:, None, :] - CLOSE)
    found = best.copy()
    if len(todo) == 0:
        return found
    at = todo, segment, piece
    columns = [np.broadcast_to(c, (draws, 1, pieces))[at[0], 0, at[2]] for c in shape]
    begin, way = start[at[:2]], step[at[:2]]
    if how == SEPARATION:
        least = _sampled(kind, columns, begin, way, horizontal, vertical)
    else:
        least = _least(kind, columns, begin, way, (one[at], down[at]), (two[at], up[at]))
    np.minimum.at(found, (todo, piece), least)
    return found


def _sampled(
    kind: int, columns: list[Floats], start: Floats, step: Floats, horizontal: float,
    vertical: float,
) -> Floats:  # fmt: skip
    """Least gap at nine places along one segment a row."""
    share = np.linspace(0.0, 1.0, 9)[None, :, None]
    at = start[:, None, :] + share * step[:, None, :]
    wide = [np.reshape(c, (-1, 1)) for c in columns]
    return np.asarray(_apart(kind, wide, at, horizontal, vertical).min(axis=1))


def _least(
    kind: int,
    columns: list[Floats],
    start: Floats,
    step: Floats,
    low: tuple[Floats, Floats],
    high: tuple[Floats, Floats],
) -> Floats:
    """Least distance inside one segment a row.

    `low` and `high` are the distance and half the slope of its square at both ends. The distance
    is convex along a segment: tangents at both ends of what is left of it meet below the least
    distance, and where they meet is a good place to look. Every other time the zero of the slope of
    the squared distance is tried instead, which is exact within one region of a piece.
    """
    answer = np.minimum(low[0], high[0])
    rows = np.arange(len(start))
    # distance and slope at the low end, at the high end; shares of both; least so far
    table = np.stack((*low, *high, np.zeros(len(start)), np.ones(len(start)), answer))
    columns_, way, begin = np.stack(columns), step.T, start.T
    for turn in range(SEARCH_TURNS):
        d0, s0, d1, s1, t0, t1, least = table
        fall, rise = s0 / np.maximum(d0, 1e-12), s1 / np.maximum(d1, 1e-12)
        width = t1 - t0
        meet = (d0 - d1 + rise * width) / np.maximum(rise - fall, 1e-12)
        go = (s0 < 0.0) & (s1 > 0.0) & (d0 + fall * meet < least - CLOSE)
        kept = np.flatnonzero(go)
        if len(kept) == 0:
            break
        if len(kept) < len(rows):
            answer[rows] = least
            rows, table, columns_ = rows[kept], table[:, kept], columns_[:, kept]
            way, begin, meet, width = way[:, kept], begin[:, kept], meet[kept], width[kept]
            d0, s0, d1, s1, t0, t1, least = table
        if turn % 2 == 0:
            meet = width * s0 / (s0 - s1)
        # stay off the ends, or nothing is learnt
        middle = t0 + np.minimum(np.maximum(meet, 0.02 * width), 0.98 * width)
        at = begin + middle * way
        x, y, z = away(kind, tuple(columns_), at[0], at[1], at[2])
        distance = np.sqrt(x * x + y * y + z * z)
        slope = x * way[0] + y * way[1] + z * way[2]
        left = slope < 0.0
        table = np.stack(
            (
                np.where(left, distance, d0), np.where(left, slope, s0),
                np.where(left, d1, distance), np.where(left, s1, slope),
                np.where(left, middle, t0), np.where(left, t1, middle),
                np.minimum(least, distance),
            )
        )  # fmt: skip
    answer[rows] = table[6]
    return answer
